"""Joints: schedule imports, changes by hand, readings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any, Final

import sqlalchemy
from pydantic import TypeAdapter
from sqlalchemy.sql.dml import UpdateBase
from sqlmodel import Session, col, insert, select, update

from frostshift_rules.job import JOINT_STATES, Joint, JointState, Reading
from frostshift_service.store.packing import plain
from frostshift_service.store.records import (
    ImportedJoint,
    JointChange,
    KeptJoint,
    KeptReading,
    ScheduleImport,
    StoreError,
    UnknownJoint,
)
from frostshift_service.store.sites import touch
from frostshift_service.store.tables import JointChangeRow, JointRow, ReadingRow, ScheduleImportRow

_JOINT: Final = TypeAdapter(Joint)
_COLUMNS: Final = {"mark", "place", "crew", "start_utc", "state"}
"""Fields of `Joint` that have a column of their own; the others are in `JointRow.rest`."""
_TOLD: Final = ("place", "crew", "schedule_start_utc", "rest", "defaults", "problems")
"""Columns in which a schedule says something about a joint."""

READING_LIMITS_C: Final = (-60.0, 60.0)
"""A reading before any heat lies in here [°C]; our choice, asked for by every door."""


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
    twice = [mark for mark, count in Counter(item.joint.mark for item in joints).items() if count > 1]
    if twice:
        raise StoreError(f"mark {twice[0]!r} is in the schedule twice")
    touch(session, site_id)
    before = {row.mark: row for row in session.exec(select(JointRow).where(JointRow.site_id == site_id))}
    values = {item.joint.mark: _values(site_id, item) for item in joints}
    known = [mark for mark in values if mark in before]
    vanished = [mark for mark, row in before.items() if row.present and mark not in values]
    done = ScheduleImport(
        at_utc=now,
        file_name=file_name,
        by=by,
        joints=len(joints),
        added=tuple(mark for mark in values if mark not in before),
        changed=tuple(mark for mark in known if _differs(before[mark], values[mark], _TOLD)),
        vanished=tuple(sorted(vanished)),
        returned=tuple(mark for mark in known if not before[mark].present),
        moves_undone=tuple(mark for mark in known if _undoes_move(before[mark], values[mark])),
    )
    import_id = _write_import(session, site_id, done)
    states = {item.joint.mark: item.joint.state for item in joints}
    _write_many(
        session,
        insert(JointRow),
        [{**values[mark], "state": states[mark], "import_id": import_id} for mark in done.added],
    )
    stale = [mark for mark in known if _differs(before[mark], values[mark], values[mark])]
    _write_many(session, update(JointRow), [{**values[mark], "import_id": import_id} for mark in stale])
    _write_many(session, update(JointRow), [{"site_id": site_id, "mark": mark, "present": False} for mark in vanished])
    session.expire_all()  # the session's own copies are old now
    return done


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
    return _kept(_row(session, site_id, mark))


def set_joint_state(session: Session, site_id: str, mark: str, state: JointState, *, now: datetime, by: str) -> None:
    """Write down how far a joint is, and who said so.

    Raises:
        UnknownSite, UnknownJoint: there is none.
        StoreError: no such state.
    """
    if state not in JOINT_STATES:
        raise StoreError(f"state is {state!r}, expected one of {', '.join(JOINT_STATES)}")
    touch(session, site_id)
    row = _row(session, site_id, mark)
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
    row = _row(session, site_id, mark)
    if row.start_utc != start_utc:
        session.add(_change(row, now, by, "start_utc", row.start_utc.isoformat(), start_utc.isoformat()))
        row.start_utc = start_utc
        session.flush()


def changes_of(session: Session, site_id: str, mark: str) -> list[JointChange]:
    """What was changed by hand on a joint, the newest first."""
    wanted = select(JointChangeRow).where(JointChangeRow.site_id == site_id, JointChangeRow.mark == mark)
    return [
        JointChange(row.mark, row.at_utc, row.by, row.field, row.was, row.became)
        for row in session.exec(wanted.order_by(col(JointChangeRow.id).desc()))
    ]


def add_reading(session: Session, site_id: str, reading: Reading, *, note: str = "") -> None:
    """Keep a measured temperature.

    Raises:
        UnknownSite, UnknownJoint: there is none.
        StoreError: the temperature is no number.
    """
    if not math.isfinite(reading.steel_c):
        raise StoreError(f"reading on {reading.mark}: steel_c is {reading.steel_c}, expected a temperature in °C")
    touch(session, site_id)
    _row(session, site_id, reading.mark)
    session.add(
        ReadingRow(
            site_id=site_id,
            mark=reading.mark,
            steel_c=reading.steel_c,
            at_utc=reading.at_utc,
            instrument=reading.instrument,
            by=reading.by,
            note=note,
        )
    )
    session.flush()


def readings_of(
    session: Session, site_id: str, *, since_utc: datetime | None = None, mark: str | None = None
) -> list[KeptReading]:
    """Readings of a site in the order of their time; those at or after `since_utc` and of `mark` where given."""
    wanted = select(ReadingRow).where(ReadingRow.site_id == site_id)
    if since_utc is not None:
        wanted = wanted.where(ReadingRow.at_utc >= since_utc)
    if mark is not None:
        wanted = wanted.where(ReadingRow.mark == mark)
    return [
        KeptReading(Reading(row.mark, row.steel_c, row.at_utc, row.instrument, row.by), row.note)
        for row in session.exec(wanted.order_by(col(ReadingRow.at_utc), col(ReadingRow.id)))
    ]


def _values(site_id: str, item: ImportedJoint) -> dict[str, Any]:
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


def _row(session: Session, site_id: str, mark: str) -> JointRow:
    # Read anew: another session may have changed it before this one got hold of the site.
    row = session.get(JointRow, (site_id, mark), populate_existing=True)
    if row is None:
        raise UnknownJoint(f"site {site_id} has no joint {mark!r}")
    return row


def _kept(row: JointRow) -> KeptJoint:
    joint = _JOINT.validate_python({**row.rest, **{name: getattr(row, name) for name in _COLUMNS}})
    return KeptJoint(joint, row.row_no, tuple(row.defaults), tuple(row.problems), row.present, row.schedule_start_utc)


def _change(row: JointRow, now: datetime, by: str, field: str, was: str, became: str) -> JointChangeRow:
    return JointChangeRow(site_id=row.site_id, mark=row.mark, at_utc=now, by=by, field=field, was=was, became=became)
