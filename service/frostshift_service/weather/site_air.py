"""A forecast held against the site's thermometer, as a plan takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from frostshift_rules.air_correction import Corrected, correct
from frostshift_rules.job import AirReading, Choices
from frostshift_rules.workload import AirBias, Weather


def held_against(
    weather: Weather, readings: Sequence[AirReading], choices: Choices, now: datetime
) -> tuple[Weather, Corrected | None]:
    """The weather to plan with, and how it came about; None where there are no hours to hold the readings against.

    The weather says what the readings did (`air_bias`) where they say anything and the site wants them to.
    """
    if weather.hours is None or len(weather.hours) == 0:
        return weather, None
    found = correct(weather.hours, weather.members, readings, now, choices)
    if found.bias_k is None or found.outcome == "off":
        return weather, found
    bias = AirBias(found.bias_k, len(found.counted), found.until_utc)
    return replace(weather, hours=found.hours, members=found.members, air_bias=bias), found
