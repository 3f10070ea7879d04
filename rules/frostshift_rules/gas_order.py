"""What runs out when, and what to order by which day: the stock against the demand of the shifts to come.

Pure days and amounts. An order counts from the day it is expected, so many delivery days after it was made. What is not
known is said: beyond the forecast the demand is carried on by the mean of the known shifts of the same name, and is
marked.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from frostshift_rules.gas_demand import ShiftDemand
from frostshift_rules.gas_setup import SupplyTerms
from frostshift_rules.stock import KindStock
from frostshift_rules.strict import OutOfRange
from frostshift_rules.workload import Range

Advice = Literal["enough", "order", "too_late", "no_terms", "no_stock", "no_demand", "unknown"]

LONGEST_DAYS: Final = 500
"""No delivery is looked for further ahead than this."""

KNOWN_SHORT: Final = timedelta(days=3)
"""An order that is to last longer than this beyond the last shift that is known says so: a weekend is no gap."""


@dataclass(frozen=True, slots=True)
class Need:
    """What one shift takes of a gas.

    Attributes:
        key, name, day, start_utc: of the shift.
        amount: kg of fuel, m3 of oxygen; carried on from known shifts where `carried_on`.
        carried_on: beyond the forecast, or the forecast does not say.
    """

    key: str
    name: str
    day: date
    start_utc: datetime
    amount: Range
    carried_on: bool = False


@dataclass(frozen=True, slots=True)
class Arrival:
    """Cylinders on order, and when they are expected: the order's day and the supplier's lead.

    Attributes:
        order_no: of the order.
        count: still to come.
        expected: day; None where the site states no terms.
        late: the day has passed.
    """

    order_no: str
    count: int
    expected: date | None
    late: bool = False


@dataclass(frozen=True, slots=True)
class RunsOut:
    """The first shift that the stock does not carry through, and how much is missing by its end [kg, m3]."""

    key: str
    name: str
    day: date
    start_utc: datetime
    short: float
    carried_on: bool


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One kind of cylinder: what there is, how long it lasts, what to order by when.

    Attributes:
        kind: id of the cylinders.
        gas: what they hold.
        usable_each: what the count relies on of a full one [kg, m3].
        on_hand: what can be drawn of what is on site [kg, m3], low end and likely; None: no stock is written down.
        arrivals: open orders.
        runs_out_likely, runs_out_high: at likely and at high demand, open orders counted in; None: not within what is
            looked at.
        advice: `enough`; `order`; `too_late`: no order made now comes in time; `no_terms`: the site states none;
            `no_stock`: nobody wrote down what there is; `no_demand`: nothing needs it; `unknown`: the demand of no
            shift is known.
        count: cylinders to order; 0 for none.
        wanted: what would be ordered without the storage limit.
        order_by: last day to order; None for none.
        delivery: day on which an order of `order_by`, or of today where that is later, comes.
        lasts_until: last day that the order is made for.
        known_until: day of the last shift whose demand is known.
        carried_on: the advice rests on days beyond the forecast.
        rental_per_day: of what is on site; None: not stated.
        cost: of the order; None: no price is stated.
        notes: sentences for people.
    """

    kind: str
    gas: str
    usable_each: float
    on_hand: Range | None
    arrivals: tuple[Arrival, ...] = ()
    runs_out_likely: RunsOut | None = None
    runs_out_high: RunsOut | None = None
    advice: Advice = "no_demand"
    count: int = 0
    wanted: int = 0
    order_by: date | None = None
    delivery: date | None = None
    lasts_until: date | None = None
    known_until: date | None = None
    carried_on: bool = False
    rental_per_day: float | None = None
    cost: float | None = None
    notes: tuple[str, ...] = ()


def needs_of(gas: str, shifts: Sequence[ShiftDemand], further: Sequence[tuple[str, str, date, datetime]]) -> list[Need]:
    """What each shift takes of a gas, and each further one by the mean of the known shifts of its name.

    Args:
        gas: id of a fuel, or `oxygen`.
        shifts: in their order; those that are not known are carried on as well.
        further: key, name, day and start of shifts beyond them, in their order.

    Returns:
        Nothing of the shifts from which on no known shift of the name says anything: they are not known.
    """
    means = {}
    for name in {one.name for one in shifts if one.known}:
        known = [one.of(gas) for one in shifts if one.known and one.name == name]
        means[name] = Range(
            *(sum(getattr(one, end) for one in known) / len(known) for end in ("low", "likely", "high"))
        )
    needs = []
    there = [(one.key, one.name, one.day, one.start_utc, one.of(gas) if one.known else None) for one in shifts]
    for key, name, day, start_utc, amount in (*there, *((*one, None) for one in further)):
        if amount is None and name not in means:
            break
        needs.append(Need(key, name, day, start_utc, means[name] if amount is None else amount, amount is None))
    return needs


def expected_day(ordered: date, terms: SupplyTerms, closed: Collection[date]) -> date:
    """The day on which an order comes: so many delivery days after it, the first delivery day for none.

    Raises:
        OutOfRange: there is no such day within `LONGEST_DAYS`.
    """
    day, left = ordered, terms.lead_days
    for _ in range(LONGEST_DAYS):
        if left == 0 and _delivers(day, terms, closed):
            return day
        day += timedelta(days=1)
        if left > 0 and _delivers(day, terms, closed):
            left -= 1
    raise OutOfRange(
        f"delivery of {terms.kind} ordered on {ordered} is further than {LONGEST_DAYS} days ahead: see lead_days, "
        "delivery_days and closed_days"
    )


def last_order_day(needed: date, terms: SupplyTerms, closed: Collection[date]) -> date | None:
    """The last day on which an order still comes by a day; None where there is none within `LONGEST_DAYS`."""
    for back in range(LONGEST_DAYS):
        ordered = needed - timedelta(days=back)
        if expected_day(ordered, terms, closed) <= needed:
            return ordered
    return None


def _delivers(day: date, terms: SupplyTerms, closed: Collection[date]) -> bool:
    return day.isoweekday() in terms.delivery_days and day not in closed


def on_hand_of(stock: KindStock, contents: float, usable_each: float) -> Range:
    """What can be drawn of what is on site [kg, m3]: full ones, and what is left in those in use.

    Args:
        stock: of the kind.
        contents: of a full one [kg, m3].
        usable_each: what the count relies on of it; the rest stays in each.
    """
    stays = contents - usable_each
    full = stock.full * usable_each
    left = stock.left_kg
    if left is None:  # oxygen, or contents that nobody knows: what is in use counts as nothing on the low end
        return Range(full, full, full + stock.in_use * usable_each)
    drawn = [max(0.0, amount - stock.in_use * stays) for amount in (left.low, left.likely, left.high)]
    return Range(*(full + one for one in drawn))


def order_line(
    kind: str,
    gas: str,
    contents: float,
    usable_each: float,
    needs: Sequence[Need],
    stock: KindStock | None,
    terms: SupplyTerms | None,
    closed: Collection[date],
    today: date,
    cover_days: int,
    zone: str,
) -> OrderLine:
    """What to order of one kind.

    Args:
        kind: id of the cylinders.
        gas: what they hold.
        contents: of a full one [kg, m3].
        usable_each: what the count relies on of it [kg, m3], above 0.
        needs: what the shifts to come take, in their order.
        stock: of the kind; None: nobody wrote it down.
        terms: of its supply; None: the site states none.
        closed: no delivery on these days.
        today: at the site.
        cover_days: an order is to last so many days beyond its delivery.
        zone: IANA time zone of the site.

    Raises:
        OutOfRange: no day of delivery within `LONGEST_DAYS`.
    """
    known = [one for one in needs if not one.carried_on]
    line = OrderLine(
        kind,
        gas,
        usable_each,
        None if stock is None else on_hand_of(stock, contents, usable_each),
        known_until=known[-1].day if known else None,
        rental_per_day=_rental(stock, terms),
    )
    arrivals: tuple[Arrival, ...] = ()
    if stock is not None:
        arrivals = tuple(
            _arrival(one.order_no, one.open, one.ordered_utc.astimezone(ZoneInfo(zone)).date(), terms, closed, today)
            for one in stock.open_orders
        )
        line = replace(line, arrivals=arrivals, notes=_late(arrivals))
    if not needs:
        return replace(line, advice="unknown")
    if not any(one.amount.high > 0.0 for one in needs):
        return replace(line, advice="no_demand")
    if stock is None or line.on_hand is None:
        note = "Count what is on site and write it down: the order rests on it."
        return replace(line, advice="no_stock", notes=(note,))
    # One that is late may come any day; nothing is counted on it.
    coming: Counter[date] = Counter()
    for one in arrivals:
        if one.expected is not None and not one.late:
            coming[one.expected] += one.count
    likely = _runs_out(needs, line.on_hand.likely, coming, usable_each, lambda need: need.amount.likely)
    high = _runs_out(needs, line.on_hand.low, coming, usable_each, lambda need: need.amount.high)
    line = replace(line, runs_out_likely=likely, runs_out_high=high)
    if high is None:
        return replace(line, advice="enough")
    if terms is None:
        note = "Lead time and delivery days are not stated in the site file: no day to order by can be given."
        return replace(line, advice="no_terms", notes=(*line.notes, note))
    return _ordered(line, high, needs, coming, stock, terms, closed, today, cover_days)


def _ordered(
    line: OrderLine,
    high: RunsOut,
    needs: Sequence[Need],
    coming: Mapping[date, int],
    stock: KindStock,
    terms: SupplyTerms,
    closed: Collection[date],
    today: date,
    cover_days: int,
) -> OrderLine:
    assert line.on_hand is not None
    order_by = last_order_day(high.day - timedelta(days=1), terms, closed)
    too_late = order_by is None or order_by < today
    delivery = expected_day(today if too_late or order_by is None else order_by, terms, closed)
    lasts_until = delivery + timedelta(days=cover_days)
    through = [one for one in needs if one.day <= lasts_until]
    taken = sum(one.amount.high for one in through)
    there = line.on_hand.low + line.usable_each * _come(coming, lasts_until)
    wanted = max(terms.least_order, math.ceil((taken - there) / line.usable_each - 1e-9))
    count, notes = wanted, list(line.notes)
    if terms.storage_limit is not None:
        taken_before = sum(one.amount.low for one in needs if one.day < delivery)
        emptied = math.floor(taken_before / line.usable_each + 1e-9)
        full_then = max(0, stock.full + _come(coming, delivery) - emptied)
        count = max(0, min(wanted, terms.storage_limit - full_then))
        if count < wanted:
            notes.append(
                f"{wanted} are wanted and {count} have room: {terms.storage_limit} full ones may stand on the site. "
                "Have them brought in parts."
            )
    if too_late:
        notes.append(
            "An order of today comes after what is there has run out: borrow, ask for an extra delivery, or heat "
            "another way until then."
        )
    carried = high.carried_on or any(one.carried_on for one in through)
    if not through or lasts_until - needs[-1].day > KNOWN_SHORT:
        notes.append("The demand is not known as far as the order is to last: it is counted as far as it is known.")
    return replace(
        line,
        advice="too_late" if too_late else "order",
        count=count,
        wanted=wanted,
        order_by=today if too_late else order_by,
        delivery=delivery,
        lasts_until=lasts_until,
        carried_on=carried,
        cost=None if terms.price is None else terms.price * count,
        notes=tuple(notes),
    )


def _runs_out(
    needs: Sequence[Need], on_hand: float, coming: Mapping[date, int], usable_each: float, of: Callable[[Need], float]
) -> RunsOut | None:
    taken = 0.0
    for need in needs:
        taken += of(need)
        # What comes on the day of a shift may come after its start.
        short = taken - on_hand - usable_each * _come(coming, need.day - timedelta(days=1))
        if short > 1e-9:
            return RunsOut(need.key, need.name, need.day, need.start_utc, short, need.carried_on)
    return None


def _come(coming: Mapping[date, int], day: date) -> int:
    """Cylinders on order that have come by the end of a day."""
    return sum(count for at, count in coming.items() if at <= day)


def _arrival(
    order_no: str, count: int, ordered: date, terms: SupplyTerms | None, closed: Collection[date], today: date
) -> Arrival:
    if terms is None:
        return Arrival(order_no, count, None)
    expected = expected_day(ordered, terms, closed)
    return Arrival(order_no, count, expected, expected < today)


def _late(arrivals: Sequence[Arrival]) -> tuple[str, ...]:
    return tuple(
        f"Order {one.order_no}, {one.count} cylinders, was expected on {one.expected.isoformat()} and is not written "
        "down as received: nothing is counted on it."
        for one in arrivals
        if one.late and one.expected is not None
    )


def _rental(stock: KindStock | None, terms: SupplyTerms | None) -> float | None:
    if stock is None or terms is None or terms.rental_per_day is None:
        return None
    return stock.on_site * terms.rental_per_day
