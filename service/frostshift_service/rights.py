"""Who may do what: the roles, what each may do at a site, and what every path asks for. One table, read as it stands.

A path that is not in `ASKED` is answered to nobody; a test holds the table against the app's routes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

Role = Literal["superintendent", "purchasing", "crew", "viewer"]
"""What somebody is at a site. An owner is no role: he may do everything everywhere."""
Right = Literal["see", "work", "plan", "stock", "answer", "set_up", "watch"]
"""What may be done at a site.

- see: read the sheet, joints, weather, schedule, gas, notices, rule tables.
- work: write readings, say that a joint is being heated, welded, done.
- plan: load and change the schedule, move joints.
- stock: enter what happened to gas cylinders.
- answer: say that a notice was seen.
- set_up: change the site's settings, people, procedures, links and tokens, and who may do what at it.
- watch: read at `/metrics` how the service stands with it: ages of forecasts and plans, messages that wait.
"""
Asked = Right | Literal["open", "link", "device", "signed_in", "account", "own", "watch_some"]
"""What a path asks for: a right at its site; `open`: nothing; `link`: the secret in it; `device`: a device's token;
`signed_in`: a session or a token, whatever its rights; `account`: a session; `own`: an owner's; `watch_some`: the right
`watch` at one site at least, and the answer holds no other site."""
Scope = Literal["read", "readings", "schedule", "stock", "metrics"]
"""What a program's token may do at its site."""

ROLES: Final[tuple[Role, ...]] = get_args(Role)
RIGHTS: Final[tuple[Right, ...]] = get_args(Right)

RIGHTS_OF: Final[Mapping[Role, frozenset[Right]]] = {
    "superintendent": frozenset(RIGHTS),
    "purchasing": frozenset({"see", "stock", "answer"}),
    "crew": frozenset({"see", "work", "answer"}),
    "viewer": frozenset({"see"}),
}

SCOPES: Final[Mapping[Scope, frozenset[Right]]] = {
    "read": frozenset({"see"}),
    "readings": frozenset({"work"}),
    "schedule": frozenset({"plan"}),
    "stock": frozenset({"stock"}),
    "metrics": frozenset({"watch"}),
}


@dataclass(frozen=True, slots=True)
class Actor:
    """Who asks.

    Attributes:
        name: written down beside what he changes.
        account_id: of his account; None for a machine's token or a link.
        owner: may do everything everywhere.
        rights: what he may do, by site.
        units: units he wants to read; None: the site's.
    """

    name: str
    account_id: int | None = None
    owner: bool = False
    rights: Mapping[str, frozenset[Right]] = field(default_factory=dict)
    units: Literal["us", "si", "both"] | None = None

    def may(self, right: Right, site_id: str) -> bool:
        """Whether he may do this at a site."""
        return self.owner or right in self.rights.get(site_id, frozenset())

    def knows(self, site_id: str) -> bool:
        """Whether the site is there for him at all."""
        return self.owner or bool(self.rights.get(site_id))


_BY_RIGHT: Final[Mapping[Asked, tuple[str, ...]]] = {
    "open": (
        "GET /healthz",
        "HEAD /healthz",
        "GET /readyz",
        "HEAD /readyz",
        "GET /sign-in",
        "POST /sign-in",
        "POST /sign-in/link",
        "GET /enter",
        "POST /enter",
    ),
    "link": (
        "GET /crew/{token}",
        "GET /crew/{token}.json",
        "GET /crew/{token}/joints/{mark:path}",
        "GET /crew/{token}/joints/{mark:path}.json",
        "POST /crew/{token}/readings",
        "POST /crew/{token}/readings.json",
        "GET /answer/{token}",
        "POST /answer/{token}",
        "GET /calendar/{token}.ics",
        "HEAD /calendar/{token}.ics",
    ),
    "watch_some": ("GET /metrics",),
    "device": ("POST /sites/{site_id}/thermometer",),
    "signed_in": (
        "GET /",
        "GET /sites.json",
        "GET /case",
        "GET /case.json",
        "POST /cases.json",
        "GET /arrangements",
        "GET /arrangements.json",
        "GET /tables",
        "GET /tables.json",
        "GET /tables/{table_id}",
        "GET /tables/{table_id}.json",
        "GET /schedule-template.{kind}",
    ),
    "account": (
        "GET /account",
        "GET /account.json",
        "POST /account",
        "POST /account/password",
        "POST /account/sign-out",
        "POST /account/sign-out-everywhere",
        "POST /account/browsers/{key}/end",
    ),
    "own": (
        "GET /set-up/new",
        "POST /set-up/new",
        "GET /accounts",
        "GET /accounts.json",
        "GET /accounts.csv",
        "POST /accounts",
        "POST /accounts/{account_id}",
        "POST /accounts/{account_id}/link",
        "GET /audit",
        "GET /audit.json",
        "GET /audit.csv",
    ),
    "see": (
        "GET /sites/{site_id}/crew-sheet",
        "GET /sites/{site_id}/crew-sheet.json",
        "GET /sites/{site_id}/crew-sheet.pdf",
        "GET /sites/{site_id}/morning.pdf",
        "GET /sites/{site_id}/gas/order.pdf",
        "GET /sites/{site_id}/joints/{mark:path}.pdf",
        "GET /sites/{site_id}/plan.json",
        "GET /sites/{site_id}/readings",
        "GET /sites/{site_id}/readings.json",
        "GET /sites/{site_id}/readings.csv",
        "GET /sites/{site_id}/readings.xlsx",
        "GET /sites/{site_id}/record",
        "GET /sites/{site_id}/record.json",
        "GET /sites/{site_id}/record.csv",
        "GET /sites/{site_id}/record.pdf",
        "GET /sites/{site_id}/morning",
        "GET /sites/{site_id}/morning.json",
        "GET /sites/{site_id}/morning.csv",
        "GET /sites/{site_id}/morning.xlsx",
        "GET /sites/{site_id}/joints/{mark:path}",
        "GET /sites/{site_id}/joints/{mark:path}.json",
        "GET /sites/{site_id}/weather",
        "GET /sites/{site_id}/weather.json",
        "GET /sites/{site_id}/weather.csv",
        "GET /sites/{site_id}/weather.xlsx",
        "GET /sites/{site_id}/air-readings.json",
        "GET /sites/{site_id}/schedule",
        "GET /sites/{site_id}/schedule.json",
        "GET /sites/{site_id}/schedule.{kind}",
        "GET /sites/{site_id}/compare",
        "GET /sites/{site_id}/compare.json",
        "GET /sites/{site_id}/compare.csv",
        "GET /sites/{site_id}/hours",
        "GET /sites/{site_id}/hours.json",
        "GET /sites/{site_id}/hours.csv",
        "GET /sites/{site_id}/order",
        "GET /sites/{site_id}/order.json",
        "GET /sites/{site_id}/order.csv",
        "GET /sites/{site_id}/gas",
        "GET /sites/{site_id}/gas.json",
        "GET /sites/{site_id}/gas.csv",
        "GET /sites/{site_id}/gas/order",
        "GET /sites/{site_id}/gas-order.xlsx",
        "GET /sites/{site_id}/gas-order.csv",
        "GET /sites/{site_id}/gas-order.ics",
        "GET /sites/{site_id}/stock",
        "GET /sites/{site_id}/stock.json",
        "GET /sites/{site_id}/stock.csv",
        "GET /sites/{site_id}/notices",
        "GET /sites/{site_id}/notices.json",
        "GET /sites/{site_id}/notices.csv",
        "GET /sites/{site_id}/notices/{number}",
    ),
    "work": (
        "POST /sites/{site_id}/readings.json",
        "POST /sites/{site_id}/state",
        "POST /sites/{site_id}/readings",
        "POST /sites/{site_id}/air-readings",
    ),
    "plan": (
        "POST /sites/{site_id}/schedule.json",
        "POST /sites/{site_id}/schedule/preview/{draft_id}",
        "POST /sites/{site_id}/edit",
        "POST /sites/{site_id}/remove",
        "POST /sites/{site_id}/schedule/undo",
        "POST /sites/{site_id}/schedule/bulk",
        "POST /sites/{site_id}/schedule/bulk.json",
        "POST /sites/{site_id}/schedule/bulk/save",
        "GET /sites/{site_id}/schedule/preview/{draft_id}",
        "GET /sites/{site_id}/schedule/preview/{draft_id}.json",
        "GET /sites/{site_id}/edit",
        "GET /sites/{site_id}/edit.json",
        "POST /sites/{site_id}/schedule",
        "POST /sites/{site_id}/undo",
        "POST /sites/{site_id}/order/run",
        "POST /sites/{site_id}/order/cancel",
        "POST /sites/{site_id}/order/take",
    ),
    "stock": ("POST /sites/{site_id}/stock",),
    "answer": ("POST /sites/{site_id}/notices/{number}/answer",),
    "set_up": (
        "GET /sites/{site_id}/set-up",
        "GET /sites/{site_id}/set-up.json",
        "GET /sites/{site_id}/set-up/site.json",
        "GET /sites/{site_id}/set-up/site.toml",
        "GET /sites/{site_id}/set-up/gas.toml",
        "GET /sites/{site_id}/set-up/people.toml",
        "GET /sites/{site_id}/set-up/procedures.csv",
        "GET /sites/{site_id}/set-up/procedures-template.csv",
        "GET /sites/{site_id}/set-up/tables/{table_id}.toml",
        "GET /sites/{site_id}/set-up/{topic}.json",
        "GET /sites/{site_id}/set-up/{topic}",
        "POST /sites/{site_id}/set-up/{topic}",
        "POST /sites/{site_id}/set-up/{topic}/remove",
        "POST /sites/{site_id}/set-up/{topic}/load",
        "POST /sites/{site_id}/set-up/table/accept",
        "POST /sites/{site_id}/set-up/thermometer/tokens",
        "POST /sites/{site_id}/set-up/thermometer/tokens/{token_id}/revoke",
        "POST /sites/{site_id}/people/crew-pages",
        "POST /sites/{site_id}/people/crew-pages/{link_id}/revoke",
        "GET /sites/{site_id}/people",
        "GET /sites/{site_id}/people.json",
        "POST /sites/{site_id}/people/test",
        "POST /sites/{site_id}/people/calendar",
        "POST /sites/{site_id}/people/calendar/{link_id}/revoke",
        "GET /sites/{site_id}/access",
        "GET /sites/{site_id}/access.json",
        "GET /sites/{site_id}/access.csv",
        "POST /sites/{site_id}/access",
        "POST /sites/{site_id}/access/{account_id}",
        "POST /sites/{site_id}/access/tokens",
        "POST /sites/{site_id}/access/tokens/{token_id}/revoke",
    ),
}
ASKED: Final[Mapping[str, Asked]] = {path: asked for asked, paths in _BY_RIGHT.items() for path in paths}
"""What every path asks for, by method and path."""
