"""Cases as JSON: every key, every error, and that nothing somebody sends can break the reader."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.arrangements import CATALOGUE
from frostshift_rules.units import kw_from_btu_h
from frostshift_service import case_form
from frostshift_service.case_file import (
    CASE_KEYS,
    MAX_CASES,
    PART_KEYS,
    CaseFileError,
    ReadCase,
    net_kw,
    read_case,
    read_cases,
    share_of,
)
from frostshift_service.case_form import QUERY, groups, label_of, read_form
from frostshift_service.schedule_file.cells import CellProblem
from frostshift_service.views.case import CaseView, FailedCase, case_views, cases_json, cases_text

ROOT = Path(__file__).parents[2]
PLAIN: dict[str, Any] = {
    "parts": [{"steel": "A572 Gr. 50", "thickness": "1-5/8 in"}],
    "process": "fcaw-s",
    "units": "US",
    "steel_temperature": "20 F",
    "weld_air_temperature": "18 F",
    "weld_wind": "4 mph",
    "weld_length": "16 in",
    "heat_source": "oxy-propane-tip",
}


def read(entry: Any) -> list[ReadCase]:
    return read_cases(json.dumps(entry).encode())


def one(**changes: Any) -> ReadCase:
    """The plain case with other values; None takes a key away."""
    entry = {key: value for key, value in (PLAIN | changes).items() if value is not None}
    return read(entry)[0]


def part(**changes: Any) -> ReadCase:
    return one(parts=[PLAIN["parts"][0] | changes])


def problems(found: ReadCase) -> list[str]:
    return [problem.text for problem in found.problems]


# What is read ---------------------------------------------------------------------------------------------------------


def test_every_key_is_read_into_its_value() -> None:
    found = one(
        name="B4",
        parts=[
            {"steel": "a572gr50", "thickness": "38 mm", "kind": "flange with web", "width": "12 in", "sides": "2"},
            {"thickness": '3/4"', "composition": {"C": "0.18 %", "Mn": "1.4 %"}, "sides": 1},
        ],
        process="SMAW",
        electrode="E7018 H4R",
        hydrogen="H8",
        surface="frost",
        weld_ends="edge to edge",
        heated_length="8 in",
        torches=2,
        both_faces=True,
        heat_input="40 kJ/in",
        restraint="medium",
        weld_metal="C 0.08; Mn 1.4",
        passes="8",
        fracture_critical="yes",
        procedure={"name": "P-1", "minimum": "150 F", "maximum": "450 F", "qualified_by_test": True},
        accepted_by="somebody",
        heat_source={"net_rate": "150,000 Btu/h", "share": "40 %", "fuel": "natural gas"},
    )
    assert found.problems == ()
    stated = found.case
    assert stated is not None
    joint = stated.joint
    first, second = joint.parts
    assert (first.steel, first.thickness_mm, first.kind, first.sides) == ("A572-50", 38.0, "flange_with_web", 2)
    assert first.reach_mm == pytest.approx(304.8)
    assert (second.steel, second.thickness_in, second.sides) == (None, 0.75, 1)
    assert second.composition is not None
    assert (second.composition.c, second.composition.mn, second.composition.si) == (0.18, 1.4, None)
    assert (joint.mark, joint.process, joint.electrode, joint.hydrogen_ml) == ("B4", "SMAW", "E7018 H4R", 8.0)
    assert (joint.ends, joint.torches, joint.both_faces, joint.passes) == ("edge_to_edge", 2, True, 8)
    assert joint.heated_length_mm == pytest.approx(203.2)
    assert joint.heat_input_kj_mm == pytest.approx(40.0 / 25.4)
    assert (joint.restraint, joint.fracture_critical) == ("medium", True)
    assert joint.weld_metal is not None
    assert stated.procedure is not None
    assert (stated.procedure.name, stated.procedure.qualified_by_test) == ("P-1", True)
    assert stated.accepted == {"aws_d1_1_2015_t3_3"}
    assert stated.surface == "frost"
    assert stated.source is not None
    assert stated.source.fuel == "natural_gas"
    assert stated.source.net_kw == pytest.approx(kw_from_btu_h(150_000.0))
    assert stated.source.share_likely == pytest.approx(0.4)
    assert stated.source.share_low == pytest.approx(0.4 * 0.25 / 0.35)
    assert stated.source.share_high == pytest.approx(0.4 * 0.5 / 0.35)


FLANGE = {"steel": "A992", "thickness": "1 in", "flange_width": "12 in", "web": "5/8 in", "web_depth": "24 in"}
BARE = {"steel": "A992", "thickness": "1 in"}
PARTS: dict[str, list[dict[str, str]]] = {
    "butt": [BARE, BARE],
    "flange splice": [FLANGE, FLANGE],
    "tee": [FLANGE | {"flange_width": "14 in"}, FLANGE],
    "stiffener": [BARE, BARE],
    "column splice": [FLANGE, FLANGE],
    "base plate": [BARE, FLANGE],
    "tube": [BARE, BARE],
}


@pytest.mark.parametrize("words", PARTS)
def test_a_case_of_each_arrangement(words: str) -> None:
    meeting = next(one for one in CATALOGUE.values() if one.id.replace("_", " ") == words)
    found = one(arrangement=words, parts=PARTS[words], weld_length=None if meeting.fills_flange else "12 in")
    assert found.problems == ()
    assert found.case is not None
    joint = found.case.joint
    assert (joint.arrangement, joint.welded) == (meeting.id, False)
    assert joint.weld_length_mm == pytest.approx(304.8)
    assert [(part.kind, part.sides) for part in joint.parts] == [(role.kind, role.sides) for role in meeting.roles]
    assert joint.ends == meeting.ends[0]
    assert {part.width_mm for part in joint.parts if part.kind == "flange_with_web"} <= {12 * 25.4, 14 * 25.4}
    said = " ".join(found.case.defaults)
    assert "flat plate" not in said
    assert ("as long as the flange is wide" in said) == meeting.fills_flange
    assert ("end inside the plate" in said) == (words == "butt")
    assert said.count("taken as wide") == sum(part.kind == "plate" for part in joint.parts)
    # the form says the same in the same words
    query = {"arrangement": words, "weld_length": "12 in"} | {
        f"{name}_{n}": text for n, part in enumerate(PARTS[words], 1) for name, text in part.items()
    }
    form = read_form(list(query.items()), None)
    assert form is not None
    assert form.case is not None
    assert (form.case.joint.parts, form.case.joint.ends) == (joint.parts, joint.ends)


@pytest.mark.parametrize("words", PARTS)
def test_each_arrangement_gets_a_heating_time(words: str) -> None:
    """What the catalogue makes of a joint is what the engine takes."""
    (view,) = case_views([one(arrangement=words, parts=PARTS[words], weld_length="12 in")])
    assert not isinstance(view, FailedCase)
    assert view.heat_minutes is not None, view.missing
    assert 0.0 < view.heat_minutes.low < view.heat_minutes.high < 60.0


def test_a_length_that_is_left_open_still_limits_what_is_heated_at_a_time() -> None:
    tee: dict[str, Any] = {"arrangement": "tee", "parts": PARTS["tee"], "weld_length": None}
    assert one(**tee, heated_length="12 in").problems == ()
    assert problems(one(**tee, heated_length="13 in")) == [
        "heated_length: '13 in' is longer than the weld of '304.8 mm'"
    ]


def test_parts_that_are_welded_already() -> None:
    for stated in ("yes", True):
        found = one(welded=stated)
        assert found.case is not None
        assert found.case.joint.welded is True


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"arrangement": "moment"}, "arrangement", "is not one of: butt, flange splice, tee"),
        ({"parts": [FLANGE]}, "parts", "there is 1 part, and 'tee' has 2: part 1 the flange that runs through"),
        ({"parts": [FLANGE | {"kind": "plate"}, FLANGE]}, "parts[1].kind", "is 'plate', and in 'tee' part 1 is"),
        ({"parts": [FLANGE, FLANGE | {"sides": 2}]}, "parts[2].sides", "which ends at the weld"),
        ({"parts": [FLANGE, FLANGE], "weld_ends": "inside"}, "weld_ends", "is 'inside', and the weld of 'tee'"),
        ({"weld_length": "14 in"}, "weld_length", "the weld runs across the flange of 304.8 mm (12 in)"),
        ({"parts": [FLANGE, BARE]}, "parts[2].web_depth", "is not stated, and the flange that ends on it needs it"),
        ({"parts": [FLANGE | {"flange_width": "1 in"}, FLANGE]}, "parts[1].flange_width", "less than twice the thick"),
        ({"arrangement": None}, "parts[1].web", "only a flange with a web has it"),
        ({"parts": [FLANGE | {"web": "1 mm"}, FLANGE]}, "parts[1].web", "outside 2 mm to 300 mm"),
    ],
)
def test_what_does_not_fit_an_arrangement(changes: dict[str, Any], field: str, words: str) -> None:
    entry: dict[str, Any] = {"arrangement": "tee", "parts": PARTS["tee"], "weld_length": "12 in"}
    found = one(**(entry | changes))
    assert found.case is None
    assert any(problem.field == field and words in problem.message for problem in found.problems)


def test_a_single_object_is_a_list_of_one_and_a_mark_at_the_start_does_no_harm() -> None:
    assert len(read(PLAIN)) == 1
    assert len(read_cases(b"\xef\xbb\xbf" + json.dumps([PLAIN, PLAIN]).encode())) == 2


def test_null_is_not_stated() -> None:
    entry = PLAIN | dict.fromkeys(("steel_temperature", "heat_source", "procedure", "accepted_by", "weld_length"))
    (found,) = read(entry)
    assert found.case is not None
    assert (found.case.steel_c, found.case.source, found.case.accepted) == (None, None, frozenset())


def test_what_was_left_open_is_said() -> None:
    found = one(units=None)
    assert found.case is not None
    assert found.case.units == "either"
    said = " ".join(found.case.defaults)
    for words in ("wide flat plate", "aws_d1_1_2015_t3_3", "One torch", "Surface taken as dry", "inside the plate"):
        assert words in said
    view = case_views([found])[0]
    assert any("US and in SI units" in reason for reason in view.reasons)


@pytest.mark.parametrize(
    ("text", "kw"),
    [
        ("45 kW", 45.0),
        ("45kw net", 45.0),
        ("4500 W", 4.5),
        ("150,000 Btu/h", 43.96),  # 1 Btu/h (IT) is 0.29307107 W, NIST SP 811
        ("150000 BTU/hr", 43.96),
        ("150 kBtu/h", 43.96),
    ],
)
def test_heat_rates(text: str, kw: float) -> None:
    assert net_kw(text) == pytest.approx(kw, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("45", "no unit"),
        ("150,000", "no unit"),
        ("1,5 kW", "comma"),
        ("45 hp", "no heat rate"),
        ("400 kW", "outside 0.5 kW to 300 kW"),
        ("160,000 Btu/h gross", "NET"),
        ("-45 kW", "no heat rate"),
        ("", "no heat rate"),
    ],
)
def test_no_heat_rates(text: str, words: str) -> None:
    with pytest.raises(CellProblem, match=words):
        net_kw(text)


def test_shares() -> None:
    assert share_of("35 %") == share_of("0.35") == share_of("35%") == (0.35,)
    assert share_of("25 to 50 %") == share_of("25-50 %") == share_of("25 % to 50 %") == (0.25, 0.5)


@pytest.mark.parametrize("text", ["35", "0 %", "120 %", "50 to 25 %", "much", "1.5", "-3 %"])
def test_no_shares(text: str) -> None:
    with pytest.raises(CellProblem):
        share_of(text)


# Errors of one case ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (one(thicknes="1 in"), "thicknes: unknown key"),
        (one(steel_temp="20 F"), "is steel_temperature meant"),
        (part(thicknes="1 in"), "parts[1].thicknes: unknown key; is thickness meant"),
        (part(thickness=None), "parts[1].thickness: is missing"),
        (part(thickness=1.625), "parts[1].thickness: 1.625 is a bare number; write it as text"),
        (part(thickness="1-5/8"), "'1-5/8' has no unit"),
        (part(thickness="400 mm"), "outside 1 mm to 300 mm"),
        (part(thickness="1,5 in"), "comma"),
        (part(thickness=["1 in"]), "a list where text is expected"),
        (part(thickness=True), "true where text is expected"),
        (part(thickness="-1 in"), "outside"),
        (part(steel="mild"), "cannot be read as a steel"),
        (part(steel=""), "is empty"),
        (part(kind="beam"), "is not one of: plate"),
        (part(width="1 mm"), "outside 5 mm to 50 m"),
        (part(sides=3), "is not one of: 1, 2"),
        (part(composition={"C": "0.18"}), "has no unit"),
        (part(composition={"C": 0.18}), "bare number"),
        (part(composition="Xx 0.1"), "no element"),
        (one(parts=[]), "parts: the list is empty"),
        (one(parts=None), "parts: is missing"),
        (one(parts={"steel": "A36"}), "an object where a list of parts is expected"),
        (one(parts=["A36"]), "parts[1]: 'A36' where an object"),
        (one(parts=[PLAIN["parts"][0]] * 5), "there are 5 parts"),
        (one(process="FCAW"), "does not say which"),
        (one(process="welding"), "is not one of: SMAW"),
        (one(process="SMAW", electrode="E71T-8"), "no covered electrode"),
        (one(hydrogen="H7"), "no hydrogen class"),
        (one(units="metric"), "is not one of: us, si"),
        (one(steel_temperature="20"), "'20' has no unit"),
        (one(steel_temperature=20), "20 is a bare number"),
        (one(steel_temperature="1000 F"), "outside -60 °C to 500 °C"),
        (one(steel_temperature="NaN F"), "is not a temperature"),
        (one(weld_wind="12"), "has no unit"),
        (one(weld_wind="-1 mph"), "outside 0 m/s"),
        (one(weld_length="0 in"), "outside 10 mm"),
        (one(heated_length="2 m"), "longer than the weld"),
        (one(surface="oily"), "is not one of: dry, wet, frost"),
        (one(torches="0"), "outside 1 to 20"),
        (one(torches=2.5), "2.5 is a bare number"),
        (one(torches=10**30), "not a whole number"),
        (one(passes="many"), "not a whole number"),
        (one(both_faces="perhaps"), "is not one of"),
        (one(table="aws_d1_1_1066"), "known are aws_d1_1_2015_t3_3"),
        (one(accepted_by={"aws_d1_1_1066": "me"}), "accepted_by.aws_d1_1_1066: unknown key"),
        (one(accepted_by=5), "bare number"),
        (one(heat_source="blow lamp"), "is not known; known are oxy-propane-tip"),
        (one(heat_source={"share": "35 %"}), "heat_source.net_rate: is missing"),
        (one(heat_source={"net_rate": 45}), "bare number"),
        (one(heat_source={"net_rate": "45 kW", "rate": "1 kW"}), "heat_source.rate: unknown key"),
        (one(heat_source={"net_rate": "45 kW", "oxygen_ratio": "1"}), "oxygen_ratio for propane is 1"),
        (one(heat_source={"net_rate": "45 kW", "fuel": "coal"}), "is not one of: propane"),
        (one(heat_source={"net_rate": "45 kW", "torches": 2}, torches=1), "state one of them"),
        (
            one(heat_source={"net_rate": "3.6 kW", "kind": "pad", "fuel": "propane"}),
            "heat_source.fuel: fuel is 'propane'",
        ),
        (one(heat_source={"net_rate": "3.6 kW", "kind": "pad", "oxygen_ratio": 4}), "heat_source.oxygen_ratio: oxygen"),
        (one(heat_source={"net_rate": "3.6 kW", "kind": "oven"}), "is not one of: flame, pad, induction"),
        (one(heat_source={"net_rate": "3.6 kW", "kind": "pad", "area": "120"}), "'120' has no unit; write 120 in2"),
        (one(heat_source={"net_rate": "3.6 kW", "kind": "pad", "area": "120 ft2"}), "outside 0.005 m2 to 5 m2"),
        (one(heat_source={"net_rate": "3.6 kW", "kind": "pad", "area": "9 in2"}), "heat_source.area: net_kw 3.6 on"),
        (one(heat_source={"net_rate": "45 kW", "area": "1 ft2"}), "heat_source.area: area_m2 is 0.092903, but a flame"),
        (one(also_heated="pad"), "also_heated: 'pad' cannot be read at 'pad'"),
        (one(also_heated="4 hot-plate"), "also_heated: 'hot-plate' is not known; known are oxy-propane-tip"),
        (one(also_heated=4), "also_heated: 4 is a bare number"),
        (one(also_heated="4 resistance-pad", heat_source=None), "also_heated: the joint has no heat_source yet"),
        (one(measured_minutes="14"), "measured_minutes: '14' has no unit; write 14 min or 0.5 h"),
        (one(measured_minutes=14), "measured_minutes: 14 is a bare number"),
        (one(measured_minutes="0 min"), "is 0 min, outside 0.5 min to 1440 min"),
        (one(measured_minutes="25 h"), "is 1500 min, outside 0.5 min to 1440 min"),
        (one(process="GMAW", electrode="E6010"), "electrode: 'E6010' is a covered electrode, and the process is GMAW"),
        (
            one(procedure={"minimum": "450 F", "maximum": "150 F"}),
            "procedure.minimum: '450 F' is not below the maximum '150 F'",
        ),
        (one(procedure={"minimum": "150"}), "has no unit"),
        (one(procedure={"least": "150 F"}), "procedure.least: unknown key"),
        (one(name="x" * 70), "more than 60"),
        (one(name="x" * 300), "more than 200"),
        (one(name="a\u0007b"), "cannot be shown (U+0007)"),
        (one(name="\ud800"), "cannot be shown (U+D800)"),
    ],
)
def test_what_is_wrong_is_said_with_field_and_value(found: ReadCase, words: str) -> None:
    assert found.case is None
    assert words in "; ".join(problems(found))
    assert all(problem.message for problem in found.problems)
    (view,) = case_views([found])
    assert isinstance(view, FailedCase)
    assert (view.call, view.weather, view.minimum_c) == ("unknown", "unknown", None)
    assert words.split(" where ")[0] in view.error


def test_every_error_of_a_case_is_said_at_once() -> None:
    found = one(steel_temperature="20", weld_wind="5", thicknes="1 in")
    assert {problem.field for problem in found.problems} == {"steel_temperature", "weld_wind", "thicknes"}


def test_a_key_that_stands_twice_is_an_error() -> None:
    text = json.dumps(PLAIN)[:-1] + ', "steel_temperature": "60 F"}'
    assert problems(read_cases(text.encode())[0]) == ["steel_temperature: the key stands twice"]


def test_nan_is_no_quantity() -> None:
    text = json.dumps(PLAIN).replace('"4 mph"', "NaN").replace('"20 F"', "-Infinity")
    assert {problem.field for problem in read_cases(text.encode())[0].problems} == {"weld_wind", "steel_temperature"}


@pytest.mark.parametrize("entry", [5, "A36", None, [], True])
def test_an_entry_that_is_no_object_is_that_cases_error(entry: Any) -> None:
    first, second, third = read([PLAIN, entry, PLAIN])
    assert (first.problems, third.problems) == ((), ())
    assert "where an object with the keys" in problems(second)[0]


# Errors of the file ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "no JSON"),
        (b"{", "no JSON: line 1"),
        (b"[]", "list of cases is empty"),
        (b"5", "Expected a case or a list of cases, found 5"),
        (b"null", "found null"),
        (b'"\xff"', "Byte 2 of the cases is not UTF-8"),
        (b"\xff\xfe{\x00}\x00", "not UTF-8"),
        (b"[" * 100_000, "deep"),
        (b'{"a":' * 50 + b"1" + b"}" * 50, "deep"),
        (b"[" + b"9" * 5_000 + b"]", "too long"),
        (b"[" + b"{}," * MAX_CASES + b"{}]", "501 cases, more than 500"),
        (b" " * 1_000_001, "1,000,001 bytes, more than 1,000,000"),
        (b'"' + b'\\"' * 400_000, "no JSON"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_as_a_whole(data: bytes, words: str) -> None:
    with pytest.raises(CaseFileError, match=words):
        read_cases(data)


# Whatever comes -------------------------------------------------------------------------------------------------------

SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30)
KEYS = st.sampled_from([key.name for key in (*CASE_KEYS, *PART_KEYS)] + ["parts", "heat_source", "procedure"])
ANYTHING = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS | st.text(max_size=8), inner, max_size=6)
)
QUANTITIES = st.sampled_from(
    ["1-5/8 in", "20 F", "4 mph", "A36", "SMAW", "E7018", "US", "SI", "", "x", "45 kW", "0 mm"]
)
LIKELY = st.fixed_dictionaries(
    {"parts": st.lists(st.dictionaries(st.sampled_from([k.name for k in PART_KEYS]), QUANTITIES), max_size=3)},
    optional={key.name: QUANTITIES | SCALARS for key in CASE_KEYS} | {"heat_source": QUANTITIES | ANYTHING},
)


@given(st.lists(ANYTHING | LIKELY, min_size=1, max_size=4))
def test_any_json_gets_an_answer_or_an_error_for_each_entry(entries: list[Any]) -> None:
    try:
        found = read_cases(json.dumps(entries).encode())
    except CaseFileError:
        return
    views = case_views(found)
    assert [view.case for view in views] == list(range(1, len(entries) + 1))
    assert len(json.loads(cases_json(views))) == len(entries)
    cases_text(views).encode()


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        read_cases(data)
    except CaseFileError:
        return


@given(st.lists(LIKELY | st.just(PLAIN), min_size=1, max_size=3), LIKELY | ANYTHING, st.integers(0, 3))
def test_one_case_does_not_change_the_others(entries: list[Any], other: Any, at: int) -> None:
    alone = [case_views(read([entry]))[0] for entry in entries]
    place = min(at, len(entries))
    together = case_views(read([*entries[:place], other, *entries[place:]]))
    del together[place]
    assert [json.loads(cases_json([view]))[0] | {"case": 0} for view in together] == [
        json.loads(cases_json([view]))[0] | {"case": 0} for view in alone
    ]


# Heaters and measured heatings ----------------------------------------------------------------------------------------


def worked(found: ReadCase) -> CaseView:
    assert found.case is not None, problems(found)
    (view,) = case_views([found])
    assert isinstance(view, CaseView)
    return view


SMALL = {"parts": [{"steel": "A572-50", "thickness": "3/4 in", "width": "6 in"}] * 2, "steel_temperature": "10 F"}


def test_a_joint_heated_with_pads_alone_draws_energy_and_burns_nothing() -> None:
    view = worked(one(**SMALL, heat_source="resistance-pad", torches=4))
    assert view.heat_minutes is not None, view.missing
    assert view.energy_kwh is not None
    assert view.energy_kwh.likely == pytest.approx(4 * 3.6 * view.heat_minutes.likely / 60.0)
    assert (view.words.fuel, view.words.oxygen) == ("", "")
    assert view.words.energy.endswith(f"likely {view.energy_kwh.likely:.1f}")
    assert view.notes == ()
    text = cases_text([view])
    for words in ("Energy:   ", "4 heating pads × 3.6 kW × share 40 / 55 / 65 %", "rate of the resistance heating pad"):
        assert words in text
    assert "Fuel" not in text
    assert "torch oxygen" not in text


def test_too_few_pads_are_said_and_give_no_time() -> None:
    view = worked(one(**SMALL, heat_source="resistance-pad", torches=1))
    assert view.heat_minutes is None
    assert "cover too little of what has to be heated" in view.missing["energy_kwh"]


def test_torches_and_pads_together() -> None:
    alone, both = worked(one(**SMALL)), worked(one(**SMALL, also_heated="4 resistance-pad"))
    assert alone.heat_minutes is not None
    assert both.heat_minutes is not None
    assert both.heat_minutes.high < alone.heat_minutes.high
    assert both.fuel_kg is not None
    assert both.energy_kwh is not None
    assert both.energy_kwh.likely == pytest.approx(4 * 3.6 * both.heat_minutes.likely / 60.0)
    assert [step.what for step in both.steps if "," in step.what] == [
        "Heat released, oxy-propane heating tip",
        "Fuel, oxy-propane heating tip",
        "Oxygen, oxy-propane heating tip",
        "Energy, resistance heating pad, 85 V",
    ]
    assert "Lead the flame over what the heaters do not cover." in " ".join(both.reasons)


def test_wind_on_pads_is_said_not_to_be_known() -> None:
    view = worked(one(**SMALL, heat_source="resistance-pad", torches=4, weld_wind="13 mph"))
    assert "What wind takes from the back of the heaters is not known" in " ".join(view.reasons)
    assert "what wind takes from it is not known" in " ".join(step.how for step in view.steps)


def test_own_heaters_are_read_with_their_area() -> None:
    stated = one(
        heat_source={"net_rate": "2.7 kW", "kind": "pad", "area": "600 cm2", "share": "50 %", "torches": 6}
    ).case
    assert stated is not None
    assert stated.source is not None
    assert (stated.source.kind, stated.source.fuel, stated.joint.torches) == ("pad", None, 6)
    assert stated.source.area_m2 == pytest.approx(0.06)
    assert (stated.source.share_low, stated.source.share_high) == pytest.approx((0.5 * 0.40 / 0.55, 0.5 * 0.65 / 0.55))


@pytest.mark.parametrize(
    ("text", "minutes"), [("14 min", 14.0), ("0.5 h", 30.0), ("90 s", 1.5), ("12.5 minutes", 12.5)]
)
def test_measured_minutes(text: str, minutes: float) -> None:
    found = one(measured_minutes=text).case
    assert found is not None
    assert found.measured_minutes == pytest.approx(minutes)


def test_a_measured_heating_says_the_share_and_how_to_enter_it() -> None:
    """There and back: the likely time at 35 % says 35 %."""
    plain = worked(one())
    assert (plain.measured_share, plain.missing["measured_share"]) == (None, "No measured heating time is stated.")
    assert plain.heat_minutes is not None
    view = worked(one(measured_minutes=f"{plain.heat_minutes.likely:.4f} min"))
    assert view.measured_share is not None
    assert view.measured_share.likely == pytest.approx(0.35, rel=1e-4)
    assert view.measured_share.low < 0.35 < view.measured_share.high
    assert "measured_share" not in view.missing
    said = " ".join(view.reasons)
    assert "likely = 0.35" in said
    assert "heatings = 1" in said
    assert view.words.measured_share.startswith("35%, ")
    assert "Share:    35%" in cases_text([view])


def test_a_measured_heating_that_says_nothing_gives_the_reason() -> None:
    view = worked(one(measured_minutes="600 min"))
    assert view.measured_share is None
    assert "no warmer" in view.missing["measured_share"]
    assert "No share from the measured time" in " ".join(view.reasons)
    warm = worked(one(measured_minutes="14 min", steel_temperature="200 F"))
    assert "no heating to compare it with" in warm.missing["measured_share"]


# The form -------------------------------------------------------------------------------------------------------------


def test_a_form_reads_as_the_file_does() -> None:
    query = [
        ("steel_1", "A572 Gr. 50"),
        ("thickness_1", "1-5/8 in"),
        ("steel_2", ""),
        *((key, str(value)) for key, value in PLAIN.items() if key != "parts"),
    ]
    found = read_form(query, None)
    assert found is not None
    assert found.case == read_case(PLAIN, 1).case


def test_own_heaters_beside_a_torch_in_a_form() -> None:
    query = [
        ("thickness_1", "1 in"),
        ("net_rate", "3.6 kW"),
        ("source_kind", "pad"),
        ("source_area", "120 in2"),
        ("also_heated", "1 oxy-propane-tip"),
        ("measured_minutes", "14 min"),
    ]
    found = read_form(query, None)
    assert found is not None
    assert found.case is not None
    assert found.case.heaters is not None
    assert [(one.source.kind, one.count) for one in found.case.heaters] == [("pad", 1), ("flame", 1)]
    assert found.case.measured_minutes == 14.0


def test_an_empty_form_asks_nothing() -> None:
    assert read_form([], None) is None
    assert read_form([("site", "x"), ("steel_1", " ")], None) is None


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ([("thicknes_1", "1 in")], "thicknes_1: unknown key"),
        ([("steel_1", "A36")], "parts[1].thickness: is missing"),
        ([("thickness_2", "1 in")], "parts[1].thickness: is missing"),
        ([("thickness_1", "1 in"), ("process", "SMAW"), ("process", "GMAW")], "process: the key stands twice"),
        ([("thickness_1", "1 in"), ("thickness_1", "2 in")], "parts[1].thickness: the key stands twice"),
        ([("thickness_1", "1 in"), ("heat_source", "oxy-propane-tip"), ("net_rate", "45 kW")], "not both"),
        ([("thickness_1", "1 in"), ("share", "35 %")], "heat_source.net_rate: is missing"),
        ([("thickness_1", "1 in"), ("source_kind", "pad")], "heat_source.net_rate: is missing"),
        ([("thickness_1", "1 in"), ("net_rate", "3.6 kW"), ("source_kind", "oven")], "heat_source.kind: 'oven'"),
        ([("thickness_1", "1 in"), ("procedure", "P-1"), ("procedure_minimum", "50 F")], "not both"),
    ],
)
def test_what_is_wrong_in_a_form_is_said(query: list[tuple[str, str]], words: str) -> None:
    found = read_form(query, None)
    assert found is not None
    assert found.case is None
    assert words in "; ".join(problems(found))


def test_the_form_and_its_description_know_the_same_fields() -> None:
    shown = {field.name for group in groups() for field in group.fields}
    assert shown <= set(QUERY)
    assert set(QUERY) - shown == {"procedure"}  # a name of a site's; the form takes its figures
    assert label_of("parts[2].thickness", groups()) == "Part 2: Thickness at the weld"
    assert label_of("heat_source.net_rate", groups()) == "Heat: Or its own rate, net"
    assert label_of("thicknes", groups()) == "thicknes"
    assert case_form.PARTS == 2


# The evidence ---------------------------------------------------------------------------------------------------------

EVIDENCE = [
    ("heat_to_minimum", "go", 150.0),
    ("no_heat", "go", 50.0),
    ("no_heat", "go", 32.0),
    ("heat_to_minimum", "go", 225.0),
    ("heat_to_minimum", "go", 225.0),
    ("unknown", "go", 225.0),
    ("unknown", "go", None),
    ("heat_to_minimum", "go", 229.5),
    ("no_heat", "stop", 32.0),
    ("no_heat", "stop", 32.0),
    ("cold_steel_heat", "go", 70.0),
    ("cold_steel_heat", "go", 70.0),
]


def test_the_evidence_cases() -> None:
    views = case_views(read_cases((ROOT / "fixtures" / "cases" / "evidence.json").read_bytes()))
    found = [
        (view.call, view.weather, None if view.minimum_c is None else round(view.minimum_c * 1.8 + 32.0, 1))
        for view in views
    ]
    assert found == EVIDENCE
    assert not any(isinstance(view, FailedCase) for view in views)


def test_a_composition_outside_the_method_is_an_error_beside_its_answer() -> None:
    entry = json.loads((ROOT / "fixtures" / "cases" / "evidence.json").read_text(encoding="utf-8"))[7]
    entry["parts"][0]["composition"] = "C 0.40 Si 0.3 Mn 1.4 Cu 0.2 Ni 0.1 Cr 0 Mo 0"
    (view,) = case_views(read([entry]))
    assert isinstance(view, FailedCase)
    assert "0.32" in view.error
    assert (view.call, view.weather, view.minimum_c) == ("unknown", "go", None)
    assert view.extent_mm == 75.0


def test_the_form_takes_who_checked_the_annex_apart_from_who_checked_the_table() -> None:
    base = [("steel_1", "A572-50"), ("thickness_1", "1 in"), ("process", "SAW")]
    table, annex, bridges = "aws_d1_1_2015_t3_3", "aws_d1_1_2015_annex_h", "aws_d1_5_2015_t4_3"
    for more, accepted in (
        ([("accepted_by", "R. Bell")], {table}),
        ([("annex_accepted_by", "R. Bell")], {annex}),
        ([("accepted_by", "Q"), ("annex_accepted_by", "R")], {table, annex}),
        ([("table", bridges), ("accepted_by", "Q"), ("annex_accepted_by", "R")], {bridges, annex}),
    ):
        found = read_form([*base, *more], None)
        assert found is not None
        assert found.problems == ()
        assert found.case is not None
        assert found.case.accepted == accepted
