"""What the tool asks of a joint, topic by topic."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.figures import Ask
from frostshift_rules.instructions import MOST_CAUTIONS, TOPICS, Instruction, Topic, instructions
from frostshift_rules.job import PROCESSES, CodeUnits, Joint, Part, Procedure, Process
from frostshift_rules.preheat import Requirement, requirement
from frostshift_rules.tables import load_code_table
from frostshift_rules.units import c_from_f, mm_from_in

TABLE = load_code_table("aws_d1_1_2015_t3_3")


def inch(thickness_in: float, steel: str | None = "A992") -> Part:
    return Part(steel, mm_from_in(thickness_in), thickness_in)


def joint(*parts: Part, process: Process | None = "SMAW", electrode: str | None = "E7018", **fields: Any) -> Joint:
    return Joint(
        mark="J1",
        place="",
        parts=parts or (inch(1.0),),
        process=process,
        electrode=electrode,
        hydrogen_ml=None,
        procedure=fields.pop("procedure", None),
        weld_length_mm=500.0,
        ends="inside",
        start_utc=datetime(2026, 1, 15, 14, tzinfo=UTC),
        hours=2.0,
        **fields,
    )


ROW = Ask("row", c_from_f(150.0), TABLE.id, "category B, over 1-1/2 through 2-1/2 in", "Table 3.3", "seen", "A992.")


def asked(minimum_f: float | None = 150.0, **fields: Any) -> Requirement:
    """A requirement as `preheat` makes it, in US units; made here so that nothing but its fields is relied on."""
    minimum_c = None if minimum_f is None else c_from_f(minimum_f)
    values: dict[str, Any] = {
        "minimum_c": minimum_c,
        "maximum_c": None,
        "maximum_source": "",
        "extent_mm": mm_from_in(3.0),
        "cold_below_c": 0.0,
        "cold_floor_c": c_from_f(70.0),
        "literal_cold": False,
        "category": "" if minimum_f is None else "B",
        "asks": () if minimum_c is None else (replace(ROW, minimum_c=minimum_c),),
        "unknown": (),
        "not_accepted": False,
        "notes": (),
        **fields,
    }
    return Requirement(**values)


def said(
    topic: Topic, of: Joint | None = None, needs: Requirement | None = None, units: CodeUnits = "us"
) -> Instruction:
    """The one instruction of a topic; of several cautions the first."""
    return next(one for one in all_said(of, needs, units) if one.topic == topic)


def all_said(
    of: Joint | None = None, needs: Requirement | None = None, units: CodeUnits = "us"
) -> tuple[Instruction, ...]:
    return instructions(of or joint(), needs or asked(), TABLE, units)


def cautions(of: Joint) -> list[str]:
    return [one.text for one in all_said(of) if one.topic == "cautions"]


# ---------------------------------------------------------------- order


def test_every_topic_once_and_in_order() -> None:
    topics = [one.topic for one in all_said(joint(inch(1.625), inch(1.0)))]
    assert list(dict.fromkeys(topics)) == list(TOPICS)
    assert {topic for topic in topics if topics.count(topic) > 1} == {"cautions"}
    assert topics.count("cautions") <= MOST_CAUTIONS


# ---------------------------------------------------------------- the figure


def test_the_method_says_which_row_and_why() -> None:
    one = said("method")
    assert one.text == "By AWS D1.1/D1.1M:2015, category B, over 1-1/2 through 2-1/2 in. A992."
    assert one.source == "Table 3.3; seen"


@pytest.mark.parametrize(
    ("what", "row", "text", "source"),
    [
        ("procedure", "procedure W-1", "By the job's own value: procedure W-1. Qualified by test.", "procedure W-1"),
        ("formula", "method B", "By the formula: method B. Qualified by test.", "C.3; seen"),
        ("hydrogen_control", "group D", "By hydrogen control: group D. Qualified by test.", "C.3; seen"),
    ],
)
def test_the_method_says_who_asks(what: str, row: str, text: str, source: str) -> None:
    ask = Ask(what, 60.0, "", row, "C.3", "seen", "Qualified by test.")
    one = said("method", needs=asked(asks=(ask, ROW)))
    assert (one.text, one.source) == (text, source)


def test_the_minimum_with_the_cold_steel_rule_only_where_it_asks_for_more() -> None:
    zone = "in all of the zone that has to be warm"
    assert said("minimum").text == f"Before the arc at least 150 °F {zone}."
    cold = said("minimum", needs=asked(50.0))
    assert cold.text == f"Before the arc at least 50 °F {zone}; 70 °F where the steel was below 32 °F before heating."
    assert cold.source.endswith("Cold steel: Table 3.3, footnote a; second hand, over this figure too: our choice")
    literal = said("minimum", needs=asked(32.0, literal_cold=True))
    assert literal.source.endswith("Table 3.3, footnote a; second hand")


def test_the_units_are_those_of_the_code() -> None:
    # 150 °F is 65.6 °C: a least temperature is rounded up.
    assert "at least 66 °C in" in said("minimum", units="si").text
    assert "at least 66 °C (150 °F) in" in said("minimum", units="either").text
    assert said("extent", units="si").text.startswith("77 mm on every side")  # 76.2 mm
    assert said("extent", needs=asked(extent_mm=75.0), units="si").text.startswith("75 mm on every side")


FIGURE = re.compile(r"(-?\d+) °[FC]")


def test_an_unknown_minimum_is_said_with_its_reasons_and_no_figure() -> None:
    nothing = asked(None, unknown=("the steel is not stated", "The process is not stated."))
    by_topic = {one.topic: one.text for one in all_said(needs=nothing)}
    assert by_topic["minimum"] == (
        "Unknown: ask the welding procedure. The steel is not stated. The process is not stated."
    )
    assert "the minimum is unknown" in by_topic["method"]
    for topic in ("method", "minimum", "between_passes", "maximum", "tacks", "with"):
        assert FIGURE.findall(by_topic[topic]) == [], topic


def test_a_figure_that_is_not_accepted_is_a_hint_and_nothing_to_work_by() -> None:
    by_topic = {one.topic: one.text for one in all_said(needs=asked(not_accepted=True))}
    assert by_topic["minimum"] == "Unknown until the site has accepted the figures. As a hint, at least 150 °F."
    assert by_topic["method"].endswith("Only a hint until the site has accepted these figures.")
    for topic in ("between_passes", "tacks", "with"):
        assert "150" not in by_topic[topic], topic


# ---------------------------------------------------------------- passes and maximum


def test_between_passes_minimum_maximum_and_the_estimate() -> None:
    one = said("between_passes", joint(inch(1.5)), asked(maximum_c=c_from_f(400.0), maximum_source="WPS"))
    assert one.text == (
        "Check before each pass: at least 150 °F, at most 400 °F. At least about 8 layers, an estimate: "
        "1-1/2 in thick, 3/16 in a layer at most."
    )
    assert one.source == (
        "Thickest layer: AWS D1.1, prequalified procedure requirements, thickness of a layer; from memory"
    )


def test_between_passes_holds_the_raised_minimum_of_cold_steel() -> None:
    # D1.1, Table 3.3, footnote a: that minimum holds during welding too; second hand.
    assert "at least 50 °F; 70 °F where the steel was below 32 °F" in said("between_passes", None, asked(50.0)).text


def test_stated_passes_are_no_estimate() -> None:
    one = said("between_passes", joint(passes=6))
    assert one.text == "Check before each pass: at least 150 °F. 6 passes, as stated."
    assert one.source == ""
    assert "1 pass, as stated" in said("between_passes", joint(passes=1)).text


def test_passes_that_nobody_knows() -> None:
    assert said("between_passes", joint(process="GTAW")).text.endswith("The number of passes is not known.")


def test_the_maximum_and_its_absence() -> None:
    none = said("maximum", joint(procedure="W-1"))
    assert none.text == "AWS D1.1/D1.1M:2015 states none here; the welding procedure's holds where it states one."
    assert "has to be asked for" in said("maximum").text
    one = said("maximum", needs=asked(maximum_c=204.9, maximum_source="W-1"))  # 400.8 °F: rounded down
    assert (one.text, one.source) == ("Never above 400 °F, before welding and between passes.", "W-1")


# ---------------------------------------------------------------- measuring


@pytest.mark.parametrize(
    ("thickness_mm", "distance", "minutes"),
    [
        # ISO 13916:2025: 4 t but at most 50 mm up to 50 mm thick, at least 75 mm above; about 2 min per 25 mm.
        (8.0, "welding 32 mm", 1),
        (12.5, "welding 50 mm", 1),
        (20.0, "welding 50 mm", 2),
        (25.0, "welding 50 mm", 2),
        (50.0, "welding 50 mm", 4),
        (57.0, "welding at least 75 mm", 5),
        (75.0, "welding at least 75 mm", 6),
        (100.0, "welding at least 75 mm", 8),
    ],
)
def test_where_and_when_to_measure(thickness_mm: float, distance: str, minutes: int) -> None:
    one = said("where_when", joint(Part("A36", thickness_mm)), units="si")
    assert f"{distance} from the groove edge" in one.text
    assert f"off for {minutes} min" in one.text
    assert one.source.startswith("ISO 13916:2025")


def test_what_to_measure_with() -> None:
    both = said("with", needs=asked(225.0, maximum_c=c_from_f(450.0), maximum_source="x")).text
    assert both.startswith("A contact thermometer, or a crayon of 225 °F; a crayon of 450 °F that must not melt.")
    # Crayons begin at about 100 °F: from memory.
    assert said("with", None, asked(50.0)).text.startswith(
        "A contact thermometer: no crayon is rated below about 100 °F."
    )
    assert "crayon of the procedure's minimum" in said("with", needs=asked(None)).text
    assert "never in the groove" in both
    assert "Infrared" in both


# ---------------------------------------------------------------- around the weld


def test_tacks_need_the_same_but_for_one_that_is_remelted() -> None:
    one = said("tacks", None, asked(50.0))
    assert one.text == (
        "Tacks and temporary attachments need the same as the weld: at least 50 °F; 70 °F where the steel was below "
        "32 °F before heating."
    )
    assert one.source == "AWS D1.1, 5.18.2 in editions about 2006; second hand"
    assert "single-pass tack that continuous SAW" in said("tacks", joint(process="SAW", electrode=None)).text


@pytest.mark.parametrize(
    ("process", "electrode", "text"),
    [
        (None, None, "Unknown: the process is not stated."),
        ("SMAW", None, "Unknown: the electrode's classification is not stated."),
        ("SMAW", "XYZ", "Unknown: electrode 'XYZ' cannot be read"),
        ("SMAW", "E6010", "No clock: E6010 is no low-hydrogen electrode."),
        ("FCAW-S", None, "No clock: FCAW-S uses no stick electrodes."),
        ("FCAW-S", "E7018", "No clock: FCAW-S uses no stick electrodes."),
        ("SMAW", "E7018", "The clock runs: E7018 at most 4 h out of the oven of at least 250 °F"),
        ("SMAW", "E7018 R", "The clock runs: E7018 R at most 9 h"),
        ("SMAW", "E11018-M", "The clock runs: E11018-M at most 0.5 h"),
        ("SMAW", "E6018", "The clock runs, for how long is unknown."),
    ],
)
def test_whether_the_electrode_clock_runs(process: Process | None, electrode: str | None, text: str) -> None:
    assert said("electrodes", joint(process=process, electrode=electrode)).text.startswith(text)


def test_baking_by_specification_and_units() -> None:
    assert "2 h at 500 to 800 °F, once and no more; wet ones are scrap" in said("electrodes").text
    low_alloy = said("electrodes", joint(electrode="E8018-C3"), units="si")
    assert "1 h at 370 to 430 °C" in low_alloy.text
    assert "oven of at least 120 °C" in low_alloy.text
    assert "Table 5.1, column A; from memory" in low_alloy.source
    assert "370 to 430 °C (700 to 800 °F)" in said("electrodes", joint(electrode="E8018-C3"), units="either").text


@pytest.mark.parametrize(
    ("process", "units", "text"),
    [
        # AWS D1.1, welding environment, second hand: 0 °F (-20 °C) at the weld, 5 mph (8 km/h) with gas shielding.
        ("GMAW", "us", "air at the weld below 0 °F; wind there above 5 mph;"),
        ("FCAW-G", "si", "air at the weld below -20 °C; wind there above 8 km/h;"),
        ("GTAW", "either", "air at the weld below -17 °C (0 °F); wind there above 8 km/h (4.9 mph);"),
        ("SMAW", "us", "high wind (no figure for SMAW; here from 24.1 mph, our choice)"),
        ("FCAW-S", "si", "high wind (no figure for FCAW-S; here from 38.8 km/h, our choice)"),
        (None, "us", "wind there above 5 mph with FCAW-G, GMAW, GTAW;"),
    ],
)
def test_which_stops_apply(process: Process | None, units: CodeUnits, text: str) -> None:
    one = said("stops", joint(process=process), units=units)
    assert text in one.text
    assert "wet or frosted steel, rain or snow" in one.text
    assert "second hand" in one.source


@pytest.mark.parametrize(
    ("thickness_in", "sources"),
    [
        # AWS D1.1:2000, Figure 5.2: web over 1-1/2 in, second hand; AISC 360, M2.2: over 2 in, from memory.
        (1.5, ()),
        (1.625, ("Figure 5.2; second hand",)),
        (2.0, ("Figure 5.2; second hand",)),
        (3.5, ("Figure 5.2; second hand", "AISC 360, M2.2; from memory")),
    ],
)
def test_access_holes_only_in_thick_parts(thickness_in: float, sources: tuple[str, ...]) -> None:
    found = [one for one in all_said(joint(inch(0.5), inch(thickness_in))) if one.topic == "access_holes"]
    assert len(found) == min(len(sources), 1)
    for one in found:
        assert one.text.startswith("At least 150 °F before an access hole or cope is cut by flame")
        assert [source in one.source for source in sources] == [True] * len(sources)
        assert ("AISC" in one.source) == (len(sources) == 2)


def test_repairs_in_each_unit_system() -> None:
    # 50 °F (28 °C) more: common practice, no source.
    assert said("repairs").text == "At least the minimum of the joint; many procedures add 50 °F."
    assert said("repairs", units="either").text.endswith("many procedures add 28 °C (50 °F).")


def test_cautions_that_belong_to_the_joint() -> None:
    plain = cautions(joint())
    assert plain == [
        "Never above 1200 °F at any spot under the torch: keep the flame moving.",
        "After a break, steel below the minimum: heat the whole joint again before the next arc.",
        "The figures are the least: more restraint, more hydrogen or less heat input may need more.",
    ]
    treated = cautions(joint(inch(1.0, "A514"), inch(1.0)))
    assert treated[0] == (
        "A514 is quenched and tempered: too hot is as wrong as too cold. Never above 1100 °F at any spot under the "
        "torch: keep the flame moving."
    )
    assert "Never above 1100 °F" in cautions(joint(inch(1.0, None)))[0]  # not stated: the safe side
    assert cautions(joint(fracture_critical=True))[0].startswith("Fracture-critical: only its welding procedure")
    assert cautions(joint(inch(1.0), inch(1.5)))[-2] == "Measure every part: that of 1-1/2 in is warm last."


# ---------------------------------------------------------------- invariants

steels = st.sampled_from(("A36", "A992", "A572-65", "A514", "A709-HPS70W", "S690QL", None))
parts = st.builds(Part, steel=steels, thickness_mm=st.floats(3.0, 200.0))
joints = st.builds(
    lambda parts, process, electrode, passes, critical: joint(
        *parts, process=process, electrode=electrode, passes=passes, fracture_critical=critical
    ),
    st.lists(parts, min_size=1, max_size=4),
    st.sampled_from((*PROCESSES, None)),
    st.sampled_from(("E7018", "E6010", "E8018-C3 H4R", "E6018", "nonsense", None)),
    st.sampled_from((None, 1, 12)),
    st.booleans(),
)
requirements = st.builds(
    lambda minimum_f, maximum_c, not_accepted: asked(
        minimum_f, maximum_c=maximum_c, not_accepted=not_accepted and minimum_f is not None, unknown=("it is so",)
    ),
    st.one_of(st.none(), st.floats(32.0, 400.0)),
    st.one_of(st.none(), st.floats(150.0, 300.0)),
    st.booleans(),
)


@given(joints, requirements, st.sampled_from(("us", "si", "either")))
def test_every_joint_gets_whole_sentences_in_its_units(of: Joint, needs: Requirement, units: CodeUnits) -> None:
    found = all_said(of, needs, units)
    topics = [one.topic for one in found]
    assert list(dict.fromkeys(topics)) == [topic for topic in TOPICS if topic in topics]
    assert set(TOPICS) - set(topics) <= {"access_holes"}
    for one in found:
        assert one.text[0].isupper() or one.text[0].isdigit()
        assert one.text.endswith(".")
        assert "  " not in one.text
        assert "nan" not in one.text
        assert "None" not in one.text
        other = {"us": ("°C", " mm", "km/h"), "si": ("°F", " in ", "mph"), "either": ()}[units]
        figures = one.text.replace(ROW.row, "")
        assert not [unit for unit in other if re.search(rf"\d{re.escape(unit)}|\d {re.escape(unit)}", figures)]


@given(joints, st.sampled_from(("us", "si", "either")), st.booleans())
def test_no_temperature_is_made_up_for_an_unknown_minimum(of: Joint, units: CodeUnits, hint: bool) -> None:
    nothing = asked(not_accepted=True) if hint else asked(None, unknown=("it is so",))
    for one in all_said(of, nothing, units):
        if one.topic in ("between_passes", "with", "tacks", "maximum", "repairs"):
            figures = [int(figure) for figure in FIGURE.findall(one.text)]
            # All that may be there: what many procedures add for a repair.
            assert set(figures) <= ({50, 28} if one.topic == "repairs" else set())


@pytest.mark.parametrize("own", [None, Procedure("W-1", 80.0, 200.0, True)])
def test_from_a_true_requirement(own: Procedure | None) -> None:
    of = joint(inch(1.625), procedure=None if own is None else own.name)
    found = {one.topic: one for one in instructions(of, requirement(of, TABLE, own, "us", ()), TABLE, "us")}
    assert ("at least 176 °F" if own else "at least 150 °F") in found["minimum"].text
    assert ("at most 392 °F" in found["between_passes"].text) == (own is not None)


# ---------------------------------------------------------------- in the reader's units


def read_by(
    reader: Any, units: CodeUnits = "us", of: Joint | None = None, needs: Requirement | None = None
) -> dict[str, str]:
    return {one.topic: one.text for one in instructions(of or joint(), needs or asked(), TABLE, units, reader)}


def test_a_reader_of_the_codes_units_reads_the_codes_figures_alone() -> None:
    assert instructions(joint(), asked(), TABLE, "us", "us") == instructions(joint(), asked(), TABLE, "us")
    assert read_by("si", "either")["minimum"] == said("minimum", units="either").text  # both count, so both are said
    assert "code's units" not in " ".join(read_by("us").values())


def test_another_reader_has_his_units_with_the_codes_own_figure_beside() -> None:
    needs = asked(225.0, maximum_c=c_from_f(450.0), maximum_source="W-1", extent_mm=mm_from_in(3.0))
    texts = read_by("si", "us", joint(inch(1.5)), needs)
    assert texts["extent"].startswith("77 mm (in the code's units 3 in) on every side")  # 76 mm would be less than 3 in
    assert "at least 108 °C (in the code's units 225 °F)" in texts["minimum"]
    assert "Never above 232 °C (in the code's units 450 °F)" in texts["maximum"]
    assert "38.1 mm thick" in texts["between_passes"]  # the joint's own, which no code states
    assert "oven of at least 122 °C (in the code's units 250 °F)" in texts["electrodes"]
    texts = read_by("us", "si", joint(Part("A992", 38.0)), asked(150.0, extent_mm=75.0))
    assert texts["extent"].startswith("3 in (in the code's units 75 mm) on every side")  # 2-15/16 in would be less
    texts = read_by("both", "us", joint(), asked(225.0))
    assert "at least 225 °F (108 °C)" in texts["minimum"]
    assert "3 in (77 mm) on every side" in texts["extent"]


@given(
    minimum_f=st.integers(32, 400),
    maximum_f=st.integers(401, 800),
    extent=st.floats(10.0, 300.0),
    reader=st.sampled_from(("us", "si", "both")),
    units=st.sampled_from(("us", "si")),
)
def test_no_limit_is_rounded_to_its_wrong_side_for_a_reader(
    minimum_f: int, maximum_f: int, extent: float, reader: Any, units: CodeUnits
) -> None:
    most_c = c_from_f(maximum_f)
    needs = asked(minimum_f, maximum_c=most_c, maximum_source="W-1", extent_mm=extent, cold_floor_c=0.0)
    texts = read_by(reader, units, None, needs)

    def figures(text: str) -> list[float]:
        first = re.findall(r"(-?[\d.]+) °([CF])", text)
        return [float(value) if unit == "C" else c_from_f(float(value)) for value, unit in first]

    assert all(c >= needs.minimum_c - 1e-6 for c in figures(texts["minimum"]))  # type: ignore[operator]
    assert all(c <= most_c + 1e-6 for c in figures(texts["maximum"]))
    sizes = re.findall(r"(?:(\d+)-)?(\d+)(?:/(\d+))? (in|mm)(?= |\)|,)", texts["extent"].partition(" on every")[0])
    for whole, top, bottom, unit in sizes:
        value = float(whole or 0) + float(top) / float(bottom or 1)
        assert (mm_from_in(value) if unit == "in" else value) >= extent - 1e-5
