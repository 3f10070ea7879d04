import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from frostshift_rules.gas_left import OVER_NOMINAL
from frostshift_rules.stock import AHEAD, KindStock, OrderLine, order_lines, stock_of, with_entry
from frostshift_rules.stock_entry import MOVEMENTS, ByState, LedgerError, StockEntry
from frostshift_rules.workload import Range

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
OPENED = NOW - timedelta(days=10)
KIND = "propane-100"
FULL_KG = 45.359237
"""100 lb in kg, by the definition of the pound (NIST Special Publication 811, appendix B.8)."""
CONTENTS = {KIND: FULL_KG, "propane-20": 9.0718474, "oxygen-251": None}


def entry(movement: str, count: int | None = None, *, hours: float | None = None, **fields: Any) -> StockEntry:
    """An entry at `hours` after the opening; by default when it is typed in, five days later."""
    at_utc = NOW - timedelta(days=5) if hours is None else OPENED + timedelta(hours=hours)
    if movement == "opening":
        at_utc = OPENED
    return StockEntry(
        **{"kind": KIND, "movement": movement, "at_utc": at_utc, "by": "Q. Arden", "count": count} | fields
    )


def opening(full: int = 0, in_use: int = 0, empty: int = 0, **fields: Any) -> StockEntry:
    return entry("opening", by_state=ByState(full, in_use, empty), **fields)


def correction(corrects: int, full: int = 0, in_use: int = 0, empty: int = 0, **fields: Any) -> StockEntry:
    by_state = ByState(full, in_use, empty) if full or in_use or empty else None
    return entry("correction", corrects=corrects, by_state=by_state, **{"note": "miscounted"} | fields)


def ledger(*entries: StockEntry, now: datetime = NOW) -> tuple[StockEntry, ...]:
    kept: tuple[StockEntry, ...] = ()
    for one in entries:
        kept = with_entry(kept, one, CONTENTS, now=now)
    return kept


def stock(*entries: StockEntry) -> KindStock:
    return stock_of(ledger(*entries), CONTENTS)[KIND]


def counts(*entries: StockEntry) -> tuple[int, int, int]:
    found = stock(*entries)
    return found.full, found.in_use, found.empty


def left(*entries: StockEntry) -> tuple[float, float, float]:
    """In full cylinders, so that the figures can be followed."""
    found = stock(*entries).left_kg
    assert found is not None
    return tuple(round(end / FULL_KG, 6) for end in (found.low, found.likely, found.high))  # type: ignore[return-value]


def kg(cylinders: float) -> float:
    return cylinders * FULL_KG


def refused(*entries: StockEntry, now: datetime = NOW) -> LedgerError:
    """What the last entry is refused with; those before it are accepted."""
    before = ledger(*entries[:-1])
    with pytest.raises(LedgerError) as caught:
        with_entry(before, entries[-1], CONTENTS, now=now)
    assert caught.value.entry == len(entries)
    assert str(caught.value).startswith(f"entry {len(entries)} ({entries[-1].movement}, {entries[-1].kind.strip()}): ")
    assert caught.value.value in str(caught.value)
    return caught.value


# Counts


def test_each_movement_takes_whole_cylinders_from_one_state_to_another() -> None:
    steps = [
        (opening(6, 2, 1), (6, 2, 1)),
        (entry("ordered", 8, order_no="K-1"), (6, 2, 1)),
        (entry("delivered", 5, order_no="K-1"), (11, 2, 1)),
        (entry("cancelled", 2, order_no="K-1"), (11, 2, 1)),
        (entry("delivered", 1), (12, 2, 1)),
        (entry("connected", 3), (9, 5, 1)),
        (entry("emptied", 2), (9, 3, 3)),
        (entry("returned_empty", 3), (9, 3, 0)),
        (entry("returned_full", 4), (5, 3, 0)),
        (entry("returned_part_used", 1, residual_kg=10.0), (5, 2, 0)),
        (entry("weighed", left_kg=30.0), (5, 2, 0)),
        (entry("used", used_kg=12.5), (5, 2, 0)),
        (correction(6, full=1, in_use=-1), (6, 1, 0)),
    ]
    assert {one.movement for one, _ in steps} == set(MOVEMENTS)
    for n, (_, expected) in enumerate(steps, 1):
        assert counts(*(one for one, _ in steps[:n])) == expected, steps[n - 1][0].movement


def test_a_textbook_perpetual_inventory() -> None:
    """150 on hand, 120 sold, 225 bought, 180 sold, 210 bought leave 285.

    OpenStax, Principles of Accounting 1, chapter 10, its example of perpetual inventory (figures from memory).
    """
    entries = [
        opening(150),
        entry("returned_full", 120),
        entry("delivered", 225),
        entry("returned_full", 180),
        entry("delivered", 210),
    ]
    on_hand = [stock(*entries[:n]).on_site for n in range(1, 6)]
    assert on_hand == [150, 30, 255, 75, 285]


def test_kinds_do_not_mix_and_come_in_the_order_of_their_openings() -> None:
    both = ledger(opening(3), opening(0, kind="oxygen-251"), entry("delivered", 4, kind="oxygen-251"))
    found = stock_of(both, CONTENTS)
    assert [(one.kind, one.full) for one in found.values()] == [(KIND, 3), ("oxygen-251", 4)]
    assert stock_of((), CONTENTS) == {}


def test_an_entry_is_numbered_stripped_and_turned_into_utc() -> None:
    local = NOW.astimezone(timezone(timedelta(hours=-6)))
    _, found = ledger(opening(3), entry("connected", 1, at_utc=local, by=" R. Moss ", note=" north\nrack ", number=77))
    assert (found.number, found.by, found.note) == (2, "R. Moss", "north\nrack")
    assert (found.at_utc, found.at_utc.utcoffset()) == (NOW, timedelta(0))


def test_counts_follow_the_ledger_though_an_entry_says_that_it_happened_earlier() -> None:
    late_delivery = [opening(0), entry("delivered", 2, hours=50), entry("connected", 2, hours=20)]
    assert counts(*late_delivery) == (0, 2, 0)
    assert left(*late_delivery) == (2.0, 2.0, 2.0)
    error = refused(opening(0), entry("connected", 2, hours=50))
    assert (error.field, error.value, error.limit) == ("count", "2", "0 are full")


# Orders


def test_an_order_is_open_until_it_is_delivered_or_cancelled() -> None:
    entries = [opening(0), entry("ordered", 10, order_no="K-1"), entry("ordered", 4, order_no=" K-2 ", hours=30)]
    assert stock(*entries).on_order == 14
    entries += [entry("delivered", 6, order_no="K-1"), entry("delivered", 3), entry("cancelled", 1, order_no="K-1")]
    found = stock(*entries)
    at = NOW - timedelta(days=5), OPENED + timedelta(hours=30)
    k1 = OrderLine("K-1", KIND, at[0], ordered=10, cancelled=1, delivered=6, placed=((at[0], 10),))
    k2 = OrderLine("K-2", KIND, at[1], ordered=4, placed=((at[1], 4),))
    assert (k1.open, k2.open, found.open_orders, found.on_order) == (3, 4, (k1, k2), 7)
    entries += [entry("cancelled", 3, order_no="K-1"), entry("ordered", 1, order_no="K-2")]
    assert [(line.order_no, line.open) for line in stock(*entries).open_orders] == [("K-2", 5)]
    assert [(line.order_no, line.open) for line in order_lines(ledger(*entries))] == [("K-1", 0), ("K-2", 5)]


def test_an_order_number_belongs_to_one_kind_each() -> None:
    first = [opening(0), opening(0, kind="propane-20"), entry("ordered", 2, order_no="K-1")]
    error = refused(*first, entry("delivered", 1, order_no="K-1", kind="propane-20"))
    assert (error.field, error.value, error.limit) == ("order_no", "K-1", "orders of this kind are none")
    lines = order_lines(ledger(*first, entry("ordered", 3, order_no="K-1", kind="propane-20")))
    assert [(line.kind, line.open) for line in lines] == [(KIND, 2), ("propane-20", 3)]


def test_correcting_a_delivery_corrects_its_order() -> None:
    entries = [opening(0), entry("ordered", 10, order_no="K-1"), entry("delivered", 9, order_no="K-1")]
    found = stock(*entries, correction(3, full=-2))
    assert (found.full, found.on_order) == (7, 3)
    found = stock(*entries, correction(3, full=-2), correction(4, full=1))
    assert (found.full, found.on_order) == (8, 2), "a correction of a correction counts too"
    found = stock(*entries, correction(3, full=-1, empty=1))
    assert (found.full, found.empty, found.on_order) == (8, 1, 1), "came, but empty"
    error = refused(*entries, correction(3, full=2))
    assert (error.field, error.value, error.limit) == ("by_state", "+2", "9 are delivered and 1 open on order K-1")


# Gas


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        ([opening(4, 0)], (0, 0, 0)),
        ([opening(4, 2)], (0, 1, 2)),  # nobody weighed those in use
        ([opening(4, 2), entry("weighed", left_kg=kg(0.5))], (0.5, 0.5, 0.5)),
        ([opening(4), entry("connected", 3)], (3, 3, 3)),
        ([opening(4), entry("connected", 3), entry("used", used_kg=kg(0.75))], (2.25, 2.25, 2.25)),
        ([opening(4, 2), entry("used", used_kg=kg(0.75))], (0, 0.25, 1.25)),
        ([opening(4, 2), entry("used", used_kg=kg(0.75)), entry("connected", 1)], (0.25, 1.25, 2.25)),
        (
            [
                *[opening(4), entry("connected", 2), entry("used", used_kg=kg(0.75))],
                entry("returned_part_used", 1, residual_kg=kg(0.5)),
            ],
            (0.75, 0.75, 0.75),
        ),
        # What goes off is no fuller than what stays; empty means empty, as likely as not.
        ([opening(4), entry("connected", 2), entry("used", used_kg=kg(1)), entry("emptied", 1)], (0.5, 1, 1)),
        ([opening(4), entry("connected", 2), entry("used", used_kg=kg(1.5)), entry("emptied", 2)], (0, 0, 0)),
        # More on the books than the other can hold: something was burned that nobody reported.
        ([opening(4), entry("connected", 2), entry("emptied", 1)], (0, 0.5, 1)),
        ([opening(4), entry("connected", 2), entry("returned_part_used", 1, residual_kg=kg(0.5))], (0, 0.5, 1)),
        # No cylinder in use, no doubt.
        (
            [opening(1, 1), entry("used", used_kg=kg(0.75)), entry("emptied", 1), entry("connected", 1)]
            + [entry("used", used_kg=0.0)],
            (1, 1, 1),
        ),
        # The report comes when its cylinder is off already: it says nothing of the next one, but it could.
        (
            [opening(4), *[entry("connected", 1), entry("emptied", 1), entry("used", used_kg=kg(0.9))]],
            (0, 0, 0),
        ),
        (
            [
                opening(4),
                entry("connected", 1),
                entry("emptied", 1),
                entry("connected", 1),
                entry("used", used_kg=kg(1)),
            ],
            (0, 1, 1),
        ),
    ],
)
def test_gas_left_in_use(entries: list[StockEntry], expected: tuple[float, float, float]) -> None:
    assert left(*entries) == expected
    assert stock(*entries).problems == ()


def test_gas_follows_the_time_at_which_things_happened() -> None:
    weighed = entry("weighed", left_kg=kg(0.5), hours=20)
    first = [opening(4), entry("connected", 1, hours=1)]
    before, after = entry("used", used_kg=kg(0.25), hours=19), entry("used", used_kg=kg(0.25), hours=21)
    for typed in itertools.permutations([weighed, before, after]):
        assert left(*first, *typed) == (0.25, 0.25, 0.25)
    found = stock(*first, weighed, entry("weighed", left_kg=kg(0.9), hours=10))
    assert (found.weighed_number, found.weighed_utc) == (3, OPENED + timedelta(hours=20)), "the last by time"
    same_time = stock(*first, weighed, replace(weighed, left_kg=kg(0.4)))
    assert (same_time.weighed_number, same_time.left_kg) == (4, Range(*[kg(0.4)] * 3))


def test_below_nothing_is_a_problem_with_a_name_until_it_is_weighed() -> None:
    entries = [opening(4), entry("connected", 1), entry("used", used_kg=kg(1) + 6.0)]
    found = stock(*entries)
    assert found.left_kg == Range(0.0, 0.0, 0.0)
    assert found.beyond_kg == pytest.approx(6.0)
    (problem,) = found.problems
    assert (problem.name, problem.kg) == ("used_beyond", pytest.approx(6.0))
    assert "6.0 kg more gas of propane-100 was used or returned since the opening" in problem.text

    on = stock(*entries, entry("connected", 1))
    assert on.left_kg is not None
    assert on.left_kg.likely == pytest.approx(kg(1) - 6.0), "the connection that was missing"
    assert on.problems == ()
    weighed = stock(*entries, entry("weighed", left_kg=0.25))
    assert (weighed.left_kg, weighed.beyond_kg, weighed.found_kg) == (
        Range(0.25, 0.25, 0.25),
        0.0,
        pytest.approx(6.25),
    )
    corrected = stock(*entries, correction(3, used_kg=-6.0))
    assert (corrected.problems, corrected.used_kg) == ((), pytest.approx(kg(1)))


def test_float_noise_is_no_problem() -> None:
    found = stock(opening(1), entry("connected", 1), *[entry("used", used_kg=FULL_KG / 10)] * 10)
    assert found.problems == ()
    assert found.left_kg is not None
    assert found.left_kg.high == pytest.approx(0.0, abs=1e-9)


def test_a_weighing_that_finds_more_than_there_could_be_says_so() -> None:
    entries = [opening(4), entry("connected", 1), entry("used", used_kg=30.0)]
    (problem,) = stock(*entries, entry("weighed", left_kg=20.0)).problems
    assert (problem.name, problem.kg) == ("found_beyond", pytest.approx(30.0 + 20.0 - FULL_KG))
    assert "Weighing 4 found 4.6 kg more gas" in problem.text
    assert stock(*entries, entry("weighed", left_kg=FULL_KG - 30.0 + 0.4)).problems == (), "within a scale's doubt"


def test_contents_that_are_not_known_are_not_zero() -> None:
    entries = ledger(opening(3, 1, kind="oxygen-251"), entry("used", used_kg=3.0, kind="oxygen-251"))
    found = stock_of(entries, CONTENTS)["oxygen-251"]
    assert (found.full, found.contents_kg, found.full_kg, found.left_kg) == (3, None, None, None)
    assert [(one.name, one.kg) for one in found.problems] == [("contents_unknown", None)]
    assert stock_of(entries, {})["oxygen-251"] == found, "a ledger outlives its list of kinds"


def test_contents_may_be_put_right_later() -> None:
    kept = ledger(opening(3), entry("connected", 1), entry("weighed", left_kg=40.0))
    found = stock_of(kept, {KIND: 30.0})[KIND]
    assert found.left_kg == Range(*[30.0 * OVER_NOMINAL] * 3)
    assert [one.name for one in found.problems] == ["found_beyond", "over_contents"]
    assert with_entry(kept, entry("used", used_kg=1.0), {KIND: 30.0}, now=NOW)


def test_a_correction_of_a_count_holds_from_the_time_of_what_it_corrects() -> None:
    first = [opening(9, 1), entry("connected", 3, hours=1), entry("weighed", left_kg=kg(1.5), hours=9)]
    assert left(*first, correction(2, full=1, in_use=-1, hours=20)) == (1.5, 1.5, 1.5)
    unweighed = [opening(9), entry("connected", 3, hours=1)]
    assert left(*unweighed, correction(2, full=1, in_use=-1, hours=20)) == (2, 2, 2), "it was two that were connected"
    assert left(*unweighed, entry("emptied", 3, hours=2), correction(3, in_use=1, empty=-1)) == (0, 0.5, 1)
    assert left(opening(9, 2), correction(1, in_use=-1, empty=1)) == (0, 0.5, 1), "there was one in use"
    assert left(*unweighed, correction(1, in_use=1)) == (3, 3.5, 4), "nobody knows how full it was"
    assert left(*unweighed, correction(2, in_use=-1, note="stolen")) == (0, 1, 2)
    assert left(*first, correction(2, in_use=-1, hours=20, note="stolen")) == (1.125, 1.5, 1.5), "after it was weighed"
    assert left(*first, correction(2, in_use=-1, hours=5, note="stolen")) == (1.5, 1.5, 1.5), "before"


def test_a_part_used_one_goes_back_with_or_without_a_known_residual() -> None:
    entries = [opening(4), entry("connected", 2)]
    found = stock(*entries, entry("returned_part_used", 1, residual_kg=30.0))
    assert (found.residual_kg, found.on_site) == (30.0, 3)
    unknown = stock(*entries, entry("used", used_kg=kg(1)), entry("returned_part_used", 1))
    assert unknown.residual_kg == 0.0
    assert left(*entries, entry("used", used_kg=kg(1)), entry("returned_part_used", 1)) == (0.5, 1, 1)


# What is refused


ORDERED = [opening(2), entry("ordered", 4, order_no="K")]
USED = [opening(2, 1), entry("weighed", left_kg=40.0)]


@pytest.mark.parametrize(
    ("entries", "field", "value", "limit"),
    [
        ([opening(2, 1), entry("connected", 3)], "count", "3", "2 are full"),
        ([opening(2, 1), entry("emptied", 2)], "count", "2", "1 is in use"),
        ([opening(2, 1), entry("returned_empty", 1)], "count", "1", "0 are empty"),
        ([opening(2, 1), entry("returned_full", 3)], "count", "3", "2 are full"),
        ([opening(2, 1), entry("returned_part_used", 2, residual_kg=1.0)], "count", "2", "1 is in use"),
        ([opening(2, 1), correction(1, full=-3)], "corrects", "1", "less than none"),
        ([opening(2, 1), entry("delivered", 1), correction(2, in_use=-2)], "in_use", "-2", "1 is in use"),
        ([*ORDERED, entry("delivered", 5, order_no="K")], "count", "5", "4 are open"),
        ([*ORDERED, entry("cancelled", 5, order_no="K")], "count", "5", "4 are open"),
        ([*ORDERED, entry("delivered", 1, order_no="L")], "order_no", "L", "are K"),
        ([opening(2), correction(9, full=1)], "corrects", "9", "there is no such entry"),
        ([opening(2), correction(2, full=1)], "corrects", "2", "there is no such entry"),
        ([opening(2), opening(2, kind="propane-20"), correction(1, full=1, kind="propane-20")], "corrects", "1", KIND),
        ([*ORDERED, correction(2, full=1)], "corrects", "2", "order more or cancel"),
        ([opening(2), entry("connected", 1), correction(2, full=2, in_use=-2)], "count|corrects", "2", ""),
        ([opening(2), correction(1, full=1, note=" ")], "note", "empty", "its reason"),
        ([opening(2), correction(1)], "by_state", "without a change", "needs one"),
        ([opening(2), correction(1, used_kg=2.0)], "used_kg", "2", "entry 1 states none"),
        ([opening(2), entry("used", used_kg=5.0), correction(2, used_kg=-6.0)], "used_kg", "-6", "entry 2 states 5"),
        ([opening(2), opening(1)], "movement", "opening", "open already"),
        ([opening(2), entry("delivered", 1, kind="propane-20")], "kind", "propane-20", "no opening yet"),
        ([opening(2, kind="propane-21")], "kind", "propane-21", "known are oxygen-251, propane-100, propane-20"),
        ([opening(2), entry("delivered", 1, hours=-0.1)], "at_utc", "2026-01-02T17:54+00:00", "the opening was"),
        ([opening(2), entry("delivered", 1, at_utc=NOW.replace(tzinfo=None))], "at_utc", "2026-01-12T18:00", "zone"),
        ([opening(2), entry("delivered", 0)], "count", "0", "1 to 10000"),
        ([opening(2), entry("delivered", 10_001)], "count", "10001", "1 to 10000"),
        ([opening(2), entry("delivered", 1.5)], "count", "1.5", "whole"),
        ([opening(2), entry("delivered", True)], "count", "True", "whole"),
        ([opening(-1)], "full", "-1", "0 to 10000"),
        ([opening(2), entry("delivered")], "count", "missing", "delivered needs it"),
        ([opening(2), entry("ordered", 3)], "order_no", "missing", "ordered needs it"),
        ([opening(2), entry("connected", 1, order_no="K")], "order_no", "K", "connected has none"),
        ([opening(2), entry("weighed", 1, left_kg=1.0)], "count", "1", "weighed has none"),
        ([opening(2), entry("used", used_kg=math.nan)], "used_kg", "nan", "0 to 100000 kg"),
        ([opening(2), entry("used", used_kg=-1.0)], "used_kg", "-1", "0 to 100000 kg"),
        ([opening(2, 1), entry("weighed", left_kg=math.inf)], "left_kg", "inf", "0 to 100000 kg"),
        ([opening(2, 1), entry("weighed", left_kg=48.0)], "left_kg", "48", "at most 47.6 kg can be in 1 of 45.4 kg"),
        ([opening(2), entry("weighed", left_kg=0.0)], "left_kg", "0", "none were in use at that time"),
        ([*USED, correction(2, left_kg=9.0)], "left_kg", "9", "at most 47.6 kg"),
        ([opening(2, 1), entry("returned_part_used", 1, residual_kg=48.0)], "residual_kg", "48", "at most 47.6 kg"),
        ([opening(2), entry("delivered", 1, by="  ")], "by", "", "1 to 60 printable letters"),
        ([opening(2), entry("delivered", 1, by="a\0b")], "by", "a\0b", "printable"),
        ([opening(2), entry("delivered", 1, note="\ud800")], "note", "\ud800", "printable"),
        ([opening(2), entry("delivered", 1, note="x" * 1001)], "note", "x" * 60 + "...", "at most 1000"),
        ([opening(2), entry("stolen", 1)], "movement", "stolen", "expected one of opening, ordered"),
    ],
)  # fmt: skip
def test_what_cannot_follow_is_refused(entries: list[StockEntry], field: str, value: str, limit: str) -> None:
    error = refused(*entries)
    assert error.field in field.split("|")
    assert error.value == value
    assert limit in error.limit


def test_a_clock_may_be_a_little_ahead() -> None:
    assert ledger(opening(2), entry("delivered", 1, at_utc=NOW + AHEAD))
    error = refused(opening(2), entry("delivered", 1, at_utc=NOW + AHEAD + timedelta(seconds=1)))
    assert (error.field, error.limit) == ("at_utc", "now it is 2026-01-12T18:00+00:00")
    kept = ledger(opening(2), entry("delivered", 1, at_utc=NOW + AHEAD))
    assert with_entry(kept, entry("connected", 1), CONTENTS, now=NOW - timedelta(days=1)), "it was accepted"


def test_a_weighing_is_held_against_the_cylinders_that_were_in_use_then() -> None:
    used_up = [opening(4), entry("connected", 2, hours=1), entry("emptied", 2, hours=9)]
    assert ledger(*used_up, entry("weighed", left_kg=80.0, hours=5))
    assert refused(*used_up, entry("weighed", left_kg=80.0, hours=10)).limit == "none were in use at that time"
    three = [opening(4), entry("connected", 2, hours=1), correction(2, full=-1, in_use=1, hours=20)]
    assert ledger(*three, entry("weighed", left_kg=130.0, hours=5)), "it was three from the start"
    assert refused(*three[:2], entry("weighed", left_kg=130.0, hours=5)).field == "left_kg"


def test_a_ledger_out_of_order_is_refused() -> None:
    first, second = ledger(opening(2), entry("delivered", 1))
    with pytest.raises(LedgerError, match="number is 1, more than 2 is needed"):
        stock_of((first, replace(second, number=2), replace(second, number=1)), CONTENTS)
    with pytest.raises(LedgerError, match="kind is propane-100, which has no opening yet"):
        stock_of((second,), CONTENTS)


# Any sequence

whole = st.integers(1, 4)
cylinders = st.integers(-2, 2)
amounts_kg = st.floats(0.0, 60.0)


class Books(RuleBasedStateMachine):
    """Entries in any order, held against sums that know nothing of how the ledger counts."""

    def __init__(self) -> None:
        super().__init__()
        self.kept: tuple[StockEntry, ...] = ()
        self.accepted: list[StockEntry] = []

    def add(self, one: StockEntry) -> None:
        before = self.kept
        was = stock_of(before, CONTENTS)
        try:
            self.kept = with_entry(before, one, CONTENTS, now=NOW)
        except LedgerError:
            assert stock_of(self.kept, CONTENTS) == was
        else:
            assert self.kept[:-1] == before
            self.accepted.append(self.kept[-1])

    @initialize(full=st.integers(0, 6), in_use=st.integers(0, 3), empty=st.integers(0, 3))
    def open(self, full: int, in_use: int, empty: int) -> None:
        self.add(opening(full, in_use, empty))

    @rule(
        movement=st.sampled_from(
            ["delivered", "connected", "connected", "emptied", "returned_empty", "returned_full", "returned_part_used"]
        ),
        count=whole,
        hours=st.integers(0, 100),
    )
    def move(self, movement: str, count: int, hours: int) -> None:
        self.add(entry(movement, count, hours=hours))

    @rule(movement=st.sampled_from(["ordered", "delivered", "cancelled"]), count=whole, order=st.sampled_from("KL"))
    def order(self, movement: str, count: int, order: str) -> None:
        self.add(entry(movement, count, order_no=order))

    @rule(amount=amounts_kg, hours=st.integers(0, 100))
    def weigh(self, amount: float, hours: int) -> None:
        self.add(entry("weighed", left_kg=amount, hours=hours))

    @rule(amount=amounts_kg, hours=st.integers(0, 100))
    def use(self, amount: float, hours: int) -> None:
        self.add(entry("used", used_kg=amount, hours=hours))

    @rule(count=whole, amount=amounts_kg, hours=st.integers(0, 100))
    def give_back(self, count: int, amount: float, hours: int) -> None:
        self.add(entry("returned_part_used", count, residual_kg=amount, hours=hours))

    @precondition(lambda self: self.kept)
    @rule(data=st.data(), full=cylinders, in_use=cylinders, empty=cylinders)
    def correct(self, data: st.DataObject, full: int, in_use: int, empty: int) -> None:
        self.add(correction(data.draw(st.integers(1, len(self.kept) + 1)), full, in_use, empty))

    @precondition(lambda self: self.kept)
    @rule(data=st.data(), name=st.sampled_from(["left_kg", "used_kg", "residual_kg"]), amount=st.floats(-30.0, 30.0))
    def correct_amount(self, data: st.DataObject, name: str, amount: float) -> None:
        self.add(correction(data.draw(st.integers(1, len(self.kept))), **{name: amount}))

    def total(self, *movements: str) -> int:
        return sum(one.count or 0 for one in self.accepted if one.movement in movements)

    def by_state(self) -> list[ByState]:
        """Of the opening and of all corrections."""
        return [one.by_state for one in self.accepted if one.by_state is not None]

    @invariant()
    def the_books_balance(self) -> None:
        if not self.kept:
            return
        found = stock_of(self.kept, CONTENTS)[KIND]
        gone = self.total("returned_empty", "returned_full", "returned_part_used")
        said = sum(one.full + one.in_use + one.empty for one in self.by_state())
        assert found.on_site == said + self.total("delivered") - gone
        assert min(found.full, found.in_use, found.empty) >= 0
        assert all(0 < line.open <= line.ordered for line in found.open_orders)
        ordered = [one for one in self.accepted if one.order_no]
        for line in order_lines(self.kept):
            mine = [one for one in ordered if one.order_no == line.order_no]
            assert line.ordered == sum(one.count or 0 for one in mine if one.movement == "ordered")
            assert line.cancelled == sum(one.count or 0 for one in mine if one.movement == "cancelled")

    @invariant()
    def gas_never_comes_from_nothing(self) -> None:
        if not self.kept:
            return
        found = stock_of(self.kept, CONTENTS)[KIND]
        assert found.left_kg is not None
        assert found.full_kg is not None
        low, likely, high = found.left_kg.low, found.left_kg.likely, found.left_kg.high
        assert 0.0 <= low <= likely <= high <= found.in_use * FULL_KG * OVER_NOMINAL
        had = sum(one.full + max(one.in_use, 0) for one in self.by_state())  # taken off in use, it may have burned
        had_kg = (had + self.total("delivered") - self.total("returned_full")) * FULL_KG
        named_kg = found.found_kg + found.beyond_kg
        assert found.full_kg + high + found.used_kg + found.residual_kg <= had_kg + named_kg + 1e-6
        for name, total_kg in (("used_kg", found.used_kg), ("residual_kg", found.residual_kg)):
            stated = [getattr(one, name) for one in self.accepted]
            assert total_kg == pytest.approx(math.fsum(kg for kg in stated if kg is not None), abs=1e-6)


TestBooks = Books.TestCase
TestBooks.settings = settings(max_examples=60, stateful_step_count=30)
