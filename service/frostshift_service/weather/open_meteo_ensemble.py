"""Open-Meteo, the members of an ensemble, beside its forecast.

Shape: see `open_meteo_api`. Every variable fans out: its bare name is the control run, `_member01` and so on are the
others. All four hold AT the stamp. Members end in nulls where their model ends; the air temperature says where, as
derived variables have ended in zeros.

One model a call, `ecmwf_ifs025` unless the settings say otherwise: 51 members, so that a chance has steps of 2 % and
the outer quantile leaves two out, for fifteen days. (`ncep_gefs025`: 31 members, ten days, and a lighter call: four
variables of 31 members count as 12 calls, of 51 as 20.) The hours gone by are not asked for: they are the same for all
members.

Source: documentation and source of the service (repository open-meteo/open-meteo, EnsembleController).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from frostshift_rules.surroundings import Floats, Members
from frostshift_service.http import Get
from frostshift_service.weather import FeedError, Place, hourly, open_meteo_api
from frostshift_service.weather.fetching import Kept
from frostshift_service.weather.members import MEMBERS_STAND
from frostshift_service.weather.open_meteo_api import TITLE, Access
from frostshift_service.weather.payload import Json

VARIABLES: Final[dict[str, tuple[str, str, float]]] = {
    "temperature_2m": ("air_c", "°C", 1.0),
    "dew_point_2m": ("dew_c", "°C", 1.0),
    "wind_speed_10m": ("wind_10m_ms", "m/s", 1.0),
    "cloud_cover": ("cloud", "%", 100.0),
}
"""Variable -> our field, the unit it is asked for in, and how many of it are one of ours."""
ASK_EVERY: Final = timedelta(hours=3)
"""Never asked again sooner, whatever it answered: models run every six hours, and a call counts as twenty."""


@dataclass(frozen=True, slots=True)
class Extra:
    """What there is beside a forecast.

    Attributes:
        members: of the ensemble on its own axis; None where it was not asked, or gave nothing.
        kept: for the next call: the address, when it may be asked again, when it last answered, what it failed with.
        warnings: what was odd, sentences for people.
    """

    members: Members | None
    kept: Kept
    warnings: tuple[str, ...] = ()


def ask_in_turn(get: Get, place: Place, kept: Kept, now: datetime, access: Access) -> Extra:
    """Ask for the members where the settings want them and `ASK_EVERY` has gone by. Raises nothing: it is extra.

    Args:
        get: makes the request.
        place: where.
        kept: of the last call. That of another place or model counts for nothing.
        now: aware.
        access: without an `ensemble_url` nothing is asked and nothing kept.
    """
    if not access.ensemble_url:
        return Extra(None, {})
    more = f"&models={access.ensemble_model}"
    url = open_meteo_api.address(access.ensemble_url, "/v1/ensemble", place, VARIABLES, more)
    if kept.get("ensemble_url") != url:
        kept = {}
    kept = {name: text for name, text in kept.items() if name.startswith("ensemble_")}
    if "ensemble_next_utc" in kept and now < datetime.fromisoformat(kept["ensemble_next_utc"]):
        return Extra(None, kept, _failed(kept, now))
    try:
        members, warnings = parse(open_meteo_api.read(open_meteo_api.ask(get, url, access, now)))
        ends_utc = members.start_utc + timedelta(hours=members.air_c.shape[1] - 1)
        if ends_utc < now:
            raise FeedError(f"{TITLE}: the members end at {ends_utc:%Y-%m-%d %H:%M} UTC")
    except FeedError as error:
        wait = max(ASK_EVERY, timedelta(seconds=min(error.retry_after_s or 0.0, 86400.0)))
        kept |= {"ensemble_url": url, "ensemble_next_utc": (now + wait).isoformat(), "ensemble_error": str(error)[:300]}
        return Extra(None, kept, _failed(kept, now))
    kept = {
        "ensemble_url": url,
        "ensemble_next_utc": (now + ASK_EVERY).isoformat(),
        "ensemble_utc": now.isoformat(),
    }
    return Extra(members, kept, tuple(warnings))


def _failed(kept: Kept, now: datetime) -> tuple[str, ...]:
    """What the last call failed with, and which members stand; nothing where it did not fail."""
    if "ensemble_error" not in kept:
        return ()
    stand = "there are no members"
    if "ensemble_utc" in kept:
        fetched_utc = datetime.fromisoformat(kept["ensemble_utc"])
        if now - fetched_utc <= MEMBERS_STAND:
            stand = f"those fetched {fetched_utc:%Y-%m-%d %H:%M} UTC stand"
    return (f"the ensemble gave no members, {stand}: {kept['ensemble_error']}",)


def parse(payload: Json) -> tuple[Members, list[str]]:
    """The members of a payload, the control run first, up to the last hour that one of them has; and warnings.

    A member that lacks a variable throughout is left out: steel cannot be worked out with it, and nothing is lent from
    another. Values outside the limits of `hourly` become NaN, as in a forecast.

    Raises:
        FeedError: not this shape, a variable in another unit, several models, or no member with all variables.
    """
    columns, units = open_meteo_api.columns_of(payload)
    start_utc, count = open_meteo_api.axis(payload, columns, units)
    suffix, runs = open_meteo_api.runs_of(columns, VARIABLES)
    good: list[Mapping[str, Floats]] = []
    warnings: list[str] = []
    left_out: list[str] = []
    odd: list[str] = []
    for run in runs:
        title = run.removeprefix("_") or "control run"
        rows = {}
        for name, (ours, unit, parts) in VARIABLES.items():
            column = open_meteo_api.column(columns, units, f"{name}{run}{suffix}", unit, count, warnings)
            rows[ours] = column / parts + 0.0
        missing = [ours for ours, column in rows.items() if not np.isfinite(column).any()]
        if not missing:
            rows, found = _sound(rows, start_utc)
            odd += [f"{title}: {found[0]}"] if found else []
            missing = [ours for ours, column in rows.items() if not np.isfinite(column).any()]
        if missing:
            left_out.append(f"{title} has no {', '.join(hourly.LIMITS[ours].title for ours in missing)}")
        else:
            good.append(rows)
    if not good:
        raise FeedError(f"{TITLE}: no member of the ensemble can be used: {left_out[0]}")
    if left_out:
        warnings.append(f"{len(left_out)} of {len(runs)} members of the ensemble left out: {_shortened(left_out)}")
    if odd:
        warnings.append(f"values of {len(odd)} members of the ensemble left out: {_shortened(odd)}")
    stacked = {ours: np.stack([rows[ours] for rows in good]).astype(np.float32) for ours, _, _ in VARIABLES.values()}
    known = np.isfinite(stacked["air_c"])
    end = int(np.flatnonzero(known.any(axis=0))[-1]) + 1
    series = {ours: np.where(known, values, np.float32(np.nan))[:, :end] for ours, values in stacked.items()}
    return Members(start_utc, **series), warnings


def _sound(rows: Mapping[str, Floats], start_utc: datetime) -> tuple[dict[str, Floats], list[str]]:
    """The rows of one member with what is not to be believed left out, and what that was."""
    count = len(rows["air_c"])
    all_rows = {name: np.full(count, np.nan) for name in hourly.LIMITS} | {k: v.copy() for k, v in rows.items()}
    found, _ = hourly.make_sound(all_rows, start_utc)
    return {name: all_rows[name] for name in rows}, found


def _shortened(said: list[str]) -> str:
    return "; ".join(said[:3]) + (f"; and {len(said) - 3} more" if len(said) > 3 else "")
