"""Weather feeds behind one interface: what a forecast is, what a feed does, how a feed fails."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from frostshift_rules.surroundings import Hours, Members
from frostshift_service.weather.quality import Marks


@dataclass(frozen=True)
class Forecast:
    """One payload of one feed as hourly records.

    Attributes:
        feed: name of the feed: one of `FEED_NAMES`.
        issued_utc: the feed's own issue time; None where it does not say.
        fetched_utc: when we got it.
        hours: the record.
        attribution: credit line to show beside the data.
        warnings: what was odd about the payload, sentences for people.
        quality: field name of `Hours` -> how the value of each hour came about, a `quality.Mark` an hour; `MISSING`
            exactly where the value is NaN.
        members: of the feed's ensemble, on the axis of `hours`; None where it gave none this time.
        service: name of the feed that a file's payload is of; None where `feed` is that feed itself.
    """

    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime
    hours: Hours
    attribution: str
    warnings: tuple[str, ...] = ()
    quality: Marks = field(default_factory=dict)
    members: Members | None = None
    service: str | None = None


class FeedError(Exception):
    """A feed gave no forecast.

    `permanent`: asking again without a change will not help; `gone`: there is nothing at the address (any more).
    """

    def __init__(
        self, message: str, *, permanent: bool = False, retry_after_s: float | None = None, gone: bool = False
    ) -> None:
        super().__init__(message)
        self.permanent = permanent
        self.gone = gone
        self.retry_after_s = retry_after_s


class Place(Protocol):
    """Where a forecast is wanted: degrees north and east, metres above sea level."""

    @property
    def latitude(self) -> float: ...  # noqa: D102
    @property
    def longitude(self) -> float: ...  # noqa: D102
    @property
    def altitude_m(self) -> float | None: ...  # noqa: D102
