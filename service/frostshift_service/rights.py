"""Who may do what: the roles, what each may do at a site, and what every path asks for. One table, read as it stands.

A path that is not in `ASKED` is answered to nobody; a test holds the table against the app's routes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

Role = Literal["superintendent", "purchasing", "crew", "viewer"]
"""What somebody is at a site. An owner is no role: he may do everything everywhere."""
Right = Literal["see", "work", "plan", "stock", "answer", "set_up"]
"""What may be done at a site.

- see: read the sheet, joints, weather, schedule, gas, notices, rule tables.
- work: write readings, say that a joint is being heated, welded, done.
- plan: load and change the schedule, move joints.
- stock: enter what happened to gas cylinders.
- answer: say that a notice was seen.
- set_up: change the site's settings, people, procedures, links and tokens, and who may do what at it.
"""
Asked = Right | Literal["open", "link", "device", "signed_in", "own"]
"""What a path asks for: a right at its site; `open`: nothing; `link`: the secret in it; `device`: a device's token;
`signed_in`: an account, whatever its roles; `own`: an owner."""

ROLES: Final[tuple[Role, ...]] = get_args(Role)
RIGHTS: Final[tuple[Right, ...]] = get_args(Right)

RIGHTS_OF: Final[Mapping[Role, frozenset[Right]]] = {
    "superintendent": frozenset(RIGHTS),
    "purchasing": frozenset({"see", "stock", "answer"}),
    "crew": frozenset({"see", "work", "answer"}),
    "viewer": frozenset({"see"}),
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


ASKED: Final[Mapping[str, Asked]] = {}
