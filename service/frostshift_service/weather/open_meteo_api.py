"""What the forecast and the ensemble of Open-Meteo share: how it is asked, how it refuses, how its columns are read.

Shape: one column a variable under `hourly`, all as long as `hourly.time`; `null` is missing; `hourly_units` holds a
unit a column. A variable that a model does not have is a column of nulls in the unit `undefined`. Where several models
are asked for, every key ends in the model's name; where only one of them covers the place, none does.

Source: documentation and source of the service (repositories open-meteo/open-meteo and open-meteo/open-meteo-website).
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from frostshift_rules.surroundings import Floats
from frostshift_service.http import Answer, BadStatus, Get, HttpError, Validators
from frostshift_service.settings import OPEN_METEO_MODEL, Settings
from frostshift_service.weather import FeedError, Place, hourly
from frostshift_service.weather.fetching import coordinate, read_json
from frostshift_service.weather.payload import YEARS, Json, child, number, whole_hour

NAME: Final = "open_meteo"
TITLE: Final = "Open-Meteo"
AHEAD_H: Final = 168
"""Hours asked for from the present hour on: a week of work; models are hourly or three-hourly that far."""

_HOUR: Final = timedelta(hours=1)
_WAITS_S: Final = {"minutely": 60, "hourly": 3600, "daily": 86400}
"""Word in the reason of a 429 -> period that its count begins anew with, on the clock [s]."""
_AIR: Final = "temperature_2m"


@dataclass(frozen=True, slots=True)
class Access:
    """How Open-Meteo is asked. Without a `url` it is not asked at all.

    Attributes:
        url: base address of the forecast, without `/v1/forecast`.
        ensemble_url: the same for the ensemble; empty: no ensemble.
        ensemble_model: name of the one model whose members are asked for.
        key: goes into a header of the request, and nowhere else.
    """

    url: str = ""
    ensemble_url: str = ""
    ensemble_model: str = OPEN_METEO_MODEL
    key: str = field(default="", repr=False)

    def headers(self) -> dict[str, str]:
        """The headers of a request: the key, where there is one. Never in the address, which is logged."""
        return {"X-Api-Key": self.key} if self.key else {}


def access_of(settings: Settings) -> Access:
    """How the settings want Open-Meteo asked."""
    key = settings.open_meteo_key
    return Access(
        settings.open_meteo_url or "",
        settings.open_meteo_ensemble_url or "",
        settings.open_meteo_ensemble_model,
        key.get_secret_value() if key else "",
    )


def address(base_url: str, path: str, place: Place, variables: Collection[str], more: str) -> str:
    """The address to ask; units, times and place as everywhere here, `more` at its end.

    `unixtime` knows no time zones. Without the site's altitude the service takes the height of its terrain (90 m).
    """
    height = "" if place.altitude_m is None else f"&elevation={round(place.altitude_m)}"
    return (
        f"{base_url}{path}?latitude={coordinate(place.latitude)}&longitude={coordinate(place.longitude)}{height}"
        f"&hourly={','.join(variables)}&wind_speed_unit=ms&timeformat=unixtime&forecast_hours={AHEAD_H}{more}"
    )


def ask(get: Get, url: str, access: Access, now: datetime) -> Answer:
    """One request. There are no validators: the service sends none.

    Raises:
        FeedError: no answer, or one without data, with the service's own words; `permanent` where the request itself is
            refused.
    """
    try:
        return get(url, access.headers(), Validators())
    except BadStatus as error:
        answer, message = error.answer, f"{TITLE}: {error}"
        if answer.status in (401, 403):
            message += " (is FROSTSHIFT_OPEN_METEO_KEY set and right, and does its plan include this?)"
        wait_s = answer.retry_after_s
        if answer.status == 429 and wait_s is None:
            wait_s = _to_the_next_count_s(answer, now)
        permanent = 400 <= answer.status < 500 and answer.status != 429
        raise FeedError(message, permanent=permanent, retry_after_s=wait_s) from error
    except HttpError as error:
        raise FeedError(f"{TITLE}: {error}") from error


def _to_the_next_count_s(answer: Answer, now: datetime) -> float:
    """Until the minute, hour or day ends whose calls are used up [s], by the server's clock; else a minute."""
    words = answer.body.decode("utf-8", errors="replace").lower()
    period_s = next((seconds for word, seconds in _WAITS_S.items() if word in words), None)
    if period_s is None:  # such as too many calls at the same time
        return 60.0
    return period_s - (answer.date or now).timestamp() % period_s


def read(answer: Answer) -> Json:
    """The JSON object of an answer.

    Raises:
        FeedError: something else. An answer for several places is an array; we ask for one, so that it is not ours. A
            server that fails midway appends plain text to what it has sent: nothing of such a body is used.
    """
    if answer.body.lstrip()[:1] == b"[":
        raise FeedError(f"{TITLE}: an array, as for several places, where one was asked for; payload not used")
    return read_json(answer, TITLE)


def columns_of(payload: Json) -> tuple[Json, Json]:
    """The columns and their units.

    Raises:
        FeedError: not this shape, or an error in the service's own words.
    """
    if payload.get("error"):
        raise FeedError(f"{TITLE}: {str(payload.get('reason'))[:200]}")
    return child(payload, "hourly", TITLE), child(payload, "hourly_units", TITLE)


def axis(payload: Json, columns: Json, units: Json) -> tuple[datetime, int]:
    """First hour (UTC) and number of hours.

    Stamps without a zone are read as the service means them: less `utc_offset_seconds`, which is one for the whole
    axis, whatever clocks do inside it.

    Raises:
        FeedError: no times, times of an unknown kind, not on the full hour, or not one an hour.
    """
    stamps = columns.get("time")
    if not isinstance(stamps, list) or not stamps:
        raise FeedError(f"{TITLE}: time is missing, empty or no list")
    kind = units.get("time")
    if kind == "unixtime":
        times = [_from_unix(stamp) for stamp in stamps]
    elif kind == "iso8601":
        offset = _offset(payload)
        times = [_naive(stamp) - offset for stamp in stamps]
    else:
        raise FeedError(f"{TITLE}: time in {kind!r}, expected 'unixtime' or 'iso8601'; payload not used")
    if not whole_hour(times[0]):
        raise FeedError(f"{TITLE}: {times[0]:%Y-%m-%d %H:%M:%S} UTC is not on the full hour")
    for before, after in zip(times, times[1:], strict=False):
        if after - before != _HOUR:
            raise FeedError(
                f"{TITLE}: {after:%Y-%m-%d %H:%M:%S} UTC follows {before:%Y-%m-%d %H:%M} UTC, expected one hour later"
            )
    return times[0], hourly.axis_hours(times[0], times[-1] + _HOUR, TITLE)


def _from_unix(stamp: object) -> datetime:
    if isinstance(stamp, int | float) and not isinstance(stamp, bool):
        first, last = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (YEARS.start, YEARS.stop))
        if first <= stamp < last:  # False for NaN
            return datetime.fromtimestamp(stamp, UTC)
    raise FeedError(
        f"{TITLE}: {str(stamp)[:40]!r} is no time in seconds, years {YEARS.start} to {YEARS.stop - 1} are expected"
    )


def _naive(stamp: object) -> datetime:
    """A stamp without a zone, as if it were UTC."""
    try:
        moment = datetime.fromisoformat(str(stamp))
    except ValueError as error:
        raise FeedError(f"{TITLE}: {str(stamp)[:40]!r} is not a time") from error
    if moment.tzinfo is not None or moment.year not in YEARS:
        raise FeedError(
            f"{TITLE}: {str(stamp)[:40]!r}, a time without a zone in the years {YEARS.start} to {YEARS.stop - 1} "
            "is expected"
        )
    return moment.replace(tzinfo=UTC)


def _offset(payload: Json) -> timedelta:
    seconds = payload.get("utc_offset_seconds")
    if not isinstance(seconds, int) or isinstance(seconds, bool) or abs(seconds) > 86400:
        raise FeedError(f"{TITLE}: utc_offset_seconds is {str(seconds)[:40]!r}, -86400 to 86400 is expected")
    return timedelta(seconds=seconds)


def runs_of(columns: Json, variables: Collection[str]) -> tuple[str, tuple[str, ...]]:
    """What stands behind the name of a variable in its keys: the end of all of them, and the runs before it.

    Returns:
        The model as a suffix, such as `_gfs_seamless`; empty where there is none. Then the runs: empty for the forecast
        or the control run, `_member01` and so on for the members of an ensemble, in order.

    Raises:
        FeedError: no air temperature, or that of several models: one is asked for, and nobody said which counts.
    """
    names = "|".join(map(re.escape, variables))
    pattern = re.compile(rf"({names})(_member\d\d+)?(|_(?!member)[a-z0-9_]+)")
    found = [match.groups() for match in map(pattern.fullmatch, columns) if match is not None]
    models = {model for name, _, model in found if name == _AIR}
    if not models:
        raise FeedError(f"{TITLE}: no {_AIR} in the payload")
    if "" not in models and len(models) > 1:
        said = ", ".join(sorted(model.removeprefix("_") for model in models))
        raise FeedError(f"{TITLE}: {_AIR} of several models ({said}), of one is expected; payload not used")
    suffix = "" if "" in models else models.pop()
    runs = {run or "" for _, run, model in found if model == suffix}
    return suffix, tuple(sorted(runs, key=lambda run: (len(run), run)))


def column(columns: Json, units: Mapping[str, Any], key: str, unit: str, count: int, warnings: list[str]) -> Floats:
    """One column; NaN for null, and throughout where the key is absent.

    Raises:
        FeedError: no list, another length than the axis, or values in another unit than was asked for.
    """
    given = columns.get(key)
    if given is None:
        return np.full(count, math.nan)
    if not isinstance(given, list) or len(given) != count:
        raise FeedError(f"{TITLE}: {key} is no list of {count} values, one for each time")
    odd: list[str] = []
    values = np.array([number(value, f"{key}, value {i}", odd) for i, value in enumerate(given, 1)])
    warnings += _first_of(odd)
    if np.isfinite(values).any() and units.get(key) != unit:
        raise FeedError(f"{TITLE}: {key} in {units.get(key)!r}, expected {unit!r}; payload not used")
    return values


def _first_of(said: list[str]) -> list[str]:
    """One sentence for many of a kind."""
    more = f", and {len(said) - 1} more" if len(said) > 1 else ""
    return [said[0] + more] if said else []
