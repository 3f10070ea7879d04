"""What has to hold of a store whenever somebody pulls the plug; each function gives sentences on what does not.

They look at rows, by the tables and by what follows from the numbers in `made`, and not through what wrote them.
"""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from sqlalchemy import ForeignKeyConstraint, and_, create_engine, exists, func, inspect, make_url, not_, select
from sqlalchemy import Table as PlainTable
from sqlmodel import Session
from sqlmodel import select as rows_of
from tests.faults.made import READ_AT, SCHEDULED, chosen_by, marks_of, reading_of
from tests.service.store.made_rows import all_rows
from tests.service.store.test_migrations_keep_rows import STEPS, differences
from tests.weather_services.killing import file_offences

from frostshift_rules.tables import load_code_table
from frostshift_service.store import forecasts, notices, order_runs, plans
from frostshift_service.store.backup_file import BackupError, Head, open_backup
from frostshift_service.store.packing import unpack_hours, unpack_singles
from frostshift_service.store.records import FEED_NAMES
from frostshift_service.store.sites import load_sites
from frostshift_service.store.tables import (
    AuditRow,
    FeedInUseRow,
    FeedStateRow,
    ForecastRow,
    HistoryRow,
    JointChangeRow,
    JointRow,
    NoticeDeliveryRow,
    NoticeRecipientRow,
    NoticeRow,
    NoticeToldRow,
    ObservedHoursRow,
    OrderRunRow,
    PlanRow,
    ReadingRow,
    ScheduleActRow,
    ScheduleImportRow,
    SiteRow,
    SiteTurnRow,
    Table,
)

SAME_SITE: Final = (("joint", "import_id"), ("plan", "forecast_id"), ("notice_delivery", "number"),
                    ("notice_log", "number"), ("air_reading", "token_id"))  # fmt: skip
"""Foreign keys between rows of one site that do not hold the site themselves."""
MOST_NAMED: Final = 3


# No orphan rows


def orphans(session: Session) -> list[str]:
    """Rows that point at none, by foreign keys, whether the database checks them or not, and by name."""
    return [*_by_key(session), *_of_another_site(session), *_by_name(session)]


def _by_key(session: Session) -> list[str]:
    found = []
    for table in Table.metadata.sorted_tables:
        for key in sorted(table.foreign_key_constraints, key=lambda one: str(one.name)):
            missing = session.execute(_missing(table, key)).all()
            found += [f"orphan: {table.name} {tuple(row)} points at no {_target(key).name}" for row in missing]
    return found


def _target(key: ForeignKeyConstraint) -> PlainTable:
    target = key.elements[0].column.table
    assert isinstance(target, PlainTable)
    return target


def _missing(table: PlainTable, key: ForeignKeyConstraint) -> Any:
    parent = _target(key).alias("parent")
    pairs = [(one.parent, parent.c[one.column.name]) for one in key.elements]
    there = exists().where(and_(*(ours == theirs for ours, theirs in pairs)))
    full = and_(*(ours.is_not(None) for ours, _ in pairs))
    return select(*table.primary_key.columns, *(ours for ours, _ in pairs)).where(full, not_(there)).limit(MOST_NAMED)


def _of_another_site(session: Session) -> list[str]:
    found = []
    for name, column in SAME_SITE:
        table = Table.metadata.tables[name]
        [key] = [one for one in table.foreign_key_constraints if list(one.column_keys) == [column]]
        parent = _target(key).alias("parent")
        theirs = parent.c[key.elements[0].column.name]
        wrong = select(*table.primary_key.columns).join(parent, theirs == table.c[column])
        rows = session.execute(wrong.where(parent.c.site_id != table.c.site_id).limit(MOST_NAMED)).all()
        found += [f"orphan: {name} {tuple(row)} points at a {_target(key).name} of another site" for row in rows]
    return found


def _by_name(session: Session) -> list[str]:
    """References that no foreign key holds. A notice's plan is none: it may be thinned, see `NoticeRow`."""
    found = []
    sites = set(session.exec(rows_of(SiteRow.id)))
    turns = set(session.exec(rows_of(SiteTurnRow.site_id)))
    found += [f"orphan: site {one} has no turns" for one in sorted(sites - turns)]
    for kept in load_sites(session):
        load_code_table(kept.site.table_id, kept.site.own_tables)  # an error of its own where there is none
    logged = set(session.exec(rows_of(AuditRow.site_id))) - {""}
    found += [f"orphan: audit names no site {one}" for one in sorted(logged - sites)]
    for of in (FeedStateRow, FeedInUseRow, ForecastRow, HistoryRow):
        names = set(session.exec(rows_of(of.feed).distinct()))
        unknown = {one for one in names if one not in FEED_NAMES and not one.startswith("nws_")}
        found += [f"orphan: {of.__tablename__} names no feed {one}" for one in sorted(unknown)]
    told = set(session.exec(rows_of(NoticeRecipientRow.number, NoticeRecipientRow.person_id, NoticeRecipientRow.turn)))
    for row in session.exec(rows_of(NoticeDeliveryRow)):
        if (row.number, row.person_id, row.turn) not in told:
            found.append(f"orphan: notice_delivery {row.id} goes to nobody who is to hear of it")
    return [*found, *_marks(session)]


def _marks(session: Session) -> list[str]:
    """Marks in the record of imports and changes are those of joints, which are never deleted."""
    found, of_site = [], dict[str, set[str]]()
    for site_id, mark in session.exec(rows_of(JointRow.site_id, JointRow.mark)):
        of_site.setdefault(site_id, set()).add(mark)
    for one in session.exec(rows_of(ScheduleImportRow)):
        named = {*one.added, *one.changed, *one.vanished, *one.returned, *one.moves_undone}
        found += _unknown(f"schedule_import {one.id}", named, of_site.get(one.site_id, set()))
    imports = {0, *session.exec(rows_of(ScheduleImportRow.id))}
    for act in session.exec(rows_of(ScheduleActRow)):
        changes = json.loads(zlib.decompress(act.changes))
        named = {change["mark"] for change in changes["joints"]}
        found += _unknown(f"schedule_act {act.id}", named, of_site.get(act.site_id, set()))
        if changes["after_import"] not in imports:
            found.append(f"orphan: schedule_act {act.id} came after no import {changes['after_import']}")
    return found


def _unknown(what: str, named: Collection[str], known: Collection[str]) -> list[str]:
    missing = sorted(set(named) - set(known))
    return [f"orphan: {what} names no joint {', '.join(missing[:MOST_NAMED])}"] if missing else []


# No half import


def half_imports(session: Session, site_id: str = SCHEDULED) -> list[str]:
    """The schedule is that of the last import and the changes after it, whole, and so is the record of all of them."""
    found = []
    imports = session.exec(rows_of(ScheduleImportRow).where(ScheduleImportRow.site_id == site_id)).all()
    acts = session.exec(rows_of(ScheduleActRow).where(ScheduleActRow.site_id == site_id)).all()
    by_hand = Counter(
        session.exec(rows_of(JointChangeRow.by).where(JointChangeRow.site_id == site_id).order_by(JointChangeRow.by))
    )
    known: set[str] = set()
    present: set[str] = set()
    places: dict[str, str] = {}
    last: ScheduleImportRow | None = None
    for last in sorted(imports, key=lambda row: row.id or 0):
        marks = marks_of(number := int(last.file_name[1:-4]))
        expected = {
            "joints": len(marks),
            "added": [mark for mark in marks if mark not in known],
            "changed": [mark for mark in marks if mark in known],
            "vanished": sorted(present - set(marks)),
            "returned": [mark for mark in marks if mark in known - present],
            "moves_undone": [],
        }
        found += [
            f"half import: schedule s{number} did not do what its record says ({name})"
            for name, value in expected.items()
            if getattr(last, name) != value
        ]
        known, present, places = known | set(marks), set(marks), dict.fromkeys(marks, f"s{number}")
        for act in sorted(acts, key=lambda row: row.id or 0):
            changes = json.loads(zlib.decompress(act.changes))
            if changes["after_import"] != last.id:
                continue
            chosen = chosen_by(int(act.by[1:]), list(present))
            if tuple(change["mark"] for change in changes["joints"]) != chosen or act.joints != len(chosen):
                found.append(f"half import: change {act.by} does not hold its joints")
            if by_hand.pop(act.by, 0) != len(chosen):
                found.append(f"half import: change {act.by} is not in the record of each of its joints")
            places |= dict.fromkeys(chosen, act.by)
    found += [f"half import: joints were changed by {by}, and there is no such change" for by in by_hand]
    return [*found, *_wrong_joints(session, site_id, last, known, present, places)]


def _wrong_joints(
    session: Session,
    site_id: str,
    last: ScheduleImportRow | None,
    known: set[str],
    present: set[str],
    places: dict[str, str],
) -> list[str]:
    joints = session.exec(rows_of(JointRow).where(JointRow.site_id == site_id)).all()
    found = []
    if {row.mark for row in joints} != known:
        found.append(f"half import: {len(joints)} joints, {len(known)} by the record of the imports")
    if {row.mark for row in joints if row.present} != present:
        found.append("half import: the joints present are not those of the last schedule")
    wrong = [
        row.mark
        for row in joints
        if row.present and last is not None
        and (row.crew, row.place, row.import_id) != (last.file_name[:-4], places.get(row.mark), last.id)
    ]  # fmt: skip
    if wrong:
        found.append(
            f"half import: joints {', '.join(sorted(wrong)[:MOST_NAMED])} are not as the last schedule has them"
        )
    return found


# Nothing half, nothing lost


@dataclass
class Vouched:
    """What workers said was done, to be found from then on."""

    imports: set[int] = field(default_factory=set)
    acts: set[int] = field(default_factory=set)
    entry_keys: set[str] = field(default_factory=set)
    notices: set[int] = field(default_factory=set)
    forecasts: set[int] = field(default_factory=set)
    plans: set[int] = field(default_factory=set)
    orders: set[int] = field(default_factory=set)
    takings: set[int] = field(default_factory=set)

    def add(self, step: str, kind: str, number: int, said: Mapping[str, Any]) -> None:
        """What a worker said when a turn of a step was done."""
        if step == "schedule":
            (self.imports if kind == "import" else self.acts).add(number)
        self.entry_keys |= set(said.get("kept", ()))
        self.notices |= set(said.get("notices", ()))
        self.forecasts |= {said.get("forecast")} - {None}
        self.plans |= {said.get("plan")} - {None}
        self.orders |= {said.get("order")} - {None}
        self.takings |= {said.get("taking")} - {None}

    def lost(self, session: Session) -> list[str]:
        """What of it is not there. Of forecasts and plans those since the last look: old ones are let go of.

        So are orders of work that enough newer ones came after.
        """
        orders = {row.id: row.state for row in session.exec(rows_of(OrderRunRow))}
        self.orders = {one for one in self.orders if sum((other or 0) > one for other in orders) < order_runs.KEPT}
        there: dict[str, tuple[set[Any], Iterable[Any]]] = {
            "import": (
                {f"s{number}.csv" for number in self.imports},
                session.exec(rows_of(ScheduleImportRow.file_name)),
            ),
            "change of joints": ({f"a{number}" for number in self.acts}, session.exec(rows_of(ScheduleActRow.by))),
            "reading": (self.entry_keys, session.exec(rows_of(ReadingRow.entry_key))),
            "notice": (self.notices, session.exec(rows_of(NoticeRow.number))),
            "forecast": (self.forecasts, session.exec(rows_of(ForecastRow.id))),
            "plan": (self.plans, session.exec(rows_of(PlanRow.id))),
            "order of work": (self.orders, {one for one, state in orders.items() if state == "ended"}),
            "taking of moves": (self.takings, session.exec(rows_of(ScheduleActRow.id))),
        }
        found = [
            f"lost: {what} {one} was acknowledged, and is not there"
            for what, (said, kept) in there.items()
            for one in sorted(said - set(kept))
        ]
        self.forecasts, self.plans = set(), set()
        return found


def half_readings(session: Session) -> list[str]:
    """A reading is the one that its key stands for, asked and predicted with it."""
    found = []
    for row in session.exec(rows_of(ReadingRow).where(ReadingRow.site_id == READ_AT)):
        if row.entry_key is None:
            found.append(f"half reading: {row.id} has no key")
            continue
        one = reading_of(row.entry_key, row.at_utc)
        if (row.mark, row.steel_c, row.stage, row.by) != (one.mark, one.steel_c, one.stage, one.by) or not row.asked:
            found.append(f"half reading: {row.entry_key} is not what was posted")
    return found


@dataclass
class Unpacked:
    """What was unpacked already, from look to look: a kept plan or forecast never changes."""

    seen: set[tuple[str, Any]] = field(default_factory=set)

    def unreadable(self, session: Session) -> list[str]:
        """Plans, forecasts and whatever else is packed that cannot be read back."""
        found = []
        for what, key, read in self._new(session):
            try:
                read()
            except Exception as error:
                found.append(f"half {what}: {key} cannot be read: {type(error).__name__}: {error}")
            self.seen.add((what, key))
        return found

    def _new(self, session: Session) -> list[tuple[str, Any, Any]]:
        every: list[tuple[str, Any, Any]] = []
        every += [("forecast", one, lambda one=one: forecasts.forecast_by_id(session, one))
                  for one in session.exec(rows_of(ForecastRow.id))]  # fmt: skip
        every += [("plan", one, lambda one=one: (plans.plan_by_id(session, one), plans.inputs_of(session, one)))
                  for one in session.exec(rows_of(PlanRow.id))]  # fmt: skip
        every += [("notice", one, lambda one=one: notices.notice_by_number(session, one))
                  for one in session.exec(rows_of(NoticeRow.number))]  # fmt: skip
        histories = session.exec(rows_of(HistoryRow.site_id, HistoryRow.feed, HistoryRow.fetched_utc))
        every += [("history", one, lambda one=one: unpack_singles(session.get_one(HistoryRow, one).series))
                  for one in histories]  # fmt: skip
        new = [one for one in every if one[:2] not in self.seen]
        # These change, and are read each time.
        new += [("told", one, lambda one=one: notices.load_told(session, one))
                for one in session.exec(rows_of(NoticeToldRow.site_id))]  # fmt: skip
        new += [("observed hours", (row.site_id, row.station), lambda row=row: unpack_hours(row.hours))
                for row in session.exec(rows_of(ObservedHoursRow))]  # fmt: skip
        return new


# Backups, restored and migrated stores


def bad_backups(folder: Path) -> list[str]:
    """Files under the name of a backup that are no whole backup."""
    found = []
    for path in sorted(folder.glob("*.backup")):
        try:
            with open_backup(path) as kept:
                kept.check()
        except BackupError as error:
            found.append(f"half backup: {error}")
    return found


def half_restore(url: str, head: Head, *, done: bool) -> list[str]:
    """A store that was filled from a backup is whole, or as empty as it was before."""
    address = make_url(url)
    is_file = address.get_backend_name() == "sqlite"
    if is_file and not Path(str(address.database)).exists():
        return ["lost: a restore was acknowledged, and there is no file"] if done else []
    engine = create_engine(url)
    with engine.connect() as connection:
        names = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
        tables = [Table.metadata.tables[name] for name in names]
        count = {one.name: connection.execute(select(func.count()).select_from(one)).scalar_one() for one in tables}
    engine.dispose()
    found = [f"restored: {text}" for text in (file_offences(str(address.database)) if is_file else [])]
    if any(count.values()) and count != dict(head.rows):
        different = [name for name, rows in head.rows.items() if count.get(name) != rows]
        found.append(f"half restore: {', '.join(different[:MOST_NAMED])} not as in the backup")
    if done and count != dict(head.rows):
        found.append("lost: a restore was acknowledged, and is not there")
    return found


def half_migration(url: str, before: dict[str, list[dict[str, Any]]], *, done: bool) -> list[str]:
    """A store whose migration was broken off is as it was or at the newest schema, with all rows."""
    now = all_rows(url)
    if now.get("alembic_version") == [{"version_num": STEPS[-1]}]:
        return [f"half migration: rows of {name} differ" for name in differences(before, now)]
    found = ["lost: a migration was acknowledged, and was not done"] if done else []
    return [*found, *(f"half migration: rows of {name} differ" for name in before if now.get(name) != before[name])]
