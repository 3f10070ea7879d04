"""Who hears what of a notice, and when: quiet hours on the site's clock."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.notice_events import Event, Notice
from frostshift_rules.notice_quiet import due_utc, is_for
from frostshift_rules.notice_setup import Kind, Person, Quiet, Urgency

CHICAGO = "America/Chicago"
NIGHT = Quiet(time(21), time(5))


def local(text: str, zone: str = CHICAGO, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC)


def notice(*events: tuple[Kind, Urgency, datetime | None], crew: str = "Anvil") -> Notice:
    return Notice(
        key="k",
        crew=crew,
        shift_key=None,
        shift_name="",
        shift_day=None,
        shift_start_utc=None,
        shift_end_utc=None,
        events=tuple(Event(*one) for one in events),
        decided_utc=local("2026-01-12T20:00"),
        freshness="fresh",
        issued_utc=None,
    )


def person(**fields: object) -> Person:
    return Person(**({"id": "p", "name": "P", "role": "foreman", "units": "us", "quiet": NIGHT} | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2026-01-12T20:59", "2026-01-12T20:59"),
        ("2026-01-12T21:00", "2026-01-13T05:00"),
        ("2026-01-12T23:30", "2026-01-13T05:00"),
        ("2026-01-13T00:00", "2026-01-13T05:00"),
        ("2026-01-13T04:59", "2026-01-13T05:00"),
        ("2026-01-13T05:00", "2026-01-13T05:00"),
        ("2026-01-13T12:00", "2026-01-13T12:00"),
        # The night to 8 March 2026 has no 02:00 to 03:00, that to 1 November has 01:00 to 02:00 twice
        # (United States Code, title 15, section 260a).
        ("2026-03-07T23:00", "2026-03-08T05:00"),
        ("2026-10-31T23:00", "2026-11-01T05:00"),
    ],
)
def test_quiet_hours_past_midnight(now: str, due: str) -> None:
    assert due_utc(notice(("harder", "soon", None)), person(), CHICAGO, local(now)) == local(due)


def test_the_nights_of_a_clock_change_are_an_hour_shorter_and_longer() -> None:
    plain = notice(("easier", "plain", None))
    spring, autumn = local("2026-03-07T21:00"), local("2026-10-31T21:00")
    assert due_utc(plain, person(), CHICAGO, spring) - spring == timedelta(hours=7)
    assert due_utc(plain, person(), CHICAGO, autumn) - autumn == timedelta(hours=9)


def test_ends_at_a_time_that_is_not_there_or_is_there_twice() -> None:
    plain = notice(("easier", "plain", None))
    missing = person(quiet=Quiet(time(22), time(2, 30)))
    assert due_utc(plain, missing, CHICAGO, local("2026-03-08T01:00")) == datetime(2026, 3, 8, 8, 30, tzinfo=UTC)
    twice = person(quiet=Quiet(time(22), time(1, 30)))
    assert due_utc(plain, twice, CHICAGO, local("2026-11-01T00:30")) == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    again = local("2026-11-01T01:15", fold=1)
    assert due_utc(plain, twice, CHICAGO, again) == again  # awake since 01:30 of the first time


def test_hours_within_a_day_and_none() -> None:
    plain, noon = notice(("easier", "plain", None)), local("2026-01-12T12:30")
    assert due_utc(plain, person(quiet=Quiet(time(12), time(13))), CHICAGO, noon) == local("2026-01-12T13:00")
    assert due_utc(plain, person(quiet=None), CHICAGO, noon) == noon
    assert due_utc(plain, person(quiet=Quiet(time(12), time(12))), CHICAGO, noon) == noon


@pytest.mark.parametrize(
    ("urgency", "by", "waits"),
    [
        ("now", "2026-01-13T12:00", False),
        ("soon", "2026-01-13T05:29", False),
        ("soon", "2026-01-13T05:30", True),
        ("soon", "2026-01-13T02:00", False),
        ("soon", "2026-01-12T21:00", False),
        ("plain", "2026-01-13T05:00", False),
        ("plain", "2026-01-13T08:00", True),
    ],
)
def test_what_cannot_wait_passes(urgency: Urgency, by: str, waits: bool) -> None:
    now = local("2026-01-12T22:00")
    due = due_utc(notice(("harder", urgency, local(by))), person(), CHICAGO, now)
    assert due == (local("2026-01-13T05:00") if waits else now)


def test_what_the_person_does_not_hear_of_does_not_wake_him() -> None:
    now = local("2026-01-12T22:00")
    both = notice(("reading", "now", now), ("easier", "plain", None))
    heard = is_for(both, person(kinds=("easier",)))
    assert heard is not None
    assert due_utc(heard, person(), CHICAGO, now) == local("2026-01-13T05:00")


def test_who_hears_of_all_crews_hears_of_cylinders_and_the_forecast_once() -> None:
    both = ("forecast", "now", None), ("cylinders", "soon", None)
    boss, of_crew = person(role="superintendent"), person(crews=("Anvil",))
    assert is_for(notice(*both), boss) is None
    heard = is_for(notice(*both, ("harder", "now", None)), boss)
    assert heard is not None
    assert [one.kind for one in heard.events] == ["harder"]
    assert is_for(notice(*both, crew=""), boss) == notice(*both, crew="")
    assert is_for(notice(*both), of_crew) == notice(*both)
    assert is_for(notice(*both, crew=""), of_crew) is None


def test_kinds_crews_and_least() -> None:
    both = notice(("front", "soon", None), ("easier", "plain", None))

    def heard(of: Notice = both, **fields: object) -> list[Kind]:
        left = is_for(of, person(**fields))
        return [] if left is None else [one.kind for one in left.events]

    assert heard() == ["front", "easier"]
    assert heard(kinds=("easier", "gas")) == ["easier"]
    assert heard(kinds=("gas",)) == []
    assert heard(least="soon") == ["front"]
    assert heard(least="now") == []
    assert heard(crews=("Anvil", "Bellows")) == ["front", "easier"]
    assert heard(crews=("Bellows",)) == []
    assert heard(role="purchasing") == []
    site = notice(("gas", "soon", None), crew="")
    assert heard(site, role="purchasing") == ["gas"]
    assert heard(site, role="purchasing", crews=("Anvil",)) == []
    left = is_for(both, person(least="soon"))
    assert left is not None
    assert left.key == both.key


@given(
    st.integers(0, 365 * 24 * 60).map(lambda minute: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minute)),
    st.times().map(lambda at: at.replace(second=0, microsecond=0)),
    st.times().map(lambda at: at.replace(second=0, microsecond=0)),
    st.sampled_from([CHICAGO, "Europe/Oslo", "Australia/Lord_Howe", "UTC"]),
    st.one_of(st.none(), st.integers(-600, 3000)),
)
def test_never_early_never_for_more_than_a_day_never_too_late(
    now: datetime, begin: time, until: time, zone: str, by_minutes: int | None
) -> None:
    by = None if by_minutes is None else now + timedelta(minutes=by_minutes)
    due = due_utc(notice(("harder", "soon", by)), person(quiet=Quiet(begin, until)), zone, now)
    assert now <= due <= now + timedelta(hours=25)
    assert due == now or by is None or due + timedelta(minutes=30) <= by
    # Nobody is held back a second time.
    assert due_utc(notice(("harder", "soon", by)), person(quiet=Quiet(begin, until)), zone, due) == due
