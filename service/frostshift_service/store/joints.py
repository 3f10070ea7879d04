"""Joints: schedule imports, changes by hand."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, Final

import sqlalchemy
from pydantic import TypeAdapter
from sqlalchemy.sql.dml import UpdateBase
from sqlmodel import Session, col, insert, select, update

from frostshift_rules.job import JOINT_STATES, Joint, JointState
from frostshift_service.store.packing import plain
from frostshift_service.store.records import (
    ImportedJoint,
    ImportPreview,
    JointChange,
    KeptJoint,
    ListedJoint,
    ScheduleImport,
    StoreError,
    UnknownJoint,
)
from frostshift_service.store.sites import touch
from frostshift_service.store.tables import JointChangeRow, JointRow, ScheduleImportRow

_JOINT: Final = TypeAdapter(Joint)
_COLUMNS: Final = {"mark", "place", "crew", "start_utc", "state"}
"""Fields of `Joint` that have a column of their own; the others are in `JointRow.rest`."""
_TOLD: Final = ("place", "crew", "schedule_start_utc", "rest", "problems")
"""Columns in which a schedule says something about a joint; what it leaves open is no change where the values stay."""


def import_joints(
    session: Session, site_id: str, joints: Sequence[ImportedJoint], *, now: datetime, file_name: str, by: str
) -> ScheduleImport:
    """Take in a schedule: joints are matched by mark, those of other marks vanish from the plan.

    What a joint has beside the schedule stays: its state, also where it changes while the import runs, and its
    readings. A start that was moved by hand is replaced by the schedule's, and named in the answer.

    Args:
        session: a writing session.
        site_id: the site.
        joints: every joint of the file, in its order.
        now: time of the import.
        file_name: shown to people.
        by: who did it.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a mark that is there twice, or a number that is not finite.
    """
    touch(session, site_id)
    before, values = _rows(session, site_id), _values_of(site_id, joints)
    done = _outcome(before, values, now=now, file_name=file_name, by=by)
    import_id = _write_import(session, site_id, done)
    states = {item.joint.mark: item.joint.state for item in joints}
    _write_many(
        session,
        insert(JointRow),
        [{**values[mark], "state": states[mark], "import_id": import_id} for mark in done.added],
    )
    known = [mark for mark in values if mark in before]
    stale = [mark for mark in known if _differs(before[mark], values[mark], values[mark])]
    _write_many(session, update(JointRow), [{**values[mark], "import_id": import_id} for mark in stale])
    gone = [{"site_id": site_id, "mark": mark, "present": False} for mark in done.vanished]
    _write_many(session, update(JointRow), gone)
    session.expire_all()  # the session's own copies are old now
    return done


def preview_import(
    session: Session, site_id: str, joints: Sequence[ImportedJoint], *, now: datetime, file_name: str, by: str
) -> ImportPreview:
    """What `import_joints` would do with the same arguments, in any session; nothing is written.

    Raises:
        StoreError: as there.
    """
    before, last, values = _rows(session, site_id), last_import(session, site_id), _values_of(site_id, joints)
    done = _outcome(before, values, now=now, file_name=file_name, by=by)
    by_hand: dict[str, dict[str, JointChange]] = {}
    if last is not None:
        since = select(JointChangeRow).where(JointChangeRow.site_id == site_id, JointChangeRow.at_utc >= last.at_utc)
        for row in session.exec(since.order_by(col(JointChangeRow.id))):
            by_hand.setdefault(row.mark, {})[row.field] = _kept_change(row)
    touched = {*done.changed, *done.returned, *done.moves_undone}
    rewritten = tuple(
        mark
        for mark, of_file in values.items()
        if mark in before and mark not in touched and _differs(before[mark], of_file, ("defaults",))
    )
    kept = {mark: _kept(before[mark]) for mark in touched}
    return ImportPreview(done, kept, by_hand, schedule_version(session, site_id), rewritten)


def schedule_version(session: Session, site_id: str) -> str:
    """Changes with every schedule that is taken in and every change of a joint by hand, and with nothing else."""
    latest = (
        session.exec(sqlalchemy.select(sqlalchemy.func.max(col(of.id))).where(col(of.site_id) == site_id)).scalar()  # type: ignore[call-overload]
        for of in (ScheduleImportRow, JointChangeRow)
    )
    return ".".join(str(number or 0) for number in latest)


def _values_of(site_id: str, joints: Sequence[ImportedJoint]) -> dict[str, dict[str, Any]]:
    twice = [mark for mark, count in Counter(item.joint.mark for item in joints).items() if count > 1]
    if twice:
        raise StoreError(f"mark {twice[0]!r} is in the schedule twice")
    return {item.joint.mark: values_of_joint(site_id, item) for item in joints}


def _rows(session: Session, site_id: str) -> dict[str, JointRow]:
    return {row.mark: row for row in session.exec(select(JointRow).where(JointRow.site_id == site_id))}


def _outcome(
    before: Mapping[str, JointRow], values: Mapping[str, dict[str, Any]], *, now: datetime, file_name: str, by: str
) -> ScheduleImport:
    known = [mark for mark in values if mark in before]
    vanished = [mark for mark, row in before.items() if row.present and mark not in values]
    return ScheduleImport(
        at_utc=now,
        file_name=file_name,
        by=by,
        joints=len(values),
        added=tuple(mark for mark in values if mark not in before),
        changed=tuple(mark for mark in known if _differs(before[mark], values[mark], _TOLD)),
        vanished=tuple(sorted(vanished)),
        returned=tuple(mark for mark in known if not before[mark].present),
        moves_undone=tuple(mark for mark in known if _undoes_move(before[mark], values[mark])),
    )


def last_import(session: Session, site_id: str) -> ScheduleImport | None:
    """What the last schedule file did; None where there was none."""
    wanted = select(ScheduleImportRow).where(ScheduleImportRow.site_id == site_id)
    row = session.exec(wanted.order_by(col(ScheduleImportRow.id).desc()).limit(1)).first()
    if row is None:
        return None
    return ScheduleImport(
        row.at_utc,
        row.file_name,
        row.by,
        row.joints,
        tuple(row.added),
        tuple(row.changed),
        tuple(row.vanished),
        tuple(row.returned),
        tuple(row.moves_undone),
    )


def joints_of(session: Session, site_id: str, *, at_work_by_utc: datetime | None = None) -> list[Joint]:
    """The joints of the last schedule as they stand now, by planned start, then mark.

    Args:
        session: any session.
        site_id: the site.
        at_work_by_utc: only those that are worked on now or may be begun by then; None: all.
    """
    # SQLAlchemy's own select: SQLModel's types end at four columns.
    wanted = sqlalchemy.select(
        col(JointRow.mark),
        col(JointRow.place),
        col(JointRow.crew),
        col(JointRow.start_utc),
        col(JointRow.state),
        col(JointRow.rest),
    ).where(col(JointRow.site_id) == site_id, col(JointRow.present))
    if at_work_by_utc is not None:
        begun = col(JointRow.state).in_(("heating", "in_progress"))
        soon = (col(JointRow.state) == "planned") & (col(JointRow.start_utc) <= at_work_by_utc)
        wanted = wanted.where(begun | soon)
    joints = [
        _JOINT.validate_python(
            {"mark": mark, "place": place, "crew": crew, "start_utc": start_utc, "state": state, **rest}
        )
        for mark, place, crew, start_utc, state, rest in session.execute(wanted)
    ]
    # Sorted here: the two databases would not agree on the order of marks.
    return sorted(joints, key=lambda joint: (joint.start_utc, joint.mark))


def kept_joints(session: Session, site_id: str) -> list[KeptJoint]:
    """Every joint the site has had, with what the import noted, by row of its last schedule, then mark."""
    rows = session.exec(select(JointRow).where(JointRow.site_id == site_id)).all()
    return [_kept(row) for row in sorted(rows, key=lambda row: (row.row_no, row.mark))]


def listed_joints(session: Session, site_id: str) -> list[ListedJoint]:
    """What the joints of the last schedule are filtered and sorted by, in no order."""
    wanted = sqlalchemy.select(
        col(JointRow.mark), col(JointRow.place), col(JointRow.crew), col(JointRow.start_utc), col(JointRow.state)
    ).where(col(JointRow.site_id) == site_id, col(JointRow.present))
    return [ListedJoint(*row) for row in session.execute(wanted)]


MARKS_AT_A_TIME: Final = 500
"""SQLite takes only so many values in one question."""


def kept_joints_of(session: Session, site_id: str, marks: Sequence[str]) -> list[KeptJoint]:
    """The joints of these marks in their order; marks that the site does not have are left out."""
    found: dict[str, KeptJoint] = {}
    for first in range(0, len(marks), MARKS_AT_A_TIME):
        some = marks[first : first + MARKS_AT_A_TIME]
        wanted = select(JointRow).where(JointRow.site_id == site_id, col(JointRow.mark).in_(some))
        found |= {row.mark: _kept(row) for row in session.exec(wanted)}
    return [found[mark] for mark in marks if mark in found]


def defaults_of(session: Session, site_id: str) -> dict[str, tuple[str, ...]]:
    """Mark -> what the schedule left to a default, as in `KeptJoint`; quick where nothing else of a joint is asked."""
    wanted = select(JointRow.mark, JointRow.defaults).where(JointRow.site_id == site_id)
    return {mark: tuple(names) for mark, names in session.exec(wanted)}


def states_of(session: Session, site_id: str) -> dict[str, JointState]:
    """Mark -> state of every joint that the last schedule holds; quick, as `defaults_of`."""
    wanted = select(JointRow.mark, JointRow.state).where(JointRow.site_id == site_id, col(JointRow.present))
    found: Sequence[tuple[str, JointState]] = session.exec(wanted).all()  # type: ignore[assignment]
    return dict(found)


def kept_joint(session: Session, site_id: str, mark: str) -> KeptJoint:
    """One joint, with what the import noted.

    Raises:
        UnknownJoint: the site has none of that mark.
    """
    return _kept(joint_row(session, site_id, mark))


def set_joint_state(session: Session, site_id: str, mark: str, state: JointState, *, now: datetime, by: str) -> None:
    """Write down how far a joint is, and who said so.

    Raises:
        UnknownSite, UnknownJoint: there is none.
        StoreError: no such state.
    """
    if state not in JOINT_STATES:
        raise StoreError(f"state is {state!r}, expected one of {', '.join(JOINT_STATES)}")
    touch(session, site_id)
    row = joint_row(session, site_id, mark)
    if row.state != state:
        session.add(_change(row, now, by, "state", row.state, state))
        row.state = state
        session.flush()


def move_joint(session: Session, site_id: str, mark: str, start_utc: datetime, *, now: datetime, by: str) -> None:
    """Give a joint another planned start, until a schedule says otherwise, and write down who did.

    Raises:
        UnknownSite, UnknownJoint: there is none.
    """
    touch(session, site_id)
    row = joint_row(session, site_id, mark)
    if row.start_utc != start_utc:
        session.add(_change(row, now, by, "start_utc", row.start_utc.isoformat(), start_utc.isoformat()))
        row.start_utc = start_utc
        session.flush()


def changes_of(session: Session, site_id: str, mark: str) -> list[JointChange]:
    """What was changed by hand on a joint, the newest first."""
    wanted = select(JointChangeRow).where(JointChangeRow.site_id == site_id, JointChangeRow.mark == mark)
    return [_kept_change(row) for row in session.exec(wanted.order_by(col(JointChangeRow.id).desc()))]


def values_of_joint(site_id: str, item: ImportedJoint) -> dict[str, Any]:
    """The columns of a joint that a schedule fills."""
    joint = item.joint
    try:
        fields = plain(_JOINT, joint)
    except ValueError as error:
        raise StoreError(f"row {item.row}, mark {joint.mark!r}: {error}") from error
    return {
        "site_id": site_id,
        "mark": joint.mark,
        "place": joint.place,
        "crew": joint.crew,
        "start_utc": joint.start_utc,
        "schedule_start_utc": joint.start_utc,
        "present": True,
        "rest": {name: value for name, value in fields.items() if name not in _COLUMNS},
        "row_no": item.row,
        "defaults": list(item.defaults),
        "problems": list(item.problems),
    }


def _differs(row: JointRow, values: dict[str, Any], names: Iterable[str]) -> bool:
    return any(getattr(row, name) != values[name] for name in names)


def _undoes_move(row: JointRow, values: dict[str, Any]) -> bool:
    moved = row.start_utc != row.schedule_start_utc
    return moved and bool(row.start_utc != values["start_utc"])


def _write_import(session: Session, site_id: str, done: ScheduleImport) -> int:
    row = ScheduleImportRow(site_id=site_id, **asdict(done))
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id


def _write_many(session: Session, statement: UpdateBase, rows: list[dict[str, Any]]) -> None:
    if rows:
        session.exec(statement, params=rows)


def joint_row(session: Session, site_id: str, mark: str) -> JointRow:
    """The row of a joint; for the modules of the store.

    Raises:
        UnknownJoint: the site has none of that mark.
    """
    # Read anew: another session may have changed it before this one got hold of the site.
    row = session.get(JointRow, (site_id, mark), populate_existing=True)
    if row is None:
        raise UnknownJoint(f"site {site_id} has no joint {mark!r}")
    return row


def _kept(row: JointRow) -> KeptJoint:
    joint = _JOINT.validate_python({**row.rest, **{name: getattr(row, name) for name in _COLUMNS}})
    return KeptJoint(
        joint,
        row.row_no,
        tuple(row.defaults),
        tuple(row.problems),
        row.present,
        row.schedule_start_utc,
        fingerprint_of(row),
    )


def fingerprint_of(row: JointRow) -> str:
    """Of what a schedule says of a joint, as it stands now: another one wherever that changed."""
    said = [row.place, row.crew, row.start_utc.astimezone(UTC).isoformat(), row.present, row.rest]
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]


def _kept_change(row: JointChangeRow) -> JointChange:
    return JointChange(row.mark, row.at_utc, row.by, row.field, row.was, row.became)


def _change(row: JointRow, now: datetime, by: str, field: str, was: str, became: str) -> JointChangeRow:
    return JointChangeRow(site_id=row.site_id, mark=row.mark, at_utc=now, by=by, field=field, was=was, became=became)
