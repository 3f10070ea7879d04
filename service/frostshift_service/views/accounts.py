"""Who signs in: one's own account, who may do what at a site, all accounts, and the log of changes, as frozen views."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from frostshift_service.rights import RIGHTS_OF, ROLES, Right, Role, Scope
from frostshift_service.store.accounts import Account, Browser
from frostshift_service.store.audit import AuditLine
from frostshift_service.store.machine_tokens import MachineToken
from frostshift_service.store.records import ShowUnits
from frostshift_service.views.files import Table
from frostshift_service.views.show import Moment, Show

ROLE_TEXTS: Final[Mapping[Role, str]] = {
    "superintendent": "reads and changes everything of the site, and says who else may",
    "purchasing": "reads everything, enters what happened to gas cylinders",
    "crew": "reads everything, writes readings, says what is being heated, welded, done",
    "viewer": "reads everything, changes nothing",
}
RIGHT_TEXTS: Final[Mapping[Right, str]] = {
    "see": "read sheet, joints, weather, schedule, gas, notices",
    "work": "write readings and states of joints",
    "plan": "load and change the schedule",
    "stock": "enter gas cylinders",
    "answer": "answer notices",
    "set_up": "change settings, people, links, tokens and roles",
    "watch": "read figures about the service",
}
SCOPE_TEXTS: Final[Mapping[Scope, str]] = {
    "read": "read sheet, joints, weather, schedule, gas, notices",
    "readings": "write readings and states of joints",
    "schedule": "load and change the schedule",
    "stock": "enter gas cylinders",
    "metrics": "read figures about the service (/metrics): ages of forecast and plan, messages that wait",
}
UNITS_TEXTS: Final[Mapping[str, str]] = {"us": "°F, inches, pounds", "si": "°C, millimetres, kilograms", "both": "both"}


@dataclass(frozen=True, slots=True)
class BrowserLine:
    """A browser that is signed in; `key` ends it. `browser` is what it calls itself, `device` that in plain words."""

    key: str
    browser: str
    device: str
    since: Moment
    seen: Moment
    by_link: bool
    this_one: bool


@dataclass(frozen=True, slots=True)
class AccountPage:
    """One's own account; its times by the clock of `zone`."""

    name: str
    email: str | None
    units: ShowUnits | None
    has_password: bool
    owner: bool
    roles: Mapping[str, Role]
    browsers: tuple[BrowserLine, ...]
    zone: str


@dataclass(frozen=True, slots=True)
class AccountLine:
    """One account in a list. `role` is what it is at the site asked about; None: nothing, or all sites are listed."""

    id: int
    name: str
    email: str | None
    owner: bool
    role: Role | None
    roles_text: str
    has_password: bool
    entered: Moment | None
    closed: Moment | None
    state_text: str


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A token of a program."""

    id: int
    name: str
    scopes: tuple[Scope, ...]
    made: Moment
    made_by: str
    last_used: Moment | None
    revoked: Moment | None


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """A line of the log."""

    at: Moment
    by: str
    site_id: str
    what: str
    detail: str


@dataclass(frozen=True, slots=True)
class RoleLine:
    """What a role may do at a site."""

    role: Role
    text: str
    may: tuple[Right, ...]


@dataclass(frozen=True, slots=True)
class AccessPage:
    """Who may do what at a site."""

    site_id: str
    site_name: str
    accounts: tuple[AccountLine, ...]
    tokens: tuple[TokenLine, ...]
    roles: tuple[RoleLine, ...]
    log: tuple[AuditEntry, ...]
    zone: str


@dataclass(frozen=True, slots=True)
class AccountsPage:
    """All accounts."""

    accounts: tuple[AccountLine, ...]


@dataclass(frozen=True, slots=True)
class AuditPage:
    """The log of all sites, the newest first; its times by the clock of `zone`."""

    log: tuple[AuditEntry, ...]
    zone: str


def account_page(account: Account, browsers: Sequence[Browser], this: str | None, show: Show) -> AccountPage:
    """One's own account; `this` is the key of the browser that asks."""
    return AccountPage(
        account.name,
        account.email,
        account.units,
        account.has_password,
        account.owner,
        account.roles,
        tuple(
            BrowserLine(
                one.key,
                one.browser or "unknown",
                device_text(one.browser),
                show.moment(one.made_utc, detail="year"),
                show.moment(one.seen_utc, detail="year"),
                one.by_link,
                one.key == this,
            )
            for one in browsers
        ),
        show.zone.key,
    )


_BROWSERS: Final = (
    ("Edg/", "Edge"), ("EdgA/", "Edge"), ("SamsungBrowser/", "Samsung Internet"), ("OPR/", "Opera"),
    ("Firefox/", "Firefox"), ("FxiOS/", "Firefox"), ("CriOS/", "Chrome"), ("Chrome/", "Chrome"), ("Safari/", "Safari"),
)  # fmt: skip
"""What a browser calls itself -> its name; those that also call themselves by another's name stand first."""
_SYSTEMS: Final = (
    ("Android", "Android"), ("iPhone", "iPhone"), ("iPad", "iPad"), ("Windows", "Windows"), ("CrOS", "Chromebook"),
    ("Mac OS X", "Mac"), ("Linux", "Linux"),
)  # fmt: skip


def device_text(browser: str) -> str:
    """A browser in plain words, such as `Chrome on Android`, as it says itself; empty where that is not known."""
    name = next((name for mark, name in _BROWSERS if mark in browser), "")
    system = next((name for mark, name in _SYSTEMS if mark in browser), "")
    return " on ".join(part for part in (name, system) if part)


def account_line(account: Account, site_id: str | None, show: Show) -> AccountLine:
    """One account; of a site what it is there."""
    if account.closed_utc is not None:
        state = "closed"
    elif account.entered_utc is None:
        state = "invited, has not signed in yet"
    else:
        state = "signs in with a password" if account.has_password else "signs in by one-time links"
    return AccountLine(
        account.id,
        account.name,
        account.email,
        account.owner,
        None if site_id is None else account.roles.get(site_id),
        ", ".join(f"{role} at {site}" for site, role in account.roles.items()),
        account.has_password,
        _when(account.entered_utc, show),
        _when(account.closed_utc, show),
        state,
    )


def _when(moment: datetime | None, show: Show) -> Moment | None:
    return None if moment is None else show.moment(moment, detail="year")


def role_lines() -> tuple[RoleLine, ...]:
    """The roles there are, and what each may do."""
    return tuple(
        RoleLine(role, ROLE_TEXTS[role], tuple(right for right in RIGHT_TEXTS if right in RIGHTS_OF[role]))
        for role in ROLES
    )


def access_page(
    site_id: str,
    site_name: str,
    accounts: Sequence[Account],
    tokens: Sequence[MachineToken],
    log: Sequence[AuditLine],
    show: Show,
) -> AccessPage:
    """Who may do what at a site, tokens that count first."""
    return AccessPage(
        site_id,
        site_name,
        tuple(account_line(one, site_id, show) for one in accounts),
        tuple(
            TokenLine(
                one.id,
                one.name,
                one.scopes,
                show.moment(one.made_utc, detail="year"),
                one.made_by,
                _when(one.last_used_utc, show),
                _when(one.revoked_utc, show),
            )
            for one in sorted(tokens, key=lambda one: (one.revoked_utc is not None, one.id))
        ),
        role_lines(),
        tuple(audit_entry(line, show) for line in log),
        show.zone.key,
    )


def audit_entry(line: AuditLine, show: Show) -> AuditEntry:
    """A line of the log."""
    return AuditEntry(show.moment(line.at_utc, detail="year"), line.by, line.site_id, line.what, line.detail)


def accounts_table(lines: Sequence[AccountLine]) -> Table:
    """Accounts as a table."""
    columns = ("id", "name", "email", "owner", "roles", "state", "first_entered_utc", "closed_utc")
    rows = [
        (
            one.id,
            one.name,
            one.email or "",
            "yes" if one.owner else "no",
            one.roles_text,
            one.state_text,
            one.entered.utc.isoformat() if one.entered else "",
            one.closed.utc.isoformat() if one.closed else "",
        )
        for one in lines
    ]
    return Table(columns, tuple(rows))


def audit_table(lines: Sequence[AuditEntry]) -> Table:
    """The log as a table."""
    return Table(
        ("at_utc", "by", "site", "what", "detail"),
        tuple((one.at.utc.isoformat(), one.by, one.site_id, one.what, one.detail) for one in lines),
    )
