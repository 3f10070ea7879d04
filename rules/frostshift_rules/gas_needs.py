"""What each shift to come takes of one gas, as an order has to cover it; beyond the forecast carried on, and marked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from frostshift_rules.gas_demand import ShiftDemand
from frostshift_rules.workload import Range


@dataclass(frozen=True, slots=True)
class Need:
    """What one shift takes of a gas.

    Attributes:
        key, name, day, start_utc: of the shift.
        amount: kg of fuel, m3 of oxygen; carried on from known shifts where `carried_on`.
        carried_on: beyond the forecast, or the forecast does not say.
        left_out: joints of the shift that are not in the amount.
        together: full cylinders that have to feed together at its start; 0: nobody says.
        starves: no number of cylinders gives its gas in the cold.
    """

    key: str
    name: str
    day: date
    start_utc: datetime
    amount: Range
    carried_on: bool = False
    left_out: int = 0
    together: int = 0
    starves: bool = False


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Joints that no order has in it.

    Attributes:
        without_amount: of the shifts looked at, those without a time or unknown.
        outside: planned outside every shift.
        overdue: not done, of shifts that are over.
    """

    without_amount: int = 0
    outside: int = 0
    overdue: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.without_amount + self.outside + self.overdue


@dataclass(frozen=True, slots=True)
class Together:
    """Of one shift: full cylinders that have to feed together, 0 for none; `starves`: no number does."""

    count: int
    starves: bool


def needs_of(
    gas: str,
    shifts: Sequence[ShiftDemand],
    further: Sequence[tuple[str, str, date, datetime]],
    together: Mapping[str, Together] | None = None,
) -> list[Need]:
    """What each shift takes of a gas, and each further one by the mean of the known shifts of its name.

    Args:
        gas: id of a fuel, or `oxygen`.
        shifts: in their order; those that are not known are carried on as well.
        further: key, name, day and start of shifts beyond them, in their order.
        together: by key of the shift.

    Returns:
        Nothing of the shifts from which on no known shift of the name says anything: they are not known.
    """
    means = {}
    for name in {one.name for one in shifts if one.known}:
        known = [one.of(gas) for one in shifts if one.known and one.name == name]
        means[name] = Range(
            *(sum(getattr(one, end) for one in known) / len(known) for end in ("low", "likely", "high"))
        )
    needs: list[Need] = []
    for one in shifts:
        if not one.known and one.name not in means:
            return needs
        feed = (together or {}).get(one.key) if one.known else None
        amount = one.of(gas) if one.known else means[one.name]
        needs.append(
            Need(
                one.key,
                one.name,
                one.day,
                one.start_utc,
                amount,
                not one.known,
                one.unknown_joints if one.known else 0,
                feed.count if feed is not None else 0,
                feed is not None and feed.starves,
            )
        )
    for key, name, day, start_utc in further:
        if name not in means:
            break
        needs.append(Need(key, name, day, start_utc, means[name], carried_on=True))
    return needs


def not_known_from(shifts: Sequence[ShiftDemand], further: Sequence[tuple[str, str, date, datetime]]) -> date | None:
    """Day of the first shift that `needs_of` leaves off, since no known shift of its name says anything; None: none."""
    names = {one.name for one in shifts if one.known}
    cut = [one.day for one in shifts if not one.known and one.name not in names]
    cut += [day for _, name, day, _ in further if name not in names]
    return min(cut, default=None)
