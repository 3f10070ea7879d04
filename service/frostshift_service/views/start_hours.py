"""Joints at other starts, in words and as strips: call, heating, gas and weather hour by hour, hours without heat.

Read in black and white: the fuller a box, the more heat; the boxes of the weather have the fills of the weather page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from math import ceil
from typing import Final, Literal

from frostshift_rules.shifts import ShiftSpan
from frostshift_rules.start_hours import (
    HOURS,
    Against,
    Bars,
    CheapestStart,
    JointStarts,
    NoHeatSpell,
    StartHour,
    cheapest_start,
    next_without_heat,
)
from frostshift_rules.stops import reason_text, worst_of
from frostshift_rules.workload import HeatCall, JointPlan, Plan, Range, WeatherState
from frostshift_service.views.sheet import Header, header
from frostshift_service.views.show import WEEKDAYS, Amount, Moment, Show, day_text, optional, plural
from frostshift_service.views.weather_chart import INK_SHARES
from frostshift_service.views.words import CALLS, CAUTIONS, NO_TIME, WEATHER, Caution, Word

SHIFTS_AHEAD: Final = 3
"""Shifts in which the cheapest start is looked for unless others are asked for: about a day. Our choice."""
SPANS_H: Final = (24, 48, 72, 168)
"""Hours that the picture of many joints may show."""
SPAN_H: Final = 48
ROWS_A_PART: Final = 40
"""Joints on one part of the page. Our choice."""
MOST_AT_ONCE: Final = 400
"""Joints that a command works out at a time. Our choice."""

_HOUR: Final = timedelta(hours=1)

Fill = Literal["none", "third", "two_thirds", "half", "full", "double", "unknown"]
"""How full the box of an hour is; `half`: nobody knows the middle either, `double`: raised heat."""

WHAT_IT_IS: Final = (
    "What the plan would say of the joint if it alone were moved to that hour; nothing is moved here. The "
    "superintendent decides."
)
HOW_CHEAPEST: Final = (
    "Cheapest start: least gas on the cold side, to 0.1 kg, then current, then torch-minutes, then the earliest; the "
    "planned start stays where nothing takes less. Left out are hours under a stop, hours that are not known, and heat "
    "without a time. The weld has to end within the shift it starts in, nobody lights up before that shift, and stated "
    "dates, pins and joints that wait for each other hold, each unless the planned start breaks it as well. An hour "
    "that needs a shelter is named only where no other is left."
)


@dataclass(frozen=True, slots=True)
class HourFigures:
    """One start as figures; None: not known. Amounts as the totals of a shift count them.

    Attributes:
        start: full hour of the site's clock.
        call: on the cold side, as the plan has it; `at_middle` by the likely steel. Codes.
        reason: why, or what is missing.
        minimum_c: that applies [°C].
        steel_cold_c, steel_likely_c: at the worst hour of the window [°C].
        minutes_likely, minutes_high: of heating before the first arc [min].
        torch_minutes_high, fuel_kg_likely, fuel_kg_high, oxygen_m3_high, energy_kwh_high: for heating and keeping warm.
        heat_status: code of the heat plan; None where there is none.
        weather: code; `weather_why` its first rule in words, empty for none.
        light_up: of the first torch or heater.
        before_shift: light-up lies before the shift, or before now.
        shift: key of the shift; None: outside every shift.
        ends_in_shift: None outside every shift.
    """

    start: Moment
    call: HeatCall
    at_middle: HeatCall
    reason: str
    minimum_c: float | None
    steel_cold_c: float | None
    steel_likely_c: float | None
    minutes_likely: float | None
    minutes_high: float | None
    torch_minutes_high: float | None
    fuel_kg_likely: float | None
    fuel_kg_high: float | None
    oxygen_m3_high: float | None
    energy_kwh_high: float | None
    heat_status: str | None
    weather: WeatherState
    weather_why: str
    light_up: Moment | None
    before_shift: bool
    shift: str | None
    ends_in_shift: bool | None


@dataclass(frozen=True, slots=True)
class Run:
    """Starts in a row with the same call, at the middle too, and the same weather for the same rule.

    `minutes`, `gas`: least to most of theirs, high ends; empty where no heat is needed, and without a time, which
    `no_time` then explains. `text` names the middle where it says otherwise.
    """

    first: Moment
    last: Moment
    count: int
    when: str
    call: Word
    text: str
    weather: Word
    steel: str
    minutes: str
    no_time: str
    gas: str
    why: str


@dataclass(frozen=True, slots=True)
class SpellLine:
    """A spell of starts without heat; `certain` False: by the likely steel alone, measure first."""

    first: Moment
    last: Moment
    certain: bool
    weather: Word
    text: str


@dataclass(frozen=True, slots=True)
class CheapestLine:
    """The cheapest start within some shifts.

    Attributes:
        start: None: none can be named, `text` says why.
        is_planned: it is the planned start.
        text: when, and what it takes.
        saved: what it saves against the planned start; empty without a start, and where it is the planned one.
        alike: other starts that take as little; empty for none.
        left_out: how many starts were left out, and why.
        minutes, gas, energy: of it; None where there is no start.
        fuel_saved_kg, energy_saved_kwh, torch_minutes_saved: on the cold side; None: not known.
    """

    start: Moment | None
    is_planned: bool
    text: str
    saved: str
    alike: str
    left_out: str
    minutes: Amount | None
    gas: Amount | None
    energy: Amount | None
    fuel_saved_kg: float | None
    energy_saved_kwh: float | None
    torch_minutes_saved: float | None


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of a strip, in units of its view box; `ink_share` is that of the weather page, 0 for heat."""

    x: float
    y: float
    width: float
    height: float
    kind: Literal["heat", "weather"]
    code: str
    fill: str
    ink_share: float
    title: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A label or an upright of a strip."""

    x: float
    y: float
    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Strip:
    """A picture of one joint's starts: one line of hours, or a line a day.

    Attributes:
        width, height: of the view box.
        boxes: of calls and of weather.
        hours: labels of hours above; empty where a head carries them.
        days: labels of days at the left; `starts` of new days as uprights on a single line.
        planned: where the planned start lies; None: not in the picture.
        cheapest: where the cheapest lies; None: there is none, or it is the planned one.
        summary: all of it in words.
    """

    width: float
    height: float
    boxes: tuple[Box, ...]
    hours: tuple[Mark, ...]
    days: tuple[Mark, ...]
    uprights: tuple[Mark, ...]
    planned: Mark | None
    cheapest: Mark | None
    summary: str


@dataclass(frozen=True, slots=True)
class KeyLine:
    """What a box in the strips means."""

    kind: Literal["heat", "weather"]
    code: str
    fill: str
    ink_share: float
    text: str


@dataclass(frozen=True, slots=True)
class StartsOf:
    """One joint at other starts.

    Attributes:
        mark, place, crew: of the joint.
        start: as planned; `call` and `weather` there.
        no_starts: why no other start is looked at; empty where some are.
        spells: hours without heat; `spells_text` all of them, or that there are none.
        cheapest: within the shifts asked for.
        runs: the hours in words; `hours` their figures, empty where none were asked for.
        line, by_day: pictures; None where there is nothing to draw.
    """

    mark: str
    place: str
    crew: str
    start: Moment
    call: Word
    weather: Word
    no_starts: str
    spells: tuple[SpellLine, ...]
    spells_text: str
    cheapest: CheapestLine
    runs: tuple[Run, ...]
    hours: tuple[HourFigures, ...]
    line: Strip | None
    by_day: Strip | None


@dataclass(frozen=True, slots=True)
class JointHours:
    """The same for the page of one joint, with what is said of it there."""

    starts: StartsOf
    shifts_text: str
    span_h: int
    key: tuple[KeyLine, ...]
    about: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HoursPage:
    """Many joints at other starts.

    Attributes:
        header: where the figures come from.
        title: what is shown, in words.
        crew, text: filters; None and empty: all. `crews` that there are, an empty one: joints without.
        marks: joints that were asked for by name.
        span_h: hours shown; `spans_h` to choose from.
        shifts: in which the cheapest start is looked for; `shifts_text` names them.
        total: joints that pass; `part` of `parts` is shown.
        head: hours above the strips; None where there are none.
        joints: by light-up, as on the morning sheet.
        missing: asked for by name and not in the plan; sentences.
        key: what the boxes mean.
        about: how it is worked out.
        cautions: standing cautions.
    """

    header: Header
    title: str
    crew: str | None
    text: str
    crews: tuple[str, ...]
    marks: tuple[str, ...]
    span_h: int
    spans_h: tuple[int, ...]
    shifts: int
    shifts_text: str
    total: int
    part: int
    parts: int
    head: Strip | None
    joints: tuple[StartsOf, ...]
    missing: tuple[str, ...]
    key: tuple[KeyLine, ...]
    about: tuple[str, ...]
    cautions: tuple[Caution, ...]


# What is asked for ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HoursAsked:
    """Which joints, and how far ahead.

    Attributes:
        marks: by name; empty: by the other two.
        crew: None: every crew; an empty one: joints without.
        text: part of a mark or place.
        span_h: hours shown.
        shifts: in which the cheapest start is looked for.
        part: of the joints; 0: all of them at once.
    """

    marks: tuple[str, ...] = ()
    crew: str | None = None
    text: str = ""
    span_h: int = SPAN_H
    shifts: int = SHIFTS_AHEAD
    part: int = 1


def asked_joints(plan: Plan, asked: HoursAsked) -> list[JointPlan]:
    """The joints of the plan that are asked for, in its order."""
    if asked.marks:
        wanted = set(asked.marks)
        return [one for one in plan.joints if one.joint.mark in wanted]
    text = asked.text.strip().casefold()
    return [
        one
        for one in plan.joints
        if (asked.crew is None or one.joint.crew == asked.crew)
        and (not text or text in f"{one.joint.mark}\n{one.joint.place}".casefold())
    ]


def part_of_joints(joints: Sequence[JointPlan], part: int) -> tuple[list[JointPlan], int, int]:
    """The joints of one part, which it is, and how many there are; a part beyond the last is the last."""
    parts = max(1, -(-len(joints) // ROWS_A_PART))
    if part == 0:
        return list(joints), 1, 1
    part = min(part, parts)
    return list(joints[(part - 1) * ROWS_A_PART : part * ROWS_A_PART]), part, parts


def hours_needed(span_h: int, shifts: Sequence[ShiftSpan], made_utc: datetime) -> int:
    """Hours that have to be worked out: those that are shown, and those of the shifts."""
    end_utc = max((one.end_utc for one in shifts), default=made_utc)
    return min(HOURS, max(span_h, ceil((end_utc - made_utc) / _HOUR)))


# Words ----------------------------------------------------------------------------------------------------------------

_AGAINST: Final[dict[Against | Bars, str]] = {
    "stop": "under a stop",
    "weather_unknown": "with weather that is not known",
    "unknown": "whose call is unknown",
    "no_time": "with heat for which there is no time",
    "outside": "outside every shift",
    "past_shift": "too late to end in the shift",
    "light_up": "with light-up before anybody is there",
    "pinned": "outside the shift it is pinned to",
    "too_early": "before it may start",
    "too_late": "too late to be finished in time",
    "waits": "before the joints it waits for are over",
    "waited_for": "too late for the joints that wait for it",
}


def shifts_text(shifts: Sequence[ShiftSpan]) -> str:
    """`Thu 17 Dec Day, Thu 17 Dec Night`."""
    return ", ".join(f"{day_text(one.day)} {one.shift.name}" for one in shifts)


def _when(first: datetime, last: datetime, show: Show) -> str:
    """`Thu 10:00`, `Thu 10:00 to 15:00`, `Thu 22:00 to Fri 03:00`."""
    begin, end = show.moment(first), show.moment(last)
    if first == last:
        return begin.text
    same_day = first.astimezone(show.zone).date() == last.astimezone(show.zone).date()
    return f"{begin.text} to {show.moment(last, detail='clock').text if same_day else end.text}"


def _spell(spell: NoHeatSpell, show: Show) -> SpellLine:
    weather = WEATHER[spell.weather_state]
    said = {"go": "", "unknown": ", weather not known for all of it"}.get(spell.weather_state, f", {weather.text}")
    return SpellLine(
        first=show.moment(spell.first_utc, detail="date"),
        last=show.moment(spell.last_utc, detail="date"),
        certain=spell.certain,
        weather=weather,
        text=f"{_when(spell.first_utc, spell.last_utc, show)}{said}",
    )


def _spells_text(row: JointStarts, spells: Sequence[SpellLine], show: Show) -> str:
    if row.no_starts:
        return row.no_starts
    dark = _unknown_text(row.hours, show)
    if all(at.call == "unknown" for at in row.hours):
        return dark
    sure = "; ".join(one.text for one in spells if one.certain)
    likely = "; ".join(one.text for one in spells if not one.certain)
    said = [f"{sure}." if sure else "None that is certain."]
    if likely:
        said.append(f"Perhaps, measure first: {likely}.")
    return " ".join([*said, *([dark] if dark else [])])


def _unknown_text(hours: Sequence[StartHour], show: Show) -> str:
    """Which hours are unknown, and why the first of them is; empty where none is."""
    unknown = [at for at in hours if at.call == "unknown"]
    if not unknown:
        return "" if hours else "No hour is looked at."
    if len(unknown) == len(hours):
        return f"Unknown at every hour. {unknown[0].reason}"
    first = unknown[0]
    if hours[-len(unknown)].start_utc == first.start_utc:  # none of them lies before a known one
        return f"From {show.moment(first.start_utc).text} on unknown. {first.reason}"
    return f"{plural(len(unknown), 'hour')} unknown, the first {show.moment(first.start_utc).text}. {first.reason}"


def _highs(hours: Iterable[StartHour], name: str) -> list[float]:
    found = [getattr(at, name) for at in hours]
    return [one.high for one in found if one is not None]


def _least_to_most(values: Sequence[float]) -> Range | None:
    return Range(min(values), max(values), max(values)) if values and max(values) > 0.0 else None


def _gas_text(hours: Sequence[StartHour], show: Show) -> str:
    """Gas, and current where heaters stand on it, on the cold side."""
    fuel, energy = (_least_to_most(_highs(hours, name)) for name in ("fuel_kg", "energy_kwh"))
    said = [show.mass(fuel).short] if fuel else []
    return ", ".join([*said, *([show.energy(energy).short] if energy else [])])


def _why(at: StartHour, show: Show) -> str:
    return reason_text(at.weather_reason, show.system) if at.weather_reason else ""


def _worst_why(hours: Sequence[StartHour], show: Show) -> str:
    """The rule of some hours that all have the same, with its worst figure."""
    reasons = [at.weather_reason for at in hours if at.weather_reason]
    return reason_text(worst_of(reasons), show.system) if reasons else ""


def _call_text(at: StartHour) -> str:
    """The call, with the middle where the likely steel says otherwise."""
    text = CALLS[at.call].text
    if at.call == "measure" and at.at_middle == "measure":
        return f"{text}, the middle not known either"
    return text if at.at_middle == at.call else f"{text}, at the middle {CALLS[at.at_middle].text}"


def _alike(at: StartHour) -> tuple[object, ...]:
    rule = at.weather_reason.rule if at.weather_reason else None
    return at.call, at.at_middle, at.weather_state, rule, at.status if at.call != "no_heat" else None


def _run(hours: Sequence[StartHour], show: Show) -> Run:
    at, last = hours[0], hours[-1]
    colds = [one.steel.cold_c for one in hours if one.steel]
    likely = [one.steel.likely_c for one in hours if one.steel]
    minutes = _least_to_most(_highs(hours, "minutes"))
    return Run(
        first=show.moment(at.start_utc, detail="date"),
        last=show.moment(last.start_utc, detail="date"),
        count=len(hours),
        when=_when(at.start_utc, last.start_utc, show),
        call=CALLS[at.call],
        text=_call_text(at),
        weather=WEATHER[at.weather_state],
        steel=show.temp_range_text(Range(min(colds), min(likely), max(likely))).split(", likely")[0] if colds else "",
        minutes=show.minutes(minutes).short if minutes else "",
        no_time=NO_TIME[at.status] if at.status is not None else "",
        gas=_gas_text(hours, show),
        why=at.reason if at.call == "unknown" else _worst_why(hours, show),
    )


def runs_of(hours: Sequence[StartHour], show: Show) -> tuple[Run, ...]:
    """Starts in a row that are alike, in time."""
    return tuple(_run(list(run), show) for _, run in groupby(hours, key=_alike))


# The cheapest start ---------------------------------------------------------------------------------------------------


def _cheapest(found: CheapestStart, show: Show, made_utc: datetime) -> CheapestLine:
    best, planned = found.best, found.planned
    if best is None:
        return CheapestLine(None, False, found.reason, "", "", _left_out(found), None, None, None, None, None, None)
    when = show.moment(best.start_utc, detail="date")
    named = f"The planned start, {when.text}, takes the least" if found.is_planned else when.text
    return CheapestLine(
        start=when,
        is_planned=found.is_planned,
        text=f"{named}: {_takes(best, show)}.",
        saved="" if found.is_planned else _saved(found, show, made_utc),
        alike=_ties(found.alike, show),
        left_out=_left_out(found),
        minutes=optional(show.minutes, best.minutes),
        gas=optional(show.mass, best.fuel_kg),
        energy=optional(show.energy, best.energy_kwh),
        fuel_saved_kg=found.fuel_saved_kg,
        energy_saved_kwh=found.energy_saved_kwh,
        torch_minutes_saved=found.torch_minutes_saved if planned.torch_minutes else None,
    )


def _takes(at: StartHour, show: Show) -> str:
    said = [_call_text(at)]
    if at.minutes is not None and at.minutes.high > 0.0:
        said += [show.minutes(at.minutes).short, _gas_text([at], show)]
    if at.light_up_utc is not None:
        said.append(f"light up {show.moment(at.light_up_utc).text}")
    if at.weather_state != "go":
        said.append(f"weather: {WEATHER[at.weather_state].text}")
    return ", ".join(one for one in said if one)


def _saved(found: CheapestStart, show: Show, made_utc: datetime) -> str:
    """What it saves, or takes more, against the planned start, on the cold side."""
    planned = f"the planned start, {show.moment(found.planned.start_utc).text}"
    if found.planned.start_utc < made_utc:
        return f"Not held against {planned}, which is past."
    fuel_kg, energy_kwh, minutes = found.fuel_saved_kg, found.energy_saved_kwh, found.torch_minutes_saved
    if fuel_kg is None or energy_kwh is None or minutes is None:
        return f"What it saves is not known: what {planned}, takes is not known."

    def said(sign: float) -> list[str]:
        fuel, energy, torch = sign * fuel_kg, sign * energy_kwh, round(sign * minutes)
        return [
            *([show.mass(Range(fuel, fuel, fuel)).short] if fuel >= 0.05 else []),
            *([show.energy(Range(energy, energy, energy)).short] if energy >= 0.05 else []),
            *([plural(torch, "torch-minute")] if torch >= 1 else []),
        ]

    less, more = " and ".join(said(1.0)), " and ".join(said(-1.0))
    if less and more:
        return f"On the cold side {less} less and {more} more than {planned}."
    if less:
        return f"On the cold side {less} less than {planned}."
    return f"On the cold side {more} more than {planned}." if more else f"As much as {planned}."


def _ties(alike: Sequence[StartHour], show: Show) -> str:
    if not alike:
        return ""
    spells: list[tuple[datetime, datetime]] = []
    for at in alike:
        if spells and at.start_utc - spells[-1][1] == _HOUR:
            spells[-1] = spells[-1][0], at.start_utc
        else:
            spells.append((at.start_utc, at.start_utc))
    return f"As little: {'; '.join(_when(*spell, show) for spell in spells)}."


def _left_out(found: CheapestStart) -> str:
    if not found.left_out:
        return ""
    said = [f"{count:,} {_AGAINST[why]}" for why, count in found.left_out]
    return f"Hours left out: {'; '.join(said)}."


# Pictures -------------------------------------------------------------------------------------------------------------

FILL_SHARES: Final[dict[Fill, float]] = {
    "none": 0.0,
    "third": 1.0 / 3.0,
    "half": 0.5,
    "two_thirds": 2.0 / 3.0,
    "full": 1.0,
    "double": 1.0,
    "unknown": 0.0,
}
"""Share of its box that is filled, from below."""
_FILL_TEXTS: Final[dict[tuple[HeatCall, Fill], str]] = {
    ("no_heat", "none"): "empty: no heat",
    ("measure", "third"): "a third: measure first, no heat at the middle",
    ("measure", "half"): "half: measure first, the middle not known either",
    ("measure", "two_thirds"): "two thirds: measure first, heat at the middle",
    ("heat_to_minimum", "full"): "full: heat to minimum",
    ("cold_steel_heat", "double"): "full, parted: cold steel, raised heat",
    ("unknown", "unknown"): "dashed: unknown",
}

_LINE_W: Final = 1008.0
"""Of a line of hours, however many: a whole number of units an hour for every span to choose from."""
_HOUR_W: Final = 12.0
_HEAT_H: Final = 16.0
_WEATHER_H: Final = 7.0
_GAP: Final = 2.0
_ROW_H: Final = 36.0
_LEFT: Final = 52.0
_TOP: Final = 20.0
_DAY_NAME_W: Final = 72.0


def fill_of(at: StartHour) -> Fill:
    """How full the box of an hour is."""
    if at.call == "measure":
        return "third" if at.at_middle == "no_heat" else "half" if at.at_middle == "measure" else "two_thirds"
    fills: dict[HeatCall, Fill] = {"no_heat": "none", "heat_to_minimum": "full", "cold_steel_heat": "double"}
    return fills.get(at.call, "unknown")


@dataclass(frozen=True, slots=True)
class _Cell:
    """Where an hour stands: its row, its place in it and its width, in hours."""

    at: StartHour
    row: int
    x_h: float
    width_h: float = 1.0


def line_of(hours: Sequence[StartHour], row: JointStarts, best: StartHour | None, show: Show) -> Strip | None:
    """The hours as one line, a box for those in a row that are alike; `head_of` stands above it."""
    if not hours:
        return None
    cells = [_Cell(at, 0, float(number)) for number, at in enumerate(hours)]
    hour_w = _LINE_W / len(hours)
    return _strip(cells, row, best, show, left=0.0, top=8.0, width=_LINE_W, height=_ROW_H, hour_w=hour_w)


def head_of(hours: Sequence[StartHour], show: Show) -> Strip | None:
    """Days and hours above the lines of `line_of`."""
    if not hours:
        return None
    hour_w = _LINE_W / len(hours)
    every = 3 if len(hours) <= 48 else 6 if len(hours) <= 72 else 12
    local = [at.start_utc.astimezone(show.zone) for at in hours]
    begun = [number for number, one in enumerate(local) if number == 0 or one.hour == 0]
    days = [
        Mark(number * hour_w + 3.0, 11.0, day_text(local[number].date()), strong=True)
        for number, after in zip(begun, [*begun[1:], len(hours)], strict=True)
        if (after - number) * hour_w >= _DAY_NAME_W
    ]
    marks = [
        Mark(number * hour_w, 26.0, f"{one:%H}") for number, one in enumerate(local) if number and one.hour % every == 0
    ]
    return Strip(_LINE_W, 30.0, (), tuple(marks), tuple(days), _midnights(hours, show, hour_w), None, None, "")


def by_day(hours: Sequence[StartHour], row: JointStarts, best: StartHour | None, show: Show) -> Strip | None:
    """The hours a line a day, each in the column of its hour; an hour that comes twice is half a column."""
    if not hours:
        return None
    local = [at.start_utc.astimezone(show.zone) for at in hours]
    days = sorted({one.date() for one in local})
    places = [(days.index(one.date()), one.hour) for one in local]
    cells = []
    for number, (at, place) in enumerate(zip(hours, places, strict=True)):
        if number and places[number - 1] == place:
            cells.append(_Cell(at, place[0], place[1] + 0.5, 0.5))
        elif number + 1 < len(places) and places[number + 1] == place:
            cells.append(_Cell(at, *place, 0.5))
        else:
            cells.append(_Cell(at, *place))
    return _strip(
        cells,
        row,
        best,
        show,
        left=_LEFT,
        top=_TOP + 7.0,
        width=_LEFT + 24 * _HOUR_W + 8.0,
        height=_TOP + len(days) * _ROW_H,
        hours=tuple(Mark(_LEFT + hour * _HOUR_W, 13.0, f"{hour:02}") for hour in range(0, 25, 6)),
        days=tuple(
            Mark(0.0, _TOP + n * _ROW_H + 20.0, f"{WEEKDAYS[day.weekday()]} {day.day}") for n, day in enumerate(days)
        ),
    )


def _midnights(hours: Sequence[StartHour], show: Show, hour_w: float) -> tuple[Mark, ...]:
    return tuple(
        Mark(number * hour_w, 0.0, "")
        for number, at in enumerate(hours)
        if number and at.start_utc.astimezone(show.zone).hour == 0
    )


def _strip(
    cells: Sequence[_Cell],
    row: JointStarts,
    best: StartHour | None,
    show: Show,
    *,
    left: float,
    top: float,
    width: float,
    height: float,
    hour_w: float = _HOUR_W,
    hours: tuple[Mark, ...] = (),
    days: tuple[Mark, ...] = (),
) -> Strip:
    """The drawing of some cells; boxes of like cells that touch are one."""
    boxes = [
        *_boxes(cells, show, left, top, hour_w, _HEAT_H, lambda at: (at.call, fill_of(at)), "heat"),
        *_boxes(
            cells,
            show,
            left,
            top + _HEAT_H + _GAP,
            hour_w,
            _WEATHER_H,
            lambda at: (at.weather_state, at.weather_state),
            "weather",
        ),
    ]

    def place(at_utc: datetime) -> Mark | None:
        for cell in cells:
            share = (at_utc - cell.at.start_utc) / _HOUR
            if 0.0 <= share < 1.0:
                x = left + (cell.x_h + share * cell.width_h) * hour_w
                return Mark(round(x, 1), round(top + cell.row * _ROW_H, 1), show.moment(at_utc).text)
        return None

    planned = place(row.planned.start_utc)
    chosen = None if best is None or best is row.planned else place(best.start_utc)
    if chosen is not None:  # over the middle of its hour, so that it does not cover the planned start of the same
        chosen = Mark(round(chosen.x + hour_w / 2.0, 1), chosen.y, chosen.text)
    uprights = () if hours else _midnights([cell.at for cell in cells], show, hour_w)
    return Strip(width, height, tuple(boxes), hours, days, uprights, planned, chosen, _summary(cells, show))


def _boxes(
    cells: Sequence[_Cell],
    show: Show,
    left: float,
    top: float,
    hour_w: float,
    height: float,
    look: Callable[[StartHour], tuple[str, str]],
    kind: Literal["heat", "weather"],
) -> Iterable[Box]:
    for (line, (code, fill)), run in groupby(cells, key=lambda cell: (cell.row, look(cell.at))):
        of_run = list(run)
        first, last = of_run[0], of_run[-1]
        words = CALLS[first.at.call].text if kind == "heat" else f"weather: {WEATHER[first.at.weather_state].text}"
        yield Box(
            x=round(left + first.x_h * hour_w, 2),
            y=top + line * _ROW_H,
            width=round((last.x_h + last.width_h - first.x_h) * hour_w, 2),
            height=height,
            kind=kind,
            code=code,
            fill=fill,
            ink_share=INK_SHARES[first.at.weather_state] if kind == "weather" else FILL_SHARES[fill_of(first.at)],
            title=f"{_when(first.at.start_utc, last.at.start_utc, show)}: {words}",
        )


def _summary(cells: Sequence[_Cell], show: Show) -> str:
    """Every call and its hours, in words."""
    said = []
    for call, run in groupby((cell.at for cell in cells), key=lambda at: at.call):
        of_run = list(run)
        said.append(f"{_when(of_run[0].start_utc, of_run[-1].start_utc, show)} {CALLS[call].text}")
    return "; ".join(said) + "."


def key_of(strips: Iterable[Strip | None]) -> tuple[KeyLine, ...]:
    """What the boxes of some strips mean, each kind that stands in one of them once."""
    boxes = {(box.kind, box.code, box.fill): box for strip in strips if strip is not None for box in strip.boxes}
    lines = [
        KeyLine("heat", call, fill, FILL_SHARES[fill], text)
        for (call, fill), text in _FILL_TEXTS.items()
        if ("heat", call, fill) in boxes
    ]
    return (
        *lines,
        *(
            KeyLine("weather", code, code, INK_SHARES[code], f"weather: {WEATHER[code].text}")
            for code in WEATHER
            if ("weather", code, code) in boxes
        ),
    )


# Joints ---------------------------------------------------------------------------------------------------------------


def starts_of(
    row: JointStarts,
    shifts: Sequence[ShiftSpan],
    show: Show,
    made_utc: datetime,
    *,
    span_h: int,
    figures: bool = True,
) -> StartsOf:
    """One joint at other starts.

    Args:
        row: all its hours.
        shifts: in which the cheapest start is looked for.
        show: units and zone.
        made_utc: when the plan was made.
        span_h: hours that are shown; the cheapest start may lie beyond.
        figures: whether every hour is given as figures.
    """
    hours = row.hours[:span_h]
    found = cheapest_start(row, shifts, made_utc)
    shown = JointStarts(row.joint, row.planned, hours, row.no_starts)
    spells = tuple(_spell(spell, show) for spell in next_without_heat(shown))
    return StartsOf(
        mark=row.joint.mark,
        place=row.joint.place,
        crew=row.joint.crew,
        start=show.moment(row.joint.start_utc, detail="date"),
        call=CALLS[row.planned.call],
        weather=WEATHER[row.planned.weather_state],
        no_starts=row.no_starts,
        spells=spells,
        spells_text=_spells_text(shown, spells, show),
        cheapest=_cheapest(found, show, made_utc),
        runs=runs_of(hours, show),
        hours=tuple(_figures(at, show, made_utc) for at in hours) if figures else (),
        line=line_of(hours, row, found.best, show),
        by_day=by_day(hours, row, found.best, show),
    )


def _figures(at: StartHour, show: Show, made_utc: datetime) -> HourFigures:
    def high(of: Range | None) -> float | None:
        return None if of is None else of.high

    def likely(of: Range | None) -> float | None:
        return None if of is None else of.likely

    return HourFigures(
        start=show.moment(at.start_utc, detail="date"),
        call=at.call,
        at_middle=at.at_middle,
        reason=at.reason,
        minimum_c=at.minimum_c,
        steel_cold_c=at.steel.cold_c if at.steel else None,
        steel_likely_c=at.steel.likely_c if at.steel else None,
        minutes_likely=likely(at.minutes),
        minutes_high=high(at.minutes),
        torch_minutes_high=high(at.torch_minutes),
        fuel_kg_likely=likely(at.fuel_kg),
        fuel_kg_high=high(at.fuel_kg),
        oxygen_m3_high=high(at.oxygen_m3),
        energy_kwh_high=high(at.energy_kwh),
        heat_status=at.status,
        weather=at.weather_state,
        weather_why=_why(at, show),
        light_up=optional(show.moment, at.light_up_utc),
        before_shift=at.earliest_arc_utc is not None or (at.light_up_utc is not None and at.light_up_utc < made_utc),
        shift=at.shift_key,
        ends_in_shift=at.ends_in_shift,
    )


def joint_hours(row: JointStarts, shifts: Sequence[ShiftSpan], plan: Plan, show: Show) -> JointHours:
    """One joint at every hour, for its own page."""
    starts = starts_of(row, shifts, show, plan.made_utc, span_h=len(row.hours), figures=False)
    return JointHours(
        starts=starts,
        shifts_text=shifts_text(shifts),
        span_h=len(row.hours),
        key=key_of([starts.by_day]),
        about=(WHAT_IT_IS, HOW_CHEAPEST),
    )


def hours_page(
    rows: Sequence[JointStarts],
    shifts: Sequence[ShiftSpan],
    plan: Plan,
    asked: HoursAsked,
    show: Show,
    now: datetime,
    *,
    total: int,
    part: int,
    parts: int,
    figures: bool = True,
) -> HoursPage:
    """Many joints at other starts, `missing` left out.

    Args:
        rows: of the part that is shown, in its order.
        shifts: in which the cheapest start is looked for.
        plan: the latest.
        asked: what was asked for.
        show: units and zone.
        now: aware UTC.
        total: joints that pass.
        part: that is shown, of `parts`.
        parts: see above.
        figures: whether every hour is given as figures.
    """
    span_h = asked.span_h
    joints = tuple(starts_of(row, shifts, show, plan.made_utc, span_h=span_h, figures=figures) for row in rows)
    with_hours = next((row.hours[:span_h] for row in rows if row.hours), ())
    return HoursPage(
        header=header(plan, show, now),
        title=_title(asked),
        crew=asked.crew,
        text=asked.text,
        crews=tuple(sorted({one.joint.crew for one in plan.joints})),
        marks=asked.marks,
        span_h=span_h,
        spans_h=SPANS_H,
        shifts=asked.shifts,
        shifts_text=shifts_text(shifts),
        total=total,
        part=part,
        parts=parts,
        head=head_of(with_hours, show),
        joints=joints,
        missing=(),
        key=key_of(one.line for one in joints),
        about=(WHAT_IT_IS, HOW_CHEAPEST),
        cautions=CAUTIONS,
    )


def _title(asked: HoursAsked) -> str:
    if asked.marks:
        return asked.marks[0] if len(asked.marks) == 1 else plural(len(asked.marks), "joint")
    crew = "" if asked.crew is None else f"crew {asked.crew}" if asked.crew else "joints without a crew"
    text = asked.text.strip()
    return ", ".join(one for one in (crew, f"“{text}”" if text else "") if one) or "all joints"
