"""What changed since the last sheet, in sentences: what a superintendent reads first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from frostshift_rules.job import JointState, Site
from frostshift_rules.plan_changes import (
    JointChange,
    JointChangeKind,
    PlanChanges,
    ShiftChange,
    plan_changes,
    touching,
)
from frostshift_rules.sentences import capital
from frostshift_rules.workload import JointPlan, Plan, ShiftTotal
from frostshift_service.views.show import Moment, Show, duration, plural
from frostshift_service.views.words import CALLS, STATES, WEATHER

LAST_SHEET: Final = timedelta(hours=4)
"""The last sheet is the newest plan that somebody saw and that is older than this: what was looked at a moment ago is
this sheet still. Our choice: half a shift."""
FIRST_SHEET: Final = "Nobody has seen an earlier sheet that is still kept: there is nothing to compare with."
_WEIGHT: Final[tuple[JointChangeKind, ...]] = (
    "call", "minimum", "maximum", "weather", "new", "start", "light_up", "minutes", "crew", "gone",
)  # fmt: skip
"""What weighs most is said first."""


@dataclass(frozen=True, slots=True)
class ChangedJoint:
    """One joint: which of its figures changed, and the sentence. `there`: it is on the plan now."""

    mark: str
    kinds: tuple[JointChangeKind, ...]
    text: str
    there: bool


@dataclass(frozen=True, slots=True)
class SheetChanges:
    """What is not as it was on the last sheet.

    Attributes:
        since: when the plan of the last sheet was made; None: there is no earlier one.
        title: `Since the sheet of Wed 17:40`.
        shifts: sentences on the totals of the shifts shown.
        joints: that lie in the shifts shown or lay in them, the weightiest first.
        elsewhere: number of changed joints of all other shifts.
        text: in one sentence.
    """

    since: Moment | None
    title: str
    shifts: tuple[str, ...]
    joints: tuple[ChangedJoint, ...]
    elsewhere: int
    text: str


def sheet_changes(
    before: Plan | None, after: Plan, keys: frozenset[str | None], states: Mapping[str, JointState], show: Show
) -> SheetChanges:
    """The changes of the shifts of these keys.

    Args:
        before: plan of the last sheet; None: there is none.
        after: plan of this one.
        keys: of the shifts shown; None among them stands for joints outside every shift.
        states: of joints that are no longer on the plan, by mark, as far as they are known.
        show: units and zone.
    """
    if before is None:
        return SheetChanges(None, "No earlier sheet", (), (), 0, FIRST_SHEET)
    found = plan_changes(before, after)
    near, elsewhere = touching(found, keys)
    joints = tuple(_joint(one, states, show) for one in sorted(near, key=_weight))
    shifts = tuple(_shift(one, after.site, show) for one in found.shifts if one.key in keys)
    since = show.moment(found.before_utc, detail="weekday" if _recent(found) else "date")
    said = f"{plural(len(joints), 'joint')} changed" if joints else "No joint changed"
    more = f"; {plural(elsewhere, 'other joint')} in other shifts" if elsewhere else ""
    return SheetChanges(since, f"Since the sheet of {since.text}", shifts, joints, elsewhere, f"{said}{more}.")


def gone_marks(before: Plan | None, after: Plan) -> list[str]:
    """Marks that are no longer on the plan: what became of them only the store knows."""
    there = {one.joint.mark for one in after.joints}
    return [one.joint.mark for one in (before.joints if before is not None else ()) if one.joint.mark not in there]


def _recent(found: PlanChanges) -> bool:
    return found.after_utc - found.before_utc < timedelta(days=6)


def _weight(change: JointChange) -> tuple[int, str]:
    return min(_WEIGHT.index(kind) for kind in change.kinds), change.mark


def _joint(change: JointChange, states: Mapping[str, JointState], show: Show) -> ChangedJoint:
    before, after = change.before, change.after
    if after is None:
        state = states.get(change.mark)
        said = "no longer on the schedule" if state is None else f"{STATES[state]}, so it is not planned"
        return ChangedJoint(change.mark, change.kinds, f"{said}.", False)
    if before is None:
        call = CALLS[after.call].text
        return ChangedJoint(
            change.mark, change.kinds, f"new: start {show.moment(after.joint.start_utc).text}, {call}.", True
        )
    parts = [_SAID[kind](before, after, show) for kind in change.kinds]
    return ChangedJoint(change.mark, change.kinds, "; ".join(parts) + ".", True)


def _call(before: JointPlan, after: JointPlan, _: Show) -> str:
    why = after.unknowns[0] if after.call == "unknown" and after.unknowns else ""
    was, now = CALLS[before.call].text, CALLS[after.call].text
    return f"{now}, was {was}" + (f" ({why.rstrip('.')})" if why else "")


def _minimum(before: JointPlan, after: JointPlan, show: Show) -> str:
    was, now = ("unknown" if one.minimum_c is None else show.temp_text(one.minimum_c, "up") for one in (before, after))
    return f"minimum {now}, was {was}"


def _maximum(before: JointPlan, after: JointPlan, show: Show) -> str:
    was, now = before.requirement.maximum_c, after.requirement.maximum_c
    if now is None:
        assert was is not None
        return f"no maximum any more, was {show.temp_text(was, 'down')}"
    if was is None:
        return f"maximum {show.temp_text(now, 'down')}, there was none"
    word = "lowered" if now < was else "raised"
    return f"maximum {word} to {show.temp_text(now, 'down')}, was {show.temp_text(was, 'down')}"


def _weather(before: JointPlan, after: JointPlan, _: Show) -> str:
    return f"weather {WEATHER[after.weather_state].text}, was {WEATHER[before.weather_state].text}"


def _start(before: JointPlan, after: JointPlan, show: Show) -> str:
    if before.joint.start_utc == after.joint.start_utc:
        return f"now in {after.shift_key or 'no shift'}, was in {before.shift_key or 'none'}"
    return f"start {show.moment(after.joint.start_utc).text}, was {show.moment(before.joint.start_utc).text}"


def _light_up(before: JointPlan, after: JointPlan, show: Show) -> str:
    was, now = (None if one.heat is None else one.heat.light_up_utc for one in (before, after))
    if now is None:
        return "no light-up any more" if was is None else f"no light-up any more, was {show.moment(was).text}"
    if was is None:
        return f"light up {show.moment(now).text}, there was none"
    minutes = (now - was) / timedelta(minutes=1)
    return f"light up {show.moment(now).text}, {duration(abs(minutes))} {'later' if minutes > 0 else 'earlier'}"


def _minutes(before: JointPlan, after: JointPlan, show: Show) -> str:
    was, now = (one.heat.minutes if one.heat else None for one in (before, after))
    assert was is not None
    assert now is not None
    return f"heating {show.minutes(now).short}, was {show.minutes(was).short}"


def _crew(before: JointPlan, after: JointPlan, _: Show) -> str:
    return f"crew {after.joint.crew or 'not said'}, was {before.joint.crew or 'not said'}"


_SAID: Final = {
    "call": _call,
    "minimum": _minimum,
    "maximum": _maximum,
    "weather": _weather,
    "start": _start,
    "light_up": _light_up,
    "minutes": _minutes,
    "crew": _crew,
}


def _shift(change: ShiftChange, site: Site, show: Show) -> str:
    before, after = change.before, change.after
    parts = []
    if "joints" in change.kinds:
        parts.append(f"{plural(after.joints, 'joint')}, was {before.joints}")
    if "unknown" in change.kinds:
        parts.append(f"{after.unknown} without a sure amount, was {before.unknown}")
    if "torches" in change.kinds:
        parts.append(_torches(before, after))
    if "hands" in change.kinds:
        parts.append(f"{plural(after.hands, 'person', 'people')} to hold torches, was {before.hands}")
    if "fuel" in change.kinds:
        parts += _fuels(before, after, site, show)
    if "people" in change.kinds:
        assert before.people is not None
        assert after.people is not None
        words = {"schedule": "breaks by the warm-up schedule", "normal_breaks": "normal breaks", "stop": "stop"}
        was, now = (words.get(one.people.warm_up.state, "not known") for one in (before, after) if one.people)
        parts.append(f"cold for people: {now}, was {was}")
    return f"{capital(after.name)} {show.moment(after.start_utc).text}: {'; '.join(parts)}."


def _torches(before: ShiftTotal, after: ShiftTotal) -> str:
    said = []
    if before.torches_at_once != after.torches_at_once:
        said.append(f"{plural(after.torches_at_once, 'torch', 'torches')} at once, was {before.torches_at_once}")
    if before.torches_there != after.torches_there:
        said.append(f"{after.torches_there} on the site, was {before.torches_there}")
    return ", ".join(said)


def _fuels(before: ShiftTotal, after: ShiftTotal, site: Site, show: Show) -> list[str]:
    """Each source whose high end is not what it was, as far as a heading of fuel can say it."""
    was, now = ({one.source_id: one.fuel_kg for one in shift.fuels} for shift in (before, after))
    said = []
    for name in sorted(was.keys() | now.keys()):
        source = site.heat_source(name)
        title = name if source is None else source.name
        one, other = (show.mass(of[name]).short if name in of else "none" for of in (now, was))
        if one != other:
            said.append(f"{title} {one}, was {other}")
    return said
