"""How good a feed's forecasts of the air were at a site, by how long before: for a page, JSON and the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from frostshift_rules.forecast_scores import (
    BAND,
    FEWEST,
    LEAD_CLASSES_H,
    NEAR_HOUR,
    LeadScores,
    LimitScores,
    lead_scores,
)
from frostshift_rules.job import CodeUnits
from frostshift_rules.surroundings import Floats
from frostshift_rules.units import c_from_f
from frostshift_service.store.history import KEEP_ALL, LEAD_STEP_H, SIX_HOURLY_UNTIL, ForecastLeads
from frostshift_service.store.records import KeptSite
from frostshift_service.views.forecast import feed_title
from frostshift_service.views.show import Moment, Show, Temp, number, plural

LEADS_H: Final = tuple(range(0, LEAD_CLASSES_H[-1][1], LEAD_STEP_H))
"""Leads to ask the store for."""
LIMITS_C: Final[Mapping[CodeUnits, tuple[float, ...]]] = {
    "us": (0.0, c_from_f(0.0)),
    "si": (0.0, -20.0),
    "either": (0.0, c_from_f(0.0), -20.0),
}
"""Air at or below which a code asks for more: freezing, and the limit of welding (32 and 0 °F, 0 and -20 °C)."""
TOO_FEW: Final = "too few to say"
WIDTH: Final = 120


@dataclass(frozen=True, slots=True)
class LeadLine:
    """The forecasts of one class of leads; None: too few to say, and the texts say so.

    Attributes:
        from_h, to_h: leads from the first to below the second [h].
        pairs: forecasts of an hour that was observed, of so many `hours`.
        bias_k: forecast minus observed [K]; `bias_text` says warm or cold.
        mean_abs_k, rms_k: mean size and root mean square of the errors [K].
        within_band: share of the observed values between the 10 % and 90 % ends of the members; empty text: no members.
    """

    from_h: int
    to_h: int
    lead_text: str
    pairs: int
    hours: int
    bias_k: float | None
    bias_text: str
    mean_abs_k: float | None
    mean_abs_text: str
    rms_k: float | None
    rms_text: str
    band_pairs: int
    within_band: float | None
    within_band_text: str


@dataclass(frozen=True, slots=True)
class LimitLine:
    """Forecasts of air at or below a limit, of one class of leads; a score that is None is over too few to say."""

    lead_text: str
    hits: int
    misses: int
    false_alarms: int
    correct_negatives: int
    probability_of_detection: float | None
    probability_of_detection_text: str
    false_alarm_ratio: float | None
    false_alarm_ratio_text: str
    threat_score: float | None
    threat_score_text: str
    frequency_bias: float | None
    frequency_bias_text: str


@dataclass(frozen=True, slots=True)
class LimitTable:
    """The classes of leads that have enough pairs, for one limit."""

    limit: Temp
    title: str
    lines: tuple[LimitLine, ...]


@dataclass(frozen=True, slots=True)
class ScoresPage:
    """The scores of a feed at a site.

    Attributes:
        first, last: hours that are scored.
        forecasts: number of kept forecasts that reach into them; `observed_hours` how many hours were observed.
        leads: every class of leads, scored or not.
        limits: a table for each limit.
        notes: sentences on how to read it.
    """

    site_id: str
    site_name: str
    feed: str
    feed_title: str
    first: Moment
    last: Moment
    forecasts: int
    observed_hours: int
    leads: tuple[LeadLine, ...]
    limits: tuple[LimitTable, ...]
    notes: tuple[str, ...]


def scores_view(
    site: KeptSite, feed: str, past: ForecastLeads, observed_c: Floats, show: Show, now: datetime
) -> ScoresPage:
    """The scores at `now` (aware UTC).

    Args:
        site: whose code gives the limits.
        feed: its name.
        past: what it had forecast, at `LEADS_H`.
        observed_c: air at the hours of `past` [°C], NaN where it was not observed.
        show: units and clock.
        now: for what thinning has left of the first hours.

    Raises:
        OutOfRange: arrays that do not fit each other.
    """
    limits_c = LIMITS_C[site.site.code_units]
    found = lead_scores(past.leads_h, past.air_c, observed_c, limits_c, band_c=(past.air_low_c, past.air_high_c))
    last_utc = past.first_utc + timedelta(hours=len(observed_c) - 1)
    return ScoresPage(
        site_id=site.site.id,
        site_name=site.site.name,
        feed=feed,
        feed_title=feed_title(feed),
        first=show.moment(past.first_utc, detail="year"),
        last=show.moment(last_utc, detail="year"),
        forecasts=past.forecasts,
        observed_hours=int(np.isfinite(observed_c).sum()),
        leads=tuple(_lead_line(one, show) for one in found),
        limits=tuple(_limit_table(place, limit_c, found, show) for place, limit_c in enumerate(limits_c)),
        notes=_notes(found, now - past.first_utc),
    )


def _lead_text(one: LeadScores) -> str:
    return f"{one.from_h} to {one.to_h} h"


def _lead_line(one: LeadScores, show: Show) -> LeadLine:
    errors = one.errors
    band_text = "" if not one.band_pairs else TOO_FEW if one.within_band is None else _percent(one.within_band)
    return LeadLine(
        from_h=one.from_h,
        to_h=one.to_h,
        lead_text=_lead_text(one),
        pairs=one.pairs,
        hours=one.hours,
        bias_k=errors.bias_k if errors else None,
        bias_text=_bias_text(errors.bias_k, show) if errors else TOO_FEW,
        mean_abs_k=errors.mean_abs_k if errors else None,
        mean_abs_text=show.rise_text(errors.mean_abs_k) if errors else TOO_FEW,
        rms_k=errors.rms_k if errors else None,
        rms_text=show.rise_text(errors.rms_k) if errors else TOO_FEW,
        band_pairs=one.band_pairs,
        within_band=one.within_band,
        within_band_text=band_text,
    )


def _bias_text(bias_k: float, show: Show) -> str:
    size = show.rise_text(abs(bias_k))
    if size == show.rise_text(0.0):
        return "none"
    return f"{size} too {'warm' if bias_k > 0.0 else 'cold'}"


def _percent(share: float) -> str:
    return f"{number(100.0 * share)} %"


def _limit_table(place: int, limit_c: float, found: Sequence[LeadScores], show: Show) -> LimitTable:
    lines = tuple(_limit_line(_lead_text(one), one.limits[place]) for one in found if one.limits)
    limit = show.temp(limit_c)
    return LimitTable(limit, f"Air at or below {limit.text}", lines)


def _limit_line(lead_text: str, scores: LimitScores) -> LimitLine:
    counts = scores.counts

    def text(share: float | None) -> str:
        return TOO_FEW if share is None else number(share, 2)

    return LimitLine(
        lead_text=lead_text,
        hits=counts.hits,
        misses=counts.misses,
        false_alarms=counts.false_alarms,
        correct_negatives=counts.correct_negatives,
        probability_of_detection=counts.probability_of_detection,
        probability_of_detection_text=text(counts.probability_of_detection),
        false_alarm_ratio=counts.false_alarm_ratio,
        false_alarm_ratio_text=text(counts.false_alarm_ratio),
        threat_score=counts.threat_score,
        threat_score_text=text(counts.threat_score),
        frequency_bias=counts.frequency_bias,
        frequency_bias_text=text(counts.frequency_bias),
    )


def _notes(found: Sequence[LeadScores], age: timedelta) -> tuple[str, ...]:
    notes = [
        f"A lead is counted from when the forecast was fetched; of those within {LEAD_STEP_H} h the newest counts. An "
        f"hour counts as observed with a reading within {NEAR_HOUR // timedelta(minutes=1)} min of it.",
        f"Fewer than {FEWEST} hours are too few to say. Hours in a row are alike: many say less than their number.",
    ]
    if any(one.band_pairs for one in found):
        notes.append(f"The members' band should hold {_percent(BAND)} of the hours; members lie too close as a rule.")
    if age > SIX_HOURLY_UNTIL:
        notes.append(
            f"Of forecasts older than {SIX_HOURLY_UNTIL.days} days one a day is kept: there each lead stands for some "
            "hours of the day only."
        )
    elif age > KEEP_ALL:
        notes.append(f"Of forecasts older than {KEEP_ALL.days} days one in {LEAD_STEP_H} h is kept.")
    return tuple(notes)


def scores_text(page: ScoresPage) -> str:
    """The scores, ready to print."""
    head = [
        f"{page.site_name}: air temperature as forecast by {page.feed_title}",
        f"{page.first.text} to {page.last.text}: {plural(page.forecasts, 'forecast')}, "
        f"{plural(page.observed_hours, 'hour')} observed",
    ]
    rows: list[tuple[str, ...]] = [
        ("lead", "pairs", "hours", "bias", "mean error", "rms error", "in the members' band")
    ]
    rows += [
        (
            one.lead_text,
            f"{one.pairs:,}",
            f"{one.hours:,}",
            one.bias_text,
            one.mean_abs_text,
            one.rms_text,
            one.within_band_text or "no members",
        )
        for one in page.leads
    ]
    blocks = ["\n".join(_wrapped(row) for row in head), _table(rows)]
    for limit in page.limits:
        rows = [
            (
                "lead",
                "hits",
                "misses",
                "false alarms",
                "neither",
                "detected",
                "false share",
                "threat score",
                "frequency",
            )
        ]
        rows += [
            (
                one.lead_text,
                f"{one.hits:,}",
                f"{one.misses:,}",
                f"{one.false_alarms:,}",
                f"{one.correct_negatives:,}",
                one.probability_of_detection_text,
                one.false_alarm_ratio_text,
                one.threat_score_text,
                one.frequency_bias_text,
            )
            for one in limit.lines
        ]
        blocks.append(f"{limit.title}\n{_table(rows)}" if limit.lines else f"{limit.title}: {TOO_FEW}")
    blocks.append("\n".join(_wrapped(note) for note in page.notes))
    return "\n\n".join(blocks)


def _table(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ")
