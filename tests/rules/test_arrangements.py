"""How parts meet: what each arrangement makes of a joint, and every way in which a joint can contradict it.

For roles, kinds and limits there is no outside reference: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.arrangements import (
    CATALOGUE,
    FLANGE_SIZES,
    SAME_MM,
    SIZES,
    ArrangementError,
    Fault,
    as_arranged,
)
from frostshift_rules.job import ARRANGEMENTS, PART_KINDS, Arrangement, Joint, Part

STATED = frozenset({"weld_ends", "kind_1", "kind_2", "sides_1", "sides_2"})
FLANGE = Part("A992", 25.0, width_mm=300.0, web_mm=15.0, web_depth_mm=600.0)
PLATE = Part("A572-50", 50.0)
PARTS: dict[Arrangement, tuple[Part, Part]] = {
    "butt": (PLATE, PLATE),
    "flange_splice": (FLANGE, FLANGE),
    "tee": (replace(FLANGE, width_mm=400.0), FLANGE),
    "stiffener": (PLATE, PLATE),
    "column_splice": (FLANGE, FLANGE),
    "base_plate": (PLATE, FLANGE),
    "tube": (PLATE, PLATE),
}
MADE = {  # kind, sides of each part, ends and length of the weld: common practice, no source
    "butt": ((("plate", 1), ("plate", 1)), "inside", math.nan),
    "flange_splice": ((("flange_with_web", 1), ("flange_with_web", 1)), "edge_to_edge", 300.0),
    "tee": ((("flange_with_web", 2), ("flange_with_web", 1)), "inside", 300.0),
    "stiffener": ((("plate", 2), ("plate", 1)), "inside", math.nan),
    "column_splice": ((("flange_with_web", 1), ("flange_with_web", 1)), "edge_to_edge", 300.0),
    "base_plate": ((("plate", 2), ("flange_with_web", 1)), "inside", 300.0),
    "tube": ((("tube", 1), ("tube", 1)), "all_round", math.nan),
}


def joint(arrangement: Arrangement | None, parts: tuple[Part, ...], **fields: Any) -> Joint:
    values: dict[str, Any] = {
        "place": "",
        "process": "SMAW",
        "electrode": "E7018",
        "hydrogen_ml": None,
        "procedure": None,
        "weld_length_mm": math.nan,
        "ends": "inside",
        "start_utc": datetime(2027, 1, 15, 13, tzinfo=UTC),
        "hours": 2.0,
    }
    return Joint("J-1", parts=parts, arrangement=arrangement, **(values | fields))


def usual(arrangement: Arrangement, **fields: Any) -> Joint:
    return joint(arrangement, PARTS[arrangement], **fields)


def fault(made: Joint, stated: frozenset[str] = frozenset()) -> Fault:
    with pytest.raises(ArrangementError) as error:
        as_arranged(made, stated)
    (found,) = error.value.faults
    assert found.message in str(error.value)
    return found


def test_every_arrangement_is_in_the_catalogue_and_says_what_it_leaves_out() -> None:
    assert tuple(CATALOGUE) == ARRANGEMENTS
    for meeting in CATALOGUE.values():
        assert meeting.title
        assert meeting.about.endswith(".")
        assert meeting.left_out
        assert all(text.endswith(".") for text in meeting.left_out)
        assert len({role.name for role in meeting.roles}) == len(meeting.roles)
        assert all(size in SIZES for role in meeting.roles for size in (*role.needs, *role.may_have))


def test_no_other_kind_is_what_an_open_field_holds() -> None:
    """Else a joint that was completed once could come out otherwise the next time."""
    assert all("plate" not in role.other_kinds for one in CATALOGUE.values() for role in one.roles)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_open_fields_are_filled_in(arrangement: Arrangement) -> None:
    made = as_arranged(usual(arrangement))
    kinds, ends, length_mm = MADE[arrangement]
    assert tuple((part.kind, part.sides) for part in made.parts) == kinds
    assert made.ends == ends
    assert made.weld_length_mm == pytest.approx(length_mm, nan_ok=True)
    kept = replace(made, parts=PARTS[arrangement], ends="inside", weld_length_mm=1.0)
    assert kept == usual(arrangement, weld_length_mm=1.0)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_a_weld_length_that_fits_stays_as_it_was_typed(arrangement: Arrangement) -> None:
    made = as_arranged(usual(arrangement, weld_length_mm=300.0 + SAME_MM))
    assert made.weld_length_mm == 300.0 + SAME_MM


def test_without_an_arrangement_a_joint_stays_as_it_is() -> None:
    for kind in PART_KINDS:
        bare = joint(None, (replace(PLATE, kind=kind, sides=2), PLATE, PLATE), ends="edge_to_edge")
        assert as_arranged(bare, STATED) is bare
    sized = joint(None, (replace(FLANGE, kind="flange_with_web"),))
    assert as_arranged(sized) is sized


def test_flanges_of_unlike_width_leave_metal_beyond_the_end_of_the_weld() -> None:
    wider = replace(FLANGE, width_mm=300.0 + SAME_MM + 0.1)
    for arrangement in ("flange_splice", "column_splice"):
        for parts in ((wider, FLANGE), (FLANGE, wider)):
            made = as_arranged(joint(arrangement, parts))
            assert (made.ends, made.weld_length_mm) == ("inside", 300.0)
    assert as_arranged(joint("tee", (FLANGE, FLANGE))).ends == "edge_to_edge"
    assert as_arranged(joint("tee", (wider, FLANGE))).ends == "inside"


def test_a_stiffener_may_stand_on_a_flange_where_that_is_said() -> None:
    made = as_arranged(joint("stiffener", (replace(FLANGE, kind="flange_with_web"), PLATE), weld_length_mm=120.0))
    assert [part.kind for part in made.parts] == ["flange_with_web", "plate"]
    found = fault(replace(made, weld_length_mm=303.0))
    assert (found.field, found.limit) == ("weld_length", "at most 300 mm (11.81 in)")


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("parts", [(PLATE,), (PLATE, PLATE, PLATE)])
def test_the_number_of_parts_counts(arrangement: Arrangement, parts: tuple[Part, ...]) -> None:
    found = fault(joint(arrangement, parts))
    assert (found.field, found.part, found.limit) == ("parts", None, "2")
    assert CATALOGUE[arrangement].roles[0].name in found.message


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_a_stated_kind_that_contradicts_is_no_joint(arrangement: Arrangement) -> None:
    for n, role in enumerate(CATALOGUE[arrangement].roles):
        for kind in set(PART_KINDS) - {role.kind, *role.other_kinds}:
            parts = list(PARTS[arrangement])
            parts[n] = replace(parts[n], kind=kind)
            found = fault(
                joint(arrangement, tuple(parts)), STATED - {"weld_ends", "sides_1", "sides_2", f"kind_{2 - n}"}
            )
            assert (found.field, found.part) == ("kind", n + 1)
            assert f"is '{kind.replace('_', ' ')}', and in" in found.message
            assert role.name in found.message


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_stated_sides_that_contradict_are_no_joint(arrangement: Arrangement) -> None:
    for n, role in enumerate(CATALOGUE[arrangement].roles):
        parts = list(PARTS[arrangement])
        parts[n] = replace(parts[n], sides=3 - role.sides)
        found = fault(joint(arrangement, tuple(parts)), frozenset({f"sides_{n + 1}"}))
        assert (found.field, found.part, found.limit) == ("sides", n + 1, str(role.sides))
        assert found.message.startswith(f"is {3 - role.sides}, and in")


@pytest.mark.parametrize(
    ("arrangement", "ends"),
    [
        ("butt", "all_round"),
        ("flange_splice", "inside"),
        ("flange_splice", "all_round"),
        ("tee", "edge_to_edge"),
        ("stiffener", "edge_to_edge"),
        ("column_splice", "inside"),
        ("base_plate", "edge_to_edge"),
        ("tube", "inside"),
        ("tube", "edge_to_edge"),
    ],
)
def test_stated_ends_that_contradict_are_no_joint(arrangement: Arrangement, ends: Any) -> None:
    found = fault(usual(arrangement, ends=ends), frozenset({"weld_ends"}))
    assert (found.field, found.part) == ("weld_ends", None)
    assert MADE[arrangement][1].replace("_", " ") in found.limit


def test_the_default_counts_only_where_it_was_stated() -> None:
    for arrangement in ARRANGEMENTS:
        as_arranged(usual(arrangement))
    assert fault(usual("tube"), frozenset({"kind_1"})).field == "kind"
    assert fault(usual("tee"), frozenset({"sides_1"})).field == "sides"


@pytest.mark.parametrize("size", FLANGE_SIZES)
def test_a_flange_needs_its_sizes(size: str) -> None:
    field = "width_mm" if size == "flange_width" else f"{size}_mm"
    found = fault(joint("flange_splice", (FLANGE, replace(FLANGE, **{field: None}))))
    assert (found.field, found.part) == (size, 2)
    assert "the other flange needs it" in found.message


@pytest.mark.parametrize("size", FLANGE_SIZES)
@pytest.mark.parametrize("arrangement", [None, "butt", "tube"])
def test_only_a_flange_has_them(size: str, arrangement: Arrangement | None) -> None:
    """A flat plate's time for a flange whose kind was forgotten would be a third too short."""
    field = "width_mm" if size == "flange_width" else f"{size}_mm"
    found = fault(joint(arrangement, (replace(PLATE, **{field: 20.0}), PLATE)))
    assert (found.field, found.part) == (size, 1)
    assert "only a flange with a web has it" in found.message


@pytest.mark.parametrize("arrangement", [None, "flange_splice"])
@pytest.mark.parametrize(
    ("change", "field", "message", "limit"),
    [
        (
            {"thickness_mm": 150.1},
            "flange_width",
            "is 300 mm (11.81 in), less than twice the thickness of 150.1 mm (5.909 in)",
            "at least 300.2 mm (11.82 in)",
        ),
        (
            {"web_mm": 300.0},
            "web",
            "is 300 mm (11.81 in), not thinner than the flange is wide",
            "below 300 mm (11.81 in)",
        ),
    ],
)
def test_sizes_fit_each_other(
    arrangement: Arrangement | None, change: dict[str, float], field: str, message: str, limit: str
) -> None:
    flange = replace(FLANGE, kind="flange_with_web")
    assert fault(joint(arrangement, (flange, replace(flange, **change)))) == Fault(field, 2, message, limit)
    as_arranged(joint(arrangement, (flange, replace(flange, thickness_mm=150.0, web_mm=299.9))))


def test_the_weld_is_as_long_as_the_narrowest_flange_is_wide() -> None:
    for off_mm in (-SAME_MM - 0.1, SAME_MM + 0.1):
        found = fault(usual("tee", weld_length_mm=300.0 + off_mm))
        assert (found.field, found.limit) == ("weld_length", "300 mm (11.81 in), within 2 mm; or leave it empty")


def test_a_flange_is_heated_over_its_whole_width() -> None:
    found = fault(usual("flange_splice", heated_length_mm=300.0 - SAME_MM - 0.1))
    assert (found.field, found.limit) == ("heated_length", "at least 300 mm (11.81 in)")
    assert as_arranged(usual("flange_splice", heated_length_mm=300.0)).heated_length_mm == 300.0
    assert as_arranged(usual("butt", weld_length_mm=300.0, heated_length_mm=100.0)).heated_length_mm == 100.0


def test_a_flange_that_runs_through_is_not_narrower_than_what_ends_on_it() -> None:
    narrow = replace(FLANGE, width_mm=300.0 - SAME_MM - 0.1)
    found = fault(joint("tee", (narrow, FLANGE), weld_length_mm=300.0))
    assert (found.field, found.part, found.limit) == ("flange_width", 1, "at least 300 mm (11.81 in)")
    as_arranged(joint("tee", (replace(narrow, width_mm=300.0 - SAME_MM), FLANGE)))


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_both_faces_only_where_a_flame_gets_there(arrangement: Arrangement) -> None:
    both = usual(arrangement, both_faces=True)
    if arrangement in ("base_plate", "tube"):
        assert fault(both).field == "both_faces"
    else:
        assert as_arranged(both).both_faces


def test_everything_that_is_wrong_is_said_at_once() -> None:
    wrong = joint("flange_splice", (replace(FLANGE, sides=2, web_mm=None), PLATE), both_faces=True)
    with pytest.raises(ArrangementError) as error:
        as_arranged(wrong, frozenset({"kind_2"}))
    assert {(one.field, one.part) for one in error.value.faults} == {
        ("sides", 1), ("web", 1), ("kind", 2), ("flange_width", 2), ("web", 2), ("web_depth", 2),
    }  # fmt: skip


_MM = st.none() | st.sampled_from([10.0, 20.0, 200.0, 201.0, 300.0])
_PARTS = st.builds(
    Part,
    st.just("A992"),
    st.sampled_from([10.0, 25.0, 60.0]),
    kind=st.sampled_from(PART_KINDS),
    sides=st.sampled_from([1, 2]),
    width_mm=_MM,
    web_mm=_MM,
    web_depth_mm=_MM,
)
_JOINTS = st.builds(
    joint,
    st.none() | st.sampled_from(ARRANGEMENTS),
    st.lists(_PARTS | st.sampled_from([FLANGE, PLATE]), min_size=1, max_size=3).map(tuple),
    weld_length_mm=st.sampled_from([math.nan, 200.0, 300.0]),
    ends=st.sampled_from(["inside", "edge_to_edge", "all_round"]),
    both_faces=st.booleans(),
)


def same(one: Joint, other: Joint) -> bool:
    """Equal, where an unknown length equals another."""
    lengths = [0.0 if math.isnan(each.weld_length_mm) else each.weld_length_mm for each in (one, other)]
    return replace(one, weld_length_mm=lengths[0]) == replace(other, weld_length_mm=lengths[1])


@given(_JOINTS | st.sampled_from(ARRANGEMENTS).map(usual), st.frozensets(st.sampled_from(sorted(STATED))))
def test_a_completed_joint_is_complete(made: Joint, stated: frozenset[str]) -> None:
    try:
        once = as_arranged(made, stated)
    except ArrangementError:
        return
    assert same(as_arranged(once), once)
    assert same(as_arranged(once, STATED), once)  # as it comes back from a file that states everything
