"""What this copy of the service counts and measures of itself, for `/metrics` (Prometheus text format).

Every set of labels is bounded: routes by their template, steps and channels by name. Nothing here is kept in the store;
what is read from there at the moment it is asked for stands in `outside`.
"""

from __future__ import annotations

from typing import Final, Literal, get_args

from prometheus_client import CollectorRegistry, Counter, Histogram, disable_created_metrics
from prometheus_client.process_collector import ProcessCollector

Step = Literal["turns", "alerts", "pull", "plan", "notices", "deliver", "tidy", "order", "request"]
"""`turns`: taking a site that is due, and giving it back."""

_OWN: Final = "Of this copy alone, since its start."

disable_created_metrics()  # type: ignore[no-untyped-call]  # a series more for each, which says when it began; the process's start says as much

REGISTRY: Final = CollectorRegistry()
"""Of this process."""
ProcessCollector(registry=REGISTRY)

REQUEST_SECONDS: Final = Histogram(
    "frostshift_http_request_seconds",
    f"Time until the whole answer was sent, by route template and status. {_OWN}",
    ("method", "route", "status"),
    buckets=(0.01, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0),
    registry=REGISTRY,
)
PLAN_SECONDS: Final = Histogram(
    "frostshift_plan_seconds",
    f"Time to plan a site, from reading what it is made from to keeping it. {_OWN}",
    buckets=(0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0),
    registry=REGISTRY,
)
DELIVERIES: Final = Counter(
    "frostshift_deliveries",
    "Attempts to deliver a message, by channel and what came of it: sent, waiting (tried again), failed (given up), "
    f"dropped (nobody needs it). {_OWN}",
    ("channel", "outcome"),
    registry=REGISTRY,
)
ERRORS: Final = Counter(
    "frostshift_errors",
    f"Steps that ended with an error nobody foresaw; each is in the log with its traceback. {_OWN}",
    ("step",),
    registry=REGISTRY,
)
DATABASE_TIMEOUTS: Final = Counter(
    "frostshift_database_timeouts",
    f"Statements that the database broke off because they, or a lock they needed, took too long. {_OWN}",
    registry=REGISTRY,
)

for _step in get_args(Step):
    ERRORS.labels(_step)  # a series that begins with its first error has no increase to be alarmed by


def count_error(step: Step) -> None:
    """A step ended with an error nobody foresaw."""
    ERRORS.labels(step).inc()


def is_time_out(error: BaseException | None) -> bool:
    """Whether a database driver's error says that a statement, or the wait for a lock, took too long."""
    if getattr(error, "sqlstate", None) in ("57014", "55P03"):  # query_canceled, lock_not_available
        return True
    return getattr(error, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))
