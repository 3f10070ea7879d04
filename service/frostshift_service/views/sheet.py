"""The morning sheet: what the next shifts need, one line a joint, totals a shift."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.delivered import Heaters, heaters_of
from frostshift_rules.gas import KEEPING_COUNTED, NOT_COUNTED, gas
from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.job import JointState, Site
from frostshift_rules.sentences import capital
from frostshift_rules.stops import Reason, reason_text, source_text, worst_of
from frostshift_rules.tables import load_code_table
from frostshift_rules.totals import without_amount
from frostshift_rules.workload import (
    FuelTotal,
    JointPlan,
    Plan,
    Range,
    ShiftTotal,
    SourceAmounts,
    WeatherSpell,
    WeatherState,
)
from frostshift_service.views.band import measuring_text
from frostshift_service.views.by_hour import ByHour, by_hour
from frostshift_service.views.changes import SheetChanges, sheet_changes
from frostshift_service.views.forecast import feed_title, forecast_age, forecast_notes
from frostshift_service.views.gas_headline import order_headlines
from frostshift_service.views.people import PEOPLE_NOTE, PeopleLine, people_line
from frostshift_service.views.show import (
    Amount,
    Moment,
    Show,
    Temp,
    TempSpan,
    age,
    day_text,
    duration,
    optional,
    plural,
    trimmed,
)
from frostshift_service.views.words import (
    CALLS,
    CAUTIONS,
    NO_TIME,
    READING_NOTE,
    STATES,
    WEATHER,
    Caution,
    Word,
    heaters_text,
)

_PART_NUMBER: Final = re.compile(r"_[1-9]:")
"""The number of the part in the name of a column, as in `kind_2: plate`."""
OUTSIDE_NOTE: Final = "Joints outside every shift are in no shift's torches, hands or gas: add them by hand."
LINES_A_PART: Final = 40
"""Joints of a shift that a page shows at a time: more make a phone slow, and nobody reads on. Our choice."""
OLD_PLAN_H: Final = 2.0
"""A plan older than this is said to be old [h]; plans are remade about every hour. Our choice."""


@dataclass(frozen=True, slots=True)
class Header:
    """Where the figures come from and how old they are; stands on every page.

    Attributes:
        site_id, site_name, zone: of the site.
        made: when the plan was made; `made_age_s` its age now [s], `made_age_text` in words.
        feed: name for people; `credit` the line its terms ask for.
        issued: when the forecast was issued; None where the feed does not say or there is none.
        age_text: its age now; empty where there is no forecast. `age_s` [s], to count on from; None where there
            is none or its time lies ahead.
        forecast_end: last hour of the forecast.
        feed_notes: sentences on a feed that stands in for another, on a change of feed and on the site's thermometer;
            empty in the usual case.
        freshness: `fresh`, `late`, `unusable` or `none`, and its words.
        warnings: what people must know before they read on; sentences.
        table_id, table: rule table of the site, and its name for people.
        accepted: who accepted it, and when; empty where nobody has.
    """

    site_id: str
    site_name: str
    zone: str
    made: Moment
    made_age_s: int
    made_age_text: str
    feed: str
    credit: str
    issued: Moment | None
    age_text: str
    age_s: int | None
    forecast_end: Moment | None
    freshness: str
    freshness_text: str
    feed_notes: tuple[str, ...]
    warnings: tuple[str, ...]
    table_id: str
    table: str
    accepted: str


@dataclass(frozen=True, slots=True)
class HeldHours:
    """Hours in a row in which the weather does not simply let the joint be welded, for the same rules.

    `source` says where the rules stand and how sure our copy is.
    """

    start: Moment
    end: Moment
    state: Word
    reason: str
    source: str
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """One joint on the sheet.

    Attributes:
        mark, place, crew: as planned.
        state: code of the joint's state; `state_text` its words.
        start: planned start; `hours` planned duration [h].
        light_up: when the torch must burn; None where no time is known or no heat is needed.
        earliest_arc: earliest arc with heating from the start of the shift, where light-up lies before it.
        call, call_by_air: heat call by steel, and what a rule on air alone would say; `air_differs` where they do not
            agree.
        steel, air: at the worst hour of the window; None: unknown.
        unsure: the call is unknown or there is no heating time: no amount of the shift holds it.
        minimum, target: None: unknown, or no heat planned.
        maximum: of the steel and the procedure; None: none is stated.
        minutes: torch burning before the first arc; `minutes_text` says why where there is no time.
        hold: how long it stays above the minimum; `hold_text` shows the short end.
        torches: of its own heat source at once on this joint; None without a heat plan. `heaters_text`: all that heats
            it, `2 torches and 4 heating pads`. `segments`: lengths heated one after the other.
        weather: weather state; `held` the hours that are not simply go, `weather_notes` the same rule by rule.
        fuel_name, fuel, oxygen, energy: for heating; 0 where none is burned or drawn.
        no_heat_text: when no heat would be needed; empty where that is not so.
        chance: share of the forecast's members by which heat is needed; `chance_text` counts them. None and empty: the
            forecast has no members, or there is nothing to count them against.
        hint: the figure and what to do where the table is not accepted yet; empty otherwise.
        heat_note: a sentence on the heating, empty where none is needed.
        reasons, unknowns: sentences of the plan.
        defaults: what the schedule left open and was taken as the stated default.
        measure_off: how far from the weld the steel is measured, on the face away from the flame.
    """

    mark: str
    place: str
    crew: str
    state: JointState
    state_text: str
    start: Moment
    hours: float
    light_up: Moment | None
    earliest_arc: Moment | None
    call: Word
    call_by_air: Word
    air_differs: bool
    unsure: bool
    steel: TempSpan | None
    air: TempSpan | None
    minimum: Temp | None
    target: Temp | None
    maximum: Temp | None
    minutes: Amount | None
    minutes_text: str
    hold: Amount | None
    hold_text: str
    torches: int | None
    heaters_text: str
    segments: int | None
    weather: Word
    held: tuple[HeldHours, ...]
    weather_notes: tuple[str, ...]
    fuel_name: str
    fuel: Amount | None
    oxygen: Amount | None
    energy: Amount | None
    no_heat_text: str
    chance: float | None
    chance_text: str
    hint: str
    heat_note: str
    reasons: tuple[str, ...]
    unknowns: tuple[str, ...]
    defaults: tuple[str, ...]
    measure_off: str


@dataclass(frozen=True, slots=True)
class Count:
    """So many joints have this call or state."""

    word: Word
    count: int


@dataclass(frozen=True, slots=True)
class FuelLine:
    """Fuel and oxygen, or energy, of one heat source in a shift.

    `keep_text`: what keeping warm may take beside it, empty for nothing; `cylinders` in words, of the high end of both.
    """

    source: str
    fuel_name: str
    fuel: Amount
    oxygen: Amount
    cylinders: str
    energy: Amount | None
    keep_text: str


@dataclass(frozen=True, slots=True)
class ShiftBlock:
    """One shift: its totals and its joints.

    Attributes:
        key, day: as in the plan.
        title: `Day, Thu 17 Dec, 06:00 to 16:00`.
        joints_text, torches_text, hands_text: ready for people.
        calls, states: counts, the ones that are there.
        at_least: `3 without a sure amount: amounts are at least`, empty where every joint has one.
        heat: torch-minutes; None where no torch burns.
        fuels: by heat source.
        power_kw: most that electric heaters draw at once; `power_text` with the time, empty where none is on.
        notes: what people must be told.
        people: how cold it is for the crew; None where nothing was worked out.
        hours: torches by the hour; None where none burns.
        lines: the joints, those without a sure amount first, then by light-up time, planned start where there is none.
    """

    key: str
    day: date
    title: str
    start: Moment
    end: Moment
    joints: int
    unknown: int
    joints_text: str
    calls: tuple[Count, ...]
    states: tuple[Count, ...]
    at_least: str
    heat: Amount | None
    torches_at_once: int
    torches_there: int
    torches_text: str
    hands: int
    hands_text: str
    fuels: tuple[FuelLine, ...]
    power_kw: float
    power_text: str
    notes: tuple[str, ...]
    people: PeopleLine | None
    hours: ByHour | None
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class DayLink:
    """A day that can be asked for, and how many shifts it has."""

    day: date
    text: str
    shifts: int


@dataclass(frozen=True, slots=True)
class DefaultTaken:
    """What was taken for a cell left open, and the joints on the sheet that it was taken for.

    `of` is the number of joints on the sheet; the columns of a joint's parts, `kind_1`, `kind_2`, count as one.
    """

    taken: str
    marks: tuple[str, ...]
    of: int


@dataclass(frozen=True, slots=True)
class MorningSheet:
    """The workload of some shifts.

    Attributes:
        header: where the figures come from.
        title: which shifts.
        changes: what is not as it was on the last sheet.
        orders: what of each gas is to be ordered by when; None: not worked out yet, the page of gas does it.
        shifts: in order of time.
        outside: joints of that time whose planned start lies in no shift.
        earlier: marks whose planned start lies before the first shift shown and that are not marked done.
        earlier_text: the same as a sentence, empty where there are none.
        days: every day of the plan that has a shift.
        day, shift_count: as asked for.
        defaults: what the schedule left open and was taken as the stated default; `defaults_text` the same in short.
        notes: how to read the figures.
        cautions: standing cautions.
    """

    header: Header
    title: str
    changes: SheetChanges
    orders: tuple[str, ...] | None
    shifts: tuple[ShiftBlock, ...]
    outside: tuple[Line, ...]
    earlier: tuple[str, ...]
    earlier_text: str
    days: tuple[DayLink, ...]
    day: date | None
    shift_count: int
    defaults: tuple[DefaultTaken, ...]
    defaults_text: str
    notes: tuple[str, ...]
    cautions: tuple[Caution, ...]


def _table_name(site: Site) -> str:
    table = load_code_table(site.table_id, site.own_tables)
    return f"{table.name}, {table.clause}"


def header(plan: Plan, show: Show, now: datetime) -> Header:
    """Where the figures of a plan come from and how old they are at `now` (aware UTC)."""
    site = plan.site
    warnings = list(plan.warnings)
    plan_age_h = (now - plan.made_utc).total_seconds() / 3600.0
    if plan_age_h > OLD_PLAN_H:
        warnings.insert(0, f"This plan was made {age(plan_age_h)} ago and has not been remade since: plan again.")
    forecast = forecast_age(plan.issued_utc, plan.fetched_utc, plan.freshness, now)
    if forecast.outgrown:
        warnings.insert(0, "The forecast of this plan has become too old since the plan was made: plan again.")
    accepted = site.acceptance(site.table_id)
    since_utc = plan.issued_utc or plan.fetched_utc
    age_s = None if since_utc is None or since_utc > now else int((now - since_utc).total_seconds())
    return Header(
        site_id=site.id,
        site_name=site.name,
        zone=site.zone,
        made=show.moment(plan.made_utc, detail="year"),
        made_age_s=max(int(plan_age_h * 3600.0), 0),
        made_age_text=age(max(plan_age_h, 0.0)),
        feed=feed_title(plan.feed),
        credit=plan.attribution,
        issued=optional(show.moment, plan.issued_utc, detail="date"),
        age_text=forecast.text,
        age_s=age_s,
        forecast_end=optional(show.moment, plan.forecast_end_utc, detail="date"),
        freshness=forecast.state,
        freshness_text=forecast.state_text,
        feed_notes=forecast_notes(plan.feed, plan.instead_of, plan.feed_changed, plan.station, plan.air_bias, show),
        warnings=tuple(warnings),
        table_id=site.table_id,
        table=_table_name(site),
        accepted="" if accepted is None else f"{accepted.accepted_by}, {accepted.accepted_on.isoformat()}",
    )


def held_hours(spells: Sequence[WeatherSpell], worst: WeatherState, show: Show) -> tuple[HeldHours, ...]:
    """Spells in words. Their text repeats the state only where it is not the joint's `worst`, which stands beside."""
    rows = []
    for spell in spells:
        start, end, word = show.moment(spell.start_utc), show.moment(spell.end_utc), WEATHER[spell.state]
        reason = " ".join(reason_text(reason, show.system) for reason in spell.reasons)
        source = "; ".join(dict.fromkeys(source_text(reason) for reason in spell.reasons))
        said = reason if spell.state == worst else f"{word.text}: {reason}"
        text = f"{start.text} to {show.moment(spell.end_utc, detail='clock').text}: {said}"
        rows.append(HeldHours(start, end, word, reason, source, text))
    return tuple(rows)


def weather_notes(spells: Sequence[WeatherSpell], show: Show) -> tuple[str, ...]:
    """Each weather rule once for the hours in a row that it holds, with the worst figure of them."""
    runs: list[tuple[datetime, datetime, list[Reason]]] = []
    for spell in spells:
        for reason in spell.reasons:
            for n, (start, end, reasons) in enumerate(runs):
                if end == spell.start_utc and reasons[0].rule == reason.rule:
                    runs[n] = (start, spell.end_utc, [*reasons, reason])
                    break
            else:
                runs.append((spell.start_utc, spell.end_utc, [reason]))
    return tuple(
        f"{show.moment(start).text} to {show.moment(end, detail='clock').text}: "
        f"{reason_text(worst_of(reasons), show.system)}"
        for start, end, reasons in runs
    )


def hint_text(joint_plan: JointPlan, show: Show) -> str:
    """The figure of a table that the site has not accepted, and what to do about it; empty where that is not so."""
    asks = joint_plan.requirement.asks
    if not joint_plan.hint or not asks:
        return ""
    ask = asks[0]
    clause = ask.clause or ask.table_id
    row = ask.row.removeprefix(f"{clause.rpartition(', ')[2]}, ")  # both name the category
    origin = ", ".join(part for part in (clause, row) if part)
    figure_c = max(ask.minimum_c, joint_plan.minimum_c or ask.minimum_c)  # the cold-steel rule may stand above the row
    return (
        f"{show.temp_text(figure_c, 'up')} per {origin} ({ask.basis}): accept the table or enter the procedure's value"
    )


def _no_heat_text(joint_plan: JointPlan, show: Show) -> str:
    """When no heat would be needed; nothing after the end of the joint's window was judged."""
    before, after = joint_plan.no_heat_before_utc, joint_plan.no_heat_after_utc
    parts = []
    if before is not None:
        parts.append(f"if finished before {show.moment(before).text}")
    if after is not None:
        end = show.moment(joint_plan.window_end_utc).text
        parts.append(f"if struck after {show.moment(after, toward='up').text} and finished by {end}")
    return f"no heat {', or '.join(parts)}" if parts else ""


def _chance_text(joint_plan: JointPlan) -> str:
    if joint_plan.chance is None:
        return ""
    return f"{round(joint_plan.chance * joint_plan.members)} of {joint_plan.members} forecast members"


def line(joint_plan: JointPlan, site: Site, show: Show, defaults: Sequence[str] = ()) -> Line:
    """One joint of a plan as a line of the sheet."""
    joint, heat = joint_plan.joint, joint_plan.heat
    table = load_code_table(site.table_id, site.own_tables)
    heaters = () if heat is None or heat.source_id is None else heaters_of(joint, site.heat_source) or ()
    hold = None if heat is None else optional(show.minutes, heat.hold_minutes)
    return Line(
        mark=joint.mark,
        place=joint.place,
        crew=joint.crew,
        state=joint.state,
        state_text=STATES[joint.state],
        start=show.moment(joint.start_utc),
        hours=joint.hours,
        light_up=None if heat is None else optional(show.moment, heat.light_up_utc),
        earliest_arc=None if heat is None else optional(show.moment, heat.earliest_arc_utc, toward="up"),
        call=CALLS[joint_plan.call],
        call_by_air=CALLS[joint_plan.call_by_air],
        air_differs=joint_plan.call != joint_plan.call_by_air,
        unsure=joint_plan.call == "unknown" or without_amount(joint_plan),
        steel=optional(show.span, joint_plan.steel),
        air=optional(show.span, joint_plan.air),
        minimum=optional(show.temp, joint_plan.minimum_c, "up"),
        target=None if heat is None else show.temp(heat.target_c, "up"),
        maximum=optional(show.temp, joint_plan.requirement.maximum_c, "down"),
        minutes=None if heat is None else optional(show.minutes, heat.minutes),
        minutes_text="" if heat is None else NO_TIME[heat.status],
        hold=hold,
        hold_text="" if hold is None else duration(hold.low, "down"),
        torches=None if heat is None else heat.torches,
        heaters_text=heaters_text(heaters) or ("" if heat is None else plural(heat.torches, "torch", "torches")),
        segments=None if heat is None else heat.segments,
        weather=WEATHER[joint_plan.weather_state],
        held=held_hours(joint_plan.weather_spells, joint_plan.weather_state, show),
        weather_notes=weather_notes(joint_plan.weather_spells, show),
        fuel_name=fuel_names(heaters),
        fuel=None if heat is None else optional(show.mass, heat.fuel_kg),
        oxygen=None if heat is None else optional(show.volume, heat.oxygen_m3),
        energy=None if heat is None else optional(show.energy, heat.energy_kwh),
        no_heat_text=_no_heat_text(joint_plan, show),
        chance=joint_plan.chance,
        chance_text=_chance_text(joint_plan),
        hint=hint_text(joint_plan, show),
        heat_note="" if heat is None else heat.note,
        reasons=joint_plan.reasons,
        unknowns=joint_plan.unknowns,
        defaults=tuple(defaults),
        measure_off=measuring_text(joint, joint_plan.requirement, table, show),
    )


def fuel_names(heaters: Sequence[Heaters]) -> str:
    """The fuels of the torches: `propane`, `propane and acetylene`; empty where nothing burns."""
    return " and ".join(dict.fromkeys(gas(one.source.fuel).name for one in heaters if one.source.fuel is not None))


def _cylinders_text(total: FuelTotal) -> str:
    return _cylinder_counts(total, total.fuel_cylinders, total.oxygen_cylinders)


def _cylinder_counts(total: FuelTotal, fuel: int | None, oxygen: int | None) -> str:
    parts = [
        f"{count} × {name}" if count is not None else f"{what} not counted in cylinders"
        for what, count, name in (("fuel", fuel, total.fuel_cylinder), ("oxygen", oxygen, total.oxygen_cylinder))
        if count != 0
    ]
    return ", ".join(parts)


def _fuel_line(total: FuelTotal, site: Site, show: Show) -> FuelLine:
    source = site.heat_source(total.source_id)
    return FuelLine(
        source=total.source_id if source is None else source.name,
        fuel_name="fuel" if source is None else "" if source.fuel is None else gas(source.fuel).name,
        fuel=show.mass(total.fuel_kg),
        oxygen=show.volume(total.oxygen_m3),
        cylinders=_cylinders_text(total),
        energy=show.energy(total.energy_kwh) if total.energy_kwh is not None and _any(total.energy_kwh) else None,
        keep_text="" if total.keep is None else keep_text(total, total.keep, show),
    )


def keep_text(total: FuelTotal, keep: SourceAmounts, show: Show) -> str:
    """What keeping warm may take: `up to 4 lb, oxygen up to 120 ft³ (1 × 251 ft³ oxygen more)`; empty for nothing."""
    if _any(keep.energy_kwh):
        return f"keeping warm {show.energy(keep.energy_kwh).short}"
    if not _any(keep.fuel_kg):
        return ""
    oxygen = f", oxygen {show.volume(keep.oxygen_m3).short}" if _any(keep.oxygen_m3) else ""
    more = _cylinder_counts(total, total.keep_fuel_cylinders or 0, total.keep_oxygen_cylinders or 0)
    return f"keeping warm {show.mass(keep.fuel_kg).short}{oxygen}" + (f" ({more} more)" if more else "")


def _any(amount: Range) -> bool:
    return amount.high > 0.0


def unsure_first(lines: Sequence[Line]) -> tuple[Line, ...]:
    """What nobody knows yet stands above what only has to be done; each in the order given."""
    return tuple(sorted(lines, key=lambda one: not one.unsure))


def shift_title(total: ShiftTotal, show: Show) -> str:
    """`Day, Thu 17 Dec, 06:00 to 16:00`."""
    start, end = show.moment(total.start_utc, detail="clock"), show.moment(total.end_utc, detail="clock")
    return f"{capital(total.name)}, {day_text(total.day)}, {start.text} to {end.text}"


def _shift_block(total: ShiftTotal, lines: Sequence[Line], plan: Plan, show: Show) -> ShiftBlock:
    site = plan.site
    start, end = show.moment(total.start_utc, detail="clock"), show.moment(total.end_utc, detail="clock")
    if total.torches_at_once and total.torches_at_utc is not None:
        torches_text = f"{total.torches_at_once} at once at {show.moment(total.torches_at_utc).text}"
    else:
        torches_text = "not known" if total.unknown else "none"
    power_text = ""
    if total.power_utc is not None:
        power_text = f"{trimmed(total.power_kw, 1)} kW at once at {show.moment(total.power_utc).text}"
    return ShiftBlock(
        key=total.key,
        day=total.day,
        title=shift_title(total, show),
        start=start,
        end=end,
        joints=total.joints,
        unknown=total.unknown,
        joints_text=plural(total.joints, "joint"),
        calls=tuple(Count(word, total.calls[call]) for call, word in CALLS.items() if total.calls.get(call)),
        states=tuple(Count(word, total.states[state]) for state, word in WEATHER.items() if total.states.get(state)),
        at_least=f"{total.unknown} without a sure amount: amounts are at least" if total.unknown else "",
        heat=show.torch_minutes(total.heat_minutes) if _any(total.heat_minutes) else None,
        torches_at_once=total.torches_at_once,
        torches_there=total.torches_there,
        torches_text=f"{torches_text}; {total.torches_there} on the site",
        hands=total.hands,
        hands_text=f"{plural(total.hands, 'person', 'people')} to hold them",
        fuels=tuple(_fuel_line(fuel, site, show) for fuel in total.fuels),
        power_kw=total.power_kw,
        power_text=power_text,
        notes=total.notes,
        people=people_line(total.people, show),
        hours=by_hour(plan, total, show),
        lines=unsure_first(lines),
    )


def shifts_shown(plan: Plan, now: datetime, day: date | None, count: int) -> tuple[ShiftTotal, ...]:
    """The shifts of a sheet: `count` from a day on, without one from the shift that is running or comes next."""
    return tuple(shift for shift in plan.shifts if (shift.end_utc > now if day is None else shift.day >= day))[:count]


def _period(plan: Plan, chosen: Sequence[ShiftTotal]) -> tuple[datetime, datetime]:
    """From the end of the shift before the first one to the start of the one after the last.

    A joint between two shifts is on the sheets of both, so that nobody can page past it.
    """
    first, last = chosen[0].start_utc, chosen[-1].end_utc
    before = [shift.end_utc for shift in plan.shifts if shift.start_utc < first]
    after = [shift.start_utc for shift in plan.shifts if shift.start_utc > chosen[-1].start_utc]
    far = timedelta(days=366)
    return max(before, default=first - far), min(after, default=last + far)


def _defaults_taken(lines: Sequence[Line]) -> tuple[DefaultTaken, ...]:
    marks: dict[str, dict[str, None]] = {}
    for one in lines:
        for taken in one.defaults:
            marks.setdefault(_PART_NUMBER.sub(":", taken), {})[one.mark] = None
    return tuple(DefaultTaken(taken, tuple(some), len(lines)) for taken, some in marks.items())


def _defaults_text(defaults: Sequence[DefaultTaken]) -> str:
    """In short, since the page of each joint lists its own."""
    every = "; ".join(one.taken for one in defaults if len(one.marks) == one.of)
    some = "; ".join(f"{one.taken} ({len(one.marks)} of {one.of})" for one in defaults if len(one.marks) < one.of)
    parts = [f"{who}: {what}." for who, what in (("Every joint", every), ("Some", some)) if what]
    return " ".join(["Left open in the schedule and taken as stated.", *parts]) if parts else ""


def morning_sheet(
    plan: Plan,
    show: Show,
    now: datetime,
    *,
    day: date | None = None,
    shift_count: int = 2,
    defaults: Mapping[str, Sequence[str]] | None = None,
    before: Plan | None = None,
    gas: GasPlan | None = None,
    gone_states: Mapping[str, JointState] | None = None,
) -> MorningSheet:
    """The sheet of `shift_count` shifts.

    Args:
        plan: of the site.
        show: units and zone.
        now: aware UTC; decides which shifts come next, and the ages.
        day: first local day; None: from the shift that is running or comes next.
        shift_count: how many shifts.
        defaults: mark -> what the schedule left open and was taken as the stated default.
        before: plan of the last sheet; None: there is none.
        gas: of this plan and the ledger as it stands; None: not worked out yet, and the sheet does not wait for it.
        gone_states: mark -> state of joints that are no longer on the plan, as far as they are known.

    Returns:
        The view. Without any shift from `day` on it shows the joints outside the shifts and says so in its title.
    """
    defaults = defaults or {}
    chosen = shifts_shown(plan, now, day, shift_count)

    def lines(joint_plans: Sequence[JointPlan]) -> list[Line]:
        return [line(jp, plan.site, show, defaults.get(jp.joint.mark, ())) for jp in joint_plans]

    if chosen:
        start, end = _period(plan, chosen)
        outside = [jp for jp in plan.joints if jp.shift_key is None and start <= jp.joint.start_utc < end]
        days = dict.fromkeys(day_text(shift.day) for shift in chosen)
        title = f"{plural(len(chosen), 'shift')}: {', '.join(days)}"
    else:
        zone = ZoneInfo(plan.site.zone)
        outside = [
            jp
            for jp in plan.joints
            if jp.shift_key is None and (day is None or jp.joint.start_utc.astimezone(zone).date() >= day)
        ]
        title = "no shift in this time"
    per_day = Counter(shift.day for shift in plan.shifts)
    shown = {shift.key for shift in chosen}
    blocks = tuple(
        _shift_block(shift, lines([jp for jp in plan.joints if jp.shift_key == shift.key]), plan, show)
        for shift in chosen
    )
    outside_lines = unsure_first(lines(outside))
    taken = _defaults_taken([*(one for block in blocks for one in block.lines), *outside_lines])
    earlier = _earlier(plan, blocks, outside_lines, now)
    return MorningSheet(
        header=header(plan, show, now),
        title=title,
        changes=sheet_changes(before, plan, frozenset({*shown, None}), gone_states or {}, show),
        orders=_orders(gas, plan),
        shifts=blocks,
        outside=outside_lines,
        earlier=earlier,
        earlier_text=_earlier_text(earlier),
        days=tuple(DayLink(one, day_text(one), count) for one, count in sorted(per_day.items())),
        day=day,
        shift_count=shift_count,
        defaults=taken,
        defaults_text=_defaults_text(taken),
        notes=(
            READING_NOTE,
            *NOT_COUNTED,
            KEEPING_COUNTED,
            *((PEOPLE_NOTE,) if any(block.people and block.people.text for block in blocks) else ()),
            *((OUTSIDE_NOTE,) if outside else ()),
        ),
        cautions=CAUTIONS,
    )


def as_of(sheet: MorningSheet, plan: Plan, show: Show, now: datetime, gas: GasPlan | None) -> MorningSheet:
    """A sheet that was made a while ago from the same plan for the same shifts, with all that the clock changes.

    Args:
        sheet: what `morning_sheet` made.
        plan: it was made from.
        show: as then.
        now: aware UTC.
        gas: as for `morning_sheet`.
    """
    earlier = _earlier(plan, sheet.shifts, sheet.outside, now)
    return replace(
        sheet,
        header=header(plan, show, now),
        orders=_orders(gas, plan),
        earlier=earlier,
        earlier_text=_earlier_text(earlier),
    )


def _orders(gas: GasPlan | None, plan: Plan) -> tuple[str, ...] | None:
    return None if gas is None else order_headlines(gas, plan.site)


def _earlier(plan: Plan, blocks: Sequence[ShiftBlock], outside: Sequence[Line], now: datetime) -> tuple[str, ...]:
    """Marks of the joints before the first shift shown, or before now where none is, that stand nowhere else."""
    first_utc = min(blocks[0].start.utc, now) if blocks else now
    shown, on_sheet = {block.key for block in blocks}, {one.mark for one in outside}
    return tuple(
        jp.joint.mark
        for jp in plan.joints
        if jp.joint.start_utc < first_utc and jp.shift_key not in shown and jp.joint.mark not in on_sheet
    )


def _earlier_text(earlier: Sequence[str]) -> str:
    return f"From earlier shifts and not marked done: {', '.join(earlier)}." if earlier else ""


@dataclass(frozen=True, slots=True)
class LinesPart:
    """Some lines of a shift, as many as a page takes.

    Attributes:
        lines: of this part; empty where the shift has no such part.
        first, last: place of the first and the last line among all, from 1.
        parts: how many the shift has.
        elsewhere: what stands on the other parts, counted by heat call, and by weather where it is not go; empty where
            nothing does.
    """

    lines: tuple[Line, ...]
    first: int
    last: int
    parts: int
    elsewhere: str


def part_of(every: Sequence[Line], number: int | None, size: int = LINES_A_PART) -> LinesPart:
    """Part `number` of the lines of a shift, from 1; None: all of them."""
    if number is None:
        return LinesPart(tuple(every), 1, len(every), 1, "")
    start = (number - 1) * size
    lines, others = tuple(every[start : start + size]), [*every[:start], *every[start + size :]]
    calls, states = Counter(one.call.code for one in others), Counter(one.weather.code for one in others)
    said = [f"{calls[word.code]} {word.text}" for word in CALLS.values() if calls[word.code]]
    sky = [f"{states[word.code]} {word.text}" for code, word in WEATHER.items() if code != "go" and states[word.code]]
    elsewhere = ", ".join(said) + (f"; weather: {', '.join(sky)}" if sky else "")
    return LinesPart(lines, start + 1, start + len(lines), -(-len(every) // size), elsewhere)


def all_lines(sheet: MorningSheet) -> list[tuple[str, Line]]:
    """Every line of a sheet with the title of its group, for files and the terminal."""
    rows = [(block.title, row) for block in sheet.shifts for row in block.lines]
    return rows + [("outside every shift", row) for row in sheet.outside]
