"""One cell of a schedule: lengths, temperatures, speeds, times, words.

Exact factors of inch and foot: NIST SP 811 (2008), appendix B.8. How lengths are spelled on drawings: common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.composition import ELEMENTS, Composition, Element
from frostshift_service.schedule_file import cells, writers

REGISTRY: pint.UnitRegistry = pint.UnitRegistry()
CHICAGO = ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("typed", "inch"),
    [
        ("1-1/2 in", 1.5), ("1 1/2 in", 1.5), ('1 1/2"', 1.5), ('1-1/2"', 1.5), ("1 - 1/2 in.", 1.5), ("1.5 in", 1.5),
        ("1½ in", 1.5), ("1 ½″", 1.5), ("½ in", 0.5), ('3/4"', 0.75), ("3/4''", 0.75), ("3/4 INCH", 0.75),
        (".75 inches", 0.75), ("11⁄16 in", 0.6875), ("2'-6\"", 30.0), ("2' 6 1/2\"", 30.5), ("2’-6”", 30.0),
        ("2 ft 6 in", 30.0), ("2ft6in", 30.0), ("2.5 ft", 30.0), ("2'", 24.0), ("2 feet", 24.0), ("0'-9\"", 9.0),
    ],
)  # fmt: skip
def test_feet_and_inches(typed: str, inch: float) -> None:
    found = cells.read_length(typed)
    assert found.inch == inch
    assert found.mm == pytest.approx(inch * 25.4, rel=1e-15)


@pytest.mark.parametrize(
    ("typed", "mm"),
    [("38 mm", 38.0), ("38mm", 38.0), ("60 cm", 600.0), ("0.6 m", 600.0), (".6 M", 600.0), ("2 metres", 2000.0),
     ("2 meter", 2000.0), ("12.7 millimeters", 12.7), ("-5 mm", -5.0), ("−5 mm", -5.0)],
)  # fmt: skip
def test_metric_lengths_keep_no_inches(typed: str, mm: float) -> None:
    assert cells.read_length(typed) == cells.Length(mm)


@pytest.mark.parametrize(
    ("typed", "shares"),
    [
        ("C 0.18 Mn 1.40 Si 0.25", Composition(c=0.18, mn=1.4, si=0.25)),
        ("Si 0.25 C 0.18 Mn 1.40", Composition(c=0.18, mn=1.4, si=0.25)),
        ("C=0.18%, Mn=1.4%; Si=0.25%", Composition(c=0.18, mn=1.4, si=0.25)),
        ("c .18 MN 1.4 % , sI: 0.25", Composition(c=0.18, mn=1.4, si=0.25)),
        ("C0.18 Mn1.4", Composition(c=0.18, mn=1.4)),
        ("C 0.18,Mn 1.4", Composition(c=0.18, mn=1.4)),
        ("C 0.18 Mn 1.4 P 0.012 S 0.004 Al 0.03", Composition(c=0.18, mn=1.4)),  # no formula here asks for those
        ("C 0", Composition(c=0.0)),
        ("Mn 5", Composition(mn=5.0)),
        ("B 0.0005", Composition(b=0.0005)),
        (
            "C .1 Si .2 Mn .3 Cu .4 Ni .5 Cr .6 Mo .7 V .8 Nb .9 Ti .01 B .02",
            Composition(0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.01, 0.02),
        ),
    ],
)
def test_compositions(typed: str, shares: Composition) -> None:
    assert cells.composition(typed) == shares


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("C 0.18 X 0.02", "has 'X', which is no element that is read: C, Si, Mn, Cu, Ni, Cr, Mo, V, Nb, Ti, B"),
        ("C 0.18 Carbon 0.2", "has 'Carbon', which is no element"),
        ("C 0.18 c 0.2", "'C 0.18 c 0.2' has C twice"),
        ("C 5.01", "'C 5.01' has C 5.01 %, outside 0 % to 5 %"),
        ("C 0.18 Mn 140", "has Mn 140 %, outside 0 % to 5 %"),
        ("C -0.1", "has C -0.1 %, outside 0 % to 5 %"),
        ("C 0,18", "'C 0,18' has a comma; write decimals with a point"),
        ("C <0.05", "'C <0.05' cannot be read at 'C <0.05'; write C 0.18 Mn 1.40 Si 0.25"),
        ("0.18 C", "cannot be read at '0.18 C'"),
        ("C 0.18Mn 1.4", "cannot be read at 'C 0.18Mn 1.4'"),
        ("C 0.18 0.20", "cannot be read at '0.20'"),
        ("C 0.18.1", "cannot be read at 'C 0.18.1'"),
        ("C", "cannot be read at 'C'"),
        ("C 0.18 Mn", "cannot be read at 'Mn'"),
        ("C 1e-1", "cannot be read at 'C 1e-1'"),
        ("C 0.18;; Mn 1.4", "cannot be read at '; Mn 1.4'"),
        ("C ٣", "cannot be read at 'C ٣'"),
        ("low carbon", "cannot be read at 'low carbon'"),
    ],
)
def test_what_is_no_composition_says_so(typed: str, message: str) -> None:
    with pytest.raises(cells.CellProblem) as caught:
        cells.composition(typed)
    assert message in caught.value.message


@given(
    st.dictionaries(st.sampled_from(ELEMENTS), st.integers(0, 50_000).map(lambda n: n / 10_000), min_size=1),
    st.sampled_from([" ", ", ", ";", " ; "]),
    st.sampled_from([" ", "=", " = ", ": "]),
    st.sampled_from(["", "%", " %"]),
)
def test_a_composition_is_what_was_typed_whatever_stands_between(
    shares: dict[Element, float], between: str, equals: str, percent: str
) -> None:
    typed = between.join(f"{element}{equals}{share:.4f}{percent}" for element, share in shares.items())
    found = cells.composition(typed)
    assert {element: found.percent(element) for element in ELEMENTS} == {
        element: shares.get(element) for element in ELEMENTS
    }
    assert cells.composition(writers.composition(found)) == found


def test_heat_input() -> None:
    assert cells.heat_input_kj_mm("1.5 kJ/mm") == 1.5
    assert cells.heat_input_kj_mm("1.5kj / MM") == 1.5
    typed = cells.heat_input_kj_mm("40 kJ/in")
    assert typed == pytest.approx(REGISTRY.Quantity(40.0, "kJ/inch").to("kJ/mm").magnitude, rel=1e-12)
    assert cells.heat_input_kj_mm("40 kJ/inch") == cells.heat_input_kj_mm("40 kJ/in.") == typed
    assert (cells.heat_input_kj_mm("0.1 kJ/mm"), cells.heat_input_kj_mm("10 kJ/mm")) == (0.1, 10.0)


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("1.5", "'1.5' has no unit; write 1.5 kJ/mm or 40 kJ/in"),
        ("0.09 kJ/mm", "is 0.09 kJ/mm, outside 0.1 kJ/mm to 10 kJ/mm"),
        ("10.1 kJ/mm", "is 10.1 kJ/mm, outside 0.1 kJ/mm to 10 kJ/mm"),
        ("2 kJ/in", "is 0.07874 kJ/mm, outside"),
        ("300 kJ/in", "is 11.81 kJ/mm, outside"),
        ("-1 kJ/mm", "is -1 kJ/mm, outside"),
        ("1,5 kJ/mm", "has a comma"),
        ("1500 J/mm", "is not a heat input; write 1.5 kJ/mm or 40 kJ/in"),
        ("15 kJ", "is not a heat input"),
    ],
)
def test_what_is_no_heat_input_says_so(typed: str, message: str) -> None:
    with pytest.raises(cells.CellProblem) as caught:
        cells.heat_input_kj_mm(typed)
    assert message in caught.value.message


def test_restraint() -> None:
    assert [cells.restraint(word) for word in ("low", "Medium", "HIGH")] == ["low", "medium", "high"]
    with pytest.raises(cells.CellProblem, match="'some' is not one of: low, medium, high") as caught:
        cells.restraint("some")
    assert caught.value.limit == "low | medium | high"


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("38", "'38' has no unit; write 38 mm or 1-1/2 in"),
        ("1-1/2", "'1-1/2' has no unit"),
        ("-3", "'-3' has no unit"),
        ("38,1 mm", "'38,1 mm' has a comma"),
        ("1,500 mm", "'1,500 mm' has a comma"),
        ("1-3/2 in", "'1-3/2' is no proper fraction"),
        ("11/2 in", "'11/2' is no proper fraction"),
        ("1/3 in", "'1/3' is no inch fraction: the lower number has to be one of 2, 4, 8, 16, 32, 64"),
        ("1/0 in", "'1/0' is no inch fraction"),
        ("1/2 mm", "'1/2 mm' is not a length"),
        ("2'-14\"", "is not feet and inches"),
        ("2.5' 6\"", "is not feet and inches"),
        ("two inches", "'two inches' is not a length"),
        ("38 mmm", "is not a length"),
        ("1e2 mm", "is not a length"),
        ("٣ mm", "is not a length"),
        ("nan mm", "is not a length"),
        ("in", "is not a length"),
        ("2026-01-02", "'2026-01-02' is a date"),
        ("x" * 90, f"'{'x' * 40}...' is not a length"),
    ],
)
def test_what_is_no_length_says_so(typed: str, message: str) -> None:
    with pytest.raises(cells.CellProblem) as caught:
        cells.read_length(typed)
    assert message in caught.value.message


@given(
    whole=st.integers(0, 300),
    numerator=st.integers(1, 63),
    denominator=st.sampled_from([2, 4, 8, 16, 32, 64]),
    joint=st.sampled_from(["-", " ", " - "]),
    unit=st.sampled_from([" in", '"', "″", " inches", "in."]),
)
def test_inch_fractions_read_back_exactly(whole: int, numerator: int, denominator: int, joint: str, unit: str) -> None:
    numerator = numerator % denominator or 1
    typed = f"{whole}{joint}{numerator}/{denominator}{unit}" if whole else f"{numerator}/{denominator}{unit}"
    assert cells.read_length(typed).inch == float(whole + Fraction(numerator, denominator))


@given(st.integers(0, 5_000_000), st.sampled_from([("mm", 3), ("cm", 4), ("m", 6)]))
def test_decimal_metric_lengths_are_the_nearest_float(micrometres: int, unit: tuple[str, int]) -> None:
    name, digits = unit
    typed = f"{micrometres // 10**digits}.{micrometres % 10**digits:0{digits}d} {name}"
    assert cells.read_length(typed).mm == float(Fraction(micrometres, 1000))


@given(st.text(max_size=60))
def test_no_text_makes_a_reader_fall_over(typed: str) -> None:
    readers: list[Callable[[str], object]] = [
        cells.read_length, cells.temperature_c(-60, 50), cells.speed_ms(0, 40), cells.hours(0.1, 72),
        cells.whole(1, 20), cells.hydrogen_ml, cells.process, cells.electrode, cells.steel, cells.start, cells.text(60),
    ]  # fmt: skip
    for read in readers:
        with suppress(cells.CellProblem):
            read(typed)


def test_limits_are_included_and_named() -> None:
    read = cells.length(1.0, 300.0, "38 mm or 1-1/2 in")
    assert read("1 mm").mm == 1.0
    assert read("300 mm").mm == 300.0
    for typed, said in [("0.9 mm", "0.9 mm"), ("12 in", "304.8 mm"), ("-38 mm", "-38 mm"), ("2 m", "2 m")]:
        with pytest.raises(cells.CellProblem, match=f"'{typed}' is {said}, outside 1 mm to 300 mm") as caught:
            read(typed)
        assert caught.value.limit == "1 mm to 300 mm"


@pytest.mark.parametrize("typed", ["40 F", "40F", "40 °F", "40 deg F", "40º f", "-5 °C", "−5 C", "4.5C", "100 F"])
def test_temperatures_against_pint(typed: str) -> None:
    number = float(typed.replace("−", "-").rstrip("CFcfdeg °º"))
    unit = REGISTRY.degC if typed[-1] in "Cc" else REGISTRY.degF
    assert cells.temperature_c(-60, 50)(typed) == pytest.approx(REGISTRY.Quantity(number, unit).to("degC").magnitude)


@pytest.mark.parametrize("typed", ["5 mph", "2.2 m/s", "8 km/h", "8 kmh", "0 m/s"])
def test_speeds_against_pint(typed: str) -> None:
    number, unit = typed.replace("kmh", "km/h").split()
    expected = REGISTRY.Quantity(float(number), unit).to("m/s").magnitude
    assert cells.speed_ms(0, 40)(typed) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("read", "typed", "message"),
    [
        (cells.temperature_c(-60, 50), "40", "'40' has no unit; write 40 F or 5 C"),
        (cells.temperature_c(-60, 50), "40 K", "'40 K' is not a temperature"),
        (cells.temperature_c(-60, 50), "500 F", "'500 F' is 260 °C, outside -60 °C to 50 °C"),
        (cells.speed_ms(0, 40), "5", "'5' has no unit; write 5 mph"),
        (cells.speed_ms(0, 40), "calm", "'calm' is not a wind speed"),
        (cells.speed_ms(0, 40), "-1 m/s", "'-1 m/s' is -1 m/s, outside 0 m/s to 40 m/s"),
        (cells.hours(0.1, 72), "7:30", "'7:30' is not a number of hours"),
        (cells.hours(0.1, 72), "2,5", "'2,5' has a comma"),
        (cells.hours(0.1, 72), "0", "'0' is 0 hours, outside 0.1 to 72 hours"),
        (cells.hours(0.1, 72), "-2", "'-2' is -2 hours, outside 0.1 to 72 hours"),
        (cells.whole(1, 20), "2.0", "'2.0' is not a whole number from 1 to 20"),
        (cells.whole(1, 20), "21", "'21' is outside 1 to 20"),
        (cells.hydrogen_ml, "H99", "'H99' is no hydrogen class; known are H4, H5"),
        (cells.hydrogen_ml, "H2", "'H2' may be a level of hydrogen control or a class of consumable; write the number"),
        (cells.hydrogen_ml, "h 3", "may be a level of hydrogen control"),
        (cells.hydrogen_ml, "low", "'low' is no hydrogen class or number"),
        (cells.hydrogen_ml, "99", "'99' is 99 mL/100 g, outside 0.5 to 30 mL/100 g"),
        (cells.process, "FCAW", "write FCAW-S (self-shielded) or FCAW-G (gas-shielded)"),
        (cells.process, "TIG", "'TIG' is not one of: SMAW, FCAW-S, FCAW-G, GMAW, GTAW, SAW"),
        (cells.electrode, "7018", "'7018' is no electrode classification"),
        (cells.electrode, "low hydrogen", "is no electrode classification"),
        (cells.steel, "A36-ish", "'A36-ish' cannot be read as a steel"),
        (cells.text(60), "x" * 61, "has 61 characters, more than 60"),
        (cells.text(60), "B\u200b4", "holds a character that cannot be shown (U+200B)"),
        (cells.start, "11/26/2026 07:30", "may be read as day/month or month/day; write it as 2026-11-26 07:30"),
        (cells.start, "26.11.2026 07:30", "may be read as day/month or month/day"),
        (cells.start, "2026-11-26", "'2026-11-26' has no time of day"),
        (cells.start, "2026-02-30 07:30", "does not exist"),
        (cells.start, "2026-11-26 25:00", "does not exist"),
        (cells.start, "1899-12-31 07:30", "outside 2000 to 2100"),
        (cells.start, "tomorrow", "'tomorrow' is not a date and time; write it as 2026-11-26 07:30"),
    ],
)
def test_what_cannot_be_read_names_the_value_and_the_limit(
    read: Callable[[str], object], typed: str, message: str
) -> None:
    with pytest.raises(cells.CellProblem) as caught:
        read(typed)
    assert message in caught.value.message


@pytest.mark.parametrize(
    ("typed", "expected"),
    [("smaw", "SMAW"), ("FCAW-S", "FCAW-S"), ("fcaw_g", "FCAW-G"), ("FCAW S", "FCAW-S"), ("FcawG", "FCAW-G")],
)
def test_processes(typed: str, expected: str) -> None:
    assert cells.process(typed) == expected


@pytest.mark.parametrize(
    ("typed", "expected", "covered"),
    [
        # classifications of AWS A5.1, A5.5, A5.18, A5.20, A5.17 and ISO 2560-A, from memory
        ("E7018", "E7018", True), ("e7018-1 h4r", "E7018-1 H4R", True), ("E7018-H4R", "E7018 H4R", True),
        ("E7018-1H4R", "E7018-1 H4R", True), ("E 6010", "E6010", True), ("E8018-C3", "E8018-C3", True),
        ("E8018-B2L", "E8018-B2L", True), ("E9018-M", "E9018-M", True), ("E7018M", "E7018M", True),
        ("E12018M", "E12018M", True), ("E8010-P1", "E8010-P1", True), ("E 42 5 B 32 H5", "E 42 5 B 32 H5", True),
        ("E71T-8", "E71T-8", False), ("ER70S-6", "ER70S-6", False), ("F7A2-EM12K", "F7A2-EM12K", False),
    ],
)  # fmt: skip
def test_electrodes(typed: str, expected: str, covered: bool) -> None:
    assert cells.electrode(typed) == expected
    assert cells.electrode(expected) == expected
    assert cells.is_covered(expected) is covered


@pytest.mark.parametrize(
    ("typed", "ml"), [("H8", 8.0), ("h 4", 4.0), ("5", 5.0), ("5 mL/100 g", 5.0), ("4.5 ml/100g", 4.5)]
)
def test_hydrogen(typed: str, ml: float) -> None:
    assert cells.hydrogen_ml(typed) == ml


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("2026-11-26 07:30", datetime(2026, 11, 26, 13, 30, tzinfo=UTC)),
        ("2026-11-26T07:30", datetime(2026, 11, 26, 13, 30, tzinfo=UTC)),
        ("2026-11-26 7:30", datetime(2026, 11, 26, 13, 30, tzinfo=UTC)),
        ("2026-11-26 07:30:15", datetime(2026, 11, 26, 13, 30, 15, tzinfo=UTC)),
        ("2026-07-01 07:30", datetime(2026, 7, 1, 12, 30, tzinfo=UTC)),
        ("2026-11-26 07:30-06:00", datetime(2026, 11, 26, 13, 30, tzinfo=UTC)),
        ("2026-11-01 01:30 -06:00", datetime(2026, 11, 1, 7, 30, tzinfo=UTC)),
        ("2026-11-01 01:30-05:00", datetime(2026, 11, 1, 6, 30, tzinfo=UTC)),
    ],
)
def test_starts(typed: str, utc: datetime) -> None:
    assert cells.utc_at(cells.start(typed), CHICAGO) == (utc, "")


# Clock changes of the United States: second Sunday of March and first Sunday of November at 02:00 local time
# (Energy Policy Act of 2005, section 110; 15 USC 260a).
def test_a_time_that_occurs_twice_is_the_first_with_a_warning() -> None:
    utc, warning = cells.utc_at(cells.start("2026-11-01 01:30"), CHICAGO)
    assert utc == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    assert "'2026-11-01 01:30' occurs twice" in warning
    assert "the first one was taken (-05:00); write 2026-11-01 01:30-06:00 for the second" in warning


@pytest.mark.parametrize("typed", ["2026-03-08 02:00", "2026-03-08 02:30", "2026-03-08 02:59"])
def test_a_time_that_the_clocks_jump_over_is_refused(typed: str) -> None:
    with pytest.raises(cells.CellProblem, match=f"'{typed}' does not exist: the clocks go forward over it"):
        cells.utc_at(cells.start(typed), CHICAGO)


def test_an_offset_that_is_not_the_zones_is_refused() -> None:
    with pytest.raises(cells.CellProblem, match="another offset from UTC than America/Chicago has then"):
        cells.utc_at(cells.WallTime(datetime(2026, 11, 26, 7, 30), timedelta(hours=1)), CHICAGO)  # noqa: DTZ001
