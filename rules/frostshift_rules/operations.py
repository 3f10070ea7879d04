"""Special operations around a weld: tacks, repairs, breaks, thermal cutting, studs, torch, layers, instruments.

The figures are data with clause and basis in `tables/operations.toml`; each function answers one question. None of them
is the preheat of the weld, and none replaces the welding procedure.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal, TypeVar, get_args

from frostshift_rules.code_table import CodeTable, holds
from frostshift_rules.figures import least_text, systems
from frostshift_rules.job import PROCESSES, CodeUnits, Joint
from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import (
    Coverage,
    Section,
    Source,
    TableError,
    coverage_of,
    read_toml,
    shipped,
    source_of,
)
from frostshift_rules.units import c_from_f, in_from_mm, k_from_df, mm_from_in

T = TypeVar("T")

CutKind = Literal["flange", "built_up_part", "built_up_web", "a6_group_4_or_5"]
StudState = Literal["go", "extra_test", "stop", "unknown"]

CUT_KINDS: Final[tuple[CutKind, ...]] = get_args(CutKind)


@dataclass(frozen=True, slots=True)
class Tacks:
    """Tacks take the preheat of the weld, but for a single pass that continuous `remelted_by` later remelts."""

    remelted_by: str
    source: Source


@dataclass(frozen=True, slots=True)
class Repairs:
    """What many procedures add to the joint's preheat for a repair [°F difference and K as said]."""

    often_added_df: float
    often_added_k: float
    source: Source


@dataclass(frozen=True, slots=True)
class CutRule:
    """Least temperature before thermal cutting of an access hole or cope in one kind of part [°F and °C as printed].

    `what` is the kind for people; `over_in`, `over_mm` the thickness above which it holds, strictly; None: always.
    """

    kind: CutKind
    what: str
    over_in: float | None
    over_mm: float | None
    min_f: float
    min_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class Studs:
    """Cold-weather rule for arc-welded studs [°F and °C as printed, degrees of arc]."""

    stop_below_f: float
    stop_below_c: float
    test_below_f: float
    test_below_c: float
    extra_tests: int
    in_each: int
    bend_degrees: float
    source: Source


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Hottest that any spot of the steel may get under a torch [°F and °C as printed]."""

    most_f: float
    most_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class LayerRule:
    """Thickest single layer of a prequalified weld [in and mm as printed]."""

    processes: tuple[str, ...]
    most_in: float
    most_mm: float
    source: Source


@dataclass(frozen=True, slots=True)
class Crayon:
    """Coldest temperature crayon [°F and °C], and how exact one is [% of its rating]."""

    least_f: float
    least_c: float
    good_to_percent: float
    source: Source


@dataclass(frozen=True, slots=True)
class Operations:
    """All special operations; `edge_tolerance_in` as in a code table, `after_break` is where that rule stands."""

    edge_tolerance_in: float
    tacks: Tacks
    repairs: Repairs
    after_break: Source
    cuts: tuple[CutRule, ...]
    studs: Studs
    ceiling: Ceiling
    ceiling_quenched_and_tempered: Ceiling
    quenched_and_tempered: frozenset[str]
    quenched_and_tempered_source: Source
    layers: tuple[LayerRule, ...]
    crayon: Crayon
    coverage: Coverage


@dataclass(frozen=True, slots=True)
class AccessHole:
    """An access hole or cope that needs heat before it is cut: least temperature [°C], what it is in, the source."""

    minimum_c: float
    what: str
    source: Source


@dataclass(frozen=True, slots=True)
class StudAnswer:
    """Whether an arc-welded stud may go on the steel now.

    `extra_tests` are tested by bending in every hundred, on top of those at set-up. `text` is for people.
    """

    state: StudState
    extra_tests: int
    text: str
    source: Source


@dataclass(frozen=True, slots=True)
class Layers:
    """Passes of a weld: as the schedule states them, or the least number of layers as an estimate.

    Attributes:
        count: stated passes, or layers at least.
        estimated: False where the schedule states the passes.
        from_thickness_mm, layer_mm: what the estimate comes from [mm]; None where it is none.
        source: of the thickest layer; None where it is no estimate.
    """

    count: int
    estimated: bool
    from_thickness_mm: float | None
    layer_mm: float | None
    source: Source | None


# ---------------------------------------------------------------- the table


def _cut(section: Section) -> CutRule:
    kind: CutKind = section.choice("kind", CUT_KINDS)  # type: ignore[assignment]
    return CutRule(
        kind=kind,
        what=section.text("what"),
        over_in=section.optional_number("over_in", 0.25, 10.0),
        over_mm=section.optional_number("over_mm", 6.0, 250.0),
        min_f=section.number("min_f", 32.0, 500.0),
        min_c=section.number("min_c", 0.0, 260.0),
        source=source_of(section),
    )


def _studs(section: Section) -> Studs:
    return Studs(
        stop_below_f=section.number("stop_below_f", -60.0, 60.0),
        stop_below_c=section.number("stop_below_c", -50.0, 15.0),
        test_below_f=section.number("test_below_f", -60.0, 100.0),
        test_below_c=section.number("test_below_c", -50.0, 40.0),
        extra_tests=section.whole("extra_tests", 1, 100),
        in_each=section.whole("in_each", 1, 1000),
        bend_degrees=section.number("bend_degrees", 5.0, 60.0),
        source=source_of(section),
    )


def _ceiling(section: Section) -> Ceiling:
    return Ceiling(section.number("most_f", 600.0, 1400.0), section.number("most_c", 315.0, 760.0), source_of(section))


def _names(section: Section) -> tuple[frozenset[str], Source]:
    names = section.texts("names")
    for name in names:
        bare = name.removesuffix("-*")
        try:
            spelling = canonical_steel(bare)
        except ValueError as error:
            raise TableError(f"{section.where}: {error}") from error
        if spelling != bare:
            raise TableError(f"{section.where}: steel {name!r} is spelt {spelling!r}")
    return frozenset(names), source_of(section)


def _layer(section: Section) -> LayerRule:
    processes = section.texts("processes")
    unknown = [process for process in processes if process not in PROCESSES]
    if unknown:
        allowed = ", ".join(PROCESSES)
        raise TableError(f"{section.where}: 'processes' holds {unknown[0]!r}, expected one of {allowed}")
    return LayerRule(
        processes, section.number("most_in", 0.05, 1.0), section.number("most_mm", 1.0, 25.0), source_of(section)
    )


def _tacks(section: Section) -> Tacks:
    return Tacks(section.choice("remelted_by", PROCESSES), source_of(section))


def parse_operations(text: str, name: str) -> Operations:
    """The operations from their TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML, a key is missing, unknown or out of bounds, or a house rule is broken.
    """
    return _operations(read_toml(text, name))


def _operations(top: Section) -> Operations:
    top.choice("id", ("operations",))
    top.text("title")
    tolerance_in, _ = top.one("converted_edge", lambda s: (s.number("tolerance_in", 0.0, 0.02), source_of(s)))
    treated, treated_source = top.one("quenched_and_tempered", _names)
    found = Operations(
        edge_tolerance_in=tolerance_in,
        tacks=top.one("tacks", _tacks),
        repairs=top.one(
            "repairs",
            lambda s: Repairs(
                s.number("often_added_df", 0.0, 200.0), s.number("often_added_k", 0.0, 110.0), source_of(s)
            ),
        ),
        after_break=top.one("after_break", source_of),
        cuts=top.each("access_hole", _cut),
        studs=top.one("studs", _studs),
        ceiling=top.one("torch_ceiling", _ceiling),
        ceiling_quenched_and_tempered=top.one("torch_ceiling_quenched_and_tempered", _ceiling),
        quenched_and_tempered=treated,
        quenched_and_tempered_source=treated_source,
        layers=top.each("layer", _layer),
        crayon=top.one(
            "crayon",
            lambda s: Crayon(
                s.number("least_f", 32.0, 300.0),
                s.number("least_c", 0.0, 150.0),
                s.number("good_to_percent", 0.1, 10.0),
                source_of(s),
            ),
        ),
        coverage=top.one("coverage", coverage_of),
    )
    top.done()
    broken = _broken(found)
    if broken:
        raise TableError(f"{top.where}: {'; '.join(broken)}")
    return found


def _broken(found: Operations) -> list[str]:
    """What the operations say that they may not: twice the same, units that disagree, limits the wrong way round."""
    kinds = [cut.kind for cut in found.cuts]
    broken = [
        f"access hole of kind {kind} stands {kinds.count(kind)} times, expected once"
        for kind in CUT_KINDS
        if kinds.count(kind) != 1
    ]
    processes = [process for layer in found.layers for process in layer.processes]
    broken += [f"{process} stands in two layers" for process in sorted(set(processes)) if processes.count(process) > 1]
    broken += [
        f"access hole of kind {cut.kind}: over_in and over_mm go together"
        for cut in found.cuts
        if (cut.over_in is None) != (cut.over_mm is None)
    ]
    studs, crayon = found.studs, found.crayon
    lengths = [(cut.over_in, cut.over_mm, 2.0) for cut in found.cuts]
    lengths += [(layer.most_in, layer.most_mm, 0.5) for layer in found.layers]
    broken += [
        f"{inch:g} in and {mm:g} mm are not the same"
        for inch, mm, near in lengths
        if inch is not None and mm is not None and abs(mm_from_in(inch) - mm) > near
    ]
    ceilings = (found.ceiling, found.ceiling_quenched_and_tempered)
    temperatures = [(cut.min_f, cut.min_c) for cut in found.cuts]
    temperatures += [(ceiling.most_f, ceiling.most_c) for ceiling in ceilings]
    temperatures += [(studs.stop_below_f, studs.stop_below_c), (studs.test_below_f, studs.test_below_c)]
    temperatures += [(crayon.least_f, crayon.least_c)]
    broken += [f"{f:g} °F and {c:g} °C are not the same" for f, c in temperatures if abs(c_from_f(f) - c) > 5.0]
    repairs = found.repairs
    if abs(k_from_df(repairs.often_added_df) - repairs.often_added_k) > 1.0:
        broken.append(f"{repairs.often_added_df:g} °F and {repairs.often_added_k:g} K are not the same")
    if studs.stop_below_f >= studs.test_below_f or studs.stop_below_c >= studs.test_below_c:
        broken.append("studs: no welding where more are tested only")
    if ceilings[1].most_f > ceilings[0].most_f or ceilings[1].most_c > ceilings[0].most_c:
        broken.append("torch ceiling: quenched and tempered steel may get hotter than other steel")
    return broken


@cache
def operations() -> Operations:
    """The operations that ship.

    Raises:
        TableError: their file may not be used.
    """
    return _operations(shipped("operations.toml"))


# ---------------------------------------------------------------- thermal cutting


def access_hole(thickness_mm: float, kind: CutKind, units: CodeUnits = "either") -> AccessHole | None:
    """What thermal cutting of an access hole or cope needs; None: no heat is asked for it.

    Args:
        thickness_mm: of the part that is cut [mm].
        kind: what the part is.
        units: unit system of the job's code; where it is not known the lower trigger and the higher minimum hold.

    Raises:
        ValueError: the thickness is no positive number.
    """
    if not thickness_mm > 0.0:
        raise ValueError(f"thickness is {thickness_mm:g} mm, expected more than 0 mm")
    found = operations()
    rule = next(cut for cut in found.cuts if cut.kind == kind)
    over_in, over_mm = rule.over_in, rule.over_mm
    over = {
        # A converted thickness this near to the edge is the edge: 50.8 mm is a 2 in plate.
        "us": over_in is None or in_from_mm(thickness_mm) > over_in + found.edge_tolerance_in,
        "si": over_mm is None or thickness_mm > over_mm,
    }
    minimum_c = {"us": c_from_f(rule.min_f), "si": rule.min_c}
    if not any(over[system] for system in systems(units)):
        return None
    return AccessHole(max(minimum_c[system] for system in systems(units)), rule.what, rule.source)


def access_hole_minimum_c(thickness_mm: float, kind: CutKind, units: CodeUnits = "either") -> float | None:
    """Least temperature before thermal cutting [°C]; None: none is asked. See `access_hole`."""
    found = access_hole(thickness_mm, kind, units)
    return None if found is None else found.minimum_c


# ---------------------------------------------------------------- studs


def stud_rule(steel_c: float, units: CodeUnits) -> StudAnswer:
    """Whether arc-welded studs may go on steel of `steel_c` [°C], exactly and without a margin; NaN is unknown.

    Both limits hold strictly below them. Studs welded by hand with stick electrodes follow the preheat table instead.
    """
    rule = operations().studs
    stop = {"us": c_from_f(rule.stop_below_f), "si": rule.stop_below_c}
    test = {"us": c_from_f(rule.test_below_f), "si": rule.test_below_c}
    stop_c, test_c = (max(limit[system] for system in systems(units)) for limit in (stop, test))
    never = "Never on wet or frosted steel, nor in rain or snow."
    if math.isnan(steel_c):
        return StudAnswer("unknown", 0, f"Measure the steel first. {never}", rule.source)
    if steel_c < stop_c:
        return StudAnswer("stop", 0, f"No stud on steel below {least_text(stop_c, units)}. {never}", rule.source)
    if steel_c < test_c:
        count = f"{rule.extra_tests} more stud{'' if rule.extra_tests == 1 else 's'} in every {rule.in_each}"
        text = (
            f"Steel below {least_text(test_c, units)}: bend {count} by about {rule.bend_degrees:g}° as a test. {never}"
        )
        return StudAnswer("extra_test", rule.extra_tests, text, rule.source)
    return StudAnswer("go", 0, f"No extra test for cold steel. {never}", rule.source)


# ---------------------------------------------------------------- torch

_EN_QUENCHED: Final = re.compile(r"S\d{3}[A-Z0-9+]*Q.*")
"""EN names of quenched and tempered steels carry a Q, such as S690QL (EN 10025-6)."""


def is_quenched_and_tempered(steel: str | None, table: CodeTable) -> bool:
    """Whether heat can spoil the steel's treatment; a steel that is not stated counts as if it could.

    Every steel that the code table has a maximum for is one too: the safe side, whatever the maximum is for.
    """
    if steel is None or holds(operations().quenched_and_tempered, steel):
        return True
    return _EN_QUENCHED.fullmatch(steel) is not None or any(maximum.covers(steel) for maximum in table.maxima)


def torch_ceiling(joint: Joint, table: CodeTable, units: CodeUnits) -> tuple[float, Source]:
    """Hottest that any spot of the joint's steel may get [°C], and where it stands; the lowest of its parts."""
    found = operations()
    treated = any(is_quenched_and_tempered(part.steel, table) for part in joint.parts)
    rule = found.ceiling_quenched_and_tempered if treated else found.ceiling
    most_c = {"us": c_from_f(rule.most_f), "si": rule.most_c}
    return min(most_c[system] for system in systems(units)), rule.source


# ---------------------------------------------------------------- layers


def estimated_layers(joint: Joint, units: CodeUnits = "either") -> Layers | None:
    """Passes of the joint as stated, else the least number of layers as an estimate; None: nobody can tell.

    The estimate takes the weld to fill the thinnest part and each layer to be as thick as it may be, so that a full
    groove has at least about so many; a small fillet has fewer. Where the unit system is not known the thinner layer
    counts.
    """
    if joint.passes is not None:
        return Layers(joint.passes, False, None, None, None)
    rule = next((layer for layer in operations().layers if joint.process in layer.processes), None)
    if rule is None or not joint.parts:
        return None
    most_mm = {"us": mm_from_in(rule.most_in), "si": rule.most_mm}
    layer_mm = min(most_mm[system] for system in systems(units))
    thinnest_mm = min(part.thickness_mm for part in joint.parts)
    # 1-1/2 in is 8 layers of 3/16 in, whatever the last digit of the conversion is.
    count = max(1, math.ceil(thinnest_mm / layer_mm - 1e-9))
    return Layers(count, True, thinnest_mm, layer_mm, rule.source)
