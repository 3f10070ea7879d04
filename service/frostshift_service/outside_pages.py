"""What is asked from outside how the service is: alive, ready, and its figures in the Prometheus text format."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from typing import get_args

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_1_0_0, generate_latest
from prometheus_client.metrics_core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from frostshift_service.metrics import REGISTRY
from frostshift_service.readiness import Readiness
from frostshift_service.store import outside
from frostshift_service.store.engine import reading
from frostshift_service.store.records import DeliveryState
from frostshift_service.web import DeskDep

router = APIRouter()

_ANY_COPY = "Read from the store: every copy gives the same."


@router.api_route("/healthz", methods=["GET", "HEAD"], include_in_schema=False)
async def alive() -> JSONResponse:
    """The process answers. Says nothing of anything else, so that nobody restarts it for a database that is away."""
    return JSONResponse({"alive": True})


@router.api_route("/readyz", methods=["GET", "HEAD"], include_in_schema=False)
async def ready(request: Request) -> JSONResponse:
    """Whether this copy can do its work; 503 and why where it cannot."""
    readiness: Readiness = request.app.state.readiness
    problems = await readiness.problems()
    return JSONResponse({"ready": not problems, "problems": problems}, 503 if problems else 200)


@router.get("/metrics", include_in_schema=False)
def metrics(desk: DeskDep) -> Response:
    """Figures of this process, and of the sites that whoever asks may watch as they stand in the store now."""
    stored = CollectorRegistry()
    with reading(desk.engine) as session:
        ids = outside.site_ids_of(session)
        seen = [site_id for site_id in ids if desk.who.may("watch", site_id)]
        feeds, plans = outside.feeds_stand(session), outside.plans_stand(session)
        outbox = outside.outbox_stands(session, desk.now(), None if len(seen) == len(ids) else seen)
    stored.register(_Read(list(_families(desk.now(), set(seen), feeds, plans, outbox))))
    return Response(generate_latest(REGISTRY) + generate_latest(stored), media_type=CONTENT_TYPE_PLAIN_1_0_0)


class _Read(Collector):
    """Hands out what was read."""

    def __init__(self, families: Sequence[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families


def _families(
    now: datetime,
    seen: Collection[str],
    feeds: list[outside.FeedStands],
    plans: list[outside.PlanStands],
    outbox: outside.OutboxStands,
) -> Iterator[Metric]:
    """What was read as figures; an age that nobody knows has no sample."""
    pulls = GaugeMetricFamily(
        "frostshift_feed_pull_age_seconds",
        f"Since a weather service last gave a good answer. {_ANY_COPY}",
        labels=("site", "feed"),
    )
    failures = GaugeMetricFamily(
        "frostshift_feed_failures",
        f"Failures in a row of a weather service; 0 after a good answer. {_ANY_COPY}",
        labels=("site", "feed"),
    )
    for feed in feeds:
        if feed.site_id in seen:
            failures.add_metric((feed.site_id, feed.feed), feed.failures)
            if feed.last_answer_utc is not None:
                pulls.add_metric((feed.site_id, feed.feed), _age_s(feed.last_answer_utc, now))
    issues = GaugeMetricFamily(
        "frostshift_forecast_issue_age_seconds",
        f"Since the forecast of the latest plan was issued; none where the service does not say. {_ANY_COPY}",
        labels=("site", "feed"),
    )
    fetches = GaugeMetricFamily(
        "frostshift_forecast_fetch_age_seconds",
        f"Since the forecast of the latest plan came. {_ANY_COPY}",
        labels=("site", "feed"),
    )
    ages = GaugeMetricFamily(
        "frostshift_plan_age_seconds", f"Since the latest plan of a site was made. {_ANY_COPY}", labels=("site",)
    )
    for plan in plans:
        if plan.site_id in seen:
            ages.add_metric((plan.site_id,), _age_s(plan.made_utc, now))
            for family, moment in ((issues, plan.issued_utc), (fetches, plan.fetched_utc)):
                if moment is not None and plan.feed is not None:
                    family.add_metric((plan.site_id, plan.feed), _age_s(moment, now))
    yield from (pulls, failures, issues, fetches, ages)
    yield GaugeMetricFamily("frostshift_sites", f"Sites you may watch. {_ANY_COPY}", value=len(seen))
    messages = GaugeMetricFamily(
        "frostshift_outbox_messages",
        f"Messages of the sites you may watch, by state; what waits and is claimed is the depth. {_ANY_COPY}",
        labels=("state",),
    )
    for state in get_args(DeliveryState):
        messages.add_metric((state,), outbox.count.get(state, 0))
    yield messages
    yield GaugeMetricFamily(
        "frostshift_outbox_oldest_seconds",
        f"Since the oldest message that waits or is being sent was due; 0 where none is. {_ANY_COPY}",
        value=0.0 if outbox.oldest_utc is None else _age_s(outbox.oldest_utc, now),
    )


def _age_s(moment: datetime, now: datetime) -> float:
    """Negative where a clock was ahead: that is to be seen."""
    return (now - moment).total_seconds()
