"""One front is one message for who hears of all crews: nothing is lost when notices become one."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from frostshift_rules.notice_events import Event, ForecastAge, FrontSeen, JointNow, LowReading, Notice
from frostshift_rules.notice_together import together

NOW = datetime(2026, 1, 13, 3, tzinfo=UTC)
FRONT = FrontSeen(NOW, NOW + timedelta(hours=9), -2.0, -20.0, 2.0)


def joint(mark: str, light_up_h: float) -> JointNow:
    start = NOW + timedelta(hours=light_up_h + 1)
    lit = NOW + timedelta(hours=light_up_h)
    return JointNow(mark, "", start, lit, "heat_to_minimum", "go", "no_heat", "go", None, 107.0, 132.0, None, None, "")


def notice(crew: str, *events: Event) -> Notice:
    day = date(2026, 1, 13)
    return Notice(f"key of {crew}", crew, f"{day} day", "day", day, NOW, NOW, events, NOW, "fresh", NOW)


NORTH = notice(
    "north", Event("front", "soon", NOW + timedelta(hours=5), (joint("N1", 5.0),), front=FRONT, alerts=("A",))
)
DEEPER = replace(FRONT, to_c=-24.0)
SOUTH = notice(
    "south",
    Event(
        "front", "now", NOW + timedelta(hours=2), (joint("S1", 2.0), joint("S2", 7.0)), front=DEEPER, alerts=("A", "B")
    ),
    Event("harder", "soon", None, (joint("S3", 9.0),)),
)


def test_events_of_a_kind_become_one_and_keep_everything() -> None:
    got = together([NORTH, SOUTH])
    assert (got.crew, got.shift_key, got.shift_end_utc) == ("", None, None)
    front, harder = got.events
    assert [one.mark for one in front.joints] == ["S1", "N1", "S2"]
    assert (front.urgency, front.by_utc, front.front, front.alerts) == (
        "now",
        NOW + timedelta(hours=2),
        DEEPER,
        ("A", "B"),
    )
    assert [one.mark for one in harder.joints] == ["S3"]
    assert got.urgency == "now"


def test_what_matters_most_is_said_first_whoever_came_first() -> None:
    listed = notice("east", Event("shift", "soon", None, (joint("E1", 2.0),)))
    assert [one.kind for one in together([listed, NORTH]).events] == ["front", "shift"]
    late = replace(NORTH, events=(replace(NORTH.events[0], urgency="plain"),))
    assert [one.kind for one in together([late, listed]).events] == ["shift", "front"]


def test_the_key_is_the_same_for_the_same_and_another_for_others() -> None:
    assert together([NORTH, SOUTH]).key == together([SOUTH, NORTH]).key
    assert together([NORTH, SOUTH]).key != together([NORTH]).key
    assert together([NORTH]).key != NORTH.key


def test_each_reading_stays_by_itself() -> None:
    low = [LowReading(mark, "", 80.0, 107.0, NOW) for mark in ("N1", "S1")]
    each = [notice(one.mark, Event("reading", "now", NOW, reading=one)) for one in low]
    assert [event.reading for event in together(each).events] == low


def test_what_the_site_says_to_the_same_people_is_left_out() -> None:
    age = Event("forecast", "now", NOW, forecast=ForecastAge("unusable", "fresh", NOW, NOW))
    assert together([notice("north", age, *NORTH.events), SOUTH]).events == together([NORTH, SOUTH]).events
    assert together([notice("north", age), notice("south", age)]).events == ()


def test_nothing_is_no_notice() -> None:
    with pytest.raises(ValueError, match="at least one"):
        together([])
