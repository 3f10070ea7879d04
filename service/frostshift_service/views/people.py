"""How cold a shift is for its crew, in words: short, no colours, and never "normal" where the schedule says nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from frostshift_rules.people import PeopleCold, WarmUp, WarmUpState, people_table
from frostshift_service.views.show import Moment, Show, Temp, optional

PEOPLE_NOTE: Final = (
    "People: wind chill after the US National Weather Service (2001); work periods after the ACGIH warm-up schedule "
    "adapted from Saskatchewan (second hand), printed for dry clothing and a sunny sky, read one row colder because "
    "welders hardly move. Both are for the cold side of the outdoor air, for a crew in a shelter too, and for the wind "
    "forecast at 10 m: high in the steel it blows harder. Wind chill is for people, never for steel."
)


@dataclass(frozen=True, slots=True)
class PeopleLine:
    """How cold one shift is for its crew.

    Attributes:
        state: what the warm-up schedule says: `schedule`, `normal_breaks`, `stop`, `outside` or `unknown`.
        wind_chill: lowest of the shift, air temperature where `wind_chill_valid` is False; None: unknown.
        wind_chill_at: its hour.
        frostbite_minutes: bare skin can freeze within so many minutes; None: not said.
        work_minutes: longest work period; None where the schedule gives none.
        breaks: in a four-hour shift, each in a warm place; None likewise.
        schedule_at: hour of the worst answer of the schedule.
        text: all of it, ready for people; empty in warm weather.
    """

    state: WarmUpState
    wind_chill: Temp | None
    wind_chill_at: Moment | None
    wind_chill_valid: bool
    frostbite_minutes: int | None
    work_minutes: int | None
    breaks: int | None
    schedule_at: Moment | None
    text: str


def people_line(people: PeopleCold | None, show: Show) -> PeopleLine | None:
    """The view of one shift; None where nothing was worked out for it."""
    if people is None:
        return None
    chill = optional(show.temp, people.wind_chill_c, "down")
    at = optional(show.moment, people.wind_chill_at_utc)
    schedule_at = optional(show.moment, people.warm_up_at_utc)
    said = [_chill_text(people, chill, at), _schedule_text(people.warm_up, schedule_at, show)]
    return PeopleLine(
        state=people.warm_up.state,
        wind_chill=chill,
        wind_chill_at=at,
        wind_chill_valid=people.wind_chill_valid,
        frostbite_minutes=people.frostbite_minutes,
        work_minutes=people.warm_up.work_minutes,
        breaks=people.warm_up.breaks,
        schedule_at=schedule_at,
        text="" if _warm(people) else " ".join(text for text in said if text),
    )


def _warm(people: PeopleCold) -> bool:
    """Whether the whole shift lies above the air temperatures that wind chill is defined for."""
    return people.wind_chill_c is not None and people.wind_chill_c > people_table().air_to_c


def _chill_text(people: PeopleCold, chill: Temp | None, at: Moment | None) -> str:
    parts = []
    if chill is not None and at is not None:
        what = "Wind chill" if people.wind_chill_valid else "Air, in too little wind for a wind chill,"
        parts.append(f"{what} down to {chill.text} at {at.text}")
    if people.frostbite_minutes is not None:
        bite = f"bare skin can freeze within {people.frostbite_minutes} min"
        parts.append(bite if parts else f"In some hours {bite}")
    return f"{'; '.join(parts)}." if parts else ""


def _schedule_text(answer: WarmUp, at: Moment | None, show: Show) -> str:
    schedule = people_table().schedule
    hours = f"in a {schedule.shift_hours} h shift"
    if answer.state == "unknown" or at is None:
        return "Warm-up breaks unknown: air or wind is missing in an hour of the shift. Measure there."
    if answer.state == "stop":
        return f"Non-emergency work stops by the warm-up schedule (first at {at.text}: {_where(answer, show)})."
    if answer.state == "schedule":
        return (
            f"At most {answer.work_minutes} min of work at a time, then {schedule.break_minutes} min in a warm place, "
            f"{answer.breaks} breaks {hours} (worst at {at.text}: {_where(answer, show)})."
        )
    if answer.state == "normal_breaks":
        return f"Normal breaks by the warm-up schedule, {answer.breaks} {hours} (at {at.text}: {_where(answer, show)})."
    if answer.outside == "windier":
        return (
            f"Wind is stronger than the warm-up schedule covers (up to {_wind(schedule.wind_mph[-1], show)}) at "
            f"{at.text}: it gives no work period. Plan your own."
        )
    covers = f"{_edge(0, show)} and colder"
    return f"Air is warmer than the warm-up schedule covers ({covers}): it gives no breaks. Plan your own."


def _edge(row: int, show: Show) -> str:
    first = people_table().schedule.rows[row]
    return f"{first.from_c:g} °C" if show.system == "si" else f"{first.from_f:g} °F"


def _wind(mph: float, show: Show) -> str:
    schedule = people_table().schedule
    return f"{schedule.wind_kmh[schedule.wind_mph.index(mph)]:g} km/h" if show.system == "si" else f"{mph:g} mph"


def _where(answer: WarmUp, show: Show) -> str:
    """The row and column read, so that anybody can look it up."""
    if answer.row is None or answer.wind_mph is None:
        return "outside"
    wind = f"{_wind(answer.wind_mph, show)} column" if answer.wind_mph else "column of no noticeable wind"
    return f"row from {_edge(answer.row - 1, show)}, {wind}"
