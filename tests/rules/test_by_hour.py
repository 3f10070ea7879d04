"""Torches hour by hour: against intervals made by hand, and against the shift's own total."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.by_hour import marks_lit, torches_by_hour
from frostshift_rules.job import HeatSource, Shift
from frostshift_rules.shifts import spans
from frostshift_rules.totals import shift_totals
from frostshift_rules.workload import JointPlan, Plan, Range, SourceAmounts

from .plan_builders import NOW, START, TORCH, by_mark, joint, mm, plan, planned, weather

NONE = Range(0.0, 0.0, 0.0)
MODEL = planned(joint(mm(50.0), mm(50.0)))
assert MODEL.heat is not None


def burning(mark: str, lit: str, minutes: float, torches: int = 1, source: str = TORCH.id) -> JointPlan:
    """A joint whose torches burn from a time of the day (UTC) on; its arc is struck when they go out."""
    hour, minute = (int(part) for part in lit.split(":"))
    lit_utc = NOW.replace(hour=hour, minute=minute)
    start_utc = lit_utc + timedelta(minutes=minutes)
    shift = "2026-01-12 day" if 6 <= start_utc.hour < 18 else "2026-01-12 night"
    span = Range(minutes, minutes, minutes)
    energy = Range(1.0, 1.0, 1.0) if source != TORCH.id else NONE
    assert MODEL.heat is not None
    heat = replace(
        MODEL.heat,
        source_id=source,
        torches=torches,
        minutes=span,
        total_minutes=span,
        light_up_utc=lit_utc,
        amounts=(SourceAmounts(source, torches, NONE, NONE, energy),),
    )
    planned_joint = replace(MODEL.joint, mark=mark, start_utc=start_utc, torches=torches, hours=1.0)
    return replace(MODEL, joint=planned_joint, shift_key=shift, heat=heat)


def whole(*joints: JointPlan, **fields: object) -> Plan:
    """A plan of these joints with the totals of its shifts."""
    empty = plan([], weather(), **fields)  # type: ignore[arg-type]
    shifts = spans(empty.site.shifts, empty.site.zone, NOW, NOW + timedelta(days=2))
    return replace(empty, joints=joints, shifts=shift_totals(joints, shifts, empty.site, None, NOW))


def series(of: Plan, key: str = "2026-01-12 day") -> list[tuple[str, int, float]]:
    shift = next(one for one in of.shifts if one.key == key)
    return [(f"{one.start_utc:%H:%M}", one.torches, one.torch_minutes) for one in torches_by_hour(of, shift)]


def test_hours_by_hand() -> None:
    found = series(
        whole(
            burning("A", "07:30", 60.0, torches=2),  # 07:30 to 08:30
            burning("B", "08:15", 30.0),  # 08:15 to 08:45, beside A for a quarter of an hour
            burning("C", "08:45", 15.0, torches=3),  # to 09:00 sharp: nothing of it in the next hour
        )
    )
    assert len(found) == 12
    assert found[:4] == [("06:00", 0, 0.0), ("07:00", 2, 60.0), ("08:00", 3, 60.0 + 30.0 + 45.0), ("09:00", 0, 0.0)]


def test_a_torch_that_is_lit_before_the_shift_begins_the_series() -> None:
    found = series(whole(burning("A", "05:20", 60.0)))
    assert found[:3] == [("05:00", 1, 40.0), ("06:00", 1, 20.0), ("07:00", 0, 0.0)]


def test_torches_of_the_next_shift_that_burn_already_are_counted() -> None:
    found = series(whole(burning("A", "16:00", 30.0), burning("N", "17:30", 60.0, torches=2)))
    assert found[-1] == ("17:00", 2, 60.0)


def test_nobody_holds_an_electric_heater() -> None:
    pads = HeatSource("E1", "pads", None, 5.0, kind="pad", count=8)
    found = series(whole(burning("A", "08:00", 60.0, 4, "E1"), heat_sources=(TORCH, pads)))
    assert {torches for _, torches, _ in found} == {0}


def test_hours_are_full_ones_on_the_wall_clock() -> None:
    """India is five and a half hours ahead of UTC: its full hours are at half past."""
    shifts = (Shift("day", time(11), time(23)),)
    found = series(whole(burning("A", "07:10", 60.0), zone="Asia/Kolkata", shifts=shifts))
    assert found[0][0] == "05:30"
    assert [(at, torches) for at, torches, _ in found if torches] == [("06:30", 1), ("07:30", 1)]


@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 9), ("2026-11-01", 11)])
def test_a_night_on_which_the_clock_is_changed_has_its_own_length(day: str, hours: int) -> None:
    """22:00 to 08:00 in Chicago: nine hours in spring, eleven in autumn."""
    now = datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=UTC) - timedelta(days=1)
    found = plan(
        [joint(start_utc=now + timedelta(hours=20))],
        now_utc=now,
        zone="America/Chicago",
        shifts=(Shift("night", time(22), time(8)),),
    )
    shift = next(one for one in found.shifts if one.day == now.date())
    there = torches_by_hour(found, shift)
    assert len(there) == hours
    assert there[0].start_utc == shift.start_utc
    assert there[-1].start_utc + timedelta(hours=1) == shift.end_utc


def test_marks_lit_in_an_hour() -> None:
    joints = (burning("A", "07:00", 60.0), burning("B", "07:59", 30.0), burning("C", "08:00", 30.0), MODEL)
    assert marks_lit(joints, NOW.replace(hour=7)) == ("A", "B")


@given(
    st.lists(
        st.tuples(st.integers(0, 23), st.integers(0, 59), st.floats(1.0, 400.0), st.integers(1, 4)),
        min_size=1,
        max_size=12,
    )
)
def test_the_highest_hour_is_the_torches_at_once(burnings: list[tuple[int, int, float, int]]) -> None:
    found = whole(*(burning(f"J{n}", f"{h}:{m}", long, count) for n, (h, m, long, count) in enumerate(burnings)))
    for shift in found.shifts:
        hours = torches_by_hour(found, shift)
        assert max((one.torches for one in hours), default=0) == shift.torches_at_once
        assert all(0.0 <= one.torch_minutes <= 60.0 * one.torches + 1e-6 for one in hours)


def test_a_real_plan_agrees_with_its_totals() -> None:
    found = plan(
        [
            joint(mm(50.0), mm(50.0), mark=f"H{n}", torches=2, start_utc=START + timedelta(minutes=20 * n))
            for n in range(8)
        ]
    )
    assert by_mark(found)["H0"].heat is not None
    for shift in found.shifts:
        assert max(one.torches for one in torches_by_hour(found, shift)) == shift.torches_at_once
