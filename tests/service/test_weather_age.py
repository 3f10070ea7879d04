"""When to ask again, how old is too old, and the past that is kept: pure steps, the clock moved by hand."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_service.http import Answer
from frostshift_service.store.records import FeedRow
from frostshift_service.weather import FeedError
from frostshift_service.weather.age import freshness
from frostshift_service.weather.fetching import LONGEST_ASKED, Fetched, asked_utc
from frostshift_service.weather.schedule import FIRST_PAUSE, after_failure, after_success

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
HOUR = timedelta(hours=1)


def ago(hours: float) -> datetime:
    return NOW - timedelta(hours=hours)


@pytest.mark.parametrize(
    ("feed", "issued", "answered", "state", "beyond"),
    [
        ("met_norway", 0.0, 0.0, "fresh", 0.0),
        ("met_norway", 2.9, 2.9, "fresh", 0.0),
        ("met_norway", 3.0, 3.0, "late", 0.0),
        ("met_norway", 5.0, 5.0, "late", 2.0),
        ("met_norway", 12.0, 0.5, "fresh", 0.0),
        ("met_norway", 14.0, 0.5, "late", 2.0),
        ("nws", 6.0, 0.5, "fresh", 0.0),
        ("nws", 14.0, 0.5, "late", 8.0),
        ("file", 12.0, 0.0, "fresh", 0.0),
        ("met_norway", 23.9, 20.0, "late", 17.0),
        ("met_norway", 24.0, 0.5, "unusable", 12.0),
        ("nws", 30.0, 24.0, "unusable", 24.0),
        ("met_norway", -0.5, 0.0, "fresh", 0.0),
        ("met_norway", -2.0, 0.0, "unusable", 0.0),
    ],
)
def test_the_two_ages(feed: str, issued: float, answered: float, state: str, beyond: float) -> None:
    found = freshness(ago(issued), ago(answered), None, feed, NOW)
    assert found.state == state
    assert found.age_h == pytest.approx(issued)
    assert found.silence_h == pytest.approx(answered)
    assert found.beyond_late_h == pytest.approx(beyond)


def test_an_answer_without_news_ends_the_silence_but_not_the_age() -> None:
    assert freshness(ago(5.0), ago(4.9), None, "met_norway", NOW).state == "late"
    assert freshness(ago(5.0), ago(4.9), ago(0.2), "met_norway", NOW).state == "fresh"
    assert freshness(ago(25.0), ago(24.0), ago(0.2), "met_norway", NOW).state == "unusable"


def test_without_an_issue_time_the_age_counts_from_the_fetch() -> None:
    assert freshness(None, ago(13.0), ago(0.1), "met_norway", NOW).age_h == pytest.approx(13.0)
    assert freshness(None, ago(13.0), ago(0.1), "met_norway", NOW).state == "late"


@given(st.floats(0.0, 200.0), st.floats(0.0, 200.0), st.sampled_from(["nws", "met_norway", "file"]))
def test_a_forecast_never_gets_fresher_by_waiting(issued: float, later: float, feed: str) -> None:
    order = ["fresh", "late", "unusable"]
    before = freshness(ago(issued), ago(issued), None, feed, NOW)
    after = freshness(ago(issued), ago(issued), None, feed, NOW + timedelta(hours=later))
    assert order.index(after.state) >= order.index(before.state)
    assert after.beyond_late_h >= before.beyond_late_h


def answer(**more: Any) -> Answer:
    plain: dict[str, Any] = {"status": 200, "body": b"", "content_type": "", "url": "https://weather.example/"}
    plain |= dict.fromkeys(("date", "expires", "max_age_s", "last_modified", "etag", "retry_after_s"))
    return Answer(**(plain | more))


def fetched(ask_again_utc: datetime | None) -> Fetched:
    return Fetched(None, answer(), {"url": "https://weather.example/"}, ask_again_utc)


@pytest.mark.parametrize(
    ("asked", "waits"),
    [
        (None, HOUR),
        (NOW + timedelta(minutes=20), HOUR),
        (NOW - 5 * HOUR, HOUR),
        (NOW + 3 * HOUR, 3 * HOUR),
        (NOW + timedelta(days=9000), LONGEST_ASKED),
    ],
)
def test_an_answer_sets_the_next_try(asked: datetime | None, waits: timedelta) -> None:
    state = FeedRow("ore-shed", "nws", NOW, ago(9.0), 4, "gone wrong", ago(10.0), state={"url": "old"})
    after = after_success(state, fetched(asked), NOW, 0.0)
    assert after == FeedRow(
        "ore-shed", "nws", NOW + waits, NOW, 0, "", ago(10.0), state={"url": "https://weather.example/"}
    )
    assert after_success(state, fetched(asked), NOW, 0.5).next_try_utc == NOW + waits + timedelta(minutes=5)
    while_a_front_is_near = after_success(state, fetched(asked), NOW, 0.0, watch=True).next_try_utc - NOW
    assert while_a_front_is_near == (timedelta(minutes=20) if waits == HOUR else waits)


def test_what_the_server_asks_counts_by_its_own_clock() -> None:
    assert asked_utc(answer(), NOW) is None
    assert asked_utc(answer(max_age_s=90.0), NOW) == NOW + timedelta(seconds=90)
    assert asked_utc(answer(expires=NOW + HOUR), NOW) == NOW + HOUR
    assert asked_utc(answer(expires=NOW + HOUR, date=NOW + HOUR / 2), NOW) == NOW + HOUR / 2
    first, last = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)  # 1 January 1, 31 December 9999
    assert asked_utc(answer(expires=last), NOW) == NOW + LONGEST_ASKED
    assert asked_utc(answer(expires=last, date=first), NOW) == NOW + LONGEST_ASKED
    assert asked_utc(answer(expires=first, date=last), NOW) == NOW
    assert asked_utc(answer(max_age_s=999_999_999.0), NOW) == NOW + LONGEST_ASKED
    both = answer(expires=NOW + HOUR, date=NOW, max_age_s=60.0)
    assert asked_utc(both, NOW) == NOW + HOUR


def test_failures_in_a_row_keep_what_is_kept_and_never_end() -> None:
    state = FeedRow("ore-shed", "nws", NOW, ago(0.5), state={"url": "u", "etag": "e"})
    now, waits = NOW, []
    for count in range(1, 3000):
        state = after_failure(state, FeedError("no answer"), now, 0.0)
        assert (state.failures, state.last_error) == (count, "no answer")
        assert (state.last_answer_utc, state.state) == (ago(0.5), {"url": "u", "etag": "e"})
        waits.append(state.next_try_utc - now)
        now = state.next_try_utc
    assert waits[:5] == [FIRST_PAUSE, 2 * FIRST_PAUSE, 4 * FIRST_PAUSE, 8 * FIRST_PAUSE, HOUR]
    assert set(waits[5:]) == {HOUR}
    assert after_success(state, fetched(None), now, 0.0).failures == 0


@pytest.mark.parametrize(
    ("error", "waits"),
    [
        (FeedError("throttled", retry_after_s=5.0), FIRST_PAUSE),
        (FeedError("throttled", retry_after_s=7200.0), 2 * HOUR),
        (FeedError("throttled", retry_after_s=1e12), LONGEST_ASKED),
        (FeedError("refused", permanent=True), HOUR),
    ],
)
def test_what_a_failure_asks_for(error: FeedError, waits: timedelta) -> None:
    assert after_failure(FeedRow("ore-shed", "nws", NOW), error, NOW, 0.0).next_try_utc == NOW + waits
    drawn_out = after_failure(FeedRow("ore-shed", "nws", NOW), error, NOW, 1.0).next_try_utc
    assert NOW + waits < drawn_out <= NOW + waits * 1.25
