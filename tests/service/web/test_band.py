"""The drawing of the band to heat and of the points to measure says what the rules say."""

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from frostshift_rules.tables import load_code_table
from frostshift_service.views.band import band_drawing, measuring_text
from frostshift_service.views.show import Show

TABLE = load_code_table("aws_d1_1_2015_t3_3")


def drawing(plan: Any, units: Any = "si", *, extent_mm: float = 76.2, heat: Any = None, **joint: Any) -> Any:
    planned = next(one for one in plan.joints if one.requirement is not None)
    asked = replace(planned.requirement, extent_mm=extent_mm)
    show = Show(units, ZoneInfo("America/Chicago"))
    return band_drawing(replace(planned.joint, **{"arrangement": None, **joint}), asked, heat, TABLE, show, "us")


@pytest.mark.parametrize(
    ("thickness_mm", "measure_at"),
    # ISO 13916: four thicknesses from the groove edge up to 50 mm, 75 mm beyond.
    [(10.0, "40 mm"), (12.5, "50 mm"), (40.0, "50 mm"), (60.0, "75 mm")],
)
def test_the_point_to_measure_is_that_of_iso_13916(plan: Any, thickness_mm: float, measure_at: str) -> None:
    part = replace(plan.joints[0].joint.parts[0], thickness_mm=thickness_mm)
    found = drawing(plan, parts=(part, part))
    assert found.measure_at == measure_at
    assert f"Measure {measure_at} from the groove edge" in found.summary


def test_where_the_warm_zone_is_wider_its_edge_is_measured_too(plan: Any) -> None:
    part = replace(plan.joints[0].joint.parts[0], thickness_mm=20.0)
    assert drawing(plan, parts=(part,)).at_edge
    assert (
        "and at the edge of the warm zone, 77 mm (in the code's units 3 in) from it"
        in drawing(plan, parts=(part,)).summary
    )
    thick = replace(part, thickness_mm=60.0)
    assert not drawing(plan, parts=(thick,), extent_mm=75.0).at_edge


@pytest.mark.parametrize(
    ("thickness_mm", "extent_mm", "units", "text"),
    # A zone of 75 mm (EN 1011-2) is 2.95 in: its edge is said as 3 in, never as less.
    [
        (20.0, 75.0, "us", "2.0 in and 3 in"),
        (20.0, 75.0, "si", "50 mm and 75 mm"),
        (60.0, 75.0, "us", "3.0 in"),
        (60.0, 76.2, "us", "3 in"),
        (60.0, 90.0, "us", "3-9/16 in"),
        (60.0, 90.0, "si", "90 mm"),
    ],
)
def test_the_points_in_one_line(plan: Any, thickness_mm: float, extent_mm: float, units: Any, text: str) -> None:
    planned = next(one for one in plan.joints if one.requirement is not None)
    part = replace(planned.joint.parts[0], thickness_mm=thickness_mm)
    joint, asked = replace(planned.joint, parts=(part,)), replace(planned.requirement, extent_mm=extent_mm)
    assert measuring_text(joint, asked, TABLE, Show(units, ZoneInfo("America/Chicago"))) == text


def test_every_part_has_its_line_and_the_drawing_keeps_their_proportion(plan: Any) -> None:
    parts = [replace(plan.joints[0].joint.parts[0], thickness_mm=mm) for mm in (25.4, 50.8, 38.1)]
    lone = drawing(plan, "us", parts=(parts[0],))
    assert ([one.thickness for one in lone.parts], lone.heights) == (["1 in"], (56, 56))
    found = drawing(plan, "us", parts=tuple(parts))
    assert [one.name for one in found.parts] == ["Part 1", "Part 2", "Part 3"]
    assert found.heights == (28, 56)


def test_what_is_heated_is_what_the_time_was_worked_out_for(plan: Any) -> None:
    planned = next(one for one in plan.joints if one.heat is not None and one.heat.parts)
    wide_mm = max(part.band_mm for part in planned.heat.parts)
    found = drawing(plan, heat=planned.heat, parts=planned.joint.parts)
    assert found.summary.startswith(f"Heat {wide_mm:.0f} mm on each side of the weld")
    assert drawing(plan, parts=planned.joint.parts).summary.startswith("Heat from one face until at least")


def test_a_joint_that_is_no_flat_one_has_its_own_sketch(plan: Any) -> None:
    part = plan.joints[0].joint.parts[0]
    found = drawing(plan, arrangement="base_plate", parts=(part, part))
    assert found.arrangement == "base_plate"
    assert all(", " in one.name for one in found.parts)
    assert drawing(plan, arrangement="butt", parts=(part, part)).arrangement is None


def test_the_face_away_from_the_heat_is_named_where_there_is_one(plan: Any) -> None:
    assert "on the face away from the heat" in drawing(plan, both_faces=False).summary
    both = drawing(plan, both_faces=True)
    assert "from both faces" in both.summary
    assert "away from the heat" not in both.summary


@pytest.mark.anyio
async def test_the_joint_page_and_its_json_hold_the_drawing(web: Any) -> None:
    async with web.client() as client:
        page = await client.get("/sites/north-yard/joints/CR-B4-W")
        twin = await client.get("/sites/north-yard/joints/CR-B4-W.json")
    assert "on each side of the weld" in page.text
    assert twin.json()["band"]["summary"] in page.text.replace("&#39;", "'")
