"""A notice in words: the first line says what to do and by when, the rest why, in the reader's units and clock.

Plain text and HTML say the same. What people typed, such as the mark of a joint, is one line and escaped here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from frostshift_rules.notice_events import Event, JointNow, Notice
from frostshift_rules.notice_setup import Kind, Units
from frostshift_rules.workload import HeatCall
from frostshift_service.store.records import Words
from frostshift_service.views.forecast import forecast_age
from frostshift_service.views.show import Show, day_text, plural
from frostshift_service.views.words import CALLS, WEATHER

MOST_JOINTS: Final = 6
"""So many joints are named; of more the sheet tells."""
MOST_LINE: Final = 160
"""A first line is cut here: a telephone shows no more."""
CAUTION: Final = "Predicted, not measured: measure the steel before you strike. The welding procedure decides."
_NO_STEEL: Final[frozenset[Kind]] = frozenset({"gas", "address"})
"""Notices that are about no steel, and rest on no single forecast."""
_HEAT: Final[frozenset[HeatCall]] = frozenset({"heat_to_minimum", "cold_steel_heat"})


@dataclass(frozen=True, slots=True)
class Envelope:
    """What is around a notice.

    Attributes:
        site_name: of its site.
        zone: IANA time zone of the site.
        number: of the notice.
        sheet_link: address of the sheet; empty: the pages' address is not known.
        answer_link: address where the reader says that it was seen; empty: there is nothing to answer.
        kinds: names of cylinders, by kind.
        turn: 0 told first, 1 sent again, 2 passed on.
    """

    site_name: str
    zone: str
    number: int
    sheet_link: str = ""
    answer_link: str = ""
    kinds: Mapping[str, str] = field(default_factory=dict)
    turn: int = 0


def notice_words(notice: Notice, units: Units, around: Envelope, now: datetime) -> Words:
    """A notice in words.

    Args:
        notice: what to say; only what its reader hears of.
        units: the reader's.
        around: site, number and links.
        now: aware; the forecast's age is said as of now.
    """
    show = Show(units, ZoneInfo(around.zone))
    first_line = _one_line(f"{_TURN[around.turn]}{_headline(notice.events[0], notice, show, around)}", MOST_LINE)
    more = [_headline(event, notice, show, around) for event in notice.events[1:]]
    rows = [_joint_row(joint, show) for joint in _joints(notice)[:MOST_JOINTS]]
    left = len(_joints(notice)) - len(rows)
    alerts = list(dict.fromkeys(alert for event in notice.events for alert in event.alerts))
    where = _where(notice, around)
    foot = [_forecast(notice, now), CAUTION] if any(one.kind not in _NO_STEEL for one in notice.events) else []
    blocks: list[Sequence[str]] = [
        [first_line, where],
        more,
        [*rows, *([f"and {plural(left, 'joint')} more"] if left > 0 else [])],
        [f"Weather service: {alert}" for alert in alerts],
        foot,
        [
            *([f"Seen? {around.answer_link}"] if around.answer_link else []),
            *([f"Sheet: {around.sheet_link}"] if around.sheet_link else []),
            f"Notice {around.number}",
        ],
    ]
    told = [[_one_line(line) for line in block] for block in blocks if block]
    text = "\n\n".join("\n".join(block) for block in told) + "\n"
    return Words(first_line, text, _html(first_line, where, more, rows, left, alerts, foot, around))


_TURN: Final = {0: "", 1: "Again: ", 2: "Passed on to you: "}


def _where(notice: Notice, around: Envelope) -> str:
    parts = [around.site_name]
    if notice.shift_day is not None:
        parts.append(f"{notice.shift_name} shift {day_text(notice.shift_day)}")
    if notice.crew:
        parts.append(f"crew {notice.crew}")
    return ", ".join(parts)


def _forecast(notice: Notice, now: datetime) -> str:
    age = forecast_age(notice.issued_utc, notice.issued_utc, notice.freshness, now)
    if not age.text:
        return f"Forecast: {age.state_text}."
    return f"Forecast {age.text}, {age.state_text}."


def _joints(notice: Notice) -> list[JointNow]:
    """Each joint once, by light-up or start."""
    by_mark = {joint.mark: joint for event in reversed(notice.events) for joint in event.joints}
    return sorted(by_mark.values(), key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.mark))


# Headlines ------------------------------------------------------------------------------------------------------------


def _headline(event: Event, notice: Notice, show: Show, around: Envelope) -> str:
    if event.kind == "shift":
        return _shift(event, notice, show)
    if event.kind == "cylinders":
        return _cylinders(event, notice, show)
    if event.kind == "gas":
        return _gas(event, around)
    return _OF_EVENT[event.kind](event, show)


def _light_first(joints: Sequence[JointNow], show: Show) -> str:
    """`Light up BP-A1 by Tue 04:55: `; empty where none has a light-up."""
    lit = [joint for joint in joints if joint.light_up_utc is not None and joint.call in _HEAT]
    if not lit:
        return ""
    first = min(lit, key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.mark))
    return f"Light up {first.mark} by {_at(first.light_up_utc, show)}: "


def _shift(event: Event, notice: Notice, show: Show) -> str:
    heat = [joint for joint in event.joints if joint.call in _HEAT]
    unsure = [joint for joint in event.joints if joint.call in ("measure", "unknown")]
    stopped = [joint for joint in event.joints if joint.weather_state == "stop"]
    day = f" {day_text(notice.shift_day)}" if notice.shift_day is not None else ""
    said = [
        f"{notice.shift_name or 'next'} shift{day}",
        f"{len(heat)} of {plural(len(event.joints), 'joint')} to heat" if heat else "no joint to heat",
        f"measure {len(unsure)} first" if unsure else "",
        f"{len(stopped)} under a weather stop" if stopped else "",
    ]
    return _sentence(f"{_light_first(event.joints, show)}{', '.join(text for text in said if text)}.")


def _front(event: Event, show: Show) -> str:
    assert event.front is not None
    front = event.front
    fall = (
        f"cold front, {show.temp_text(front.from_c)} at {_at(front.begin_utc, show)} to "
        f"{show.temp_text(front.to_c, 'down')} at {_at(front.end_utc, show)}"
    )
    more = f"{plural(len(event.joints), 'joint needs', 'joints need')} more for it"
    return _sentence(f"{_light_first(event.joints, show)}{fall}; {more}.")


def _harder(event: Event, show: Show) -> str:
    joints = event.joints
    if len(joints) > 1:
        return _sentence(f"{_light_first(joints, show)}{len(joints)} joints need more than told.")
    (joint,) = joints
    was = f" (told: {CALLS[joint.was_call].text})" if joint.was_call not in (None, joint.call) else ""
    if joint.call in _HEAT and joint.light_up_utc is not None:
        return f"{_light_first(joints, show)}{_call(joint, show)}{was}."
    if joint.call in ("measure", "unknown"):
        return f"Measure {joint.mark} before its start {_at(joint.start_utc, show)}: {_call(joint, show)}{was}."
    if joint.weather_state != joint.was_state and joint.call == joint.was_call:
        return f"{joint.mark}, start {_at(joint.start_utc, show)}: {WEATHER[joint.weather_state].text}."
    return f"{joint.mark}, start {_at(joint.start_utc, show)}: {_call(joint, show)}{was}."


def _easier(event: Event, show: Show) -> str:
    if len(event.joints) > 1:
        return f"{_marks(event.joints)} need less than told."
    (joint,) = event.joints
    changed = _call(joint, show) if joint.call != joint.was_call else WEATHER[joint.weather_state].text
    return f"{joint.mark} needs less than told: {changed}."


def _stop(event: Event, show: Show) -> str:
    starts = [joint.stop_from_utc for joint in event.joints if joint.stop_from_utc is not None]
    ends = [joint.stop_until_utc for joint in event.joints if joint.stop_until_utc is not None]
    span = f" {_at(min(starts), show)} to {_at(max(ends), show)}" if starts and ends else ""
    return f"Do not weld {_marks(event.joints)}{span}: the weather forbids it."


def _stop_over(event: Event, _show: Show) -> str:
    return f"The weather stop is over for {_marks(event.joints)}."


def _light_up(event: Event, show: Show) -> str:
    first = min(event.joints, key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.mark))
    if first.light_up_utc is None:
        return f"{_marks(event.joints)}: no light-up any more."
    was = f", told {_at(first.was_light_up_utc, show)}" if first.was_light_up_utc is not None else ""
    others = f"; {plural(len(event.joints) - 1, 'light-up')} more moved" if len(event.joints) > 1 else ""
    return f"Light up {first.mark} by {_at(first.light_up_utc, show)}{was}{others}."


def _gas(event: Event, around: Envelope) -> str:
    assert event.gas is not None
    gas = event.gas
    name = around.kinds.get(gas.kind, gas.kind)
    out = f"at most use it runs out on {day_text(gas.runs_out)}"
    if gas.count == 0:
        return f"{name}: {out}, and no order helps: see the page Gas."
    comes = f", they come {day_text(gas.delivery)}" if gas.delivery is not None else ""
    by = f"by {day_text(gas.order_by)}" if gas.order_by is not None else "today"
    return f"Order {gas.count} × {name} {by}{comes}: {out}."


def _cylinders(event: Event, notice: Notice, show: Show) -> str:
    assert event.starving is not None
    starving = event.starving
    shift = f" in the {notice.shift_name} shift" if notice.shift_name else ""
    cold = f" at {show.temp_text(starving.coldest_c, 'down')}" if starving.coldest_c is not None else ""
    if starving.together is None:
        return f"{starving.cylinder} will not give enough gas{shift}{cold}: another way of heating."
    return f"Put {starving.together} × {starving.cylinder} on one line{shift}, full at the start{cold}."


def _forecast_event(event: Event, _show: Show) -> str:
    assert event.forecast is not None
    return {
        "fresh": "The forecast is fresh again.",
        "late": "The forecast is late: expect colder than the sheet says, and measure.",
        "unusable": "The forecast is too old to use: every joint is unknown. Measure.",
        "none": "There is no forecast: every joint is unknown. Measure.",
    }[event.forecast.freshness]


def _reading(event: Event, show: Show) -> str:
    assert event.reading is not None
    low = event.reading
    return (
        f"Heat {low.mark} before you weld on: {show.tenths_text(low.steel_c)} read at {_at(low.at_utc, show)}, minimum "
        f"{show.temp_text(low.minimum_c, 'up')}."
    )


def _address(event: Event, _show: Show) -> str:
    assert event.address is not None
    off = event.address
    return f"Tell {off.person} another way: nothing is sent to {off.address} any more ({off.reason})."


_OF_EVENT: Final[dict[Kind, Callable[[Event, Show], str]]] = {
    "front": _front,
    "harder": _harder,
    "easier": _easier,
    "stop": _stop,
    "stop_over": _stop_over,
    "light_up": _light_up,
    "forecast": _forecast_event,
    "reading": _reading,
    "address": _address,
}


# Joints ---------------------------------------------------------------------------------------------------------------


def _joint_row(joint: JointNow, show: Show) -> str:
    """`04:55 light up BP-A1 (column A1): heat to minimum 225 °F, 10-50 min; arc 07:30; dry first`."""
    place = f" ({joint.place})" if joint.place else ""
    heat = joint.call in _HEAT and joint.light_up_utc is not None
    lead = f"{_at(joint.light_up_utc, show)} light up " if heat else ""
    said = [f"{lead}{joint.mark}{place}: {_call(joint, show)}"]
    if heat and joint.minutes is not None:
        said[0] += f", {show.minutes(joint.minutes).short}"
    if joint.call == "measure" and joint.light_up_utc is not None:
        said[0] += f", before {_at(joint.light_up_utc, show)}: then there is time to heat it"
    said.append(f"arc {_at(joint.start_utc, show)}")
    if joint.weather_state != "go":
        said.append(f"weather: {WEATHER[joint.weather_state].text}")
    return "; ".join(said)


def _call(joint: JointNow, show: Show) -> str:
    text = CALLS[joint.call].text
    if joint.call in _HEAT and joint.minimum_c is not None:
        return f"{text} {show.temp_text(joint.minimum_c, 'up')}"
    return text


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _marks(joints: Sequence[JointNow]) -> str:
    """`BP-A1, SF-01 and 4 more`."""
    named = ", ".join(joint.mark for joint in joints[:3])
    return named if len(joints) <= 3 else f"{named} and {len(joints) - 3} more"


def _at(at_utc: datetime | None, show: Show) -> str:
    return "" if at_utc is None else show.moment(at_utc).text


# Lines ----------------------------------------------------------------------------------------------------------------


def _one_line(text: str, most: int | None = None) -> str:
    """A text without line ends and control characters, cut where it is too long."""
    plain = "".join(_printable(text)).strip()
    return plain if most is None or len(plain) <= most else f"{plain[: most - 1].rstrip()}…"


def _printable(text: str) -> Iterator[str]:
    for char in text:
        yield char if char.isprintable() else " "


def _html(
    first_line: str,
    where: str,
    more: Sequence[str],
    rows: Sequence[str],
    left: int,
    alerts: Sequence[str],
    foot: Sequence[str],
    around: Envelope,
) -> str:
    parts = [Markup("<p><strong>{}</strong></p>").format(first_line), Markup("<p>{}</p>").format(where)]
    parts += [Markup("<p>{}</p>").format(line) for line in more]
    if rows:
        items = [*rows, *([f"and {plural(left, 'joint')} more"] if left > 0 else [])]
        parts.append(Markup("<ul>{}</ul>").format(Markup("").join(Markup("<li>{}</li>").format(row) for row in items)))
    parts += [Markup("<p>Weather service: {}</p>").format(alert) for alert in alerts]
    parts += [Markup("<p>{}</p>").format(line) for line in foot]
    links = [(around.answer_link, "I have seen this"), (around.sheet_link, "Sheet")]
    linked = [Markup('<a href="{}">{}</a>').format(link, text) for link, text in links if link]
    parts.append(Markup("<p>{}</p>").format(Markup(" · ").join([*linked, escape(f"Notice {around.number}")])))
    body = Markup("\n").join(parts)
    return str(
        Markup(
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{}</title></head>\n<body>\n{}\n'
            "</body></html>\n"
        ).format(first_line, body)
    )
