"""Notices in words: what to do and by when comes first, in the reader's units; nothing that was typed can break out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.notice_events import (
    AddressOff,
    Event,
    ForecastAge,
    FrontSeen,
    GasOut,
    JointNow,
    LowReading,
    Notice,
    Starving,
)
from frostshift_rules.workload import Range
from frostshift_service.views.notice_text import CAUTION, MOST_JOINTS, MOST_LINE, Envelope, notice_words


def at(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 1, 13, hour, minute, tzinfo=UTC)


NOW = at(3)
AROUND = Envelope(
    "Heron Lake sluice, gate guides",
    "America/Chicago",
    41,
    "https://pages.example/sites/heron/morning",
    "https://pages.example/answer/abc",
    {"propane-100": "100 lb propane"},
)
BASE = JointNow(
    mark="GG-7",
    place="guide, upstream",
    start_utc=at(13, 30),
    light_up_utc=at(12, 23),
    call="heat_to_minimum",
    weather_state="go",
    was_call="no_heat",
    was_state="go",
    was_light_up_utc=None,
    minimum_c=107.2,
    target_c=132.0,
    minutes=Range(9.2, 20.0, 49.1),
    steel=None,
    reason="",
)
LATER = replace(BASE, mark="GG-8", light_up_utc=at(13, 0), start_utc=at(14))
STOPPED = replace(BASE, mark="GG-9", weather_state="stop", stop_from_utc=at(14), stop_until_utc=at(19))
FRONT = FrontSeen(at(0), at(12), -2.2, -20.0, 1.9)

EVENTS = {
    "shift": (Event("shift", "soon", at(12, 23), (BASE, LATER, STOPPED)), "Light up GG-7 by Tue 06:23: day shift Tue "),
    "front": (
        Event("front", "soon", at(12, 23), (BASE, LATER), front=FRONT),
        "Light up GG-7 by Tue 06:23: cold front, 28 °F at Mon 18:00 to -4 °F at Tue 06:00; 2 joints need more for it.",
    ),
    "harder": (
        Event("harder", "now", at(12, 23), (BASE,)),
        "Light up GG-7 by Tue 06:23: heat to minimum 225 °F (told: no heat).",
    ),
    "harder, two": (
        Event("harder", "now", at(12, 23), (BASE, LATER)),
        "Light up GG-7 by Tue 06:23: 2 joints need more than told.",
    ),
    "easier": (
        Event("easier", "plain", None, (replace(BASE, call="no_heat", was_call="heat_to_minimum", light_up_utc=None),)),
        "GG-7 needs less than told: no heat.",
    ),
    "stop": (
        Event("stop", "now", at(14), (STOPPED,)),
        "Do not weld GG-9 Tue 08:00 to Tue 13:00: the weather forbids it.",
    ),
    "stop over": (Event("stop_over", "soon", None, (BASE,)), "The weather stop is over for GG-7."),
    "light-up": (
        Event("light_up", "soon", at(11), (replace(BASE, light_up_utc=at(11), was_light_up_utc=at(12, 23)),)),
        "Light up GG-7 by Tue 05:00, told Tue 06:23.",
    ),
    "gas": (
        Event(
            "gas",
            "plain",
            None,
            gas=GasOut("propane-100", 12, date(2026, 1, 15), date(2026, 1, 12), date(2026, 1, 14)),
        ),
        "Order 12 × 100 lb propane by Mon 12 Jan, they come Wed 14 Jan: at most use it runs out on Thu 15 Jan.",
    ),
    "cylinders": (
        Event("cylinders", "soon", None, starving=Starving("100 lb propane", 10, 4, -15.7, "")),
        "Put 10 × 100 lb propane on one line in the day shift, full at the start at 3 °F.",
    ),
    "starving": (
        Event("cylinders", "soon", None, starving=Starving("100 lb propane", None, None, -29.4, "Too cold.")),
        "100 lb propane will not give enough gas in the day shift at -21 °F: another way of heating.",
    ),
    "forecast": (
        Event("forecast", "now", None, forecast=ForecastAge("unusable", "late", at(2), at(2))),
        "The forecast is too old to use: every joint is unknown. Measure.",
    ),
    "reading": (
        Event("reading", "now", None, reading=LowReading("GG-7", "guide", 82.3, 107.2, at(13, 12))),
        "Heat GG-7 before you weld on: 180.1 °F read at Tue 07:12, minimum 225 °F.",
    ),
    "address": (
        Event("address", "soon", None, address=AddressOff("Rowan", "r…@site.example", "550 no such user")),
        "Tell Rowan another way: nothing is sent to r…@site.example any more (550 no such user).",
    ),
}


def notice(*events: Event) -> Notice:
    return Notice(
        key="k",
        crew="north",
        shift_key="2026-01-13 day",
        shift_name="day",
        shift_day=date(2026, 1, 13),
        shift_start_utc=at(12, 30),
        shift_end_utc=at(22, 30),
        events=events,
        decided_utc=NOW,
        freshness="fresh",
        issued_utc=at(2, 10),
    )


@pytest.mark.parametrize("name", EVENTS)
def test_the_first_line_says_what_to_do_and_by_when(name: str) -> None:
    event, expected = EVENTS[name]
    words = notice_words(notice(event), "us", AROUND, NOW)
    assert words.first_line.startswith(expected)
    assert words.text.startswith(words.first_line + "\n")
    assert "day shift Tue 13 Jan, crew north" in words.text
    steel = event.kind not in ("gas", "address")
    assert ("Forecast issued 50 min ago, fresh." in words.text) is steel
    assert (CAUTION in words.text) is steel
    assert words.text.endswith("Notice 41\n")
    assert AROUND.sheet_link in words.text


def test_the_readers_units_and_a_repeat() -> None:
    event, _ = EVENTS["harder"]
    words = notice_words(notice(event), "si", replace(AROUND, turn=1), NOW)
    assert words.first_line == "Again: Light up GG-7 by Tue 06:23: heat to minimum 108 °C (told: no heat)."
    assert "°F" not in words.text
    passed_on = notice_words(notice(event), "si", replace(AROUND, turn=2), NOW)
    assert passed_on.first_line.startswith("Passed on to you: ")


def test_many_joints_are_counted_and_each_is_named_once() -> None:
    many = tuple(replace(BASE, mark=f"GG-{n}") for n in range(9))
    words = notice_words(
        notice(Event("harder", "soon", at(12), many), Event("stop", "soon", at(12), many)), "us", AROUND, NOW
    )
    assert words.text.count("light up GG-") == MOST_JOINTS
    assert f"and {9 - MOST_JOINTS} joints more" in words.text


def test_a_joint_to_be_measured_is_not_said_to_be_lit() -> None:
    joint = replace(BASE, call="measure")
    words = notice_words(notice(Event("shift", "soon", at(12, 23), (joint,))), "us", AROUND, NOW)
    assert words.first_line == "Day shift Tue 13 Jan, no joint to heat, measure 1 first."
    assert "GG-7 (guide, upstream): measure first, before Tue 06:23: then there is time to heat it" in words.text
    assert "ight up" not in words.text


def test_without_links_and_without_an_issue_time() -> None:
    event, _ = EVENTS["harder"]
    bare = replace(notice(event), issued_utc=None, freshness="none")
    words = notice_words(bare, "us", Envelope("Heron Lake", "America/Chicago", 7), NOW)
    assert "http" not in words.text
    assert "Forecast: no forecast: every joint is unknown." in words.text
    assert "href" not in words.html


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.seen: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)


@given(st.text(max_size=200), st.text(max_size=60), st.text(max_size=60))
def test_nothing_that_was_typed_breaks_out_of_its_line_or_into_html(mark: str, place: str, crew: str) -> None:
    joint = replace(BASE, mark=f"<script>{mark}\r\nBcc: all@example.com", place=f"<b>{place}")
    told = replace(notice(Event("harder", "now", at(12), (joint,), alerts=(f"<img src=x>{place}\n",))), crew=crew)
    words = notice_words(told, "us", AROUND, NOW)
    assert len(words.first_line) <= MOST_LINE
    assert "\r" not in words.text
    assert all(line.isprintable() for line in words.text.splitlines())
    assert not any(line.startswith("Bcc:") for line in words.text.splitlines())
    tags = Tags()
    tags.feed(words.html)
    assert tags.seen <= {"html", "head", "meta", "title", "body", "p", "strong", "ul", "li", "a"}
