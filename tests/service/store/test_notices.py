"""Notices in the store: decided once whoever decides, claimed by one, sent, answered, repeated, passed on, logged."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlmodel import select
from tests.notices.made import MINUTE, NOW, ROWAN, SETUP, SITE, TAMSIN, mail, new, notice, person, told_of

from frostshift_rules.notice_events import FrontSeen, Told, ToldJoint
from frostshift_rules.notice_setup import Address, NoticeChoices, NoticeSetup, Person, Quiet, Template
from frostshift_service.store import deliveries, notice_links, notices
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import (
    Claimed,
    KeptDelivery,
    KeptNotice,
    NewNotice,
    UnknownNotice,
    UnknownSite,
    shown_address,
)
from frostshift_service.store.tables import AnswerLinkRow, NoticeRow


def save(store: Engine, setup: NoticeSetup = SETUP) -> tuple[str, ...]:
    with writing(store) as session:
        return notices.save_setup(session, SITE, setup, now=NOW)


def add(store: Engine, *decided: NewNotice, told: Told | None = None) -> list[KeptNotice]:
    with writing(store) as session:
        return notices.add_notices(session, SITE, decided, plan_id=None, now=NOW, told=told)


def claim(store: Engine, at: timedelta = timedelta(0), **fields: object) -> Claimed | None:
    with writing(store) as session:
        return deliveries.claim_next(session, now=NOW + at, **fields)  # type: ignore[arg-type]


def sent(store: Engine, claimed: Claimed, at: timedelta = timedelta(0)) -> None:
    with writing(store) as session:
        deliveries.mark_sent(session, claimed, how="taken", now=NOW + at)


def failed(store: Engine, claimed: Claimed, at: timedelta = timedelta(0), **fields: object) -> str:
    with writing(store) as session:
        return deliveries.mark_failed(session, claimed, "no answer", now=NOW + at, **fields)  # type: ignore[arg-type]


def stand(store: Engine, number: int) -> list[KeptDelivery]:
    with reading(store) as session:
        return notices.deliveries_of(session, [number])


def follow(store: Engine, at: timedelta) -> int:
    with writing(store) as session:
        return deliveries.follow_up(session, SITE, now=NOW + at)


def log(store: Engine) -> list[tuple[str, int | None, str]]:
    with reading(store) as session:
        return [(line.what, line.number, line.detail) for line in reversed(notices.log_of(session, SITE, newest=99))]


# Who hears what, what they know


def test_who_hears_what_comes_back(sited: Engine) -> None:
    template = Template('{"msg": "$first_line"}', (("X-Site", "ore"),))
    hook = Address("webhook", "https://hooks.example/a?token=t", "key", template)
    rowan = replace(ROWAN, addresses=(*ROWAN.addresses, hook), quiet=Quiet(time(20), time(5, 30)), crews=("row C",))
    setup = NoticeSetup((rowan, TAMSIN), NoticeChoices(front_fall_k=6.5))
    with reading(sited) as session:
        assert notices.load_setup(session, SITE) == NoticeSetup()
    save(sited)
    save(sited, setup)
    with reading(sited) as session:
        assert notices.load_setup(session, SITE) == setup
    with pytest.raises(UnknownSite), writing(sited) as session:
        notices.save_setup(session, "nowhere", setup, now=NOW)


def test_what_people_know_comes_back(sited: Engine) -> None:
    told = Told(
        {"C-1": ToldJoint("heat_to_minimum", "go", NOW, NOW + MINUTE, True)},
        {"row C|day": FrontSeen(NOW, NOW + 60 * MINUTE, 1.25, -12.5, 4.0)},
        ("row C|day",),
        {"day|propane-100": 3},
        {"propane-100": date(2027, 1, 20)},
        "late",
        NOW,
    )
    with writing(sited) as session:
        assert notices.load_told(session, SITE) == Told()
        assert notices.decided_by(session, SITE) is None
        notices.save_told(session, SITE, told_of("AB"), plan_made_utc=None)
        notices.save_told(session, SITE, told, plan_made_utc=NOW)
    with reading(sited) as session:
        assert notices.load_told(session, SITE) == told
        assert notices.decided_by(session, SITE) == NOW


# Decided


def test_the_same_decided_again_adds_nothing(sited: Engine) -> None:
    (first,) = add(sited, new(notice(), ROWAN, TAMSIN), told=told_of("A"))
    assert add(sited, new(notice(), ROWAN), new(notice(), TAMSIN)) == []
    (second,) = add(sited, new(notice(), ROWAN), new(notice("stop"), ROWAN), new(notice("stop"), ROWAN))
    assert second.number > first.number
    with reading(sited) as session:
        assert notices.notices_of(session, SITE, newest=9) == [second, first]
        assert notices.notices_of(session, SITE, newest=1) == [second]
        assert notices.notice_by_number(session, first.number) == first
        assert notices.load_told(session, SITE) == told_of("A"), "without told it stays"
    assert [(one.person_id, one.state, one.attempts) for one in stand(sited, first.number)] == [
        ("rowan", "waiting", 0),
        ("tamsin", "waiting", 0),
    ]
    assert log(sited)[0] == ("decided", first.number, "front; to rowan, tamsin")
    with pytest.raises(UnknownNotice), reading(sited) as session:
        notices.notice_by_number(session, 99)


def test_a_key_twice_is_refused_by_the_database_too(sited: Engine) -> None:
    add(sited, new(notice()))
    with reading(sited) as session:
        row = session.exec(select(NoticeRow)).one()
    with pytest.raises(IntegrityError), writing(sited) as session:
        session.add(NoticeRow(**{**row.model_dump(), "number": None}))


def test_of_notices_told_and_deliveries_all_or_nothing_is_written(sited: Engine) -> None:
    broken = Told(together={"day": "three"})  # type: ignore[dict-item]
    with pytest.raises(Exception, match="three"):
        add(sited, new(notice(), ROWAN), told=broken)
    with reading(sited) as session:
        assert notices.notices_of(session, SITE, newest=9) == []
        assert notices.load_told(session, SITE) == Told()
        assert deliveries.waiting_of(session, SITE) == []
    assert log(sited) == []


def test_two_who_decide_at_once(sited: Engine) -> None:
    def decide(number: int) -> int:
        return len(add(sited, *(new(notice(f"k{n}"), ROWAN) for n in range(20)), told=told_of(str(number))))

    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(decide, range(4))) == 20
    with reading(sited) as session:
        assert len(notices.notices_of(session, SITE, newest=99)) == 20
        assert len(deliveries.waiting_of(session, SITE)) == 20


# On their way


def test_what_cannot_wait_is_claimed_first_and_nothing_before_its_time(sited: Engine) -> None:
    add(sited, new(notice("plain", urgency="plain"), ROWAN), new(notice("soon", urgency="soon"), ROWAN))
    add(sited, new(notice("later"), ROWAN, due_utc=NOW + 5 * MINUTE), new(notice("now"), ROWAN))
    keys = []
    while (one := claim(sited)) is not None:
        keys.append(one.notice.notice.key)
        assert (one.delivery.state, one.delivery.attempts) == ("claimed", 1)
    assert keys == ["now", "soon", "plain"]
    late = claim(sited, 5 * MINUTE)
    assert late is not None
    assert late.notice.notice.key == "later"


def test_what_is_to_be_skipped_is_not_claimed(sited: Engine) -> None:
    hook = person("hook", Address("webhook", "https://hooks.example/a"))
    add(sited, new(notice(), ROWAN, TAMSIN, hook))
    rowan = {(SITE, "email:rowan@site.example")}
    first = claim(sited, skip_addresses=rowan, skip_channels=("webhook",))
    assert first is not None
    assert first.delivery.person_id == "tamsin"
    assert claim(sited, skip_addresses=rowan, skip_channels=("webhook",)) is None
    second = claim(sited, skip_channels=("email",))
    assert second is not None
    assert second.delivery.person_id == "hook"


def test_pauses_grow_and_end_after_a_day(sited: Engine) -> None:
    (one,) = add(sited, new(notice(), ROWAN))
    at, pauses = timedelta(0), []
    while True:
        claimed = claim(sited, at)
        assert claimed is not None
        state = failed(sited, claimed, at)
        if state != "waiting":
            break
        (row,) = stand(sited, one.number)
        pauses.append((row.due_utc - NOW - at) / MINUTE)
        assert claim(sited, row.due_utc - NOW - timedelta(seconds=1)) is None
        at = row.due_utc - NOW
    assert pauses[:8] == [1, 2, 5, 15, 30, 60, 60, 60]
    assert state == "failed"
    assert timedelta(hours=23) <= at <= timedelta(hours=24)
    assert [what for what, _, _ in log(sited)] == ["decided", "failed", "failed"], "the first and the last"


def test_a_server_that_asks_for_a_longer_pause_gets_it(sited: Engine) -> None:
    (one,) = add(sited, new(notice(urgency="soon"), ROWAN))
    for asked, given in ((20, 20), (0, 2), (9999, 360)):
        (row,) = stand(sited, one.number)
        at = row.due_utc - NOW
        claimed = claim(sited, at)
        assert claimed is not None
        failed(sited, claimed, at, retry_after=asked * MINUTE)
        (row,) = stand(sited, one.number)
        assert row.due_utc - NOW - at == given * MINUTE


def test_what_cannot_wait_waits_a_quarter_of_an_hour_at_most(sited: Engine) -> None:
    (one,) = add(sited, new(notice(urgency="now"), ROWAN))
    claimed = claim(sited)
    assert claimed is not None
    failed(sited, claimed, 0 * MINUTE, retry_after=9999 * MINUTE)
    (row,) = stand(sited, one.number)
    assert row.due_utc - NOW == 15 * MINUTE


def test_a_stale_claim_returns_and_both_links_answer(sited: Engine) -> None:
    (one,) = add(sited, new(notice(), ROWAN))
    first = claim(sited)
    assert first is not None
    with writing(sited) as session:
        assert deliveries.give_back_stale(session, now=NOW + deliveries.STALE) == 0
        assert deliveries.give_back_stale(session, now=NOW + MINUTE) == 1
    again = claim(sited, 6 * MINUTE)
    assert again is not None
    assert again.delivery.attempts == 2
    assert again.link_token != first.link_token
    assert first.link_token not in repr(first)
    with reading(sited) as session:
        for token in (first.link_token, again.link_token):
            found = notice_links.by_answer_token(session, token)
            assert found is not None
            assert (found[0].number, found[1].person_id) == (one.number, "rowan")
            assert token not in {row.digest for row in session.exec(select(AnswerLinkRow))}
        assert notice_links.by_answer_token(session, "guessed") is None
    # The first worker was slow, not dead: its message counts as one more, and the delivery is the second's.
    sent(sited, first, 7 * MINUTE)
    assert stand(sited, one.number)[0].state == "claimed"
    failed(sited, first, 7 * MINUTE)
    assert stand(sited, one.number)[0].state == "claimed", "a failure of one who lost the claim changes nothing"
    sent(sited, again, 8 * MINUTE)
    assert stand(sited, one.number)[0].state == "sent"
    assert "more than once" in log(sited)[1][2]


def test_who_lost_a_claim_does_not_renew_that_of_the_next(sited: Engine) -> None:
    add(sited, new(notice(), ROWAN))
    first = claim(sited)
    assert first is not None
    with writing(sited) as session:
        deliveries.keep_claim(session, first, now=NOW + MINUTE)
        assert deliveries.give_back_stale(session, now=NOW + MINUTE) == 0
        assert deliveries.give_back_stale(session, now=NOW + 2 * MINUTE) == 1
    again = claim(sited, 3 * MINUTE)
    assert again is not None
    with writing(sited) as session:
        deliveries.keep_claim(session, first, now=NOW + 4 * MINUTE)
        assert deliveries.give_back_stale(session, now=NOW + 4 * MINUTE) == 1


def test_one_who_was_slow_and_is_not_replaced_yet_has_sent_it(sited: Engine) -> None:
    (one,) = add(sited, new(notice(), ROWAN))
    first = claim(sited)
    assert first is not None
    with writing(sited) as session:
        deliveries.give_back_stale(session, now=NOW + 6 * MINUTE)
    sent(sited, first, 7 * MINUTE)
    assert claim(sited, 8 * MINUTE) is None
    assert stand(sited, one.number)[0].state == "sent"


def test_eight_workers_claim_nothing_twice(sited: Engine) -> None:
    add(sited, *(new(notice(f"k{n}"), ROWAN, TAMSIN) for n in range(20)))

    def work(_: int) -> list[int]:
        mine, empty = [], 0
        while empty < 3:
            one = claim(sited)
            if one is None:
                empty += 1
            else:
                mine.append(one.delivery.id)
        return mine

    with ThreadPoolExecutor(8) as pool:
        claimed = [delivery for mine in pool.map(work, range(8)) for delivery in mine]
    assert len(claimed) == len(set(claimed)) == 40


# Answered, repeated, passed on


def test_what_nobody_answers_is_sent_again_and_passed_on_once(sited: Engine) -> None:
    save(sited)
    (one,) = add(sited, new(notice(), ROWAN))
    claimed = claim(sited)
    assert claimed is not None
    sent(sited, claimed)
    with reading(sited) as session:
        assert deliveries.sites_waiting_for_answers(session, now=NOW) == [SITE]
    assert follow(sited, 14 * MINUTE) == 0
    assert follow(sited, 15 * MINUTE) == 1
    assert follow(sited, 29 * MINUTE) == 0
    assert follow(sited, 30 * MINUTE) == 1
    assert follow(sited, 300 * MINUTE) == 0
    found = [(row.person_id, row.turn, row.state) for row in stand(sited, one.number)]
    assert found == [("rowan", 0, "sent"), ("rowan", 1, "waiting"), ("tamsin", 2, "waiting")]
    assert [what for what, _, _ in log(sited)] == ["decided", "sent", "again", "passed_on"]


def test_what_could_not_be_sent_is_passed_on_and_not_repeated(sited: Engine) -> None:
    save(sited)
    (one,) = add(sited, new(notice(), ROWAN))
    assert follow(sited, 31 * MINUTE) == 1
    assert [(row.person_id, row.turn) for row in stand(sited, one.number)] == [("rowan", 0), ("tamsin", 2)]


def test_somebody_without_an_address_is_passed_over_too(sited: Engine) -> None:
    quiet = person("quill", then="tamsin")
    save(sited, NoticeSetup((quiet, TAMSIN)))
    (one,) = add(sited, new(notice(), quiet))
    assert follow(sited, 31 * MINUTE) == 1
    assert [(row.person_id, row.turn) for row in stand(sited, one.number)] == [("tamsin", 2)]


def test_it_is_passed_on_until_a_message_reaches_somebody(sited: Engine) -> None:
    """Rowan, then Quill who has no address, then Tamsin; and who does not answer then is followed by the next."""
    people = (
        replace(ROWAN, then="quill"),
        person("quill", then="tamsin"),
        replace(TAMSIN, then="vesna"),
        person("vesna", mail("vesna@site.example")),
    )
    save(sited, NoticeSetup(people))
    (one,) = add(sited, new(notice(), people[0]))
    follow(sited, 31 * MINUTE)
    assert [(row.person_id, row.turn) for row in stand(sited, one.number)] == [("rowan", 0), ("tamsin", 2)]
    follow(sited, 45 * MINUTE)
    assert len(stand(sited, one.number)) == 2, "not yet"
    follow(sited, 62 * MINUTE)
    assert [(row.person_id, row.turn) for row in stand(sited, one.number)][2:] == [("vesna", 2)]


def test_who_is_new_gets_the_lists_and_nobody_else_gets_nothing(sited: Engine) -> None:
    told = Told(joints={"J1": ToldJoint("no_heat", "go", None)}, shifts=("row C|1",), number=7)

    def after(*people: Person) -> Told:
        with writing(sited) as session:
            notices.save_told(session, SITE, told, plan_made_utc=NOW)
            notices.save_setup(session, SITE, NoticeSetup(people), now=NOW)
            return notices.load_told(session, SITE)

    assert after(ROWAN) == Told(number=7), "there was nobody: nothing was told"
    assert after(ROWAN) == told, "the same file again changes nothing"
    assert after(ROWAN, TAMSIN) == replace(told, shifts=())
    assert after(ROWAN) == told, "who goes gets nothing"


@pytest.mark.parametrize(
    ("changed", "at"),
    [
        ({"urgency": "soon"}, 31 * MINUTE),
        ({"shift_end_utc": NOW + 30 * MINUTE, "decided_utc": NOW - 300 * MINUTE}, 31 * MINUTE),
        ({"shift_end_utc": None}, timedelta(days=1)),
    ],
)
def test_what_is_not_repeated(sited: Engine, changed: dict[str, object], at: timedelta) -> None:
    save(sited)
    add(sited, new(notice(**changed), ROWAN))
    assert follow(sited, at) == 0


def test_an_answer_stops_it_and_the_first_stays(sited: Engine) -> None:
    save(sited)
    (one,) = add(sited, new(notice(), ROWAN))
    claimed = claim(sited)
    assert claimed is not None
    sent(sited, claimed)
    follow(sited, 30 * MINUTE)
    for by, minutes in (("Rowan", 31), ("Tamsin", 32), ("Rowan", 33)):
        with writing(sited) as session:
            notices.mark_seen(session, one.number, by=by, how="page", now=NOW + minutes * MINUTE)
            found = notices.answer(session, one.number, by=by, how="page", now=NOW + minutes * MINUTE)
            assert (found.answered_by, found.answered_utc) == ("Rowan", NOW + 31 * MINUTE)
    assert [row.state for row in stand(sited, one.number)] == ["sent", "dropped", "dropped"]
    assert follow(sited, 60 * MINUTE) == 0
    assert claim(sited, 60 * MINUTE) is None
    said = [what for what, _, _ in log(sited)]
    assert said[-4:] == ["seen", "answered", "seen", "answered"], "each person once"
    with pytest.raises(UnknownNotice), writing(sited) as session:
        notices.answer(session, 99, by="Rowan", how="page", now=NOW)
    with pytest.raises(UnknownNotice), writing(sited) as session:
        notices.mark_seen(session, 99, by="Rowan", how="page", now=NOW)


def test_what_is_answered_in_time_is_neither_repeated_nor_passed_on(sited: Engine) -> None:
    save(sited)
    (one,) = add(sited, new(notice(), ROWAN))
    claimed = claim(sited)
    assert claimed is not None
    sent(sited, claimed)
    with writing(sited) as session:
        notices.answer(session, one.number, by="Rowan", how="link", now=NOW + MINUTE)
        assert deliveries.sites_waiting_for_answers(session, now=NOW + 60 * MINUTE) == []
    assert follow(sited, 60 * MINUTE) == 0


def test_an_answer_keeps_the_first_message_to_others(sited: Engine) -> None:
    (one,) = add(sited, new(notice(), ROWAN, TAMSIN))
    with writing(sited) as session:
        notices.answer(session, one.number, by="Rowan", how="page", now=NOW)
    assert [row.state for row in stand(sited, one.number)] == ["waiting", "waiting"]


# Addresses that refused


def test_an_address_that_is_off_is_not_sent_to_until_it_is_changed(sited: Engine) -> None:
    save(sited)
    (one,) = add(sited, new(notice(), ROWAN, TAMSIN))
    key = ROWAN.addresses[0].key
    with writing(sited) as session:
        off = {"person_id": "rowan", "reason": "no such mailbox", "number": one.number, "now": NOW}
        assert notices.switch_off(session, SITE, key, **off)  # type: ignore[arg-type]
        assert not notices.switch_off(session, SITE, key, **off)  # type: ignore[arg-type]
    assert [row.state for row in stand(sited, one.number)] == ["dropped", "waiting"]
    (two,) = add(sited, new(notice("stop"), ROWAN, TAMSIN))
    assert [row.person_id for row in stand(sited, two.number)] == ["tamsin"]
    assert save(sited) == ("rowan@site.example",), "the same file again changes nothing"
    assert save(sited, NoticeSetup((TAMSIN,))) == ()
    with reading(sited) as session:
        assert notices.switched_off(session, SITE) == [], "nobody has it any more"
    assert log(sited)[1] == ("switched_off", one.number, "r…@site.example of rowan: no such mailbox")


def test_a_changed_key_switches_a_web_address_on(sited: Engine) -> None:
    hook = Address("webhook", "https://hooks.example/secret-path", "old")
    save(sited, NoticeSetup((person("hook", hook),)))
    with writing(sited) as session:
        notices.switch_off(session, SITE, hook.key, person_id="hook", reason="401", number=None, now=NOW)
    assert save(sited, NoticeSetup((person("hook", replace(hook, secret="new")),))) == ()
    with writing(sited) as session:
        assert notices.switched_off(session, SITE) == []
        assert not notices.switch_on(session, SITE, hook.key, why="asked", now=NOW)
    assert log(sited)[-1] == ("switched_on", None, "hooks.example: its entry was changed")
    assert "secret-path" not in str(log(sited))


@pytest.mark.parametrize(
    ("key", "shown"),
    [
        ("email:a@b.example", "a@b.example"),
        ("webhook:https://u:p@h.example/x?y", "h.example"),
        ("webhook:https://[", "web address"),
        ("webhook:", "web address"),
    ],
)
def test_an_address_as_shown(key: str, shown: str) -> None:
    assert shown_address(key) == shown


def test_a_mail_address_differs_by_its_letters(sited: Engine) -> None:
    assert mail("A@b.example").key != mail("a@b.example").key
