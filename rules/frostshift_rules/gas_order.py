"""What runs out when, and what to order by which day: the stock against the demand of the shifts to come.

Pure days and amounts. An order counts from the day after it is expected. A shift needs its gas, and at its start as
many full cylinders as have to feed together in its cold. What is not known is said.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from frostshift_rules.gas_needs import LeftOut, Need
from frostshift_rules.gas_setup import SupplyTerms
from frostshift_rules.stock import KindStock
from frostshift_rules.supply_days import expected_day, last_order_day
from frostshift_rules.workload import Range

Advice = Literal[
    "enough",
    "enough_counted",
    "not_far_enough",
    "order",
    "too_late",
    "no_room",
    "no_delivery",
    "no_terms",
    "no_stock",
    "no_demand",
    "unknown",
]

KNOWN_SHORT: Final = timedelta(days=3)
"""An order that is to last longer than this beyond the last shift that is known says so: a weekend is no gap."""


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
    """The first shift that the stock does not carry through.

    Attributes:
        key, name, day, start_utc: of the shift.
        short: how much is missing by its end, or at its start for the cylinders that feed together [kg, m3].
        carried_on: beyond the forecast.
        together: full cylinders that have to feed together then, where not the gas but their number is short; else 0.
        full: about so many are full then, of these.
    """

    key: str
    name: str
    day: date
    start_utc: datetime
    short: float
    carried_on: bool
    together: int = 0
    full: int = 0


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
        advice: `enough`; `enough_counted`: for what is counted, and joints are left out; `not_far_enough`: as far as
            the shifts are known, and an order of today would come after them; `order`; `too_late`: no order made now
            comes in time; `no_room`: an order that the supplier brings has no room on the site; `no_delivery`: there
            is no day on which one comes; `no_terms`: the site states none; `no_stock`: nobody wrote down what there
            is; `no_demand`: nothing needs it; `unknown`: the demand of no shift is known, or only of some joints.
        count: cylinders to order; 0 for none.
        wanted: what would be ordered without the storage limit.
        order_by: last day to order; None for none.
        delivery: day on which an order of `order_by`, or of today where that is later, comes.
        lasts_until: last day that the order is made for.
        known_until: day of the last shift whose demand is known.
        carried_on: the advice rests on days beyond the forecast.
        rental_per_day: of what is on site; None: not stated.
        cost: of the order; None: no price is stated.
        left_out: joints that are not in it.
        starves: name and day of the shifts whose gas no number of cylinders gives in the cold.
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
    left_out: LeftOut = LeftOut()
    starves: tuple[tuple[str, date], ...] = ()
    notes: tuple[str, ...] = ()


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
    beside: LeftOut = LeftOut(),  # noqa: B008 - a frozen value
    not_known_from: date | None = None,
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
        beside: joints that are in no shift to come.
        not_known_from: day of the first shift that is left off `needs`, as nothing is known of it; None: none.
    """
    known = [one for one in needs if not one.carried_on]
    left_out = replace(beside, without_amount=beside.without_amount + sum(one.left_out for one in needs))
    line = OrderLine(
        kind,
        gas,
        usable_each,
        None if stock is None else on_hand_of(stock, contents, usable_each),
        known_until=known[-1].day if known else None,
        rental_per_day=_rental(stock, terms),
        left_out=left_out,
        notes=tuple(_left_out_notes(left_out)),
    )
    arrivals: tuple[Arrival, ...] = ()
    if stock is not None:
        arrivals = tuple(
            _arrival(one.order_no, count, at.astimezone(ZoneInfo(zone)).date(), terms, closed, today)
            for one in stock.open_orders
            for at, count in one.open_parts
        )
        line = replace(line, arrivals=arrivals, notes=(*line.notes, *_late(arrivals)))
    if not needs:
        return replace(line, advice="unknown")
    if not any(one.amount.high > 0.0 for one in needs):
        return replace(line, advice="unknown" if left_out.total else "no_demand")
    if stock is None or line.on_hand is None:
        note = "Count what is on site and write it down: the order rests on it."
        return replace(line, advice="no_stock", notes=(*line.notes, note))
    # One that is late may come any day; nothing is counted on it.
    coming: Counter[date] = Counter()
    for one in arrivals:
        if one.expected is not None and not one.late:
            coming[one.expected] += one.count
    there = _Stock(line.on_hand, usable_each, coming)
    line = replace(
        line,
        runs_out_likely=_runs_out(needs, there, "likely"),
        runs_out_high=_runs_out(needs, there, "high"),
        starves=tuple((one.name, one.day) for one in needs if one.starves),
    )
    if line.runs_out_high is None:
        return _enough(line, needs, terms, closed, today, cover_days, not_known_from)
    if terms is None:
        note = "Lead time and delivery days are not stated under Supply in the set-up: no day to order by can be given."
        return replace(line, advice="no_terms", notes=(*line.notes, note))
    return _ordered(line, line.runs_out_high, needs, there, stock, terms, closed, today, cover_days)


def _enough(
    line: OrderLine,
    needs: Sequence[Need],
    terms: SupplyTerms | None,
    closed: Collection[date],
    today: date,
    cover_days: int,
    not_known_from: date | None,
) -> OrderLine:
    """Nothing runs out in the shifts looked at; whether that is far enough."""
    if terms is not None:
        comes = expected_day(today, terms, closed)
        if comes is None:
            return replace(line, advice="no_delivery")
        lasts_until = comes + timedelta(days=cover_days)
        cut = not_known_from is not None and not_known_from <= lasts_until
        if cut or needs[-1].day < lasts_until - KNOWN_SHORT:
            return replace(line, advice="not_far_enough", delivery=comes)
    return replace(line, advice="enough_counted" if line.left_out.total else "enough")


@dataclass(frozen=True, slots=True)
class _Stock:
    """What can be drawn of what is there [kg, m3], of a full one, and cylinders on order by the day they come."""

    on_hand: Range
    usable_each: float
    coming: Mapping[date, int]

    def by(self, day: date, amount: float) -> float:
        """Of so much on hand and what has come by the end of a day [kg, m3]."""
        return amount + self.usable_each * _come(self.coming, day)


def _ordered(
    line: OrderLine,
    high: RunsOut,
    needs: Sequence[Need],
    there: _Stock,
    stock: KindStock,
    terms: SupplyTerms,
    closed: Collection[date],
    today: date,
    cover_days: int,
) -> OrderLine:
    order_by = last_order_day(high.day - timedelta(days=1), terms, closed)
    too_late = order_by is None or order_by < today
    delivery = expected_day(today if too_late or order_by is None else order_by, terms, closed)
    if delivery is None:
        return replace(line, advice="no_delivery")
    lasts_until = delivery + timedelta(days=cover_days)
    through = [one for one in needs if one.day <= lasts_until]
    short = _short(through, line.usable_each, there.by(lasts_until, there.on_hand.low))
    wanted = max(terms.least_order, math.ceil(short / line.usable_each - 1e-9))
    count, notes = wanted, list(line.notes)
    if terms.storage_limit is not None:
        # Nothing is taken off for what is emptied until then: what is in use may be burned first.
        room = max(0, terms.storage_limit - stock.full - _come(there.coming, delivery))
        count = min(wanted, room)
        if count < wanted:
            notes.append(
                f"{wanted} are wanted and {count} have room: {terms.storage_limit} full ones may stand on the site. "
                "Have them brought in parts."
            )
    if too_late:
        notes.append(
            "An order of today comes too late for that: borrow, ask for an extra delivery, or heat another way until "
            "then."
        )
    carried = high.carried_on or any(one.carried_on for one in through)
    if not through or lasts_until - needs[-1].day > KNOWN_SHORT:
        notes.append("The demand is not known as far as the order is to last: it is counted as far as it is known.")
    line = replace(
        line,
        wanted=wanted,
        order_by=today if too_late else order_by,
        delivery=delivery,
        lasts_until=lasts_until,
        carried_on=carried,
    )
    if count < terms.least_order:
        least = f" The supplier brings at least {terms.least_order}." if terms.least_order > 1 else ""
        notes.append(f"Send empties back, have more room allowed, or heat another way.{least}")
        return replace(line, advice="no_room", notes=tuple(notes))
    return replace(
        line,
        advice="too_late" if too_late else "order",
        count=count,
        cost=None if terms.price is None else terms.price * count,
        notes=tuple(notes),
    )


def _short(through: Sequence[Need], usable_each: float, there: float) -> float:
    """How much more has to be there so that each shift has its gas at most use, and its cylinders [kg, m3]."""
    taken = most = 0.0
    for need in through:
        most = max(most, taken + need.together * usable_each, taken + need.amount.high)
        taken += need.amount.high
    return most - there


def _runs_out(needs: Sequence[Need], there: _Stock, end: Literal["likely", "high"]) -> RunsOut | None:
    """The first shift that is not carried through at likely use of the likely stock, or at most use of the least.

    How many cylinders feed together is looked at with the high end alone: it is a figure of the slow end.
    """
    on_hand = there.on_hand.likely if end == "likely" else there.on_hand.low
    taken = 0.0
    for need in needs:
        # What comes on the day of a shift may come after its start.
        left = there.by(need.day - timedelta(days=1), on_hand) - taken
        taken += getattr(need.amount, end)
        short = getattr(need.amount, end) - left
        if short > 1e-9:
            return RunsOut(need.key, need.name, need.day, need.start_utc, short, need.carried_on)
        full = max(0, math.floor(left / there.usable_each + 1e-9))
        if end == "high" and full < need.together:
            missing = need.together * there.usable_each - left
            return RunsOut(need.key, need.name, need.day, need.start_utc, missing, need.carried_on, need.together, full)
    return None


def _left_out_notes(left_out: LeftOut) -> Iterator[str]:
    parts = (
        (left_out.without_amount, "without a sure amount"),
        (left_out.outside, "outside every shift"),
        (left_out.overdue, "not done, of shifts that are over"),
    )
    said = [f"{count} {what}" for count, what in parts if count]
    if said:
        joints = "joint is" if left_out.total == 1 else "joints are"
        yield f"At least: {left_out.total} {joints} not in it ({', '.join(said)})."


def _come(coming: Mapping[date, int], day: date) -> int:
    """Cylinders on order that have come by the end of a day."""
    return sum(count for at, count in coming.items() if at <= day)


def _arrival(
    order_no: str, count: int, ordered: date, terms: SupplyTerms | None, closed: Collection[date], today: date
) -> Arrival:
    expected = None if terms is None else expected_day(ordered, terms, closed)
    if expected is None:
        return Arrival(order_no, count, None)
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
