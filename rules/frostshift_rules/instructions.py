"""What the tool asks of a joint, topic by topic, in short sentences for the people who weld it.

Everything is worked out in the units of the job's code and said in those of the reader, the code's own figure beside it
where they differ. Where the minimum is unknown no sentence makes one up: it says so and
sends to the welding procedure. Least temperatures are rounded up and highest ones down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal, get_args

from frostshift_rules.code_table import CodeTable
from frostshift_rules.electrodes import ExposureLimit, electrode_table, exposure_limit
from frostshift_rules.figures import (
    Ask,
    SayUnits,
    in_units,
    least_length_text,
    least_text,
    length_text,
    measuring_distance_text,
    most_length_text,
    most_text,
    say_units,
)
from frostshift_rules.job import CodeUnits, Joint
from frostshift_rules.operations import (
    Crayon,
    CutKind,
    Layers,
    access_hole,
    estimated_layers,
    is_quenched_and_tempered,
    operations,
    torch_ceiling,
)
from frostshift_rules.preheat import Requirement, measuring_points, soak_minutes
from frostshift_rules.sentences import capital
from frostshift_rules.stops import HIGH_WIND_MS, ambient_limit_c, wind_limit_ms
from frostshift_rules.strict import Source
from frostshift_rules.units import System, c_from_f, f_from_c, mph_from_ms

Topic = Literal[
    "method",
    "minimum",
    "between_passes",
    "maximum",
    "extent",
    "where_when",
    "with",
    "tacks",
    "electrodes",
    "stops",
    "access_holes",
    "repairs",
    "cautions",
]

TOPICS: Final[tuple[Topic, ...]] = get_args(Topic)
"""In the order in which they are said."""

MOST_CAUTIONS: Final = 4
"""So many of a joint's own cautions are said: a longer list is not read (our choice)."""
UNEQUAL: Final = 1.5
"""Parts whose thicknesses differ by this factor warm through so unequally that it is worth saying (our choice)."""

_ADVICE: Final = "Common practice, no source"
_MINIMUMS: Final = "AWS D1.1, rider of the preheat table; second hand"
_REMEMBERED: Final = "Common practice; from memory"
_WAYS: Final = {
    "formula": "By the formula",
    "hydrogen_control": "By hydrogen control",
    "procedure": "By the job's own value",
    "cold_steel": "By the cold-steel rule",
}


@dataclass(frozen=True, slots=True)
class Instruction:
    """One thing that is asked of a joint.

    Attributes:
        topic: one of `TOPICS`; `cautions` may come more than once.
        text: one or two sentences.
        source: clause and basis, or that there is none; empty where the sentence says only what the schedule says.
    """

    topic: Topic
    text: str
    source: str


def instructions(
    joint: Joint, asked: Requirement, table: CodeTable, units: CodeUnits, reader: System | Literal["both"] | None = None
) -> tuple[Instruction, ...]:
    """What is asked of a joint, topic by topic in the order of `TOPICS`.

    Args:
        joint: the joint.
        asked: what table and procedure ask of it.
        table: the code table of the job.
        units: unit system of the job's code; everything is worked out in it.
        reader: units that it is said in, the code's own figure beside them; None: those of the code.

    Returns:
        One instruction a topic; `access_holes` only where a part is thick enough, `cautions` up to three.
    """
    say = units if reader is None else say_units(units, reader)
    of_joint = _own_units(units, reader)
    return (
        _method(asked, table),
        _minimum(asked, table, say),
        _between_passes(joint, asked, units, say, of_joint),
        _maximum(joint, asked, table, say),
        _extent(asked, table, say),
        _where_when(joint, asked, table, say, of_joint),
        _with(asked, units, say, of_joint),
        _tacks(joint, asked, say),
        _electrodes(joint, units, say),
        _stops(joint, table, units, say, of_joint),
        *_access_holes(joint, units, say, of_joint),
        _repairs(of_joint),
        *_cautions(joint, table, units, say, of_joint)[:MOST_CAUTIONS],
    )


# ---------------------------------------------------------------- words


def _source(source: Source, standard: str = "") -> str:
    clause = f"{standard}, {source.clause}" if standard else source.clause
    return f"{clause}; {source.basis}"


def _sources(sources: Iterable[Source]) -> str:
    """Several sources, each once and each a sentence."""
    return ". ".join(dict.fromkeys(capital(_source(source)) for source in sources))


def _ask_source(ask: Ask) -> str:
    """Where a figure stands; one of the job's own stands with the job."""
    return ask.row if ask.what == "procedure" else f"{ask.clause}; {ask.basis}"


def _sentence(text: str) -> str:
    tidy = capital(text.strip())
    return tidy if tidy.endswith((".", "!", "?")) else f"{tidy}."


def _most_speed(ms: float, units: SayUnits) -> str:
    """A highest wind, rounded down to a tenth."""
    in_us, in_si = (f"{math.floor(value * 10 + 1e-6) / 10:g}" for value in (mph_from_ms(ms), ms * 3.6))
    return in_units(f"{in_us} mph", f"{in_si} km/h", units)


def _own_units(code: CodeUnits, reader: System | Literal["both"] | None) -> SayUnits:
    """What is no figure of the code is said in the reader's units alone."""
    if reader is None:
        return code
    return "us and si" if reader == "both" else reader


def _printed(f: str, c: str, units: SayUnits) -> str:
    """A temperature that no code states, as it is printed for each unit system."""
    return in_units(f"{f} °F", f"{c} °C", units)


def _least_printed(f: float, c: float, code: CodeUnits, say: SayUnits) -> str:
    """A least temperature that is printed in both systems: for a reader of the other one never below the code's own."""
    if say == code:
        return in_units(f"{f:g} °F", f"{c:g} °C", code)
    own_c = c if code == "si" else c_from_f(f)
    return least_text(own_c, say)


def _range_printed(f: tuple[float, float], c: tuple[float, float], code: CodeUnits, say: SayUnits) -> str:
    """A range of temperatures that is printed in both systems: for a reader of the other one within the code's own."""
    (low_f, high_f), (low_c, high_c) = f, c
    if say != code and code == "si":
        low_f, high_f = math.ceil(f_from_c(low_c) - 1e-6), math.floor(f_from_c(high_c) + 1e-6)
    elif say != code:
        low_c, high_c = math.ceil(c_from_f(low_f) - 1e-6), math.floor(c_from_f(high_f) + 1e-6)
    return in_units(f"{low_f:g} to {high_f:g} °F", f"{low_c:g} to {high_c:g} °C", say)


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}{'es' if word.endswith('s') else 's'}"


def _is_settled(asked: Requirement) -> bool:
    """Whether the minimum may be told as one: known, and on nothing that the site has still to accept."""
    return asked.minimum_c is not None and not asked.not_accepted


def _least(asked: Requirement, units: SayUnits) -> str:
    """What the steel has to have in words, only where it is known; never below the limit of cold steel."""
    assert asked.threshold_c is not None
    return least_text(asked.threshold_c, units)


def _where_cold(asked: Requirement, units: SayUnits) -> str:
    """What the cold-steel rule adds to a known minimum, as the end of a sentence; empty where it adds nothing."""
    if asked.minimum_c is None or asked.cold_floor_c <= asked.minimum_c:
        return ""
    floor, below = least_text(asked.cold_floor_c, units), least_text(asked.cold_below_c, units)
    return f"; {floor} where the steel was below {below} before heating"


# ---------------------------------------------------------------- the figure


def _method(asked: Requirement, table: CodeTable) -> Instruction:
    if asked.minimum_c is None or not asked.asks:
        return Instruction("method", f"By {table.name}; the minimum is unknown, see below.", "")
    first = asked.asks[0]
    hint = " Only a hint until the site has accepted these figures." if asked.not_accepted else ""
    if first.what == "row":
        text = f"By {table.name}, {first.row}. {first.note}"
    else:
        text = f"{_WAYS.get(first.what, capital(first.what.replace('_', ' ')))}: {first.row}. {first.note}"
    return Instruction("method", f"{_sentence(text)}{hint}", _ask_source(first))


def _minimum(asked: Requirement, table: CodeTable, units: SayUnits) -> Instruction:
    if asked.minimum_c is None:
        reasons = " ".join(_sentence(reason) for reason in asked.unknown)
        return Instruction("minimum", f"Unknown: ask the welding procedure. {reasons}".strip(), "")
    source = _ask_source(asked.asks[0]) if asked.asks else ""
    if asked.cold_floor_c > asked.minimum_c:
        cold = table.cold_steel.source
        reach = "" if asked.literal_cold else ", over this figure too: our choice"
        source = f"{source}. Cold steel: {_source(cold)}{reach}".removeprefix(". ")
    if asked.not_accepted:
        text = f"Unknown until the site has accepted the figures. As a hint, at least {_least(asked, units)}"
    else:
        text = f"Before the arc at least {_least(asked, units)} in all of the zone that has to be warm"
    text = f"{text}{_where_cold(asked, units)}."
    return Instruction("minimum", text, source)


def _between_passes(joint: Joint, asked: Requirement, code: CodeUnits, units: SayUnits, own: SayUnits) -> Instruction:
    least, cold = "the minimum of the welding procedure", ""
    if _is_settled(asked):
        least, cold = _least(asked, units), _where_cold(asked, units)
    most = "" if asked.maximum_c is None else f", at most {most_text(asked.maximum_c, units)}"
    layers = estimated_layers(joint, code)
    text = f"Check before each pass: at least {least}{most}{cold}. {_passes(layers, units, own)}"
    source = "" if layers is None or layers.source is None else f"Thickest layer: {_source(layers.source)}"
    return Instruction("between_passes", text, source)


def _passes(layers: Layers | None, units: SayUnits, own: SayUnits) -> str:
    if layers is None:
        return "The number of passes is not known."
    if layers.from_thickness_mm is None or layers.layer_mm is None:
        return f"{_plural(layers.count, 'pass')}, as stated."
    thickness, layer = length_text(layers.from_thickness_mm, own), most_length_text(layers.layer_mm, units)
    return f"At least about {_plural(layers.count, 'layer')}, an estimate: {thickness} thick, {layer} a layer at most."


def _maximum(joint: Joint, asked: Requirement, table: CodeTable, units: SayUnits) -> Instruction:
    if asked.maximum_c is None:
        whose = "has to be asked for" if joint.procedure is None else "holds where it states one"
        return Instruction("maximum", f"{table.name} states none here; the welding procedure's {whose}.", "")
    text = f"Never above {most_text(asked.maximum_c, units)}, before welding and between passes."
    return Instruction("maximum", text, asked.maximum_source)


def _extent(asked: Requirement, table: CodeTable, units: SayUnits) -> Instruction:
    text = f"{least_length_text(asked.extent_mm, units)} on every side of the weld and through the whole thickness."
    ours = table.extent.source.basis == "our choice"
    return Instruction("extent", text, _source(table.extent.source, "" if ours else table.name))


# ---------------------------------------------------------------- measuring


def _where_when(joint: Joint, asked: Requirement, table: CodeTable, units: SayUnits, own: SayUnits) -> Instruction:
    thickest_mm = max(part.thickness_mm for part in joint.parts)
    points = measuring_points(thickest_mm, asked, table)
    distance = measuring_distance_text(points.distance_mm, own)
    edge = (
        f", and at the edge of the warm zone, {least_length_text(points.edge_mm, units)} from the weld,"
        if points.edge_mm is not None
        else ""
    )
    at_least = "at least " if points.at_least else ""
    wait = math.ceil(soak_minutes(thickest_mm, table) - 1e-6)
    text = (
        f"Before welding {at_least}{distance} from the groove edge{edge} on the face away from the heat; on the "
        f"heated face only after the heat has been off for {wait} min. Between passes on the weld or right beside it, "
        "just before the next one."
    )
    return Instruction("where_when", text, _source(table.measuring.source, table.measuring.standard))


def _with(asked: Requirement, code: CodeUnits, units: SayUnits, own: SayUnits) -> Instruction:
    crayon = operations().crayon
    if asked.minimum_c is None or asked.not_accepted:
        tools = "A contact thermometer, or a crayon of the procedure's minimum"
    elif asked.minimum_c < _rated_c(crayon, code) - 1e-6:
        coldest = _printed(f"{crayon.least_f:g}", f"{crayon.least_c:g}", own)
        tools = f"A contact thermometer: no crayon is rated below about {coldest}"
    else:
        tools = f"A contact thermometer, or a crayon of {_least(asked, units)}"
    if asked.maximum_c is not None:
        tools += f"; a crayon of {most_text(asked.maximum_c, units)} that must not melt"
    text = (
        f"{tools}. A crayon is good to about {crayon.good_to_percent:g} %; mark beside the joint, never in the groove. "
        "Infrared reads far too low on bright metal and is no use with a flame in view."
    )
    return Instruction("with", text, capital(_source(crayon.source)))


def _rated_c(crayon: Crayon, units: CodeUnits) -> float:
    """Lowest rating of a crayon as it is printed for the job's units [°C]."""
    return c_from_f(crayon.least_f) if units == "us" else crayon.least_c


# ---------------------------------------------------------------- around the weld


def _tacks(joint: Joint, asked: Requirement, units: SayUnits) -> Instruction:
    tacks = operations().tacks
    least = f": at least {_least(asked, units)}{_where_cold(asked, units)}" if _is_settled(asked) else ""
    text = f"Tacks and temporary attachments need the same as the weld{least}."
    if joint.process == tacks.remelted_by:
        text += f" Without it only a single-pass tack that continuous {tacks.remelted_by} later remelts."
    return Instruction("tacks", text, _source(tacks.source))


def _electrodes(joint: Joint, code: CodeUnits, units: SayUnits) -> Instruction:
    if joint.process is None:
        return Instruction("electrodes", "Unknown: the process is not stated.", "")
    if joint.process != "SMAW":
        text = f"No clock: {joint.process} uses no stick electrodes. Keep the filler dry, as its maker says."
        return Instruction("electrodes", text, _ADVICE)
    if joint.electrode is None:
        return Instruction("electrodes", "Unknown: the electrode's classification is not stated.", "")
    try:
        limit = exposure_limit(joint.electrode)
    except ValueError as error:
        return Instruction("electrodes", _sentence(f"Unknown: {error}"), "")
    if limit is None:
        return Instruction("electrodes", f"No clock: {joint.electrode} is no low-hydrogen electrode.", "")
    return _exposure(joint.electrode, limit, code, units)


def _exposure(electrode: str, limit: ExposureLimit, code: CodeUnits, units: SayUnits) -> Instruction:
    table = electrode_table()
    if limit.most_h is None or limit.source is None:
        text = f"The clock runs, for how long is unknown. {limit.note} Wet ones are scrap."
        return Instruction("electrodes", text, _source(table.wet, table.name))
    bake = table.bake(limit.specification)
    heat = _range_printed((bake.from_f, bake.to_f), (bake.from_c, bake.to_c), code, units)
    baking = f"{bake.hours:g} h at {heat}"
    times = "once" if table.rebakes == 1 else f"{table.rebakes} times"
    oven = _least_printed(table.oven.least_f, table.oven.least_c, code, units)
    text = (
        f"The clock runs: {electrode} at most {limit.most_h:g} h out of the oven of at least {oven}; back sooner, it "
        f"stays there at least {table.back_in_oven.hours:g} h. Out longer: baked at least {baking}, {times} and no "
        "more; wet ones are scrap."
    )
    sources = f"{_source(limit.source, table.name)}. Storage and baking: {_source(bake.source)}"
    return Instruction("electrodes", f"{text} {limit.note}".strip(), sources)


def _stops(joint: Joint, table: CodeTable, code: CodeUnits, units: SayUnits, own: SayUnits) -> Instruction:
    least = least_text(ambient_limit_c(table, code), units)
    limit = _most_speed(wind_limit_ms(table, code), units)
    if joint.process is None:
        wind, source = f"wind there above {limit} with {', '.join(sorted(table.wind.processes))}", table.wind.source
    elif joint.process in table.wind.processes:
        wind, source = f"wind there above {limit}", table.wind.source
    else:
        high = _most_speed(HIGH_WIND_MS, own)
        wind, source = f"high wind (no figure for {joint.process}; here from {high}, our choice)", table.wet
    text = (
        f"No arc: air at the weld below {least}; {wind}; wet or frosted steel, rain or snow on it. "
        "Warm steel lifts none of these."
    )
    return Instruction("stops", text, _sources((table.ambient.source, source, table.wet)))


def _access_holes(joint: Joint, code: CodeUnits, units: SayUnits, own: SayUnits) -> tuple[Instruction, ...]:
    """A joint does not say what its parts are cut from, so that the lowest trigger counts: that of a built-up web."""
    thickest_mm = max(part.thickness_mm for part in joint.parts)
    thick: tuple[CutKind, ...] = ("built_up_web", "flange")
    if all(access_hole(thickest_mm, kind, code) is None for kind in thick):
        return ()
    kinds: tuple[CutKind, ...] = (*thick, "a6_group_4_or_5")
    holes = [hole for kind in kinds if (hole := access_hole(thickest_mm, kind, code)) is not None]
    least = least_text(max(hole.minimum_c for hole in holes), units)
    part, what = length_text(thickest_mm, own), ", ".join(hole.what for hole in holes)
    text = (
        f"At least {least} before an access hole or cope is cut by flame in the {part} part, as asked of {what}. Then "
        "grind the cut and test it (MT or PT)."
    )
    return (Instruction("access_holes", text, _sources(hole.source for hole in holes)),)


def _repairs(units: SayUnits) -> Instruction:
    repairs = operations().repairs
    more = _printed(f"{repairs.often_added_df:g}", f"{repairs.often_added_k:g}", units)
    text = f"At least the minimum of the joint; many procedures add {more}."
    return Instruction("repairs", text, capital(_source(repairs.source)))


def _cautions(
    joint: Joint, table: CodeTable, code: CodeUnits, units: SayUnits, own: SayUnits
) -> tuple[Instruction, ...]:
    """The joint's own cautions, those that matter most first."""
    found: list[Instruction] = []
    if joint.fracture_critical:
        text = "Fracture-critical: only its welding procedure gives the figures. Ask the engineer before any repair."
        found.append(Instruction("cautions", text, _REMEMBERED))
    most_c, source = torch_ceiling(joint, table, code)
    ceiling = f"Never above {most_text(most_c, units)} at any spot under the torch: keep the flame moving."
    treated = sorted({part.steel for part in joint.parts if part.steel and is_quenched_and_tempered(part.steel, table)})
    if treated:
        ceiling = f"{', '.join(treated)} is quenched and tempered: too hot is as wrong as too cold. {ceiling}"
    found.append(Instruction("cautions", ceiling, _source(source)))
    text = "After a break, steel below the minimum: heat the whole joint again before the next arc."
    found.append(Instruction("cautions", text, capital(_source(operations().after_break))))
    thicknesses = [part.thickness_mm for part in joint.parts]
    if max(thicknesses) >= UNEQUAL * min(thicknesses):
        text = f"Measure every part: that of {length_text(max(thicknesses), own)} is warm last."
        found.append(Instruction("cautions", text, _ADVICE))
    text = "The figures are the least: more restraint, more hydrogen or less heat input may need more."
    found.append(Instruction("cautions", text, _MINIMUMS))
    return tuple(found)
