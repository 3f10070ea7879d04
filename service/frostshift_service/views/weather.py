"""The weather page: whose forecast the plan uses, how it stands with every feed, and the hours themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from math import isfinite
from typing import Final

from frostshift_rules.reference_plates import ReferencePlates
from frostshift_rules.workload import Weather
from frostshift_service.store.records import Alert, FeedRow, KeptAlerts, KeptForecast, KeptSite
from frostshift_service.views.forecast import feed_title, forecast_age, forecast_notes
from frostshift_service.views.plates import PlatesView, plates_view
from frostshift_service.views.show import Moment, Show, Temp, age, optional, plural
from frostshift_service.views.thermometer import SiteAir, ThermometerPage, thermometer_page
from frostshift_service.views.words import CAUTIONS, Caution
from frostshift_service.weather.feeds import FEEDS
from frostshift_service.weather.nws_alerts import cold, known_alerts
from frostshift_service.weather.order import Standing
from frostshift_service.weather.quality import mark_at, marks_of

HOURS_SHOWN: Final = 72
"""Hours on the page, from the present hour on; the files hold all."""


@dataclass(frozen=True)
class SiteWeather:
    """What the page is made from.

    Attributes:
        weather: what the latest plan was made from.
        forecast: the payload behind it; None where there is none.
        standings: how it stands with the site's feeds, in their order.
        rows: feed name -> its schedule; feeds that were never asked are missing.
        air: the site's thermometer and the forecast it is held against.
        alerts: how it stands with them; None where they were never asked for.
        has_alerts: whether a service gives alerts for where the site is.
    """

    weather: Weather
    forecast: KeptForecast | None
    standings: tuple[Standing, ...]
    rows: Mapping[str, FeedRow]
    air: SiteAir = SiteAir()
    alerts: KeptAlerts | None = None
    has_alerts: bool = False


@dataclass(frozen=True, slots=True)
class FeedLine:
    """How it stands with one feed.

    Attributes:
        name, title: of the feed.
        role: why it is asked or not, in words.
        used: whether the plan is made from it.
        state: `fresh`, `late`, `unusable` or `none`; `state_text` its words.
        issued: the feed's own issue time of its last forecast; None where it does not say or there is none.
        answered: when it last answered, news or not; None: never. `answered_text` says how long ago.
        failures: in a row since then; `error` what it said last.
        next_try: not asked before; None where it was never asked.
    """

    name: str
    title: str
    role: str
    used: bool
    state: str
    state_text: str
    issued: Moment | None
    answered: Moment | None
    answered_text: str
    failures: int
    failures_text: str
    error: str
    next_try: Moment | None


@dataclass(frozen=True, slots=True)
class HourLine:
    """One hour of the forecast as the plan uses it; None and an empty text: missing.

    `air`, `dew`, wind and cloud hold at the hour; gust, precipitation, snow and sun for the hour that follows. SI
    values beside their texts; `past` hours have gone by. `raw_air` is that of the forecast where the site's thermometer
    has made it colder. `marks`: field of the record -> how its value came about (`native`, `interpolated`, `spread`,
    `estimated`, `missing`); empty for hours before the forecast's own record.
    """

    at: Moment
    past: bool
    air: Temp | None
    raw_air: Temp | None
    dew: Temp | None
    wind_ms: float | None
    wind: str
    gust_ms: float | None
    gust: str
    cloud: float | None
    cloud_text: str
    precip_mm: float | None
    precip: str
    snow_cm: float | None
    snow: str
    sun_wm2: float | None
    sun: str
    marks: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class AlertLine:
    """One alert in force.

    Attributes:
        event: its name, as the service gives it; `headline` its sentence, empty where there is none.
        about: `cold`, `wind`, `snow` or `ice`; empty: something else.
        severity: word of the Common Alerting Protocol; empty where it is not said.
        begins, ends: of the event; None where it is not said.
    """

    event: str
    headline: str
    about: str
    severity: str
    begins: Moment | None
    ends: Moment | None


@dataclass(frozen=True, slots=True)
class WeatherPage:
    """The weather of a site.

    Attributes:
        verdict: the state of the forecast in use, in words.
        feeds: in the order they are asked; empty where the forecast comes from a file.
        notes: sentences on a feed that stands in for another, and on a change of feed.
        credit: line that the feed's terms ask for.
        warnings: what was odd about the payload.
        alerts: in force, as far as is known; `alerts_text` says how far, empty where no service gives any.
        marks: of the hours shown, which fields are not as the feed gives them, and when; sentences.
        ahead: steel of reference plates, air and weather rules of the next hours; None where nothing is known of them.
        hours: from the present hour on; `hours_text` says how many of how many.
    """

    site_id: str
    site_name: str
    zone: str
    feed: str
    state: str
    verdict: str
    issued: Moment | None
    fetched: Moment | None
    age_text: str
    end: Moment | None
    feeds: tuple[FeedLine, ...]
    notes: tuple[str, ...]
    credit: str
    warnings: tuple[str, ...]
    alerts: tuple[AlertLine, ...]
    alerts_text: str
    ahead: PlatesView | None
    hours: tuple[HourLine, ...]
    hours_text: str
    marks: tuple[str, ...]
    thermometer: ThermometerPage
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class HourByHour:
    """What of the page hangs on the plan, the units and the full hour alone; fields as there."""

    ahead: PlatesView | None
    hours: tuple[HourLine, ...]
    hours_text: str
    marks: tuple[str, ...]


def hour_by_hour(
    site: KeptSite,
    found: SiteWeather,
    show: Show,
    now: datetime,
    *,
    plates: ReferencePlates | None = None,
    span_h: int = HOURS_SHOWN,
    all_hours: bool = False,
) -> HourByHour:
    """The hours of the page.

    Args:
        site: it is of.
        found: what the page is made from.
        show: units and zone.
        now: aware UTC.
        plates: reference plates of the latest plan; None where there are none.
        span_h: hours ahead in the drawing.
        all_hours: the hours gone by and those beyond `HOURS_SHOWN` too.
    """
    lines = _hours(found, show, now)
    shown = lines if all_hours else [line for line in lines if not line.past][:HOURS_SHOWN]
    return HourByHour(
        ahead=None if plates is None else plates_view(plates, site.site, show, now, span_h),
        hours=tuple(shown),
        hours_text=plural(len(shown), "hour") + (f" of {len(lines)}" if len(shown) < len(lines) else ""),
        marks=_marks_texts(shown),
    )


def weather_page(
    site: KeptSite,
    found: SiteWeather,
    show: Show,
    now: datetime,
    by_hour: HourByHour,
) -> WeatherPage:
    """The page at `now` (aware UTC).

    Args:
        site: it is of.
        found: what it is made from.
        show: units and zone.
        now: aware UTC.
        by_hour: what `hour_by_hour` gives for all of these in the present hour.
    """
    weather = found.weather
    how_old = forecast_age(weather.issued_utc, weather.fetched_utc, weather.freshness, now)
    return WeatherPage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        feed=feed_title(weather.feed),
        state=how_old.state,
        verdict=how_old.state_text,
        issued=optional(show.moment, weather.issued_utc, detail="date"),
        fetched=optional(show.moment, weather.fetched_utc, detail="date"),
        age_text=how_old.text,
        end=optional(show.moment, _end_utc(weather), detail="date"),
        feeds=tuple(_feed_line(one, found, show, now) for one in found.standings if one.feed in FEEDS),
        notes=forecast_notes(
            weather.feed, weather.instead_of, weather.changed, weather.station, weather.air_bias, show
        ),
        credit=weather.attribution,
        warnings=() if found.forecast is None else found.forecast.warnings,
        alerts=tuple(_alert_line(alert, show) for alert in known_alerts(found.alerts, now) or ()),
        alerts_text=_alerts_text(found, show, now),
        ahead=by_hour.ahead,
        hours=by_hour.hours,
        hours_text=by_hour.hours_text,
        marks=by_hour.marks,
        thermometer=thermometer_page(site, found.air, show),
        cautions=CAUTIONS,
    )


def _alerts_text(found: SiteWeather, show: Show, now: datetime) -> str:
    if not found.has_alerts:
        return ""
    kept, known = found.alerts, known_alerts(found.alerts, now)
    if kept is None or kept.fetched_utc is None:
        return "Not known: they are asked for while a joint is to be welded within two days."
    when = show.moment(kept.fetched_utc, detail="date").text
    if known is None:
        failed = f" {kept.last_error}" if kept.last_error else ""
        return f"Not known now: last known {when}.{failed}"
    return f"As known {when}." if known else f"None in force, as known {when}."


def _alert_line(alert: Alert, show: Show) -> AlertLine:
    return AlertLine(
        event=alert.event,
        headline=alert.headline or "",
        about=cold(alert) or "",
        severity=alert.severity or "",
        begins=optional(show.moment, alert.onset_utc, detail="date"),
        ends=optional(show.moment, alert.ends_utc, detail="date"),
    )


def _feed_line(standing: Standing, found: SiteWeather, show: Show, now: datetime) -> FeedLine:
    row = found.rows.get(standing.feed)
    used = standing.feed == found.weather.feed
    first = standing is found.standings[0]
    if first:
        role = "the site's feed"
    else:
        role = "stands in now" if used else "asked only while those above give nothing to plan on"
    state = "none" if standing.age is None else standing.age.state
    answered_utc = row.last_answer_utc if row else None
    failures = row.failures if row else 0
    return FeedLine(
        name=standing.feed,
        title=feed_title(standing.feed),
        role=role,
        used=used,
        state=state,
        state_text={"fresh": "fresh", "late": "late", "unusable": "too old to use", "none": "no forecast"}[state],
        issued=optional(show.moment, row.issued_utc if row else None, detail="date"),
        answered=optional(show.moment, answered_utc, detail="date"),
        answered_text="never" if answered_utc is None else f"{age((now - answered_utc) / timedelta(hours=1))} ago",
        failures=failures,
        failures_text=f"{plural(failures, 'try', 'tries')} without an answer since" if failures else "",
        error=row.last_error if row else "",
        next_try=optional(show.moment, row.next_try_utc if row else None),
    )


def _end_utc(weather: Weather) -> datetime | None:
    """The last hour with an air temperature."""
    if weather.hours is None:
        return None
    known = [index for index, air_c in enumerate(weather.hours.air_c.tolist()) if isfinite(air_c)]
    return weather.hours.time_utc(known[-1]) if known else None


_FIELDS: Final = {
    "air_c": "Air",
    "dew_c": "Dew point",
    "wind_10m_ms": "Wind",
    "gust_10m_ms": "Gusts",
    "cloud": "Cloud",
    "precip_mm": "Rain",
    "snow_cm": "New snow",
    "sun_wm2": "Sun",
}
_MARKS: Final = {
    "interpolated": "drawn between two hours of the feed",
    "spread": "share of an amount that the feed gives for several hours",
    "estimated": "worked out from other values",
    "missing": "not known",
}


def _marks_texts(hours: Sequence[HourLine]) -> tuple[str, ...]:
    """A sentence a field that is not native throughout, with the hours in a row of each mark."""
    texts = []
    for name, title in _FIELDS.items():
        runs = [(word, list(run)) for word, run in groupby(hours, key=lambda hour: hour.marks.get(name, ""))]
        said = []
        for word, run in runs:
            if word in _MARKS:
                when = run[0].at.text if len(run) == 1 else f"{run[0].at.text} to {run[-1].at.text}"
                said.append(f"{_MARKS[word]} {'throughout' if len(runs) == 1 else when}")
        if said:
            texts.append(f"{title}: {'; '.join(said)}.")
    return tuple(texts)


def _hours(found: SiteWeather, show: Show, now: datetime) -> list[HourLine]:
    weather, raw, kept = found.weather, found.air.forecast, found.forecast
    hours = weather.hours
    if hours is None:
        return []
    marks = {} if kept is None else marks_of(kept.quality, kept.hours)
    before = 0 if kept is None else round((kept.hours.start_utc - hours.start_utc) / timedelta(hours=1))
    raw_c = hours.air_c if raw is None or weather.air_bias is None else raw.air_c
    columns: list[Sequence[float | None]] = [
        [value if isfinite(value) else None for value in column.tolist()]
        for column in (
            hours.air_c,
            raw_c,
            hours.dew_c,
            hours.wind_10m_ms,
            hours.gust_10m_ms,
            hours.cloud,
            hours.precip_mm,
            hours.snow_cm,
            hours.sun_wm2,
        )
    ]
    lines = []
    for index, (air_c, raw_air_c, dew_c, wind_ms, gust_ms, cloud, precip_mm, snow_cm, sun_wm2) in enumerate(
        zip(*columns, strict=True)
    ):
        at_utc = hours.time_utc(index)
        lines.append(
            HourLine(
                at=show.moment(at_utc),
                past=at_utc + timedelta(hours=1) <= now,
                air=optional(show.temp, air_c),
                raw_air=None if raw_air_c == air_c else optional(show.temp, raw_air_c),
                dew=optional(show.temp, dew_c),
                wind_ms=wind_ms,
                wind=optional(show.wind_text, wind_ms) or "",
                gust_ms=gust_ms,
                gust=optional(show.wind_text, gust_ms) or "",
                cloud=cloud,
                cloud_text="" if cloud is None else f"{cloud * 100.0:.0f} %",
                precip_mm=precip_mm,
                precip=optional(show.rain_text, precip_mm) or "",
                snow_cm=snow_cm,
                snow=optional(show.snow_text, snow_cm) or "",
                sun_wm2=sun_wm2,
                sun="" if sun_wm2 is None else show.sun_text(sun_wm2),
                marks={name: mark.word for name in marks if (mark := mark_at(marks, name, index - before)) is not None},
            )
        )
    return lines
