"""Accounts, what they are at sites, the browsers they are signed in on, and the one-time links that let them in.

Secrets (of sessions and links) are 32 random bytes; the store has their SHA-256 alone.
"""

from __future__ import annotations

import hashlib
import secrets
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, delete, select, update

from frostshift_service.mail_address import is_mail_address
from frostshift_service.rights import RIGHTS_OF, ROLES, Actor, Role
from frostshift_service.store.records import SHOW_UNITS, ShowUnits, StoreError
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import AccountRow, AttemptRow, EntryLinkRow, SessionRow, SiteRoleRow

MOST_NAME: Final = 100
IDLE: Final = timedelta(days=7)
"""A browser that has not been used for so long is signed out. Our choice, as the next two."""
LONGEST: Final = timedelta(days=30)
"""A browser is signed out so long after it signed in, however much it was used."""
LINK_LASTS: Final = timedelta(hours=24)
SEEN_EVERY: Final = timedelta(minutes=10)
"""When a session was seen is written no more often."""
MOST_SESSIONS: Final = 20
"""Browsers of one account; signing in on one more ends the oldest."""


class UnknownAccount(StoreError):
    """There is no account of that id."""


class MailTaken(StoreError):
    """Another account has this mail address."""


class NameTaken(StoreError):
    """Another account has this name."""


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who signs in.

    Attributes:
        id: number.
        email: signs in with it; None: an owner who has not given one yet.
        name: written down beside what he changes.
        has_password: False: he signs in by one-time links.
        owner: may do everything everywhere.
        proven: the mail address was shown to be his, or an owner vouched for him.
        units: he reads; None: each site's.
        made_utc, entered_utc, closed_utc: when it was made, used for the first time, closed; None: not yet.
        roles: what he is, by site.
    """

    id: int
    email: str | None
    name: str
    has_password: bool
    owner: bool
    proven: bool
    units: ShowUnits | None
    made_utc: datetime
    entered_utc: datetime | None
    closed_utc: datetime | None
    roles: Mapping[str, Role]

    @property
    def actor(self) -> Actor:
        """What he may do."""
        rights = {site_id: RIGHTS_OF[role] for site_id, role in self.roles.items()}
        return Actor(self.name, self.id, self.owner, rights, self.units)


@dataclass(frozen=True, slots=True)
class Browser:
    """A browser that is signed in: the key to end it by, and what is known of it."""

    key: str
    made_utc: datetime
    seen_utc: datetime
    browser: str
    by_link: bool


def digest_of(secret: str) -> str:
    """What the store keeps of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "surrogateescape")).hexdigest()


def mail_of(text: str) -> str:
    """A mail address as accounts have it.

    Raises:
        StoreError: it is none.
    """
    address = text.strip()
    if not is_mail_address(address):
        raise StoreError(f"mail address {text[:100]!r}: expected one such as name@example.com")
    return address.casefold()


_NOBODYS_NAMES: Final = ("token ", "a link ", "this machine ", "command line ", "crew ", "pages ")
"""What programs, links and commands sign with."""


def _name_of(session: Session, text: str, except_id: int | None = None) -> str:
    """A name as accounts have it; it stands beside every change, so that it is one account's alone."""
    name = " ".join(text.split())
    if not 0 < len(name) <= MOST_NAME or not name.isprintable():
        raise StoreError(f"name {text[:MOST_NAME]!r}: expected 1 to {MOST_NAME} printable letters")
    plain = name.casefold()
    if f"{plain} ".startswith(_NOBODYS_NAMES):
        raise StoreError(f"name {name!r}: programs and links sign with names like this; choose another")
    # Compared here: the databases fold letters in different ways, and accounts are few.
    others = session.exec(select(AccountRow.id, AccountRow.name)).all()
    if any(one_id != except_id and one.casefold() == plain for one_id, one in others):
        raise NameTaken(f"there is an account called {name!r} already; add something, such as the crew")
    return name


# Accounts


def add_account(session: Session, email: str | None, name: str, *, now: datetime, owner: bool = False) -> Account:
    """A new account, without password and roles.

    Raises:
        MailTaken: another account has the mail address.
        StoreError: no mail address, or a name that cannot be.
    """
    address = None if email is None else mail_of(email)
    name = _name_of(session, name)
    if address is not None:
        _check_free(session, address)
    row = AccountRow(
        email=address,
        name=name,
        password_hash=None,
        owner=owner,
        proven=owner,
        units=None,
        made_utc=now,
        entered_utc=None,
        closed_utc=None,
    )
    session.add(row)
    session.flush()
    return _account(session, row)


def _check_free(session: Session, address: str, except_id: int | None = None) -> None:
    taken = session.exec(select(AccountRow.id).where(AccountRow.email == address)).first()
    if taken is not None and taken != except_id:
        raise MailTaken(f"there is an account with the mail address {address} already")


def accounts(session: Session, *, site_id: str | None = None) -> list[Account]:
    """All accounts by name, closed ones too; with `site_id` those that are something there."""
    wanted = select(AccountRow, SiteRoleRow).outerjoin(SiteRoleRow, col(SiteRoleRow.account_id) == col(AccountRow.id))
    if site_id is not None:
        wanted = wanted.where(
            col(AccountRow.id).in_(select(SiteRoleRow.account_id).where(SiteRoleRow.site_id == site_id))
        )
    roles: defaultdict[int, list[SiteRoleRow]] = defaultdict(list)
    rows = {}
    for row, role in session.exec(wanted):
        assert row.id is not None
        rows[row.id] = row
        if role is not None:
            roles[row.id].append(role)
    ordered = sorted(rows, key=lambda one: (rows[one].name.casefold(), one))
    return [_with_roles(rows[account_id], roles[account_id]) for account_id in ordered]


def account_of(session: Session, account_id: int) -> Account:
    """One account.

    Raises:
        UnknownAccount: there is none of that id.
    """
    return _account(session, _row(session, account_id))


def by_mail(session: Session, email: str) -> Account | None:
    """The open account of a mail address; None where there is none."""
    row = session.exec(select(AccountRow).where(AccountRow.email == email.strip().casefold())).first()
    return None if row is None or row.closed_utc is not None else _account(session, row)


def password_hash_of(session: Session, account_id: int) -> str | None:
    """The hash of an account's password; None: it has none."""
    return _row(session, account_id).password_hash


def change_account(session: Session, account_id: int, *, name: str, units: ShowUnits | None) -> Account:
    """Write what somebody says of himself.

    Raises:
        UnknownAccount: there is none of that id.
        NameTaken: another account has the name.
        StoreError: a name that cannot be, or units that are none.
    """
    row = _row(session, account_id)
    if units is not None and units not in SHOW_UNITS:
        raise StoreError(f"units {units!r}: expected one of {', '.join(SHOW_UNITS)}")
    row.name, row.units = _name_of(session, name, account_id), units
    session.add(row)
    session.flush()
    return _account(session, row)


def set_mail(session: Session, account_id: int, email: str) -> str:
    """Another mail address, that somebody vouches for; returns it as it is kept.

    Raises:
        UnknownAccount: there is none of that id.
        MailTaken: another account has the mail address.
        StoreError: no mail address.
    """
    row, address = _row(session, account_id), mail_of(email)
    _check_free(session, address, account_id)
    row.email = address
    session.add(row)
    session.flush()
    return address


def set_password(session: Session, account_id: int, password_hash: str, *, keep: str | None = None) -> None:
    """A new password: every browser but the one of digest `keep` is signed out, and links end."""
    row = _row(session, account_id)
    row.password_hash = password_hash
    session.add(row)
    end_sessions(session, account_id, keep=keep)
    session.exec(delete(EntryLinkRow).where(col(EntryLinkRow.account_id) == account_id))


def refresh_hash(session: Session, account_id: int, password_hash: str) -> None:
    """The same password under newer parameters."""
    session.exec(update(AccountRow).where(col(AccountRow.id) == account_id).values(password_hash=password_hash))


def set_owner(session: Session, account_id: int, *, owner: bool) -> None:
    """Make somebody an owner, or no longer one.

    Raises:
        StoreError: it would leave nobody who is.
    """
    row = _row(session, account_id)
    if row.owner and not owner:
        _check_other_owner(session, account_id)
    row.owner = owner
    session.add(row)
    session.flush()


def close_account(session: Session, account_id: int, *, now: datetime) -> None:
    """Nobody signs in with it any more; at once, everywhere.

    Raises:
        StoreError: it would leave no owner.
    """
    row = _row(session, account_id)
    if row.owner:
        _check_other_owner(session, account_id)
    row.closed_utc = row.closed_utc or now
    row.password_hash = None
    session.add(row)
    end_sessions(session, account_id)
    session.exec(delete(EntryLinkRow).where(col(EntryLinkRow.account_id) == account_id))


def open_account(session: Session, account_id: int) -> None:
    """A closed account counts again; it signs in by a new link."""
    row = _row(session, account_id)
    row.closed_utc = None
    session.add(row)
    session.flush()


def _check_other_owner(session: Session, account_id: int) -> None:
    # All owners are held, so that two who leave at once on PostgreSQL do not both find the other.
    others = session.exec(
        select(AccountRow).where(col(AccountRow.owner), col(AccountRow.closed_utc).is_(None)).with_for_update()
    ).all()
    if not any(one.id != account_id for one in others):
        raise StoreError("this is the only owner there is: make somebody else one first")


def owner_to_let_in(session: Session, *, now: datetime) -> Account:
    """An owner, for whoever holds this machine: the first that is open; made where there is none."""
    wanted = select(AccountRow).where(col(AccountRow.owner), col(AccountRow.closed_utc).is_(None))
    row = session.exec(wanted.order_by(col(AccountRow.id)).limit(1)).first()
    return _account(session, row) if row is not None else add_account(session, None, "Owner", now=now, owner=True)


def set_role(session: Session, site_id: str, account_id: int, role: Role | None) -> None:
    """What an account is at a site from now on; None: nothing.

    Raises:
        UnknownSite, UnknownAccount: there is none.
        StoreError: no role.
    """
    if role is not None and role not in ROLES:
        raise StoreError(f"role {role!r}: expected one of {', '.join(ROLES)}")
    hold_site(session, site_id)
    _row(session, account_id)
    session.exec(
        delete(SiteRoleRow).where(col(SiteRoleRow.site_id) == site_id, col(SiteRoleRow.account_id) == account_id)
    )
    if role is not None:
        session.add(SiteRoleRow(site_id=site_id, account_id=account_id, role=role))
    session.flush()


# Browsers


def new_session(session: Session, account_id: int, *, browser: str, by_link: bool, now: datetime) -> str:
    """Sign a browser in; the secret for its cookie."""
    forget_old(session, now=now)
    secret = secrets.token_urlsafe(32)
    session.add(
        SessionRow(
            digest=digest_of(secret),
            account_id=account_id,
            made_utc=now,
            seen_utc=now,
            browser="".join(letter for letter in browser if letter.isprintable())[:120],
            by_link=by_link,
        )
    )
    row = _row(session, account_id)
    row.entered_utc = row.entered_utc or now
    session.add(row)
    session.flush()
    oldest = select(SessionRow.digest).where(SessionRow.account_id == account_id)
    oldest = oldest.order_by(col(SessionRow.seen_utc).desc(), col(SessionRow.digest)).offset(MOST_SESSIONS)
    too_many = list(session.exec(oldest))
    if too_many:
        session.exec(delete(SessionRow).where(col(SessionRow.digest).in_(too_many)))
    return secret


def account_of_session(session: Session, secret: str, *, now: datetime) -> tuple[Account, Browser] | None:
    """Who is signed in with the secret of a cookie; None: nobody, or no longer."""
    row = session.get(SessionRow, digest_of(secret))
    if row is None or not (now - IDLE < row.seen_utc and now - LONGEST < row.made_utc):
        return None
    account = session.get(AccountRow, row.account_id)
    if account is None or account.closed_utc is not None:
        return None
    return _account(session, account), _browser(row)


def mark_session_seen(session: Session, key: str, *, now: datetime) -> None:
    """The browser was used just now."""
    session.exec(update(SessionRow).where(col(SessionRow.digest) == key).values(seen_utc=now))


def sessions_of(session: Session, account_id: int, *, now: datetime) -> list[Browser]:
    """The browsers that an account is signed in on, the one used last first."""
    rows = session.exec(select(SessionRow).where(SessionRow.account_id == account_id)).all()
    live = [row for row in rows if now - IDLE < row.seen_utc and now - LONGEST < row.made_utc]
    return [_browser(row) for row in sorted(live, key=lambda row: (row.seen_utc, row.digest), reverse=True)]


def end_session(session: Session, account_id: int, key: str) -> None:
    """Sign one browser of an account out."""
    session.exec(delete(SessionRow).where(col(SessionRow.account_id) == account_id, col(SessionRow.digest) == key))


def end_sessions(session: Session, account_id: int, *, keep: str | None = None) -> None:
    """Sign an account out everywhere, but for the browser of digest `keep`."""
    ended = delete(SessionRow).where(col(SessionRow.account_id) == account_id)
    session.exec(ended if keep is None else ended.where(col(SessionRow.digest) != keep))


# One-time links


def new_entry_link(
    session: Session, account_id: int, *, now: datetime, proves: bool = False, email: str | None = None
) -> str:
    """The secret of a link that signs an account in, once.

    Args:
        session: a writing session.
        account_id: of the account.
        now: time.
        proves: it goes to the mail address of the account, or an owner hands it over: using it proves the account.
        email: address that it goes to and that the account has once it is used; None: the account's own stays.

    Raises:
        UnknownAccount: there is none of that id.
        MailTaken: another account has that address.
        StoreError: `email` is no mail address.
    """
    _row(session, account_id)
    address = None if email is None else mail_of(email)
    if address is not None:
        _check_free(session, address, account_id)
    secret = secrets.token_urlsafe(32)
    session.add(
        EntryLinkRow(
            digest=digest_of(secret),
            account_id=account_id,
            made_utc=now,
            until_utc=now + LINK_LASTS,
            email=address,
            proves=proves or address is not None,
        )
    )
    session.flush()
    return secret


def use_entry_link(session: Session, secret: str, *, now: datetime) -> Account | None:
    """Use a link up: the account that it signs in; None where it is not known, was used or is too old."""
    digest = digest_of(secret)
    link = session.get(EntryLinkRow, digest, with_for_update=True)
    if link is None:
        return None
    session.delete(link)
    session.flush()
    row = _row(session, link.account_id)
    if link.until_utc < now or row.closed_utc is not None:
        return None
    if link.email is not None:
        try:
            _check_free(session, link.email, row.id)
        except MailTaken:  # somebody else proved it meanwhile
            return None
        row.email = link.email
    row.proven = row.proven or link.proves
    session.add(row)
    session.flush()
    return _account(session, row)


# Attempts


def count_attempt(session: Session, key: str, free: int, *, now: datetime) -> timedelta:
    """Count an attempt before it is looked at, so that many at once count as many.

    Args:
        session: a writing session.
        key: what attempts are counted by, such as an address; kept as a digest.
        free: attempts without a pause.
        now: time.

    Returns:
        How long to wait before trying again; zero: it may be looked at. One that has to wait is not counted.
    """
    digest = digest_of(key)
    row = session.get(AttemptRow, digest, with_for_update=True)
    if row is None:
        row = AttemptRow(key=digest, count=0, last_utc=now)
    elif row.last_utc > now:  # the clock was wrong
        row.count = 0
    else:
        row.count = max(row.count - int((now - row.last_utc) / EASES), 0)
    wait = row.last_utc + pause_after(row.count, free) - now
    if row.count and wait > timedelta(0):
        return wait
    row.count, row.last_utc = row.count + 1, now
    session.add(row)
    session.flush()
    return timedelta(0)


EASES: Final = timedelta(minutes=30)
"""One attempt is forgotten for each of these without any. Our choice."""
FORGOTTEN: Final = timedelta(days=2)
"""A count is deleted so long after its last attempt."""


def pause_after(count: int, free: int) -> timedelta:
    """Pause after so many attempts in a row: none at first, then 30 s, doubling up to 15 minutes. Our choice."""
    if count < free:
        return timedelta(0)
    return min(timedelta(seconds=30 * 2.0 ** min(count - free, 10)), timedelta(minutes=15))


def forget_attempts(session: Session, key: str) -> None:
    """Signing in went well: what failed before no longer counts."""
    session.exec(delete(AttemptRow).where(col(AttemptRow.key) == digest_of(key)))


def give_back(session: Session, key: str) -> None:
    """An attempt that was counted went well: many people behind one address do not lock each other out."""
    counted = update(AttemptRow).where(col(AttemptRow.key) == digest_of(key), col(AttemptRow.count) > 0)
    session.exec(counted.values(count=AttemptRow.count - 1))


def is_over(now: datetime) -> ColumnElement[bool]:
    """Of a session: it signs nobody in any more."""
    return (col(SessionRow.seen_utc) < now - IDLE) | (col(SessionRow.made_utc) < now - LONGEST)


def forget_old(session: Session, *, now: datetime) -> None:
    """Sessions, links and attempts that are over go."""
    session.exec(delete(SessionRow).where(is_over(now)))
    session.exec(delete(EntryLinkRow).where(col(EntryLinkRow.until_utc) < now))
    session.exec(delete(AttemptRow).where(col(AttemptRow.last_utc) < now - FORGOTTEN))


# Rows as values


def _row(session: Session, account_id: int) -> AccountRow:
    row = session.get(AccountRow, account_id, with_for_update=True)
    if row is None:
        raise UnknownAccount(f"there is no account {account_id}")
    return row


def _account(session: Session, row: AccountRow) -> Account:
    return _with_roles(row, session.exec(select(SiteRoleRow).where(SiteRoleRow.account_id == row.id)))


def _with_roles(row: AccountRow, roles: Iterable[SiteRoleRow]) -> Account:
    assert row.id is not None
    return Account(
        row.id,
        row.email,
        row.name,
        row.password_hash is not None,
        row.owner,
        row.proven,
        row.units,
        row.made_utc,
        row.entered_utc,
        row.closed_utc,
        {one.site_id: one.role for one in sorted(roles, key=lambda one: one.site_id)},
    )


def _browser(row: SessionRow) -> Browser:
    return Browser(row.digest, row.made_utc, row.seen_utc, row.browser, row.by_link)


def any_owner_signs_in(session: Session) -> bool:
    """Whether there is an open owner with a password: he needs no link from this machine's terminal."""
    wanted = select(AccountRow.id).where(
        col(AccountRow.owner), col(AccountRow.closed_utc).is_(None), col(AccountRow.password_hash).is_not(None)
    )
    return session.exec(wanted.limit(1)).first() is not None
