"""What the composition of a steel says about preheat: carbon equivalents, and EN 1011-2 method B.

An element that is not stated is unknown, never 0: a formula that needs it raises `NotStated`. Sums are rounded to nine
decimals, so that the noise of binary fractions moves no composition over the edge of a table.

The figures of method B are read from a rule table (`read_method_b`); its formula stands here because it is arithmetic
and no table. Nothing here knows the cold-steel rule or the weather: a minimum below 0 °C means no preheat by this
method, and no more than that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise, product
from types import MappingProxyType
from typing import Final, Literal, get_args

from frostshift_rules.strict import OutOfRange, Section, Source, TableError, source_of

Element = Literal["C", "Si", "Mn", "Cu", "Ni", "Cr", "Mo", "V", "Nb", "Ti", "B"]
Restraint = Literal["low", "medium", "high"]

ELEMENTS: Final[tuple[Element, ...]] = get_args(Element)
RESTRAINTS: Final[tuple[Restraint, ...]] = get_args(Restraint)

PCM_DIVISORS: Final[Mapping[Element, float]] = MappingProxyType(
    {"C": 1.0, "Si": 30.0, "Mn": 20.0, "Cu": 20.0, "Cr": 20.0, "Ni": 60.0, "Mo": 15.0, "V": 10.0, "B": 1.0 / 5.0}
)
"""Ito and Bessyo's Pcm, as a public list of carbon equivalents by a welding institute prints it; second hand."""

CE_IIW_DIVISORS: Final[Mapping[Element, float]] = MappingProxyType(
    {"C": 1.0, "Mn": 6.0, "Cr": 5.0, "Mo": 5.0, "V": 5.0, "Ni": 15.0, "Cu": 15.0}
)
"""Carbon equivalent of the IIW, from the same list; second hand."""

CE_AWS_DIVISORS: Final[Mapping[Element, float]] = MappingProxyType(
    {"C": 1.0, "Mn": 6.0, "Si": 6.0, "Cr": 5.0, "Mo": 5.0, "V": 5.0, "Ni": 15.0, "Cu": 15.0}
)
"""Carbon equivalent of AWS D1.1, which adds Si/6 to that of the IIW, from the same list; second hand."""

_DECIMALS: Final = 9
_COLDEST_RESULT_C: Final = -200.0
_HOTTEST_RESULT_C: Final = 400.0


class NotStated(ValueError):
    """A value that a formula needs is not stated; says which."""


@dataclass(frozen=True, slots=True)
class Composition:
    """Mass shares of the elements in % as a certificate states them; None: not stated, which is not 0."""

    c: float | None = None
    si: float | None = None
    mn: float | None = None
    cu: float | None = None
    ni: float | None = None
    cr: float | None = None
    mo: float | None = None
    v: float | None = None
    nb: float | None = None
    ti: float | None = None
    b: float | None = None

    def percent(self, element: Element) -> float | None:
        """Mass share of one element [%]; None: not stated."""
        share: float | None = getattr(self, element.lower())
        return share


# ---------------------------------------------------------------- carbon equivalents


def pcm_percent(composition: Composition) -> float:
    """Pcm = C + Si/30 + (Mn + Cu + Cr)/20 + Ni/60 + Mo/15 + V/10 + 5 B [%].

    Raises:
        NotStated: an element of the formula is not stated.
        OutOfRange: a share is no share, or there is no carbon.
    """
    return _equivalent("Pcm", PCM_DIVISORS, composition)


def ce_iiw_percent(composition: Composition) -> float:
    """CE (IIW) = C + Mn/6 + (Cr + Mo + V)/5 + (Ni + Cu)/15 [%]; errors as `pcm_percent`."""
    return _equivalent("CE (IIW)", CE_IIW_DIVISORS, composition)


def ce_aws_percent(composition: Composition) -> float:
    """CE (AWS) = C + (Mn + Si)/6 + (Cr + Mo + V)/5 + (Ni + Cu)/15 [%]; errors as `pcm_percent`."""
    return _equivalent("CE (AWS)", CE_AWS_DIVISORS, composition)


def _equivalent(name: str, divisors: Mapping[Element, float], composition: Composition) -> float:
    missing = [element for element in divisors if composition.percent(element) is None]
    if missing:
        which = f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'}"
        it = "it" if len(missing) == 1 else "them"
        raise NotStated(f"{which} not stated, and {name} needs {it}: write 0 where the certificate says none")
    terms = [_share(element, composition) / divisor for element, divisor in divisors.items()]
    return round(math.fsum(terms), _DECIMALS)


def _share(element: Element, composition: Composition) -> float:
    """The share of an element that is stated [%].

    Carbon of 0 is refused: there is no such steel, and somebody may have written 0 for what he did not know.
    """
    share = composition.percent(element)
    if share is None:
        raise NotStated(f"{element} is not stated: write 0 where the certificate says none")
    if element == "C" and share == 0.0:
        raise OutOfRange("C is 0 %, expected above 0 to 100 %")
    if not 0.0 <= share <= 100.0:  # also refuses NaN
        raise OutOfRange(f"{element} is {share:g} %, outside 0 to 100 %")
    return share


# ---------------------------------------------------------------- EN 1011-2 method B


@dataclass(frozen=True, slots=True)
class Span:
    """What a formula covers of one quantity, both ends included."""

    low: float
    high: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high  # NaN is in no span


@dataclass(frozen=True, slots=True)
class MethodB:
    """The preheat formula by carbon equivalent CET, hydrogen, thickness and heat input.

    Tp [°C] = `cet_c` CET + `thickness_c` tanh(d / `thickness_scale_mm`) + `hydrogen_c` HD^`hydrogen_power`
    + (`heat_input_cet_c` CET - `heat_input_c`) Q - `constant_c`

    Attributes:
        cet_c, thickness_c, hydrogen_c, heat_input_cet_c, heat_input_c, constant_c: coefficients [°C].
        thickness_scale_mm: [mm].
        hydrogen_power: exponent of HD.
        source: of the formula.
        cet_divisors: CET is the sum of mass share [%] through divisor over these elements.
        cet_source: of the divisors.
        cet_percent, thickness_mm, hydrogen_ml, heat_input_kj_mm: what the formula covers [%, mm, mL/100 g, kJ/mm].
        yield_strength: the limit of the steel's yield strength, for people; it enters no calculation.
        ranges_source: of these.
        limits: shares of the elements that the formula covers [%].
        limits_source: of the limits.
        weld_metal_margin_percent: see `deciding_cet` [%].
        weld_metal_source: of the margin.
    """

    cet_c: float
    thickness_c: float
    thickness_scale_mm: float
    hydrogen_c: float
    hydrogen_power: float
    heat_input_cet_c: float
    heat_input_c: float
    constant_c: float
    source: Source
    cet_divisors: tuple[tuple[Element, float], ...]
    cet_source: Source
    cet_percent: Span
    thickness_mm: Span
    hydrogen_ml: Span
    heat_input_kj_mm: Span
    yield_strength: str
    ranges_source: Source
    limits: tuple[tuple[Element, Span], ...]
    limits_source: Source
    weld_metal_margin_percent: float
    weld_metal_source: Source

    @property
    def sources(self) -> tuple[Source, ...]:
        """Every source that a minimum by it rests on."""
        return (self.source, self.cet_source, self.ranges_source, self.limits_source, self.weld_metal_source)


def cet_percent(composition: Composition, method: MethodB, *, weld_metal: bool = False) -> float:
    """Carbon equivalent CET = C + (Mn + Mo)/10 + (Cr + Cu)/20 + Ni/40, with the divisors of the method [%].

    An element that has a limit but is not in the formula and not stated is not checked: `unchecked_elements`. The
    limits are those of parent metal; weld metal is not held to them.

    Raises:
        NotStated: an element of the formula is not stated.
        OutOfRange: a stated share lies outside the method's limits; names element, value and limits.
    """
    cet = _equivalent("CET", dict(method.cet_divisors), composition)
    for element, span in () if weld_metal else method.limits:
        share = composition.percent(element)
        if share is not None and share not in span:
            raise OutOfRange(f"{element} is {share:g} %, outside {span.low:g} to {span.high:g} % of the method")
    return cet


def unchecked_elements(composition: Composition, method: MethodB) -> tuple[Element, ...]:
    """Elements with a limit in the method that the composition does not state, so that nobody checked them."""
    return tuple(element for element, _ in method.limits if composition.percent(element) is None)


def deciding_cet(parent_cet: float, weld_metal_cet: float | None, method: MethodB) -> tuple[float, str]:
    """The CET that goes into the formula [%], and why, for people.

    That of the parent metal where it exceeds that of the weld metal by the method's margin or more; otherwise that of
    the weld metal with the margin added. So it is never below that of the parent metal.
    """
    margin = method.weld_metal_margin_percent
    if weld_metal_cet is None:
        return parent_cet, (
            f"The CET of the parent metal, {parent_cet:.3f} %, was used: the weld metal's composition is not stated, "
            f"so the rule that weld metal counts with {margin:g} % added could not be applied."
        )
    by_weld_metal = round(weld_metal_cet + margin, _DECIMALS)
    if parent_cet >= by_weld_metal:
        return parent_cet, (
            f"The CET of the parent metal, {parent_cet:.3f} %, decides: it exceeds that of the weld metal, "
            f"{weld_metal_cet:.3f} %, by {margin:g} % or more."
        )
    return by_weld_metal, (
        f"The CET of the weld metal, {weld_metal_cet:.3f} %, decides with {margin:g} % added, {by_weld_metal:.3f} %: "
        f"that of the parent metal, {parent_cet:.3f} %, does not exceed it by {margin:g} %."
    )


def method_b_minimum_c(
    cet: float, thickness_mm: float, hydrogen_ml: float, heat_input_kj_mm: float, method: MethodB
) -> float:
    """Minimum preheat by the formula [°C]; below 0: no preheat by this method.

    Args:
        cet: as `deciding_cet` gives it [%].
        thickness_mm: of the thicker plate, NOT the combined thickness of method A [mm].
        hydrogen_ml: diffusible hydrogen of the weld metal [mL/100 g].
        heat_input_kj_mm: arc energy times efficiency [kJ/mm].
        method: the formula.

    Raises:
        OutOfRange: an input lies outside what the formula covers; names field, value and limits. Nothing is clamped.
    """
    for field, value, span, unit in (
        ("cet", cet, method.cet_percent, "%"),
        ("thickness_mm", thickness_mm, method.thickness_mm, "mm"),
        ("hydrogen_ml", hydrogen_ml, method.hydrogen_ml, "mL/100 g"),
        ("heat_input_kj_mm", heat_input_kj_mm, method.heat_input_kj_mm, "kJ/mm"),
    ):
        if value not in span:
            raise OutOfRange(f"{field} is {value:g} {unit}, outside {span.low:g} to {span.high:g} {unit} of the method")
    return _method_b_c(cet, thickness_mm, hydrogen_ml, heat_input_kj_mm, method)


def _method_b_c(cet: float, thickness_mm: float, hydrogen_ml: float, heat_input_kj_mm: float, m: MethodB) -> float:
    return (
        m.cet_c * cet
        + m.thickness_c * math.tanh(thickness_mm / m.thickness_scale_mm)
        + m.hydrogen_c * math.pow(hydrogen_ml, m.hydrogen_power)
        + (m.heat_input_cet_c * cet - m.heat_input_c) * heat_input_kj_mm
        - m.constant_c
    )


def method_b_arithmetic(
    cet: float, thickness_mm: float, hydrogen_ml: float, heat_input_kj_mm: float, method: MethodB
) -> str:
    """The formula with its numbers and its result, one line; arguments and errors as `method_b_minimum_c`."""
    minimum_c = method_b_minimum_c(cet, thickness_mm, hydrogen_ml, heat_input_kj_mm, method)
    shown_c = round(minimum_c, 1) + 0.0  # no "-0.0"
    heat_input = (
        f"{heat_input_kj_mm:.1f}" if round(heat_input_kj_mm, 1) == heat_input_kj_mm else f"{heat_input_kj_mm:g}"
    )
    return (
        f"{method.cet_c:g} x {cet:g} + {method.thickness_c:g} x tanh({thickness_mm:g}/{method.thickness_scale_mm:g})"
        f" + {method.hydrogen_c:g} x {hydrogen_ml:g}^{method.hydrogen_power:g}"
        f" + ({method.heat_input_cet_c:g} x {cet:g} - {method.heat_input_c:g}) x {heat_input}"
        f" - {method.constant_c:g} = {shown_c:.1f} °C"
    )


# ---------------------------------------------------------------- reading method B


def read_method_b(section: Section) -> MethodB:
    """Method B from the `[formula]` section of a rule table.

    Raises:
        TableError: a key is missing, unknown or out of bounds, or a house rule is broken (`broken_method_b`).
    """
    cet, ranges = section.section("cet"), section.section("ranges")
    limits, weld_metal = section.section("limits"), section.section("weld_metal")
    divisors = [(element, cet.optional_number(element, 1.0, 100.0)) for element in ELEMENTS]
    method = MethodB(
        cet_c=section.number("cet_c", 600.0, 800.0),
        thickness_c=section.number("thickness_c", 100.0, 250.0),
        thickness_scale_mm=section.number("thickness_scale_mm", 20.0, 60.0),
        hydrogen_c=section.number("hydrogen_c", 30.0, 100.0),
        hydrogen_power=section.number("hydrogen_power", 0.2, 0.5),
        heat_input_cet_c=section.number("heat_input_cet_c", 30.0, 80.0),
        heat_input_c=section.number("heat_input_c", 20.0, 50.0),
        constant_c=section.number("constant_c", 250.0, 400.0),
        source=source_of(section),
        cet_divisors=tuple((element, divisor) for element, divisor in divisors if divisor is not None),
        cet_source=source_of(cet),
        cet_percent=_span(ranges, "cet_percent", 0.05, 1.0),
        thickness_mm=_span(ranges, "thickness_mm", 1.0, 300.0),
        hydrogen_ml=_span(ranges, "hydrogen_ml", 0.5, 50.0),
        heat_input_kj_mm=_span(ranges, "heat_input_kj_mm", 0.1, 10.0),
        yield_strength=ranges.text("yield_strength"),
        ranges_source=source_of(ranges),
        limits=tuple((element, _span(limits, element, 0.0, 5.0)) for element in ELEMENTS),
        limits_source=source_of(limits),
        weld_metal_margin_percent=weld_metal.number("margin_percent", 0.0, 0.1),
        weld_metal_source=source_of(weld_metal),
    )
    for part in (cet, ranges, limits, weld_metal, section):
        part.done()
    broken = broken_method_b(method)
    if broken:
        raise TableError(f"{section.where}: {'; '.join(broken)}")
    return method


def _span(section: Section, key: str, low: float, high: float) -> Span:
    ends = section.numbers(key, low, high)
    if len(ends) != 2 or not ends[0] < ends[1]:
        raise TableError(f"{section.where}: '{key}' is {list(ends)}, expected the lower and the higher end")
    return Span(*ends)


def broken_method_b(method: MethodB) -> tuple[str, ...]:
    """What a method B says that it may not say; empty for a sound one.

    CET counts carbon in full. At the corners of its ranges the formula gives -200 to 400 °C (our choice; the published
    one gives -168 to 353 °C). Between them the minimum never falls as CET, thickness or hydrogen rises, and never rises
    with the heat input.
    """
    broken: list[str] = []
    if dict(method.cet_divisors).get("C") != 1.0:
        broken.append("the divisor of C in CET is not 1")
    # Each term is monotone in its own quantity, so ends and middle suffice.
    axes = [
        (span.low, (span.low + span.high) / 2.0, span.high)
        for span in (method.cet_percent, method.thickness_mm, method.hydrogen_ml, method.heat_input_kj_mm)
    ]
    results_c: dict[tuple[float, ...], float] = {
        (cet, d, hd, q): _method_b_c(cet, d, hd, q, method) for cet, d, hd, q in product(*axes)
    }
    low_c, high_c = min(results_c.values()), max(results_c.values())
    if not (low_c >= _COLDEST_RESULT_C and high_c <= _HOTTEST_RESULT_C):
        broken.append(
            f"the formula gives {low_c:.0f} to {high_c:.0f} °C over its ranges, "
            f"outside {_COLDEST_RESULT_C:g} to {_HOTTEST_RESULT_C:g} °C"
        )
    for axis, (quantity, sign) in enumerate(
        (("CET", 1.0), ("thickness", 1.0), ("hydrogen", 1.0), ("heat input", -1.0))
    ):
        others = [values for n, values in enumerate(axes) if n != axis]
        steps = [
            sign * (results_c[(*rest[:axis], after, *rest[axis:])] - results_c[(*rest[:axis], before, *rest[axis:])])
            for rest in product(*others)
            for before, after in pairwise(axes[axis])
        ]
        if min(steps) < 0.0:
            broken.append(f"the minimum {'falls' if sign > 0 else 'rises'} as {quantity} rises")
    return tuple(broken)
