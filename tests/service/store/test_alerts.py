from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from frostshift_rules.job import Site
from frostshift_service.store.alerts import load_alerts, put_alerts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import Alert, KeptAlerts, UnknownSite
from frostshift_service.store.sites import save_site

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
ALERT = Alert(
    "urn:1", "Cold Weather Advisory", "Moderate", "Likely", "Expected", "Cold. « Très froid »", NOW,
    NOW + timedelta(hours=9), NOW - timedelta(hours=1), "Sample County", ("CW",),
)  # fmt: skip
KEPT = KeptAlerts(
    "ore-shed", NOW + timedelta(minutes=5), NOW, 0, "", {"url": "u", "etag": '"7"'}, (ALERT, Alert("x", "y")), ("odd",)
)


def put(store: Engine, site: Site, kept: KeptAlerts) -> None:
    with writing(store) as session:
        put_alerts(session, kept, site.latitude, site.longitude)


def load(store: Engine) -> KeptAlerts | None:
    with reading(store) as session:
        return load_alerts(session, "ore-shed")


def test_alerts_come_back_as_they_were(sited: Engine, site: Site) -> None:
    assert load(sited) is None, "never asked is not none"
    put(sited, site, KEPT)
    assert load(sited) == KEPT
    failed = replace(KEPT, failures=2, last_error="down", fetched_utc=None, alerts=(), warnings=(), state={})
    put(sited, site, failed)
    assert load(sited) == failed


def test_a_site_that_moves_starts_without_alerts(sited: Engine, site: Site) -> None:
    put(sited, site, KEPT)
    with writing(sited) as session:
        save_site(session, replace(site, latitude=site.latitude + 0.25))
    assert load(sited) is None
    # An answer that was on its way for the old place does not count for the new one.
    put(sited, site, KEPT)
    assert load(sited) is None
    put(sited, replace(site, latitude=site.latitude + 0.25), KEPT)
    assert load(sited) == KEPT


def test_no_site_no_alerts(store: Engine, site: Site) -> None:
    with pytest.raises(UnknownSite, match="there is no site 'ore-shed'"):
        put(store, site, KEPT)


@pytest.mark.parametrize("changes", [{"event": 7}, {"onset_utc": "then"}, {"phenomena": [None]}])
def test_a_value_of_the_wrong_kind_is_refused(sited: Engine, site: Site, changes: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="."):
        put(sited, site, replace(KEPT, alerts=(replace(ALERT, **changes),)))
    assert load(sited) is None
