"""What has to hold of orders of work and of the moves taken of them whenever somebody pulls the plug.

A taking is one act: the schedule, the record of every joint, the run that it is of and the log of changes all have it,
or none of them. Who took says of which run (`take 7 of 3`), so that each can be held against the others.
"""

from __future__ import annotations

import json
import re
import zlib
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sqlmodel import Session
from sqlmodel import select as rows_of
from sqlmodel.sql.expression import SelectOfScalar
from tests.faults.made import ORDERED, ordered_rows

from frostshift_service.store import order_runs
from frostshift_service.store.records import KeptAdvice
from frostshift_service.store.tables import (
    AuditRow,
    ForecastRow,
    JointChangeRow,
    JointRow,
    OrderRunRow,
    ScheduleActRow,
)

TAKEN_BY: Final = re.compile(r"take \d+ of (\d+)")
MOST_NAMED: Final = 3


def half_orders(session: Session) -> list[str]:
    """Orders of work that are neither being worked out, nor broken off, nor over with all they should have."""
    found = []
    runs = _runs(session)
    forecasts = set(session.exec(rows_of(ForecastRow.id).where(ForecastRow.site_id == ORDERED)))
    if len(runs) > order_runs.KEPT:
        found.append(f"half order of work: {len(runs)} are kept, {order_runs.KEPT} at most")
    for run in runs:
        try:
            kept = order_runs.advice_of(session, ORDERED, run.id or 0)
        except Exception as error:
            found.append(f"half order of work: {run.id} cannot be read: {type(error).__name__}: {error}")
            continue
        wrong = []
        if run.state not in ("running", "broken_off", "ended"):
            wrong.append(f"is {run.state} ({run.problem})")
        if run.state == "running" and run is not runs[-1]:
            wrong.append("still runs beside a newer one")
        if (run.state == "ended") != (run.ended_utc is not None):
            wrong.append(f"is {run.state}, and ended at {run.ended_utc}")
        if run.state == "ended" and (kept is None or kept.advice.first or not kept.after):
            wrong.append("ended without its last answer")
        if run.forecast_id not in {None} | forecasts:
            wrong.append(f"is made from no forecast {run.forecast_id}")
        if kept is not None:
            wrong += _of_answer(run, kept)
        found += [f"half order of work: {run.id} {text}" for text in wrong]
    return found


def _of_answer(run: OrderRunRow, kept: KeptAdvice) -> list[str]:
    """The clock stands still in a turn: an answer is worked out for the moment that its run was asked for."""
    found = []
    if run.forecast_id is None or not run.schedule_version:
        found.append("has an answer, and says nothing of what it is made from")
    if kept.made_utc != run.asked_utc:
        found.append(f"was asked for at {run.asked_utc}, its answer is of {kept.made_utc}")
    if {move.mark for move in kept.advice.moves} != set(kept.seen):
        found.append("has not seen the joints that it moves")
    return found


def half_takings(session: Session) -> list[str]:
    """Takings that are in the schedule, the records of its joints, the run and the log of changes, but not in all."""
    runs = {run.id or 0: run for run in _runs(session)}
    acts = [act for act in session.exec(rows_of(ScheduleActRow).where(ScheduleActRow.site_id == ORDERED))]
    said = [(row.by, row.at_utc, row.detail) for row in session.exec(_log())]
    noted = {entry["act"]: (run.id, entry) for run in runs.values() for entry in run.taken}
    changed = _changed(session)
    found = []
    for act in acts:
        marks = sorted(change["mark"] for change in json.loads(zlib.decompress(act.changes))["joints"])
        of = TAKEN_BY.fullmatch(act.by)
        if of is None:
            found.append(f"half taking: change {act.id} is by {act.by!r}, who takes nothing")
            continue
        run_id = int(of[1])
        number, entry = noted.pop(act.id, (None, None))
        if entry is not None:
            as_noted = (number, entry["by"], entry["at_utc"], sorted(entry["marks"]))
            if as_noted != (run_id, act.by, act.at_utc.isoformat(), marks):
                found.append(f"half taking: change {act.id} is not what order of work {number} notes of it")
        elif run_id >= min(runs, default=0):  # older ones are let go of, with what was taken of them
            found.append(f"half taking: change {act.id} is not noted in order of work {run_id}")
        if said.count((act.by, act.at_utc, act.text)) != 1:
            found.append(f"half taking: change {act.id} is not in the log of changes")
        if act.joints != len(marks) or sorted(changed.pop(act.by, ())) != marks:
            found.append(f"half taking: change {act.id} is not in the record of each of its joints")
    found += [
        f"half taking: order of work {run} notes change {act}, and there is none" for act, (run, _) in noted.items()
    ]
    by = Counter(act.by for act in acts)
    found += [
        f"half taking: the log has one by {one}, and there is no such change" for one, _, _ in said if not by[one]
    ]
    found += [f"half taking: joints were changed by {one}, and there is no such change" for one in changed]
    return [*found, *_wrong_joints(session, [act for act in acts if act.undone_utc is None], runs)]


def _wrong_joints(session: Session, standing: Sequence[ScheduleActRow], runs: dict[int, OrderRunRow]) -> list[str]:
    """The schedule is the one that was loaded, but for the moves that are taken and not taken back."""
    expected = {one.joint.mark: (one.joint.start_utc, one.joint.crew) for one in ordered_rows()}
    if len(standing) > 1:
        return [f"half taking: {len(standing)} of them stand, and one is taken back before the next"]
    for act in standing:
        of = TAKEN_BY.fullmatch(act.by)
        entries = [entry for run in runs.values() for entry in run.taken if entry["act"] == act.id]
        if of is None or int(of[1]) not in runs or not entries:
            return []  # is said already
        kept = order_runs.advice_of(session, ORDERED, int(of[1]))
        moves = () if kept is None else kept.advice.moves
        marks = set(entries[0]["marks"])
        expected |= {move.mark: (move.after.start_utc, move.crew_after) for move in moves if move.mark in marks}
    there: dict[str, tuple[datetime, str]] = {
        row.mark: (row.start_utc, row.crew)
        for row in session.exec(rows_of(JointRow).where(JointRow.site_id == ORDERED))
        if row.present
    }
    wrong = sorted(mark for mark in expected.keys() | there.keys() if expected.get(mark) != there.get(mark))
    if not wrong:
        return []
    return [f"half taking: joints {', '.join(wrong[:MOST_NAMED])} stand neither as loaded nor as the moves taken"]


def _runs(session: Session) -> list[OrderRunRow]:
    found = session.exec(rows_of(OrderRunRow).where(OrderRunRow.site_id == ORDERED)).all()
    return sorted(found, key=lambda run: run.id or 0)


def _log() -> SelectOfScalar[AuditRow]:
    return rows_of(AuditRow).where(AuditRow.site_id == ORDERED, AuditRow.what == "order of work")


def _changed(session: Session) -> dict[str, set[str]]:
    """Who takes -> the joints that have it in their record."""
    found: dict[str, set[str]] = {}
    for row in session.exec(rows_of(JointChangeRow).where(JointChangeRow.site_id == ORDERED)):
        if TAKEN_BY.fullmatch(row.by):
            found.setdefault(row.by, set()).add(row.mark)
    return found
