"""The crew's calendar, read back by the icalendar library; RFC 5545."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest

from frostshift_rules.workload import Plan
from frostshift_service import demo
from frostshift_service.cli import load_demo
from frostshift_service.jobs import Jobs
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store
from frostshift_service.views.crew_calendar import crew_calendar

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plan]:
    folder: Path = tmp_path_factory.mktemp("calendar")
    settings = Settings(data_dir=folder, database_url=f"sqlite:///{(folder / 'demo.db').as_posix()}")
    engine = open_store(settings.database_url)
    jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
    load_demo(engine, jobs, settings, NOW)
    found = jobs.current_plan(demo.SITE_ID)
    assert found is not None
    yield found
    engine.dispose()


def events(plan: Plan, crew: str) -> list[icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(crew_calendar(plan, crew, "us", NOW))
    assert calendar.errors == []
    return list(calendar.walk("VEVENT"))


def test_every_light_up_and_stop_of_the_crew_is_in_it_and_no_other(plan: Plan) -> None:
    found = {str(one["summary"]) for one in events(plan, "north")}
    of_crew = [one for one in plan.joints if one.joint.crew == "north"]
    lit = {one.joint.mark for one in of_crew if one.heat is not None and one.heat.light_up_utc is not None}
    assert lit
    assert {text.split(": ")[0] for text in found if text.startswith("Light up")} == {
        f"Light up {mark}" for mark in lit
    }
    everybody = events(plan, "")
    assert len(everybody) > len(found)
    uids = [str(one["uid"]) for one in everybody]
    assert len(set(uids)) == len(uids)


def test_times_are_those_of_the_plan_in_whole_minutes_and_never_later(plan: Plan) -> None:
    by_mark = {one.joint.mark: one for one in plan.joints}
    for event in events(plan, ""):
        words = str(event["summary"])
        if words.startswith("Light up "):
            joint = by_mark[words.removeprefix("Light up ").split(": ")[0]]
            assert joint.heat is not None
            assert joint.heat.light_up_utc is not None
            assert timedelta(0) <= joint.heat.light_up_utc - event.start < timedelta(minutes=1)
            assert event.end == joint.joint.start_utc


def test_a_joint_to_be_heated_without_a_time_is_in_it_from_the_start_of_its_shift(plan: Plan) -> None:
    starts = {shift.key: shift.start_utc for shift in plan.shifts}
    one = next(
        joint
        for joint in plan.joints
        if joint.call in ("heat_to_minimum", "cold_steel_heat")
        and joint.heat is not None
        and joint.shift_key is not None
        and joint.joint.start_utc - starts[joint.shift_key] > timedelta(hours=1)
    )
    assert one.heat is not None
    assert one.shift_key is not None
    mark, start = one.joint.mark, one.joint.start_utc
    untimed = replace(one, heat=replace(one.heat, light_up_utc=None), weather_spells=(), minimum_c=65.0)
    (event,) = events(replace(plan, joints=(untimed,)), "")
    call = "heat to minimum" if one.call == "heat_to_minimum" else "cold steel: raised heat"
    assert str(event["summary"]) == f"See the sheet for {mark}: {call} 149 °F, no time can be given"
    assert (event.start, event.end) == (starts[one.shift_key], start)
    for other in (
        replace(untimed, heat=None, shift_key=None),
        replace(untimed, shift_key=one.shift_key, joint=replace(one.joint, start_utc=starts[one.shift_key])),
    ):
        (event,) = events(replace(plan, joints=(other,)), "")
        hour_before = other.joint.start_utc - timedelta(hours=1)
        assert (event.start, event.end) == (hour_before, other.joint.start_utc), "in no shift, or as its shift starts"


def test_the_night_the_clocks_change_keeps_both_half_past_ones_apart(plan: Plan) -> None:
    """1 November 2026 at 01:30 comes twice in Chicago; the calendar tells one from the other."""
    first, second = datetime(2026, 11, 1, 6, 30, tzinfo=UTC), datetime(2026, 11, 1, 7, 30, tzinfo=UTC)
    zone = ZoneInfo(plan.site.zone)
    assert first.astimezone(zone).strftime("%H:%M") == second.astimezone(zone).strftime("%H:%M") == "01:30"
    one = next(joint for joint in plan.joints if joint.heat is not None and joint.heat.light_up_utc is not None)
    assert one.heat is not None
    moved = replace(
        one, joint=replace(one.joint, start_utc=second), heat=replace(one.heat, light_up_utc=first), weather_spells=()
    )
    (event,) = events(replace(plan, joints=(moved,)), "")
    assert (event.start, event.end) == (first, second)


def test_what_was_typed_stays_inside_its_line(plan: Plan) -> None:
    one = next(joint for joint in plan.joints if joint.heat is not None and joint.heat.light_up_utc is not None)
    mark = "X;,\\\r\nBEGIN:VEVENT\r\nSUMMARY:" + "ü" * 90
    typed = replace(
        one, joint=replace(one.joint, mark=mark, place="a\r\nATTENDEE:mailto:x@example.com"), weather_spells=()
    )
    content = crew_calendar(replace(plan, joints=(typed,)), "", "us", NOW)
    assert len(icalendar.Calendar.from_ical(content).walk("VEVENT")) == 1
    lines = content.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)
    assert not any(line.startswith((b"ATTENDEE", b"SUMMARY:\xc3")) for line in lines)
