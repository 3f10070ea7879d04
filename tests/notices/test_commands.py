"""`frostshift people` and `frostshift notices` in this process, against a real mail server and web server."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.notices.made import new, notice, person
from tests.notices.receivers import Receivers
from tests.service.conftest import CLOCK

from frostshift_rules.notice_setup import Address
from frostshift_service.store import deliveries, notices
from frostshift_service.store.engine import open_store, writing

Run = Callable[..., Any]
FROM = "preheat@site.example"
SCHEDULE = Path(__file__).parents[2] / "fixtures" / "schedules" / "good.csv"


@pytest.fixture
def sited(run: Run, receivers: Receivers, monkeypatch: pytest.MonkeyPatch) -> Run:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    monkeypatch.setenv("FROSTSHIFT_SMTP_URL", f"smtp://127.0.0.1:{receivers.smtp}")
    monkeypatch.setenv("FROSTSHIFT_MAIL_FROM", FROM)
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    return run


def people(mail: str, hook: str) -> None:
    Path("people.toml").write_text(
        f"""
[[person]]
id = "rowan"
name = "Rowan"
role = "superintendent"
units = "us"
quiet = {{ begin = "20:00", until = "05:00" }}
[[person.address]]
channel = "email"
to = "{mail}"
[[person.address]]
channel = "webhook"
to = "{hook}"
secret = "s3cret s3cret s3cret"
[[person]]
id = "tamsin"
name = "Tamsin"
role = "engineer"
units = "si"
least = "now"
""",
        encoding="utf-8",
    )


def test_from_the_template_to_a_test_message(sited: Run, receivers: Receivers) -> None:
    assert sited("people", "show").refused().startswith("Nobody hears anything yet: `frostshift people template FILE`")
    assert sited("people", "template", "people.toml").good() == "Wrote people.toml.\n"
    assert "is there already" in sited("people", "template", "people.toml").refused()
    assert sited("people", "load", "people.toml").good() == "2 people of my-site.\n"
    people("rowan@command.example", receivers.hook("command?token=s3cret"))
    assert sited("people", "load", "people.toml").good() == "2 people of my-site.\n"
    assert sited("people", "show").good() == (
        "rowan  Rowan, superintendent, units us\n"
        "    crews: all\n"
        "    hears of: front, harder, easier, stop, stop_over, light_up, gas, cylinders, forecast, reading, address\n"
        "    quiet: 20:00 to 05:00\n"
        "    email: rowan@command.example\n"
        "    webhook: 127.0.0.1, signed\n"
        "tamsin  Tamsin, engineer, units si\n"
        "    crews: all\n"
        "    hears of: reading, stop; least now\n"
        "    reads the pages\n"
    )
    said = sited("notices", "test", "rowan").good()
    assert said == "Sent to rowan@command.example: 2.0.0 taken.\nSent to 127.0.0.1: answered 200.\n"
    (mail,) = receivers.to("@command.example")
    assert mail["text"].startswith("Test message of ")
    assert mail["sender"] == FROM
    assert len(receivers.to("/command")) == 1
    assert "There is no person 'quill'; there is rowan, tamsin." in sited("notices", "test", "quill").refused()
    assert sited("notices", "test", "tamsin").refused() == "Tamsin has no address and reads the pages."


def test_a_test_message_that_does_not_arrive_is_sent_once(sited: Run, receivers: Receivers) -> None:
    people("550.0.rowan@nowhere.example", receivers.hook("500/0/nowhere"))
    sited("people", "load", "people.toml").good()
    said = sited("notices", "test", "rowan")
    assert said.code == 1
    assert "Not sent to 550.0.rowan@nowhere.example: mail server 127.0.0.1: 550 5.1.1 no such mailbox." in said.out
    assert "Not sent to 127.0.0.1: http://127.0.0.1 answered 500" in said.out
    assert len(receivers.to("nowhere")) == 2
    assert sited("notices", "list", "--log").good().count("  test  ") == 2


def test_a_wrong_file_changes_nothing(sited: Run, receivers: Receivers) -> None:
    people("rowan@x.example", receivers.hook("x"))
    sited("people", "load", "people.toml").good()
    before = sited("people", "show").good()
    people("no mail address", receivers.hook("x"))
    assert (
        "people.toml, person 1, address 1: 'to' is 'no mail address'"
        in sited("people", "load", "people.toml").refused()
    )
    assert sited("people", "show").good() == before


def test_what_is_loaded_and_may_not_be_meant(sited: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FROSTSHIFT_SMTP_URL")
    monkeypatch.delenv("FROSTSHIFT_MAIL_FROM")
    sited("schedule", "load", str(SCHEDULE)).good()
    Path("people.toml").write_text(
        '[[person]]\nid = "a"\nname = "A"\nrole = "crew"\nunits = "us"\ncrews = ["Row Q"]\n'
        '[[person.address]]\nchannel = "email"\nto = "a@x.example"\n',
        encoding="utf-8",
    )
    said = sited("people", "load", "people.toml").good()
    assert "! a: no joint of the schedule has the crew 'Row Q'." in said
    assert "! Nobody is superintendent" in said
    assert "! No mail is sent: FROSTSHIFT_SMTP_URL is not set." in said
    assert (
        sited("notices", "test", "a").out == "Not sent to a@x.example: no mail server is set (FROSTSHIFT_SMTP_URL).\n"
    )


def test_what_was_told_as_a_list(sited: Run, tmp_path: Path) -> None:
    assert sited("notices", "list").good() == ""
    hook = person("hook", Address("webhook", "https://h.example/s3cret"))
    engine = open_store(f"sqlite:///{tmp_path / 'data' / 'frostshift.db'}")
    with writing(engine) as session:
        decided = [new(notice(decided_utc=CLOCK), hook, due_utc=CLOCK), new(notice("b"))]
        (one, _) = notices.add_notices(session, "my-site", decided, plan_id=None, now=CLOCK)
        claimed = deliveries.claim_next(session, now=CLOCK)
        assert claimed is not None
        deliveries.mark_failed(session, claimed, "answered 500", now=CLOCK)
        off = {"person_id": "hook", "reason": "404", "number": 1, "now": CLOCK}
        notices.switch_off(session, "my-site", hook.addresses[0].key, **off)  # type: ignore[arg-type]
        notices.answer(session, one.number, by="Rowan", how="page", now=CLOCK)
    engine.dispose()
    assert sited("notices", "list").good() == (
        "    2  2027-01-14 14:50  now    front  row C\n"
        "         on the pages alone\n"
        "    1  2027-01-14 14:50  now    front  row C  answered 14:50 by Rowan\n"
        "         hook, h.example: dropped (its address was switched off)\n"
    )
    log = sited("notices", "list", "--log").good()
    assert [line.split()[3] for line in reversed(log.splitlines())] == [
        "decided",
        "decided",
        "failed",
        "switched_off",
        "answered",
    ]
    assert "s3cret" not in log
    assert len(sited("notices", "list", "--log", "--newest", "1").good().splitlines()) == 1
