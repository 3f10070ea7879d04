"""Gas plans, kept while nothing they come from changes: a big one takes more than a second, and several ask for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Final

from frostshift_rules.gas_plan import GasPlan, make_gas_plan
from frostshift_rules.stock import stock_of
from frostshift_rules.stock_entry import StockEntry
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Plan
from frostshift_service.stock_form import contents_of, kinds_of

GOOD_FOR: Final = timedelta(minutes=5)
"""A gas plan looks at the clock too: which shifts are over, whether an order of today can still be made. Our choice."""


@dataclass(frozen=True, slots=True)
class _Held:
    """A gas plan with what it was made from; a plan in hand is one object, so that it is known again at once."""

    plan: Plan
    entries: tuple[StockEntry, ...]
    at: datetime
    found: GasPlan


class GasPlans:
    """The last gas plan of each site."""

    def __init__(self) -> None:
        self._held: dict[str, _Held] = {}
        self._working = Lock()

    def known(self, plan: Plan, entries: Sequence[StockEntry], now: datetime) -> GasPlan | None:
        """The gas plan of this plan and ledger, where it was worked out a moment ago; None where it was not."""
        held = self._held.get(plan.site.id)
        if held is None or held.plan is not plan or not timedelta(0) <= now - held.at < GOOD_FOR:
            return None
        return held.found if held.entries == tuple(entries) else None

    def get(self, plan: Plan, hours: Hours | None, entries: Sequence[StockEntry], now: datetime) -> GasPlan:
        """The gas plan of a plan and a ledger, worked out where it is not known.

        Args:
            plan: of a site.
            hours: of the forecast that it was made from; None where none can be used.
            entries: the site's ledger.
            now: aware UTC.

        Raises:
            StockRefused, OutOfRange: what `stock_of` and `make_gas_plan` raise.
        """
        with self._working:
            found = self.known(plan, entries, now)
            if found is None:
                stock = stock_of(entries, contents_of(kinds_of(plan.site)))
                found = make_gas_plan(plan, hours, stock, now)
                self._held[plan.site.id] = _Held(plan, tuple(entries), now, found)
            return found

    def forget(self, site_id: str) -> None:
        """Hold nothing of a site any more."""
        with self._working:
            self._held.pop(site_id, None)
