"""Decision tables: what is told of a joint, a shift, a front. The rules are our choice."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from frostshift_rules.job import JointState
from frostshift_rules.notice_events import AlertSeen, FrontSeen, Told, ToldJoint
from frostshift_rules.notice_joints import group_key
from frostshift_rules.notice_setup import Kind
from frostshift_rules.stops import WeatherState
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Freshness, HeatCall, JointPlan, WeatherSpell

from .notice_builders import CHOICES, DAY_SHIFT, GROUP, decided, hours_of, kinds, knows, only, plan_of, stands
from .plan_builders import FIRST, NOW, START, hours

LATER = NOW + timedelta(minutes=CHOICES.settle_minutes)

# Harder and easier ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("was", "call", "told_at_once", "told_later"),
    [
        ("no_heat", "no_heat", None, None),
        ("no_heat", "measure", "harder", None),
        ("no_heat", "heat_to_minimum", "harder", None),
        ("no_heat", "unknown", "harder", None),
        ("measure", "no_heat", None, "easier"),
        ("measure", "heat_to_minimum", "harder", None),
        ("heat_to_minimum", "measure", None, "easier"),
        ("heat_to_minimum", "cold_steel_heat", "harder", None),
        ("cold_steel_heat", "heat_to_minimum", None, "easier"),
        ("cold_steel_heat", "no_heat", None, "easier"),
        ("cold_steel_heat", "unknown", "harder", None),
        ("unknown", "unknown", None, None),
        ("unknown", "cold_steel_heat", "harder", None),
        ("unknown", "heat_to_minimum", "harder", None),
        ("unknown", "measure", None, "easier"),
        ("unknown", "no_heat", None, "easier"),
    ],
)
def test_calls(was: HeatCall, call: HeatCall, told_at_once: Kind | None, told_later: Kind | None) -> None:
    notices, after = decided(knows(was), stands(call=call))
    assert kinds(notices) == ([told_at_once] if told_at_once else [])
    assert after.joints["J1"].call == (call if told_at_once else was)
    later, then = decided(after, stands(call=call), LATER)
    assert kinds(later) == ([told_later] if told_later else [])
    assert then.joints["J1"].call == call
    assert decided(then, stands(call=call), LATER + hours_of(1.0))[0] == ()


@pytest.mark.parametrize(
    ("was", "state", "told_at_once", "told_later"),
    [
        ("go", "dry_first", "harder", None),
        ("dry_first", "shelter_needed", "harder", None),
        ("shelter_needed", "unknown", "harder", None),
        ("go", "stop", "stop", None),
        ("unknown", "stop", "stop", None),
        ("shelter_needed", "go", None, "easier"),
        ("unknown", "dry_first", None, "easier"),
        ("stop", "go", None, "stop_over"),
        ("stop", "shelter_needed", None, "stop_over"),
        ("stop", "unknown", None, None),  # nobody knows that it is over
        ("stop", "stop", None, None),
    ],
)
def test_weather_states(
    was: WeatherState, state: WeatherState, told_at_once: Kind | None, told_later: Kind | None
) -> None:
    notices, after = decided(knows(state=was), stands(state=state))
    assert kinds(notices) == ([told_at_once] if told_at_once else [])
    later, then = decided(after, stands(state=state), LATER)
    assert kinds(later) == ([told_later] if told_later else [])
    assert then.joints["J1"].weather_state == ("stop" if (was, state) == ("stop", "unknown") else state)


def test_a_stop_that_nobody_knows_of_for_a_while_is_told_once() -> None:
    told = knows(state="stop")
    for number, state in enumerate(("unknown", "stop", "unknown", "stop")):
        notices, told = decided(told, stands(state=state), NOW + hours_of(number))  # type: ignore[arg-type]
        assert notices == ()


def test_a_call_that_gets_harder_under_a_stop_leaves_the_stop_standing() -> None:
    notices, after = decided(knows("no_heat", "stop"), stands(state="unknown"))
    assert kinds(notices) == ["harder"]
    assert after.joints["J1"].weather_state == "stop"


def test_easier_is_told_only_when_it_stays_so() -> None:
    told = knows("cold_steel_heat")
    half = timedelta(minutes=CHOICES.settle_minutes / 2)
    for number, call in enumerate(("heat_to_minimum", "cold_steel_heat") * 3):
        notices, told = decided(told, stands(call=call), NOW + number * half)  # type: ignore[arg-type]
        assert notices == ()
    _, told = decided(told, stands(call="heat_to_minimum"), NOW)
    assert decided(told, stands(call="heat_to_minimum"), LATER - timedelta(minutes=1))[0] == ()
    event = only(decided(told, stands(call="heat_to_minimum"), LATER)[0])
    assert (event.kind, event.urgency, event.by_utc) == ("easier", "plain", None)
    assert event.joints[0].was_call == "cold_steel_heat"


def test_a_change_that_creeps_in_is_one_change() -> None:
    told, seen = knows("no_heat"), []
    for number, minutes in enumerate((0, 10, 20, 40, 50, 65)):
        joint = stands(lit_h=2.0 + minutes / 60.0)
        notices, told = decided(told, joint, NOW + timedelta(minutes=number))
        seen += kinds(notices)
    assert seen == ["harder", "light_up"]  # 40 minutes away from what was told; 65 is 25 from there


@pytest.mark.parametrize(("state", "seen"), [("planned", "easier"), ("heating", None), ("in_progress", None)])
def test_whoever_has_lit_the_torch_does_not_hear_that_it_was_not_needed(state: JointState, seen: Kind | None) -> None:
    joint = stands(call="no_heat")
    joint = replace(joint, joint=replace(joint.joint, state=state))
    _, told = decided(knows("cold_steel_heat"), joint)
    assert kinds(decided(told, joint, LATER)[0]) == ([seen] if seen else [])


def test_after_the_light_up_it_is_too_late_for_easier_but_not_for_a_stop_that_is_over() -> None:
    lit = START - hours_of(2.0)
    for was, state, seen in (("go", "go", []), ("stop", "go", ["stop_over"])):
        told = knows("cold_steel_heat", was)  # type: ignore[arg-type]
        _, told = decided(told, stands(call="heat_to_minimum", state=state), lit)  # type: ignore[arg-type]
        settled = lit + timedelta(minutes=CHOICES.settle_minutes) - hours_of(0.5)
        assert decided(told, stands(call="heat_to_minimum"), settled)[0] == ()
        late = replace(stands(call="heat_to_minimum"), window_end_utc=START + hours_of(9.0))
        assert kinds(decided(told, late, settled + hours_of(0.5))[0]) == seen


@pytest.mark.parametrize(
    ("was", "was_c", "call", "is_c", "told_at_once", "told_later"),
    [
        ("cold_steel_heat", 20.0, "heat_to_minimum", 66.0, "harder", None),  # its parts got thicker
        ("heat_to_minimum", 66.0, "cold_steel_heat", 20.0, None, "easier"),
        ("heat_to_minimum", 66.0, "heat_to_minimum", 67.0, "harder", None),
        ("heat_to_minimum", 66.0, "heat_to_minimum", 66.9, None, None),
        ("heat_to_minimum", 66.0, "heat_to_minimum", 65.1, None, None),
        ("heat_to_minimum", 66.0, "heat_to_minimum", 65.0, None, "easier"),
        ("heat_to_minimum", 20.5, "cold_steel_heat", 20.0, "harder", None),  # the same: the call decides
        ("measure", 10.0, "measure", 66.0, "harder", None),
        ("measure", 66.0, "heat_to_minimum", 10.0, "harder", None),
        ("no_heat", None, "no_heat", 66.0, None, None),
        ("unknown", None, "unknown", 66.0, None, None),
        ("heat_to_minimum", None, "heat_to_minimum", 66.0, None, None),  # kept before minima were
    ],
)
def test_minima(
    was: HeatCall, was_c: float | None, call: HeatCall, is_c: float, told_at_once: Kind | None, told_later: Kind | None
) -> None:
    told = knows(was)
    told = replace(told, joints={"J1": replace(told.joints["J1"], minimum_c=was_c)})
    joint = replace(stands(call=call), minimum_c=is_c)
    notices, after = decided(told, joint)
    assert kinds(notices) == ([told_at_once] if told_at_once else [])
    if notices:
        (seen,) = only(notices).joints
        assert (seen.was_minimum_c, seen.minimum_c) == (was_c, is_c)
    assert kinds(decided(after, joint, LATER)[0]) == ([told_later] if told_later else [])


def test_a_minimum_that_was_not_kept_is_kept_from_then_on() -> None:
    _, told = decided(knows(), replace(stands(), minimum_c=66.0))
    assert kinds(decided(told, replace(stands(), minimum_c=107.0))[0]) == ["harder"]


def stopped(*spells_h: tuple[float, float], **fields: object) -> JointPlan:
    """Stops from and until so many hours after its start; it may take four."""
    spells = tuple(WeatherSpell(START + hours_of(a), START + hours_of(b), "stop", ()) for a, b in spells_h)
    joint = stands(state="stop")
    return replace(joint, joint=replace(joint.joint, **fields), weather_spells=spells)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("spells", "told_again"),
    [
        ([(2.0, 3.0)], False),
        ([(1.0, 3.0)], True),  # begins earlier
        ([(2.0, 4.0)], True),  # ends later
        ([(2.0, 3.0), (0.0, 1.0)], True),  # a second one
        ([(1.5, 3.5)], True),
        ([(1.1, 3.0)], False),
        ([(-1.0, 0.0), (2.0, 6.0)], True),
        ([(-1.0, 0.9), (2.0, 3.0)], False),  # outside the hours it may take nobody welds
        ([(2.0, 2.5), (2.5, 3.0)], False),  # for other rules
    ],
)
def test_a_stop_that_lasts_longer_than_told_is_told_again(spells: list[tuple[float, float]], told_again: bool) -> None:
    _, told = decided(knows(), stopped((2.0, 3.0)))
    notices, after = decided(told, stopped(*spells), NOW + hours_of(1.0))
    assert kinds(notices) == (["stop"] if told_again else [])
    if told_again:
        assert only(notices).joints[0].stops == after.joints["J1"].stops
    assert decided(after, stopped((2.0, 3.0)), NOW + hours_of(2.0))[0] == ()  # shorter again: it stops all the same


def test_a_stop_that_creeps_in_is_told_again_whatever_else_is_told_meanwhile() -> None:
    _, told = decided(knows(), stopped((2.0, 3.0)))
    notices, told = decided(told, replace(stopped((1.5, 3.0)), call="unknown"))
    assert kinds(notices) == ["harder"]
    assert kinds(decided(told, replace(stopped((1.0, 3.0)), call="unknown"))[0]) == ["stop"]


def test_hours_of_a_stop_that_are_over_are_not_told_and_unkept_ones_are_kept() -> None:
    _, told = decided(knows(), stopped((3.0, 4.0)))
    assert decided(told, stopped((0.0, 1.9), (3.0, 4.0), state="in_progress"), START + hours_of(1.0))[0] == ()
    _, told = decided(knows(state="stop"), stopped((2.0, 3.0)))  # kept before spells were
    assert kinds(decided(told, stopped((1.0, 3.0)))[0]) == ["stop"]


# Light-up -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lit_h", "told_at_once", "told_later"),
    [
        (2.0, None, None),
        (2.49, None, None),
        (2.5, "light_up", None),
        (1.51, None, None),
        (1.5, None, "light_up"),
        (None, None, "light_up"),  # nobody can say any more when
    ],
)
def test_light_up(lit_h: float | None, told_at_once: Kind | None, told_later: Kind | None) -> None:
    notices, after = decided(knows(), stands(lit_h=lit_h))
    assert kinds(notices) == ([told_at_once] if told_at_once else [])
    assert kinds(decided(after, stands(lit_h=lit_h), LATER)[0]) == ([told_later] if told_later else [])


def test_a_shift_that_was_told_is_told_again_where_a_light_up_is_clearly_earlier() -> None:
    notices, told = decided(Told(), stands(), START - hours_of(14.0))
    assert [(one.kind, one.urgency) for one in notices[0].events] == [("shift", "soon")]
    assert decided(told, stands(lit_h=2.4), START - hours_of(13.0))[0] == ()
    event = only(decided(told, stands(lit_h=4.0), START - hours_of(13.0))[0])
    assert (event.kind, event.urgency, event.by_utc) == ("light_up", "soon", START - hours_of(4.0))
    assert event.joints[0].was_light_up_utc == START - hours_of(2.0)
    assert only(decided(told, stands(lit_h=4.0), START - hours_of(6.5))[0]).urgency == "now"


def test_a_light_up_that_nobody_can_say_any_more_is_told_at_once_when_it_is_near() -> None:
    lit = START - hours_of(2.0)
    assert decided(knows(), stands(lit_h=None), lit - hours_of(3.1))[0] == ()
    event = only(decided(knows(), stands(lit_h=None), lit - hours_of(3.0))[0])
    assert (event.kind, event.urgency, event.by_utc) == ("light_up", "now", lit)


def test_a_light_up_that_comes_and_goes_is_told_once() -> None:
    told, seen = knows(lit_utc=None), []
    for number, lit_h in enumerate((2.0, None, 2.1, None, 1.9)):
        notices, told = decided(told, stands(lit_h=lit_h), NOW + hours_of(number))
        seen += kinds(notices)
    assert seen == ["light_up"]


@pytest.mark.parametrize(
    ("later_h", "lit_h", "before_h", "told"),
    [
        (6.0, 2.0, 8.0, "soon"),
        (6.0, 2.0, 2.5, "now"),  # within three hours a torch would be lit for nothing
        (0.5, 2.0, 2.5, "now"),
        (0.4, 2.0, 2.5, None),
        (6.0, 2.0, 0.0, None),  # it burns
        (0.0, 1.0, 2.5, None),  # later by the weather
        (6.0, None, 2.5, "now"),
    ],
)
@pytest.mark.parametrize("night", [False, True])
def test_a_joint_that_people_put_off_is_told_before_the_torch_is_lit(
    later_h: float, lit_h: float | None, before_h: float, told: str | None, night: bool
) -> None:
    lit = START - hours_of(2.0)
    _, known = decided(Told(), stands(), START - hours_of(14.0))
    moved = stands(lit_h=lit_h, start_utc=START + hours_of(later_h))
    if night and later_h:
        moved = replace(moved, shift_key="2026-01-12 night")
    far = replace(CHOICES, shift_ahead_hours=0.0)
    notices, _ = decided(known, moved, lit - hours_of(before_h), choices=far)
    assert [(one.urgency, kinds([one])) for one in notices if "light_up" in kinds([one])] == (
        [(told, ["light_up"])] if told else []
    )
    if told:
        event = only(notices)
        assert (event.by_utc, event.joints[0].was_start_utc) == (lit, START)


def test_a_start_that_was_not_kept_is_kept_from_then_on() -> None:
    _, told = decided(knows(), stands())
    assert kinds(decided(told, stands(start_utc=START + hours_of(2.0)))[0]) == ["light_up"]
    assert decided(knows(), stands(start_utc=START + hours_of(2.0)))[0] == ()


def test_a_later_light_up_wakes_nobody() -> None:
    _, after = decided(knows(lit_utc=LATER + hours_of(1.0)), stands())
    event = only(decided(after, stands(), LATER)[0])
    assert (event.kind, event.urgency, event.by_utc) == ("light_up", "plain", None)


def test_a_light_up_that_people_were_not_told_moves_unsaid() -> None:
    notices, after = decided(knows(told=False, shift_told=False), stands(lit_h=4.0), START - hours_of(23.0))
    assert notices == ()
    assert after.joints["J1"].light_up_utc == START - hours_of(4.0)


# Urgency --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before_light_up_h", "urgency"), [(3.1, "soon"), (3.0, "now"), (0.5, "now"), (-0.5, "now"), (12.0, "soon")]
)
def test_what_has_to_be_done_within_three_hours_cannot_wait(before_light_up_h: float, urgency: str) -> None:
    lit = START - hours_of(2.0)
    event = only(decided(knows("no_heat"), stands(), lit - hours_of(before_light_up_h))[0])
    assert (event.kind, event.urgency, event.by_utc) == ("harder", urgency, lit)


def test_a_stop_that_begins_while_a_joint_is_welded_is_acted_on_when_it_begins() -> None:
    joint = stands(state="stop")
    begins = START + hours_of(1.0)
    joint = replace(joint, weather_spells=tuple(replace(one, start_utc=begins) for one in joint.weather_spells))
    event = only(decided(knows(), joint, START - hours_of(2.5))[0])
    assert (event.kind, event.by_utc, event.urgency) == ("stop", begins, "soon")
    assert (event.joints[0].stop_from_utc, event.joints[0].stop_until_utc) == (begins, START + hours_of(4.0))


# Horizon and shifts ---------------------------------------------------------------------------------------------------


def test_a_joint_comes_into_sight_unsaid() -> None:
    far = decided(Told(), stands(), START - hours_of(24.1))
    assert far == ((), Told())
    notices, after = decided(Told(), stands(), START - hours_of(24.0))
    assert notices == ()
    lit = START - hours_of(2.0)
    assert after.joints["J1"] == ToldJoint(
        "heat_to_minimum", "go", lit, None, False, GROUP, stands().minimum_c, start_utc=START
    )


def test_a_stop_is_told_when_it_comes_into_sight() -> None:
    assert kinds(decided(Told(), stands(state="stop"), START - hours_of(24.0))[0]) == ["stop"]
    assert decided(Told(), stands(state="stop"), START - hours_of(24.1))[0] == ()


def test_harder_than_it_stood_in_the_plan_is_told_without_a_before() -> None:
    early = START - hours_of(22.0)
    event = only(decided(knows("no_heat", told=False, shift_told=False), stands(), early)[0])
    assert (event.kind, event.joints[0].was_call, event.joints[0].was_light_up_utc) == ("harder", None, None)


def test_a_shift_is_told_once_ahead_of_it() -> None:
    begins = NOW + hours_of(6.0)
    joints = [stands("J1"), stands("J2", "no_heat"), stands("J3", "measure", lit_h=3.0)]
    assert decided(Told(), joints, begins - hours_of(14.1))[0] == ()
    notices, after = decided(Told(), joints, begins - hours_of(14.0))
    (notice,) = notices
    (event,) = notice.events
    assert (event.kind, event.urgency, event.by_utc) == ("shift", "soon", START - hours_of(3.0))
    assert [one.mark for one in event.joints] == ["J3", "J1", "J2"]  # by light-up
    assert [one.was_call for one in event.joints] == [None] * 3
    assert (notice.crew, notice.shift_key, notice.shift_name) == ("Anvil", DAY_SHIFT, "day")
    assert (notice.shift_start_utc, notice.shift_end_utc) == (begins, begins + hours_of(12.0))
    assert all(one.told for one in after.joints.values())
    assert after.shifts == (GROUP,)


def test_a_shift_whose_heating_begins_long_before_it_is_told_ahead_of_that() -> None:
    begins = NOW + hours_of(6.0)
    joints = [stands("J1"), stands("J2", lit_h=5.0, start_utc=begins + hours_of(0.5))]
    lit = begins - hours_of(4.5)
    assert kinds(decided(Told(), joints, lit - hours_of(14.1))[0]) == []
    assert kinds(decided(Told(), joints, lit - hours_of(14.0))[0]) == ["shift"]


def test_a_shift_is_told_while_it_lasts_and_not_after() -> None:
    ends = NOW + hours_of(18.0)
    late = stands(start_utc=ends - hours_of(1.0))
    assert kinds(decided(Told(), late, ends - timedelta(minutes=1))[0]) == ["shift"]
    assert "shift" not in kinds(decided(Told(), late, ends)[0])


def test_forty_joints_are_one_notice_for_each_crew_and_shift() -> None:
    joints = [stands(f"J{n:02}", crew=("Anvil", "Bellows")[n % 2]) for n in range(40)]
    notices, _ = decided(Told(), joints)
    assert [(one.crew, len(one.events), len(one.events[0].joints)) for one in notices] == [
        ("Anvil", 1, 20),
        ("Bellows", 1, 20),
    ]


@pytest.mark.parametrize(
    ("call", "state", "kind"),
    [
        ("no_heat", "go", None),
        ("measure", "go", "harder"),
        ("unknown", "go", "harder"),
        ("no_heat", "dry_first", "harder"),
        ("no_heat", "stop", "stop"),
    ],
)
def test_a_joint_that_comes_into_a_shift_that_was_told(call: HeatCall, state: WeatherState, kind: Kind | None) -> None:
    notices, after = decided(Told(shifts=(GROUP,)), stands("new", call, state))
    assert kinds(notices) == ([kind] if kind else [])
    assert after.joints["new"].told is bool(kind)


def test_a_joint_that_moves_to_another_crew_is_news_to_it() -> None:
    both = (GROUP, f"Bellows|{DAY_SHIFT}")
    told = replace(knows(), shifts=both)
    notices, _ = decided(told, stands(crew="Bellows"))
    (event,) = next(one for one in notices if one.crew == "Bellows").events
    assert (event.kind, event.joints[0].mark, event.joints[0].crew) == ("harder", "J1", "Bellows")


@pytest.mark.parametrize("freshness", ["fresh", "unusable"])
def test_a_crew_hears_once_that_a_joint_is_no_longer_its_own(freshness: Freshness) -> None:
    moved = plan_of(stands(crew="Bellows"), stands("J2"), freshness=freshness)
    known = replace(knows(), forecast=freshness, late_told_utc=NOW)
    notices, after = decided(known, moved)
    notice = next(one for one in notices if one.crew == "Anvil" and "other_crew" in kinds([one]))
    event = next(one for one in notice.events if one.kind == "other_crew")
    assert (notice.shift_key, event.urgency, event.by_utc) == (DAY_SHIFT, "soon", START - hours_of(2.0))
    assert [(one.mark, one.was_crew, one.crew) for one in event.joints] == [("J1", "Anvil", "Bellows")]
    assert event.joints[0].was_light_up_utc == START - hours_of(2.0)
    again = decided(after, plan_of(stands(crew="Bellows"), stands("J2"), freshness=freshness), NOW + hours_of(1.0))
    assert "other_crew" not in kinds(again[0])
    back = decided(replace(after, shifts=(GROUP,)), plan_of(stands(), stands("J2")), NOW + hours_of(1.0))
    assert "J1" in {one.mark for told in back[0] if told.crew == "Anvil" for one in told.events[0].joints}


@pytest.mark.parametrize(
    ("before_light_up_h", "call", "state", "urgency"),
    [
        (4.0, "heat_to_minimum", "planned", "soon"),
        (3.0, "heat_to_minimum", "planned", "now"),
        (-1.0, "heat_to_minimum", "planned", "now"),  # a torch may burn that nobody is at any more
        (-1.0, "heat_to_minimum", "heating", "plain"),  # whoever is at it knows
        (-2.5, "heat_to_minimum", "planned", "plain"),  # its time is over
        (3.0, "no_heat", "planned", "plain"),
    ],
)
def test_a_joint_that_goes_to_another_crew_cannot_wait_where_a_torch_would_be_lit(
    before_light_up_h: float, call: HeatCall, state: JointState, urgency: str
) -> None:
    _, told = decided(Told(), stands(call=call), START - hours_of(14.0))
    now = START - hours_of(2.0 + before_light_up_h)
    moved = stands(call=call, crew="Bellows")
    notices, _ = decided(told, replace(moved, joint=replace(moved.joint, state=state)), now)
    event = next(event for one in notices for event in one.events if event.kind == "other_crew")
    assert event.urgency == urgency


@pytest.mark.parametrize(
    "known",
    [
        knows(told=False),  # it stood in the plan, and nobody was told
        replace(knows(), joints={"J1": replace(knows().joints["J1"], group=f"|{DAY_SHIFT}")}),  # it had no crew
        replace(knows(), joints={"J1": replace(knows().joints["J1"], group="")}),  # not kept
    ],
)
def test_who_was_told_of_no_joint_of_his_does_not_hear_that_it_went(known: Told) -> None:
    assert "other_crew" not in kinds(decided(known, stands(crew="Bellows"))[0])
    moved_shift = stands(shift_key="2026-01-12 night", start_utc=START + hours_of(7.0))
    assert "other_crew" not in kinds(decided(knows(), moved_shift)[0])


@pytest.mark.parametrize(
    ("crew", "shift"), [("a|b", DAY_SHIFT), ("Anvil", "2026-01-12 day|late"), ("Anvil", None), ("a|b", None)]
)
def test_a_crew_and_a_shift_with_a_bar_in_their_names(crew: str, shift: str | None) -> None:
    known = replace(knows().joints["J1"], group=group_key(crew, shift))
    notices, _ = decided(Told({"J1": known}), stands(crew="Bellows", shift_key=shift))
    assert [(one.crew, one.shift_key) for one in notices if "other_crew" in kinds([one])] == [(crew, shift)]


def test_joints_outside_every_shift_are_told_like_a_shift() -> None:
    joints = [stands("J1", shift_key=None), stands("J2", shift_key=None, start_utc=START + hours_of(6.0))]
    notices, told = decided(Told(), joints, START - hours_of(15.0))
    assert notices == ()
    notices, told = decided(told, joints, START - hours_of(14.0))
    assert [one.mark for one in only(notices).joints] == ["J1"]
    notices, told = decided(told, joints, START - hours_of(8.0))
    assert [one.mark for one in only(notices).joints] == ["J2"]
    assert kinds(decided(told, [stands("J1", "unknown", shift_key=None), joints[1]], START)[0]) == ["harder"]


def test_done_postponed_and_gone_joints_leave() -> None:
    notices, after = decided(knows(), [])
    assert notices == ()
    assert after.joints == {}
    assert after.shifts == (GROUP,)  # what comes back into the shift is new to it


def test_past_its_end_nothing_is_told_of_a_joint() -> None:
    end = START + hours_of(4.0)
    assert kinds(decided(knows("no_heat"), stands(call="unknown"), end - timedelta(minutes=1))[0]) == ["harder"]
    assert decided(knows("no_heat"), stands(call="unknown"), end)[0] == ()


@pytest.mark.parametrize("state", ["heating", "in_progress"])
def test_a_joint_that_is_worked_on_is_never_past(state: JointState) -> None:
    joint = stands(call="unknown", state="unknown")
    joint = replace(joint, joint=replace(joint.joint, state=state))
    late = joint.window_end_utc + hours_of(3.0)
    notices, told = decided(knows(), joint, late)
    assert kinds(notices) == ["harder"]
    stop = replace(joint, weather_state="stop")
    assert kinds(decided(told, stop, late + hours_of(1.0))[0]) == ["stop"]


def test_what_was_told_of_shifts_is_forgotten_days_later() -> None:
    front = FrontSeen(NOW, NOW + hours_of(3.0), 3.0, -7.0, 4.0)
    told = Told(fronts={GROUP: front}, shifts=(GROUP,), together={f"{DAY_SHIFT}|bottle": 3})
    assert decided(told, [], NOW + hours_of(71.0))[1] == told
    assert decided(told, [], NOW + hours_of(72.0))[1] == Told()
    # Outside every shift a front is kept while there is a joint.
    outside = Told(fronts={"Anvil|": front, "Bellows|": front})
    assert set(decided(outside, stands(shift_key=None), NOW - hours_of(90.0))[1].fronts) == {"Anvil|"}


# Fronts ---------------------------------------------------------------------------------------------------------------


def with_front(at_h: float = 20.0, to_c: float = -11.0, from_c: float = 3.0) -> Hours:
    """A fall within four hours, so many hours after the first hour of the weather; `NOW` is 48 h after it."""
    hour = np.arange(96, dtype=float)
    return hours(from_c - (from_c - to_c) * np.clip((hour - 48.0 - at_h) / 4.0, 0.0, 1.0))


TOMORROW = START + hours_of(24.0)
TOMORROW_DAY = "2026-01-13 day"


def cold(mark: str = "J1", call: HeatCall = "cold_steel_heat", **fields: object) -> object:
    return stands(mark, call, air_c=-11.0, start_utc=TOMORROW, shift_key=TOMORROW_DAY, **fields)  # type: ignore[arg-type]


def test_a_front_is_told_once_to_each_crew_and_shift_with_the_joints_it_makes_harder() -> None:
    # 25 mm of category B need 10 °C, so that 3 °C before the front asks for heat too; below 0 °C the raised minimum.
    joints = [cold("J1"), cold("J2", "heat_to_minimum"), cold("J3", crew="Bellows")]
    notices, after = decided(Told(), joints, hours=with_front())  # type: ignore[arg-type]
    assert [(one.crew, one.shift_key) for one in notices] == [("Anvil", TOMORROW_DAY), ("Bellows", TOMORROW_DAY)]
    (event,) = notices[0].events
    assert (event.kind, event.urgency) == ("front", "soon")
    assert [one.mark for one in event.joints] == ["J1"]
    assert event.front == FrontSeen(NOW + hours_of(20.0), NOW + hours_of(24.0), 3.0, -11.0, 3.5)
    assert after.joints["J1"].told
    assert "J2" not in after.joints  # 36 hours ahead, and not the front's
    assert decided(after, joints, NOW + hours_of(1.0), hours=with_front())[0] == ()  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("at_h", "to_c", "told_again"),
    [(20.0, -11.0, False), (18.0, -11.0, False), (17.0, -11.0, True), (23.0, -11.0, False)]
    + [(20.0, -14.0, False), (20.0, -15.0, True), (20.0, -8.0, False)],
)
def test_a_front_is_told_again_only_earlier_or_deeper(at_h: float, to_c: float, told_again: bool) -> None:
    _, told = decided(Told(), cold(), hours=with_front())  # type: ignore[arg-type]
    notices, _ = decided(told, cold(), hours=with_front(at_h, to_c))  # type: ignore[arg-type]
    assert kinds(notices) == (["front"] if told_again else [])


def test_of_two_fronts_the_one_that_comes_and_goes_is_told_once() -> None:
    first, both = with_front(14.0, -6.0).air_c, with_front(26.0, -11.0).air_c
    second = hours(both)
    two = hours(np.where(np.arange(96) < 48 + 22, first, both))
    _, told = decided(Told(), cold(), hours=two)  # type: ignore[arg-type]
    for number, of in enumerate((second, two, second, two)):
        notices, told = decided(told, cold(), NOW + hours_of(number), hours=of)  # type: ignore[arg-type]
        assert notices == ()


def test_without_a_changed_call_there_is_no_front() -> None:
    no_change = [cold("J1", "heat_to_minimum"), cold("J2", "no_heat"), cold("J3", "unknown")]
    assert decided(Told(), no_change, hours=with_front())[0] == ()  # type: ignore[arg-type]
    # Warm again by then, or over before the air falls.
    warm = stands(call="cold_steel_heat", air_c=2.0, start_utc=TOMORROW, shift_key=TOMORROW_DAY)
    assert decided(Told(), warm, hours=with_front())[0] == ()
    early = stands(call="cold_steel_heat", air_c=-11.0)
    assert "front" not in kinds(decided(Told(), early, hours=with_front())[0])


def test_a_front_beyond_its_horizon_or_without_hours_is_not_told() -> None:
    assert decided(Told(), cold(), NOW - hours_of(0.1), hours=with_front())[0] == ()  # type: ignore[arg-type]
    assert decided(Told(), cold())[0] == ()  # type: ignore[arg-type]


def test_a_front_that_people_have_the_calls_of_already_is_not_news() -> None:
    key = f"Anvil|{TOMORROW_DAY}"
    told = Told({"J1": ToldJoint("cold_steel_heat", "go", TOMORROW - hours_of(2.0), None, True, key)}, shifts=(key,))
    notices, after = decided(told, cold(), hours=with_front())  # type: ignore[arg-type]
    assert notices == ()
    assert after.fronts[key].to_c == -11.0
    softer = replace(told, joints={"J1": replace(told.joints["J1"], call="heat_to_minimum")})
    assert kinds(decided(softer, cold(), hours=with_front())[0]) == ["front"]  # type: ignore[arg-type]


def test_what_a_front_explains_is_not_told_as_harder_too() -> None:
    key = f"Anvil|{TOMORROW_DAY}"
    before = {mark: ToldJoint("no_heat", "go", None, None, True, key) for mark in ("J1", "J2", "J3")}
    joints = [cold("J1"), cold("J2", "heat_to_minimum"), cold("J3", state="stop")]
    notices, _ = decided(Told(before, shifts=(key,)), joints, hours=with_front())  # type: ignore[arg-type]
    assert [(one.kind, [joint.mark for joint in one.joints]) for one in notices[0].events] == [
        ("stop", ["J3"]),
        ("front", ["J1"]),
        ("harder", ["J2"]),
    ]


# Warnings of the service ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("onset", "ends", "attached"),
    [
        (None, None, True),
        (NOW, NOW + hours_of(6.0), False),  # over as the shift begins
        (NOW, NOW + hours_of(6.1), True),
        (NOW + hours_of(17.9), None, True),
        (NOW + hours_of(18.0), None, False),
    ],
)
def test_official_warnings_stand_beside_what_they_overlap(
    onset: datetime | None, ends: datetime | None, attached: bool
) -> None:
    warning = AlertSeen("Cold Weather Advisory until noon", onset, ends)
    event = only(decided(knows("no_heat"), stands(), alerts=[warning, warning])[0])
    assert event.alerts == (("Cold Weather Advisory until noon",) if attached else ())


def test_a_warning_sends_nothing_by_itself() -> None:
    assert decided(knows(), stands(), alerts=[AlertSeen("Wind Advisory")])[0] == ()


# Keys -----------------------------------------------------------------------------------------------------------------


def test_the_same_news_has_the_same_key_whenever_it_is_decided() -> None:
    def key(now: datetime, *joints: object, told: Told | None = None) -> str:
        (notice,) = decided(told or knows("no_heat"), joints, now)[0]  # type: ignore[arg-type]
        return notice.key

    same = key(NOW, stands())
    assert key(NOW + hours_of(1.0), stands()) == same
    assert key(NOW, stands(lit_h=2.05)) == same
    assert key(NOW, stands(call="cold_steel_heat")) != same
    assert key(NOW, replace(stands(), minimum_c=107.0)) != same
    assert key(NOW, stands(state="dry_first")) != same
    assert key(NOW, stands(lit_h=3.0)) != same
    # The same news a second time, after it was easier: people have to hear of it again.
    assert key(NOW, stands(), told=replace(knows("no_heat"), number=2)) != same


def test_what_was_harder_easier_and_harder_again_has_three_keys() -> None:
    told, keys = knows("no_heat"), []
    for now, call in ((NOW, "heat_to_minimum"), (NOW, "no_heat"), (LATER, "no_heat"), (LATER, "heat_to_minimum")):
        notices, told = decided(told, stands(call=call), now)  # type: ignore[arg-type]
        keys += [one.key for one in notices]
    assert len(keys) == len(set(keys)) == 3
    assert told.number == 3


def test_the_first_hour_of_the_weather_is_two_days_before() -> None:
    assert NOW - hours_of(48.0) == FIRST  # `with_front` counts on it
    assert plan_of().site.zone == "UTC"
