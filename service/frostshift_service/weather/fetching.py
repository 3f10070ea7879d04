"""What every feed shares when it asks its server: what it keeps between calls, what it brings, how failures read."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from frostshift_service.http import Answer, BadStatus, Get, HttpError, Validators, clean_text
from frostshift_service.weather import FeedError, Forecast
from frostshift_service.weather.payload import Json, load

log = logging.getLogger(__name__)

LONGEST_ASKED: Final = timedelta(hours=12)
"""What a server asks for is honoured up to here: an absurd date must not end the forecasts in silence."""

Kept = Mapping[str, str]
"""What a feed wants to remember between two calls, as texts: the address asked, its validators, a grid address."""

STOPPED_S = {"nws": 60.0, "nws_hourly": 60.0, "met_norway": 3600.0}
"""Pause after 429 where the server names none [s]: the US service asks for seconds, MET Norway to stop."""


@dataclass(frozen=True, slots=True)
class Fetched:
    """What one call of a feed brought.

    Attributes:
        forecast: None where the server said that nothing has changed: the kept forecast stands.
        answer: of the server; its body is the payload to store.
        kept: to be stored, and given back at the next call, for as long as the forecast it belongs to is kept.
        ask_again_utc: the server asks not to be asked before; None where it does not say.
    """

    forecast: Forecast | None
    answer: Answer
    kept: Kept
    ask_again_utc: datetime | None


@contextmanager
def only_feed_errors(site_id: str, title: str, done: Literal["read", "kept"]) -> Iterator[None]:
    """What nobody foresaw is written in the log and has to wait its turn like any failure of a feed.

    Without it the service would be asked again at every turn, and what comes after it would never run.

    Raises:
        FeedError: whatever went wrong inside.
    """
    try:
        yield
    except FeedError:
        raise
    except Exception as error:
        log.exception("site %s: the answer of %s could not be %s", site_id, title, done)
        raise FeedError(f"{title}: the answer could not be {done}; it is written in the log.") from error


def coordinate(degrees: float) -> str:
    """At most four decimals and no trailing zeros: both services refuse or redirect anything longer."""
    return f"{round(degrees, 4) + 0.0:.4f}".rstrip("0").rstrip(".")


def kept_validators(kept: Kept, url: str) -> Validators:
    """The kept validators where they belong to `url`: those of another place must never yield "not modified"."""
    if kept.get("url") != url:
        return Validators()
    return Validators(kept.get("last_modified"), kept.get("etag"))


def keep(answer: Answer, url: str, earlier: Kept) -> dict[str, str]:
    """What to keep of an answer for the next conditional request to `url`.

    A 304 may leave validators out, then the earlier ones stand. After a 203 conditional requests do not work.
    """
    kept = {"url": url}
    if answer.status == 203:
        return kept
    before = kept_validators(earlier, url) if answer.status == 304 else Validators()
    last_modified, etag = answer.last_modified or before.last_modified, answer.etag or before.etag
    if last_modified is not None:
        kept["last_modified"] = last_modified
    if etag is not None:
        kept["etag"] = etag
    return kept


def asked_utc(answer: Answer, now: datetime) -> datetime | None:
    """The moment before which the server does not want to be asked again, by our clock.

    The later of `max-age` and `Expires`, not beyond `LONGEST_ASKED`; the latter counted from the server's own `Date`,
    so that a wrong clock on either side does no harm.
    """
    waits = []
    if answer.max_age_s is not None:
        waits.append(timedelta(seconds=answer.max_age_s))
    if answer.expires is not None:
        waits.append(answer.expires - (answer.date or now))
    # Within bounds before it is added: dates may lie at either end of the calendar.
    return now + min(max(*waits, timedelta(0)), LONGEST_ASKED) if waits else None


def ask(get: Get, feed: str, title: str, url: str, headers: Mapping[str, str], validators: Validators) -> Answer:
    """One request of a feed.

    Raises:
        FeedError: no answer, or one without data; `permanent` where the request itself is refused.
    """
    try:
        return get(url, headers, validators)
    except BadStatus as error:
        answer = error.answer
        message = f"{title}: {error}"
        if answer.status == 403:
            message += " (contact missing or refused, or we are blocked: see the contact in the settings)"
        asked_s = answer.retry_after_s
        if answer.status == 429 and asked_s is None:
            asked_s = STOPPED_S[feed]
        permanent = 400 <= answer.status < 500 and answer.status != 429
        raise FeedError(
            message, permanent=permanent, retry_after_s=asked_s, gone=answer.status in (404, 410)
        ) from error
    except HttpError as error:
        raise FeedError(f"{title}: {error}") from error


def read_json(answer: Answer, title: str) -> Json:
    """The JSON object of an answer; FeedError where it is something else, such as a gateway's page."""
    if "json" not in answer.content_type:
        start = " ".join(clean_text(answer.body[:200].decode("utf-8", errors="replace")).split())[:100]
        raise FeedError(f"{title}: answered {answer.status} with {answer.content_type or 'no type'}, not JSON: {start}")
    return load(answer.body, title)
