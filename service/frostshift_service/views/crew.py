"""The page of one crew: of every joint the three things a welder needs, large; and the poster that opens it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import segno

from frostshift_rules.instructions import instructions
from frostshift_rules.sentences import capital
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import JointPlan, Plan, ShiftTotal
from frostshift_service.store.records import CrewLink, KeptReading
from frostshift_service.views.readings import ReadingForm, ReadingLine, asked_for, reading_form, reading_line
from frostshift_service.views.sheet import Header, Line, header, line, shift_title, unsure_first
from frostshift_service.views.show import Moment, Show, age, optional, plural
from frostshift_service.views.words import CAUTIONS, Caution, crew_text

ASK: Final = "Unknown: ask the superintendent"


@dataclass(frozen=True, slots=True)
class CrewCard:
    """One joint for whoever heats and welds it.

    Attributes:
        line: the joint as on the morning sheet.
        late_text: that its light-up is past and nothing tells of heat; empty where that is not so.
        how_hot: the minimum, or that it is not known; `how_hot_more` the maximum and what else there is to say.
        where: how far around the weld has to be warm; `measure` how far off and on which side to measure, `where_more`
            the same in full, with when.
        when: when to light up, or that no torch is needed; `when_more` how long, how long it holds.
        stop: whether the weather lets nobody weld in some of its hours; `stop_text` says which.
        last: the newest reading; None: nothing measured.
        readings: all of them, the newest first.
        form: to write down another.
    """

    line: Line
    late_text: str
    how_hot: str
    how_hot_more: tuple[str, ...]
    where: str
    measure: str
    where_more: str
    when: str
    when_more: tuple[str, ...]
    stop: bool
    stop_text: str
    last: ReadingLine | None
    readings: tuple[ReadingLine, ...]
    form: ReadingForm


@dataclass(frozen=True, slots=True)
class CrewShift:
    """The joints of the crew in one shift, by light-up; `title` says which, `when_text` whether it runs."""

    title: str
    when_text: str
    cards: tuple[CrewCard, ...]


@dataclass(frozen=True, slots=True)
class CrewPage:
    """The sheet of one crew.

    Attributes:
        now: when it was asked for, as it may stand open for long without a network.
        shifts: the running one and the next in which the crew has a joint, and what is open outside these.
        shown_text: which shifts these are; `later_text` how many joints come after them, empty: none.
    """

    header: Header
    crew: str
    crew_text: str
    now: Moment
    shown_text: str
    shifts: tuple[CrewShift, ...]
    later_text: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class CrewJointPage:
    """One joint of the crew; `card` is None where it is in no plan, and `reason` says so."""

    header: Header
    crew: str
    crew_text: str
    mark: str
    now: Moment
    card: CrewCard | None
    reason: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class CrewLinkView:
    """A link to the page of a crew; `ended` is None while it counts."""

    id: int
    crew: str
    made: Moment
    made_by: str
    ended: Moment | None
    ended_by: str


def crew_link_view(link: CrewLink, show: Show) -> CrewLinkView:
    """A link for the page of those who make them."""
    return CrewLinkView(
        id=link.id,
        crew=crew_text(link.crew),
        made=show.moment(link.made_utc, detail="date"),
        made_by=link.made_by,
        ended=None if link.revoked_utc is None else show.moment(link.revoked_utc, detail="date"),
        ended_by=link.revoked_by,
    )


def code_svg(address: str) -> str:
    """A QR code (ISO/IEC 18004) that opens an address, as an SVG to stand in a page; it holds no style."""
    code = segno.make(address, error="m", micro=False)
    drawn: str = code.svg_inline(scale=4, border=4, omitsize=True, svgclass="code", lineclass=None)
    return drawn


def crew_page(
    plan: Plan,
    crew: str,
    readings: Mapping[str, Sequence[KeptReading]],
    before_heat: Mapping[str, Sequence[KeptReading]],
    show: Show,
    now: datetime,
) -> CrewPage:
    """The sheet of a crew: the running shift, the next with a joint of it, what is open from earlier, what is in none.

    Args:
        plan: the latest.
        crew: its joints; empty: those without a crew.
        readings: of its joints, by mark, in the order of their time.
        before_heat: those that count for what is asked, by mark, shown or not.
        show: units and zone.
        now: aware.
    """
    of_crew = [one for one in plan.joints if one.joint.crew == crew]
    by_shift: dict[str | None, list[JointPlan]] = {}
    for one in of_crew:
        by_shift.setdefault(one.shift_key, []).append(one)
    running = [shift for shift in plan.shifts if shift.start_utc <= now < shift.end_utc]
    to_come = [shift for shift in plan.shifts if shift.start_utc > now and shift.key in by_shift]
    not_over = {shift.key for shift in plan.shifts if shift.end_utc > now}
    earlier = [one for one in of_crew if one.shift_key is not None and one.shift_key not in not_over]
    upcoming = to_come[0] if to_come else None

    def group(title: str, when_text: str, joints: Sequence[JointPlan]) -> CrewShift:
        cards = {
            one.joint.mark: crew_card(
                one, plan, readings.get(one.joint.mark, ()), before_heat.get(one.joint.mark, ()), show, now
            )
            for one in joints
        }
        return CrewShift(
            title, when_text, tuple(cards[line.mark] for line in unsure_first([c.line for c in cards.values()]))
        )

    groups = [group("From earlier shifts, not done", "", earlier)]
    groups += [group(shift_title(one, show), "It runs now.", by_shift.get(one.key, ())) for one in running]
    if upcoming is not None:
        begins = f"It begins {show.moment(upcoming.start_utc, detail='date').text}, {_ahead(upcoming.start_utc, now)}."
        groups.append(group(shift_title(upcoming, show), begins, by_shift[upcoming.key]))
    groups.append(group("Outside every shift", "", by_shift.get(None, ())))
    return CrewPage(
        header=header(plan, show, now),
        crew=crew,
        crew_text=crew_text(crew),
        now=show.moment(now, detail="date"),
        shown_text=_shown_text(running, upcoming, by_shift, crew, show),
        shifts=tuple(one for one in groups if one.cards),
        later_text=_later_text(to_come[1:], by_shift, show),
        cautions=CAUTIONS,
    )


def _ahead(at_utc: datetime, now: datetime) -> str:
    return f"in {age((at_utc - now).total_seconds() / 3600.0)}"


def _shown_text(
    running: Sequence[ShiftTotal],
    upcoming: ShiftTotal | None,
    by_shift: Mapping[str | None, Sequence[JointPlan]],
    crew: str,
    show: Show,
) -> str:
    """Which shifts the page holds, so that nobody takes an empty one for "nothing to do"."""
    whose = crew_text(crew)
    said = [f"{capital(whose)}: the running shift and the next one with a joint are shown."]
    said += [f"No joint in the running shift ({shift_title(one, show)})." for one in running if one.key not in by_shift]
    if upcoming is None:
        said.append("No later shift of the plan has a joint of theirs.")
    return " ".join(said)


def _later_text(shifts: Sequence[ShiftTotal], by_shift: Mapping[str | None, Sequence[JointPlan]], show: Show) -> str:
    if not shifts:
        return ""
    count = sum(len(by_shift[one.key]) for one in shifts)
    return f"{plural(count, 'joint')} in later shifts, next {shift_title(shifts[0], show)}."


def crew_joint_page(
    plan: Plan,
    crew: str,
    mark: str,
    readings: Sequence[KeptReading],
    before_heat: Sequence[KeptReading],
    show: Show,
    now: datetime,
) -> CrewJointPage:
    """One joint of a crew, as in `crew_page`."""
    planned = next((one for one in plan.joints if one.joint.mark == mark and one.joint.crew == crew), None)
    return CrewJointPage(
        header=header(plan, show, now),
        crew=crew,
        crew_text=crew_text(crew),
        mark=mark,
        now=show.moment(now, detail="date"),
        card=None if planned is None else crew_card(planned, plan, readings, before_heat, show, now),
        reason="" if planned is not None else "It is not in the latest plan: ask the superintendent.",
        cautions=CAUTIONS,
    )


def crew_card(
    planned: JointPlan,
    plan: Plan,
    readings: Sequence[KeptReading],
    before_heat: Sequence[KeptReading],
    show: Show,
    now: datetime,
) -> CrewCard:
    """One joint of the plan."""
    site, joint, asked = plan.site, planned.joint, planned.requirement
    table = load_code_table(site.table_id, site.own_tables)
    of_sheet = line(planned, site, show)
    said = {one.topic: one for one in instructions(joint, asked, table, site.code_units, show.units)}
    held_against = asked_for(site, joint, planned, [*before_heat, *readings])
    lines = tuple(reading_line(one, held_against, show) for one in reversed(readings))
    how_hot, how_hot_more = _how_hot(planned, of_sheet, held_against.met_from_c, show)
    when, when_more = _when(of_sheet)
    warm = show.least_length_text(asked.extent_mm, site.code_units)
    return CrewCard(
        line=of_sheet,
        late_text=_late_text(planned, readings, show, now),
        how_hot=how_hot,
        how_hot_more=how_hot_more,
        where=f"{warm} on every side of the weld, both faces, through the whole thickness",
        measure=f"Measure {of_sheet.measure_off} from the weld, on the face away from the flame",
        where_more=said["where_when"].text,
        when=when,
        when_more=when_more,
        stop=of_sheet.weather.code == "stop",
        stop_text=" ".join(of_sheet.weather_notes),
        last=lines[0] if lines else None,
        readings=lines,
        form=reading_form(site, joint, planned, held_against, show, now),
    )


def _how_hot(planned: JointPlan, of_sheet: Line, met_from_c: float | None, show: Show) -> tuple[str, tuple[str, ...]]:
    asked = planned.requirement
    most = optional(show.temp_text, asked.maximum_c, "down")
    maximum = f"Never above {most}." if most else "No maximum is stated here: that of the welding procedure holds."
    if met_from_c is None:
        hint = f"{of_sheet.hint}." if of_sheet.hint else ""
        why = [f"{capital(text.rstrip('.'))}." for text in asked.unknown]
        return ASK, tuple(text for text in (hint, *why, maximum) if text)
    target = (f"Heat to {of_sheet.target.text}.",) if of_sheet.target is not None else ()
    return f"At least {show.temp_text(met_from_c, 'up')}", (*target, maximum)


def _late_text(planned: JointPlan, readings: Sequence[KeptReading], show: Show, now: datetime) -> str:
    """A torch may burn that nobody wrote down: it says what is known, and until what it holds."""
    lit = None if planned.heat is None else planned.heat.light_up_utc
    if lit is None or lit >= now or planned.call == "no_heat" or planned.joint.state != "planned":
        return ""
    if any(one.reading.stage != "before_heat" and one.reading.at_utc >= lit for one in readings):
        return ""
    since = age((now - lit).total_seconds() / 3600.0)
    return f"Light-up was {show.moment(lit).text}, {since} ago, and nobody has written down that it was heated."


def _when(of_sheet: Line) -> tuple[str, tuple[str, ...]]:
    start = f"Planned start {of_sheet.start.text}."
    if of_sheet.call.code == "no_heat":
        return "No torch needed", ("Measure before you strike.", start)
    if of_sheet.light_up is None or of_sheet.call.code == "unknown":
        reason = of_sheet.minutes_text or of_sheet.heat_note
        return ASK, tuple(text for text in (f"{capital(reason)}." if reason else "", start) if text)
    heating = "" if of_sheet.minutes is None else f"Heating takes {of_sheet.minutes.text}, {of_sheet.heaters_text}."
    hold = f"It holds {of_sheet.hold_text} once the flame is off." if of_sheet.hold_text else ""
    arc = f"Earliest arc {of_sheet.earliest_arc.text}." if of_sheet.earliest_arc is not None else ""
    first = "Measure first: it may be warm enough." if of_sheet.call.code == "measure" else ""
    return f"Light up {of_sheet.light_up.text}", tuple(text for text in (first, heating, hold, arc, start) if text)
