"""What a look finds, and what looks work with."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import Engine, make_url

from frostshift_service.http import Get
from frostshift_service.settings import Settings
from frostshift_service.store.deliveries import CLOCKS_APART
from frostshift_service.store.records import KeptSite
from frostshift_service.weather.feeds import FEEDS, Feed

State = Literal["ok", "look at it", "broken"]

CLOCK_OFF: Final = timedelta(seconds=30)
"""A clock that is further off than this is worth a look; beyond `CLOCKS_APART` it is broken."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one look found.

    Attributes:
        about: what was looked at, such as `database`.
        state: how it stands.
        found: a sentence.
        do: what to do; empty where nothing is.
    """

    about: str
    state: State
    found: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Bench:
    """What the looks work with.

    Attributes:
        settings: of the service.
        clock: reads this machine's, aware UTC.
        get: makes outgoing requests; None: nothing is asked of the network.
        mail_check: connects to the mail server and signs in; None: nothing is asked of the network.
        feeds: by name; as the settings have them.
        base_urls: feed name -> other address than the official one.
        engine: of the store; None where there is none that can be worked with.
        sites: of the store.
    """

    settings: Settings
    clock: Callable[[], datetime]
    get: Get | None
    mail_check: Callable[[], str] | None
    feeds: Mapping[str, Feed] = field(default_factory=lambda: FEEDS)
    base_urls: Mapping[str, str] = field(default_factory=dict)
    engine: Engine | None = None
    sites: Sequence[KeptSite] = ()

    @property
    def now(self) -> datetime:
        """This moment by this machine's clock."""
        return self.clock()


Look = Callable[[Bench], Iterator[Finding]]


def ok(about: str, found: str) -> Finding:
    """All is well."""
    return Finding(about, "ok", found)


def look_at_it(about: str, found: str, do: str) -> Finding:
    """It works, and somebody should know of it."""
    return Finding(about, "look at it", found, do)


def broken(about: str, found: str, do: str) -> Finding:
    """It does not work."""
    return Finding(about, "broken", found, do)


def clock_against(whose: str, theirs_utc: datetime, ours_utc: datetime) -> Finding:
    """This machine's clock against another, of which `whose` is said."""
    off = ours_utc - theirs_utc
    size = abs(off)
    said = f"This machine's clock and {whose} are {size.total_seconds():.0f} s apart."
    if size <= CLOCK_OFF:
        return ok("clock", said)
    way = "ahead" if off > timedelta(0) else "behind"
    do = f"This one is {way}: let both be set by network time (NTP). Ages and times of plans hang on it."
    return Finding("clock", "broken" if size > CLOCKS_APART else "look at it", said, do)


def is_new(settings: Settings) -> bool:
    """Whether the store is a file that is not there yet."""
    address = make_url(settings.database_url)
    return address.get_backend_name() == "sqlite" and not Path(str(address.database)).exists()


def size_of(count: int) -> str:
    """So many bytes, in words."""
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} bytes"
