"""From places to starts: within its shift each joint that moves begins when its crew, torches and people are free."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from frostshift_rules.order_of_work import Task
from frostshift_rules.order_problem import Place
from frostshift_rules.order_uses import InUse, Use
from frostshift_rules.start_hours import StartHour

TRIES: Final = 8
"""Sequences in which joints are given their starts, at most; ours."""

Laid = Mapping[str, StartHour]
"""By mark the start of each joint that moves."""


def lay_out(
    task: Task, places: Mapping[str, Place | None], more: Mapping[Place, int] | None = None
) -> tuple[dict[str, StartHour], dict[str, Place]]:
    """The start of each joint that moves, and the places of those for which none is free.

    Joints that stay keep their start, also those that run over the end of a shift. The rest are taken longest first;
    each has the cheapest start at which its crew can weld one more at once, and its torches, heaters and the people who
    hold them are free until the first arc. Where one finds none it goes first in the next try.

    Args:
        task: with the starts there are.
        places: by mark; None: it stays where the plan has it.
        more: so many joints more a crew welds at once in a shift.
    """
    stands = {joint.mark: joint.now for joint in task.problem.joints}
    kept = list(task.kept)
    moving: list[tuple[str, Place]] = []
    for mark, place in places.items():
        now = stands[mark]
        if place is not None and place != now:
            moving.append((mark, place))
        elif now is not None:
            kept += task.uses(mark, now, task.planned[mark])
    moving.sort(key=lambda one: (task.planned[one[0]].start_utc - task.planned[one[0]].end_utc, one[0]))
    best = _laid(task, kept, moving, more or {})
    found = best
    for _ in range(TRIES - 1):
        if not best[1]:
            break
        moving.sort(key=lambda one: one[0] not in found[1])
        found = _laid(task, kept, moving, more or {})
        if len(found[1]) < len(best[1]):
            best = found
    return best


def _laid(
    task: Task, kept: Sequence[Use], moving: Sequence[tuple[str, Place]], more: Mapping[Place, int]
) -> tuple[dict[str, StartHour], dict[str, Place]]:
    in_use = InUse(kept)
    laid, without = {}, {}
    for mark, place in moving:
        for at in task.starts[mark, place[0]]:
            uses = task.uses(mark, place, at, more.get(place, 0))
            if all(map(in_use.has_room, uses)):
                laid[mark] = at
                for use in uses:
                    in_use.add(use)
                break
        else:
            without[mark] = place
    return laid, without
