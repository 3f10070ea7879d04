"""What holds of every decision, whatever the plans bring: plans drawn at random, one after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import get_args

from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.notice_decide import decide
from frostshift_rules.notice_events import Notice, Told
from frostshift_rules.notice_joints import CALLS, HEAT, group_key, harder_by, minimum_of
from frostshift_rules.notice_setup import ORDER
from frostshift_rules.stops import STATES
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Freshness, HeatCall, JointPlan, Plan

from .notice_builders import CHOICES, hours_of, kinds, knows, plan_of, stands
from .plan_builders import NOW, START, changed, hours

MARKS = ("J1", "J2", "J3", "J4", "J5")
FRONT = hours(changed(hours(3.0).air_c, slice(70, None), -9.0))
SHIFTS = ("2026-01-12 day", "2026-01-12 night", "2026-01-13 day", None)


@st.composite
def joints(draw: st.DrawFn) -> JointPlan:
    shift = draw(st.sampled_from(range(4)))
    joint = stands(
        draw(st.sampled_from(MARKS)),
        draw(st.sampled_from(CALLS)),
        draw(st.sampled_from(STATES)),
        lit_h=draw(st.sampled_from([None, 0.5, 1.0, 2.0, 4.0])),
        start_utc=START + hours_of(12.0 * min(shift, 2) + draw(st.integers(0, 5))),
        shift_key=SHIFTS[shift],
        crew=draw(st.sampled_from(["Anvil", "Bellows", ""])),
        air_c=draw(st.sampled_from([3.0, -9.0])),
    )
    begun = draw(st.sampled_from(("planned", "planned", "heating", "in_progress")))
    minimum_c = None if joint.call == "unknown" else draw(st.sampled_from([10.0, 20.0, 66.0]))
    return replace(joint, joint=replace(joint.joint, state=begun), minimum_c=minimum_c)


@dataclass(frozen=True)
class Step:
    """A plan, its hours, and how long after the one before it is decided on."""

    whole: Plan
    hours: Hours | None
    later: timedelta


steps = st.builds(
    Step,
    st.builds(
        lambda found, freshness: plan_of(*found, freshness=freshness),
        st.lists(joints(), max_size=5, unique_by=lambda one: one.joint.mark),
        st.sampled_from([*get_args(Freshness), "fresh", "fresh", "fresh"]),
    ),
    st.sampled_from([None, FRONT]),
    st.integers(0, 400).map(lambda minutes: timedelta(minutes=minutes)),
)
sequences = st.lists(steps, min_size=1, max_size=8)


@dataclass(frozen=True)
class Played:
    """One decision: what was known before it and after it."""

    before: Told
    step: Step
    now_utc: datetime
    notices: tuple[Notice, ...]
    after: Told

    def usable(self) -> bool:
        return self.step.whole.freshness in ("fresh", "late")

    def near(self) -> list[JointPlan]:
        """Joints that are not past their end."""
        return [
            one
            for one in self.step.whole.joints
            if one.window_end_utc > self.now_utc or one.joint.state in ("heating", "in_progress")
        ]


def play(sequence: Sequence[Step]) -> list[Played]:
    now, told, played = NOW - hours_of(30.0), Told(), []
    for step in sequence:
        now += step.later * 3
        notices, after = decide(told, step.whole, step.hours, None, (), (), CHOICES, now)
        played.append(Played(told, step, now, notices, after))
        told = after
    return played


@given(sequences)
def test_deciding_again_gives_nothing_and_changes_nothing(sequence: list[Step]) -> None:
    for one in play(sequence):
        again = decide(one.after, one.step.whole, one.step.hours, None, (), (), CHOICES, one.now_utc)
        assert again == ((), one.after)


@given(sequences, st.randoms(use_true_random=False))
def test_the_order_of_the_joints_does_not_matter(sequence: list[Step], random: object) -> None:
    def mixed(step: Step) -> Step:
        found = list(step.whole.joints)
        random.shuffle(found)  # type: ignore[attr-defined]
        return replace(step, whole=replace(step.whole, joints=tuple(found)))

    straight, other = play(sequence), play([mixed(step) for step in sequence])
    assert [(one.notices, one.after) for one in straight] == [(one.notices, one.after) for one in other]


@given(sequences)
def test_keys_are_unique_and_so_are_crew_and_shift_within_a_decision(sequence: list[Step]) -> None:
    played = play(sequence)
    keys = [notice.key for one in played for notice in one.notices]
    assert len(keys) == len(set(keys)) == played[-1].after.number
    for one in played:
        assert max(Counter((notice.crew, notice.shift_key) for notice in one.notices).values(), default=1) == 1


@given(sequences)
def test_events_are_of_joints_of_the_plan_that_are_not_past_each_in_one_and_the_list_of_its_shift(
    sequence: list[Step],
) -> None:
    for one in play(sequence):
        there = {joint.joint.mark: joint for joint in one.near()}
        said: Counter[str] = Counter()
        went: Counter[str] = Counter()
        for notice in one.notices:
            ranks = [ORDER.index(event.urgency) for event in notice.events]
            assert ranks == sorted(ranks)
            assert len({event.kind for event in notice.events}) == len(notice.events) > 0
            for event in notice.events:
                for joint in event.joints:
                    group = group_key(there[joint.mark].joint.crew, there[joint.mark].shift_key)
                    if event.kind == "other_crew":
                        assert joint.was_crew != joint.crew == there[joint.mark].joint.crew
                        group = one.before.joints[joint.mark].group
                        went[joint.mark] += 1
                    assert group == group_key(notice.crew, notice.shift_key)
                    said[joint.mark] += event.kind not in ("shift", "other_crew")
        assert max([*said.values(), *went.values()], default=0) <= 1


@given(sequences)
def test_every_joint_that_is_harder_than_told_is_in_one_notice(sequence: list[Step]) -> None:
    for one in play(sequence):
        in_notices = Counter(
            mark for notice in one.notices for mark in {joint.mark for event in notice.events for joint in event.joints}
        )
        for joint in one.near() if one.usable() else ():
            known = one.before.joints.get(joint.joint.mark)
            if known is None or known.group != group_key(joint.joint.crew, joint.shift_key):
                continue
            harder = harder_by(joint.call, minimum_of(joint), known) > 0
            harder |= STATES.index(joint.weather_state) > STATES.index(known.weather_state)
            harder |= known.call == "unknown" and joint.call in HEAT
            assert not harder or in_notices[joint.joint.mark] == 1


@given(sequences)
def test_nobody_whose_shift_was_told_is_left_to_think_that_a_joint_is_easier_than_it_is(sequence: list[Step]) -> None:
    for one in play(sequence):
        for joint in one.near() if one.usable() else ():
            key = group_key(joint.joint.crew, joint.shift_key)
            if key not in one.after.shifts or (joint.call == "no_heat" and joint.weather_state == "go"):
                continue
            known = one.after.joints[joint.joint.mark]
            assert known.group == key
            assert harder_by(joint.call, minimum_of(joint), known) <= 0
            assert STATES.index(known.weather_state) >= STATES.index(joint.weather_state)


@given(sequences)
def test_what_is_told_is_what_is_known_then_and_what_is_not_told_is_known_as_before(sequence: list[Step]) -> None:
    for one in play(sequence):
        events = [event for notice in one.notices for event in notice.events if event.kind != "other_crew"]
        said = {joint.mark: joint for event in events for joint in event.joints}
        for mark, known in one.after.joints.items():
            if mark in said:
                assert (known.told, known.call, known.light_up_utc) == (True, said[mark].call, said[mark].light_up_utc)
            elif known.told:
                before = one.before.joints[mark]
                assert (known.call, known.weather_state, known.light_up_utc) == (
                    before.call,
                    before.weather_state,
                    before.light_up_utc,
                )
        assert set(one.after.joints) <= {joint.joint.mark for joint in one.step.whole.joints}


@given(
    st.tuples(st.sampled_from(CALLS[:4]), st.sampled_from(CALLS[:4])),
    st.lists(st.integers(1, int(CHOICES.settle_minutes) - 1), max_size=10),
)
def test_two_forecasts_to_and_fro_within_the_settling_time_are_one_notice_at_most(
    calls: tuple[HeatCall, HeatCall], pauses: list[int]
) -> None:
    now, told, sent = NOW - hours_of(100.0), knows("no_heat"), []
    for number, pause in enumerate(pauses):
        now += timedelta(minutes=pause)
        notices, told = decide(told, plan_of(stands(call=calls[number % 2])), None, None, (), (), CHOICES, now)
        sent += kinds(notices)
    hardest = [calls[number % 2] for number in range(len(pauses))][:2]
    steps_up = sum(CALLS.index(b) > max(CALLS.index(a), 0) for a, b in pairwise(["no_heat", *hardest]))
    assert sent == ["harder"] * steps_up
