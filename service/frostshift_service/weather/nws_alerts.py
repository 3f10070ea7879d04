"""US National Weather Service, active alerts of a point: what is in force, how old the answer is, what is about cold.

Only messages of status `Actual` count. A `Cancel` goes, and with it what it refers to; so does a message that a later
one replaces: by its references, or because every VTEC event of it (office, phenomenon, significance, number) stands
in a later message. Where the times that say "later" are missing, nothing is dropped: a warning shown twice does less
harm than one that is hidden. For the same reason a list with an entry that cannot be read is not used at all.

Source: OpenAPI of the service, 1.9.0 and 3.8.1 (Alert, PaginationInfo); VTEC: NWS Instruction 10-1703 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from frostshift_rules.job import Joint
from frostshift_service.http import Answer, Get, Validators
from frostshift_service.store.records import Alert, KeptAlerts
from frostshift_service.weather import FeedError, Place, nws_points
from frostshift_service.weather.fetching import (
    LONGEST_ASKED,
    Kept,
    ask,
    asked_utc,
    coordinate,
    keep,
    kept_validators,
    read_json,
)
from frostshift_service.weather.payload import Json, child, entries, instant
from frostshift_service.weather.schedule import waits

TITLE: Final = "US National Weather Service, alerts"
BASE_URL: Final = nws_points.BASE_URL
covers = nws_points.covers

ASK_EVERY: Final = timedelta(minutes=5)
"""Asked no more often than this while there is work ahead (our choice, as the others here)."""
WORK_AHEAD: Final = timedelta(hours=48)
"""Work that starts later than this is no reason to ask."""
KNOWN_FOR: Final = timedelta(minutes=15)
"""Without an answer for so long the alerts are not known: never shown as none."""
LONGEST_PAUSE: Final = timedelta(minutes=30)
"""Pauses after failures double from `ASK_EVERY` to here; a server that asks for more gets more, up to 12 h."""
SPREAD: Final = timedelta(minutes=1)
"""Longest random addition: installations must not all ask at the same second."""
MAX_PAGES: Final = 5

Topic = Literal["cold", "wind", "snow", "ice"]

PHENOMENA: Final[Mapping[str, Topic]] = {
    **dict.fromkeys(("EC", "CW", "WC", "FZ", "HZ", "FR"), "cold"),
    **dict.fromkeys(("HW", "WI", "EW", "LW"), "wind"),
    **dict.fromkeys(("WS", "WW", "BZ", "LE", "LB", "SQ", "BS", "SB", "HS", "SN"), "snow"),
    **dict.fromkeys(("IS", "ZR", "IP", "HP", "ZF"), "ice"),
}
"""VTEC phenomena: extreme cold, cold weather, wind chill (retired), freeze, hard freeze (folded into freeze), frost;
high wind, wind, extreme wind, lake wind; winter storm, winter weather, blizzard, lake-effect snow, snow squall, blowing
snow and older snow codes; ice storm, freezing rain, sleet, freezing fog. Their sorting by topic is our choice; the
codes are from public lists and from memory."""

_EVENTS: Final[tuple[tuple[Topic, str], ...]] = (
    ("cold", r"extreme cold|cold weather|wind chill|hard freeze|freeze|frost"),
    ("ice", r"ice storm|freezing rain|freezing drizzle|freezing fog|sleet"),
    ("snow", r"winter storm|winter weather|blizzard|snow squall|heavy snow|blowing snow|lake effect snow|snow"),
    ("wind", r"extreme wind|high wind|lake wind|wind"),
)
"""Names of events of both generations: on 1 October 2024 wind chill became extreme cold and cold weather."""
_EVENT: Final = re.compile(r".+ (?:watch|warning|advisory|emergency)")

_VTEC: Final = re.compile(r"/O\.([A-Z]{3})\.([A-Z]{4})\.([A-Z]{2})\.([A-Z])\.(\d{4})\.[^/]*/")
"""Operational ones only: action, office, phenomenon, significance, number."""
_OVER: Final = frozenset({"CAN", "UPG"})
"""Actions that end an event: cancelled, upgraded to another. `EXP` comes before the end: the time of the end counts."""

_Event = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class FetchedAlerts:
    """What one call brought.

    Attributes:
        alerts: in force; None where the server said that nothing has changed: the kept ones stand.
        kept: to be stored, and given back at the next call.
        ask_again_utc: the server asks not to be asked before; None where it does not say.
        warnings: what was odd, sentences for people.
    """

    alerts: tuple[Alert, ...] | None
    kept: Kept
    ask_again_utc: datetime | None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Message:
    alert: Alert
    cancels: bool
    replaces: frozenset[str]
    events: frozenset[_Event]
    over: bool
    """Every event it names has ended."""


def fetch(get: Get, place: Place, kept: Kept, now: datetime, base_url: str = BASE_URL) -> FetchedAlerts:
    """Ask for the alerts of a place, conditionally.

    A list in several pages is always asked for whole: its first page alone cannot say that nothing has changed.

    Raises:
        FeedError: the place is outside the area, the server gave no data, or a page cannot be read; nothing of the
            answer is used then.
    """
    nws_points.check_covered(place)
    first_url = f"{base_url}/alerts/active?point={coordinate(place.latitude)},{coordinate(place.longitude)}"
    first = _ask(get, first_url, kept_validators(kept, first_url))
    if first.status == 304:
        return FetchedAlerts(None, keep(first, first_url, kept), asked_utc(first, now))
    warnings: list[str] = []
    pages = [read_json(first, TITLE)]
    asked = {first_url}
    while (next_url := _next_page(pages[-1])) is not None:
        nws_points.check_same_server(next_url, first_url, "next page")
        if len(pages) == MAX_PAGES or next_url in asked:
            warnings.append(f"{TITLE}: more than {len(pages)} pages; there may be alerts that are not shown")
            break
        asked.add(next_url)
        pages.append(read_json(_ask(get, next_url, Validators()), TITLE))
    alerts, odd = parse(pages, now)
    state = keep(first, first_url, kept) if len(pages) == 1 and not warnings else {}
    return FetchedAlerts(alerts, state, asked_utc(first, now), (*odd, *warnings))


def parse(pages: Iterable[Json], now: datetime) -> tuple[tuple[Alert, ...], tuple[str, ...]]:
    """The alerts in force at `now`, in the order of the service, and what was odd.

    Raises:
        FeedError: not this shape.
    """
    warnings: list[str] = []
    messages: list[_Message] = []
    for page in pages:
        for feature in entries(page, "features", TITLE):
            message = _message(child(feature, "properties", f"{TITLE}, features"), warnings)
            if message is not None and all(message.alert.id != earlier.alert.id for earlier in messages):
                messages.append(message)
    standing = [
        message.alert
        for message in messages
        if not (message.cancels or message.over or _replaced(message, messages) or _ended(message.alert, now))
    ]
    return tuple(standing), tuple(warnings)


def cold(alert: Alert) -> Topic | None:
    """What of cold, wind, snow or ice an alert is about; None: about something else.

    Decided by the VTEC phenomena, which are steadier than names, else by the name of the event.
    """
    for code in alert.phenomena:
        if code in PHENOMENA:
            return PHENOMENA[code]
    name = alert.event.lower().strip()
    if not _EVENT.fullmatch(name):
        return None
    return next((topic for topic, words in _EVENTS if re.match(rf"(?:heavy )?(?:{words})\b", name)), None)


# When to ask, and what is known


def work_ahead(joints: Iterable[Joint], now: datetime) -> bool:
    """Whether a joint is to be welded, or may still be, within `WORK_AHEAD`."""
    return any(
        joint.state in ("heating", "in_progress")
        or (joint.state == "planned" and now - timedelta(hours=joint.hours) <= joint.start_utc <= now + WORK_AHEAD)
        for joint in joints
    )


def is_due(kept: KeptAlerts | None, now: datetime) -> bool:
    """Whether the alerts may be asked for now; the caller asks only while there is `work_ahead`."""
    return kept is None or not waits(kept.next_try_utc, now)


def after_answer(kept: KeptAlerts, fetched: FetchedAlerts, now: datetime, jitter: float) -> KeptAlerts:
    """The record after an answer, "not modified" included.

    Args:
        kept: before.
        fetched: what the call brought.
        now: aware.
        jitter: random number, 0 to 1: share of the random addition.
    """
    asked = min(fetched.ask_again_utc - now, LONGEST_ASKED) if fetched.ask_again_utc is not None else timedelta(0)
    # A server that wants to be asked late would leave the alerts unknown in between; it is asked in time all the same.
    wait = min(max(ASK_EVERY, asked), KNOWN_FOR - 2 * SPREAD)
    same = fetched.alerts is None
    return replace(
        kept,
        next_try_utc=now + wait + jitter * SPREAD,
        fetched_utc=now,
        failures=0,
        last_error="",
        state=dict(fetched.kept),
        alerts=kept.alerts if fetched.alerts is None else fetched.alerts,
        warnings=kept.warnings if same else fetched.warnings,
    )


def after_failure(kept: KeptAlerts, error: FeedError, now: datetime, jitter: float) -> KeptAlerts:
    """The record after a failure: what is kept stays and grows old; a longer pause. Arguments as `after_answer`."""
    failures = kept.failures + 1
    pause = LONGEST_PAUSE if error.permanent else min(ASK_EVERY * 2 ** min(failures - 1, 10), LONGEST_PAUSE)
    asked = timedelta(seconds=min(error.retry_after_s or 0.0, LONGEST_ASKED.total_seconds()))
    wait = max(pause, asked)
    return replace(kept, next_try_utc=now + wait + jitter * SPREAD, failures=failures, last_error=str(error))


def known_alerts(kept: KeptAlerts | None, now: datetime) -> tuple[Alert, ...] | None:
    """The alerts in force at `now`; None: not known now, which is never the same as none.

    Not known is what was never asked, what was answered longer than `KNOWN_FOR` ago, and an answer from further ahead
    of our clock than that.
    """
    if kept is None or kept.fetched_utc is None or abs(now - kept.fetched_utc) > KNOWN_FOR:
        return None
    return tuple(alert for alert in kept.alerts if not _ended(alert, now))


def _ask(get: Get, url: str, validators: Validators) -> Answer:
    return ask(get, nws_points.SERVICE, TITLE, url, nws_points.ACCEPT, validators)


def _next_page(page: Json) -> str | None:
    pagination = page.get("pagination")
    url = pagination.get("next") if isinstance(pagination, dict) else None
    return url if isinstance(url, str) and url else None


def _ended(alert: Alert, now: datetime) -> bool:
    return alert.ends_utc is not None and alert.ends_utc <= now


def _message(properties: Json, warnings: list[str]) -> _Message | None:
    """One message; None where it is a test, an exercise or a draft.

    Raises:
        FeedError: without id, status or event nobody can say whether it counts.
    """
    required = {key: properties.get(key) for key in ("id", "status", "event")}
    for key, value in required.items():
        if not isinstance(value, str) or not value.strip():
            raise FeedError(f"{TITLE}: an alert without {key} ({str(properties.get('id'))[:60]!r}); payload not used")
    if required["status"] != "Actual":
        return None
    what = str(required["id"])
    moment = {key: _moment(properties.get(key), f"{what}, {key}", warnings) for key in _TIMES}
    vtec = _vtec(properties.get("parameters"))
    open_events = [event for action, event in vtec if action not in _OVER]
    alert = Alert(
        id=what,
        event=str(required["event"]),
        severity=_text(properties.get("severity")),
        certainty=_text(properties.get("certainty")),
        urgency=_text(properties.get("urgency")),
        headline=_text(properties.get("headline")),
        onset_utc=moment["onset"],
        ends_utc=moment["ends"] or moment["expires"],
        sent_utc=moment["sent"],
        area=_text(properties.get("areaDesc")),
        phenomena=tuple(dict.fromkeys(phenomenon for _, phenomenon, _, _ in open_events)),
    )
    return _Message(
        alert,
        cancels=properties.get("messageType") == "Cancel",
        replaces=_references(properties.get("references")),
        events=frozenset(event for _, event in vtec),
        over=bool(vtec) and not open_events,
    )


_TIMES: Final = ("onset", "ends", "expires", "sent")


def _replaced(message: _Message, messages: list[_Message]) -> bool:
    """Whether later messages stand in its place."""
    sent_utc = message.alert.sent_utc
    if sent_utc is None:
        return False
    later = [one for one in messages if one.alert.sent_utc is not None and one.alert.sent_utc > sent_utc]
    if any(message.alert.id in one.replaces for one in later):
        return True
    elsewhere = frozenset[_Event]().union(*(one.events for one in later))
    return bool(message.events) and message.events <= elsewhere


def _vtec(parameters: Any) -> list[tuple[str, _Event]]:
    """Action and event of each VTEC text; none where there are none or they are no such texts."""
    texts = parameters.get("VTEC") if isinstance(parameters, dict) else None
    found = []
    for text in texts if isinstance(texts, list) else []:
        for match in _VTEC.finditer(text) if isinstance(text, str) else ():
            action, office, phenomenon, significance, number = match.groups()
            found.append((action, (office, phenomenon, significance, number)))
    return found


def _references(value: Any) -> frozenset[str]:
    listed = value if isinstance(value, list) else []
    named = [one.get("identifier") for one in listed if isinstance(one, dict)]
    return frozenset(name for name in named if isinstance(name, str))


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value.strip() else None


def _moment(value: Any, what: str, warnings: list[str]) -> datetime | None:
    """A time; None where there is none, or with a warning where it cannot be read: the alert is shown all the same."""
    if value is None:
        return None
    try:
        return instant(value, what)
    except FeedError as error:
        warnings.append(f"{error}, left out")
        return None
