"""Readings that come in: each is held against what is asked of its joint and kept with it, or refused with reasons."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from frostshift_rules.job import Joint, Site
from frostshift_rules.reading_check import check
from frostshift_rules.workload import Plan
from frostshift_service.air_post import PostProblem
from frostshift_service.reading_entry import BadEntry, Entry
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import kept_joint
from frostshift_service.store.readings import EntryKeyTaken, add_reading, readings_of
from frostshift_service.store.records import LATE_AFTER, KeptJoint, KeptReading, Prediction, StoreError, UnknownJoint
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.readings import Verdict, asked_for, planned_as, verdict_of
from frostshift_service.views.show import Show


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one entry.

    Attributes:
        row: its number in the post, from 1 on.
        entry_key: as it was sent; None: it had none that can be read.
        state: `kept`, or `refused`; one that came before and is there already is kept.
        id: in the store; None: refused.
        mark: of its joint; empty where it cannot be read.
        verdict: by what is asked of the joint now; None: refused.
        problems: why it was refused.
    """

    row: int
    entry_key: str | None
    state: Literal["kept", "refused"]
    id: int | None
    mark: str
    verdict: Verdict | None
    problems: tuple[PostProblem, ...]


def take(
    desk: Desk, site_id: str, entries: Sequence[Entry | BadEntry], *, entered_by: str, crew: str | None = None
) -> list[Taken]:
    """Keep what can be kept, and plan again where a prediction goes on from it.

    Args:
        desk: of whoever asks.
        site_id: the site.
        entries: as they were read.
        entered_by: who is signed in, or which link they came by.
        crew: only joints of this crew are there; None: all.

    Raises:
        UnknownSite: there is no site of that id.
    """
    now = desk.now()
    with reading(desk.engine) as session:
        show = desk.show(load_site(session, site_id))
    plan = desk.planner.current_plan(site_id)
    taken = [
        _take_one(desk, site_id, plan, row, one, entered_by, crew, now, show) for row, one in enumerate(entries, 1)
    ]
    kept = {one.row for one in taken if one.state == "kept"}
    if any(_corrects(one, now) for row, one in enumerate(entries, 1) if row in kept):
        desk.replan(site_id)
    return taken


def _corrects(entry: Entry | BadEntry, now: datetime) -> bool:
    """Whether a prediction goes on from it."""
    if isinstance(entry, BadEntry):
        return False
    return entry.reading.is_of_cold_steel and now - entry.reading.at_utc <= LATE_AFTER


def _until(readings: Sequence[KeptReading], at_utc: datetime) -> list[KeptReading]:
    return [one for one in readings if one.reading.at_utc <= at_utc]


def _take_one(
    desk: Desk,
    site_id: str,
    plan: Plan | None,
    row: int,
    entry: Entry | BadEntry,
    by: str,
    crew: str | None,
    now: datetime,
    show: Show,
) -> Taken:
    if isinstance(entry, BadEntry):
        return Taken(row, entry.entry_key, "refused", None, "", None, entry.problems)
    taken = entry.reading
    here = KeptReading(taken, "", now)
    stood = None if here.is_late else _stood(desk, site_id, plan, taken.at_utc)
    try:
        with writing(desk.engine) as session:
            site = load_site(session, site_id).site
            joint = kept_joint(session, site_id, taken.mark)
            _check_crew(joint, crew)
            there = readings_of(session, site_id, mark=taken.mark)
            planned = planned_as(plan, site, [joint.joint]).get(taken.mark)
            asked = asked_for(site, joint.joint, planned, [*there, here])
            if here.is_late:  # nobody knows what was predicted then; what was measured before it counts
                asked = asked_for(site, joint.joint, None, [*_until(there, taken.at_utc), here])
            predicted = _predicted(stood, site, joint.joint)
            kept = add_reading(
                session,
                site_id,
                taken,
                now=now,
                note=entry.note,
                entered_by=by,
                entry_key=entry.entry_key,
                asked=asked,
                predicted=predicted,
            )
    except UnknownJoint as error:
        return _refused(row, entry, "mark", taken.mark, "the mark of a joint of this site", error)
    except EntryKeyTaken as error:
        return _refused(row, entry, "entry_key", entry.entry_key or "", "a key of its own for each reading", error)
    held = kept.asked or asked
    verdict = verdict_of(check(kept.reading.steel_c, kept.reading.sense, held), held, show)
    return Taken(row, entry.entry_key, "kept", kept.id, taken.mark, verdict, ())


def _stood(desk: Desk, site_id: str, plan: Plan | None, at_utc: datetime) -> Plan | None:
    """The plan that stood when it was measured: one made later must not be held against it."""
    return plan if plan is None or plan.made_utc <= at_utc else desk.plan_before(site_id, at_utc)


def _predicted(plan: Plan | None, site: Site, joint: Joint) -> Prediction | None:
    planned = planned_as(plan, site, [joint]).get(joint.mark)
    return None if plan is None or planned is None else Prediction(plan.made_utc, planned)


def _refused(row: int, entry: Entry, field: str, value: str, limit: str, error: StoreError) -> Taken:
    problem = PostProblem(row, field, value, limit, f"reading {row}: {error}")
    return Taken(row, entry.entry_key, "refused", None, entry.reading.mark, None, (problem,))


def _check_crew(joint: KeptJoint, crew: str | None) -> None:
    if crew is not None and joint.joint.crew != crew:
        raise UnknownJoint(f"this crew has no joint {joint.joint.mark!r}")


def take_typed(desk: Desk, site_id: str, entry: Entry | BadEntry, *, entered_by: str, crew: str | None = None) -> Taken:
    """Keep one reading of a form without script. Sent again it is the same; changed and sent again it is another one.

    A browser that goes back shows the form with its old key.

    Raises:
        UnknownSite: there is no site of that id.
    """
    [taken] = take(desk, site_id, [entry], entered_by=entered_by, crew=crew)
    if taken.state == "refused" and isinstance(entry, Entry) and [one.field for one in taken.problems] == ["entry_key"]:
        another = Entry(entry.reading, entry.note, secrets.token_urlsafe(16))
        [taken] = take(desk, site_id, [another], entered_by=entered_by, crew=crew)
    return taken
