"""The news of several crews as one notice, for who hears of all of them: one front is one message."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from frostshift_rules.notice_events import Event, Notice, said_first
from frostshift_rules.notice_setup import OF_THE_SITE, ORDER, Kind


def together(notices: Sequence[Notice]) -> Notice:
    """What was decided of several crews at one moment, said at once.

    What the site's own notice says to the same people is left out, and no event may be left then. Events of a kind
    become one, with the joints of all; a reading stays by itself, as it is about one joint. The notice
    has no crew and no shift; its key follows from theirs.

    Args:
        notices: at least one, of one plan.

    Raises:
        ValueError: there is none.
    """
    if not notices:
        raise ValueError("notices is empty, at least one is needed")
    by_kind: dict[tuple[Kind, str], Event] = {}
    for notice in notices:
        for event in notice.events:
            if event.kind in OF_THE_SITE:
                continue
            own = "" if event.reading is None else event.reading.mark
            before = by_kind.get((event.kind, own))
            by_kind[event.kind, own] = event if before is None else _both(before, event)
    keys = hashlib.blake2b("|".join(sorted(one.key for one in notices)).encode(), digest_size=16).hexdigest()
    return replace(
        notices[0],
        key=f"all|{keys}",
        crew="",
        shift_key=None,
        shift_name="",
        shift_day=None,
        shift_start_utc=None,
        shift_end_utc=None,
        events=tuple(sorted(by_kind.values(), key=said_first)),
    )


def _both(one: Event, other: Event) -> Event:
    front = one.front
    if one.front is not None and other.front is not None and other.front.to_c < one.front.to_c:
        front = other.front
    joints = sorted((*one.joints, *other.joints), key=lambda joint: (joint.light_up_utc or joint.start_utc, joint.mark))
    by_utc = [at for at in (one.by_utc, other.by_utc) if at is not None]
    return replace(
        one,
        urgency=min(one.urgency, other.urgency, key=ORDER.index),
        by_utc=min(by_utc, default=None),
        joints=tuple(joints),
        front=front,
        alerts=tuple(dict.fromkeys((*one.alerts, *other.alerts))),
    )
