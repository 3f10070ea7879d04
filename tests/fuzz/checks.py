"""What must hold for any input: an answer or an error of ours, within a second, and never a wrong `no_heat`."""

from __future__ import annotations

import copy
import json
from collections import Counter
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from time import thread_time
from typing import Any

import numpy as np
from tests.fuzz.made import payload
from tests.service.weather_site import NOW, NWS, joint

from frostshift_rules.job import Joint, Site
from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Hours
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Weather
from frostshift_service.air_post import PostError, read_post
from frostshift_service.case_file import CaseFileError, read_cases
from frostshift_service.jobs import without_collector
from frostshift_service.reading_entry import Entry, read_entries
from frostshift_service.schedule_file import read_schedule
from frostshift_service.weather import FeedError
from frostshift_service.weather.age import freshness
from frostshift_service.weather.feeds import FEEDS
from frostshift_service.weather.file import parse
from frostshift_service.weather.hourly import LIMITS
from frostshift_service.weather.past import run_in
from frostshift_service.weather.payload import load

LONGEST_S = 1.0
JOINTS = tuple(
    joint(f"J-{thickness:g}-{after_h}", thickness, after_h, hours=1.0)
    for thickness in (12.0, 30.0)
    for after_h in (2.0, 16.0, 40.0)
)
SCHEDULE_NOW = datetime(2026, 11, 25, 18, tzinfo=UTC)


@dataclass
class Seen:
    """Counts by kind and outcome, the longest time of one input by kind [s], and what must not be."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    longest_s: dict[str, float] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def note(self, kind: str, shown: object, outcome: Any) -> None:
        """Run one input. Processor time counts, so that a busy machine is no hang.

        The cyclic collector waits: it would walk over what Hypothesis holds, for seconds in a long run.
        """
        with without_collector():
            began_s = thread_time()
            try:
                found = outcome()
            except Exception as error:
                found = f"ERROR {type(error).__name__}"
                self.wrong.append(f"{kind}: {error!r} from {shown!r:.2000}")
            took_s = thread_time() - began_s
        self.counts[kind, found] += 1
        self.longest_s[kind] = max(self.longest_s.get(kind, 0.0), took_s)
        if took_s > LONGEST_S:
            self.wrong.append(f"{kind}: {took_s:.1f} s for {shown!r:.2000}")

    def table(self) -> str:
        """The counts for people."""
        lines = [f"{'kind':<10} {'outcome':<28} {'inputs':>8}"]
        lines += [f"{kind:<10} {outcome:<28} {count:>8,}" for (kind, outcome), count in sorted(self.counts.items())]
        lines += [
            f"{kind:<10} {'longest [s of processor]':<28} {s:>8.2f}" for kind, s in sorted(self.longest_s.items())
        ]
        return "\n".join((*lines, f"what must not be: {len(self.wrong)}", *(line[:600] for line in self.wrong[:10])))


# Schedules ------------------------------------------------------------------------------------------------------------


def schedule(data: bytes) -> str:
    """A file is read whole or not at all; what is read can be planned."""
    read = read_schedule(data, "s.csv", NWS, SCHEDULE_NOW)
    said = [[asdict(one) for one in read.errors], read.warnings]
    json.dumps(said, default=str, ensure_ascii=False, allow_nan=False).encode()  # as a page shows it
    if read.errors:
        assert not read.joints
        return "refused with rows"
    assert read.joints
    plan = planned(tuple(one.joint for one in read.joints[:2]), None)
    assert all(one.call == "unknown" for one in plan.joints)  # there is no weather
    return "read"


# Payloads -------------------------------------------------------------------------------------------------------------


def planned(joints: tuple[Joint, ...], made: tuple[Hours, str, float] | None, site: Site = NWS) -> Any:
    """The plan of joints by the hours of a forecast, or without one."""
    hours, state, late_h = made if made is not None else (None, "none", 0.0)
    weather = Weather("f", NOW if made else None, NOW if made else None, state, late_h, hours)  # type: ignore[arg-type]
    return make_plan(site, load_code_table(site.table_id), joints, weather, (), NOW)


def hours_of(feed: str, raw: Any) -> tuple[Hours, str, float]:
    """A payload as the service plans on it: its hours with the run-in, and how fresh it is.

    Raises:
        FeedError: it is refused.
    """
    read = load(json.dumps(raw).encode("utf-8", "surrogatepass"), "fuzz")
    with suppress(FeedError):  # as a file, whose feed is seen from what it holds
        parse(copy.deepcopy(read), NOW)
    forecast = FEEDS[feed].parse(read, NOW)
    age = freshness(forecast.issued_utc, NOW, None, forecast.feed, NOW)
    return run_in(None, forecast.hours, None, NOW).hours, age.state, age.beyond_late_h


@cache
def intact(feed: str, warmer_k: float) -> tuple[Hours, dict[str, str]]:
    """Hours and calls of the payload before it was damaged."""
    made = hours_of(feed, payload(feed, warmer_k))
    return made[0], calls(made)


def calls(made: tuple[Hours, str, float]) -> dict[str, str]:
    """Mark -> call."""
    return {one.joint.mark: one.call for one in planned(JOINTS, made).joints}


def warmer_anywhere(now: Hours, before: Hours) -> bool:
    """Whether any hour has a value that the intact payload had not: what is only missing has none."""
    shift = round((now.start_utc - before.start_utc) / timedelta(hours=1))
    for name in LIMITS:
        if name == "humidity":
            continue
        column, other = getattr(now, name), getattr(before, name)
        for place in np.flatnonzero(np.isfinite(column)):
            at = place + shift
            if not 0 <= at < len(other) or not abs(column[place] - other[at]) <= 1e-9:
                return True
    return False


def broken(made: tuple[str, float, bool, Any]) -> str:
    """A damaged payload is refused, or its calls are no milder than before unless it says something else.

    Where values were only taken away or spoilt, no call may turn into `no_heat` at all. Where others were put in their
    place, one may, if the hours that were read hold a value that the intact ones did not.
    """
    feed, warmer_k, only_spoilt, raw = made
    try:
        found = hours_of(feed, raw)
    except FeedError:
        return "refused"
    hours = found[0]
    for name, limit in LIMITS.items():
        if name != "humidity":
            known = getattr(hours, name)[np.isfinite(getattr(hours, name))]
            assert ((limit.low <= known) & (known <= limit.high)).all(), name
    before_hours, before = intact(feed, warmer_k)
    after = calls(found)
    milder = [mark for mark in after if after[mark] == "no_heat" != before[mark]]
    if milder and (only_spoilt or not warmer_anywhere(hours, before_hours)):
        raise AssertionError(f"{feed} +{warmer_k:g} K, spoilt only: {only_spoilt}: no_heat for {milder}")
    if milder:
        return "milder by other values"
    return "same calls" if after == before else "harder or unknown"


# Posts ----------------------------------------------------------------------------------------------------------------


def post(data: bytes) -> str:
    """Readings, air readings and cases from the same bytes: taken, or refused by field in text that can be sent."""
    found = []
    try:
        entries = read_entries(data, "America/Chicago", NOW, "t")
        said: list[object] = [one.problems for one in entries if not isinstance(one, Entry)]
        found.append("some taken" if any(isinstance(one, Entry) for one in entries) else "none taken")
    except PostError as error:
        said = [str(error)]
        found.append("no list")
    try:
        read_post(data, NOW)
    except PostError as error:
        said += [str(error), error.problems]
    try:
        said += [one.problems for one in read_cases(data)]
    except CaseFileError as error:
        said.append(str(error))
    json.dumps(said, default=str, ensure_ascii=False, allow_nan=False).encode()
    return found[0]
