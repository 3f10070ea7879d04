"""What stations near a site measured, hour by hour: one record a station, never mixed with another."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlmodel import Session, col, delete, select

from frostshift_rules.surroundings import Hours
from frostshift_service.store.packing import SERIES, pack_hours, unpack_hours
from frostshift_service.store.records import ObservedHours
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import ObservedHoursRow, SiteRow

KEPT_H: Final = 72
"""Hours measured longer ago than this before the newest fetch are thinned [h]: the steel no longer knows them."""
_HOUR: Final = timedelta(hours=1)


def put_observed(
    session: Session,
    site_id: str,
    observed: ObservedHours,
    latitude: float,
    longitude: float,
    altitude_m: float | None,
) -> None:
    """Keep what a station measured, merged with what is kept of it: a new value stands, a missing one leaves the old.

    New is what was fetched later, whichever of two copies of the service writes last. Hours more than `KEPT_H` before
    `observed.fetched_utc` go, and stations last fetched before that.

    Args:
        session: a writing one.
        site_id: the site.
        observed: new hours.
        latitude: of the place they were asked for [degrees]; what was kept for another place goes.
        longitude: of the same [degrees].
        altitude_m: of the same [m].

    Raises:
        UnknownSite: there is no site of that id.
    """
    hold_site(session, site_id)
    oldest_utc = observed.fetched_utc - KEPT_H * _HOUR
    elsewhere = (
        (col(ObservedHoursRow.latitude) != latitude)
        | (col(ObservedHoursRow.longitude) != longitude)
        | col(ObservedHoursRow.altitude_m).is_distinct_from(altitude_m)
    )
    old = elsewhere | (col(ObservedHoursRow.fetched_utc) < oldest_utc)
    session.exec(delete(ObservedHoursRow).where(col(ObservedHoursRow.site_id) == site_id, old))
    session.expire_all()
    row = session.get(ObservedHoursRow, (site_id, observed.station))
    both, fetched_utc = observed.hours, observed.fetched_utc
    if row is not None:
        layers = [(row.fetched_utc, unpack_hours(row.hours)), (fetched_utc, both)]
        (_, earlier), (fetched_utc, later) = sorted(layers, key=lambda layer: layer[0])
        both = _merged(earlier, later)
    kept = _since(both, oldest_utc)
    if kept is None:
        return
    session.merge(
        ObservedHoursRow(
            site_id=site_id,
            station=observed.station,
            latitude=latitude,
            longitude=longitude,
            altitude_m=altitude_m,
            title=observed.title,
            distance_km=observed.distance_km,
            height_m=observed.height_m,
            fetched_utc=fetched_utc,
            hours=pack_hours(kept),
        )
    )
    session.flush()


def load_observed(session: Session, site_id: str, first_utc: datetime, last_utc: datetime) -> ObservedHours | None:
    """What was measured near a site, of one station: the one fetched last that has an air temperature in the span.

    Args:
        session: any session.
        site_id: the site.
        first_utc: first hour, aware, on the full hour.
        last_utc: last hour, the same; not before `first_utc`.

    Returns:
        Hours from first to last, NaN where nothing was measured; None where no station has any for where the site is.
    """
    wanted = select(ObservedHoursRow).where(
        ObservedHoursRow.site_id == site_id,
        SiteRow.id == site_id,
        ObservedHoursRow.latitude == SiteRow.latitude,
        ObservedHoursRow.longitude == SiteRow.longitude,
        col(ObservedHoursRow.altitude_m).is_not_distinct_from(col(SiteRow.altitude_m)),
    )
    newest = (col(ObservedHoursRow.fetched_utc).desc(), col(ObservedHoursRow.station))
    for row in session.exec(wanted.order_by(*newest)):
        hours = _on_axis([unpack_hours(row.hours)], first_utc, round((last_utc - first_utc) / _HOUR) + 1)
        if np.isfinite(hours.air_c).any():
            return ObservedHours(row.station, row.title, row.distance_km, row.height_m, row.fetched_utc, hours)
    return None


def _merged(old: Hours, new: Hours) -> Hours:
    first_utc = min(old.start_utc, new.start_utc)
    end_utc = max(hours.start_utc + len(hours) * _HOUR for hours in (old, new))
    return _on_axis([old, new], first_utc, round((end_utc - first_utc) / _HOUR))


def _since(hours: Hours, oldest_utc: datetime) -> Hours | None:
    """The hours from `oldest_utc` on; None where none is left."""
    past = max(0, -((hours.start_utc - oldest_utc) // _HOUR))
    count = len(hours) - past
    return _on_axis([hours], hours.start_utc + past * _HOUR, count) if count > 0 else None


def _on_axis(layers: list[Hours], first_utc: datetime, count: int) -> Hours:
    """Hours of an axis, each value from the last layer that has it; NaN where none has."""
    block = np.full((len(SERIES), count), np.nan)
    for hours in layers:
        shift = round((hours.start_utc - first_utc) / _HOUR)
        low, high = max(shift, 0), min(shift + len(hours), count)
        if low < high:
            theirs = np.stack([getattr(hours, name)[low - shift : high - shift] for name in SERIES])
            np.copyto(block[:, low:high], theirs, where=np.isfinite(theirs))
    return Hours(first_utc, *block)
