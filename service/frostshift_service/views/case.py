"""One case as shown: the answer first, then the heat, why, and the arithmetic; for page, JSON and terminal alike."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from math import isfinite
from typing import Final, TypeGuard, get_args
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from frostshift_rules.case import Case, CaseAnswer, Figure, work
from frostshift_rules.delivered import Heaters
from frostshift_rules.gas import KEEPING_COUNTED, KEEPING_NOT_COUNTED, NOT_COUNTED, gas
from frostshift_rules.heat_options import heat_options, job_of
from frostshift_rules.heat_sources import known_sources, library
from frostshift_rules.job import CodeUnits
from frostshift_rules.stops import WeatherState
from frostshift_rules.workload import HeatCall, HeatPlan, Range
from frostshift_service.case_file import ReadCase
from frostshift_service.store.records import ShowUnits
from frostshift_service.views.arithmetic import Step, gas_steps, heating_steps
from frostshift_service.views.joint import TOPICS, WHO_ASKS, InstructionRow, part_text
from frostshift_service.views.options import OptionTable, arc_wait_text, keep_warm_steps, option_lines, option_tables
from frostshift_service.views.sheet import fuel_names
from frostshift_service.views.show import Show, duration
from frostshift_service.views.words import CALLS, CAUTIONS, WEATHER, Word

WIDTH: Final = 100
INDENT: Final = "  "
NEVER: Final = (
    "Worked from what was stated. It never replaces a measurement, the welding procedure, local codes or licensed "
    "practice."
)
ENGINE: Final = (
    "heat conduction (Carslaw and Jaeger, product solution; for a flange the response of its section), worked out "
    "here; no measured heating was available to check it against"
)
SAID_ABOVE: Final = frozenset({"method", "minimum", "maximum", "extent"})
"""Topics that the answer has said already."""
_SHOW_UNITS: Final[dict[CodeUnits, ShowUnits]] = {"us": "us", "si": "si", "either": "both"}


@dataclass(frozen=True, slots=True)
class CaseAsk:
    """One figure that was asked for; `decides` marks the one that holds."""

    who: str
    minimum_c: float
    minimum: str
    row: str
    clause: str
    basis: str
    note: str
    decides: bool


@dataclass(frozen=True, slots=True)
class CaseSource:
    """Where a figure or rule of the answer stands, and how sure our copy of it is."""

    what: str
    source: str
    basis: str


@dataclass(frozen=True, slots=True)
class CaseWords:
    """The answer in the units of the case; empty where a figure is missing."""

    call: Word
    weather: Word
    minimum: str
    maximum: str
    target: str
    extent: str
    heat: str
    hold: str
    fuel: str
    oxygen: str
    energy: str
    measured_share: str


@dataclass(frozen=True, slots=True)
class CaseView:
    """The answer to one case.

    Attributes:
        case: its number in the file, from 1.
        name: as stated; empty where it has none.
        call: what to do about heat.
        weather: what the weather at the weld allows.
        minimum_c, maximum_c, target_c: [°C]; None: see `missing`.
        extent_mm: warm on every side of the weld and through the thickness; None where the case could not be read.
        clause, basis: of the figure that decides; None where nothing does.
        hint: the figures rest on a row that has to be accepted first.
        heat_minutes: torch burning before the first arc; of the first length where there are several.
        hold_minutes: from torch off until the coldest required point is back at the minimum.
        fuel_kg, oxygen_m3: for the whole weld; oxygen at 15 °C and 101.325 kPa.
        energy_kwh: drawn by electric heaters for the whole weld.
        reheats, reheat_minutes: how often it is heated again while it is welded, and torch time of one; None where the
            hours of welding are not stated or there is no time.
        keep_fuel_kg, keep_oxygen_m3, keep_energy_kwh: for that, beside the amounts above.
        arc_wait_minutes: from pass to pass, so that the heat of the arc does not carry the weld above the maximum; None
            where it is not worked out, or where no wait up to four hours is long enough.
        measured_share: share of the source's heat that reached the steel, by the measured minutes.
        lengths: the weld is heated in so many lengths, one after the other; None where no heat is worked out.
        missing: why a figure is None, by its key.
        reasons: why, the most important first, the defaults taken at the end.
        table, maximum_source: for people.
        parts: as they were read.
        asks: every figure that was looked up, the deciding one first.
        steps: the arithmetic of heat and gas.
        alternatives: what else could be done; empty unless it was asked for.
        instructions: what is asked of the joint, topic by topic.
        sources: where the figures stand.
        notes: what is left out.
        cautions: standing cautions.
        words: the answer in the units of the case.
    """

    case: int
    name: str
    call: HeatCall
    weather: WeatherState
    minimum_c: float | None
    maximum_c: float | None
    target_c: float | None
    extent_mm: float | None
    clause: str | None
    basis: str | None
    hint: bool
    heat_minutes: Range | None
    hold_minutes: Range | None
    fuel_kg: Range | None
    oxygen_m3: Range | None
    energy_kwh: Range | None
    reheats: Range | None
    reheat_minutes: Range | None
    keep_fuel_kg: Range | None
    keep_oxygen_m3: Range | None
    keep_energy_kwh: Range | None
    arc_wait_minutes: float | None
    measured_share: Range | None
    lengths: int | None
    missing: dict[str, str]
    reasons: tuple[str, ...]
    table: str
    maximum_source: str
    parts: tuple[str, ...]
    asks: tuple[CaseAsk, ...]
    steps: tuple[Step, ...]
    alternatives: tuple[OptionTable, ...]
    instructions: tuple[InstructionRow, ...]
    sources: tuple[CaseSource, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    words: CaseWords


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with one field of a case."""

    field: str
    value: str
    message: str
    limit: str


@dataclass(frozen=True, slots=True)
class FailedCase(CaseView):
    """A case with an error: one that could not be read, or whose values lie outside what the method covers."""

    error: str
    problems: tuple[Problem, ...]


AnyCase = FailedCase | CaseView
_CASES: Final[TypeAdapter[list[AnyCase]]] = TypeAdapter(list[AnyCase])


def show_of(units: CodeUnits) -> Show:
    """How the figures of a case look: in the units of its code; no time is shown."""
    return Show(_SHOW_UNITS[units], ZoneInfo("UTC"))


def case_views(cases: Sequence[ReadCase], *, alternatives: bool = False) -> list[AnyCase]:
    """The cases worked and ready to be shown, in their order; with `alternatives`, what else could be done at each."""
    return [_unread(one) if one.case is None else _worked(one, one.case, alternatives=alternatives) for one in cases]


def failed(views: Sequence[AnyCase]) -> bool:
    """Whether any case carries an error."""
    return any(isinstance(view, FailedCase) for view in views)


def cases_json(views: Sequence[AnyCase]) -> bytes:
    """The list as JSON, for the command and the pages' twin alike."""
    return _CASES.dump_json(list(views), indent=1) + b"\n"


def _unread(read: ReadCase) -> FailedCase:
    why = "The case could not be read."
    figures = [str(figure) for figure in get_args(Figure)]
    return FailedCase(
        case=read.number,
        name=read.name,
        call="unknown",
        weather="unknown",
        minimum_c=None,
        maximum_c=None,
        target_c=None,
        extent_mm=None,
        clause=None,
        basis=None,
        hint=False,
        heat_minutes=None,
        hold_minutes=None,
        fuel_kg=None,
        oxygen_m3=None,
        energy_kwh=None,
        reheats=None,
        reheat_minutes=None,
        keep_fuel_kg=None,
        keep_oxygen_m3=None,
        keep_energy_kwh=None,
        arc_wait_minutes=None,
        measured_share=None,
        lengths=None,
        missing=dict.fromkeys(figures, why),
        reasons=(),
        table="",
        maximum_source="",
        parts=(),
        asks=(),
        steps=(),
        alternatives=(),
        instructions=(),
        sources=(),
        notes=(),
        cautions=(),
        words=CaseWords(CALLS["unknown"], WEATHER["unknown"], *[""] * 10),
        error="; ".join(problem.text for problem in read.problems),
        problems=tuple(Problem(one.field, one.value, one.message, one.limit) for one in read.problems),
    )


def _worked(read: ReadCase, case: Case, *, alternatives: bool) -> AnyCase:
    answer = work(case)
    asked, heat, show = answer.asked, answer.heat, show_of(case.units)
    view = CaseView(
        case=read.number,
        name=read.name,
        call=answer.call,
        weather=answer.weather,
        minimum_c=answer.minimum_c,
        maximum_c=asked.maximum_c,
        target_c=answer.target_c,
        extent_mm=asked.extent_mm,
        clause=None if answer.decides is None else answer.decides.clause or answer.decides.row,
        basis=None if answer.decides is None else answer.decides.basis,
        hint=answer.hint,
        heat_minutes=answer.heat_minutes,
        hold_minutes=answer.hold_minutes,
        fuel_kg=answer.fuel_kg,
        oxygen_m3=answer.oxygen_m3,
        energy_kwh=answer.energy_kwh,
        reheats=None if heat is None else heat.reheats,
        reheat_minutes=None if heat is None else heat.reheat_minutes,
        keep_fuel_kg=None if heat is None else heat.keep_fuel_kg,
        keep_oxygen_m3=None if heat is None else heat.keep_oxygen_m3,
        keep_energy_kwh=None if heat is None else heat.keep_energy_kwh,
        arc_wait_minutes=_finite(None if heat is None else heat.arc_wait_minutes),
        measured_share=answer.measured_share,
        lengths=None if answer.heat_minutes is None or heat is None else heat.segments,
        missing={str(figure): why for figure, why in answer.missing.items()},
        reasons=(*answer.reasons, *filter(None, ("" if heat is None else arc_wait_text(heat, show),))),
        table=f"{case.table.name}, {case.table.clause}",
        maximum_source=asked.maximum_source,
        parts=tuple(part_text(part, show) for part in case.joint.parts),
        asks=tuple(_asks(answer, show)),
        steps=tuple(_steps(answer, show)),
        alternatives=_alternatives(answer, show) if alternatives else (),
        instructions=tuple(
            InstructionRow(one.topic, TOPICS[one.topic], one.text, one.source) for one in answer.instructions
        ),
        sources=tuple(_sources(answer)),
        notes=(*NOT_COUNTED, _keeping_note(heat)) if _some(answer.fuel_kg) else (),
        cautions=(NEVER, *(caution.text for caution in CAUTIONS[2:4])),
        words=_words(answer, show),
    )
    if not asked.out_of_range:
        return view
    problems = tuple(Problem("", "", text.rstrip("."), "") for text in asked.out_of_range)
    error = "; ".join(problem.message for problem in problems)
    known = {one.name: getattr(view, one.name) for one in fields(view)}
    return FailedCase(**known, error=error, problems=problems)


def _words(answer: CaseAnswer, show: Show) -> CaseWords:
    asked = answer.asked
    minutes, hold, share = answer.heat_minutes, answer.hold_minutes, answer.measured_share
    heat = answer.heat
    lengths = f" for each of {heat.segments} lengths" if heat is not None and heat.segments > 1 else ""
    return CaseWords(
        call=CALLS[answer.call],
        weather=WEATHER[answer.weather],
        minimum="" if answer.minimum_c is None else show.temp_text(answer.minimum_c, "up"),
        maximum="" if asked.maximum_c is None else show.temp_text(asked.maximum_c, "down"),
        target="" if answer.target_c is None else show.temp_text(answer.target_c, "up"),
        extent=f"{show.length_text(asked.extent_mm)} on every side of the weld and through the thickness",
        heat="" if minutes is None else show.minutes(minutes).text + lengths,
        hold="" if hold is None else _hold(hold),
        fuel=_fuel(answer, show),
        oxygen=_oxygen(answer, show),
        energy="" if not _some(answer.energy_kwh) else show.energy(answer.energy_kwh).text,
        measured_share="" if share is None else f"{share.likely:.0%}, {share.low:.0%} to {share.high:.0%}",
    )


def _some(amount: Range | None) -> TypeGuard[Range]:
    return amount is not None and amount.high > 0.0


def _fuel(answer: CaseAnswer, show: Show) -> str:
    """Empty where nothing burns, or the amount is not known."""
    names = fuel_names(answer.case.heaters or ())
    return "" if answer.fuel_kg is None or not names else f"{names} {show.mass(answer.fuel_kg).text}"


def _oxygen(answer: CaseAnswer, show: Show) -> str:
    if answer.oxygen_m3 is None or not fuel_names(answer.case.heaters or ()):
        return ""
    return show.volume(answer.oxygen_m3).text if _some(answer.oxygen_m3) else "none: air torch"


def _hold(hold: Range) -> str:
    least, likely = duration(hold.low, "down"), duration(hold.likely)
    return f"at least {least}" if least == likely else f"at least {least}, likely {likely}"


def _asks(answer: CaseAnswer, show: Show) -> Iterator[CaseAsk]:
    """The figure that decides first, whatever its place was."""
    asks = answer.asked.asks
    for ask in sorted(asks, key=lambda one: one is not answer.decides):
        yield CaseAsk(
            who=WHO_ASKS.get(ask.what, ask.what.replace("_", " ")),
            minimum_c=ask.minimum_c,
            minimum=show.temp_text(ask.minimum_c, "up"),
            row=ask.row,
            clause=ask.clause,
            basis=ask.basis,
            note=ask.note,
            decides=ask is answer.decides,
        )


# Arithmetic -----------------------------------------------------------------------------------------------------------


def _steps(answer: CaseAnswer, show: Show) -> Iterator[Step]:
    heat, heaters, case = answer.heat, answer.case.heaters, answer.case
    if heat is None or heaters is None:
        return
    air = "" if case.air_c is None else f" at {show.temp_text(case.air_c)}"
    yield from heating_steps(case.joint, heat, heaters, case.choices, show, air)
    yield from keep_warm_steps(heat, show)
    yield from gas_steps(heat, heaters, show)


def _alternatives(answer: CaseAnswer, show: Show) -> tuple[OptionTable, ...]:
    heat, case = answer.heat, answer.case
    job = None if heat is None else job_of(heat, case.joint, case.heaters)
    if heat is None or job is None:
        return ()
    return option_tables(heat, heat_options(job, case.choices), show)


def _keeping_note(heat: HeatPlan | None) -> str:
    return KEEPING_NOT_COUNTED if heat is None or heat.reheats is None else KEEPING_COUNTED


def _finite(minutes: float | None) -> float | None:
    return minutes if minutes is not None and isfinite(minutes) else None


def _sources(answer: CaseAnswer) -> Iterator[CaseSource]:
    case, table = answer.case, answer.case.table
    of_asks = {}
    for ask in answer.asked.asks:
        if ask.clause:
            what = "raised minimum of cold steel" if ask.what == "cold_steel" else f"minimum, {ask.row}"
            where = f"{table.standard}, {ask.clause}" if ask.table_id == table.id else ask.clause
            of_asks[what] = CaseSource(what, where, ask.basis)
    yield from of_asks.values()
    for what, source in (
        ("how far from the weld it has to be warm", table.extent.source),
        ("least air temperature at the weld", table.ambient.source),
        ("wind at the weld", table.wind.source),
        ("wet surfaces", table.wet),
    ):
        yield CaseSource(what, f"{table.standard}, {source.clause}", source.basis)
    yield CaseSource(
        "where and when to measure",
        f"{table.measuring.standard}, {table.measuring.source.clause}",
        table.measuring.source.basis,
    )
    if answer.heat is None or case.heaters is None:
        return
    several = len(case.heaters) > 1
    for one in case.heaters:
        yield from _rate_and_share(one, f", {one.source.name}" if several else "")
    yield CaseSource("heating time and hold", ENGINE, "our choice")
    for fuel in dict.fromkeys(one.source.fuel for one in case.heaters if one.source.fuel is not None):
        record = gas(fuel)
        yield CaseSource(f"heating value of {record.name}", record.heat.source, record.heat.basis)
        yield CaseSource(f"density of {record.name}", record.density.source, record.density.basis)
        if any(one.source.oxygen_ratio is None for one in case.heaters if one.source.fuel == fuel):
            of = f", {record.name}" if several else ""
            yield CaseSource(f"torch oxygen to fuel{of}", record.oxygen.origin.source, record.oxygen.origin.basis)


def _rate_and_share(one: Heaters, name: str) -> Iterator[CaseSource]:
    source = one.source
    known = known_sources().get(source.id)
    if known is not None and known.source == source:
        yield CaseSource(f"rate of the {source.name}", known.origin.source, known.origin.basis)
    what = f"share of the heat that reaches the steel{name}"
    if source.measured is not None:
        measured = source.measured
        heatings = "1 heating" if measured.heatings == 1 else f"{measured.heatings} heatings"
        where = f"{heatings} timed by {measured.by}, the last on {measured.on.isoformat()}"
        yield CaseSource(what, where, "measured on this site")
        return
    if source.fuel is None:
        origin = library().shares[source.kind].origin
    else:
        record = gas(source.fuel)
        origin = (record.share_with_air if source.oxygen_ratio == 0.0 else record.share_with_oxygen).origin
    yield CaseSource(what, origin.source, origin.basis)


# Terminal -------------------------------------------------------------------------------------------------------------


def cases_text(views: Sequence[AnyCase]) -> str:
    """The cases as plain text, ready to print."""
    return "\n\n".join(_case_text(view, of=len(views)) for view in views)


def _case_text(view: AnyCase, of: int) -> str:
    title = ": ".join(filter(None, (f"CASE {view.case}" if of > 1 or not view.name else "", view.name)))
    rows = [title]
    if isinstance(view, FailedCase):
        rows.append("Error:")
        rows += [
            _wrapped(f"- {one.field}: {one.message}" if one.field else f"- {one.message}", INDENT)
            for one in view.problems
        ]
    if view.extent_mm is None:
        return "\n".join(rows)
    rows += [_wrapped("; ".join(view.parts), ""), ""]
    rows += [_row(label, text) for label, text in answer_lines(view)]
    rows += ["", "Why"]
    rows += [_wrapped(f"- {reason}", INDENT) for reason in view.reasons]
    rows += ["", f"What is asked ({view.table})"]
    for ask in view.asks:
        decides = ", decides" if ask.decides else ""
        where = ", ".join(filter(None, (ask.row, ask.clause))) or "as stated"
        rows.append(_wrapped(f"- {ask.minimum} by the {ask.who}{decides}: {where} ({ask.basis}). {ask.note}", INDENT))
    rows += ["", "What to do"]
    for one in view.instructions:
        if one.topic in SAID_ABOVE:
            continue
        source = f" ({one.source})" if one.source else ""
        rows.append(_wrapped(f"- {one.heading}: {one.text}{source}", INDENT))
    if view.steps:
        rows += ["", "Arithmetic"]
        rows += [_wrapped(f"- {step.what}: {step.how} = {step.result}", INDENT) for step in view.steps]
    if view.alternatives:
        rows += ["", "What else could be done"]
        rows += [_wrapped(text.strip(), INDENT) for text in option_lines(view.alternatives)]
    rows += ["", "Sources"]
    rows += [_wrapped(f"- {one.what}: {one.source.rstrip('.')} ({one.basis})", INDENT) for one in view.sources]
    rows += ["", *(_wrapped(text, "") for text in (*view.notes, *view.cautions))]
    return "\n".join(rows)


def answer_lines(view: AnyCase) -> list[tuple[str, str]]:
    """The answer, label and text: what somebody at the joint reads first."""
    words, missing = view.words, view.missing
    call = words.call.text + (" (the figures are a hint)" if view.hint else "")
    by = f", {view.clause} ({view.basis})" if view.clause else ""
    maximum = f"{words.maximum}, {view.maximum_source}" if words.maximum else missing["maximum_c"]
    lines = [
        ("Heat", call),
        ("Weather", words.weather.text),
        ("Minimum", words.minimum + by if words.minimum else f"unknown: {missing['minimum_c']}"),
        ("Maximum", maximum),
        ("Warm", words.extent),
    ]
    if words.target:
        lines.append(("Heat to", words.target))
    if words.heat:
        lines += [("Heating", words.heat), ("Holds", words.hold)]
        amounts = (("Fuel", words.fuel), ("Oxygen", words.oxygen), ("Energy", words.energy))
        lines += [(label, text) for label, text in amounts if text]
    else:
        lines.append(("Heating", missing.get("heat_minutes", "")))
    if words.measured_share:
        lines.append(("Share", f"{words.measured_share} of the source's heat, by the measured time"))
    return lines


def _row(label: str, text: str) -> str:
    return textwrap.fill(f"{label + ':':<9} {text}", WIDTH, subsequent_indent=" " * 10)


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def sources_text() -> str:
    """The library of heat sources, one a paragraph."""
    rows = []
    for known in known_sources().values():
        source = known.source
        share = f"share {source.share_low:.0%} to {source.share_high:.0%}, likely {source.share_likely:.0%}"
        covers = "" if source.area_m2 is None else f" on {source.area_m2:g} m2"
        rows.append(
            f"{source.id}: {source.name}, {source.net_kw:g} kW{'' if source.electric else ' net'}{covers}, {share}"
        )
        rows.append(_wrapped(f"{known.origin.source} ({known.origin.basis})", INDENT))
    return "\n".join(rows)
