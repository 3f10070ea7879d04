"""Taking moves of an order of work: what has to be taken with them, and whether they still hold.

A move is taken where its joint still is what it was, no joint that it waits for, or that waits for it, is in its way,
and the newest forecast and readings still let it be told. Anything else refuses all of them, by name.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from frostshift_rules.job import Joint
from frostshift_rules.order_moves import Move
from frostshift_rules.order_of_work import AGAINST_WORDS
from frostshift_rules.order_together import Together
from frostshift_rules.order_uses import InUse, Use, fullest_moment
from frostshift_rules.plan import is_open
from frostshift_rules.start_hours import JointStarts, against
from frostshift_rules.work_setup import WorkSetup
from frostshift_service.schedule_form import bulk_edit
from frostshift_service.store.records import JointEdit, KeptAdvice, KeptJoint


def goes_along(kept: KeptAdvice, marks: Collection[str]) -> tuple[str, ...]:
    """Marks of the moves that have to be taken with some, so that nothing is broken that is whole now."""
    moved = {move.mark: move.place for move in kept.advice.moves}
    return Together(kept.problem, moved, kept.uses_now, kept.uses_then).with_them(marks)


def in_the_way(
    kept: KeptAdvice, marks: Collection[str], joints: Mapping[str, KeptJoint], work: WorkSetup
) -> dict[str, tuple[str, ...]]:
    """Moves whose crew could not weld one more joint at their new start, each with the joints it welds at that moment.

    All joints of the crew count, also those that run over from another shift, as where the order of work gave the moves
    their starts.

    Args:
        kept: the order of work.
        marks: of the moves that are to be taken.
        joints: all of the site as they are now, by mark.
        work: the crews as they are set up now.
    """
    taken = {move.mark: move for move in kept.advice.moves if move.mark in marks}

    def use(mark: str, name: str, start_utc: datetime, hours: float) -> Use:
        crew = work.crew(name)
        at_once = 1 if crew is None else crew.at_once
        return Use(mark, "crew", name.casefold(), start_utc, start_utc + timedelta(hours=hours), 1, at_once)

    uses = {
        one.joint.mark: use(one.joint.mark, move.crew_after, move.after.start_utc, one.joint.hours)
        if (move := taken.get(one.joint.mark)) is not None
        else use(one.joint.mark, one.joint.crew, one.joint.start_utc, one.joint.hours)
        for one in joints.values()
        if one.present and is_open(one.joint)
    }
    in_use = InUse(uses.values())
    full = {}
    for mark in taken:
        mine = uses.get(mark)
        if mine is not None and not in_use.has_room(mine):
            full[mark] = tuple(other.mark for other in fullest_moment(in_use.beside(mine), mine))
    return full


def refusals(
    kept: KeptAdvice,
    marks: Collection[str],
    joints: Mapping[str, KeptJoint],
    found: Mapping[str, JointStarts],
    work: WorkSetup,
    now: datetime,
) -> list[tuple[str, str]]:
    """Marks whose moves cannot be taken, each with the reason.

    Args:
        kept: the order of work.
        marks: of the moves that are to be taken.
        joints: all of the site as they are now, by mark.
        found: what is known of the marks at their new starts by the newest forecast.
        work: the crews as they are set up now.
        now: aware UTC.
    """
    moves = [move for move in kept.advice.moves if move.mark in marks]
    refused: dict[str, str] = {}
    for move in moves:
        why = _changed(kept, move, joints.get(move.mark)) or _against(move, found.get(move.mark), now)
        if not why and work.crew(move.crew_after) is None:
            why = f"crew {move.crew_after} is not set up any more"
        if why:
            refused[move.mark] = why
    if not refused:
        refused = dict(_out_of_turn(moves, [one.joint for one in joints.values() if one.present]))
    if not refused:
        for mark, others in in_the_way(kept, marks, joints, work).items():
            refused[mark] = f"its crew welds {', '.join(others)} at its new start, and can weld no more at once"
    return list(refused.items())


def _changed(kept: KeptAdvice, move: Move, now: KeptJoint | None) -> str:
    if now is None or not now.present:
        return "it is no longer in the schedule"
    joint = now.joint
    if joint.state != "planned":
        return f"it is {joint.state.replace('_', ' ')} by now"
    if joint.start_utc != move.before.start_utc:
        return "its start was changed since"
    if joint.crew.casefold() != move.crew_before.casefold():
        return "its crew was changed since"
    return "" if kept.seen[move.mark] == now.fingerprint else "it was changed since"


def _against(move: Move, found: JointStarts | None, now: datetime) -> str:
    if move.after.start_utc <= now:
        return "its new start has gone by"
    if found is None:
        return "it is not planned any more"
    there = found.hours[0]
    why = against(there, found.planned, now)
    if why is None:
        return ""
    said = AGAINST_WORDS[why]
    more = f" ({there.reason.rstrip('.')})" if why == "unknown" and there.reason else ""
    return f"by the newest forecast and readings {said} at its new start{more}"


def _out_of_turn(moves: Sequence[Move], joints: Sequence[Joint]) -> Iterator[tuple[str, str]]:
    """Moves after which a joint would begin before one it waits for is over, and does not so now."""
    to = {move.mark: move.after.start_utc for move in moves}
    by_name = {joint.mark.casefold(): joint for joint in joints}
    for joint in joints:
        if joint.state == "done":
            continue
        for mark in joint.after:
            before = by_name.get(mark.casefold())
            if before is None or before.state == "done" or not {joint.mark, before.mark} & set(to):
                continue
            takes = timedelta(hours=before.hours)
            if to.get(before.mark, before.start_utc) + takes <= to.get(joint.mark, joint.start_utc):
                continue
            if before.start_utc + takes > joint.start_utc and not {joint.mark, before.mark} <= set(to):
                continue  # it is so already
            moved, other = (joint, before) if joint.mark in to else (before, joint)
            if moved is joint:
                yield moved.mark, f"it waits for {other.mark}, which would not be done by then"
            else:
                yield moved.mark, f"{other.mark} waits for it and would begin before it is done"


def edits_of(kept: KeptAdvice, marks: Collection[str], joints: Mapping[str, KeptJoint]) -> list[JointEdit]:
    """The joints as the moves want them, for `write_edits`; each has to be what the order of work was made from."""
    edits = []
    for move in kept.advice.moves:
        if move.mark in marks:
            before = joints[move.mark]
            became = replace(before.joint, start_utc=move.after.start_utc, crew=move.crew_after)
            edits.append(replace(bulk_edit(before, became), seen=kept.seen[move.mark], state_seen="planned"))
    return edits
