"""Tokens with which programs read or write one site. A token's secret is shown once; the store has its SHA-256."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, col, select, update

from frostshift_service.rights import SCOPES, Actor, Scope
from frostshift_service.store.accounts import digest_of
from frostshift_service.store.records import StoreError, UnknownToken
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import MachineTokenRow

PREFIX: Final = "fst_"
"""What a secret begins with, so that one that lies about is recognised."""
MOST_TOKENS: Final = 50
MOST_NAME: Final = 60
SEEN_EVERY: Final = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class MachineToken:
    """A token.

    Attributes:
        id, site_id, name: which, of what site, for what program.
        scopes: what it may do.
        made_utc, made_by: when and by whom.
        revoked_utc, last_used_utc: None: not.
    """

    id: int
    site_id: str
    name: str
    scopes: tuple[Scope, ...]
    made_utc: datetime
    made_by: str
    revoked_utc: datetime | None
    last_used_utc: datetime | None

    @property
    def actor(self) -> Actor:
        """What its holder may do."""
        return Actor(f"token {self.name}", rights={self.site_id: frozenset().union(*(SCOPES[s] for s in self.scopes))})


def new_machine_token(
    session: Session, site_id: str, name: str, scopes: Sequence[str], *, by: str, now: datetime
) -> str:
    """Make a token; returns its secret, which cannot be had again.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a name that is empty, too long or in use, no scope, one that is none, or too many tokens.
    """
    name = name.strip()
    if not 0 < len(name) <= MOST_NAME or not name.isprintable():
        raise StoreError(f"name of a token: {name[:MOST_NAME]!r}, expected 1 to {MOST_NAME} printable letters")
    wrong = [scope for scope in scopes if scope not in SCOPES]
    if wrong or not scopes:
        raise StoreError(f"scopes of a token: {', '.join(wrong) or 'none'}, expected some of {', '.join(SCOPES)}")
    hold_site(session, site_id)
    counting = [one for one in machine_tokens_of(session, site_id) if one.revoked_utc is None]
    if any(one.name == name for one in counting):
        raise StoreError(f"site {site_id} has a token {name!r} that counts: revoke it or choose another name")
    if len(counting) >= MOST_TOKENS:
        raise StoreError(f"site {site_id} has {len(counting)} tokens, at most {MOST_TOKENS} may count: revoke some")
    secret = PREFIX + secrets.token_urlsafe(32)
    session.add(
        MachineTokenRow(
            site_id=site_id,
            name=name,
            scopes=[scope for scope in SCOPES if scope in scopes],
            digest=digest_of(secret),
            made_utc=now,
            made_by=by,
            revoked_utc=None,
            last_used_utc=None,
        )
    )
    session.flush()
    return secret


def machine_tokens_of(session: Session, site_id: str) -> list[MachineToken]:
    """The tokens of a site, revoked ones too, in the order they were made."""
    wanted = select(MachineTokenRow).where(MachineTokenRow.site_id == site_id).order_by(col(MachineTokenRow.id))
    return [_token(row) for row in session.exec(wanted)]


def machine_token_with(session: Session, secret: str) -> MachineToken | None:
    """The token of a secret that counts; None for none.

    Looked up by its digest: how long that takes says nothing of a secret of 32 random bytes.
    """
    row = session.exec(select(MachineTokenRow).where(MachineTokenRow.digest == digest_of(secret))).first()
    return None if row is None or row.revoked_utc is not None else _token(row)


def mark_token_used(session: Session, token_id: int, *, now: datetime) -> None:
    """It was used just now."""
    session.exec(update(MachineTokenRow).where(col(MachineTokenRow.id) == token_id).values(last_used_utc=now))


def revoke_machine_token(session: Session, site_id: str, token_id: int, *, now: datetime) -> MachineToken:
    """Let a token count no more. One that was revoked stays so.

    Raises:
        UnknownToken: the site has none of that id.
    """
    row = session.get(MachineTokenRow, token_id, with_for_update=True)
    if row is None or row.site_id != site_id:
        raise UnknownToken(f"site {site_id} has no token {token_id}")
    row.revoked_utc = row.revoked_utc or now
    session.add(row)
    session.flush()
    return _token(row)


def _token(row: MachineTokenRow) -> MachineToken:
    assert row.id is not None
    scopes: Mapping[str, object] = dict.fromkeys(row.scopes)
    return MachineToken(
        row.id,
        row.site_id,
        row.name,
        tuple(scope for scope in SCOPES if scope in scopes),
        row.made_utc,
        row.made_by,
        row.revoked_utc,
        row.last_used_utc,
    )
