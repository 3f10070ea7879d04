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
from frostshift_rules.sentences import capital
from frostshift_rules.workload import HeatCall
from frostshift_service.store.records import Words
from frostshift_service.views.forecast import forecast_age
from frostshift_service.views.show import Show, day_text, plural
from frostshift_service.views.words import CALLS, WEATHER

MOST_JOINTS: Final = 6
"""So many joints are named; of more the sheet tells."""
MOST_LINE: Final = 160
"""A first line is cut here: a phone shows no more."""
MOST_REASON: Final = 120
"""A longer reason stands on the sheet alone."""
CAUTION: Final = "Predicted, not measured: measure the steel before you strike. The welding procedure decides."
_NO_STEEL: Final[frozenset[Kind]] = frozenset({"gas", "address"})
"""Notices that are about no steel, and rest on no single forecast."""
_SEVERAL: Final = "all|"
"""So begins the key of a notice that is several in one (`notice_together`), and is of no one shift."""
HEAT: Final[frozenset[HeatCall]] = frozenset({"heat_to_minimum", "cold_steel_heat"})
"""Calls that ask for heat."""


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
        now: aware; the forecast's age is said as of now, and what should be burning by now.
    """
    reader = _Reader(Show(units, ZoneInfo(around.zone)), now, notice.decided_utc)
    first_line = _one_line(f"{_TURN[around.turn]}{_first(notice, reader, around)}", MOST_LINE)
    more = [_headline(event, notice, reader, around) for event in notice.events[1:]]
    rows = [_joint_row(joint, reader) for joint in _joints(notice)[:MOST_JOINTS]]
    left = len(_joints(notice)) - len(rows)
    alerts = list(dict.fromkeys(alert for event in notice.events for alert in event.alerts))
    where = _where(notice, around)
    foot = [f"As of {reader.at(notice.decided_utc)}."]
    if any(one.kind not in _NO_STEEL for one in notice.events):
        foot += [_forecast(notice, now), CAUTION]
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
    """Each joint to see to once, by light-up or start; none that is another crew's now."""
    events = [event for event in notice.events if event.kind != "other_crew"]
    by_mark = {joint.mark: joint for event in reversed(events) for joint in event.joints}
    return sorted(by_mark.values(), key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.mark))


# Headlines ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Reader:
    """Units and clock that a notice is said in, and when it is said and was decided."""

    show: Show
    now: datetime
    decided_utc: datetime

    def at(self, at_utc: datetime | None) -> str:
        return "" if at_utc is None else self.show.moment(at_utc).text

    def span(self, from_utc: datetime | None, until_utc: datetime | None) -> str:
        """`Mon 11:00 to 12:30`; empty where the hours are not known."""
        if from_utc is None or until_utc is None:
            return ""
        days = {at_utc.astimezone(self.show.zone).date() for at_utc in (from_utc, until_utc)}
        until = self.show.moment(until_utc, detail="clock" if len(days) == 1 else "weekday", toward="up").text
        return f"{self.at(from_utc)} to {until}"

    def stops(self, joint: JointNow) -> str:
        """All hours in which a joint may not be welded: `Mon 11:00 to 12:30 and Mon 14:00 to 15:00`."""
        spells = joint.stops or ((joint.stop_from_utc, joint.stop_until_utc),)
        return " and ".join(text for text in (self.span(*one) for one in spells) if text)

    def is_late(self, joint: JointNow) -> bool:
        """Whether it should be burning already."""
        return joint.light_up_utc is not None and self.is_past(joint.light_up_utc, joint.start_utc)

    def is_past(self, at_utc: datetime, start_utc: datetime) -> bool:
        """Whether a time has gone by; read after the start, a notice says what it said when it was decided."""
        now = self.now if self.now < start_utc else self.decided_utc
        return at_utc < now.replace(second=0, microsecond=0)

    def is_begun(self, joint: JointNow) -> bool:
        """Whether its planned start had passed when the notice was decided."""
        return joint.start_utc <= self.decided_utc


_LEAD_WITH_JOINTS: Final[frozenset[Kind]] = frozenset({"shift", "front", "harder", "light_up"})
"""Headlines of these begin with the joint to see to first."""


def _first(notice: Notice, reader: _Reader, around: Envelope) -> str:
    """The first event's headline; before it the light-up of another event where that comes earlier."""
    event = notice.events[0]
    headline = _headline(event, notice, reader, around)
    lit = _timed(_joints(notice))
    if event.kind not in _LEAD_WITH_JOINTS or not lit:
        return headline
    own = _timed(event.joints) or ([] if _untimed(event.joints) else _unsure(event.joints))
    own_utc = min((joint.light_up_utc or joint.start_utc for joint in own), default=None)
    first_utc = lit[0].light_up_utc
    if first_utc is None or (own_utc is not None and own_utc <= first_utc):
        return headline
    return f"{_light(lit[0], reader)}; {headline[:1].lower()}{headline[1:]}"


def _headline(event: Event, notice: Notice, reader: _Reader, around: Envelope) -> str:
    if event.kind == "shift":
        return _shift(event, notice, reader)
    if event.kind == "cylinders":
        return _cylinders(event, notice, reader)
    if event.kind == "gas":
        return _gas(event, around)
    return _OF_EVENT[event.kind](event, reader)


def _timed(joints: Sequence[JointNow]) -> list[JointNow]:
    """Those to be heated whose light-up is known, by light-up."""
    lit = [joint for joint in joints if joint.call in HEAT and joint.light_up_utc is not None]
    return sorted(lit, key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.start_utc, joint.mark))


def _untimed(joints: Sequence[JointNow]) -> list[JointNow]:
    """Those to be heated of which no time can be given."""
    return [joint for joint in joints if joint.call in HEAT and joint.light_up_utc is None]


def _unsure(joints: Sequence[JointNow]) -> list[JointNow]:
    return [joint for joint in joints if joint.call in ("measure", "unknown")]


def _light(joint: JointNow, reader: _Reader) -> str:
    """`Light up BP-A1 by Tue 04:55`, or that it is late."""
    if not reader.is_late(joint):
        return f"Light up {joint.mark} by {reader.at(joint.light_up_utc)}"
    if reader.is_begun(joint):
        return f"Heat {joint.mark} before you weld, it should burn since {reader.at(joint.light_up_utc)}"
    return f"Light up {joint.mark} now, it should burn since {reader.at(joint.light_up_utc)}"


def _measure(joints: Sequence[JointNow], reader: _Reader) -> str:
    """`Measure A, B and 1 more before Tue 07:30`: while there is time to heat the first of them."""
    first = min(joints, key=lambda joint: joint.light_up_utc or joint.start_utc)
    before_utc = first.light_up_utc or first.start_utc
    when = "now" if reader.is_past(before_utc, first.start_utc) else f"before {reader.at(before_utc)}"
    return f"Measure {_marks(joints)} {when}"


def _lead(joints: Sequence[JointNow], reader: _Reader) -> str:
    """What is to be done first, as `Light up BP-A1 by Tue 04:55: `; empty where nothing is."""
    if lit := _timed(joints):
        return f"{_light(lit[0], reader)}: "
    if untimed := _untimed(joints):
        return f"See the sheet for {_marks(untimed)} before you heat: "
    if unsure := _unsure(joints):
        return f"{_measure(unsure, reader)}: "
    return ""


def _besides(joints: Sequence[JointNow]) -> list[str]:
    """What a count of joints to heat leaves out."""
    untimed, unsure = len(_untimed(joints)), len(_unsure(joints))
    return [
        *([f"{untimed} without a time"] if untimed else []),
        *([f"{unsure} to measure first"] if unsure else []),
    ]


def _shift(event: Event, notice: Notice, reader: _Reader) -> str:
    joints = event.joints
    lead = _lead(joints, reader)
    heat = [joint for joint in joints if joint.call in HEAT]
    stopped = [joint for joint in joints if joint.weather_state == "stop"]
    of_all = plural(len(joints), "joint")
    said = [f"{len(heat)} of {of_all} to heat"] if heat else []
    said += _besides(joints)
    if not heat:
        said[:1] = [f"{said[0].partition(' ')[0]} of {of_all} to measure first"] if said else ["no joint to heat"]
    said += [f"{len(stopped)} under a weather stop"] if stopped else []
    if notice.shift_name or notice.shift_day is not None:
        day = f" {day_text(notice.shift_day)}" if notice.shift_day is not None else ""
        shift = f"{notice.shift_name} shift{day}, "
    elif notice.key.startswith(_SEVERAL):
        shift = "next shifts, "
    else:
        shift = "outside every shift, " if lead else "outside every shift: "
    return capital(f"{lead}{shift}{', '.join(said)}.")


def _front(event: Event, reader: _Reader) -> str:
    assert event.front is not None
    front, show = event.front, reader.show
    fall = (
        f"cold front, {show.temp_text(front.from_c)} at {reader.at(front.begin_utc)} to "
        f"{show.temp_text(front.to_c, 'down')} at {reader.at(front.end_utc)}"
    )
    more = ", ".join(
        [f"{plural(len(event.joints), 'joint needs', 'joints need')} more for it", *_besides(event.joints)]
    )
    return capital(f"{_lead(event.joints, reader)}{fall}; {more}.")


def _harder(event: Event, reader: _Reader) -> str:
    joints = event.joints
    if len(joints) > 1:
        return _several_harder(joints, reader)
    (joint,) = joints
    was = _was(joint, reader)
    start = f"start {reader.at(joint.start_utc)}"
    if joint.call in HEAT:
        no_time = "" if joint.light_up_utc is not None else f", no time can be given; {start}"
        return f"{_lead(joints, reader)}{_call(joint, reader.show)}{was}{no_time}."
    if joint.call in ("measure", "unknown"):
        return f"{_measure(joints, reader)}: {_call(joint, reader.show)}{was}; {start}."
    if joint.weather_state != joint.was_state and joint.call == joint.was_call:
        return f"{joint.mark}, {start}: {WEATHER[joint.weather_state].text}."
    return f"{joint.mark}, {start}: {_call(joint, reader.show)}{was}."


def _was(joint: JointNow, reader: _Reader) -> str:
    """What was told of it, where it was something else."""
    if joint.was_call not in (None, joint.call):
        return f" (told: {CALLS[joint.was_call].text})"
    if joint.was_minimum_c is None or joint.minimum_c is None or abs(joint.minimum_c - joint.was_minimum_c) < 1.0:
        return ""
    return f" (told: {reader.show.temp_text(joint.was_minimum_c, 'up')})"


def _several_harder(joints: Sequence[JointNow], reader: _Reader) -> str:
    lead = _lead(joints, reader)
    if len(_unsure(joints)) == len(joints):
        told = {joint.was_call for joint in joints}
        was = next((f" (told: {CALLS[call].text})" for call in told if call is not None), "") if len(told) == 1 else ""
        return f"{lead}nobody can say whether they need heat{was}."
    if all(joint.was_call is not None for joint in joints):
        need = "more than told"
    elif all(joint.call in HEAT for joint in joints):
        need = "heat"
    else:
        need = "more care"
    return f"{lead}{', '.join([f'{len(joints)} joints need {need}', *_besides(joints)])}."


def _easier(event: Event, reader: _Reader) -> str:
    if len(event.joints) > 1:
        return f"{_marks(event.joints)} need less than told."
    (joint,) = event.joints
    was = _was(joint, reader)
    changed = f"{_call(joint, reader.show)}{was}" if was else WEATHER[joint.weather_state].text
    return f"{joint.mark} needs less than told: {changed}."


def _stop(event: Event, reader: _Reader) -> str:
    first = min(event.joints, key=lambda joint: (joint.stop_from_utc or joint.start_utc, joint.mark))
    span = reader.stops(first)
    same = [joint for joint in event.joints if reader.stops(joint) == span]
    others = len(event.joints) - len(same)
    more = f"; {plural(others, 'more stop', 'more stops')} below" if others else ""
    return f"Do not weld {_marks(same)}{f' {span}' if span else ''}: the weather forbids it{more}."


def _stop_over(event: Event, _reader: _Reader) -> str:
    return f"The weather stop is over for {_marks(event.joints)}."


def _light_up(event: Event, reader: _Reader) -> str:
    """Those whose light-up moved come first; one that lost its time still has to be heated."""
    moved, untimed, unsure = _timed(event.joints), _untimed(event.joints), _unsure(event.joints)
    said = []
    if moved:
        first = moved[0]
        others = f"; {plural(len(moved) - 1, 'light-up')} more moved" if len(moved) > 1 else ""
        if not reader.is_late(first):
            was = f", told {reader.at(first.was_light_up_utc)}" if first.was_light_up_utc is not None else ""
            said.append(f"{_light(first, reader)}{was}{others}.")
        else:
            what, _, since = _light(first, reader).partition(", ")
            moves = "" if reader.is_begun(first) else "; its start moves"
            said.append(f"{what}: {since}{moves}{others}.")
    if untimed:
        it = "it" if len(untimed) == 1 else "them"
        said.append(f"{_marks(untimed)}: nobody can say when to light {it} up; see the sheet before you heat.")
    if unsure:
        it = "it needs" if len(unsure) == 1 else "they need"
        said.append(f"{_measure(unsure, reader)}: nobody can say whether {it} heat.")
    if rest := [joint for joint in event.joints if joint.call == "no_heat"]:
        said.append(f"{_marks(rest)}: no light-up any more.")
    return " ".join(said)


def _other_crew(event: Event, reader: _Reader) -> str:
    """Said to the crew that was told to see to them, and to whoever hears of all crews."""
    joints, be = event.joints, "is" if len(event.joints) == 1 else "are"
    whose, was = {joint.crew for joint in joints}, {joint.was_crew for joint in joints}
    now_with = (f"crew {joints[0].crew}" if joints[0].crew else "no crew") if len(whose) == 1 else "other crews"
    no_longer = f", no longer with crew {joints[0].was_crew}" if len(was) == 1 else ""
    lit = {joint.was_light_up_utc: joint for joint in joints if joint.was_call in HEAT and joint.was_light_up_utc}
    leave = ""
    if lit:
        first_utc = min(lit)
        told = reader.at(first_utc) if len(joints) == 1 else f"{lit[first_utc].mark} {reader.at(first_utc)}"
        leave = f": do not light {'it' if len(joints) == 1 else 'them'} up, hand over what burns (told {told})"
    return f"{_marks(joints)} {be} with {now_with} now{no_longer}{leave}."


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


def _cylinders(event: Event, notice: Notice, reader: _Reader) -> str:
    assert event.starving is not None
    starving = event.starving
    shift = f" in the {notice.shift_name} shift" if notice.shift_name else ""
    cold = f" at {reader.show.temp_text(starving.coldest_c, 'down')}" if starving.coldest_c is not None else ""
    if starving.together is None:
        return f"{starving.cylinder} will not give enough gas{shift}{cold}: another way of heating."
    return f"Put {starving.together} × {starving.cylinder} on one line{shift}, full at the start{cold}."


def _forecast_event(event: Event, _reader: _Reader) -> str:
    assert event.forecast is not None
    if event.forecast.problem:
        return f"Nothing is planned any more: take every joint as unknown and measure ({event.forecast.problem})."
    return {
        "fresh": "The forecast is fresh again.",
        "late": "The forecast is late: expect colder than the sheet says, and measure.",
        "unusable": "The forecast is too old to use: every joint is unknown. Measure.",
        "none": "There is no forecast: every joint is unknown. Measure.",
    }[event.forecast.freshness]


def _reading(event: Event, reader: _Reader) -> str:
    assert event.reading is not None
    low, show = event.reading, reader.show
    read = f"{'below ' if low.sense == 'below' else ''}{show.tenths_text(low.steel_c)}"
    return (
        f"Heat {low.mark} before you weld on: {read} read at {reader.at(low.at_utc)}, minimum "
        f"{show.temp_text(low.minimum_c, 'up')}."
    )


def _address(event: Event, _reader: _Reader) -> str:
    assert event.address is not None
    off = event.address
    return f"Tell {off.person} another way: nothing is sent to {off.address} any more ({off.reason})."


_OF_EVENT: Final[dict[Kind, Callable[[Event, _Reader], str]]] = {
    "front": _front,
    "harder": _harder,
    "easier": _easier,
    "stop": _stop,
    "stop_over": _stop_over,
    "light_up": _light_up,
    "other_crew": _other_crew,
    "forecast": _forecast_event,
    "reading": _reading,
    "address": _address,
}


# Joints ---------------------------------------------------------------------------------------------------------------


def _joint_row(joint: JointNow, reader: _Reader) -> str:
    """`04:55 light up BP-A1 (column A1): heat to minimum 225 °F, 10-50 min; arc 07:30; dry first`."""
    show = reader.show
    place = f" ({joint.place})" if joint.place else ""
    light_up = reader.at(joint.light_up_utc)
    heat = joint.call in HEAT
    lead = f"{light_up} light up " if heat and light_up else ""
    late = ""
    if lead and reader.is_late(joint):
        lead, late = "light up now ", f", should burn since {light_up}"
    said = [f"{lead}{joint.mark}{place}{late}: {_call(joint, show)}"]
    if lead and joint.minutes is not None:
        said[0] += f", {show.minutes(joint.minutes).short}"
    if heat and not light_up:
        said[0] += ", no time can be given"
    if joint.call == "measure" and light_up:
        said[0] += f", before {light_up}: then there is time to heat it"
    stop = reader.stops(joint)
    if stop:
        said.append(f"do not weld {stop}")
    said.append(f"arc {reader.at(joint.start_utc)}")
    if joint.weather_state != "go" and not (stop and joint.weather_state == "stop"):
        said.append(f"weather: {WEATHER[joint.weather_state].text}")
    row = "; ".join(said)
    reason = joint.reason.strip()
    if heat and not light_up and reason.endswith(".") and len(reason) <= MOST_REASON:
        return f"{row}. {reason}"
    return row


def _call(joint: JointNow, show: Show) -> str:
    text = CALLS[joint.call].text
    if joint.call in HEAT and joint.minimum_c is not None:
        return f"{text} {show.temp_text(joint.minimum_c, 'up')}"
    return text


def _marks(joints: Sequence[JointNow]) -> str:
    """`BP-A1, SF-01 and 4 more`."""
    named = ", ".join(joint.mark for joint in joints[:3])
    return named if len(joints) <= 3 else f"{named} and {len(joints) - 3} more"


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
