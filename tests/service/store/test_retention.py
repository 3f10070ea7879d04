"""What is old goes, what something kept refers to stays, and evidence is never touched."""

import random
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, get_args

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import OperationalError
from sqlmodel import Session, col, delete, select
from tests.service.store.made_rows import all_rows

from frostshift_rules.job import Reading, Site
from frostshift_service import tidying
from frostshift_service.metrics import ERRORS, Step
from frostshift_service.store import plans as kept_plans
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.readings import add_reading
from frostshift_service.store.retention import RULES, STAYS, Rule, take_turn
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import (
    AccountRow,
    AirReadingRow,
    AnswerLinkRow,
    AttemptRow,
    AuditRow,
    DeviceTokenRow,
    EntryLinkRow,
    ForecastRow,
    HistoryRow,
    NoticeDeliveryRow,
    NoticeLogRow,
    NoticeRecipientRow,
    NoticeRow,
    PlanRow,
    ScheduleActRow,
    ScheduleDraftRow,
    SessionRow,
    Table,
)

NOW = datetime(2027, 2, 1, 6, 0, tzinfo=UTC)
DAY = timedelta(days=1)
SITE = "ore-shed"


def go_on() -> bool:
    return False


def fill(session: Session, chance: random.Random) -> None:
    """Rows of all ages up to a thousand days."""

    def at() -> datetime:
        return NOW - chance.choice([1, 10, 50, 100, 1000]) * chance.random() * DAY

    session.add(AccountRow(id=1, email=None, name="Q. Arden", password_hash=None, owner=True, proven=True, units=None,
                           made_utc=NOW - 900 * DAY, entered_utc=None, closed_utc=None))  # fmt: skip
    session.add(DeviceTokenRow(id=1, site_id=SITE, name="mast", digest="d", made_utc=NOW - 900 * DAY, revoked_utc=None,
                               last_used_utc=None))  # fmt: skip
    session.flush()
    for number in range(1, 101):
        fetched = at()
        session.add(ForecastRow(id=number, site_id=SITE, latitude=47.5, longitude=-91.9, altitude_m=430.0, feed="nws",
                                issued_utc=None, fetched_utc=fetched, payload=b"p", first_hour_utc=fetched,
                                last_hour_utc=fetched, hours=b"h", attribution="", warnings=[], quality={},
                                service=None))  # fmt: skip
        session.add(HistoryRow(site_id=SITE, feed="nws", fetched_utc=fetched, latitude=47.5, longitude=-91.9,
                               altitude_m=430.0, first_hour_utc=fetched, last_hour_utc=fetched,
                               series=b""))  # fmt: skip
        decided, sent = at(), chance.choice(["waiting", "claimed", "sent", "failed", "dropped"])
        session.add(NoticeRow(number=number, site_id=SITE, key=f"k{number}", rank=0, decided_utc=decided,
                              until_utc=None, plan_id=None, notice=b"n", answered_utc=None,
                              answered_by=""))  # fmt: skip
        session.add(AirReadingRow(site_id=SITE, token_id=1 if number % 2 else None, air_c=-3.0,
                                  at_utc=at() + timedelta(microseconds=number), by="mast",
                                  source="posted" if number % 2 else "typed", note=""))  # fmt: skip
        session.add(AuditRow(at_utc=at(), by="x", site_id="", what="role", detail=""))
        session.add(ScheduleActRow(id=number, site_id=SITE, at_utc=NOW - (400 - number) * DAY, by="", text="", joints=1,
                                   changes=b"", undone_utc=None))  # fmt: skip
        session.add(ScheduleDraftRow(site_id=SITE, at_utc=at(), by="", file_name="", content=b""))
        session.add(SessionRow(digest=f"s{number}", account_id=1, made_utc=at(), seen_utc=at(), browser="",
                               by_link=False))  # fmt: skip
        session.add(EntryLinkRow(digest=f"e{number}", account_id=1, made_utc=NOW, until_utc=at() + 20 * DAY, email=None,
                                 proves=False))  # fmt: skip
        session.add(AttemptRow(key=f"a{number}", count=1, last_utc=at()))
        session.flush()
        session.add(NoticeRecipientRow(number=number, person_id="p", turn=0, due_utc=decided))
        session.add(NoticeLogRow(id=2 * number, site_id=SITE, at_utc=decided, what="decided", number=number, by="",
                                 detail=""))  # fmt: skip
        session.add(NoticeLogRow(id=2 * number + 1, site_id=SITE, at_utc=at(), what="switched_on", number=None, by="",
                                 detail=""))  # fmt: skip
        session.add(NoticeDeliveryRow(id=number, number=number, site_id=SITE, person_id="p", address_key="k", turn=0,
                                      state=sent, attempts=1, first_due_utc=decided, due_utc=decided, claimed_utc=None,
                                      sent_utc=None, last_error=""))  # fmt: skip
        session.flush()
        session.add(AnswerLinkRow(digest=f"l{number}", delivery_id=number, made_utc=at()))
        for _ in range(3):
            session.add(PlanRow(site_id=SITE, made_utc=at(), forecast_id=chance.choice([None, number]),
                                kept_because=chance.choice(["", "shown", "changed", "printed", "sent"]), inputs=b"",
                                hours=None, result=b""))  # fmt: skip


@pytest.fixture
def old(store_url: str, site: Site, rows: Any) -> Any:
    """A store whose rows are of all ages, and its address."""
    store = open_store(store_url)
    with writing(store) as session:
        save_site(session, site)
        import_joints(session, SITE, rows("A1", "A2"), now=NOW - 900 * DAY, file_name="x.csv", by="")
        add_reading(session, SITE, Reading("A1", -7.0, NOW - 800 * DAY, "probe", "R. Moss"), now=NOW - 800 * DAY)
        fill(session, random.Random(store_url.startswith("sqlite")))
    yield store, store_url
    store.dispose()


def test_every_table_has_its_rule() -> None:
    named = {table for rule in RULES for table in rule.tables} | set(STAYS)
    assert named == set(Table.metadata.tables), "a new table: say in store/retention.py how long its rows stay, and why"
    assert not {table for rule in RULES for table in rule.tables} & set(STAYS)


def test_what_is_old_goes_and_nothing_else(old: tuple[Engine, str]) -> None:
    store, url = old
    before = all_rows(url)
    expected = tidying.old_rows(store, NOW)
    assert all_rows(url) == before, "to count is not to delete"
    assert all(expected.values()), f"every rule has something to do here: {expected}"
    gone = tidying.tidy(store, NOW, go_on)
    assert gone["forecasts"] >= expected["forecasts"], "those whose last plan went are free as well"
    assert gone["answer links"] <= expected["answer links"], "some went with their notices"
    other = {"forecasts": 0, "answer links": 0}
    assert gone | other == expected | other
    after = all_rows(url)
    for name in STAYS:
        assert after[name] == before[name], name

    def left(name: str, key: str) -> set[Any]:
        return {row[key] for row in after[name]}

    def wanted(name: str, key: str, keep: Any) -> set[Any]:
        return {row[key] for row in before[name] if keep(row)}

    assert left("schedule_draft", "id") == wanted("schedule_draft", "id", lambda row: NOW - row["at_utc"] <= DAY)
    assert left("session", "digest") == wanted(
        "session", "digest", lambda row: NOW - row["seen_utc"] <= 7 * DAY and NOW - row["made_utc"] <= 30 * DAY
    )
    assert left("entry_link", "digest") == wanted("entry_link", "digest", lambda row: row["until_utc"] >= NOW)
    recent = wanted("audit", "id", lambda row: NOW - row["at_utc"] <= 730 * DAY)
    assert left("audit", "id") == recent | {max(row["id"] for row in before["audit"])}
    assert left("schedule_act", "id") == wanted(
        "schedule_act", "id", lambda row: NOW - row["at_utc"] <= 60 * DAY or row["id"] == 100
    )
    assert left("air_reading", "id") == wanted(
        "air_reading", "id", lambda row: NOW - row["at_utc"] <= 400 * DAY or row["source"] == "typed"
    )
    busy = {row["number"] for row in before["notice_delivery"] if row["state"] in ("waiting", "claimed")}
    numbers = wanted(
        "notice",
        "number",
        lambda row: NOW - row["decided_utc"] <= 730 * DAY or row["number"] in busy or row["number"] == 100,
    )
    for name in ("notice", "notice_recipient", "notice_delivery"):
        assert left(name, "number") == numbers, name
    assert left("notice_log", "number") - {None} == numbers
    assert all(NOW - row["at_utc"] <= 730 * DAY for row in after["notice_log"] if row["number"] is None)
    assert left("answer_link", "digest") == wanted(
        "answer_link", "digest", lambda row: NOW - row["made_utc"] <= 30 * DAY and row["delivery_id"] in numbers
    )
    # Plans: what was printed or sent stays with its forecast; of those shown one a day; of the rest the newest.
    plans = left("plan", "id")
    assert plans >= wanted("plan", "id", lambda row: row["kept_because"] in ("printed", "sent"))
    used = {row["forecast_id"] for row in after["plan"]} - {None}
    assert left("forecast", "id") == used | wanted("forecast", "id", lambda row: NOW - row["fetched_utc"] <= 14 * DAY)
    shown = [row for row in before["plan"] if row["kept_because"] in ("shown", "changed")]
    assert {row["made_utc"].date() for row in shown} <= {row["made_utc"].date() for row in after["plan"]}
    newest = sorted(before["plan"], key=lambda row: (row["made_utc"], row["id"]))[-20:]
    assert plans >= {row["id"] for row in newest}
    assert {row["id"] for row in after["plan"] if row["kept_because"] == ""} <= {row["id"] for row in newest}
    # And again: nothing is left to do.
    assert set(tidying.tidy(store, NOW, go_on).values()) == {0}
    assert all_rows(url) == after


def test_it_goes_in_small_steps_and_stops_where_asked(old: tuple[Engine, str], monkeypatch: pytest.MonkeyPatch) -> None:
    store, _ = old
    sizes: Counter[str] = Counter()
    before = sum(tidying.old_rows(store, NOW).values())

    def pause() -> bool:
        sizes["pauses"] += 1
        with writing(store) as session:  # another writer gets in between
            session.add(AuditRow(at_utc=NOW, by="x", site_id="", what="y", detail=""))
        return sizes["pauses"] == 2

    gone = tidying.tidy(store, NOW, pause)
    assert sizes["pauses"] == 2
    assert sum(gone.values()) == 2 * RULES[0].at_once
    assert sum(tidying.old_rows(store, NOW).values()) >= before - sum(gone.values())


def test_a_rule_that_fails_stops_no_other_and_is_counted(
    old: tuple[Engine, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, _ = old
    assert {labels["step"] for one in ERRORS.collect() for _, labels, *_ in one.samples} >= set(get_args(Step))
    before = ERRORS.labels("tidy")._value.get()

    def fails(*_: object) -> int:
        raise OperationalError("DELETE", {}, Exception("disk I/O error"))

    broken = [replace(rule, drop=fails) if rule.what == "plans" else rule for rule in RULES]
    monkeypatch.setattr(tidying, "RULES", broken)
    gone = tidying.tidy(store, NOW, go_on)
    assert gone["plans"] == 0
    assert gone["notices"] > 0
    assert ERRORS.labels("tidy")._value.get() == before + 1


def test_what_is_used_meanwhile_stays(old: tuple[Engine, str]) -> None:
    store, _ = old
    rule = next(one for one in RULES if one.what == "forecasts")
    with reading(store) as session:
        keys = rule.find(session, NOW)
    with writing(store) as session:
        session.add(PlanRow(site_id=SITE, made_utc=NOW, forecast_id=keys[0], kept_because="", inputs=b"", hours=None,
                            result=b""))  # fmt: skip
    with writing(store) as session:
        assert rule.drop(session, keys, NOW) == len(keys) - 1


def found(store: Engine, what: str) -> tuple[Rule, list[Any]]:
    rule = next(one for one in RULES if one.what == what)
    with reading(store) as session:
        return rule, rule.find(session, NOW)


def test_a_plan_that_is_shown_meanwhile_stays(old: tuple[Engine, str]) -> None:
    store, _ = old
    rule, keys = found(store, "plans")
    with writing(store) as session:
        rows = session.exec(select(PlanRow).where(col(PlanRow.id).in_(keys), PlanRow.kept_because == ""))
        last = max(rows, key=lambda row: row.made_utc)  # young enough to stay, as a shown one
        kept_plans.mark_plan_seen(session, last.id or 0, "shown")
    with writing(store) as session:
        assert rule.drop(session, keys, NOW) == len(keys) - 1
        assert session.get(PlanRow, last.id) is not None


def test_the_newest_forecast_to_be_scored_stays_whichever_it_has_become(old: tuple[Engine, str]) -> None:
    store, _ = old
    rule, keys = found(store, "forecasts to be scored")
    with writing(store) as session:
        times = [at for _, _, at in keys]
        session.exec(delete(HistoryRow).where(col(HistoryRow.fetched_utc).not_in(times)))
    with writing(store) as session:
        assert rule.drop(session, keys, NOW) < len(keys)
        assert session.get(HistoryRow, (SITE, "nws", max(times))) is not None


def turn(store: Engine, now: datetime) -> bool:
    with writing(store) as session:
        return take_turn(session, now=now)


def test_one_copy_does_it_once_a_day(store_url: str) -> None:
    copies = [open_store(store_url) for _ in range(2)]
    hour = timedelta(hours=1)
    assert not turn(copies[0], NOW), "at the first time nobody knows whether the clock is right"
    assert not turn(copies[1], NOW + hour)
    for day in (1, 2):
        with ThreadPoolExecutor(4) as pool:
            turns = list(pool.map(lambda number, day=day: turn(copies[number % 2], NOW + day * DAY), range(8)))
        assert turns.count(True) == 1
    assert not turn(copies[0], NOW + 400 * DAY), "a clock that has jumped"
    assert not turn(copies[0], NOW + 3 * DAY), "and came back"
    assert turn(copies[0], NOW + 4 * DAY)
    assert turn(copies[1], NOW + 9 * DAY)
    for store in copies:
        store.dispose()


def test_the_daily_work_begins_with_the_second_day(old: tuple[Engine, str]) -> None:
    store, url = old
    before = all_rows(url)["forecast"]
    assert tidying.tidy_where_due(store, NOW, go_on) == {}
    assert all_rows(url)["forecast"] == before
    assert tidying.tidy_where_due(store, NOW + DAY, go_on)["forecasts"] > 0
    assert tidying.tidy_where_due(store, NOW + DAY, go_on) == {}
