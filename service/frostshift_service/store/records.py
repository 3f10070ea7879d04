"""The values that go into the store and come out of it: plain frozen records, and the store's errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final, Literal, get_args
from urllib.parse import urlsplit

from frostshift_rules.job import AirReading, Joint, JointState, Reading, Site
from frostshift_rules.notice_events import Notice
from frostshift_rules.order_moves import Advice
from frostshift_rules.order_of_work import Staying
from frostshift_rules.order_problem import OrderProblem
from frostshift_rules.order_uses import Use
from frostshift_rules.reading_check import Asked
from frostshift_rules.surroundings import Hours, Members
from frostshift_rules.workload import Freshness, JointPlan, Plan, ShiftTotal, Weather

ShowUnits = Literal["us", "si", "both"]
FeedName = Literal["nws", "met_norway", "file", "nws_hourly", "open_meteo"]
KeptBecause = Literal["shown", "printed", "sent", "changed"]
AirSource = Literal["typed", "posted"]
RunState = Literal["running", "ended", "failed", "broken_off"]
"""Of an order of work: worked out just now; over; not possible, `problem` says why; nobody works on it any more."""

SHOW_UNITS: Final[tuple[ShowUnits, ...]] = get_args(ShowUnits)
FEED_NAMES: Final[tuple[FeedName, ...]] = get_args(FeedName)
STAND_IN_NAMES: Final = tuple(name for name in FEED_NAMES if name != "file")
"""Feeds that can stand in for another: those that can be asked."""
FALLBACK_ONLY: Final[frozenset[FeedName]] = frozenset({"nws_hourly"})
"""Feeds that stand in where another fails; no site may choose one as its own."""
SITE_FEEDS: Final = tuple(name for name in FEED_NAMES if name not in FALLBACK_ONLY)


class StoreError(Exception):
    """The store refuses; the message is for people."""


class UnknownSite(StoreError):
    """There is no site of that id."""


class UnknownJoint(StoreError):
    """The site has no joint of that mark."""


class UnknownDraft(StoreError):
    """The site has no schedule file of that number that waits to be saved."""


class ChangedSince(StoreError):
    """Joints were changed since somebody looked at them; `marks` are those."""

    def __init__(self, message: str, marks: tuple[str, ...]) -> None:
        self.marks = marks
        super().__init__(message)


class UnknownRun(StoreError):
    """There is no order of work of that number."""


class UnknownToken(StoreError):
    """The site has no device token of that id."""


class UnknownNotice(StoreError):
    """There is no notice of that number."""


class StockRefused(StoreError):
    """The stock ledger refuses an entry; `field` is what of the entry is wrong, `limit` what is asked of it."""

    def __init__(self, message: str, field: str, limit: str = "") -> None:
        self.field, self.limit = field, limit
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class KeptSite:
    """A site with what the rules do not need.

    Attributes:
        site: for the rules.
        show_units: units shown to people; `both` shows the other in brackets.
        feed: weather feed; None: chosen by position.
        instead: feeds that stand in while that one is silent, in order; None: chosen by position.
        revision: number of changes to the site, its joints and its readings so far.
    """

    site: Site
    show_units: ShowUnits
    feed: FeedName | None
    instead: tuple[FeedName, ...] | None
    revision: int


@dataclass(frozen=True, slots=True)
class ImportedJoint:
    """One joint as it was read from a schedule.

    Attributes:
        joint: what the schedule says, with defaults filled in. Its state counts only where the mark is new.
        row: row number in the file, for people.
        defaults: names of the fields of `joint` that the schedule left to a default.
        problems: why a joint that could be read is not covered, sentences for people.
    """

    joint: Joint
    row: int
    defaults: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptJoint:
    """A joint with what the import noted about it.

    Attributes:
        joint: as it stands now.
        row, defaults, problems: see `ImportedJoint`.
        present: False where the last schedule did not hold the mark.
        schedule_start_utc: start that the schedule gave; differs from the joint's where it was moved since.
        fingerprint: of what a schedule says of it, as it stands now; its state is not in it.
    """

    joint: Joint
    row: int
    defaults: tuple[str, ...]
    problems: tuple[str, ...]
    present: bool
    schedule_start_utc: datetime
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class ListedJoint:
    """What a list of joints is filtered and sorted by; quick to read for all joints of a site."""

    mark: str
    place: str
    crew: str
    start_utc: datetime
    state: JointState


@dataclass(frozen=True, slots=True)
class JointEdit:
    """One joint as somebody wants it.

    Attributes:
        wanted: the whole joint, its state too.
        present: False takes it out of the schedule.
        seen: fingerprint of the joint that the change was made from; empty for a new mark.
        said: what changes, for the record: field, was, became.
        state_seen: the state it was made from; None where the change leaves the state alone.
    """

    wanted: ImportedJoint
    present: bool
    seen: str
    said: tuple[tuple[str, str, str], ...]
    state_seen: JointState | None = None


@dataclass(frozen=True, slots=True)
class ScheduleAct:
    """What somebody changed of some joints at once."""

    id: int
    at_utc: datetime
    by: str
    text: str
    joints: int


@dataclass(frozen=True, slots=True)
class ScheduleDraft:
    """A schedule file that is looked at before it is saved."""

    id: int
    at_utc: datetime
    by: str
    file_name: str
    content: bytes


@dataclass(frozen=True, slots=True)
class ImportPreview:
    """What a schedule would do.

    Attributes:
        done: as it will be written down.
        before: mark -> the joint there is, of those that change, return or lose a move.
        by_hand: mark -> field -> its last change by hand since the last schedule.
        version: of the schedule that it was held against.
        rewritten: marks of joints that stay as they are and of which only differs what is left open.
    """

    done: ScheduleImport
    before: Mapping[str, KeptJoint]
    by_hand: Mapping[str, Mapping[str, JointChange]]
    version: str
    rewritten: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ScheduleImport:
    """What one schedule file did, by mark, each in the order of the file.

    Attributes:
        at_utc, file_name, by: when, from what and by whom.
        joints: number of joints in the file.
        added: were not there before.
        changed: were there, with other content.
        vanished: were in the schedule before and no longer are.
        returned: had vanished and are back.
        moves_undone: had been moved by hand to another start, which the file replaced.
    """

    at_utc: datetime
    file_name: str
    by: str
    joints: int
    added: tuple[str, ...]
    changed: tuple[str, ...]
    vanished: tuple[str, ...]
    returned: tuple[str, ...]
    moves_undone: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JointChange:
    """Who changed what of a joint by hand, and when: `state`, `start_utc`, `present` or a column of the schedule."""

    mark: str
    at_utc: datetime
    by: str
    field: str
    was: str
    became: str


LATE_AFTER: Final = timedelta(hours=48)
"""A reading that reached us so long after it was taken corrects no prediction any more. Our choice."""


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading as it was written down.

    Attributes:
        reading: what was measured, and when.
        note: of whoever read it.
        entered_utc: when it reached us; later than measured where a phone had no network.
        entered_by: who was signed in, or by which link it came; empty for old ones.
        entry_key: made where it was typed, so that the same reading sent twice is one; None: made by a command.
        asked: what it was held against when it came; None: it was not held against anything.
        id: in the store.
    """

    reading: Reading
    note: str
    entered_utc: datetime
    entered_by: str = ""
    entry_key: str | None = None
    asked: Asked | None = None
    id: int = 0

    @property
    def is_late(self) -> bool:
        """Whether it is kept for the record alone."""
        return self.entered_utc - self.reading.at_utc > LATE_AFTER


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the plan of a moment said of one joint; `made_utc` is when that plan was made."""

    made_utc: datetime
    planned: JointPlan


@dataclass(frozen=True, slots=True)
class KeptAirReading:
    """A reading of the air at the site.

    Attributes:
        reading: what was read, and when.
        by: who typed it in, or the name of the device's token.
        source: `typed` or `posted`.
        note: of whoever typed it in.
    """

    reading: AirReading
    by: str
    source: AirSource
    note: str = ""


@dataclass(frozen=True, slots=True)
class DeviceToken:
    """A token with which a device posts air readings to one site; the secret itself is kept nowhere.

    Attributes:
        id: in the store.
        site_id: the only site it may post to.
        name: of the device, for people.
        made_utc: when it was made.
        revoked_utc: from when on it counts no more; None: it counts.
        last_used_utc: when readings last came with it; None: never.
    """

    id: int
    site_id: str
    name: str
    made_utc: datetime
    revoked_utc: datetime | None
    last_used_utc: datetime | None


@dataclass(frozen=True, slots=True)
class FeedRow:
    """How it stands with one feed of one site.

    Attributes:
        next_try_utc: not to be asked before.
        last_answer_utc: when it last answered, with or without news; None: never.
        failures: in a row, since the last answer.
        last_error: of the last failure; empty after an answer.
        issued_utc: the feed's own issue time of the last forecast it gave; None: it does not say, or gave none.
        held_utc: the server has asked that nothing at all be asked of it before; None: it has not.
        state: what the feed wants to remember between two calls: validators, grid address. It belongs to the kept
            forecast and must go with it.
    """

    site_id: str
    feed: str
    next_try_utc: datetime
    last_answer_utc: datetime | None = None
    failures: int = 0
    last_error: str = ""
    issued_utc: datetime | None = None
    held_utc: datetime | None = None
    state: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FeedInUse:
    """The feed that a site's plans are made from, since when, and the one before it; empty: there was none."""

    feed: str
    since_utc: datetime
    before: str = ""


Runs = tuple[tuple[str, int], ...]
"""What holds for how many hours in a row: ("native", 53), ("interpolated", 150)."""


@dataclass(frozen=True)
class KeptForecast:
    """One payload of one feed, as it came and as hours.

    Attributes:
        feed, issued_utc, fetched_utc, hours, attribution, warnings: as the feed's file made them.
        quality: field name of `Hours` -> how its values came about, in runs of hours (`weather.quality.runs_of`).
        payload: the answer's body as it came.
        id: in the store; None before it is kept.
        members: of the feed's ensemble, on the axis of `hours`; None where it gave none with this payload.
        service: name of the feed that a file's payload is of; None where `feed` is that feed itself.
    """

    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime
    hours: Hours
    payload: bytes
    attribution: str
    warnings: tuple[str, ...] = ()
    quality: Mapping[str, Runs] = field(default_factory=dict)
    id: int | None = None
    members: Members | None = None
    service: str | None = None


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert of a weather service that was in force when it was fetched. None: the service does not say.

    Attributes:
        id: of the message; an update has another.
        event: its name, such as `Cold Weather Advisory`.
        severity, certainty, urgency: words of the Common Alerting Protocol.
        headline: one sentence for people.
        onset_utc: when the event begins.
        ends_utc: when the event ends, or where that is not said when the message does.
        sent_utc: when the message was sent.
        area: names of the areas, as one text.
        phenomena: VTEC codes of the events it still stands for, such as `CW`.
    """

    id: str
    event: str
    severity: str | None = None
    certainty: str | None = None
    urgency: str | None = None
    headline: str | None = None
    onset_utc: datetime | None = None
    ends_utc: datetime | None = None
    sent_utc: datetime | None = None
    area: str | None = None
    phenomena: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptAlerts:
    """How it stands with the alerts of a site.

    Attributes:
        next_try_utc: not to be asked before.
        fetched_utc: when the service last answered, "not modified" included; None: never for where the site is.
        failures: in a row, since the last answer.
        last_error: of the last failure; empty after an answer.
        state: what is to be remembered between two calls.
        alerts: those of the last answer. Whether they still stand is for `nws_alerts.known_alerts` to say.
        warnings: what was odd about the last answer, sentences for people.
    """

    site_id: str
    next_try_utc: datetime
    fetched_utc: datetime | None = None
    failures: int = 0
    last_error: str = ""
    state: Mapping[str, str] = field(default_factory=dict)
    alerts: tuple[Alert, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class ObservedHours:
    """What one station measured near a site.

    Attributes:
        station: its identifier.
        title: its name.
        distance_km: from the site [km].
        height_m: how much higher than the site it stands, negative: lower [m].
        fetched_utc: when the newest of the hours came.
        hours: hour by hour, NaN where nothing was measured near the hour.
    """

    station: str
    title: str
    distance_km: float
    height_m: float
    fetched_utc: datetime
    hours: Hours


@dataclass(frozen=True)
class PlanInputs:
    """Everything a plan was made from besides its `made_utc`, so that it can be made again to the last digit."""

    site: Site
    joints: tuple[Joint, ...]
    readings: tuple[Reading, ...]
    weather: Weather


@dataclass(frozen=True)
class KeptAdvice:
    """An order of work with what is needed to show it, and to take some of its moves.

    Attributes:
        advice: with its moves.
        problem: what it is worked out from, of each joint only its present place and that of its move.
        uses_now: what joints use where the plan has them.
        uses_then: what joints that move use where they move to.
        made_utc: the moment it is worked out for.
        feed, issued_utc, fetched_utc, freshness, instead_of: of its forecast, as in a plan.
        seen: of each joint that moves, the fingerprint of what the schedule said of it; empty: it changed meanwhile.
        places: of each joint that moves, its place on the job.
        joints: that are neither done nor postponed.
        staying: joints that are left where they are, and why.
        notes: sentences for people.
        before, after: the shifts by the plan, and by the plan with all moves taken; empty where it is not made yet.
    """

    advice: Advice
    problem: OrderProblem
    uses_now: tuple[Use, ...]
    uses_then: tuple[Use, ...]
    made_utc: datetime
    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime | None
    freshness: Freshness
    instead_of: str
    seen: Mapping[str, str]
    places: Mapping[str, str]
    joints: int
    staying: tuple[Staying, ...]
    notes: tuple[str, ...]
    before: tuple[ShiftTotal, ...] = ()
    after: tuple[ShiftTotal, ...] = ()


@dataclass(frozen=True, slots=True)
class TakenMoves:
    """Moves of an order of work that somebody took: when, who, which, and the change of joints that it was."""

    at_utc: datetime
    by: str
    marks: tuple[str, ...]
    act: int
    undone: bool


@dataclass(frozen=True, slots=True)
class OrderRun:
    """An order of work that somebody asked for.

    Attributes:
        id: its number.
        asked_utc, by: when, and who.
        shifts: so many were looked at.
        site_revision, forecast_id, schedule_version: of what it is made from.
        state: as it is written down; `beat_utc` the last sign of life.
        step: what is done, in words.
        cost, bound, gap: of the best order so far; None: not known yet.
        ended_utc: None while it runs, and where it was broken off.
        cancelled_by: who wants it to end; empty: nobody.
        problem: why there is no order; empty otherwise.
        has_advice: whether there is any yet.
        taken: what was taken of it.
    """

    id: int
    asked_utc: datetime
    by: str
    shifts: int
    site_revision: int
    forecast_id: int | None
    schedule_version: str
    state: RunState
    step: str
    cost: float | None
    bound: float | None
    gap: float | None
    beat_utc: datetime
    ended_utc: datetime | None
    cancelled_by: str
    problem: str
    has_advice: bool
    taken: tuple[TakenMoves, ...]


@dataclass(frozen=True)
class KeptPlan:
    """A plan in the store. `kept_because` is empty while nobody has seen it."""

    id: int
    forecast_id: int | None
    kept_because: KeptBecause | Literal[""]
    plan: Plan


# Notices --------------------------------------------------------------------------------------------------------------

DeliveryState = Literal["waiting", "claimed", "sent", "failed", "dropped"]
"""`failed`: for good, its address refuses; `dropped`: nobody needs it any more, or its address was switched off."""
LogWhat = Literal[
    "decided", "sent", "again", "failed", "switched_off", "switched_on", "seen", "answered", "passed_on", "test"
]


@dataclass(frozen=True, slots=True)
class KeptNotice:
    """A notice as it was decided.

    Attributes:
        number: of the notice, unique in the store; people see it.
        site_id: its site.
        notice: what it says.
        plan_id: the plan it was decided by; None for none.
        answered_utc, answered_by: the first answer; None and empty: none yet.
    """

    number: int
    site_id: str
    notice: Notice
    plan_id: int | None
    answered_utc: datetime | None = None
    answered_by: str = ""


@dataclass(frozen=True, slots=True)
class KeptDelivery:
    """A notice on its way to one address of one person.

    Attributes:
        id: of the delivery.
        number: of the notice.
        person_id, address_key: to whom, where.
        turn: 0 first, 1 sent again, 2 passed on to the next person.
        state: how it stands.
        attempts: so far.
        due_utc: not before.
        sent_utc: None: not yet.
        last_error: of the last attempt; empty for none.
    """

    id: int
    number: int
    person_id: str
    address_key: str
    turn: int
    state: DeliveryState
    attempts: int
    due_utc: datetime
    sent_utc: datetime | None
    last_error: str


@dataclass(frozen=True, slots=True)
class Words:
    """A notice as one person reads it.

    Attributes:
        first_line: what to do and by when, one line; the subject of a mail.
        text: all of it, the first line too.
        html: the same as a whole HTML document, everything that comes from people escaped.
    """

    first_line: str
    text: str
    html: str


@dataclass(frozen=True, slots=True)
class Recipient:
    """Somebody who is to hear of a notice.

    Attributes:
        person_id: who.
        due_utc: when, which is later than it was decided in quiet hours.
        address_keys: where; empty: only on the pages.
    """

    person_id: str
    due_utc: datetime
    address_keys: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NewNotice:
    """A notice that was decided, and who is to hear of it; nobody: it stands on the pages alone."""

    notice: Notice
    recipients: tuple[Recipient, ...] = ()


@dataclass(frozen=True, slots=True)
class Claimed:
    """A delivery that one worker has taken and nobody else has; its attempt is written down before it is sent.

    Attributes:
        site_id: its site.
        delivery: as it stands now, this attempt counted.
        notice: what it is about.
        first_due_utc: when it was to be sent first.
        link_token: for the answer; another one for every attempt, and all of them count.
    """

    site_id: str
    delivery: KeptDelivery
    notice: KeptNotice
    first_due_utc: datetime
    link_token: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """An address that nothing is sent to since it refused for good."""

    address_key: str
    person_id: str
    since_utc: datetime
    reason: str


CrewLinkOpens = Literal["page", "calendar"]
"""What a secret link of a crew opens, and nothing else."""


@dataclass(frozen=True, slots=True)
class CrewLink:
    """A secret link of one crew; the secret itself is kept nowhere.

    Attributes:
        id: in the store.
        opens: the crew's page, where its sheet is read and readings are written, or its calendar, to be read alone.
        site_id, crew: whose; an empty crew: the page of the joints for which the schedule names none, the calendar of
            all crews.
        made_utc, made_by: when and by whom it was made; nobody for calendar links of old.
        revoked_utc: from when on it opens nothing more; None: it counts.
        revoked_by: who ended it; empty while it counts.
    """

    id: int
    opens: CrewLinkOpens
    site_id: str
    crew: str
    made_utc: datetime
    made_by: str
    revoked_utc: datetime | None
    revoked_by: str


def shown_address(address_key: str) -> str:
    """An address for pages and logs: of a web address the host alone, as a path or a query may hold a secret."""
    channel, _, to = address_key.partition(":")
    if channel != "webhook":
        return to
    try:
        return urlsplit(to).hostname or "web address"
    except ValueError:
        return "web address"


def logged_address(address_key: str) -> str:
    """An address so that its owner knows it and nobody else learns it: `r…@site.example`, `hooks.site.example`."""
    shown = shown_address(address_key)
    name, at, host = shown.rpartition("@")
    return f"{name[:1]}…@{host}" if at else shown


@dataclass(frozen=True, slots=True)
class NoticeLog:
    """One line of the log; never changed. `number` None: it concerns no notice, such as an address switched off."""

    at_utc: datetime
    what: LogWhat
    number: int | None
    by: str
    detail: str
