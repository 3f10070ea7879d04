"""The fault script: what goes wrong, from when to when by the simulated clock, and with which requests."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

KINDS = {
    "latency": "answers well, `seconds` late",
    "slow_body": "answers well, in pieces with pauses of `seconds`",
    "hang": "says nothing for `seconds`, then closes",
    "drop": "closes the connection without a word",
    "half_body": "sends half of what it announced, then closes",
    "html": "200 with a gateway's page",
    "truncated": "200 with JSON that is cut off, complete by its length",
    "status": "answers with `status`, and Retry-After of `retry_after_s` seconds, as a date if `as_date`",
    "deprecated": "203 instead of 200",
    "redirect": "301 to another path, which answers",
    "stuck": "goes on serving the issue that was out at `from`",
    "stale": "an edge cache serves what was out `hours` earlier",
    "moved": "the grid cell of the place has another address, from then on",
    "wrong_unit": "wind in the other unit, and says so",
    "absurd": "200 °C in some hours",
    "gzip_bomb": "a small compressed body that grows beyond every limit",
    "too_large": "announces a body beyond every limit",
}
ANSWERED = frozenset({"latency", "slow_body", "deprecated", "redirect", "stuck", "stale", "moved", "absurd"})
"""Under these a client gets a payload that it may keep, or a 304."""
UNCONDITIONAL = frozenset({"html", "truncated", "half_body", "wrong_unit", "absurd", "gzip_bomb", "too_large"})
"""Under these there is no 304: the broken body itself must come."""


@dataclass
class Fault:
    """One entry of the script. `service`, `place`, `endpoints` None: all; `times`: for so many requests only."""

    kind: str
    from_utc: datetime
    to_utc: datetime
    service: str | None = None
    place: str | None = None
    endpoints: list[str] | None = None
    times: int | None = None
    status: int = 503
    retry_after_s: int | None = None
    as_date: bool = False
    seconds: float = 0.0
    hours: float = 0.0
    left: int | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"fault {self.kind!r}, expected one of {', '.join(KINDS)}")
        self.left = self.times

    @classmethod
    def read(cls, values: dict[str, Any]) -> Fault:
        """From JSON; times in ISO 8601."""
        times = {name: datetime.fromisoformat(values[name]) for name in ("from_utc", "to_utc")}
        return cls(**{**values, **times})

    def concerns(self, service: str, endpoint: str, place: str | None, now: datetime) -> bool:
        """Whether it strikes this request."""
        return (
            self.from_utc <= now < self.to_utc
            and self.service in (None, service)
            and self.place in (None, place)
            and (self.endpoints is None or endpoint in self.endpoints)
            and self.left != 0
        )


def wrong_unit(payload: Any) -> Any:
    """The payload with its wind in the other unit, which it names."""
    payload = copy.deepcopy(payload)
    properties = payload.get("properties", {})
    if "windSpeed" in properties:
        properties["windSpeed"]["uom"] = "wmoUnit:m_s-1"
        for item in properties["windSpeed"]["values"]:
            item["value"] /= 3.6
    elif "timeseries" in properties:
        properties["meta"]["units"]["wind_speed"] = "km/h"
        for entry in properties["timeseries"]:
            entry["data"]["instant"]["details"]["wind_speed"] *= 3.6
    elif "hourly" in payload:
        for name in payload["hourly"]:
            if name.startswith("wind_speed"):
                payload["hourly_units"][name] = "km/h"
                payload["hourly"][name] = [v and round(3.6 * v, 1) for v in payload["hourly"][name]]
    return payload


def absurd(payload: Any) -> Any:
    """The payload with 200 °C in every seventh value of the air temperature."""
    payload = copy.deepcopy(payload)
    properties = payload.get("properties", {})
    if "temperature" in properties:
        for item in properties["temperature"]["values"][3::7]:
            item["value"] = 200.0
    elif "timeseries" in properties:
        for entry in properties["timeseries"][3::7]:
            entry["data"]["instant"]["details"]["air_temperature"] = 200.0
    elif "hourly" in payload:
        for name in payload["hourly"]:
            if name.startswith("temperature_2m"):
                payload["hourly"][name][3::7] = [200.0] * len(payload["hourly"][name][3::7])
    return payload


MUTATED: dict[str, Callable[[Any], Any]] = {"wrong_unit": wrong_unit, "absurd": absurd}
