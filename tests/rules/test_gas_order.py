"""What runs out when, and what to order by which day: points by hand, the calendar, the bad cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.gas_demand import GasDemand, ShiftDemand
from frostshift_rules.gas_needs import LeftOut, Need, Together, needs_of, not_known_from
from frostshift_rules.gas_order import OrderLine, on_hand_of, order_line
from frostshift_rules.gas_setup import SupplyTerms
from frostshift_rules.stock import KindStock, stock_of, with_entry
from frostshift_rules.stock_entry import ByState, StockEntry
from frostshift_rules.supply_days import LONGEST_DAYS
from frostshift_rules.totals import NONE
from frostshift_rules.workload import Range

MONDAY = date(2027, 1, 11)
NOW = datetime(2027, 1, 11, 12, 0, tzinfo=UTC)
KIND, ZONE = "propane-100", "America/Chicago"
CONTENTS_KG, USABLE_KG = 45.36, 30.0


def day(n: int) -> date:
    return MONDAY + timedelta(days=n)


def need(n: int, high: float, likely: float | None = None, **more: Any) -> Need:
    amount = Range(0.0, high if likely is None else likely, high)
    start_utc = datetime(day(n).year, day(n).month, day(n).day, 12, 30, tzinfo=UTC)
    return Need(f"{day(n)} day", "day", day(n), start_utc, amount, **more)


def entry(movement: Any, count: int | None = None, **more: Any) -> StockEntry:
    return StockEntry(KIND, movement, NOW - timedelta(days=1), "Q. Arden", count=count, **more)


def stock(*entries: StockEntry, full: int = 4, in_use: int = 0) -> KindStock:
    ledger: tuple[StockEntry, ...] = ()
    for one in (entry("opening", by_state=ByState(full, in_use, 0)), *entries):
        ledger = with_entry(ledger, one, {KIND: CONTENTS_KG}, now=NOW)
    return stock_of(ledger, {KIND: CONTENTS_KG})[KIND]


def line(
    needs: list[Need],
    there: KindStock | None,
    terms: SupplyTerms | None = SupplyTerms(KIND, 2),  # noqa: B008 - a frozen value
    closed: tuple[date, ...] = (),
    cover_days: int = 3,
    today: date = MONDAY,
) -> OrderLine:
    return order_line(KIND, "propane", CONTENTS_KG, USABLE_KG, needs, there, terms, closed, today, cover_days, ZONE)


# What there is --------------------------------------------------------------------------------------------------------


def test_what_is_on_hand_is_full_ones_and_what_can_be_drawn_of_those_in_use() -> None:
    """4 full of 30 kg; 2 in use with 60 kg left, of which 15.36 kg stay in each: 29.28 kg."""
    there = stock(entry("weighed", left_kg=60.0), full=4, in_use=2)
    assert on_hand_of(there, CONTENTS_KG, USABLE_KG).likely == pytest.approx(120.0 + 60.0 - 2 * 15.36)
    nearly_empty = stock(entry("weighed", left_kg=20.0), full=4, in_use=2)
    assert on_hand_of(nearly_empty, CONTENTS_KG, USABLE_KG).high == 120.0


def test_oxygen_in_use_counts_as_nothing_on_the_low_end() -> None:
    there = replace(stock(full=3, in_use=2), left_kg=None)
    assert on_hand_of(there, 7.0, 6.5) == Range(19.5, 19.5, 32.5)


# The order ------------------------------------------------------------------------------------------------------------


def test_an_order_by_hand() -> None:
    """120 kg there; 50 kg a day from Tuesday on: gone in the third shift, Thursday. It has to be there on Wednesday, so
    ordered today; it comes on Wednesday and lasts to Saturday: 250 kg less 120, five cylinders."""
    got = line([need(n, 50.0, 30.0) for n in range(1, 6)], stock(full=4))
    assert got.on_hand == Range(120.0, 120.0, 120.0)
    assert got.runs_out_high is not None
    assert (got.runs_out_high.day, got.runs_out_high.short) == (day(3), pytest.approx(30.0))
    assert got.runs_out_likely is not None
    assert got.runs_out_likely.day == day(5)
    assert (got.advice, got.order_by, got.delivery, got.lasts_until) == ("order", MONDAY, day(2), day(5))
    assert got.count == got.wanted == 5
    assert got.cost is None


def test_enough_is_said_and_nothing_ordered() -> None:
    got = line([need(n, 10.0) for n in range(1, 6)], stock(full=4))
    assert (got.advice, got.count, got.order_by) == ("enough", 0, None)
    assert line([need(1, 0.0)], stock()).advice == "no_demand"


def test_a_demand_that_is_not_known_leaves_what_is_there_and_coming() -> None:
    got = line([], stock(entry("ordered", 5, order_no="A-7"), full=4))
    assert (got.advice, got.count, got.known_until) == ("unknown", 0, None)
    assert got.on_hand == Range(120.0, 120.0, 120.0)
    assert [one.count for one in got.arrivals] == [5]


def test_without_a_count_or_terms_it_does_not_guess() -> None:
    needs = [need(n, 50.0) for n in range(1, 6)]
    assert line(needs, None).advice == "no_stock"
    assert line(needs, None).on_hand is None
    got = line(needs, stock(), terms=None)
    assert (got.advice, got.order_by, got.count) == ("no_terms", None, 0)
    assert "Lead time" in got.notes[-1]


def test_too_late_is_said_with_what_is_left_to_do() -> None:
    got = line([need(n, 130.0) for n in range(0, 6)], stock(full=4))
    assert (got.advice, got.order_by, got.delivery) == ("too_late", MONDAY, day(2))
    assert got.count > 0
    assert "borrow, ask for an extra delivery, or heat another way" in got.notes[-1]


def test_least_order_storage_price_and_rental() -> None:
    terms = SupplyTerms(KIND, 2, least_order=3, storage_limit=7, rental_per_day=0.5, price=95.0)
    got = line([need(n, 50.0) for n in range(1, 6)], stock(full=4, in_use=1), terms)
    assert (got.advice, got.wanted, got.count) == ("order", 5, 3)
    assert got.cost == 3 * 95.0
    assert got.rental_per_day == 2.5
    assert "5 are wanted and 3 have room" in " ".join(got.notes)


def test_an_order_that_the_supplier_does_not_bring_has_no_room() -> None:
    """4 full stand there and 5 may: one has room, and the supplier brings 3 at least."""
    needs = [need(n, 50.0) for n in range(1, 6)]
    got = line(needs, stock(full=4), SupplyTerms(KIND, 2, least_order=3, storage_limit=5))
    assert (got.advice, got.count, got.wanted) == ("no_room", 0, 5)
    assert got.delivery == day(2)
    assert got.cost is None
    assert "The supplier brings at least 3." in got.notes[-1]
    assert line(needs, stock(full=4), SupplyTerms(KIND, 2, storage_limit=4)).advice == "no_room"


def test_gas_in_use_that_is_burned_first_makes_no_room() -> None:
    """12 full, 10 in use: however much is burned before the delivery, no more full ones stand there than may."""
    there = stock(full=12, in_use=10)
    needs = [need(n, 400.0, 20.0) for n in range(1, 6)]
    got = line(needs, there, SupplyTerms(KIND, 2, storage_limit=14))
    assert got.count <= 14 - 12


# Joints left out, cylinders together, the lead time -------------------------------------------------------------------


def test_joints_that_are_left_out_are_said_and_enough_is_never_plainly_enough() -> None:
    needs = [need(1, 10.0, left_out=2), need(2, 10.0, left_out=1)]
    got = line(needs, stock(full=4), cover_days=0)
    assert got.advice == "enough_counted"
    assert got.left_out == LeftOut(without_amount=3)
    assert "At least: 3 joints are not in it (3 without a sure amount)." in got.notes
    nothing = line([need(1, 0.0, left_out=1)], stock(full=4))
    assert nothing.advice == "unknown"
    beside = order_line(
        KIND, "propane", CONTENTS_KG, USABLE_KG, [need(1, 10.0)], stock(), None, (), MONDAY, 3, ZONE, LeftOut(0, 1, 2)
    )
    assert (
        "At least: 3 joints are not in it (1 outside every shift, 2 not done, of shifts that are over)." in beside.notes
    )
    ordered = line([need(n, 50.0, left_out=1) for n in range(1, 6)], stock(full=4))
    assert ordered.advice == "order"
    assert "At least: 5 joints" in ordered.notes[0]


def test_the_cylinders_that_feed_together_have_to_be_there_full() -> None:
    """4 full ones of 30 kg, 5 kg burned on Tuesday: 3 are full on Thursday, and 7 have to feed together then."""
    needs = [need(1, 5.0), need(3, 40.0, together=7)]
    got = line(needs, stock(full=4))
    assert got.runs_out_high is not None
    assert (got.runs_out_high.day, got.runs_out_high.together, got.runs_out_high.full) == (day(3), 7, 3)
    assert got.advice == "order"
    assert got.count == 4  # 5 kg and 7 full ones are 215 kg, 120 are there: 95 kg
    assert got.runs_out_likely is None
    enough = line([need(1, 5.0), need(3, 40.0, together=3)], stock(full=4), cover_days=1)
    assert enough.advice == "enough"


def test_a_shift_that_no_number_of_cylinders_feeds_is_named() -> None:
    got = line([need(1, 10.0), need(2, 10.0, starves=True)], stock(full=4), cover_days=1)
    assert got.starves == (("day", day(2)),)


def test_a_lead_time_beyond_the_shifts_looked_at_is_no_enough() -> None:
    got = line([need(n, 1.0) for n in range(1, 6)], stock(full=4), SupplyTerms(KIND, 40))
    assert got.advice == "not_far_enough"
    assert got.delivery is not None
    assert got.delivery > day(50)


def test_a_shift_of_which_nothing_is_known_is_no_weekend() -> None:
    """An order of today comes on Wednesday and is to last to Saturday; nothing is known from Thursday on."""
    needs = [need(1, 1.0), need(2, 1.0)]
    common = (KIND, "propane", CONTENTS_KG, USABLE_KG, needs, stock(full=4), SupplyTerms(KIND, 2), (), MONDAY, 3, ZONE)
    assert order_line(*common).advice == "enough"  # a long weekend follows
    assert order_line(*common, not_known_from=day(3)).advice == "not_far_enough"
    assert order_line(*common, not_known_from=day(6)).advice == "enough"


def test_terms_without_a_day_of_delivery_are_said() -> None:
    closed = tuple(day(n) for n in range(LONGEST_DAYS + 1))
    assert line([need(n, 50.0) for n in range(1, 6)], stock(), closed=closed).advice == "no_delivery"
    assert line([need(1, 1.0)], stock(), closed=closed).advice == "no_delivery"
    arrived = line([need(1, 1.0)], stock(entry("ordered", 2, order_no="A")), closed=closed)
    assert arrived.arrivals[0].expected is None


def test_each_order_under_one_number_has_its_own_day() -> None:
    """2 ordered on a Friday and 20 more on the Monday, two days of lead: 2 come on Tuesday, 20 on Wednesday."""
    friday = replace(entry("ordered", 2, order_no="A-7"), at_utc=NOW - timedelta(days=3))
    monday = replace(entry("ordered", 20, order_no="A-7"), at_utc=NOW)
    opening = replace(entry("opening", by_state=ByState(4, 0, 0)), at_utc=NOW - timedelta(days=4))
    ledger: tuple[StockEntry, ...] = ()
    for one in (opening, friday, monday):
        ledger = with_entry(ledger, one, {KIND: CONTENTS_KG}, now=NOW)
    got = line([need(1, 10.0)], stock_of(ledger, {KIND: CONTENTS_KG})[KIND])
    assert [(one.count, one.expected) for one in got.arrivals] == [(2, day(1)), (20, day(2))]
    came = replace(entry("delivered", 3, order_no="A-7"), at_utc=NOW)
    ledger = with_entry(ledger, came, {KIND: CONTENTS_KG}, now=NOW)
    got = line([need(1, 10.0)], stock_of(ledger, {KIND: CONTENTS_KG})[KIND])
    assert [(one.count, one.expected) for one in got.arrivals] == [(19, day(2))]


def test_an_open_order_counts_from_the_day_after_it_is_expected_until_it_is_late() -> None:
    """Ordered yesterday, Sunday, read today, two days of lead: Wednesday. It helps from Thursday on."""
    needs = [need(n, 50.0) for n in range(1, 6)]
    open_order = stock(entry("ordered", 5, order_no="A-7"), full=4)
    got = line(needs, open_order)
    assert [(one.order_no, one.count, one.expected, one.late) for one in got.arrivals] == [("A-7", 5, day(2), False)]
    assert got.advice == "enough"
    later = line([need(n, 50.0) for n in range(8, 13)], open_order, today=day(3))
    assert later.arrivals[0].late
    assert later.advice == "order"
    assert "Order A-7, 5 cylinders, was expected on 2027-01-13 and is not written down as received" in later.notes[0]


def test_a_cancelled_order_counts_no_more() -> None:
    there = stock(entry("ordered", 5, order_no="A-7"), entry("cancelled", 5, order_no="A-7"))
    assert line([need(n, 50.0) for n in range(1, 6)], there).arrivals == ()


def test_days_beyond_the_forecast_are_marked() -> None:
    needs = [need(1, 50.0), *(need(n, 50.0, carried_on=True) for n in range(2, 6))]
    got = line(needs, stock(full=4))
    assert got.carried_on
    assert got.known_until == day(1)
    far = line(needs[:3], stock(full=4), SupplyTerms(KIND, 2), cover_days=10)
    assert far.advice == "order"
    assert "counted as far as it is known" in " ".join(far.notes)


@given(
    st.lists(st.floats(0.0, 200.0), min_size=1, max_size=14), st.integers(0, 12), st.integers(0, 6), st.integers(1, 10)
)
def test_what_is_ordered_lasts_as_long_as_it_is_said_to(
    amounts: list[float], full: int, lead_days: int, cover_days: int
) -> None:
    """With the order, the high demand up to the last day is covered from its delivery on, where nothing limits it."""
    needs = [need(n, amount) for n, amount in enumerate(amounts)]
    got = line(needs, stock(full=full), SupplyTerms(KIND, lead_days), cover_days=cover_days)
    if got.advice not in ("order", "too_late"):
        assert got.count == 0
        return
    assert got.lasts_until is not None
    taken = sum(one.amount.high for one in needs if one.day <= got.lasts_until)
    assert (full + got.count) * USABLE_KG >= taken - 1e-6
    assert got.runs_out_high is not None
    if got.advice == "order":
        assert got.delivery is not None
        assert got.delivery < got.runs_out_high.day


# Needs beyond the forecast --------------------------------------------------------------------------------------------


def demand(n: int, kg: float, known: bool = True, name: str = "day") -> ShiftDemand:
    start_utc = NOW + timedelta(days=n)
    return ShiftDemand(
        f"{day(n)} {name}",
        name,
        day(n),
        start_utc,
        start_utc + timedelta(hours=10),
        known,
        0,
        (GasDemand("propane", {"heating": Range(kg / 2.0, kg, kg * 2.0)}),) if known else (),
        NONE,
        0.0,
        NONE,
    )


def test_shifts_beyond_the_forecast_take_the_mean_of_the_known_ones_of_their_name() -> None:
    shifts = [demand(0, 10.0), demand(1, 30.0), demand(2, 0.0, known=False)]
    further = [(f"{day(3)} day", "day", day(3), NOW + timedelta(days=3))]
    got = needs_of("propane", shifts, further)
    assert [one.amount.likely for one in got] == [10.0, 30.0, 20.0, 20.0]
    assert [one.carried_on for one in got] == [False, False, True, True]
    assert got[2].amount == Range(10.0, 20.0, 40.0)


def test_what_no_known_shift_speaks_of_is_not_known() -> None:
    shifts = [demand(0, 10.0), demand(1, 0.0, known=False, name="night"), demand(2, 10.0)]
    assert [one.day for one in needs_of("propane", shifts, [])] == [day(0)]
    assert needs_of("propane", [demand(0, 0.0, known=False)], []) == []


def test_what_feeds_together_goes_with_its_shift_and_not_beyond_the_forecast() -> None:
    shifts = [demand(0, 10.0), demand(1, 0.0, known=False)]
    together = {shifts[0].key: Together(4, starves=True), shifts[1].key: Together(9, starves=False)}
    got = needs_of("propane", shifts, [], together)
    assert [(one.together, one.starves) for one in got] == [(4, True), (0, False)]
    assert [one.left_out for one in needs_of("propane", [replace(shifts[0], unknown_joints=3)], [])] == [3]


def test_the_day_from_which_on_nothing_is_known() -> None:
    shifts = [demand(0, 10.0), demand(1, 0.0, known=False, name="night"), demand(2, 10.0)]
    further = [(f"{day(3)} day", "day", day(3), NOW), (f"{day(4)} swing", "swing", day(4), NOW)]
    assert not_known_from(shifts, further) == day(1)
    assert not_known_from(shifts[::2], further) == day(4)
    assert not_known_from(shifts[::2], further[:1]) is None
