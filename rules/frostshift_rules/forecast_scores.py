"""How good forecasts of the air temperature were, by how long before they were made.

Errors are forecast minus observed: mean error (bias), mean absolute error and root mean square error as in the standard
verification of the WMO (Manual on the Global Data-processing and Forecasting System, WMO-No. 485, appendix 2.2.34; the
definitions are from memory) without its weights for area, since a site is one point. Whether the air is at or below a
limit is a yes or no, counted in a table of four and scored as in Wilks, Statistical Methods in the Atmospheric
Sciences, chapter on forecast verification (from memory).

Hours in a row, and forecasts of one hour, are alike: the pairs are not independent, and many of them say less than
their number.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.job import AirReading
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats

LEAD_CLASSES_H: Final = ((0, 6), (6, 12), (12, 24), (24, 48), (48, 96), (96, 144), (144, 240))
"""Leads that are scored together, from the first to below the second [h]; our choice."""
FEWEST: Final = 10
"""Fewer pairs, or pairs of fewer hours, are too few to say anything (our choice)."""
BAND: Final = 0.8
"""Share of the hours that should lie between the 10 % and 90 % quantiles of the members."""
NEAR_HOUR: Final = timedelta(minutes=10)
"""A reading further from the full hour is none of that hour (our choice)."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Of forecasts against what was observed [K]; `bias_k` above 0: forecast too warm."""

    bias_k: float
    mean_abs_k: float
    rms_k: float


@dataclass(frozen=True, slots=True)
class Contingency:
    """Forecasts of a yes or no against what was observed, counted.

    Attributes:
        hits: forecast and observed.
        false_alarms: forecast, not observed.
        misses: observed, not forecast.
        correct_negatives: neither.
    """

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int

    @property
    def probability_of_detection(self) -> float | None:
        """Share of the observed that were forecast; None: fewer than `FEWEST` were observed."""
        return _share(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float | None:
        """Share of the forecast that were not observed; None: fewer than `FEWEST` were forecast."""
        return _share(self.false_alarms, self.hits + self.false_alarms)

    @property
    def threat_score(self) -> float | None:
        """Hits among those that were forecast or observed (critical success index); None: fewer than `FEWEST`."""
        return _share(self.hits, self.hits + self.false_alarms + self.misses)

    @property
    def frequency_bias(self) -> float | None:
        """Forecast over observed; 1: as often as they came. None: fewer than `FEWEST` were observed."""
        return _share(self.hits + self.false_alarms, self.hits + self.misses)


@dataclass(frozen=True, slots=True)
class LimitScores:
    """Forecasts of air at or below `limit_c` [°C]."""

    limit_c: float
    counts: Contingency


@dataclass(frozen=True, slots=True)
class LeadScores:
    """The forecasts of one class of leads.

    Attributes:
        from_h, to_h: leads from the first to below the second [h].
        pairs: forecasts of an hour that was observed; an hour may have several.
        hours: observed hours among them.
        errors: None: too few.
        band_pairs: pairs that have both ends of the members' band.
        within_band: share of those whose observed value lies in the band, its ends included; None: too few.
        limits: a table for each limit, in the order they were given; empty: too few.
    """

    from_h: int
    to_h: int
    pairs: int
    hours: int
    errors: Errors | None
    band_pairs: int
    within_band: float | None
    limits: tuple[LimitScores, ...]


def lead_scores(
    leads_h: Sequence[int],
    forecast_c: NDArray[np.floating],
    observed_c: NDArray[np.floating],
    limits_c: Sequence[float] = (0.0,),
    *,
    band_c: tuple[NDArray[np.floating], NDArray[np.floating]] | None = None,
    classes_h: Sequence[tuple[int, int]] = LEAD_CLASSES_H,
) -> tuple[LeadScores, ...]:
    """Score forecasts by classes of leads; what is NaN in forecast or observation is no pair.

    Args:
        leads_h: lead of each row [h]; a row counts in the class that holds it, in none where no class does.
        forecast_c: air temperature [lead, hour] [°C].
        observed_c: air temperature [hour] [°C].
        limits_c: `at or below` these [°C], compared in single precision: forecasts are kept in it, and a value that
            was the limit must still be at it.
        band_c: 10 % and 90 % quantiles of the members, each [lead, hour] [°C].
        classes_h: leads from the first to below the second [h].

    Raises:
        OutOfRange: arrays that do not fit each other, or an infinite value.
    """
    forecast = np.asarray(forecast_c, dtype=np.float64)
    observed = np.asarray(observed_c, dtype=np.float64)
    wanted = (len(leads_h), *observed.shape)
    bands = [] if band_c is None else [np.asarray(end, dtype=np.float64) for end in band_c]
    named = [("forecast_c", forecast), *zip(("band_c low", "band_c high"), bands, strict=False)]
    if observed.ndim != 1:
        raise OutOfRange(f"observed_c is {observed.shape}, one value an hour is needed")
    for name, values in named:
        if values.shape != wanted:
            raise OutOfRange(f"{name} is {values.shape}, {wanted} [lead, hour] is needed")
    for name, values in [*named, ("observed_c", observed)]:
        if np.isinf(values).any():
            raise OutOfRange(f"{name} has an infinite value, a temperature or NaN is needed")
    low, high = bands if bands else (np.full(wanted, np.nan), np.full(wanted, np.nan))
    rows_h = np.asarray(leads_h, dtype=np.float64)
    found = []
    for from_h, to_h in classes_h:
        rows = (rows_h >= from_h) & (rows_h < to_h)
        found.append(_class_scores(from_h, to_h, forecast[rows], observed, limits_c, low[rows], high[rows]))
    return tuple(found)


def _class_scores(
    from_h: int, to_h: int, forecast: Floats, observed: Floats, limits_c: Sequence[float], low: Floats, high: Floats
) -> LeadScores:
    against = np.broadcast_to(observed, forecast.shape)
    pair = np.isfinite(forecast) & np.isfinite(against)
    banded = np.isfinite(low) & np.isfinite(high) & np.isfinite(against)
    within = banded & (low <= against) & (against <= high)
    enough = _enough(pair)
    return LeadScores(
        from_h=from_h,
        to_h=to_h,
        pairs=int(pair.sum()),
        hours=int(pair.any(axis=0).sum()),
        errors=errors(forecast[pair], against[pair]) if enough else None,
        band_pairs=int(banded.sum()),
        within_band=float(within.sum() / banded.sum()) if _enough(banded) else None,
        limits=tuple(LimitScores(c, at_or_below(forecast[pair], against[pair], c)) for c in limits_c) if enough else (),
    )


def _enough(pair: NDArray[np.bool_]) -> bool:
    """Whether so many hours have a pair; their leads alone would not do, being forecasts of the same hour."""
    return bool(pair.any(axis=0).sum() >= FEWEST)


def errors(forecast_c: Floats, observed_c: Floats) -> Errors:
    """Errors of pairs, at least one and none of them NaN.

    Raises:
        OutOfRange: no pair, or arrays of different lengths.
    """
    if forecast_c.shape != observed_c.shape or forecast_c.size == 0:
        raise OutOfRange(f"pairs are {forecast_c.shape} and {observed_c.shape}, two of one length are needed")
    error_k = forecast_c - observed_c
    return Errors(float(error_k.mean()), float(np.abs(error_k).mean()), float(np.sqrt((error_k**2).mean())))


def at_or_below(forecast_c: Floats, observed_c: Floats, limit_c: float) -> Contingency:
    """The table of `at or below limit_c` over pairs, none of them NaN; compared in single precision."""
    limit = np.float32(limit_c)
    said, came = np.asarray(forecast_c, np.float32) <= limit, np.asarray(observed_c, np.float32) <= limit
    return Contingency(
        hits=int((said & came).sum()),
        false_alarms=int((said & ~came).sum()),
        misses=int((~said & came).sum()),
        correct_negatives=int((~said & ~came).sum()),
    )


def _share(part: int, of: int) -> float | None:
    return part / of if of >= FEWEST else None


def hourly_air_c(readings: Iterable[AirReading], first_utc: datetime, hours: int) -> Floats:
    """The air at full hours: the mean of the readings at most `NEAR_HOUR` from each; NaN where there is none [°C].

    Args:
        readings: of the place, in any order, of one thermometer or several; those of other hours are passed over.
        first_utc: first hour, aware, on the full hour.
        hours: how many.
    """
    total, count = np.zeros(hours), np.zeros(hours)
    for one in readings:
        position = (one.at_utc - first_utc) / timedelta(hours=1)
        nearest = round(position)
        if 0 <= nearest < hours and abs(one.at_utc - first_utc - nearest * timedelta(hours=1)) <= NEAR_HOUR:
            total[nearest] += one.air_c
            count[nearest] += 1.0
    mean = np.full(hours, np.nan)
    np.divide(total, count, out=mean, where=count > 0.0)
    return mean
