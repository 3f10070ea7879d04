"""The site's thermometer beside the forecast: the last readings, what they change, and in words why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from frostshift_rules.air_correction import (
    AIR_LIMITS_C,
    COUNTS_FOR,
    FADES_FOR,
    FURTHEST_K,
    LEAST_SPAN,
    Corrected,
    Outcome,
    WhyLeftOut,
    forecast_at_c,
)
from frostshift_rules.job import AirReading
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import AirBias
from frostshift_service.store.records import KeptAirReading, KeptSite
from frostshift_service.views.show import Moment, Show, Temp, plural

SHOWN: Final = 8
"""Readings on the page, the newest first."""


@dataclass(frozen=True)
class SiteAir:
    """What the view is made from.

    Attributes:
        forecast: hours before any correction, on the axis of the plan's; None where there is none.
        readings: the last ones, in the order of their time.
        held: what became of those that are not too old; None without a forecast.
        said: what the forecast in use says, as far back as readings may count; None: `forecast`.
    """

    forecast: Hours | None = None
    readings: tuple[KeptAirReading, ...] = ()
    held: Corrected | None = None
    said: Hours | None = None


@dataclass(frozen=True, slots=True)
class AirLine:
    """One reading.

    Attributes:
        at: when it was taken.
        air: what was read.
        forecast: for that time, before any correction; None where there is none.
        error_k: reading minus forecast [K]; None without one.
        error_text: the same in words, with its sign; empty without one.
        source: `typed` or `posted`; `by` whoever typed it, or the device.
        note: of whoever typed it in.
        counts: whether it counts; `why` says why not.
    """

    at: Moment
    air: Temp
    forecast: Temp | None
    error_k: float | None
    error_text: str
    source: str
    by: str
    note: str
    counts: bool
    why: str


@dataclass(frozen=True, slots=True)
class ThermometerPage:
    """The site's thermometer.

    Attributes:
        site_id: of the site.
        switched_on: whether readings may change the forecast; `switch_text` says how to change that.
        outcome: what the readings do: as in `Corrected.outcome`, or `no_forecast`.
        text: the same in words.
        bias_k: reading minus forecast, weighted [K]; None while it is not known.
        until: last moment that is corrected; None where nothing is.
        readings: the newest first.
    """

    site_id: str
    switched_on: bool
    switch_text: str
    outcome: str
    text: str
    bias_k: float | None
    until: Moment | None
    readings: tuple[AirLine, ...]


def thermometer_page(site: KeptSite, air: SiteAir, show: Show) -> ThermometerPage:
    """The view of a site with its switch."""
    readings, found = air.readings, air.held
    forecast = air.forecast if air.said is None else air.said
    counted = {one.reading for one in found.counted} if found else set()
    reasons = {one.reading: one.why for one in found.left_out} if found else {}
    on = site.site.choices.correct_forecast
    return ThermometerPage(
        site_id=site.site.id,
        switched_on=on,
        switch_text=_SWITCH[on],
        outcome=found.outcome if found else "no_forecast",
        text=_outcome_text(found, show),
        bias_k=found.bias_k if found else None,
        until=show.moment(found.until_utc) if found and found.until_utc else None,
        readings=tuple(_line(one, forecast, counted, reasons, found, show) for one in reversed(readings)),
    )


_SWITCH: Final = {
    True: "Readings may make the forecast colder, never warmer.",
    False: "Readings are shown and change nothing: the site has switched off that they correct the forecast.",
}


def bias_text(bias: AirBias | None, show: Show) -> str:
    """What readings did to the forecast of a plan, as a sentence; empty where they said nothing."""
    if bias is None:
        return ""
    readings = f"{plural(bias.readings, 'reading')} at the site"
    if bias.until_utc is None:
        if bias.bias_k <= 0.0:
            return f"{readings} agree with the forecast."
        return (
            f"{readings} lie {show.rise_text(bias.bias_k)} above the forecast: it stays as it is, since a warmer "
            "thermometer takes no heat away."
        )
    return (
        f"Forecast corrected by {show.rise_text(bias.bias_k)} from {readings}, fading out by "
        f"{show.moment(bias.until_utc).text}."
    )


def _outcome_text(found: Corrected | None, show: Show) -> str:
    if found is None:
        return "There is no forecast to hold the readings against."
    if found.bias_k is not None and found.outcome != "off":
        return bias_text(AirBias(found.bias_k, len(found.counted), found.until_utc), show)
    if found.bias_k is not None:
        side = "below" if found.bias_k < 0.0 else "above"
        return f"The readings lie {show.rise_text(abs(found.bias_k))} {side} the forecast, which stays as it is."
    return _NO_BIAS[found.outcome]


_LEAST_MINUTES: Final = int(LEAST_SPAN / timedelta(minutes=1))
_COUNTS_HOURS: Final = int(COUNTS_FOR / timedelta(hours=1))
_FADES_HOURS: Final = int(FADES_FOR / timedelta(hours=1))

_NO_BIAS: Final[dict[Outcome, str]] = {
    "no_readings": "No reading counts: the forecast stays as it is.",
    "too_few": f"One reading counts. Another one, at least {_LEAST_MINUTES} minutes from it, is needed before they say "
    "anything of the forecast.",
    "too_close": f"The readings that count lie within {_LEAST_MINUTES} minutes. A later one is needed before they say "
    "anything of the forecast.",
}


def _why_text(why: WhyLeftOut, show: Show) -> str:
    low, high = (show.temp_text(limit) for limit in AIR_LIMITS_C)
    return {
        "outside": f"outside {low} to {high}",
        "ahead": "later than now",
        "old": f"old: more than {_COUNTS_HOURS} h before the last, or the last is more than {_FADES_HOURS} h old",
        "no_forecast": "no forecast for that time",
        "far_from_forecast": f"more than {show.rise_text(FURTHEST_K)} from the forecast: look at the thermometer and "
        "its place",
    }[why]


def _line(
    kept: KeptAirReading,
    forecast: Hours | None,
    counted: set[AirReading],
    reasons: dict[AirReading, WhyLeftOut],
    found: Corrected | None,
    show: Show,
) -> AirLine:
    reading = kept.reading
    forecast_c = None if forecast is None else forecast_at_c(forecast, reading.at_utc)
    error_k = None if forecast_c is None else reading.air_c - forecast_c
    counts = reading in counted
    why = "" if counts else _why_text(reasons.get(reading, "old" if found else "no_forecast"), show)
    return AirLine(
        at=show.moment(reading.at_utc),
        air=Temp(reading.air_c, show.tenths_text(reading.air_c)),
        forecast=None if forecast_c is None else Temp(forecast_c, show.tenths_text(forecast_c)),
        error_k=error_k,
        error_text="" if error_k is None else f"{'+' if error_k > 0.0 else ''}{show.rise_text(error_k)}",
        source=kept.source,
        by=kept.by,
        note=kept.note,
        counts=counts,
        why=why,
    )
