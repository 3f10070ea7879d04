"""Deciding and delivering as a whole, on both databases, against real servers in another process."""

import logging
import re
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from tests.notices.made import MINUTE, NOW, ROWAN, SETUP, SITE, TAMSIN, mail, new, notice, person, told_of, words
from tests.notices.receivers import Receivers
from tests.service.weather_site import Clock

from frostshift_rules.job import Site
from frostshift_rules.notice_events import Notice, Told
from frostshift_rules.notice_quiet import is_for
from frostshift_rules.notice_setup import Address, Channel, NoticeSetup, Person
from frostshift_service import outbox
from frostshift_service.clock import utc_now
from frostshift_service.http import make_sending_client
from frostshift_service.jobs import Jobs
from frostshift_service.mail_address import MailServer
from frostshift_service.outbox import Telling, Wiring, address_words, decide_site, deliver, send_test
from frostshift_service.senders import Message, Sender, SendError
from frostshift_service.senders.email import EmailSender
from frostshift_service.senders.webhook import WebhookSender
from frostshift_service.store import deliveries, notice_links, notices
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import KeptSite, StoreError, UnknownSite, Words

PAGES = "https://pages.example"


def told_words(telling: Telling) -> Words:
    one = telling
    return words(one.site, one.kept.notice, one.person, one.kept.number, one.answer_link)


def due_now(_site: Site, one: Notice, to: Person) -> datetime | None:
    return one.decided_utc if {event.kind for event in one.events} & set(to.hears_of) else None


WIRING = Wiring(told_words, due_now, PAGES)


class Noted:
    """A sender that notes what it is given, and fails where it is told to."""

    def __init__(self, failing: Callable[[Address], Exception | None] = lambda _: None) -> None:
        self.got: list[tuple[str, Message]] = []
        self.failing = failing

    def send(self, address: Address, message: Message, now: datetime) -> str:
        self.got.append((address.to, message))
        error = self.failing(address)
        if error is not None:
            raise error
        return "taken"


@pytest.fixture
def senders(receivers: Receivers) -> Any:
    client = make_sending_client("1.2.3")
    yield {
        "email": EmailSender(MailServer("127.0.0.1", receivers.smtp, tls="none"), "preheat@site.example"),
        "webhook": WebhookSender(client),
    }
    client.close()


def set_up(engine: Engine, *people: Person) -> None:
    with writing(engine) as session:
        notices.save_setup(session, SITE, NoticeSetup(people), now=NOW)


def decide(
    engine: Engine, *decided: Notice, told: Told | None = None, made: datetime = NOW, due: Any = due_now
) -> list[int]:
    kept = decide_site(
        engine, SITE, lambda _s, _p, _t: (decided, told or Told()), due, plan_id=None, plan_made_utc=made, now=NOW
    )
    return [one.number for one in kept]


def states(engine: Engine) -> Counter[tuple[str, int, str]]:
    with reading(engine) as session:
        numbers = [one.number for one in notices.notices_of(session, SITE, newest=999)]
        rows = notices.deliveries_of(session, numbers)
    return Counter((row.person_id, row.turn, row.state) for row in rows)


def log(engine: Engine) -> list[tuple[str, str]]:
    with reading(engine) as session:
        return [(one.what, one.detail) for one in reversed(notices.log_of(session, SITE, newest=999))]


def run(engine: Engine, senders: Any, clock: Clock, wiring: Wiring = WIRING, workers: int = 2) -> dict[str, int]:
    return dict(deliver(engine, senders, wiring, clock, workers=workers))


# Deciding


def test_deciding_is_given_what_people_know_and_keeps_what_they_will(engine: Engine) -> None:
    set_up(engine, *SETUP.people)
    seen: list[tuple[str, NoticeSetup, Told]] = []

    def decided(site: KeptSite, setup: NoticeSetup, told: Told) -> tuple[Sequence[Notice], Told]:
        seen.append((site.site.id, setup, told))
        return [notice(f"k{len(seen)}")], told_of(str(len(seen)))

    for made in (NOW, NOW, NOW + MINUTE):
        decide_site(engine, SITE, decided, due_now, plan_id=None, plan_made_utc=made, now=NOW)
    assert [told for _, _, told in seen] == [Told(), told_of("1"), told_of("2")]
    assert seen[0][:2] == (SITE, SETUP)
    assert decide(engine, notice("old"), made=NOW) == [], "a plan older than was decided by decides nothing"
    assert states(engine) == {("rowan", 0, "waiting"): 3, ("tamsin", 0, "waiting"): 3}
    with pytest.raises(UnknownSite):
        decide_site(engine, "nowhere", decided, due_now, plan_id=None, plan_made_utc=NOW, now=NOW)


def test_who_hears_of_all_crews_hears_of_several_in_one_notice(engine: Engine) -> None:
    def due(_site: Site, one: Notice, to: Person) -> datetime | None:
        return None if is_for(one, to) is None else NOW

    set_up(engine, replace(ROWAN, crews=("row C",)), TAMSIN)
    decided = notice("a"), notice("b", crew="row D"), notice("c", crew="", shift_key=None)
    numbers = decide(engine, *decided, due=due)
    assert len(numbers) == 4
    with reading(engine) as session:
        kept = {one.number: one.notice for one in notices.notices_of(session, SITE, newest=9)}
        to = {(row.number, row.person_id) for row in notices.deliveries_of(session, numbers)}
    crews = {number: one.crew for number, one in kept.items()}
    whole = next(number for number, one in kept.items() if one.key.startswith("all|"))
    row_c = next(number for number, crew in crews.items() if crew == "row C")
    site = next(number for number, one in kept.items() if one.key == "c")
    assert to == {(row_c, "rowan"), (whole, "tamsin"), (site, "tamsin")}
    assert decide(engine, *decided, due=due) == []


def test_a_clock_that_ran_ahead_once_does_not_silence_the_site(engine: Engine) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice("ahead"), made=NOW + timedelta(days=3))
    assert decide(engine, notice("right again"), made=NOW) != []


def test_what_is_decided_at_the_end_of_a_shift_still_arrives(engine: Engine, clock: Clock) -> None:
    """A joint that runs beyond its shift is below its minimum: its reading was taken half an hour after the end."""
    set_up(engine, ROWAN)
    decide(engine, notice(shift_end_utc=NOW - 30 * MINUTE))
    assert run(engine, {"email": Noted()}, clock) == {"sent": 1}


def test_a_refusal_of_what_cannot_wait_is_told_at_once_whatever_the_crew(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN, replace(TAMSIN, crews=("row D",)))
    decide(engine, notice())
    run(engine, {"email": Noted(lambda to: SendError("550", permanent=True) if "rowan" in to.to else None)}, clock)
    with reading(engine) as session:
        found = [one for one in notices.notices_of(session, SITE, newest=9) if one.notice.events[0].kind == "address"]
        to = {row.person_id for row in notices.deliveries_of(session, [one.number for one in found])}
    assert [one.notice.urgency for one in found] == ["now"]
    assert to == {"tamsin"}


def test_an_error_while_deciding_writes_nothing(engine: Engine) -> None:
    set_up(engine, ROWAN)

    def broken(_site: Site, _notice: Notice, _to: Person) -> datetime | None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        decide(engine, notice(), told=told_of("A"), due=broken)
    assert states(engine) == {}
    with reading(engine) as session:
        assert notices.load_told(session, SITE) == Told()


def test_who_hears_of_it_and_when(engine: Engine) -> None:
    set_up(engine, ROWAN, TAMSIN, person("quill", mail("q@x.example"), role="purchasing"))
    later = NOW + 9 * timedelta(hours=1)
    decide(engine, notice(), due=lambda _s, _n, to: {"rowan": later, "tamsin": NOW}.get(to.id))
    with reading(engine) as session:
        waiting = deliveries.waiting_of(session, SITE)
    assert [(row.person_id, row.due_utc) for row in waiting] == [("tamsin", NOW), ("rowan", later)]


def test_two_copies_that_decide_at_once_tell_it_once(engine: Engine) -> None:
    set_up(engine, ROWAN)
    barrier = threading.Barrier(3)

    def copy(_: int) -> int:
        barrier.wait()
        return sum(len(decide(engine, *(notice(f"k{n}") for n in range(5)))) for _ in range(4))

    with ThreadPoolExecutor(3) as pool:
        assert sum(pool.map(copy, range(3))) == 5
    assert states(engine) == {("rowan", 0, "waiting"): 5}


# Delivering


def test_a_notice_from_deciding_to_its_answer(engine: Engine, senders: Any, receivers: Receivers, clock: Clock) -> None:
    name = re.sub(r"\W", "", str(engine.url.get_backend_name()))
    rowan = replace(ROWAN, addresses=(mail(f"rowan@{name}.example"), Address("webhook", receivers.hook(f"{name}/r"))))
    set_up(engine, rowan, replace(TAMSIN, kinds=("gas",), addresses=(mail(f"tamsin@{name}.example"),)))
    (number,) = decide(engine, notice())
    assert run(engine, senders, clock) == {"sent": 2}
    assert run(engine, senders, clock) == {}
    clock.now = NOW + 16 * MINUTE
    assert run(engine, senders, clock) == {"sent": 2}
    clock.now = NOW + 31 * MINUTE
    assert run(engine, senders, clock) == {"sent": 1}
    first, again = receivers.to(f"rowan@{name}.example")
    assert f"Notice {number} for Rowan." in first["text"]
    (passed_on,) = receivers.to(f"tamsin@{name}.example")
    links = [re.findall(rf"{PAGES}/answer/(\S+)", one["text"])[0] for one in (first, again, passed_on)]
    assert len(set(links)) == 3
    with writing(engine) as session:
        found = notice_links.by_answer_token(session, links[0])
        assert found is not None
        assert (found[0].number, found[1].person_id, found[1].turn) == (number, "rowan", 0)
        notices.answer(session, number, by="Rowan", how="link", now=clock.now)
    clock.now = NOW + 300 * MINUTE
    assert run(engine, senders, clock) == {}
    assert [what for what, _ in log(engine)] == [
        "decided",
        *["sent"] * 2,
        "again",
        *["sent"] * 2,
        "passed_on",
        "sent",
        "answered",
    ]
    assert not any(token in str(log(engine)) for token in links)


@pytest.mark.parametrize("fault", ["451.2", "421.2", "lost.2", "taken.2", "552.2"])
def test_mail_that_fails_twice_arrives(
    engine: Engine, senders: Any, receivers: Receivers, clock: Clock, fault: str
) -> None:
    to = f"{fault}.{engine.url.get_backend_name()}@arrive.example"
    set_up(engine, person("rowan", mail(to)))
    decide(engine, notice(urgency="soon"))
    for minutes, outcome in ((0, "waiting"), (0.9, None), (1, "waiting"), (2.9, None), (3, "sent"), (99, None)):
        clock.now = NOW + minutes * MINUTE
        assert run(engine, senders, clock) == ({} if outcome is None else {outcome: 1})
    mails = [line for line in receivers.to(to) if line["what"] == "mail"]
    assert len(mails) == (3 if fault == "taken.2" else 1)
    ids = {str(value) for one in mails for name, value in one["headers"] if name == "Message-ID"}
    assert len(ids) == 1, "a duplicate is recognised"
    assert [what for what, _ in log(engine)] == ["decided", "failed", "sent"]
    assert log(engine)[-1][1].startswith(f"to rowan at {to[0]}…@arrive.example, attempt 3: ")


@pytest.mark.parametrize(("fault", "minutes"), [("500.1", 1), ("429.1", 20), ("lost.1", 1), ("taken.1", 1)])
def test_a_post_that_fails_once_arrives(
    engine: Engine, senders: Any, receivers: Receivers, clock: Clock, fault: str, minutes: int
) -> None:
    path = f"{fault.replace('.', '/')}/arrive-{engine.url.get_backend_name()}-{fault}"
    set_up(engine, person("rowan", Address("webhook", receivers.hook(path))))
    decide(engine, notice(urgency="soon"))
    assert run(engine, senders, clock) == {"waiting": 1}
    clock.now = NOW + (minutes - 0.1) * MINUTE
    assert run(engine, senders, clock) == {}
    clock.now = NOW + minutes * MINUTE
    assert run(engine, senders, clock) == {"sent": 1}


def test_an_address_that_refuses_is_switched_off_and_the_superintendent_hears_of_it(
    engine: Engine, senders: Any, receivers: Receivers, clock: Clock
) -> None:
    name = engine.url.get_backend_name()
    rowan = person("rowan", mail(f"550.0.{name}@off.example"), name="Rowan <b>&")
    boss = person("tamsin", mail(f"tamsin.{name}@off.example"), role="superintendent")
    set_up(engine, rowan, boss)
    (number,) = decide(engine, notice(urgency="soon"))
    assert run(engine, senders, clock, workers=1) == {"failed": 1, "sent": 2}
    about, off = sorted(receivers.to(f"tamsin.{name}@off.example"), key=lambda line: "Tell" in line["text"])
    assert f"Notice {number}" in about["text"]
    assert off["text"].startswith(f"Tell Rowan <b>& yourself: nothing is sent to 550.0.{name}@off.example any more\r\n")
    assert "550 5.1.1 no such mailbox" in off["text"]
    assert "Rowan &lt;b&gt;&amp;" in off["html"]
    decide(engine, notice("next", urgency="soon"))
    assert run(engine, senders, clock) == {"sent": 1}, "nothing is tried at an address that is off"
    assert [what for what, _ in log(engine)].count("switched_off") == 1


def test_two_superintendents_whose_addresses_refuse_do_not_go_round(engine: Engine, clock: Clock) -> None:
    bosses = [person(f"boss-{n}", mail(f"b{n}@x.example"), role="superintendent") for n in range(3)]
    set_up(engine, *bosses)
    decide(engine, notice())
    sender = Noted(lambda _: SendError("550", permanent=True))
    for minutes in range(0, 200, 10):
        clock.now = NOW + minutes * MINUTE
        run(engine, {"email": sender}, clock)
    assert len(sender.got) == 3, "each address once"
    with reading(engine) as session:
        assert len(notices.switched_off(session, SITE)) == 3
        assert len(notices.notices_of(session, SITE, newest=99)) == 4


def test_without_a_mail_server_the_log_says_so(
    engine: Engine, senders: Any, receivers: Receivers, clock: Clock
) -> None:
    path = f"none/{engine.url.get_backend_name()}"
    set_up(engine, ROWAN, person("hook", Address("webhook", receivers.hook(path))))
    decide(engine, notice(urgency="soon"))
    assert run(engine, {"webhook": senders["webhook"]}, clock) == {"dropped": 1, "sent": 1}
    assert (
        "failed",
        "to rowan at r…@site.example: no mail server is set (FROSTSHIFT_SMTP_URL); not tried again",
    ) in log(engine)


def test_a_channel_that_is_down_is_tried_once_a_run_and_holds_up_no_other(engine: Engine, clock: Clock) -> None:
    people = [person(f"p{n}", mail(f"p{n}@x.example"), Address("webhook", f"https://h{n}.example/")) for n in range(9)]
    set_up(engine, *people)
    decide(engine, notice(urgency="soon"))
    down, up = Noted(lambda _: SendError("no answer", whole_channel=True)), Noted()
    assert run(engine, {"email": down, "webhook": up}, clock, workers=1) == {"waiting": 1, "sent": 9}
    assert len(down.got) == 1
    assert sorted(to for to, _ in up.got) == [f"https://h{n}.example/" for n in range(9)]
    again = Noted()
    clock.now = NOW + MINUTE
    assert run(engine, {"email": again, "webhook": up}, clock) == {"sent": 9}
    assert len(again.got) == 9


def test_mail_that_is_gone_for_most_of_a_day_costs_few_tries_and_no_notice_that_still_says_something(
    engine: Engine, clock: Clock
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon"), notice("over", urgency="soon", shift_end_utc=NOW + timedelta(hours=9)))
    down, up = Noted(lambda _: SendError("no answer", whole_channel=True)), Noted()
    for minute in range(0, 22 * 60, 5):
        clock.now = NOW + timedelta(minutes=minute)
        run(engine, {"email": down}, clock, workers=1)
    assert 10 <= len(down.got) <= 80
    for minute in range(0, 65, 5):
        clock.now = NOW + timedelta(hours=22, minutes=minute)
        run(engine, {"email": up}, clock, workers=1)
    assert len(up.got) == 1, "the shift of the other is over"
    assert Counter(state for _, _, state in states(engine).elements()) == {"sent": 1, "dropped": 1}


def test_an_address_that_fails_is_tried_once_a_run(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN, TAMSIN)
    decide(engine, *(notice(f"k{n}", urgency="soon") for n in range(5)))
    sender = Noted(lambda to: SendError("busy") if "rowan" in to.to else None)
    assert run(engine, {"email": sender}, clock, workers=1) == {"waiting": 1, "sent": 5}


def test_a_slow_address_holds_up_no_other(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN, TAMSIN)
    decide(engine, notice())
    both = threading.Barrier(2)  # each waits for the other: one after the other would never end

    def wait(_: Address) -> None:
        both.wait(timeout=60)

    assert run(engine, {"email": Noted(wait)}, clock, workers=2) == {"sent": 2}


def test_a_message_that_hangs_is_not_claimed_for_ever(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice())
    monkeypatch.setattr(outbox, "BEAT_S", 0.02)
    begun, go_on, beats = threading.Event(), threading.Event(), threading.Semaphore(0)
    renew = outbox._renew

    def beat(*args: Any) -> None:
        renew(*args)
        beats.release()

    def hang(_: Address) -> None:
        begun.set()
        go_on.wait(60)

    def given_back_after(time: timedelta) -> int:
        clock.now += time
        while beats.acquire(blocking=False):  # those before
            pass
        for _ in range(3):
            assert beats.acquire(timeout=20)
        with writing(engine) as session:
            return deliveries.give_back_stale(session, now=clock.now)

    monkeypatch.setattr(outbox, "_renew", beat)
    with ThreadPoolExecutor(1) as pool:
        sending = pool.submit(run, engine, {"email": Noted(hang)}, clock, workers=1)
        try:
            assert begun.wait(20)
            assert given_back_after(outbox.HANGS - MINUTE) == 0, "it may just be slow"
            assert given_back_after(2 * MINUTE) == 1
        finally:
            go_on.set()
        assert sending.result(60) == {"sent": 1}


def test_words_that_fail_hold_up_no_other_and_are_tried_again(
    engine: Engine, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    def some_words(telling: Telling) -> Words:
        if telling.person.id == "rowan" and clock.now == NOW:
            raise ZeroDivisionError
        return told_words(telling)

    set_up(engine, ROWAN, TAMSIN)
    decide(engine, notice(urgency="soon"))
    sender, wiring = Noted(), Wiring(some_words, due_now)
    assert run(engine, {"email": sender}, clock, wiring) == {"waiting": 1, "sent": 1}
    assert "could not be sent" in caplog.text
    assert any("a fault of ours, ZeroDivisionError" in detail for _, detail in log(engine))
    clock.now = NOW + MINUTE
    assert run(engine, {"email": sender}, clock, wiring) == {"sent": 1}
    assert {message.answer_link for _, message in sender.got} == {""}, "no address of the pages, no link"


def test_what_nobody_needs_any_more_is_dropped(engine: Engine, clock: Clock) -> None:
    gone = person("gone", mail("gone@x.example"))
    set_up(engine, ROWAN, gone)
    over = {"urgency": "soon", "shift_end_utc": NOW + MINUTE, "decided_utc": NOW - 300 * MINUTE}
    decide(engine, notice(urgency="soon"), notice("over", **over))
    set_up(engine, replace(ROWAN, addresses=(mail("other@x.example"),)))
    sender = Noted()
    clock.now = NOW + MINUTE
    assert run(engine, {"email": sender}, clock) == {"dropped": 4}
    assert sender.got == []
    set_up(engine, ROWAN)
    decide(engine, notice("over 2", **over), made=NOW + MINUTE)
    assert run(engine, {"email": sender}, clock) == {"dropped": 1}
    assert log(engine)[-1][1] == "to rowan at r…@site.example: the shift is over; not tried again"


def test_a_worker_that_dies_after_sending_sends_it_twice(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon"))
    sender = Noted()
    with monkeypatch.context() as patch:
        patch.setattr(deliveries, "mark_sent", lambda *_a, **_k: 1 / 0)
        assert run(engine, {"email": sender}, clock) == {"waiting": 1}
    assert "could not be recorded" in caplog.text
    assert states(engine) == {("rowan", 0, "claimed"): 1}
    clock.now = NOW + deliveries.STALE
    assert run(engine, {"email": sender}, clock) == {}
    clock.now = NOW + MINUTE
    assert run(engine, {"email": sender}, clock) == {"sent": 1}
    (_, first), (_, second) = sender.got
    assert (first.number, first.delivery_id) == (second.number, second.delivery_id)
    assert first.answer_link != second.answer_link


HOUR = 60 * MINUTE


def test_what_a_clock_that_was_ahead_decided_is_sent_and_passed_on(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN, TAMSIN)
    only_rowan = lambda site, one, to: due_now(site, one, to) if to.id == "rowan" else None  # noqa: E731
    decide(engine, notice(decided_utc=NOW + HOUR), due=only_rowan)  # and then the clock is put back by an hour
    sender = Noted()
    assert run(engine, {"email": sender}, clock) == {"sent": 1}
    choices = SETUP.choices
    clock.now = NOW + timedelta(minutes=choices.then_minutes) - MINUTE
    run(engine, {"email": sender}, clock)
    assert "tamsin" not in {who for who, _, _ in states(engine)}, "he has some time to answer"
    clock.now += MINUTE
    run(engine, {"email": sender}, clock)
    assert states(engine)["tamsin", 2, "sent"] == 1


@pytest.mark.parametrize("urgency", ["now", "soon"])
def test_what_failed_while_the_clock_was_ahead_does_not_wait_for_that_hour(
    engine: Engine, clock: Clock, urgency: str
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency=urgency, shift_end_utc=None))
    ahead = timedelta(hours=1 if urgency == "now" else 7)  # for what may wait a server may ask for six
    clock.now = NOW + ahead
    failing = Noted(lambda _: SendError("the server is down"))
    assert run(engine, {"email": failing}, clock) == {"waiting": 1}
    clock.now = NOW
    sender = Noted()
    assert run(engine, {"email": sender}, clock) == {"sent": 1}


def test_a_pause_that_is_right_is_kept(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon", shift_end_utc=None))
    failing = Noted(lambda _: SendError("the server is down", retry_after=timedelta(hours=5)))
    assert run(engine, {"email": failing}, clock) == {"waiting": 1}
    assert run(engine, {"email": failing}, clock) == {}
    assert len(failing.got) == 1


def test_quiet_hours_are_kept_whatever_the_clock(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN)
    for key, decided_utc in (("right", NOW), ("ahead", NOW + HOUR)):
        decide(engine, notice(key, decided_utc=decided_utc), due=lambda *_: NOW + 8 * HOUR)
    assert run(engine, {"email": Noted()}, clock) == {}


def test_a_claim_of_a_clock_that_was_ahead_is_given_back(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon", shift_end_utc=None))
    clock.now = NOW + HOUR
    with monkeypatch.context() as patch:
        patch.setattr(deliveries, "mark_sent", lambda *_a, **_k: 1 / 0)
        assert run(engine, {"email": Noted()}, clock) == {"waiting": 1}
    assert states(engine) == {("rowan", 0, "claimed"): 1}
    clock.now = NOW
    assert run(engine, {"email": Noted()}, clock) == {"sent": 1}


def test_what_was_sent_while_the_clock_was_ahead_is_sent_again(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice())
    clock.now = NOW + HOUR
    sender = Noted()
    assert run(engine, {"email": sender}, clock) == {"sent": 1}
    clock.now = NOW
    assert run(engine, {"email": sender}, clock) == {"sent": 1}
    assert states(engine) == {("rowan", 0, "sent"): 1, ("rowan", 1, "sent"): 1}
    assert run(engine, {"email": sender}, clock) == {}


def test_two_copies_that_deliver_at_once_send_everything_once(engine: Engine, clock: Clock) -> None:
    people = [person(f"p{n}", mail(f"p{n}@x.example")) for n in range(6)]
    set_up(engine, *people)
    decide(engine, *(notice(f"k{n}", urgency="soon") for n in range(10)))
    sender, start = Noted(), threading.Barrier(2)

    def copy(_: int) -> int:
        start.wait()
        return run(engine, {"email": sender}, clock, workers=3).get("sent", 0)

    with ThreadPoolExecutor(2) as pool:
        assert sum(pool.map(copy, range(2))) == 60
    assert len({(to, message.number) for to, message in sender.got}) == len(sender.got) == 60


def test_a_site_that_cannot_be_followed_up_holds_up_no_other(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice())
    monkeypatch.setattr(deliveries, "follow_up", lambda *_a, **_k: 1 / 0)
    assert run(engine, {"email": Noted()}, clock) == {"sent": 1}
    assert "could not be passed on" in caplog.text


# Test messages


def test_a_test_message_is_sent_once_and_switches_on(engine: Engine) -> None:
    set_up(engine, ROWAN)
    key = ROWAN.addresses[0].key
    with writing(engine) as session:
        notices.switch_off(session, SITE, key, person_id="rowan", reason="550", number=None, now=NOW)
    bad, good = Noted(lambda _: SendError("451 busy")), Noted()
    assert send_test(engine, {"email": bad}, SITE, "rowan", key, NOW) == "Not sent to rowan@site.example: 451 busy."
    assert len(bad.got) == 1
    with reading(engine) as session:
        assert deliveries.waiting_of(session, SITE) == [], "it is not tried again"
        assert len(notices.switched_off(session, SITE)) == 1
    assert send_test(engine, {"email": good}, SITE, "rowan", key, NOW) == "Sent to rowan@site.example: taken."
    (message,) = [message for _, message in good.got]
    assert (message.number, message.first_line) == (0, "Test message of Ore shed, row C")
    with reading(engine) as session:
        assert notices.switched_off(session, SITE) == []
    assert [what for what, _ in log(engine)] == ["switched_off", "test", "test", "switched_on"]
    assert send_test(engine, {}, SITE, "rowan", key, NOW).startswith("Not sent to rowan@site.example: no mail server")
    for person_id, address in (("quill", key), ("rowan", "email:x@y.example")):
        with pytest.raises(StoreError):
            send_test(engine, {}, SITE, person_id, address, NOW)


# The loop


def jobs(engine: Engine, clock: Clock, senders: Any, wiring: Wiring | None = WIRING) -> Jobs:
    return Jobs(engine, clock, get=None, jitter=lambda: 0.5, senders=senders, wiring=wiring)


def test_the_jobs_deliver_where_they_have_senders(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon"))
    sender = Noted()
    jobs(engine, clock, None).deliver()
    jobs(engine, clock, {"email": sender}, None).deliver()
    assert sender.got == []
    jobs(engine, clock, {"email": sender}).deliver()
    assert len(sender.got) == 1


def test_a_stop_lets_a_message_end_and_begins_no_other(engine: Engine, clock: Clock) -> None:
    set_up(engine, ROWAN, TAMSIN)
    decide(engine, notice())
    stop = threading.Event()
    sender = Noted(lambda _: stop.set())
    assert deliver(engine, {"email": sender}, WIRING, clock, workers=1, stopping=stop.is_set) == {"sent": 1}
    assert run(engine, {"email": sender}, clock) == {"sent": 1}, "the next start sends what is left"


def test_the_loop_delivers_at_once(engine: Engine, clock: Clock) -> None:
    clock.now = utc_now()  # the scheduler has a clock of its own
    set_up(engine, ROWAN)
    decide(engine, notice(urgency="soon"), due=lambda _s, _n, _p: clock.now)
    arrived = threading.Event()
    sender: Sender = Noted(lambda _: arrived.set())
    channels: dict[Channel, Sender] = {"email": sender}
    made = jobs(engine, clock, channels)
    made.start()
    assert arrived.wait(timeout=60)
    made.stop()
    assert states(engine) == {("rowan", 0, "sent"): 1}


def test_a_store_that_is_gone_does_not_end_the_loop(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(deliveries, "give_back_stale", lambda *_a, **_k: 1 / 0)
    with caplog.at_level(logging.ERROR):
        jobs(engine, clock, {"email": Noted()}).deliver()
    assert "notices could not be delivered" in caplog.text


def test_words_about_an_address_are_for_such_notices_alone(engine: Engine) -> None:
    with writing(engine) as session:
        (kept,) = notices.add_notices(session, SITE, [new(notice())], plan_id=None, now=NOW)
    assert address_words(kept) is None
