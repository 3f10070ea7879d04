"""What of a notice a person hears, and from when on."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from frostshift_rules.job import Shift
from frostshift_rules.notice_events import Notice
from frostshift_rules.notice_setup import OF_THE_SITE, ORDER, Person
from frostshift_rules.shifts import holding, spans

AWAKE: Final = timedelta(minutes=30)
"""What has to be done before quiet hours are over, or so soon after, does not wait for their end. Our choice."""


def is_for(notice: Notice, person: Person) -> Notice | None:
    """The notice with the events that a person hears of; None: none of them.

    A person of some crews hears of these only, and not of what concerns no crew. Who hears of all crews hears of
    cylinders and of the forecast from the site's own notice, and not a second time from a crew's. The key stays: it is
    the same notice.
    """
    if person.crews and notice.crew not in person.crews:
        return None
    least = ORDER.index(person.least)
    twice = OF_THE_SITE if notice.crew and not person.crews else ()
    events = tuple(
        one
        for one in notice.events
        if one.kind in person.hears_of and one.kind not in twice and ORDER.index(one.urgency) <= least
    )
    return replace(notice, events=events) if events else None


def due_utc(notice: Notice, person: Person, zone: str, now_utc: datetime) -> datetime:
    """From when on a person may be told: now, or the end of the quiet hours that hold now.

    Quiet hours keep the site's clock, past midnight and on the nights of a clock change too (a time that occurs twice
    is taken the first time, one that does not exist as far after the change as it lies after midnight). What is `now`
    is not held back, nor what has to be done before they are over or within half an hour after. Hours that end when
    they begin are none.

    Args:
        notice: as `is_for` leaves it.
        person: with or without quiet hours.
        zone: IANA time zone of the site.
        now_utc: aware.
    """
    quiet = person.quiet
    if quiet is None or quiet.begin == quiet.until or notice.urgency == "now":
        return now_utc
    span = holding(spans((Shift("quiet", quiet.begin, quiet.until),), zone, now_utc, now_utc), now_utc)
    if span is None:
        return now_utc
    if notice.by_utc is not None and notice.by_utc < span.end_utc + AWAKE:
        return now_utc
    return span.end_utc
