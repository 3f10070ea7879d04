import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError

from frostshift_rules.job import Site
from frostshift_rules.stock import OrderLine, stock_of
from frostshift_rules.stock_entry import ByState, StockEntry
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.records import StockRefused, StoreError, UnknownSite
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.stock import add_entry, entries_of, open_orders
from frostshift_service.store.tables import StockEntryRow

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
SITE = "ore-shed"
KIND = "propane-100"
CONTENTS = {KIND: 45.359237, "oxygen-251": None}


def entry(movement: str, count: int | None = None, **fields: Any) -> StockEntry:
    values = {"kind": KIND, "movement": movement, "at_utc": NOW, "by": "Q. Arden", "count": count}
    return StockEntry(**values | fields)


def opening(full: int, in_use: int = 0, empty: int = 0, **fields: Any) -> StockEntry:
    return entry("opening", by_state=ByState(full, in_use, empty), **fields)


def add(store: Engine, one: StockEntry, key: str, site_id: str = SITE, now: datetime = NOW) -> StockEntry:
    with writing(store) as session:
        return add_entry(session, site_id, one, entry_key=key, contents_kg=CONTENTS, now=now)


def kept(store: Engine, site_id: str = SITE) -> list[StockEntry]:
    with reading(store) as session:
        return entries_of(session, site_id)


def test_entries_come_back_as_they_were_added(sited: Engine) -> None:
    local = timezone(timedelta(hours=-6))
    entries = [
        opening(4, 2, 1, note="counted twice"),
        opening(0, kind="oxygen-251"),
        entry("ordered", 6, order_no="K-1"),
        entry("delivered", 5, order_no="K-1", at_utc=NOW.astimezone(local)),
        entry("connected", 2),
        entry("emptied", 1),
        entry("weighed", left_kg=31.4159265358979),
        entry("used", used_kg=0.1 + 0.2),
        entry("returned_part_used", 1, residual_kg=12.25),
        entry("returned_part_used", 1),
        entry("returned_empty", 1),
        entry("returned_full", 1),
        entry("cancelled", 1, order_no="K-1"),
        entry("correction", corrects=6, by_state=ByState(empty=-1), note="lost"),
        entry("correction", corrects=8, used_kg=-0.05, note="typed wrong"),
    ]
    added = [add(sited, one, f"key {n}") for n, one in enumerate(entries)]
    assert added == [replace(one, number=n) for n, one in enumerate(entries, 1)]
    assert kept(sited) == added
    assert all(one.at_utc.utcoffset() == timedelta(0) for one in kept(sited))
    assert stock_of(kept(sited), CONTENTS)[KIND].full == 6


def test_open_orders(sited: Engine) -> None:
    add(sited, opening(0), "a")
    for n, (movement, count, order_no) in enumerate(
        [("ordered", 4, "K-1"), ("ordered", 2, "K-2"), ("delivered", 3, "K-1"), ("cancelled", 2, "K-2")]
    ):
        add(sited, entry(movement, count, order_no=order_no), str(n))
    with reading(sited) as session:
        assert open_orders(session, SITE) == [OrderLine("K-1", KIND, NOW, 4, 0, 3, ((NOW, 4),))]
        assert open_orders(session, "nowhere") == []


def test_the_same_form_sent_twice_is_one_entry(sited: Engine) -> None:
    add(sited, opening(2, at_utc=NOW - timedelta(hours=9)), "a")
    first = add(sited, entry("connected", 2), "b")
    later = NOW + timedelta(minutes=1)
    assert add(sited, entry("connected", 2, at_utc=later), "b", now=later) == first, "though now there are none left"
    add(sited, entry("emptied", 1), "c")
    assert add(sited, entry("connected", 2, by=" Q. Arden "), "b", now=NOW + timedelta(days=3)) == first
    assert [one.number for one in kept(sited)] == [1, 2, 3]
    for other in (entry("connected", 1), entry("connected", 2, at_utc=NOW - timedelta(hours=1)), opening(2)):
        with pytest.raises(StockRefused):
            add(sited, other, "b")
        assert len(kept(sited)) == 3
    with pytest.raises(StockRefused, match=r"entry_key belongs to entry 2 \(connected, propane-100\)") as refused:
        add(sited, entry("connected", 1), "b")
    assert refused.value.field == "entry_key"


def test_each_site_has_a_ledger_of_its_own(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        save_site(session, replace(site, id="dry-dock"))
    add(sited, opening(2), "a")
    assert add(sited, opening(7), "a", "dry-dock").number == 1
    assert [one.by_state for one in kept(sited)] == [ByState(2)]
    assert [one.by_state for one in kept(sited, "dry-dock")] == [ByState(7)]
    with pytest.raises(UnknownSite, match="there is no site 'nowhere'"):
        add(sited, opening(1), "a", "nowhere")


def test_what_cannot_follow_is_refused_with_its_sentence_and_nothing_is_kept(sited: Engine) -> None:
    before = add(sited, opening(2), "a")
    with pytest.raises(StockRefused) as refused:
        add(sited, entry("connected", 3), "b")
    assert isinstance(refused.value, StoreError)
    assert str(refused.value) == "entry 2 (connected, propane-100): count is 3, 2 are full"
    assert refused.value.field == "count"
    with pytest.raises(StockRefused, match="at_utc is .*, now it is 2026-01-12T18:00"):
        add(sited, entry("connected", 1, at_utc=NOW + timedelta(hours=1)), "b")
    with pytest.raises(StockRefused, match="kind is propane-10, known are oxygen-251, propane-100"):
        add(sited, opening(1, kind="propane-10"), "b")
    for key in ("", "x" * 101, "a\0b"):
        with pytest.raises(StockRefused, match="entry_key is .*, 1 to 100 printable letters"):
            add(sited, entry("connected", 1), key)
    assert kept(sited) == [before]
    assert add(sited, entry("connected", 1), "b").number == 2, "the key is free still"


def test_a_refused_entry_leaves_what_the_same_session_added_before(sited: Engine) -> None:
    with writing(sited) as session:
        add_entry(session, SITE, opening(2), entry_key="a", contents_kg=CONTENTS, now=NOW)
        with pytest.raises(StockRefused):
            add_entry(session, SITE, entry("connected", 3), entry_key="b", contents_kg=CONTENTS, now=NOW)
        add_entry(session, SITE, entry("connected", 2), entry_key="c", contents_kg=CONTENTS, now=NOW)
    assert [(one.number, one.movement) for one in kept(sited)] == [(1, "opening"), (2, "connected")]


def test_the_stock_is_no_change_of_the_site(sited: Engine) -> None:
    """No plan hangs on it, so that the plan in hand stays the newest."""
    with reading(sited) as session:
        before = load_site(session, SITE).revision
    add(sited, opening(2), "a")
    add(sited, entry("used", used_kg=3.0), "b")
    with reading(sited) as session:
        assert load_site(session, SITE).revision == before


def test_two_writers_at_once_follow_one_another(sited: Engine) -> None:
    """Twelve want one of five: five get it, and the numbers have no gap."""
    add(sited, opening(5), "a")

    def take(n: int) -> bool:
        try:
            add(sited, entry("connected", 1), f"take {n}")
        except StockRefused:
            return False
        return True

    with ThreadPoolExecutor(6) as pool:
        taken = list(pool.map(take, range(12)))
    assert sum(taken) == 5
    assert [one.number for one in kept(sited)] == [1, 2, 3, 4, 5, 6]
    assert stock_of(kept(sited), CONTENTS)[KIND].in_use == 5


def test_one_waits_for_the_other(sited: Engine) -> None:
    add(sited, opening(1), "a")
    with ThreadPoolExecutor(1) as pool:
        with writing(sited) as session:
            add_entry(session, SITE, entry("connected", 1), entry_key="b", contents_kg=CONTENTS, now=NOW)
            second = pool.submit(add, sited, entry("connected", 1), "c")
            with pytest.raises(TimeoutError):
                second.result(timeout=0.3)
        with pytest.raises(StockRefused, match="count is 1, 0 are full"):
            second.result()


def test_a_form_sent_twice_at_once_is_one_entry(sited: Engine) -> None:
    add(sited, opening(5), "a")
    with ThreadPoolExecutor(4) as pool:
        added = list(pool.map(lambda _: add(sited, entry("connected", 1), "b"), range(8)))
    assert {one.number for one in added} == {2}
    assert len(kept(sited)) == 2


def row(number: int, **fields: Any) -> StockEntryRow:
    values: dict[str, Any] = {
        **{"site_id": SITE, "number": number, "entry_key": f"row {number}", "entered_utc": NOW, "kind": KIND},
        **{"movement": "used", "at_utc": NOW, "by": "Q. Arden", "note": "", "order_no": "", "used_kg": 1.0},
    }
    return StockEntryRow(**values | fields)


@pytest.mark.parametrize(
    "bad",
    [row(1, entry_key="other"), row(2, entry_key="row 1"), row(2, corrects=9), row(2, site_id="nowhere")],
    ids=["number", "key", "corrects", "site"],
)
def test_the_database_itself_holds_numbers_keys_and_what_is_corrected(sited: Engine, bad: StockEntryRow) -> None:
    with writing(sited) as session:
        session.add(row(1))
    fresh = StockEntryRow(**bad.model_dump())  # a row belongs to one session
    with pytest.raises(IntegrityError), writing(sited) as session:
        session.add(fresh)
    assert [one.number for one in kept(sited)] == [1]


def test_an_error_after_an_entry_takes_it_back(sited: Engine) -> None:
    def work() -> None:
        with writing(sited) as session:
            add_entry(session, SITE, opening(2), entry_key="a", contents_kg=CONTENTS, now=NOW)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        work()
    assert kept(sited) == []


KILLED = """
import os, sys
from datetime import UTC, datetime
from frostshift_rules.stock_entry import StockEntry
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.stock import add_entry, entries_of
now = datetime(2026, 1, 12, 18, tzinfo=UTC)
with writing(open_store(sys.argv[1])) as session:
    for n in range(5):
        one = StockEntry("propane-100", "connected", now, "R. Moss", count=1)
        add_entry(session, "ore-shed", one, entry_key=f"k {n}", contents_kg={}, now=now)
    assert len(entries_of(session, "ore-shed")) == 6
    os._exit(9)
"""


def test_a_process_killed_while_it_adds_leaves_the_ledger_as_it_was(tmp_path: Path, site: Site) -> None:
    """On SQLite, whose files are ours to set up; PostgreSQL itself ends the transaction of a dead client."""
    url = f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    store = open_store(url)
    with writing(store) as session:
        save_site(session, site)
    before = add(store, opening(9), "a")
    ended = subprocess.run([sys.executable, "-c", KILLED, url], env=os.environ, check=False)
    assert ended.returncode == 9
    assert kept(store) == [before]
    assert add(store, entry("connected", 1), "k 0").number == 2, "and nothing is left locked"
    store.dispose()
