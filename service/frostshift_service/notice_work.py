"""What the outbox is told from outside: the decision of the rules on a plan, who hears when, and the words.

Here the rules, the plan in hand, the stock and the alerts meet; the outbox knows none of them.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Engine

from frostshift_rules.job import Site
from frostshift_rules.notice_decide import decide
from frostshift_rules.notice_events import AlertSeen, Notice, Told
from frostshift_rules.notice_quiet import due_utc, is_for
from frostshift_rules.notice_setup import NoticeSetup, Person
from frostshift_rules.workload import Plan
from frostshift_service.gas_plans import GasPlans
from frostshift_service.outbox import Telling, Wiring, decide_site
from frostshift_service.stock_form import names_of
from frostshift_service.store.alerts import load_alerts
from frostshift_service.store.engine import reading
from frostshift_service.store.readings import readings_of
from frostshift_service.store.records import KeptNotice, KeptSite, PlanInputs, Words
from frostshift_service.store.stock import entries_of
from frostshift_service.views.notice_text import Envelope, notice_words
from frostshift_service.weather.nws_alerts import cold

log = logging.getLogger(__name__)

READINGS_LOOKED_AT: Final = timedelta(days=3)
"""The rules look at the last hours alone, by a choice of the site; nobody chooses more."""


@dataclass(frozen=True, slots=True)
class Decided:
    """A plan to decide by: where it is kept, itself, and what it was made from."""

    plan_id: int
    plan: Plan
    inputs: PlanInputs


def wiring(pages_url: str | None, now: Callable[[], datetime]) -> Wiring:
    """Words of the views and quiet hours of the rules.

    Args:
        pages_url: what links in messages begin with; None: they hold none.
        now: reads the clock, aware UTC.
    """
    return Wiring(
        words=words_of, due=lambda site, notice, person: due_of(site, notice, person, now()), pages_url=pages_url
    )


def due_of(site: Site, notice: Notice, person: Person, now: datetime) -> datetime | None:
    """When a person is to be told of a notice; None: it is not for this person."""
    heard = is_for(notice, person)
    return None if heard is None else due_utc(heard, person, site.zone, now)


def words_of(telling: Telling) -> Words:
    """A notice in the words of one person: what this person hears of; whoever it is passed on to hears all of it."""
    site, notice = telling.site.site, telling.kept.notice
    heard = is_for(notice, telling.person) or notice
    around = Envelope(
        site_name=site.name,
        zone=site.zone,
        number=telling.kept.number,
        sheet_link="" if telling.pages_url is None else f"{telling.pages_url}/sites/{site.id}/morning",
        answer_link=telling.answer_link if heard.urgency == "now" else "",
        kinds=names_of(site),
        turn=telling.turn,
    )
    return notice_words(heard, telling.person.units, around, telling.now)


def decide_on(
    engine: Engine, site_id: str, by: Decided, now: datetime, gas_plans: GasPlans | None = None
) -> list[KeptNotice]:
    """Hold a plan against what people know, and keep what is to be told; the new notices.

    Raises:
        UnknownSite: there is no site of that id.
    """
    plan, weather = by.plan, by.inputs.weather
    usable = plan.freshness in ("fresh", "late")
    with reading(engine) as session:
        entries = entries_of(session, site_id)
        alerts = load_alerts(session, site_id)
        found = readings_of(session, site_id, since_utc=now - READINGS_LOOKED_AT)
        measured = [one.reading for one in found if not one.is_late]
    hours = weather.hours if usable else None
    gas = None
    try:
        gas = (gas_plans or GasPlans()).get(plan, hours, entries, now)
    except Exception:  # what gas cannot say must not silence the rest
        log.exception("site %s: nothing can be told of gas", site_id)
    warned = tuple(
        AlertSeen(one.headline or one.event, one.onset_utc, one.ends_utc)
        for one in (alerts.alerts if alerts is not None else ())
        if cold(one)
    )

    def decided(_site: KeptSite, setup: NoticeSetup, told: Told) -> tuple[tuple[Notice, ...], Told]:
        return decide(told, plan, hours, gas, measured, warned, setup.choices, now)

    return decide_site(
        engine,
        site_id,
        decided,
        lambda site, notice, person: due_of(site, notice, person, now),
        plan_id=by.plan_id,
        plan_made_utc=plan.made_utc,
        now=now,
    )
