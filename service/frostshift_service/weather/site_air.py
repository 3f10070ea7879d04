"""A forecast held against the site's thermometer, as a plan takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.air_correction import Corrected, correct
from frostshift_rules.job import AirReading, Choices
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import AirBias, Weather


@dataclass(frozen=True, slots=True)
class RawWeather:
    """The forecast in use, before the site's thermometer is read.

    Attributes:
        weather: with its hours, those gone by from wherever they are known.
        said: what the forecast in use says of the air, as far back as readings may count; None without one.
        measured: of the hours of `weather`, those that were measured near the site; None without any.
    """

    weather: Weather
    said: Hours | None = None
    measured: NDArray[np.bool_] | None = None


def held_against(
    raw: RawWeather, readings: Sequence[AirReading], choices: Choices, now: datetime
) -> tuple[Weather, Corrected | None]:
    """The weather to plan with, and how it came about; None where there are no hours to hold the readings against.

    The weather says what the readings did (`air_bias`) where they say anything and the site wants them to.
    """
    weather = raw.weather
    if weather.hours is None or len(weather.hours) == 0:
        return weather, None
    found = correct(weather.hours, weather.members, readings, now, choices, said=raw.said, measured=raw.measured)
    if found.bias_k is None or found.outcome == "off":
        return weather, found
    bias = AirBias(found.bias_k, len(found.counted), found.until_utc)
    return replace(weather, hours=found.hours, members=found.members, air_bias=bias), found
