"""The crews of a site and what its superintendent would give for what: what an order of work is worked out from."""

from __future__ import annotations

from dataclasses import dataclass

from frostshift_rules.code_table import Process
from frostshift_rules.order_problem import Weights


@dataclass(frozen=True, slots=True)
class Crew:
    """A crew, and which joints may be given to it.

    Attributes:
        name: as the schedule spells it.
        at_once: joints that it welds at the same time.
        shifts: names of the shifts it works in; empty: all.
        processes: that it may weld; empty: every one.
        procedures: names of the welding procedures it is qualified for; empty: every one.
    """

    name: str
    at_once: int = 1
    shifts: tuple[str, ...] = ()
    processes: tuple[Process, ...] = ()
    procedures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WorkSetup:
    """Crews, and weights. A crew that is not named here keeps the joints it has, and is given no others."""

    crews: tuple[Crew, ...] = ()
    weights: Weights = Weights()

    def crew(self, name: str) -> Crew | None:
        """The crew of that name, whatever its capitals; None where there is none."""
        return next((one for one in self.crews if one.name.casefold() == name.casefold()), None)
