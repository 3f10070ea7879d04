"""Fields that a feed leaves out and that follow from what it gives, marked as estimated.

The dew point is filled in `hourly.py`, where its limits are checked. The sky's temperature is always worked out by the
rules and is no field of the record.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from frostshift_rules.surroundings import estimated_sun_of_hours_wm2
from frostshift_service.weather import Forecast, Place
from frostshift_service.weather.quality import Mark, with_missing


def fill_sun(forecast: Forecast, place: Place) -> Forecast:
    """The forecast with the sun estimated where the feed gives none.

    Still missing where the cloud is missing in daylight. The rules would make the same estimate themselves: filling it
    in changes no plan; it shows, and marks, what the plan used.

    Args:
        forecast: of one feed.
        place: the site; its altitude does not count.
    """
    hours = forecast.hours
    estimate = estimated_sun_of_hours_wm2(hours.start_utc, place.latitude, place.longitude, hours.cloud)
    unknown = np.isnan(hours.sun_wm2)
    sun_wm2 = np.where(unknown, estimate, hours.sun_wm2)
    before = forecast.quality.get("sun_wm2", np.zeros(len(hours), dtype=np.uint8))
    marks = with_missing(np.where(unknown, Mark.ESTIMATED, before).astype(np.uint8), sun_wm2)
    return replace(forecast, hours=replace(hours, sun_wm2=sun_wm2), quality={**forecast.quality, "sun_wm2": marks})
