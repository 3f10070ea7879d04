"""A winter week at speed against the simulated weather services: polite, never fooled, mended by itself."""

import copy
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine
from tests.weather_services import checks, week
from tests.weather_services.checks import Week
from tests.weather_services.control import Control, running
from tests.weather_services.faults import KINDS
from tests.weather_services.week import START, play

from frostshift_service.store.engine import open_store


@pytest.fixture(scope="module")
def control() -> Iterator[Control]:
    with running() as made:
        yield made


@pytest.fixture(scope="module")
def played(control: Control, client: httpx.Client, tmp_path_factory: pytest.TempPathFactory) -> Week:
    engine = open_store(f"sqlite:///{(tmp_path_factory.mktemp('week') / 'week.db').as_posix()}")
    try:
        return play(control, engine, client)
    finally:
        engine.dispose()


@pytest.fixture
def postgres(store_url: str) -> Iterator[Engine]:
    made = open_store(store_url)
    yield made
    made.dispose()


def test_a_week_of_trouble_and_no_offence(played: Week) -> None:
    print(checks.table(played))
    assert checks.politeness(played) == []
    assert checks.trust(played) == []
    assert {entry["fault"] for entry in played.log} >= set(KINDS) - {"stale", "moved"}
    assert sum(not entry["good"] for entry in played.log) > 100


def test_the_week_went_through_all_states_and_its_calls_were_not_always_unknown(played: Week) -> None:
    for site in played.feeds:
        states = [sample.freshness for sample in played.samples if sample.site == site]
        stands_in = len(played.feeds[site]) > 1  # another feed keeps such a site from ever having nothing
        if stands_in:
            assert "unusable" not in states
        else:
            assert set(states) == {"fresh", "late", "unusable"}
        assert states[-1] == "fresh"
        known = [
            s for s in played.samples if s.site == site and s.freshness != "unusable" and set(s.calls) != {"unknown"}
        ]
        assert len(known) > 30


def test_quiet_days_are_cheap(played: Week) -> None:
    """A site without trouble costs one request an hour, and three while a front is near; no more on any day."""
    forecasts = [entry for entry in played.log if checks.feed_of(entry)]
    days = checks.per_day(replace(played, log=forecasts))["river-bridge", "nws"]
    quiet = [count for day, count in days.items() if played.start.date() < day < played.end.date()]
    assert len(quiet) == 6
    assert 20 <= min(quiet) <= sorted(quiet)[3] <= 24
    assert max(quiet) <= 72


def test_requests_come_at_any_minute_of_the_hour(played: Week) -> None:
    minutes = {checks.at(entry).minute for entry in played.log}
    assert len(minutes) > 40


@pytest.mark.postgres
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_a_day_on_postgresql(control: Control, client: httpx.Client, postgres: Engine) -> None:
    day = play(control, postgres, client, days=1)
    assert checks.politeness(day) == []
    assert checks.trust(day) == []
    assert len(day.kept) > 30


def test_an_old_copy_never_takes_the_place_of_a_newer_forecast(
    control: Control, client: httpx.Client, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An edge cache may serve an issue that is older than the one in hand: it is no news."""
    hours = {"from_utc": (START + timedelta(hours=6)).isoformat(), "to_utc": (START + timedelta(hours=8)).isoformat()}
    old = {"kind": "stale", "hours": 9.0, "place": "river-bridge", "service": "nws", "endpoints": ["grid"], **hours}
    monkeypatch.setattr(week, "script", lambda _: [old])
    engine = open_store(f"sqlite:///{(tmp_path / 'old.db').as_posix()}")
    day = play(control, engine, client, days=0.5)
    engine.dispose()
    assert any(entry["fault"] == "stale" for entry in day.log)
    issues = [kept.issued_utc for kept in day.kept if kept.site == "river-bridge"]
    assert issues == sorted(issues, key=str)


# The checks themselves can fail ---------------------------------------------------------------------------------------


def spoilt(played: Week, number: int, **changes: Any) -> Week:
    """The week with one entry of its log changed; `headers` and `sent` are changed key by key."""
    log = [copy.deepcopy(dict(entry)) for entry in played.log]
    for name, value in changes.items():
        log[number][name] = {**log[number][name], **value} if isinstance(value, dict) else value
    return replace(played, log=log)


def conditional_ones(played: Week) -> list[int]:
    return [
        i for i, entry in enumerate(played.log) if checks.feed_of(entry) and entry["headers"].get("if-modified-since")
    ]


def test_a_stamp_written_in_another_way_is_found(played: Week) -> None:
    number = conditional_ones(played)[5]
    stamp = played.log[number]["headers"]["if-modified-since"].replace("GMT", "+0000")
    assert checks.conditional(spoilt(played, number, headers={"if-modified-since": stamp}).log)


def test_a_stamp_that_is_left_out_is_found(played: Week) -> None:
    number = conditional_ones(played)[5]
    log = spoilt(played, number).log
    del log[number]["headers"]["if-modified-since"]
    assert checks.conditional(log)


def test_a_request_before_its_time_is_found(played: Week) -> None:
    number = next(i for i in conditional_ones(played) if played.log[i]["place"] == "dry-dock")
    early = checks.at(played.log[number]) - timedelta(minutes=45)
    assert checks.before_expiry(spoilt(played, number, at=early.isoformat()).log)


def test_a_stranger_and_a_long_coordinate_are_found(played: Week) -> None:
    assert checks.identified(spoilt(played, 0, headers={"user-agent": "python-httpx/0.28"}).log)
    assert checks.identified(spoilt(played, 0, path="/nws/points/46.500001,-94").log)


@pytest.mark.parametrize(("site", "form"), [("ore-shed", "seconds"), ("dry-dock", "date"), ("dry-dock", "none")])
def test_not_waiting_when_told_to_is_found(played: Week, site: str, form: str) -> None:
    def of_form(entry: Any) -> bool:
        told = entry["sent"].get("Retry-After")
        return (form == "none") if told is None else (form == "seconds") is told.isdecimal()

    log = played.log
    number = next(i for i, e in enumerate(log) if e["status"] == 429 and e["place"] == site and of_form(e))
    following = next(i for i in range(number + 1, len(log)) if log[i]["place"] == site)
    soon = checks.at(log[number]) + timedelta(minutes=50)
    assert checks.asked_to_wait(spoilt(played, following, at=soon.isoformat()).log)


def test_a_second_feed_beside_one_that_answers_is_found(played: Week) -> None:
    number = next(i for i, e in enumerate(played.log) if e["place"] == "dry-dock" and i > 20)
    assert checks.one_feed_at_a_time(spoilt(played, number, service="nws", endpoint="grid"))
    both = {**played.feeds, "dry-dock": ("met_norway", "nws")}
    assert checks.one_feed_at_a_time(replace(spoilt(played, number, service="nws", endpoint="grid"), feeds=both))
    assert not checks.one_feed_at_a_time(replace(played, feeds=both))


def test_a_fourth_try_and_too_many_in_a_day_are_found(played: Week) -> None:
    number = next(i for i, e in enumerate(played.log) if e["fault"] == "drop" and e["place"] == "dry-dock")
    again = [*played.log[: number + 1], *[played.log[number]] * 3, *played.log[number + 1 :]]
    assert checks.retried_in_vain(again)
    assert checks.too_many(played, quiet=20, troubled=120)


def test_values_from_a_broken_payload_are_found(played: Week) -> None:
    kept = played.kept[40]
    time = list(kept.rows)[30]
    other = replace(
        kept, rows={**kept.rows, time: {**kept.rows[time], "wind_10m_ms": 3.6 * kept.rows[time]["wind_10m_ms"]}}
    )
    assert checks.foreign_values(replace(played, kept=[other]))
    unknown = replace(kept, rows={**kept.rows, time: {**kept.rows[time], "air_c": float("nan")}})
    assert checks.foreign_values(replace(played, kept=[unknown]))
    shorter = replace(kept, rows={t: row for t, row in kept.rows.items() if t != time})
    assert checks.foreign_values(replace(played, kept=[shorter]))
    assert checks.foreign_values(replace(played, kept=[replace(kept, digest="0" * 64)]))
    assert not checks.foreign_values(replace(played, kept=[kept]))


def test_a_lost_forecast_is_found(played: Week) -> None:
    when, site, last = played.last_ids[-1]
    assert last is not None
    for gone in (None, last - 1):
        assert checks.lost_forecasts(replace(played, last_ids=[*played.last_ids, (when, site, gone)]))
    assert checks.lost_forecasts(replace(played, kept=played.kept[1:]))


def test_a_wrong_state_and_a_call_without_weather_are_found(played: Week) -> None:
    number = next(i for i, sample in enumerate(played.samples) if sample.freshness == "unusable")
    for changes in ({"freshness": "late"}, {"calls": ("no_heat",)}):
        samples = [*played.samples]
        samples[number] = replace(samples[number], **changes)  # type: ignore[arg-type]
        assert checks.wrong_states(replace(played, samples=samples))


def test_a_feed_that_stays_silent_is_found(played: Week) -> None:
    end = datetime.fromisoformat(played.faults[-1]["to_utc"]).astimezone(UTC)
    assert played.faults[-1]["place"] == "dry-dock"
    silent = [e for e in played.log if e["place"] != "dry-dock" or checks.at(e) < end]
    assert checks.not_mended(replace(played, log=silent))
    assert checks.told_of(replace(played, said=played.said[:-1]))
