"""The tables. Everything belongs to a site.

What is filtered or changed on its own is a plain column; the rest of a record is JSON, written and read through the
frozen records of `frostshift_rules.job`. Times are aware UTC (a naive one is refused when it is written).
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal

from sqlalchemy import JSON, ForeignKeyConstraint, Index, LargeBinary, MetaData, UniqueConstraint
from sqlmodel import AutoString, Field, SQLModel

from frostshift_rules.job import JointState
from frostshift_rules.stock_entry import Movement
from frostshift_service.rights import Role
from frostshift_service.store.records import (
    AirSource,
    CrewLinkOpens,
    DeliveryState,
    FeedName,
    KeptBecause,
    LogWhat,
    RunState,
    ShowUnits,
)

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
"""Every constraint has a name that follows from its columns, so that a migration can change it on either database."""


class Table(SQLModel):
    """Base of the tables; holds their metadata."""

    metadata = MetaData(naming_convention=NAMES)


class SiteRow(Table, table=True):
    """A site, its settings and its revision: the number of changes to it, its joints and its readings."""

    __tablename__ = "site"

    id: str = Field(primary_key=True)
    name: str
    latitude: float
    longitude: float
    altitude_m: float | None
    zone: str
    table_id: str
    code_units: str
    shifts: list[dict[str, Any]] = Field(sa_type=JSON)
    heat_sources: list[dict[str, Any]] = Field(sa_type=JSON)
    choices: dict[str, Any] = Field(sa_type=JSON)
    last_nights_low_c: float | None
    terrain: str
    own_tables: list[dict[str, Any]] = Field(sa_type=JSON)
    gas: dict[str, Any] = Field(sa_type=JSON)
    work: dict[str, Any] = Field(sa_type=JSON)
    show_units: ShowUnits = Field(sa_type=AutoString)
    feed: FeedName | None = Field(sa_type=AutoString)
    instead: list[FeedName] | None = Field(sa_type=JSON)
    revision: int


class SiteTurnRow(Table, table=True):
    """Which copy of the service works on a site, until when, or when somebody has to: see `store/turns.py`."""

    __tablename__ = "site_turn"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    due_utc: datetime = Field(index=True)
    copy_name: str  # that has it, or had it last; empty: nobody had it yet
    held_until_utc: datetime | None  # None: nobody has it
    number: int
    revision: int  # of the site, at its last turn


class ProcedureRow(Table, table=True):
    """A welding procedure of a site; `position` keeps the order they were given in."""

    __tablename__ = "procedure"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    name: str = Field(primary_key=True)
    position: int
    minimum_c: float | None
    maximum_c: float | None
    qualified_by_test: bool
    steels: list[str] = Field(sa_type=JSON)
    from_mm: float | None
    to_mm: float | None
    process: str | None


class AcceptanceRow(Table, table=True):
    """A site's word that a rule table was checked against its own copy of the code."""

    __tablename__ = "acceptance"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    table_id: str = Field(primary_key=True)
    position: int
    accepted_by: str
    accepted_on: date
    fingerprint: str


class ScheduleImportRow(Table, table=True):
    """One schedule file that was taken in, and what it did."""

    __tablename__ = "schedule_import"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    at_utc: datetime
    file_name: str
    by: str
    joints: int
    added: list[str] = Field(sa_type=JSON)
    changed: list[str] = Field(sa_type=JSON)
    vanished: list[str] = Field(sa_type=JSON)
    returned: list[str] = Field(sa_type=JSON)
    moves_undone: list[str] = Field(sa_type=JSON)


class JointRow(Table, table=True):
    """A joint. `rest` holds the fields of `job.Joint` that have no column of their own.

    `present` is False once the mark is missing from the last schedule; the row stays for its readings.
    `schedule_start_utc` is the start that the schedule gave; `start_utc` may have been moved since. `import_id` is the
    import that last wrote to the row; None for one that was typed in and that no schedule has held yet.
    """

    __tablename__ = "joint"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    mark: str = Field(primary_key=True)
    place: str
    crew: str
    start_utc: datetime
    schedule_start_utc: datetime
    state: JointState = Field(sa_type=AutoString)
    present: bool
    rest: dict[str, Any] = Field(sa_type=JSON)
    row_no: int
    import_id: int | None = Field(foreign_key="schedule_import.id")
    defaults: list[str] = Field(sa_type=JSON)
    problems: list[str] = Field(sa_type=JSON)


class ScheduleDraftRow(Table, table=True):
    """A schedule file (gzip) that somebody looks at before it is saved or thrown away."""

    __tablename__ = "schedule_draft"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    at_utc: datetime
    by: str
    file_name: str
    content: bytes = Field(sa_type=LargeBinary)


class ScheduleActRow(Table, table=True):
    """What somebody changed of some joints at once, to be taken back at once.

    `changes` is the zlib of JSON: `after_import`, the id of the last import before it (0: none), and `joints`, of each
    mark the columns of `JointRow` that changed, as they were and as they became.
    """

    __tablename__ = "schedule_act"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    at_utc: datetime
    by: str
    text: str
    joints: int
    changes: bytes = Field(sa_type=LargeBinary)
    undone_utc: datetime | None


class JointChangeRow(Table, table=True):
    """Who changed what of a joint by hand, and when.

    `field` is `state`, `start_utc`, `present` or a column of the schedule; `was` and `became` are texts, times in ISO
    8601.
    """

    __tablename__ = "joint_change"
    __table_args__ = (
        ForeignKeyConstraint(["site_id", "mark"], ["joint.site_id", "joint.mark"]),
        Index(None, "site_id", "mark"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: str
    mark: str
    at_utc: datetime
    by: str
    field: str
    was: str
    became: str


class ReadingRow(Table, table=True):
    """A temperature somebody measured on a joint."""

    __tablename__ = "reading"
    __table_args__ = (
        ForeignKeyConstraint(["site_id", "mark"], ["joint.site_id", "joint.mark"]),
        Index(None, "site_id", "at_utc"),
        UniqueConstraint("site_id", "entry_key"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: str
    mark: str
    steel_c: float
    at_utc: datetime
    instrument: str
    by: str
    note: str
    entered_utc: datetime
    entered_by: str
    sense: str
    stage: str
    pass_no: int | None
    point: str
    entry_key: str | None
    asked: dict[str, float | None] | None = Field(sa_type=JSON)
    predicted: bytes | None = None


class DeviceTokenRow(Table, table=True):
    """A secret with which a device of the site may post air readings; only its SHA-256 is kept, in hex."""

    __tablename__ = "device_token"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    name: str
    digest: str = Field(unique=True)
    made_utc: datetime
    revoked_utc: datetime | None
    last_used_utc: datetime | None


class AirReadingRow(Table, table=True):
    """An air temperature at the site, typed in or posted by a device.

    A device has one reading a minute: posting again what was posted changes nothing. Typed ones have no token, and a
    database never takes two empty tokens for the same.
    """

    __tablename__ = "air_reading"
    __table_args__ = (UniqueConstraint("site_id", "token_id", "at_utc"), Index(None, "site_id", "at_utc"))

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    token_id: int | None = Field(foreign_key="device_token.id")
    air_c: float
    at_utc: datetime
    by: str
    source: AirSource = Field(sa_type=AutoString)
    note: str


class FeedStateRow(Table, table=True):
    """How it stands with one feed of one site: when to ask next, and what happened last."""

    __tablename__ = "feed_state"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    feed: str = Field(primary_key=True)
    next_try_utc: datetime
    last_answer_utc: datetime | None
    failures: int
    last_error: str
    issued_utc: datetime | None
    held_utc: datetime | None
    state: dict[str, str] = Field(sa_type=JSON)


class FeedInUseRow(Table, table=True):
    """The feed that a site's plans are made from, since when, and the one before it."""

    __tablename__ = "feed_in_use"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    feed: str
    since_utc: datetime
    before: str


class ForecastRow(Table, table=True):
    """One payload of one feed: as it came (gzip), and as hours (packed), with its ensemble's members if any."""

    __tablename__ = "forecast"
    __table_args__ = (Index(None, "site_id", "fetched_utc"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    latitude: float  # of the site when it was fetched: a site that moves, or is corrected in height, starts without
    longitude: float
    altitude_m: float | None
    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime
    payload: bytes = Field(sa_type=LargeBinary)
    first_hour_utc: datetime
    last_hour_utc: datetime
    hours: bytes = Field(sa_type=LargeBinary)
    attribution: str
    warnings: list[str] = Field(sa_type=JSON)
    quality: dict[str, Any] = Field(sa_type=JSON)
    service: str | None  # of a file's payload


class AlertsRow(Table, table=True):
    """The weather alerts of a site: those of the last answer, and when to ask next."""

    __tablename__ = "alerts"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    latitude: float  # of the site when it was asked: a site that moves starts without alerts
    longitude: float
    fetched_utc: datetime | None
    next_try_utc: datetime
    failures: int
    last_error: str
    state: dict[str, str] = Field(sa_type=JSON)
    alerts: list[dict[str, Any]] = Field(sa_type=JSON)
    warnings: list[str] = Field(sa_type=JSON)


class ObservedHoursRow(Table, table=True):
    """What one station near a site measured, packed; stations are not mixed."""

    __tablename__ = "observed_hours"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    station: str = Field(primary_key=True)
    latitude: float  # of the site when it was asked: distance and height are from there
    longitude: float
    altitude_m: float | None
    title: str
    distance_km: float
    height_m: float
    fetched_utc: datetime
    hours: bytes = Field(sa_type=LargeBinary)


class HistoryRow(Table, table=True):
    """What one forecast said of the hours ahead of it, so that it can be scored later: packed by `store/history.py`."""

    __tablename__ = "forecast_history"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    feed: str = Field(primary_key=True)
    fetched_utc: datetime = Field(primary_key=True)
    latitude: float  # of the site when it was fetched, as in `ForecastRow`
    longitude: float
    altitude_m: float | None
    first_hour_utc: datetime
    last_hour_utc: datetime
    series: bytes = Field(sa_type=LargeBinary)


class StockEntryRow(Table, table=True):
    """One line of the stock ledger, never changed; `entered_utc` is when it was added, `at_utc` when it happened.

    `entry_key` is the sender's: the same form sent twice is one entry.
    """

    __tablename__ = "stock_entry"
    __table_args__ = (
        ForeignKeyConstraint(["site_id", "corrects"], ["stock_entry.site_id", "stock_entry.number"]),
        UniqueConstraint("site_id", "entry_key"),
    )

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    number: int = Field(primary_key=True)
    entry_key: str
    entered_utc: datetime
    kind: str
    movement: Movement = Field(sa_type=AutoString)
    at_utc: datetime
    by: str
    note: str
    cylinders: int | None
    full_change: int | None
    in_use_change: int | None
    empty_change: int | None
    order_no: str
    left_kg: float | None
    used_kg: float | None
    residual_kg: float | None
    corrects: int | None


class PlanRow(Table, table=True):
    """One plan with everything it was made from. `kept_because` is empty while nobody has seen it."""

    __tablename__ = "plan"
    __table_args__ = (Index(None, "site_id", "made_utc"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    made_utc: datetime
    forecast_id: int | None = Field(foreign_key="forecast.id", index=True)
    site_revision: int | None  # None: made before it was written down
    kept_because: KeptBecause | Literal[""] = Field(sa_type=AutoString)
    inputs: bytes = Field(sa_type=LargeBinary)
    hours: bytes | None = Field(sa_type=LargeBinary)
    result: bytes = Field(sa_type=LargeBinary)


class OrderRunRow(Table, table=True):
    """An order of work that somebody asked for: how far it is, and what came of it; the newest few of a site stay.

    `site_revision`, `forecast_id` and `schedule_version` are of what it is made from, as it stood when that was read.
    `advice` is packed by `store/order_runs.py`; None: there is none yet, or none came. `taken` has what was taken of
    it, an entry each time.
    """

    __tablename__ = "order_run"
    __table_args__ = (Index(None, "site_id", "id"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    asked_utc: datetime
    by: str
    shifts: int
    site_revision: int
    forecast_id: int | None
    schedule_version: str
    copy_name: str
    state: RunState = Field(sa_type=AutoString)
    step: str
    cost: float | None
    bound: float | None
    gap: float | None
    beat_utc: datetime
    ended_utc: datetime | None
    cancelled_by: str
    problem: str
    advice: bytes | None = Field(sa_type=LargeBinary)
    taken: list[dict[str, Any]] = Field(sa_type=JSON)


class NoticeSetupRow(Table, table=True):
    """Who hears what of a site; kept apart from it, as plans keep a copy of the site and are to hold no address."""

    __tablename__ = "notice_setup"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    setup: dict[str, Any] = Field(sa_type=JSON)


class NoticeToldRow(Table, table=True):
    """What people know of a site, packed, and when the plan was made that it was decided by last."""

    __tablename__ = "notice_told"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    told: bytes = Field(sa_type=LargeBinary)
    plan_made_utc: datetime | None


class NoticeRow(Table, table=True):
    """A notice, packed. The same is decided once: its key is unique at its site.

    `plan_id` has no foreign key: another copy may thin a plan that nobody has seen, and no notice may be lost by that.
    `rank` is 0 for what cannot wait, 2 for what may.
    """

    __tablename__ = "notice"
    __table_args__ = (UniqueConstraint("site_id", "key"), Index(None, "site_id", "decided_utc"))

    number: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    key: str
    rank: int
    decided_utc: datetime
    until_utc: datetime | None  # the shift's end: nobody needs it any more after that
    plan_id: int | None
    notice: bytes = Field(sa_type=LargeBinary)
    answered_utc: datetime | None
    answered_by: str


class NoticeRecipientRow(Table, table=True):
    """Who hears of a notice: turn 0 first, 1 again, 2 in the place of somebody who did not answer. Each once."""

    __tablename__ = "notice_recipient"

    number: int = Field(primary_key=True, foreign_key="notice.number")
    person_id: str = Field(primary_key=True)
    turn: int = Field(primary_key=True)
    due_utc: datetime


class NoticeDeliveryRow(Table, table=True):
    """A notice on its way to one address.

    A worker claims it (`state`, `claimed_utc`, one more of `attempts`) before it sends; `first_due_utc` stays,
    `due_utc` moves with every attempt that failed.
    """

    __tablename__ = "notice_delivery"
    __table_args__ = (
        UniqueConstraint("number", "person_id", "address_key", "turn"),
        Index(None, "state", "due_utc"),
        Index(None, "site_id", "address_key"),
    )

    id: int | None = Field(default=None, primary_key=True)
    number: int = Field(foreign_key="notice.number")
    site_id: str = Field(foreign_key="site.id")
    person_id: str
    address_key: str
    turn: int
    state: DeliveryState = Field(sa_type=AutoString)
    attempts: int
    first_due_utc: datetime
    due_utc: datetime
    claimed_utc: datetime | None
    sent_utc: datetime | None
    last_error: str


class AnswerLinkRow(Table, table=True):
    """A secret by which a notice is answered without signing in, one for every attempt; its SHA-256 in hex."""

    __tablename__ = "answer_link"

    digest: str = Field(primary_key=True)
    delivery_id: int = Field(foreign_key="notice_delivery.id", index=True)
    made_utc: datetime


class NoticeLogRow(Table, table=True):
    """One line of what became of notices and addresses; never changed."""

    __tablename__ = "notice_log"
    __table_args__ = (Index(None, "site_id", "at_utc"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id")
    at_utc: datetime
    what: LogWhat = Field(sa_type=AutoString)
    number: int | None = Field(foreign_key="notice.number", index=True)
    by: str
    detail: str


class AddressOffRow(Table, table=True):
    """An address of a site that nothing is sent to since it refused for good."""

    __tablename__ = "address_off"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    address_key: str = Field(primary_key=True)
    person_id: str
    since_utc: datetime
    reason: str


class CrewLinkRow(Table, table=True):
    """A secret link to the page or the calendar of one crew; its SHA-256 in hex."""

    __tablename__ = "crew_link"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    opens: CrewLinkOpens = Field(sa_type=AutoString)
    crew: str
    digest: str = Field(unique=True)
    made_utc: datetime
    made_by: str
    revoked_utc: datetime | None
    revoked_by: str


class AccountRow(Table, table=True):
    """Somebody who signs in. A closed account stays, as its name stands beside what it changed.

    `proven`: whoever signs in with it has shown that the mail address is his, or an owner vouched for him.
    """

    __tablename__ = "account"

    id: int | None = Field(default=None, primary_key=True)
    email: str | None = Field(unique=True)
    name: str
    password_hash: str | None
    owner: bool
    proven: bool
    units: ShowUnits | None = Field(sa_type=AutoString)
    made_utc: datetime
    entered_utc: datetime | None
    closed_utc: datetime | None


class SiteRoleRow(Table, table=True):
    """What an account is at a site; one role each."""

    __tablename__ = "site_role"

    site_id: str = Field(primary_key=True, foreign_key="site.id")
    account_id: int = Field(primary_key=True, foreign_key="account.id", index=True)
    role: Role = Field(sa_type=AutoString)


class SessionRow(Table, table=True):
    """A browser that is signed in: SHA-256 of its cookie's secret, in hex. `by_link`: it came by a one-time link."""

    __tablename__ = "session"

    digest: str = Field(primary_key=True)
    account_id: int = Field(foreign_key="account.id", index=True)
    made_utc: datetime
    seen_utc: datetime
    browser: str
    by_link: bool


class EntryLinkRow(Table, table=True):
    """A one-time link that signs an account in: SHA-256 of its secret, in hex. A used one is deleted.

    `email`: address that the account has from then on; None: it stays. `proves`: using it proves the account.
    """

    __tablename__ = "entry_link"

    digest: str = Field(primary_key=True)
    account_id: int = Field(foreign_key="account.id", index=True)
    made_utc: datetime
    until_utc: datetime
    email: str | None
    proves: bool


class AttemptRow(Table, table=True):
    """Attempts to sign in that failed, or links asked for: by account and by address, neither in the clear."""

    __tablename__ = "entry_attempt"

    key: str = Field(primary_key=True)
    count: int
    last_utc: datetime


class MachineTokenRow(Table, table=True):
    """A secret with which a program reads or writes one site; only its SHA-256 is kept, in hex."""

    __tablename__ = "machine_token"

    id: int | None = Field(default=None, primary_key=True)
    site_id: str = Field(foreign_key="site.id", index=True)
    name: str
    scopes: list[str] = Field(sa_type=JSON)
    digest: str = Field(unique=True)
    made_utc: datetime
    made_by: str
    revoked_utc: datetime | None
    last_used_utc: datetime | None


class AuditRow(Table, table=True):
    """Who changed what about people, rights and settings; never changed. `site_id` is empty for what is of no site."""

    __tablename__ = "audit"
    __table_args__ = (Index(None, "site_id", "id"),)

    id: int | None = Field(default=None, primary_key=True)
    at_utc: datetime
    by: str
    site_id: str
    what: str
    detail: str
