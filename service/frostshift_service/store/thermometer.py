"""Readings of the air at a site, and the tokens with which devices post them.

A token's secret is shown once and never kept: the store has its SHA-256. That is enough for a secret of 32 random
bytes, which nobody can guess from its digest.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, col, delete, func, select

from frostshift_rules.air_correction import AIR_LIMITS_C
from frostshift_rules.job import AirReading
from frostshift_service.store.accounts import digest_of
from frostshift_service.store.records import DeviceToken, KeptAirReading, StoreError, UnknownSite, UnknownToken
from frostshift_service.store.sites import touch
from frostshift_service.store.tables import AirReadingRow, DeviceTokenRow, SiteRow

MAX_NAME: Final = 60
MAX_TOKENS: Final = 50
"""Tokens of one site that count; ours, so that a script that runs wild is noticed."""
KEPT: Final = timedelta(days=400)
"""Readings that devices posted longer ago go: forecasts are scored no further back."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What a device's readings did: so many are new, so many were there (same device, same minute)."""

    taken: int
    already_there: int


# Tokens


def add_token(session: Session, site_id: str, name: str, *, now: datetime) -> str:
    """Make a token for a device of the site; returns its secret, which cannot be had again.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a name that is empty, too long or in use, or too many tokens.
    """
    name = name.strip()
    if not 0 < len(name) <= MAX_NAME or not name.isprintable():
        raise StoreError(f"name of a token: {name!r}, expected 1 to {MAX_NAME} printable letters")
    # Not counted as a change of the site: no plan hangs on it.
    if session.exec(select(SiteRow.id).where(SiteRow.id == site_id).with_for_update()).first() is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    counting = [one for one in tokens_of(session, site_id) if one.revoked_utc is None]
    if any(one.name == name for one in counting):
        raise StoreError(f"site {site_id} has a token {name!r} that counts: revoke it or choose another name")
    if len(counting) >= MAX_TOKENS:
        raise StoreError(f"site {site_id} has {len(counting)} tokens, at most {MAX_TOKENS} may count: revoke some")
    secret = secrets.token_urlsafe(32)
    session.add(
        DeviceTokenRow(
            site_id=site_id, name=name, digest=digest_of(secret), made_utc=now, revoked_utc=None, last_used_utc=None
        )
    )
    session.flush()
    return secret


def tokens_of(session: Session, site_id: str) -> list[DeviceToken]:
    """The tokens of a site, revoked ones too, in the order they were made.

    Raises:
        UnknownSite: there is no site of that id.
    """
    if session.get(SiteRow, site_id) is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    wanted = select(DeviceTokenRow).where(DeviceTokenRow.site_id == site_id).order_by(col(DeviceTokenRow.id))
    return [_token(row) for row in session.exec(wanted)]


def revoke_token(session: Session, site_id: str, token_id: int, *, now: datetime) -> DeviceToken:
    """Let a token count no more from now on; the readings that came with it stay. One that was revoked stays so.

    Raises:
        UnknownToken: the site has none of that id.
    """
    row = session.get(DeviceTokenRow, token_id, with_for_update=True)
    if row is None or row.site_id != site_id:
        raise UnknownToken(f"site {site_id} has no token {token_id}")
    if row.revoked_utc is None:
        row.revoked_utc = now
        session.add(row)
        session.flush()
    return _token(row)


def token_with(session: Session, secret: str) -> DeviceToken | None:
    """The token of a secret, of whatever site, revoked or not; None where there is none.

    Every digest is compared, each in a time that does not hang on where the two differ.
    """
    wanted, found = digest_of(secret), None
    for row in session.exec(select(DeviceTokenRow).order_by(col(DeviceTokenRow.id))):
        if hmac.compare_digest(row.digest, wanted):
            found = row
    return None if found is None else _token(found)


def _token(row: DeviceTokenRow) -> DeviceToken:
    assert row.id is not None
    return DeviceToken(row.id, row.site_id, row.name, row.made_utc, row.revoked_utc, row.last_used_utc)


# Readings


def add_typed(session: Session, site_id: str, reading: AirReading, *, by: str, note: str = "") -> None:
    """Keep a reading that somebody typed in.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: outside what the air can be.
    """
    _check(reading)
    touch(session, site_id)
    session.add(
        AirReadingRow(
            site_id=site_id,
            token_id=None,
            air_c=reading.air_c,
            at_utc=reading.at_utc,
            by=by,
            source="typed",
            note=note,
        )
    )
    session.flush()


def add_posted(session: Session, token: DeviceToken, readings: Sequence[AirReading], *, now: datetime) -> TakenIn:
    """Keep readings of a device: all of them or, after an error, none.

    Seconds are dropped and the first of a minute stays, so that what is sent again after a lost answer changes nothing.
    Posted ones of the site that are older than `KEPT` go, unless all are: a clock that is wrong must destroy nothing.

    Raises:
        UnknownToken: it was revoked meanwhile.
        StoreError: a reading outside what the air can be.
    """
    for one in readings:
        _check(one)
    touch(session, token.site_id)  # the writers to a site follow one another, so that nobody else adds the same now
    row = session.get(DeviceTokenRow, token.id, populate_existing=True)
    if row is None or row.revoked_utc is not None:
        raise UnknownToken(f"site {token.site_id} has no token {token.id} that counts")
    row.last_used_utc = now
    session.add(row)
    posted = col(AirReadingRow.site_id) == token.site_id, col(AirReadingRow.source) == "posted"
    newest_utc = session.exec(select(func.max(AirReadingRow.at_utc)).where(*posted)).one()
    if newest_utc is not None and now - newest_utc < KEPT:  # or our clock may be years ahead: nothing goes then
        session.exec(delete(AirReadingRow).where(*posted, col(AirReadingRow.at_utc) < now - KEPT))
    by_minute: dict[datetime, AirReading] = {}
    for one in readings:
        by_minute.setdefault(one.at_utc.replace(second=0, microsecond=0), one)
    there = set(_minutes_there(session, token, list(by_minute)))
    new = {minute: one for minute, one in by_minute.items() if minute not in there}
    session.add_all(
        AirReadingRow(
            site_id=token.site_id,
            token_id=token.id,
            air_c=one.air_c,
            at_utc=minute,
            by=token.name,
            source="posted",
            note="",
        )
        for minute, one in new.items()
    )
    session.flush()
    return TakenIn(len(new), len(readings) - len(new))


def air_readings_of(
    session: Session, site_id: str, *, since_utc: datetime | None = None, newest: int | None = None
) -> list[KeptAirReading]:
    """Readings of the air at a site in the order of their time: those at or after `since_utc`, the newest so many."""
    wanted = select(AirReadingRow).where(AirReadingRow.site_id == site_id)
    if since_utc is not None:
        wanted = wanted.where(AirReadingRow.at_utc >= since_utc)
    wanted = wanted.order_by(col(AirReadingRow.at_utc).desc(), col(AirReadingRow.id).desc())
    if newest is not None:
        wanted = wanted.limit(newest)
    rows = list(session.exec(wanted))
    return [KeptAirReading(AirReading(row.air_c, row.at_utc), row.by, row.source, row.note) for row in reversed(rows)]


def _check(reading: AirReading) -> None:
    low, high = AIR_LIMITS_C
    if not low <= reading.air_c <= high:
        raise StoreError(f"air reading: air_c is {reading.air_c:g}, {low:g} to {high:g} °C is needed")


def _minutes_there(session: Session, token: DeviceToken, minutes: Sequence[datetime]) -> list[datetime]:
    wanted = select(AirReadingRow.at_utc).where(
        AirReadingRow.site_id == token.site_id,
        AirReadingRow.token_id == token.id,
        col(AirReadingRow.at_utc).in_(minutes),
    )
    return list(session.exec(wanted))
