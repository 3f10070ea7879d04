"""Looks at this machine and its settings: what is set, passwords, disk, PDF, zone data."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlsplit
from zoneinfo import TZPATH, ZoneInfo

import tzdata

from frostshift_service.doctor.findings import Bench, Finding, State, broken, look_at_it, ok, size_of
from frostshift_service.pdf import NoPdf, check_pdf

LITTLE_SPACE: Final = 1_000_000_000
"""Free bytes below which there is little room. Our choice."""
NO_SPACE: Final = 100_000_000
"""The same below which there is none."""
PLACEHOLDERS: Final = frozenset(
    (
        "admin",
        "change-me",
        "change_me",
        "changeme",
        "default",
        "example",
        "frostshift",
        "password",
        "postgres",
        "secret",
    )
)
"""Passwords that everybody tries first, or that stand in an example."""
CHANGE_AHEAD: Final = timedelta(days=400)
"""So far a change of the clock is looked for."""


def settings_look(bench: Bench) -> Iterator[Finding]:
    """The settings hold, else there were none; what is left off."""
    one = bench.settings
    if one.contact is None:
        do = "Set FROSTSHIFT_CONTACT to a mail address that the weather services can write to."
        yield look_at_it("settings", "No contact is set, so no forecast is pulled.", do)
    if one.smtp_url is None:
        yield look_at_it(
            "settings",
            "No mail server is set, so no mail is sent.",
            "Set FROSTSHIFT_SMTP_URL and FROSTSHIFT_MAIL_FROM, if people are to be told by mail.",
        )
    if one.pages_url is None:
        yield look_at_it(
            "settings",
            "The pages are for this machine alone, and messages hold no links.",
            "Set FROSTSHIFT_PAGES_URL, if others are to read them.",
        )
    if one.contact and one.smtp_url and one.pages_url:
        yield ok("settings", "All read; contact, mail server and address of the pages are set.")


def secrets_look(bench: Bench) -> Iterator[Finding]:
    """No password is one that everybody tries; none is shown."""
    weak = []
    smtp = bench.settings.smtp_url
    for name, address in (
        ("FROSTSHIFT_DATABASE_URL", bench.settings.database_url),
        ("FROSTSHIFT_SMTP_URL", smtp.get_secret_value() if smtp else ""),
    ):
        parts = urlsplit(address)
        password = unquote(parts.password or "")
        if password and (password.lower() in PLACEHOLDERS or password == unquote(parts.username or "")):
            weak.append(name)
    for name in weak:
        yield broken(
            "secrets", f"The password in {name} is one that everybody tries first.", "Set another there and here."
        )
    if not weak:
        yield ok("secrets", "No password of the settings is an example's. The service itself has no default secret.")


def data_look(bench: Bench) -> Iterator[Finding]:
    """The data directory takes a file, and there is room."""
    folder = bench.settings.data_dir
    if not folder.exists():
        yield look_at_it("disk", f"There is no folder {folder} yet.", "The first `frostshift serve` makes it.")
        return
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"frostshift")
    except OSError as error:
        do = "Give the user that the service runs as the right to write there, or set FROSTSHIFT_DATA_DIR."
        yield broken("disk", f"Nothing can be written to {folder}: {error.strerror}.", do)
        return
    free = shutil.disk_usage(folder).free
    said = f"{folder} can be written to; {size_of(free)} free."
    if free < LITTLE_SPACE:
        state: State = "broken" if free < NO_SPACE else "look at it"
        yield Finding("disk", state, said, "Make room on this disk, before the service can keep nothing any more.")
    else:
        yield ok("disk", said)


def pdf_look(_bench: Bench) -> Iterator[Finding]:
    """The parts that PDFs need can be loaded."""
    try:
        check_pdf()
    except NoPdf:
        do = "Install frostshift with its part `pdf` and the Pango library; or print pages from the browser."
        yield look_at_it("pdf", "PDFs cannot be made here.", do)
    else:
        yield ok("pdf", "The parts that PDFs need are there.")


def zones_look(bench: Bench) -> Iterator[Finding]:
    """The zone of every site loads; when its clock changes next."""
    yield _zone_data()
    for kept in bench.sites:
        about = f"site {kept.site.id}"
        try:
            zone = ZoneInfo(kept.site.zone)
        except (KeyError, ValueError, OSError):
            do = "Install the package tzdata, or put the zone right on the site's set-up page."
            yield broken(about, f"Its zone {kept.site.zone} is not known here.", do)
            continue
        change = next_change(zone, bench.now)
        local = bench.now.astimezone(zone)
        when = "does not change within a year"
        if change is not None:
            when = f"changes next at {change.astimezone(zone):%Y-%m-%d %H:%M}"
        yield ok(about, f"{kept.site.zone}: it is {local:%H:%M} there; the clock {when}.")


def _zone_data() -> Finding:
    """Python takes this machine's data where there are any, even where those of the package are newer."""
    brought = tzdata.IANA_VERSION
    folder = next((Path(one) for one in TZPATH if (Path(one) / "UTC").exists()), None)
    if folder is None:
        return ok("zone data", f"Of the package tzdata, version {brought}.")
    named = folder / "tzdata.zi"
    if not named.exists():
        return ok("zone data", "Of this machine, which does not say which version they are.")
    with named.open(encoding="utf-8", errors="replace") as file:
        there = file.readline(100).removeprefix("# version ").strip()
    said = f"Of this machine, version {there}"
    if there >= brought:  # such as 2026a: a year and a letter
        return ok("zone data", f"{said}.")
    return look_at_it("zone data", f"{said}; version {brought} is known.", "Bring this machine's zone data up to date.")


def next_change(zone: ZoneInfo, now: datetime) -> datetime | None:
    """When the clock of a zone changes next, to the minute; None: not within `CHANGE_AHEAD`."""
    start, minute, day = now.replace(second=0, microsecond=0), timedelta(minutes=1), 24 * 60

    def same(minutes: int) -> bool:
        return (start + minutes * minute).astimezone(zone).utcoffset() == start.astimezone(zone).utcoffset()

    most = CHANGE_AHEAD // minute
    changed = next((at for at in range(day, most, day) if not same(at)), None)
    if changed is None:
        return None
    before = changed - day
    while changed - before > 1:
        middle = (before + changed) // 2
        before, changed = (middle, changed) if same(middle) else (before, middle)
    return start + changed * minute
