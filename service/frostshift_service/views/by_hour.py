"""Torches and the people who hold them, hour by hour: a picture made here, and the table behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from frostshift_rules.by_hour import marks_lit, torches_by_hour
from frostshift_rules.workload import Plan, ShiftTotal
from frostshift_service.views.show import Moment, Show, number

_BAR: Final = 26.0
"""Width of an hour in the picture; a shift of ten hours is as wide as a phone."""
_ROW: Final = 13.0
"""Height of one torch, as far as `_MOST` allows."""
_MOST: Final = 130.0
_LEFT: Final = 10.0
_TOP: Final = 34.0
_BELOW: Final = 40.0
"""Below the axis stand the hours, and under each the people who heat in it."""
_SIDE: Final = 110.0
"""Margins of the picture; on the right stand the names of its lines."""


@dataclass(frozen=True, slots=True)
class HourLine:
    """One full hour of a shift.

    Attributes:
        at: it begins then.
        torches: most that burn at once.
        people: most who heat at once, one a torch; `people_short` of them are more than there are on shift.
        torch_minutes: torches times minutes.
        lit: marks of the joints whose torch is lit in it.
        short: torches more than there are, or than there are people to hold; 0 where there are enough.
    """

    at: Moment
    torches: int
    people: int
    people_short: int
    torch_minutes: float
    lit: tuple[str, ...]
    short: int


@dataclass(frozen=True, slots=True)
class Bar:
    """One hour as drawn: `y` and `height` of what there is enough of, `over_` of what there is not; people below it."""

    x: float
    width: float
    y: float
    height: float
    over_y: float
    over_height: float
    text: str
    people_text: str


@dataclass(frozen=True, slots=True)
class HourTick:
    """The name of an hour below the axis."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Level:
    """A line across the picture: how many there are."""

    y: float
    label_y: float
    text: str


@dataclass(frozen=True, slots=True)
class HourPicture:
    """The bars of a shift in the units of its view box, and the same in words."""

    width: float
    height: float
    left: float
    right: float
    base: float
    bars: tuple[Bar, ...]
    ticks: tuple[HourTick, ...]
    levels: tuple[Level, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class ByHour:
    """Torches of a shift by the hour: `hours` as a series, `picture` the same drawn."""

    hours: tuple[HourLine, ...]
    picture: HourPicture


def by_hour(plan: Plan, shift: ShiftTotal, show: Show) -> ByHour | None:
    """The series of a shift; None where no torch burns in it, or where the plan does not tell when (an old one)."""
    found = torches_by_hour(plan, shift)
    most = max((one.torches for one in found), default=0)
    if not most or most != shift.torches_at_once:
        return None
    enough = min(shift.torches_there, shift.hands)
    hours = tuple(
        HourLine(
            at=show.moment(one.start_utc, detail="clock"),
            torches=one.torches,
            people=one.people,
            people_short=max(one.people - shift.hands, 0),
            torch_minutes=one.torch_minutes,
            lit=marks_lit(plan.joints, one.start_utc),
            short=max(one.torches - enough, 0),
        )
        for one in found
    )
    return ByHour(hours, _picture(hours, shift, show))


def _picture(hours: tuple[HourLine, ...], shift: ShiftTotal, show: Show) -> HourPicture:
    levels = {shift.torches_there: "torches", shift.hands: "people"}
    highest = max(*(one.torches for one in hours), *levels)
    each = min(_ROW, _MOST / highest)
    base = _TOP + each * highest
    right = _LEFT + _BAR * len(hours)
    bars = []
    for n, one in enumerate(hours):
        met = one.torches - one.short
        y, top = base - each * met, base - each * one.torches
        bars.append(
            Bar(
                x=round(_LEFT + n * _BAR + 2.0, 1),
                width=_BAR - 4.0,
                y=round(y, 1),
                height=round(base - y, 1),
                over_y=round(top, 1),
                over_height=round(y - top, 1),
                text=str(one.torches) if one.torches else "",
                people_text=str(one.people) if one.people else "",
            )
        )
    step = 1 if len(hours) <= 12 else 2
    ticks = [
        HourTick(round(_LEFT + n * _BAR, 1), f"{one.at.utc.astimezone(show.zone):%H}")
        for n, one in enumerate(hours)
        if n % step == 0
    ]
    return HourPicture(
        width=right + _SIDE,
        height=base + _BELOW,
        left=_LEFT,
        right=right,
        base=base,
        bars=tuple(bars),
        ticks=tuple(ticks),
        levels=_levels(shift, base, each),
        summary=_summary(hours, shift),
    )


def _levels(shift: ShiftTotal, base: float, each: float) -> tuple[Level, ...]:
    """How many torches and how many people there are; one line where they are as many."""
    if shift.torches_there == shift.hands:
        both = [(shift.hands, f"of {number(shift.hands)}: site, shift")]
    else:
        both = [
            (shift.torches_there, f"of {number(shift.torches_there)} on the site"),
            (shift.hands, f"of {shift.hands} on shift"),
        ]
    both.sort(reverse=True)
    levels: list[Level] = []
    for count, text in both:
        y = round(base - each * count, 1)
        label = y + 4.0 if not levels else max(y + 4.0, levels[-1].label_y + 13.0)
        levels.append(Level(y, round(label, 1), text))
    return tuple(levels)


def _summary(hours: tuple[HourLine, ...], shift: ShiftTotal) -> str:
    said = [f"{one.at.text} {one.torches}" for one in hours if one.torches]
    return (
        f"Torches at once by the hour: {', '.join(said)}; no other hour has any. "
        f"{shift.torches_there} torches are on the site, {shift.hands} people on shift can hold one. "
        f"People heating at once: one a torch, at most {max(one.people for one in hours)}."
    )
