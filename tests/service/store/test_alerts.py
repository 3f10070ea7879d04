from concurrent.futures import ThreadPoolExecutor
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
    failed = replace(KEPT, failures=2, last_error="down", alerts=(), warnings=(), state={})
    put(sited, site, failed)
    assert load(sited) == failed


def test_what_was_fetched_later_stays_whatever_a_slower_copy_brings(sited: Engine, site: Site) -> None:
    """Two copies on one database: the second asks later, is answered first, and the first is answered or fails."""
    before = replace(KEPT, fetched_utc=NOW - timedelta(minutes=6), alerts=())
    put(sited, site, before)
    later = replace(KEPT, fetched_utc=NOW + timedelta(minutes=1), next_try_utc=NOW + timedelta(minutes=6))
    put(sited, site, later)
    for slower in (replace(before, fetched_utc=NOW), replace(before, failures=1, last_error="no answer")):
        put(sited, site, replace(slower, next_try_utc=NOW + timedelta(minutes=5)))
        assert load(sited) == later
    put(sited, site, replace(KEPT, fetched_utc=None, failures=1, next_try_utc=NOW + timedelta(minutes=5)))
    assert load(sited) == later
    again = replace(later, failures=1, last_error="no answer", next_try_utc=NOW + timedelta(minutes=11))
    put(sited, site, again)
    assert load(sited) == again, "a failure after it stands beside it"


def test_two_copies_at_once_leave_the_later_answer(sited: Engine, site: Site) -> None:
    asked = [NOW + timedelta(seconds=second) for second in range(8)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda at: put(sited, site, replace(KEPT, fetched_utc=at)), [*asked[::2], *asked[1::2][::-1]]))
    kept = load(sited)
    assert kept is not None
    assert kept.fetched_utc == asked[-1]


def test_an_answer_of_a_clock_that_was_wrong_shuts_out_nothing(sited: Engine, site: Site) -> None:
    put(sited, site, replace(KEPT, fetched_utc=NOW + timedelta(days=400), next_try_utc=NOW + timedelta(days=401)))
    put(sited, site, KEPT)
    assert load(sited) == KEPT


def test_an_answer_for_a_place_that_was_left_does_not_take_the_place_of_the_new_one(sited: Engine, site: Site) -> None:
    moved = replace(site, latitude=site.latitude + 0.25)
    put(sited, site, KEPT)
    with writing(sited) as session:
        save_site(session, moved)
    put(sited, moved, KEPT)
    put(sited, site, replace(KEPT, fetched_utc=NOW + timedelta(minutes=1)))
    assert load(sited) == KEPT


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
