"""What the three services share: a request as it came, a reply before it is sent, times as headers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

from .truth import Place


@dataclass(frozen=True)
class Asked:
    """A request.

    Attributes:
        base_url: address of the service itself, to build links with.
        path: below that address.
        query: parameters, each once.
        headers: lower-case names.
        now: simulated time.
        as_of: time of the forecasts that are served; before `now` where the service is stuck.
        moved: names of the places whose grid cell has changed.
    """

    base_url: str
    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]
    now: datetime
    as_of: datetime
    moved: frozenset[str] = frozenset()


@dataclass
class Reply:
    """A reply: a payload to be sent as JSON, or a text."""

    status: int = 200
    payload: Any = None
    text: str = ""
    content_type: str = "application/json"
    headers: dict[str, str] = field(default_factory=dict)
    issued_utc: datetime | None = None


@dataclass(frozen=True)
class Found:
    """Which product of which place a request is about; None: of none we know."""

    endpoint: str
    place: Place | None


def http_date(moment: datetime) -> str:
    """As in headers."""
    return format_datetime(moment.astimezone(UTC), usegmt=True)


def full_hour(moment: datetime) -> datetime:
    """The hour it lies in."""
    return moment.replace(minute=0, second=0, microsecond=0)


def last_issue(now: datetime, every_h: int, after: timedelta, ready: timedelta) -> datetime:
    """The last issue that is out: every so many hours from 00 UTC on, `after` the hour, `ready` so much later."""
    since = now - after - ready - datetime(2026, 1, 1, tzinfo=UTC)
    return datetime(2026, 1, 1, tzinfo=UTC) + (since // timedelta(hours=every_h)) * timedelta(hours=every_h) + after


def is_generic(user_agent: str) -> bool:
    """Whether a User-Agent names no way to reach the operator: no mail and no web address."""
    return "@" not in user_agent and "://" not in user_agent


def decimals(number: str) -> int:
    """Digits after the point."""
    return len(number.partition(".")[2])
