"""Weather alerts: those of the last answer for each site, and when to ask again."""

from __future__ import annotations

from typing import Any, Final

from pydantic import TypeAdapter
from sqlmodel import Session, col, select, update

from frostshift_service.store.packing import plain
from frostshift_service.store.records import Alert, KeptAlerts
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import AlertsRow, SiteRow

_ALERT: Final = TypeAdapter(Alert)


def load_alerts(session: Session, site_id: str) -> KeptAlerts | None:
    """How it stands with the alerts of a site; None where they were never asked for at the place where it is."""
    wanted = select(AlertsRow).where(
        AlertsRow.site_id == site_id,
        SiteRow.id == site_id,
        AlertsRow.latitude == SiteRow.latitude,
        AlertsRow.longitude == SiteRow.longitude,
    )
    row = session.exec(wanted).first()
    if row is None:
        return None
    return KeptAlerts(
        site_id=row.site_id,
        next_try_utc=row.next_try_utc,
        fetched_utc=row.fetched_utc,
        failures=row.failures,
        last_error=row.last_error,
        state=dict(row.state),
        alerts=tuple(_ALERT.validate_python(alert) for alert in row.alerts),
        warnings=tuple(row.warnings),
    )


def put_alerts(session: Session, kept: KeptAlerts, latitude: float, longitude: float) -> None:
    """Write how it stands with the alerts of a site; holds the site, so that two copies follow one another.

    What was fetched later stays, whatever a slower copy brings after it, and what is of the place where the site is.

    Args:
        session: a writing one.
        kept: what to write.
        latitude: of the place that was asked about [degrees].
        longitude: of the same [degrees].

    Raises:
        UnknownSite: there is no site of that id.
    """
    hold_site(session, kept.site_id)
    values: dict[str, Any] = {
        "latitude": latitude,
        "longitude": longitude,
        "fetched_utc": kept.fetched_utc,
        "next_try_utc": kept.next_try_utc,
        "failures": kept.failures,
        "last_error": kept.last_error,
        "state": dict(kept.state),
        "alerts": [plain(_ALERT, alert) for alert in kept.alerts],
        "warnings": list(kept.warnings),
    }
    session.flush()
    here = select(SiteRow.id).where(
        SiteRow.id == kept.site_id, SiteRow.latitude == latitude, SiteRow.longitude == longitude
    )
    elsewhere = (col(AlertsRow.latitude) != latitude) | (col(AlertsRow.longitude) != longitude)
    fetched = col(AlertsRow.fetched_utc)
    older = fetched.is_(None) if kept.fetched_utc is None else fetched.is_(None) | (fetched <= kept.fetched_utc)
    # One that is later than our next try is of a clock that was wrong: it must not shut out all that follow.
    replaced = (elsewhere & here.exists()) | ~elsewhere & (older | (fetched > kept.next_try_utc))
    of_site = col(AlertsRow.site_id) == kept.site_id
    session.exec(update(AlertsRow).where(of_site, replaced).values(values))
    if session.exec(select(AlertsRow.site_id).where(of_site)).first() is None:
        session.add(AlertsRow(site_id=kept.site_id, **values))
    session.flush()
    session.expire_all()
