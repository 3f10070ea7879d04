"""Advice on a site's own plan, held against `make_plan` and counted again joint by joint. Sites are invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.rules.plan_builders import FIRST, HOURS, NOW, TABLE, hours, joint, mm, site, weather

from frostshift_rules import order_moves
from frostshift_rules.job import HeatSource, Joint, Procedure, Shift, Site
from frostshift_rules.order_moves import Advice, Move, advise, all_saved, uses_now, uses_then
from frostshift_rules.order_of_work import Task, order_task
from frostshift_rules.order_problem import OrderError, OrderProblem, Place, Weights
from frostshift_rules.order_solve import Answer, Stop
from frostshift_rules.order_starts import lay_out
from frostshift_rules.order_together import Together
from frostshift_rules.order_uses import Use
from frostshift_rules.order_value import Broken, as_it_stands, value
from frostshift_rules.plan import make_plan
from frostshift_rules.start_hours import start_hours
from frostshift_rules.surroundings import Floats
from frostshift_rules.totals import burnings_of, busiest
from frostshift_rules.work_setup import Crew, WorkSetup

DAY_1, NIGHT_1, DAY_2 = "2026-01-12 day", "2026-01-12 night", "2026-01-13 day"
PROVEN = Stop(gap=0.0, nodes=100_000, seconds=120.0)


def at(day: int, hour: int) -> datetime:
    return datetime(2026, 1, day, hour, tzinfo=NOW.tzinfo)


def warming() -> Floats:
    """-15 °C, from noon of the 12th on +4 °C: what is welded in the first day shift needs more heat."""
    air = np.full(HOURS, -15.0)
    air[60:] = np.linspace(-15.0, 8.0, HOURS - 60)
    return air


def crews(*made: Crew) -> Site:
    return site(work=WorkSetup(made or (Crew("north", 2), Crew("south", 2)), Weights(move=1.0, crew_change=1.0)))


def weld(mark: str, start_utc: datetime, crew: str = "north", **fields: Any) -> Joint:
    return joint(mm(60.0), mm(60.0), mark=mark, start_utc=start_utc, crew=crew, weld_length_mm=2_000.0, **fields)


def task(joints: Sequence[Joint], of: Site | None = None, air_c: Floats | float | None = None, **fields: Any) -> Task:
    made = weather(warming() if air_c is None else air_c)
    return order_task(of or crews(), TABLE, joints, made, fields.pop("readings", ()), NOW, **fields)


def advice(joints: Sequence[Joint], of: Site | None = None, air_c: Floats | float | None = None) -> Advice:
    return advise(task(joints, of, air_c), PROVEN)


def move(found: Advice, mark: str) -> Move:
    return next(one for one in found.moves if one.mark == mark)


def after(joints: Iterable[Joint], moves: Iterable[Move]) -> list[Joint]:
    """The schedule with the moves taken."""
    to = {one.mark: one for one in moves}
    return [
        replace(one, start_utc=to[one.mark].after.start_utc, crew=to[one.mark].crew_after) if one.mark in to else one
        for one in joints
    ]


def test_a_joint_waits_for_the_warmer_day() -> None:
    joints = [weld("A", at(12, 8))]
    found = advice(joints)
    (one,) = found.moves
    assert (one.mark, one.why, one.shift_before, one.shift_after, one.along) == ("A", "saves", DAY_1, DAY_2, ())
    assert one.saved.torch_minutes.likely > 1.0, "the move itself has its price"
    assert one.saved.torch_minutes.cold >= 0.0
    assert found.saved == all_saved([one]) == one.saved
    assert (found.stopped_by, found.gap, found.first) == ("optimal", 0.0, False)


def test_what_a_move_says_is_what_the_plan_says_afterwards() -> None:
    joints = [weld(f"J{n}", at(12, 7 + n), hours=1.0 + n / 2) for n in range(5)]
    found = advice(joints)
    assert len(found.moves) >= 3
    plan = make_plan(crews(), TABLE, after(joints, found.moves), weather(warming()), (), NOW)
    planned = {one.joint.mark: one for one in plan.joints}
    for one in found.moves:
        then = planned[one.mark]
        assert then.call == one.after.call != "unknown"
        assert then.weather_state == one.after.weather_state != "stop"
        assert then.shift_key == one.shift_after
        assert (then.heat.minutes if then.heat else None) == (one.after.minutes if then.heat else None)
    before = make_plan(crews(), TABLE, joints, weather(warming()), (), NOW)

    def likely(of: Any) -> float:
        return sum(shift.heat_minutes.likely for shift in of.shifts)

    assert likely(before) - likely(plan) == pytest.approx(found.saved.torch_minutes.likely)


def test_a_stop_where_it_is_planned_moves_it() -> None:
    """AWS D1.1:2015 5.12.2 (no welding below 0 °F / -18 °C) as the table has it; from memory."""
    air = np.full(HOURS, -30.0)
    air[66:] = -5.0
    found = advice([weld("A", at(12, 8))], air_c=air)
    assert (move(found, "A").why, move(found, "A").reason) == (
        "cannot_stay",
        "the weather stops it where it is planned",
    )
    assert found.costs_before.not_placed == 5_000.0, "it has no place where it is"
    assert found.costs_after.total < found.costs_before.total
    assert move(found, "A").before.weather_state == "stop"
    assert found.broken_before[0].name == "not_offered"


def test_nothing_is_told_that_is_stopped_or_not_known() -> None:
    air = warming()
    air[66:] = -30.0
    found = advice([weld("A", at(12, 8))], air_c=air)
    assert found.moves == ()
    reasons = {one.reason for one in task([weld("A", at(12, 8))], air_c=air).problem.joints[0].left_out}
    assert "the weather stops it" in reasons
    short = warming()
    short[66:] = np.nan
    assert advice([weld("A", at(12, 8))], air_c=short).moves == ()


def test_joints_that_cannot_be_judged_stay_with_the_reason() -> None:
    joints = [
        weld("begun", at(12, 8), state="heating"),
        weld("nobody", at(12, 8), crew=""),
        weld("other", at(12, 8), crew="east"),
        weld("far", at(20, 8)),
        weld("now", at(12, 2)),
        replace(weld("steel", at(12, 8)), parts=(mm(40.0, "no such steel"),)),
        weld("flame", at(12, 8), heat_source="gone"),
        weld("done", at(12, 8), state="done"),
    ]
    made = task(joints)
    assert made.problem.joints == ()
    said = {one.mark: one.reason for one in made.staying}
    assert said.pop("steel").startswith("its call is not known where it is planned: ")
    assert said == {
        "begun": "work on it has begun",
        "nobody": "no crew is stated",
        "other": "crew east is not set up",
        "far": "it is planned outside the shifts that are looked at",
        "now": "it is planned outside the shifts that are looked at",
        "flame": "there is no heating time where it is planned, so nobody can say what a move saves",
    }
    assert advise(made).moves == ()


def test_what_is_pinned_stays() -> None:
    joints = [weld("A", at(12, 8), pinned=True), weld("B", at(12, 8))]
    found = advice(joints)
    assert [one.mark for one in found.moves] == ["B"]


def test_what_comes_first_is_over_before() -> None:
    """B is cheapest in the second day shift, and A, which comes after it, then has no shift left in the forecast."""
    joints = [weld("B", at(12, 8)), weld("A", at(13, 8), after=("b",))]
    found = advice(joints)
    places = {one.mark: one.after.start_utc for one in found.moves}
    ends = places.get("B", joints[0].start_utc) + timedelta(hours=2)
    assert ends <= places.get("A", joints[1].start_utc)
    for one in (value_of := task(joints)).problem.joints:
        assert one.after == (("B",) if one.mark == "A" else ())
    assert not value(value_of.problem, as_it_stands(value_of.problem)).broken


def test_joints_that_stay_are_waited_for() -> None:
    begun = weld("begun", at(12, 10), state="in_progress")
    joints = [begun, weld("A", at(13, 8), after=("begun",)), weld("late", at(13, 8), crew="east", after=("C",))]
    made = task([*joints, weld("C", at(12, 8))])
    by_mark = {one.mark: one for one in made.problem.joints}
    first = {one.place[0]: one for one in by_mark["A"].choices}
    assert 0 not in first, "the shift of the joint that has begun"
    assert {one.reason for one in by_mark["A"].left_out} >= {"begun has to be done before and stays where it is"}
    assert {one.place[0] for one in by_mark["C"].choices} == {0, 1}
    assert "late comes after it and stays where it is" in {one.reason for one in by_mark["C"].left_out}
    gone = task([weld("A", at(13, 8), after=("P",)), weld("P", at(12, 8), state="postponed")])
    assert {one.reason for one in gone.problem.joints[0].left_out} == {"P has to be done before and is postponed"}
    nobody = task([weld("A", at(13, 8), after=("X", "D")), weld("D", at(12, 8), state="done")])
    assert nobody.notes == ("A waits for X, which is not in the schedule: nobody waits for it.",)
    assert nobody.problem.joints[0].after == ()


@pytest.mark.parametrize(
    "fields", [{}, {"crew": ""}, {"state": "heating"}, {"state": "postponed"}, {"start_utc": at(28, 8)}]
)
def test_a_circle_is_named(fields: Any) -> None:
    """Whether all of its joints may move or not."""
    joints = [
        weld("A", at(12, 8), after=("C",)),
        weld("B", at(12, 8), after=("a",)),
        replace(weld("C", at(12, 8), after=("B",)), **fields),
    ]
    with pytest.raises(OrderError, match="wait for each other: A after C after B after A"):
        task(joints)


def test_dates_are_kept() -> None:
    made = task([weld("A", at(12, 8), not_before_utc=at(12, 15), finish_by_utc=at(13, 13))])
    (one,) = made.problem.joints
    assert one.latest is not None
    assert made.spans[one.latest].key == DAY_2
    assert all(start.start_utc >= at(12, 15) for shift in (1, 2, 3) for start in made.starts.get(("A", shift), ()))
    assert {start.end_utc <= at(13, 13) for start in made.starts["A", 2]} == {True}
    early = task([weld("A", at(12, 8), not_before_utc=at(13, 12))])
    assert "it may not start so early" in {left.reason for left in early.problem.joints[0].left_out if left.shift == 1}
    due = task([weld("A", at(12, 8), finish_by_utc=at(12, 5))])
    assert due.problem.joints[0].latest == -1
    here = task([weld("A", at(12, 14), finish_by_utc=at(12, 15))])
    assert here.problem.joints[0].latest == -1, "in its own shift it is not moved, and there it is late"


def test_crews_weld_what_and_when_they_may() -> None:
    north = Crew("north", 1, ("day",), ("FCAW-S",))
    south = Crew("south", 1, (), ("SMAW",))
    west = Crew("west", 1, (), (), ("P-2",))
    of = replace(crews(north, south, west), procedures=(Procedure("P-1"), Procedure("P-2")))
    (one,) = task([weld("A", at(12, 8), procedure="P-1")], of).problem.joints
    assert {choice.crew for choice in one.choices} == {0}
    assert {choice.shift for choice in one.choices} <= {0, 2}
    said = {(left.crew, left.reason) for left in one.left_out}
    assert (0, "north does not work in that shift") in said
    assert (1, "south does not weld FCAW-S") in said
    assert (2, "west is not qualified for P-1") in said


def test_minutes_that_others_take_are_gone() -> None:
    kept = weld("kept", at(12, 8), state="in_progress", hours=3.0)
    made = task([kept, weld("A", at(12, 8))])
    north, south = made.problem.crews
    assert north.minutes[:3] == (2 * 720.0 - 180.0, 1440.0, 1440.0)
    assert south.minutes[0] == 1440.0
    first, second = made.problem.shifts[:2]
    assert first.torch_minutes is not None
    assert second.torch_minutes == 4 * 720.0
    (row,) = start_hours(crews(), TABLE, [kept], weather(warming()), (), NOW, [], {"kept"})
    assert row.planned.torch_minutes is not None
    assert row.planned.torch_minutes.high > row.planned.torch_minutes.likely
    assert first.torch_minutes == 4 * 720.0 - row.planned.torch_minutes.high, "filled by the cold side"
    assert first.hand_minutes == pytest.approx(first.torch_minutes - 2 * 720.0), (
        "two people hold torches, four torches are there"
    )


def test_no_crew_welds_more_at_once_than_it_can() -> None:
    joints = [weld(f"J{n}", at(12, 8), crew="north", hours=3.0) for n in range(8)]
    found = advice(joints, crews(Crew("north", 8), Crew("south", 1)))
    moved = [one for one in found.moves if one.crew_after == "south"]
    for one in moved:
        there = [other for other in moved if other.shift_after == one.shift_after]
        busy = sum(other.after.start_utc <= one.after.start_utc < other.after.end_utc for other in there)
        assert busy <= 1


def test_a_place_without_a_free_start_is_given_up() -> None:
    """A lies over all of the crew's second shift: B finds no start beside it, whatever the minutes say."""
    joints = [weld("A", at(13, 7), hours=10.0, pinned=True), weld("B", at(12, 8), hours=2.0)]
    of = crews(Crew("north", 1))
    made = task(joints, of)
    laid, without = lay_out(made, {"A": (2, 0), "B": (2, 0)})
    assert (laid, without) == ({}, {"B": (2, 0)})
    assert all(one.shift_after != DAY_2 for one in advise(made, PROVEN).moves)


def test_what_is_in_the_way_and_what_would_free_it() -> None:
    cold = np.full(HOURS, -30.0)
    cold[66:] = -5.0
    of = crews(Crew("north", 1, ("day",)))
    joints = [weld(f"J{n}", at(12, 7), hours=6.0) for n in range(3)]
    found = advice(joints, of, cold)
    assert [one.shift_after for one in found.moves] == [DAY_2]
    assert [one.mark for one in found.without_place] == ["J1", "J2"]
    first = found.without_place[0]
    assert first.in_the_way[-1].endswith("beside other joints none of the starts looked at is free there (1 place).")
    assert first.frees[0].text == "J1 fits in 2026-01-13 day if north welds one joint more at once there."
    (pinned,) = advice([weld("A", at(12, 8), pinned=True)], air_c=cold).without_place
    assert pinned.in_the_way == ("A is pinned to 2026-01-12 day with north: the weather stops it where it is planned.",)
    assert [one.text for one in pinned.frees] == [
        "A fits if its own pin is lifted: A then goes to 2026-01-12 night with north."
    ]


SHIFTS = st.sampled_from([at(12, 8), at(12, 11), at(12, 20), at(13, 9), at(13, 20)])


@st.composite
def jobs(draw: st.DrawFn) -> list[Joint]:
    made = []
    for n in range(draw(st.integers(2, 7))):
        before = draw(st.lists(st.sampled_from([one.mark for one in made]), max_size=2, unique=True)) if made else []
        made.append(
            weld(
                f"J{n}",
                draw(SHIFTS),
                draw(st.sampled_from(["north", "south"])),
                hours=draw(st.sampled_from([1.0, 2.5, 6.0])),
                after=tuple(before),
                pinned=draw(st.booleans()) and draw(st.booleans()),
                state=draw(st.sampled_from(["planned"] * 5 + ["in_progress"])),
            )
        )
    return made


def over_used(uses: Iterable[Use]) -> set[tuple[str, str, datetime]]:
    """Moments at which more of something is in use than there is, and than one joint alone needs; counted anew."""
    found = set()
    ones = list(uses)
    for one in ones:
        same = [it for it in ones if (it.kind, it.name) == (one.kind, one.name)]
        for moment in {max(it.begin_utc, one.begin_utc) for it in same}:
            if not one.begin_utc <= moment < one.end_utc:
                continue
            there = [it for it in same if it.begin_utc <= moment < it.end_utc]
            if sum(it.count for it in there) > max(one.most, *(it.count for it in there)):
                found.add((one.kind, one.name, moment))
    return found


@settings(max_examples=40, deadline=None)
@given(jobs(), st.integers(1, 2), st.booleans(), st.data())
def test_any_part_of_the_advice_breaks_no_rule_that_was_kept(
    joints: list[Joint], at_once: int, cold: bool, data: st.DataObject
) -> None:
    """With a first shift that the weather stops, or not; whatever has no place stays and is counted there."""
    of = crews(Crew("north", at_once), Crew("south", 1, ("day",)))
    air = warming()
    if cold:
        air[:60] = -30.0
    made = task(joints, of, air)
    found = advise(made, PROVEN)
    moved = {one.mark: one.place for one in found.moves}
    by_mark = {one.mark: one for one in joints}
    for one in found.moves:
        assert not by_mark[one.mark].pinned
        assert by_mark[one.mark].state == "planned"
        assert one.after.weather_state not in ("stop", "unknown")
        assert one.after.call != "unknown"
    in_the_plan(joints, found.moves, of, air)
    stands = as_it_stands(made.problem)
    was = value(made.problem, stands)
    some = set(data.draw(st.lists(st.sampled_from(sorted(moved)), min_size=1, unique=True))) if moved else set()
    now, then = uses_now(made), uses_then(made, found.moves)
    together = Together(made.problem, moved, now, then)
    already = over_used(now)
    for taken in (set(moved), some | set(together.with_them(some))):
        new = value(made.problem, {**stands, **{mark: moved[mark] for mark in taken}})
        kept_broken = {(one.name, one.marks) for one in was.broken if one.name in OF_JOINTS}
        for rule in new.broken:
            if rule.name in OF_JOINTS:
                assert (rule.name, rule.marks) in kept_broken
            else:
                assert minutes_of(rule) <= max((minutes_of(it) for it in was.broken if same(rule, it)), default=0.0)
        uses = [use for use in now if use.mark not in taken] + [use for use in then if use.mark in taken]
        assert {(kind, name) for kind, name, _ in over_used(uses) - already} == set()


def in_the_plan(joints: list[Joint], moves: Iterable[Move], of: Site, air_c: Floats) -> None:
    """The plan with all moves taken has nothing out of turn, and no more of a kind in use, than the plan had before."""
    plans = [make_plan(of, TABLE, ones, weather(air_c), (), NOW) for ones in (joints, after(joints, moves))]
    for source in of.heat_sources:
        peaks = [
            busiest(one for joint in plan.joints for one in burnings_of(joint) if one.source_id == source.id)[0]
            for plan in plans
        ]
        assert peaks[1] <= max(source.count, peaks[0])
    was, becomes = ({one.joint.mark: one.joint for one in plan.joints} for plan in plans)
    for one in joints:
        for mark in one.after:
            orders = [
                ones[mark].start_utc + timedelta(hours=ones[mark].hours) <= ones[one.mark].start_utc
                for ones in (was, becomes)
                if mark in ones and one.mark in ones
            ]
            assert not orders or orders[1] or not orders[0]


OF_JOINTS = ("not_offered", "too_early", "too_late", "pinned_moved", "before_predecessor")


def same(one: Broken, other: Broken) -> bool:
    """Whether both are about the same minutes of the same shift."""
    return one.name == other.name and one.text.partition(", its")[0] == other.text.partition(", its")[0]


def minutes_of(rule: Broken) -> float:
    return float(rule.text.partition("joints take ")[2].partition(" min")[0])


def test_the_first_answer_is_told_before_the_search() -> None:
    told: list[Advice] = []
    found = advise(task([weld(f"J{n}", at(12, 8)) for n in range(4)]), PROVEN, told_first=told.append)
    assert [one.first for one in told] == [True]
    assert not found.first
    assert found.costs_after.total <= told[0].costs_after.total + 1e-9


def test_a_week_without_shifts_or_crews_is_no_error() -> None:
    assert advise(task([weld("A", at(12, 8))], replace(crews(), shifts=()))).moves == ()
    assert advise(task([weld("A", at(12, 8))], site())).moves == ()
    no_weather = order_task(crews(), TABLE, [weld("A", at(12, 8))], weather(hours(), freshness="unusable"), (), NOW)
    assert no_weather.staying[0].reason.startswith("its call is not known")
    assert FIRST < NOW


def test_shifts_that_overlap_are_two_places() -> None:
    """09:00 lies in both: the joint is in the one that began last, and in the other it has that one's own starts."""
    early, late = (
        Shift(name, NOW.time().replace(hour=begin), NOW.time().replace(hour=begin + 10))
        for name, begin in (("early", 4), ("late", 8))
    )
    made = task([weld("A", at(12, 9))], replace(crews(), shifts=(early, late)))
    (one,) = made.problem.joints
    assert one.now is not None
    assert made.spans[one.now[0]].shift.name == "late"
    starts = [start.start_utc for start in made.starts["A", one.now[0] - 1]]
    assert starts != [at(12, 9)]
    assert made.starts["A", one.now[0]] == (made.planned["A"],)


def test_a_joint_longer_than_every_other_shift_stays() -> None:
    short = Shift("day", NOW.time().replace(hour=6), NOW.time().replace(hour=10))
    of = replace(crews(), shifts=(short,))
    made = task([weld("A", at(12, 6), hours=6.0)], of)
    assert [(one.mark, one.reason) for one in made.staying] == [("A", "it runs over the end of its shift")]


def test_a_joint_that_runs_over_the_end_of_its_shift_keeps_its_crew_busy_and_others_waiting() -> None:
    """`run` lies over the first hours of the next day shift; nobody of a crew of one is free there."""
    run = weld("run", at(12, 20), hours=16.0, state="in_progress")
    of = crews(Crew("north", 1))
    made = task([run, weld("B", at(12, 8), hours=2.0)], of)
    assert made.problem.crews[0].minutes[1:3] == (720.0 - 600.0, 720.0 - 360.0)
    starts = {start.start_utc for start in made.starts["B", 2]}
    laid, without = lay_out(made, {"B": (2, 0)})
    assert (laid["B"].start_utc >= at(13, 12)) if "B" in laid else without == {"B": (2, 0)}
    assert min(starts) < at(13, 12), "there are earlier ones, and they are taken"
    over = weld("P", at(12, 16), hours=6.0, pinned=True)
    (one,) = task([over, weld("S", at(13, 8), after=("P",))]).problem.joints
    assert {choice.shift for choice in one.choices} <= {2, 3}, "the night shift begins before P is done"


def test_no_more_torches_are_lit_at_one_moment_than_there_are() -> None:
    """Counted by `make_plan` on the schedule with the moves taken; four torches, and two people who can hold one."""
    joints = [weld(f"J{n}", at(12, 7 + n), hours=1.0) for n in range(8)]
    of = crews(Crew("north", 8))
    found = advice(joints, of)
    assert len(found.moves) >= 4
    plan = make_plan(of, TABLE, after(joints, found.moves), weather(warming()), (), NOW)
    there = next(shift for shift in plan.shifts if shift.key == DAY_2)
    assert there.torches_at_once <= there.hands == 2


def test_a_joint_without_a_place_is_no_saving() -> None:
    """It stays where it is, and takes there what it takes: both counts leave it out."""
    joints = [weld("A", at(12, 8), pinned=True), weld("B", at(12, 9), pinned=True)]
    cold = np.full(HOURS, -30.0)
    cold[66:] = -5.0
    found = advice(joints, air_c=cold)
    assert (found.moves, len(found.without_place)) == ((), 2)
    assert found.costs_before == found.costs_after


def test_nothing_is_proven_once_a_place_was_taken_back() -> None:
    """Two joints of 6 h would fill the shift; the lay-out finds a start for one, as nobody heats before it begins."""
    cold = np.full(HOURS, -30.0)
    cold[66:] = -5.0
    joints = [weld(f"J{n}", at(12, 7), hours=6.0) for n in range(3)]
    found = advice(joints, crews(Crew("north", 1, ("day",))), cold)
    assert len(found.moves) == 1
    assert found.stopped_by != "optimal"
    assert found.gap is not None
    assert found.gap > 0.3, "one joint of three has a place, two might"


def test_a_date_after_the_shifts_makes_nothing_late() -> None:
    (one,) = task([weld("A", at(12, 8), finish_by_utc=datetime(2026, 3, 1, tzinfo=NOW.tzinfo))]).problem.joints
    assert one.latest is None


def test_nobody_is_sent_where_a_shelter_would_be_needed() -> None:
    """Unless the joint needs one where it is."""
    rainy = hours(warming(), precip_mm=np.where(np.arange(HOURS) >= 66, 1.0, 0.0))
    made = order_task(crews(), TABLE, [weld("A", at(12, 8), exposure="open")], weather(rainy), (), NOW)
    (one,) = made.problem.joints
    told = {start.weather_state for shift in (1, 2, 3) for start in made.starts.get(("A", shift), ())}
    assert "shelter_needed" not in told
    assert "it would need a shelter there" in {left.reason for left in one.left_out}


def test_a_shift_is_filled_by_the_cold_side_and_priced_by_what_is_counted() -> None:
    made = task([weld("A", at(12, 8))])
    (one,) = made.problem.joints
    for choice in one.choices:
        told = [start.torch_minutes for start in made.starts["A", choice.shift]]
        most = max(minutes.high for minutes in told if minutes is not None)
        likely = max(minutes.likely for minutes in told if minutes is not None)
        assert choice.torch_minutes == choice.hand_minutes == most
        assert choice.priced_minutes >= likely
        assert most > likely
    assert one.there.torch == next(it.torch_minutes for it in one.choices if it.place == one.now)


def test_a_joint_whose_heat_is_not_known_is_named_where_it_is_not_counted() -> None:
    made = task([weld("flame", at(13, 8), heat_source="gone"), weld("A", at(12, 8))])
    assert made.notes == (f"{DAY_2}: torches and hands are counted without flame, as nobody knows how long they heat.",)
    assert task([weld("B", at(13, 8), state="heating")]).notes == ()


def test_what_the_weather_stops_moves_though_no_torch_would_do_where_it_is() -> None:
    """At -40 °C one weak torch never gets it warm; nobody can say what the move saves, and nobody does."""
    air = np.full(HOURS, -40.0)
    air[66:] = 12.0
    weak = replace(crews(), heat_sources=(replace(crews().heat_sources[0], net_kw=20.0),))
    joints = [weld("A", at(12, 8), torches=1)]
    present = task(joints, weak, air).planned["A"]
    assert (present.weather_state, present.torch_minutes) == ("stop", None)
    (one,) = advise(task(joints, weak, air), PROVEN).moves
    assert (one.why, one.saved) == ("cannot_stay", None)
    assert one.after.torch_minutes is not None


def test_a_sequence_of_starts_is_found_where_the_longest_first_leaves_none() -> None:
    """A, the longer one, likes 9:00 best, which leaves B nothing; with B at 13:00 A still has 7:00."""
    of = crews(Crew("north", 1))
    made = task([weld("A", at(12, 7), hours=4.0), weld("B", at(12, 12), hours=3.5)], of)
    there = {one.start_utc.hour: one for one in made.starts["A", 2]}
    early, late = (there[hour] for hour in sorted(there)[:2])
    only = made.starts["B", 2][0]
    between = early.end_utc, late.end_utc
    b_at = replace(only, start_utc=between[0], end_utc=between[0] + timedelta(hours=3.5), light_up_utc=None)
    assert late.start_utc < b_at.end_utc
    assert b_at.start_utc < late.end_utc
    made = replace(made, starts={("A", 2): (late, early), ("B", 2): (b_at,)})
    laid, without = lay_out(made, {"A": (2, 0), "B": (2, 0)})
    assert without == {}
    assert (laid["A"], laid["B"]) == (early, b_at)


def test_heaters_of_a_kind_are_shared_and_nobody_holds_them() -> None:
    """Two pads on the site, two on each joint, two people: one joint at a time on pads, whoever holds torches."""
    pad = HeatSource("pad", "Pad", None, 30.0, 0.7, 0.8, 0.9, count=2, kind="pad", area_m2=0.5)
    of = replace(crews(Crew("north", 8)), heat_sources=(*crews().heat_sources, pad))
    joints = [weld(f"P{n}", at(12, 7), hours=1.0, heat_source="pad", torches=2) for n in range(3)]
    found = advise(task(joints, of), PROVEN)
    heated = [(one.after.light_up_utc, one.after.start_utc) for one in found.moves if one.after.light_up_utc]
    assert len(heated) >= 2
    for begin, end in heated:
        assert begin is not None
        assert sum(a is not None and a < end and begin < b for a, b in heated) == 1
    made = task(joints, of)
    uses = made.uses("P0", (2, 0), made.starts["P0", 2][0])
    assert {(use.kind, use.name, use.count, use.most) for use in uses} >= {("source", "pad", 2, 2)}
    assert not [use for use in uses if use.kind == "hands"]


def test_what_waits_for_another_in_its_own_shift_is_not_left_behind() -> None:
    """A from 7 to 9, B after it at 13:00 in the same shift, in turn by the clock; neither passes the other."""
    first, then = weld("A", at(12, 7), hours=2.0), weld("B", at(12, 13), hours=2.0, after=("A",))
    pinned = advice([first, replace(then, pinned=True)])
    assert [one.mark for one in pinned.moves] == [], "A would be welded after B"
    both = advice([first, then])
    assert {one.mark: one.along for one in both.moves}.get("A", ("B",)) == ("B",)
    assert advice([first, then], air_c=-15.0).moves == (), "nothing to save, and nothing is out of turn"


def test_torches_stay_in_use_until_all_lengths_are_warm_and_heaters_until_it_is_welded() -> None:
    """As in the sheet of the day (`burnings_of`), of joints that stay outside every shift too."""
    pad = HeatSource("pad", "Pad", None, 30.0, 0.7, 0.8, 0.9, count=2, kind="pad", area_m2=0.5)
    of = replace(crews(), heat_sources=(*crews().heat_sources, pad))
    joints = [
        weld("T", at(12, 8)),
        weld("P", at(12, 10), hours=3.0, heat_source="pad", torches=2),
        weld("late", at(13, 18), crew="east"),
    ]
    made = task(joints, of)
    plan = make_plan(of, TABLE, joints, weather(warming()), (), NOW)
    for one in plan.joints:
        mark = one.joint.mark
        uses = [use for use in uses_now(made) if use.mark == mark and use.kind == "source"]
        assert [(use.name, use.begin_utc, use.end_utc, use.count) for use in uses] == [
            (it.source_id, it.start_utc, it.end_utc, it.torches) for it in burnings_of(one)
        ]
        hands = [(use.begin_utc, use.end_utc) for use in uses_now(made) if use.mark == mark and use.kind == "hands"]
        assert hands == [(it.start_utc, it.end_utc) for it in burnings_of(one) if it.source_id != "pad"]


def test_no_weight_makes_no_place_cheaper_than_one() -> None:
    dear = replace(crews(), work=replace(crews().work, weights=Weights(fuel_kg=100_000.0)))
    found = advice([weld("A", at(12, 8))], dear)
    assert found.without_place == ()
    assert found.costs_after.not_placed == 0.0


def test_the_last_advice_is_never_dearer_than_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search that finds less than the first answer had, as it can where places are given up."""
    told: list[Advice] = []

    def worse(problem: OrderProblem, first: Answer, *_: object) -> Answer:
        places: dict[str, Place | None] = {joint.mark: None for joint in problem.joints}
        return replace(first, places=places, value=value(problem, places), stopped_by="nodes")

    monkeypatch.setattr(order_moves, "improve", worse)
    found = advise(task([weld(f"J{n}", at(12, 8 + n)) for n in range(3)]), PROVEN, told_first=told.append)
    assert len(told[0].moves) == len(found.moves) == 3
    assert found.costs_after == told[0].costs_after


def test_the_first_answer_comes_back_with_its_places_where_a_search_gave_them_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The search sends all to one shift of a crew of one, where two of them find no start, and gives that up."""
    told: list[Advice] = []

    def crowded(problem: OrderProblem, first: Answer, *_: object) -> Answer:
        places: dict[str, Place | None] = {
            joint.mark: (2, 0) if any(one.place == (2, 0) for one in joint.choices) else None
            for joint in problem.joints
        }
        return replace(first, places=places, value=value(problem, places), stopped_by="nodes")

    monkeypatch.setattr(order_moves, "improve", crowded)
    made = task([weld(f"J{n}", at(12, 8), hours=5.0) for n in range(3)], crews(Crew("north", 1), Crew("south", 1)))
    found = advise(made, PROVEN, told_first=told.append)
    assert found.costs_after == told[0].costs_after
    assert {one.mark: one.place for one in found.moves} == {one.mark: one.place for one in told[0].moves}
    assert found.moves


def test_where_places_are_given_up_no_order_is_said_to_be_there() -> None:
    """Four joints of 5 h for a crew of one in 12 h: what is missing is a start, of which minutes know nothing."""
    cold = np.full(HOURS, -30.0)
    cold[66:] = -5.0
    joints = [weld(f"J{n}", at(12, 7 + n), hours=5.0) for n in range(4)]
    found = advise(task(joints, crews(Crew("north", 1)), cold), PROVEN)
    assert "better_order" not in {free.name for one in found.without_place for free in one.frees}
