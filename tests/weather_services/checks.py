"""What a week's log and records must hold, told from the outside: the server's own log, and what lies in the store.

Every check returns the offences it found, as sentences. None of them asks the service's code for a rule: the limits
are typed here a second time.
"""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

from . import met_norway, nws, open_meteo
from .faults import ANSWERED
from .truth import PLACES, Place

Entry = Mapping[str, Any]
"""One entry of the server's log."""

FEED_OF = {
    ("nws", "grid"): "nws",
    ("nws", "hourly"): "nws_hourly",
    ("met_norway", "complete"): "met_norway",
    ("met_norway", "compact"): "met_norway",
    ("open_meteo", "forecast"): "open_meteo",
}
"""Product -> the feed that is read from it. Products that are not here hold no forecast."""
LATE_SILENCE_H, LATE_ISSUE_H, UNUSABLE_H = 3.0, defaultdict(lambda: 12.0, nws=6.0, nws_hourly=6.0), 24.0
ATTEMPTS = 3
AGENT = re.compile(r"Frostshift/\S+ \((\S+@\S+|https?://\S+)\)")
RECOVERY = timedelta(minutes=75)
"""The longest pause after a failure is 60 minutes and up to 10 by chance; and the loop ticks at full minutes."""


@dataclass(frozen=True)
class Sample:
    """What the service showed of a site at a moment."""

    at: datetime
    site: str
    freshness: str
    feed: str
    calls: tuple[str, ...]


@dataclass(frozen=True)
class Kept:
    """A forecast as it lies in the store."""

    id: int
    site: str
    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime
    digest: str
    rows: Mapping[datetime, Mapping[str, float]]


@dataclass
class Week:
    """Everything that was seen of a week.

    Attributes:
        feeds: site -> the feeds it may ask, the first choice first.
        log: of the server.
        samples: of what was shown.
        kept: all forecasts in the store at the end.
        last_ids: (when, site, id of the last forecast) after every step.
        faults: the script.
        said: messages of the service's log.
        look_every_h: hours between two samples.
    """

    feeds: Mapping[str, tuple[str, ...]]
    start: datetime
    end: datetime
    log: list[Entry] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    last_ids: list[tuple[datetime, str, int | None]] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    look_every_h: int = 1


def at(entry: Entry) -> datetime:
    """When a request came, simulated."""
    return datetime.fromisoformat(entry["at"])


def feed_of(entry: Entry) -> str | None:
    """The feed whose forecast was asked for."""
    return FEED_OF.get((entry["service"], entry["endpoint"]))


def _said(entry: Entry) -> str:
    return f"{at(entry):%a %d %H:%M} {entry['path']}"


def _asked_for_forecast(log: Iterable[Entry]) -> dict[str, list[Entry]]:
    """Address -> its answers with or without a forecast; what only led on to another address is left out."""
    return _by((e for e in log if feed_of(e) and e["status"] != 301), lambda e: e["path"].removeprefix("/elsewhere"))


def _by(log: Iterable[Entry], key: Callable[[Entry], Any]) -> dict[Any, list[Entry]]:
    groups = defaultdict(list)
    for entry in log:
        groups[key(entry)].append(entry)
    return groups


# Politeness -----------------------------------------------------------------------------------------------------------


def before_expiry(log: Iterable[Entry]) -> list[str]:
    """No forecast is asked for before a good answer has run out, by `Expires` and `max-age`."""
    found = []
    for entries in _asked_for_forecast(log).values():
        until = datetime.min.replace(tzinfo=UTC)
        for entry in entries:
            if at(entry) < until:
                found.append(f"{_said(entry)}: asked again before {until:%a %d %H:%M:%S}")
            if entry["good"]:
                sent = entry["sent"]
                until = parsedate_to_datetime(sent["Expires"]) if "Expires" in sent else until
                if age := re.search(r"max-age=(\d+)", sent.get("Cache-Control", "")):
                    until = max(until, at(entry) + timedelta(seconds=int(age[1])))
    return found


def conditional(log: Iterable[Entry]) -> list[str]:
    """`If-Modified-Since` is the exact `Last-Modified` of the last good body, always sent and never any other."""
    found = []
    for entries in _asked_for_forecast(log).values():
        stamp: str | None = None
        for entry in entries:
            if (given := entry["headers"].get("if-modified-since")) != stamp:
                found.append(f"{_said(entry)}: If-Modified-Since {given!r}, expected {stamp!r}")
            if entry["good"] and entry["status"] in (200, 203):
                stamp = entry["sent"].get("Last-Modified") if entry["status"] == 200 else None
    return found


def identified(log: Iterable[Entry]) -> list[str]:
    """Every request names the program and a contact, takes gzip, and gives at most four decimals."""
    found = []
    for entry in log:
        if not AGENT.fullmatch(entry["headers"].get("user-agent", "")):
            found.append(f"{_said(entry)}: User-Agent {entry['headers'].get('user-agent')!r}")
        if "gzip" not in entry["headers"].get("accept-encoding", ""):
            found.append(f"{_said(entry)}: gzip is not taken")
        if re.search(r"\.\d{5}", entry["path"]):
            found.append(f"{_said(entry)}: more than four decimals")
    return found


def asked_to_wait(log: Iterable[Entry]) -> list[str]:
    """Who is told to wait, waits: `Retry-After` in both forms; an hour at MET after a bare 429, a minute else."""
    found = []
    for entries in _by(log, lambda e: (e["service"], e["place"])).values():
        until = datetime.min.replace(tzinfo=UTC)
        for entry in entries:
            if at(entry) < until:
                found.append(f"{_said(entry)}: told to wait until {until:%a %d %H:%M:%S}")
            until = _told(entry) or until
    return found


def retried_in_vain(log: Iterable[Entry]) -> list[str]:
    """At one moment no address is asked more than three times, and a refused one (4xx but 404) only once."""
    found = []
    for entries in _by(log, lambda e: (e["at"], e["path"])).values():
        refused = [e for e in entries[:-1] if 400 <= e["status"] < 500 and e["status"] != 404]
        if len(entries) > ATTEMPTS or refused:
            found.append(f"{_said(entries[0])}: asked {len(entries)} times, answered {[e['status'] for e in entries]}")
    return found


def one_feed_at_a_time(week: Week) -> list[str]:
    """A feed is asked only while every feed before it in the site's order gives nothing."""
    found = []
    for site, entries in _by((e for e in week.log if feed_of(e)), lambda e: e["place"]).items():
        failing: dict[str, bool] = {}
        for entry in entries:
            feed = feed_of(entry)
            order = week.feeds.get(site, ())
            if feed not in order:
                found.append(f"{_said(entry)}: {feed} is no feed of {site}")
                continue
            better = [name for name in order[: order.index(feed)] if not failing.get(name, False)]
            if better:
                found.append(f"{_said(entry)}: {feed} is asked while {', '.join(better)} answers")
            failing[feed] = not entry["good"]
    return found


def per_day(week: Week) -> dict[tuple[str, str], Counter[date]]:
    """(site, service) -> requests of any kind on each UTC day."""
    counts: dict[tuple[str, str], Counter[date]] = defaultdict(Counter)
    for entry in week.log:
        counts[entry["place"], entry["service"]][at(entry).date()] += 1
    return counts


def too_many(week: Week, quiet: int, troubled: int) -> list[str]:
    """Requests per site, service and day: at most `quiet` where all went well, at most `troubled` where not."""
    bad_days = {(e["place"], e["service"], at(e).date()) for e in week.log if not e["good"]}
    found = []
    for (site, service), days in per_day(week).items():
        for day, count in days.items():
            limit = troubled if (site, service, day) in bad_days else quiet
            if count > limit:
                found.append(f"{site}, {service}, {day}: {count} requests, limit {limit}")
    return found


def politeness(week: Week, quiet: int = 72, troubled: int = 120) -> list[str]:
    """All of the above. `quiet`: three an hour while a front is near, else one."""
    found = [*before_expiry(week.log), *conditional(week.log), *identified(week.log), *asked_to_wait(week.log)]
    return [*found, *retried_in_vain(week.log), *one_feed_at_a_time(week), *too_many(week, quiet, troubled)]


# Trust ----------------------------------------------------------------------------------------------------------------


def _place(name: str) -> Place:
    return next(place for place in PLACES if place.name == name)


def _expected(kept: Kept, entry: Entry) -> Mapping[datetime, Mapping[str, float]]:
    place, as_of = _place(kept.site), datetime.fromisoformat(entry["as_of"])
    if kept.feed == "nws":
        return nws.expected(place, nws.issue_at(as_of))
    if kept.feed == "met_norway":
        return met_norway.expected(place, as_of)
    if kept.feed == "open_meteo":
        return open_meteo.expected(place, as_of, list(kept.rows))
    return {}


def foreign_values(week: Week) -> list[str]:
    """Only whole and sound payloads are in the store, each value as the service meant it, or unknown.

    An hour that the service gave is there; one that it did not give for an amount is not.
    """
    good = {(e["place"], feed_of(e), e["digest"]): e for e in week.log if e["good"] and e["digest"]}
    found = []
    for kept in week.kept:
        entry = good.get((kept.site, kept.feed, kept.digest))
        if entry is None:
            found.append(f"forecast {kept.id} of {kept.site}: not one of the sound payloads of {kept.feed}")
            continue
        expected = _expected(kept, entry)
        if lacking := [time for time in expected if time not in kept.rows]:
            found.append(f"forecast {kept.id} of {kept.site}: {len(lacking)} hours lost, first {lacking[0]}")
        for time, row in kept.rows.items():
            found += [
                f"forecast {kept.id} of {kept.site}, {time:%a %d %H:%M}: {name} {row[name]!r}, expected {value!r}"
                for name, value in _compared(kept.feed, row, expected.get(time)).items()
                if not _same(row[name], value, unknown_too=entry["fault"] == "absurd")
            ]
    return found


def _compared(feed: str, row: Mapping[str, float], expected: Mapping[str, float] | None) -> dict[str, float]:
    if expected is None:
        return {}
    unknown = {} if feed != "nws" else {name: math.nan for name in ("precip_mm", "snow_cm")}
    return {name: value for name, value in {**unknown, **expected}.items() if name in row}


def _same(value: float, expected: float, unknown_too: bool) -> bool:
    if math.isnan(value):
        return math.isnan(expected) or unknown_too
    return abs(value - expected) < 1e-9


def lost_forecasts(week: Week) -> list[str]:
    """Once there is a forecast there always is one, never an earlier one; every good body was kept, once."""
    found = []
    for site in week.feeds:
        before: int | None = None
        for when, of_site, last in week.last_ids:
            if of_site != site:
                continue
            if before is not None and (last is None or last < before):
                found.append(f"{site}, {when:%a %d %H:%M}: forecast {last} after {before}")
            before = last
        bodies = [e for e in week.log if e["place"] == site and feed_of(e) and e["good"] and e["digest"]]
        kept = [k for k in week.kept if k.site == site]
        if len(bodies) != len(kept):
            found.append(f"{site}: {len(bodies)} good bodies came, {len(kept)} forecasts are kept")
    return found


def reckoned(week: Week, site: str, when: datetime) -> str:
    """The state a site should be in: from the last good answer, and the issue of the last good body."""
    answer = issued = None
    feed = week.feeds[site][0]
    for entry in week.log:
        if entry["place"] != site or not entry["good"] or not feed_of(entry) or at(entry) > when:
            continue
        answer, feed = at(entry), feed_of(entry) or feed
        if entry["digest"]:
            issued = None if feed == "open_meteo" else datetime.fromisoformat(entry["issued"])
            issued = issued or at(entry)
    if answer is None or issued is None:
        return "none"
    silence_h, age_h = (when - answer) / timedelta(hours=1), (when - issued) / timedelta(hours=1)
    if max(silence_h, age_h) >= UNUSABLE_H:
        return "unusable"
    return "late" if silence_h >= LATE_SILENCE_H or age_h > LATE_ISSUE_H[feed] else "fresh"


def wrong_states(week: Week) -> list[str]:
    """What was shown is what the log says; unusable makes every joint unknown."""
    found = []
    for sample in week.samples:
        state = reckoned(week, sample.site, sample.at)
        if sample.freshness != state:
            found.append(f"{sample.site}, {sample.at:%a %d %H:%M}: shown as {sample.freshness}, is {state}")
        if state in ("unusable", "none") and set(sample.calls) - {"unknown"}:
            found.append(f"{sample.site}, {sample.at:%a %d %H:%M}: {state}, yet {sample.calls}")
    return found


def not_mended(week: Week) -> list[str]:
    """After every fault there is a good answer again, as soon as the longest pause allows."""
    found = []
    for fault in week.faults:
        end, kind = datetime.fromisoformat(fault["to_utc"]), fault["kind"]
        same = [f for f in week.faults if (f["place"], f["service"]) == (fault["place"], fault["service"])]
        for other in sorted(same, key=lambda f: str(f["from_utc"])):  # one that follows at once prolongs it
            if datetime.fromisoformat(other["from_utc"]) < end + RECOVERY and other["kind"] not in ANSWERED:
                end = max(end, datetime.fromisoformat(other["to_utc"]))
        entries = [e for e in week.log if (e["place"], e["service"]) == (fault["place"], fault["service"])]
        told = [_told(e) for e in entries if at(e) < end]
        limit = max([end, *(moment for moment in told if moment)]) + RECOVERY
        answers = [at(e) for e in entries if e["good"] and feed_of(e)]
        if limit < week.end and not any(end <= moment <= limit for moment in answers):
            found.append(f"{fault['place']}: no good answer from {end:%a %d %H:%M} to {limit:%a %d %H:%M} ({kind})")
    return found


def _told(entry: Entry) -> datetime | None:
    """Until when an answer asks to wait."""
    if asked := entry["sent"].get("Retry-After"):
        return at(entry) + timedelta(seconds=int(asked)) if asked.isdecimal() else parsedate_to_datetime(asked)
    if entry["status"] == 429:
        return at(entry) + timedelta(minutes=60 if entry["service"] == "met_norway" else 1)
    return None


def unstruck(week: Week) -> list[str]:
    """Faults of the script that met no request: the week did not test them."""
    struck = {(e["place"], e["service"], e["fault"]) for e in week.log}
    struck |= {(e["place"], e["service"], "moved") for e in week.log if e["status"] == 404}
    return [
        f"{f['kind']} at {f['place']} met nothing"
        for f in week.faults
        if (f["place"], f["service"], f["kind"]) not in struck
    ]


def trust(week: Week) -> list[str]:
    """All of the above."""
    found = [*foreign_values(week), *lost_forecasts(week), *wrong_states(week), *not_mended(week), *told_of(week)]
    return [*found, *unstruck(week)]


def spells(week: Week, site: str, service: str | None = None) -> tuple[int, int]:
    """How often the calls for a site's forecasts began to fail, and how often they were well again after that.

    A call may be several requests; what counts is how the last one ended. `service`: of that one alone.
    """
    begun = mended = 0
    of_site = (e for e in week.log if e["place"] == site and feed_of(e) and service in (None, e["service"]))
    for entries in _by(of_site, feed_of).values():
        good = [True, *(call[-1]["good"] for call in _by(entries, at).values())]
        pairs = list(zip(good, good[1:], strict=False))
        begun += sum(a and not b for a, b in pairs)
        mended += sum(b and not a for a, b in pairs)
    return begun, mended


def told_of(week: Week) -> list[str]:
    """The log of the service tells of every spell of failure once, and once of its end."""
    found = []
    for site in week.feeds:
        said = [text for text in week.said if text.startswith(f"site {site}:")]
        told = tuple(sum(words in text for text in said) for words in ("gives no forecast", "answers again"))
        if told != spells(week, site):
            found.append(f"{site}: told of {told} beginnings and ends of failure, there were {spells(week, site)}")
    return found


# The table ------------------------------------------------------------------------------------------------------------


def table(week: Week) -> str:
    """The week in a Markdown table, one line a site and service."""
    head = (
        "site", "service", "requests", "200", "203", "304", "failed requests", "spells of failure, mended",
        "longest silence [h]", "hours fresh / late / unusable", "forecasts kept", "requests a day: usual, most",
    )  # fmt: skip
    lines = [f"| {' | '.join(head)} |", "|" + " --- |" * len(head)]
    for (site, service), days in per_day(week).items():
        entries = [e for e in week.log if e["place"] == site and e["service"] == service]
        forecasts = [e for e in entries if feed_of(e)]
        status = Counter(e["status"] for e in entries if e["good"])
        bad = Counter(_kind(e) for e in entries if not e["good"] and e["status"] != 301)
        begun, mended = spells(week, site, service)
        times = [at(e) for e in forecasts if e["good"]]
        silence = max(b - a for a, b in zip(times, [*times[1:], week.end], strict=True)) / timedelta(hours=1)
        shown = Counter(s.freshness for s in week.samples if s.site == site)
        hours = [week.look_every_h * shown[state] for state in ("fresh", "late", "unusable")]
        full = sorted(count for day, count in days.items() if week.start.date() < day < week.end.date())
        cells = (
            site, service, len(entries), status[200], status[203], status[304],
            ", ".join(f"{kind} × {count}" for kind, count in bad.most_common()) or "none", f"{begun}, {mended}",
            f"{silence:.1f}", " / ".join(map(str, hours)),
            sum(k.site == site for k in week.kept), f"{full[len(full) // 2]}, {full[-1]}",
        )  # fmt: skip
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


def _kind(entry: Entry) -> str:
    if entry["fault"] in ("", "status"):
        return str(entry["status"])
    return str(entry["fault"]).replace("_", " ")
