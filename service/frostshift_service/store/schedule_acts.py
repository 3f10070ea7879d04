"""Changes of joints by hand: one or many at once, all or none, and taken back as one."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import func
from sqlmodel import Session, col, select

from frostshift_service.store.joints import MARKS_AT_A_TIME, fingerprint_of, values_of_joint
from frostshift_service.store.records import ChangedSince, JointEdit, ScheduleAct, StoreError
from frostshift_service.store.sites import touch
from frostshift_service.store.tables import JointChangeRow, JointRow, ScheduleActRow, ScheduleImportRow

_COLUMNS: Final = ("place", "crew", "start_utc", "state", "present", "rest", "defaults", "problems")
"""Columns of a joint that are changed by hand and put back by an undo."""
_TIMES: Final = frozenset({"start_utc"})


def write_edits(
    session: Session, site_id: str, edits: Sequence[JointEdit], *, now: datetime, by: str, text: str
) -> int:
    """Write down some joints as somebody wants them, all or none; the number to take it back by.

    Where a joint's start is changed, `schedule_start_utc` stays what the schedule gave.

    Args:
        session: a writing session.
        site_id: the site.
        edits: each mark once.
        now: time of the change.
        by: who did it.
        text: what is done, a sentence.

    Raises:
        UnknownSite: there is no site of that id.
        ChangedSince: a joint is no longer what the change was made from, or a new mark is there already.
        StoreError: nothing to write.
    """
    if not edits:
        raise StoreError("nothing is changed by that")
    touch(session, site_id)
    rows = _rows(session, site_id, [edit.wanted.joint.mark for edit in edits])
    stale = tuple(edit.wanted.joint.mark for edit in edits if _is_stale(rows.get(edit.wanted.joint.mark), edit))
    if stale:
        raise ChangedSince(f"{', '.join(stale[:5])} changed since it was looked at", stale)
    after_import = _number_of_last_import(session, site_id)
    changes: list[dict[str, Any]] = []
    for edit in edits:
        values = values_of_joint(site_id, edit.wanted) | {"present": edit.present}
        row = rows.get(edit.wanted.joint.mark)
        if row is None:
            row = JointRow(**values, state=edit.wanted.joint.state, import_id=None)
            session.add(row)
            session.flush()
            change = {"mark": row.mark, "was": {"present": False}, "became": {"present": True}}
        else:
            if edit.state_seen is not None:
                values["state"] = edit.wanted.joint.state
            change = _write(row, {name: values[name] for name in _COLUMNS if name in values})
        changes.append(change | {"said": edit.said})
        _log(session, row, now, by, edit.said)
    act = ScheduleActRow(
        site_id=site_id,
        at_utc=now,
        by=by,
        text=text,
        joints=len(edits),
        changes=zlib.compress(json.dumps({"after_import": after_import, "joints": changes}).encode()),
        undone_utc=None,
    )
    session.add(act)
    session.flush()
    assert act.id is not None
    return act.id


def last_act(session: Session, site_id: str) -> ScheduleAct | None:
    """The last change of joints that can be taken back; None where it was, or where a schedule was loaded since."""
    wanted = select(ScheduleActRow).where(ScheduleActRow.site_id == site_id)
    row = session.exec(wanted.order_by(col(ScheduleActRow.id).desc()).limit(1)).first()
    if row is None or row.undone_utc is not None:
        return None
    if _unpacked(row)["after_import"] != _number_of_last_import(session, site_id):
        return None
    assert row.id is not None
    return ScheduleAct(row.id, row.at_utc, row.by, row.text, row.joints)


def undo_act(session: Session, site_id: str, act_id: int, *, now: datetime, by: str) -> None:
    """Take back a change of joints, of all of them or of none.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: there is no such change, or it was taken back before.
        ChangedSince: a joint of it was changed again, or a schedule was loaded since: what stands in a file now is no
            longer the hand's.
    """
    touch(session, site_id)
    act = session.get(ScheduleActRow, act_id, populate_existing=True)
    if act is None or act.site_id != site_id:
        raise StoreError(f"site {site_id} has no change {act_id}")
    if act.undone_utc is not None:
        raise StoreError("this change was taken back before")
    unpacked = _unpacked(act)
    changes: list[dict[str, Any]] = unpacked["joints"]
    if unpacked["after_import"] != _number_of_last_import(session, site_id):
        raise ChangedSince(
            "a schedule was loaded since; nothing was taken back", tuple(change["mark"] for change in changes)
        )
    rows = _rows(session, site_id, [change["mark"] for change in changes])
    again = tuple(
        change["mark"]
        for change in changes
        if any(_plain(name, getattr(rows[change["mark"]], name)) != value for name, value in change["became"].items())
    )
    if again:
        raise ChangedSince(f"{', '.join(again[:5])} changed again since; nothing was taken back", again)
    for change in changes:
        row = rows[change["mark"]]
        _write(row, {name: _value(name, plain) for name, plain in change["was"].items()})
        _log(session, row, now, by, [(field, became, was) for field, was, became in change["said"]])
    act.undone_utc = now
    session.flush()


def _number_of_last_import(session: Session, site_id: str) -> int:
    """0 where no schedule was loaded yet."""
    wanted = select(func.max(col(ScheduleImportRow.id))).where(ScheduleImportRow.site_id == site_id)
    return session.exec(wanted).one() or 0


def _unpacked(act: ScheduleActRow) -> dict[str, Any]:
    kept: dict[str, Any] = json.loads(zlib.decompress(act.changes))
    return kept


def _is_stale(row: JointRow | None, edit: JointEdit) -> bool:
    if row is None:
        return bool(edit.seen)
    if not edit.seen and not row.present:
        return False  # a mark that left the schedule comes back
    if edit.state_seen is not None and row.state != edit.state_seen:
        return True
    return fingerprint_of(row) != edit.seen


def _rows(session: Session, site_id: str, marks: Sequence[str]) -> dict[str, JointRow]:
    found: dict[str, JointRow] = {}
    for first in range(0, len(marks), MARKS_AT_A_TIME):
        some = marks[first : first + MARKS_AT_A_TIME]
        wanted = select(JointRow).where(JointRow.site_id == site_id, col(JointRow.mark).in_(some))
        found |= {row.mark: row for row in session.exec(wanted.execution_options(populate_existing=True))}
    return found


def _write(row: JointRow, values: dict[str, Any]) -> dict[str, Any]:
    """Write the columns that differ, and say which: the mark, what was and what became."""
    differ = [name for name, value in values.items() if getattr(row, name) != value]
    was = {name: _plain(name, getattr(row, name)) for name in differ}
    for name in differ:
        setattr(row, name, values[name])
    return {"mark": row.mark, "was": was, "became": {name: _plain(name, values[name]) for name in differ}}


def _log(session: Session, row: JointRow, now: datetime, by: str, said: Sequence[tuple[str, str, str]]) -> None:
    for field, was, became in said:
        session.add(
            JointChangeRow(site_id=row.site_id, mark=row.mark, at_utc=now, by=by, field=field, was=was, became=became)
        )


def _plain(name: str, value: Any) -> Any:
    return value.astimezone(UTC).isoformat() if name in _TIMES else value


def _value(name: str, plain: Any) -> Any:
    return datetime.fromisoformat(plain) if name in _TIMES else plain
