"""The page of one joint: every figure with its reason, its source and its arithmetic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite
from typing import Final

from frostshift_rules.delivered import heaters_of
from frostshift_rules.figures import Ask
from frostshift_rules.gas import KEEPING_COUNTED, NOT_COUNTED
from frostshift_rules.heat_options import HeatOptions, heat_options, job_of
from frostshift_rules.hydrogen_control import load_hydrogen_control
from frostshift_rules.instructions import Instruction, Topic, instructions
from frostshift_rules.job import Ends, Joint, JointState, Part, Site
from frostshift_rules.preheat import Requirement
from frostshift_rules.stops import source_text
from frostshift_rules.tables import OwnTable, load_code_table
from frostshift_rules.workload import HeatPlan, JointPlan, Plan, Span
from frostshift_service.store.records import KeptReading
from frostshift_service.views.arithmetic import Step, gas_steps, heating_steps
from frostshift_service.views.arrangement import ArrangementView, arrangement_view
from frostshift_service.views.band import BandDrawing, band_drawing
from frostshift_service.views.chart import AROUND, Chart, SteelSeries, Threshold, cropped, draw
from frostshift_service.views.options import OptionTable, arc_wait_text, keep_warm_steps, option_tables
from frostshift_service.views.readings import ReadingForm, ReadingLine, asked_for, reading_form, reading_line
from frostshift_service.views.sheet import Header, Line, header, line
from frostshift_service.views.show import (
    Moment,
    Show,
    Temp,
    TempSpan,
    duration,
    optional,
    plural,
    trimmed,
)
from frostshift_service.views.start_hours import JointHours
from frostshift_service.views.words import CAUTIONS, NO_TIME, STATES, Caution, heaters_text

PART_KINDS: Final = {
    "plate": "flat part",
    "flange_with_web": "flange with a web",
    "touching": "touches another part",
    "tube": "tube",
}
ENDS: Final[dict[Ends, str]] = {"inside": "", "edge_to_edge": ", edge to edge", "all_round": ", all round"}
EXPOSURES: Final = {"open": "open sky", "half": "half the sky", "covered": "covered"}
WHO_ASKS: Final = {
    "row": "code table",
    "formula": "formula of the code",
    "hydrogen_control": "hydrogen control",
    "procedure": "welding procedure",
    "cold_steel": "cold-steel rule",
}
TOPICS: Final[dict[Topic, str]] = {
    "method": "How it is found",
    "minimum": "Minimum",
    "between_passes": "Between passes",
    "maximum": "Maximum",
    "extent": "Warm around the weld",
    "where_when": "Where to measure",
    "with": "Measure with",
    "tacks": "Tacks",
    "electrodes": "Electrodes",
    "stops": "Weather stops",
    "access_holes": "Access holes",
    "repairs": "Repairs",
    "cautions": "Caution",
}


@dataclass(frozen=True, slots=True)
class Fact:
    """A label and what stands beside it."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class AskRow:
    """One figure that was asked for, by whom, and how sure our copy of it is; `table` names its table for people."""

    who: str
    minimum: Temp
    table_id: str
    table: str
    row: str
    clause: str
    basis: str
    note: str
    decides: bool


@dataclass(frozen=True, slots=True)
class InstructionRow:
    """One thing that is asked of the joint, in the units of the job's code; `source` empty where none is needed."""

    topic: Topic
    heading: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class ColdSteel:
    """The cold-steel rule and its literal reading; the latter empty where there is no row to read it for."""

    text: str
    literal_text: str
    applies: bool


@dataclass(frozen=True, slots=True)
class TorchChoice:
    """The heat plan with so many torches, or heaters, of the joint's own source; `text` names all that heats it."""

    torches: int
    text: str
    chosen: bool
    minutes_text: str
    light_up: Moment | None
    hold_text: str
    fuel_text: str
    note: str


@dataclass(frozen=True, slots=True)
class HourRow:
    """One hour of the chart as numbers [°C]; None: missing."""

    at: Moment
    air: Temp | None
    steel: Temp | None
    cold: Temp | None
    warm: Temp | None
    in_window: bool


@dataclass(frozen=True, slots=True)
class JointPage:
    """Everything the plan says about one joint.

    Attributes:
        header: where the figures come from.
        line: the joint as on the morning sheet.
        start: planned start with its date, since this page stands on no day.
        weather_sources: where the weather rules that hold it up stand, and how sure our copy of them is.
        facts: the joint as planned.
        parts: its parts, sentences.
        arrangement: how they meet; None where that is not stated.
        window: hours it is judged over.
        asks: every figure that was looked up, the deciding one first.
        minimum: that applies at the predicted steel temperature; None: unknown.
        minimum_why: one sentence how it comes about.
        cold_steel: the cold-steel rule.
        maximum, maximum_source: None: none stated.
        extent: warm on each side of the weld.
        band: the same with where to measure, as a drawing.
        instructions: what is asked, topic by topic.
        not_accepted: what the site has to accept first; empty where that is not so.
        requirement_notes: further sentences.
        steel_worst, steel_start, air_worst: predicted temperatures.
        doubt: of the steel, how wide and why, a sentence each with what it is about.
        weather: the forecast, its feed and age.
        heating, light_up, gas: arithmetic.
        heating_note: sentence where there is no heating arithmetic.
        torch_choices: with 1, 2 and 3 torches.
        options: what else could be done.
        other_starts: the joint at every hour ahead; None where it was not worked out.
        wide, narrow: the chart for a desk and for a phone; None where nothing can be drawn.
        hours: the numbers of the chart.
        readings: what was measured, the newest first.
        form: to write down another.
        gas_notes: what the gas arithmetic leaves out.
        cautions: standing cautions.
    """

    header: Header
    line: Line
    start: Moment
    weather_sources: tuple[str, ...]
    facts: tuple[Fact, ...]
    parts: tuple[str, ...]
    arrangement: ArrangementView | None
    window: tuple[Moment, Moment]
    asks: tuple[AskRow, ...]
    minimum: Temp | None
    minimum_why: str
    cold_steel: ColdSteel
    maximum: Temp | None
    maximum_source: str
    extent: str
    band: BandDrawing
    instructions: tuple[InstructionRow, ...]
    not_accepted: str
    requirement_notes: tuple[str, ...]
    steel_worst: TempSpan | None
    steel_start: TempSpan | None
    air_worst: TempSpan | None
    doubt: tuple[Fact, ...]
    weather: tuple[Fact, ...]
    heating: tuple[Step, ...]
    heating_note: str
    light_up: tuple[Step, ...]
    gas: tuple[Step, ...]
    gas_notes: tuple[str, ...]
    torch_choices: tuple[TorchChoice, ...]
    options: tuple[OptionTable, ...]
    other_starts: JointHours | None
    wide: Chart | None
    narrow: Chart | None
    hours: tuple[HourRow, ...]
    readings: tuple[ReadingLine, ...]
    form: ReadingForm
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class RestingJoint:
    """A joint that is in no plan: done, postponed, gone from the schedule, or not planned yet; `reason` says which."""

    site_id: str
    site_name: str
    mark: str
    place: str
    state: JointState
    state_text: str
    start: Moment
    reason: str
    in_schedule: bool
    readings: tuple[ReadingLine, ...]
    form: ReadingForm
    cautions: tuple[Caution, ...] = CAUTIONS


def joint_facts(joint: Joint, show: Show) -> tuple[Fact, ...]:
    """The joint as it was planned, line by line."""
    facts = [
        Fact("Place", joint.place or "not given"),
        Fact("Crew", joint.crew or "not given"),
        Fact("State", STATES[joint.state]),
        Fact("Planned start", f"{show.moment(joint.start_utc, detail='date').text}, {trimmed(joint.hours, 2)} h"),
        Fact("Weld", f"{show.length_text(joint.weld_length_mm)} long{ENDS[joint.ends]}"),
        Fact("Process", _process(joint)),
        Fact("Procedure", joint.procedure or "none"),
        Fact("Exposure", _exposure(joint, show)),
    ]
    if joint.arrangement is not None:
        facts.append(Fact("Arrangement", arrangement_view(joint.arrangement).title))
    if joint.welded:
        facts.append(Fact("Parts", "one piece already"))
    if joint.passes is not None:
        facts.append(Fact("Passes", str(joint.passes)))
    if joint.restraint is not None:
        facts.append(Fact("Restraint", joint.restraint))
    if joint.heat_input_kj_mm is not None:
        facts.append(Fact("Heat input", show.heat_input_text(joint.heat_input_kj_mm)))
    if joint.fracture_critical:
        facts.append(Fact("Fracture-critical", "yes"))
    return (*facts, *_order_facts(joint, show))


def _order_facts(joint: Joint, show: Show) -> tuple[Fact, ...]:
    """What is stated of its place in the order of work."""
    facts = []
    if joint.after:
        facts.append(Fact("After the joints", ", ".join(joint.after)))
    if joint.not_before_utc is not None:
        facts.append(Fact("Not before", show.moment(joint.not_before_utc, detail="date").text))
    if joint.finish_by_utc is not None:
        facts.append(Fact("Finish by", show.moment(joint.finish_by_utc, detail="date").text))
    if joint.pinned:
        facts.append(Fact("Order of work", "stays in its shift and with its crew"))
    return tuple(facts)


def _process(joint: Joint) -> str:
    words: list[str] = [joint.process or "unknown"]
    if joint.electrode:
        words.append(joint.electrode)
    if joint.hydrogen_ml is not None:
        words.append(f"H{trimmed(joint.hydrogen_ml, 1)}")
    return " ".join(words)


def _exposure(joint: Joint, show: Show) -> str:
    words = [EXPOSURES[joint.exposure], f"{show.height_text(joint.height_m)} above ground"]
    if joint.shelter is not None:
        stated = []
        if joint.shelter.air_c is not None:
            stated.append(f"air {show.temp_text(joint.shelter.air_c)}")
        if joint.shelter.wind_ms is not None:
            stated.append(f"wind {show.speed_text(joint.shelter.wind_ms)}")
        words.append(f"shelter ({', '.join(stated) or 'nothing stated'})")
    if joint.sun:
        words.append("sun stated")
    return ", ".join(words)


def part_text(part: Part, show: Show) -> str:
    """One part as a sentence."""
    reach = ", wide" if part.reach_mm is None else f", free edge {show.length_text(part.reach_mm)} from the weld"
    if part.kind == "flange_with_web" and part.width_mm is not None and part.reach_mm is None:
        reach = ""  # a member is long; what counts is the width of its flange
    sides = ", weld on its face" if part.sides == 2 else ""
    thickness = show.length_text(part.thickness_mm)
    return f"{part.steel or 'steel unknown'}, {thickness}, {PART_KINDS[part.kind]}{_section(part, show)}{sides}{reach}"


def _section(part: Part, show: Show) -> str:
    """Sizes of a flange and its web, as far as they are stated."""
    sizes = ((part.width_mm, "wide"), (part.web_mm, "web"), (part.web_depth_mm, "clear depth of web"))
    stated = [f"{show.length_text(mm)} {what}" for mm, what in sizes if mm is not None]
    return f" ({', '.join(stated)})" if stated else ""


def _ask_row(ask: Ask, show: Show, decides: bool, own: Sequence[OwnTable]) -> AskRow:
    return AskRow(
        who=WHO_ASKS.get(ask.what, ask.what),
        minimum=show.temp(ask.minimum_c, "up"),
        table_id=ask.table_id,
        table=_table_name(ask, own),
        row=ask.row,
        clause=ask.clause,
        basis=ask.basis,
        note=ask.note,
        decides=decides,
    )


def _table_name(ask: Ask, own: Sequence[OwnTable]) -> str:
    if not ask.table_id:
        return ""
    if ask.what == "hydrogen_control":
        return load_hydrogen_control(ask.table_id).name
    return load_code_table(ask.table_id, own).name


def _instruction_row(instruction: Instruction) -> InstructionRow:
    return InstructionRow(instruction.topic, TOPICS[instruction.topic], instruction.text, instruction.source)


def _cold_steel(asked: Requirement, steel: Span | None, show: Show) -> ColdSteel:
    limit, floor = show.temp_text(asked.cold_below_c), show.temp_text(asked.cold_floor_c, "up")
    cold = steel is not None and steel.cold_c < asked.cold_below_c
    applies = cold and asked.minimum_c is not None and asked.cold_floor_c > asked.minimum_c
    if steel is None:
        now = "The steel temperature is not known."
    elif cold and asked.minimum_c is None:
        now = "The steel is predicted colder than that, so it needs at least this, whatever else is not known."
    elif cold:
        now = "The steel is predicted colder than that" + (
            ": the rule raises the minimum." if applies else "; the minimum is that high already."
        )
    else:
        now = "The steel is not predicted that cold."
    return ColdSteel(
        text=f"Steel below {limit} needs at least {floor}, over every table row (our choice). {now}",
        literal_text=(
            ""
            if asked.minimum_c is None
            else "The printed footnote, read literally, asks the same of this row."
            if asked.literal_cold
            else "The printed footnote, read literally, would not raise this row; it is raised all the same."
        ),
        applies=applies,
    )


def _minimum_why(joint_plan: JointPlan, cold: ColdSteel, show: Show) -> str:
    asked = joint_plan.requirement
    if asked.minimum_c is None:
        return "Unknown: " + "; ".join(asked.unknown)
    by = f"{show.temp_text(asked.minimum_c, 'up')} by the deciding row below"
    if cold.applies:
        return f"{by}, raised by the cold-steel rule to {show.temp_text(asked.cold_floor_c, 'up')}."
    if joint_plan.steel is None:
        return f"{by}; whether the cold-steel rule raises it is not known without a steel temperature."
    return f"{by}; the cold-steel rule does not raise it."


def _doubt(joint_plan: JointPlan, site: Site, show: Show) -> tuple[Fact, ...]:
    choices = site.choices
    least = (
        f"At least ±{show.rise_text(choices.doubt_k)} within a day of a fresh forecast, "
        f"{show.rise_text(choices.doubt_per_day_k, 2)} more per further day and "
        f"{show.rise_text(choices.doubt_per_late_hour_k, 2)} per hour that the forecast is late (our choice)."
    )
    facts = [Fact("Doubt of a forecast", least)]
    steel = joint_plan.steel
    if steel is not None:
        below, above = steel.likely_c - steel.cold_c, steel.warm_c - steel.likely_c
        spread = (
            f"{show.rise_text(below)} towards cold and {show.rise_text(above)} towards warm, "
            "the spread of wind and sky included"
            + (f", and that of {joint_plan.members} forecast members." if joint_plan.members else ".")
        )
        facts.append(Fact("Doubt at the worst hour", spread))
    if not joint_plan.anchored:
        start = (
            f"The assumed start of the steel temperature still matters by {show.rise_text(1.0)} or more: never no "
            "heat, at best measure."
        )
        facts.append(Fact("Doubt of the start", start))
    return tuple(facts)


def _weather_facts(head: Header, of_joint: Line) -> tuple[Fact, ...]:
    raw = f"{of_joint.chance_text} (raw members; their spread is usually too narrow)"
    chance = (Fact("Chance that heat is needed", raw),) if of_joint.chance_text else ()
    return (
        *chance,
        Fact("Forecast", " ".join((head.feed, *head.feed_notes))),
        Fact("Issued", "not known" if head.issued is None else head.issued.text),
        Fact("Age", head.age_text or "none"),
        Fact("Verdict", head.freshness_text),
        Fact("Ends", "not known" if head.forecast_end is None else head.forecast_end.text),
        Fact("Plan made", head.made.text),
    )


def _light_up_steps(joint: Joint, heat: HeatPlan, site: Site, show: Show) -> tuple[Step, ...]:
    if heat.minutes is None or heat.light_up_utc is None:
        return ()
    steps = [
        Step(
            "Light-up",
            f"start {show.moment(joint.start_utc).text} less {duration(heat.minutes.high, 'up')} heating (slow end), "
            f"{duration(heat.soak_minutes, 'up')} soak before the reading is true and "
            f"{duration(site.choices.setup_minutes, 'up')} set-up",
            show.moment(heat.light_up_utc).text,
        )
    ]
    if heat.earliest_arc_utc is not None:
        steps.append(
            Step(
                "Earliest arc",
                "with nobody there before the shift, the same from the start of the shift",
                show.moment(heat.earliest_arc_utc, toward="up").text,
            )
        )
    return tuple(steps)


def _torch_choice(torches: int, heat: HeatPlan, chosen: bool, joint: Joint, site: Site, show: Show) -> TorchChoice:
    heaters = heaters_of(replace(joint, torches=torches), site.heat_source) or ()
    taken = [show.mass(heat.fuel_kg).text] if heat.fuel_kg is not None and heat.fuel_kg.high > 0.0 else []
    if heat.energy_kwh is not None and heat.energy_kwh.high > 0.0:
        taken.append(show.energy(heat.energy_kwh).text)
    minutes, hold = optional(show.minutes, heat.minutes), heat.hold_minutes
    return TorchChoice(
        torches=torches,
        text=heaters_text(heaters) or plural(torches, "torch", "torches"),
        chosen=chosen,
        minutes_text=NO_TIME[heat.status] if minutes is None else minutes.text,
        light_up=optional(show.moment, heat.light_up_utc),
        hold_text="" if hold is None else duration(hold.low, "down"),
        fuel_text=", ".join(taken),
        note=heat.note,
    )


def _hour_rows(series: SteelSeries, window: tuple[datetime, datetime], show: Show) -> tuple[HourRow, ...]:
    part = cropped(series, window[0] - AROUND, window[1] + AROUND)

    def known(c: float) -> Temp | None:
        return show.temp(c) if isfinite(c) else None

    return tuple(
        HourRow(show.moment(at), known(air), known(steel), known(cold), known(warm), window[0] <= at <= window[1])
        for at, air, steel, cold, warm in zip(
            part.times_utc, part.air_c, part.steel_c, part.cold_c, part.warm_c, strict=True
        )
    )


def _charts(joint_plan: JointPlan, series: SteelSeries | None, show: Show) -> tuple[Chart | None, Chart | None]:
    if series is None:
        return None, None
    asked = joint_plan.requirement
    thresholds = [Threshold(asked.cold_below_c, "cold-steel limit")]
    if asked.minimum_c is not None:
        thresholds.insert(0, Threshold(asked.minimum_c, "minimum asked"))
    if joint_plan.minimum_c is not None and joint_plan.minimum_c != asked.minimum_c:
        thresholds.append(Threshold(joint_plan.minimum_c, "minimum with cold steel"))
    uprights = [(joint_plan.joint.start_utc, "start")]
    if joint_plan.heat is not None and joint_plan.heat.light_up_utc is not None:
        uprights.insert(0, (joint_plan.heat.light_up_utc, "light up"))
    window = (joint_plan.window_start_utc, joint_plan.window_end_utc)
    wide, narrow = (
        draw(series, show, window=window, thresholds=thresholds, uprights=uprights, width=width, height=height)
        for width, height in ((820.0, 340.0), (360.0, 320.0))
    )
    return wide, narrow


def joint_page(
    plan: Plan,
    mark: str,
    show: Show,
    now: datetime,
    *,
    series: SteelSeries | None,
    times_for_torches: Mapping[int, HeatPlan],
    options: HeatOptions | None = None,
    other_starts: JointHours | None = None,
    readings: Sequence[KeptReading] = (),
    before_heat: Sequence[KeptReading] = (),
    defaults: Sequence[str] = (),
) -> JointPage:
    """The page of one joint.

    Args:
        plan: of the site.
        mark: of the joint.
        show: units and zone.
        now: aware UTC, for the ages.
        series: hourly temperatures; None where there is no forecast.
        times_for_torches: number of torches -> heat plan; empty where no heat is planned.
        options: what else could be done (`options_of`); None: nothing is worked out.
        other_starts: the joint at every hour ahead; None: nothing is worked out.
        readings: of this joint, to be shown.
        before_heat: those that count for what is asked, shown or not.
        defaults: what the schedule left open and was taken as the stated default.

    Raises:
        KeyError: the plan holds no such joint.
    """
    joint_plan = next((jp for jp in plan.joints if jp.joint.mark == mark), None)
    if joint_plan is None:
        raise KeyError(mark)
    site, joint, heat, asked = plan.site, joint_plan.joint, joint_plan.heat, joint_plan.requirement
    table = load_code_table(site.table_id, site.own_tables)
    heaters = () if heat is None or heat.source_id is None else heaters_of(joint, site.heat_source) or ()
    head, of_joint = header(plan, show, now), line(joint_plan, site, show, defaults)
    cold = _cold_steel(asked, joint_plan.steel, show)
    window = (joint_plan.window_start_utc, joint_plan.window_end_utc)
    wide, narrow = _charts(joint_plan, series, show)
    held_against = asked_for(site, joint, joint_plan, [*before_heat, *readings])
    return JointPage(
        header=head,
        line=of_joint,
        start=show.moment(joint.start_utc, detail="date"),
        weather_sources=tuple(
            dict.fromkeys(source_text(one) for spell in joint_plan.weather_spells for one in spell.reasons)
        ),
        facts=joint_facts(joint, show),
        parts=tuple(part_text(part, show) for part in joint.parts),
        arrangement=optional(arrangement_view, joint.arrangement),
        window=(show.moment(window[0]), show.moment(window[1], toward="up")),
        asks=tuple(
            _ask_row(ask, show, n == 0 and asked.minimum_c is not None, site.own_tables)
            for n, ask in enumerate(asked.asks)
        ),
        minimum=optional(show.temp, joint_plan.minimum_c, "up"),
        minimum_why=_minimum_why(joint_plan, cold, show),
        cold_steel=cold,
        maximum=optional(show.temp, asked.maximum_c, "down"),
        maximum_source=asked.maximum_source,
        extent=show.least_length_text(asked.extent_mm, site.code_units),
        band=band_drawing(joint, asked, heat, table, show, site.code_units),
        instructions=tuple(
            _instruction_row(one) for one in instructions(joint, asked, table, site.code_units, show.units)
        ),
        not_accepted=(
            f"The deciding figures of {head.table} rest on rows that the site has to accept first: check them "
            "against your copy of the code."
            if asked.not_accepted
            else ""
        ),
        requirement_notes=asked.notes,
        steel_worst=optional(show.span, joint_plan.steel),
        steel_start=optional(show.span, joint_plan.steel_now),
        air_worst=optional(show.span, joint_plan.air),
        doubt=_doubt(joint_plan, site, show),
        weather=_weather_facts(head, of_joint),
        heating=tuple(heating_steps(joint, heat, heaters, site.choices, show)) if heat is not None and heaters else (),
        heating_note=_heating_note(joint_plan, show),
        light_up=() if heat is None else _light_up_steps(joint, heat, site, show),
        gas=() if heat is None else (*keep_warm_steps(heat, show), *gas_steps(heat, heaters, show)),
        gas_notes=(*NOT_COUNTED, KEEPING_COUNTED),
        options=() if heat is None or options is None else option_tables(heat, options, show),
        other_starts=other_starts,
        torch_choices=tuple(
            _torch_choice(torches, one, heat is not None and torches == heat.torches, joint, site, show)
            for torches, one in sorted(times_for_torches.items())
        ),
        wide=wide,
        narrow=narrow,
        hours=() if series is None else _hour_rows(series, window, show),
        readings=tuple(
            reading_line(one, held_against, show)
            for one in sorted(readings, key=lambda one: (one.reading.at_utc, one.id), reverse=True)
        ),
        form=reading_form(site, joint, joint_plan, held_against, show, now),
        cautions=CAUTIONS,
    )


def options_of(joint_plan: JointPlan, site: Site) -> HeatOptions | None:
    """What else could be done at a joint of a plan; None where no heat is planned or its source is not known."""
    joint, heat = joint_plan.joint, joint_plan.heat
    if heat is None:
        return None
    heaters = () if heat.source_id is None else heaters_of(joint, site.heat_source) or ()
    job = job_of(heat, joint, heaters or None)
    return None if job is None else heat_options(job, site.choices)


def _heating_note(joint_plan: JointPlan, show: Show) -> str:
    heat = joint_plan.heat
    if heat is not None:
        return " ".join(filter(None, (heat.note, arc_wait_text(heat, show))))
    if joint_plan.call == "no_heat":
        return "No heat is needed, so none is worked out."
    return "Nothing can be worked out: " + "; ".join(joint_plan.unknowns or joint_plan.reasons)
