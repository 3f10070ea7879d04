"""Notices in words: what to do and by when comes first, in the reader's units; nothing that was typed can break out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from typing import Any

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
from frostshift_rules.notice_setup import Kind
from frostshift_rules.notice_together import together
from frostshift_rules.workload import Range
from frostshift_service.views.notice_text import CAUTION, MOST_JOINTS, MOST_LINE, MOST_REASON, Envelope, notice_words


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
        "GG-7 needs less than told: no heat (told: heat to minimum).",
    ),
    "stop": (
        Event("stop", "now", at(14), (STOPPED,)),
        "Do not weld GG-9 Tue 08:00 to 13:00: the weather forbids it.",
    ),
    "stop over": (Event("stop_over", "soon", None, (BASE,)), "The weather stop is over for GG-7."),
    "light-up": (
        Event("light_up", "soon", at(11), (replace(BASE, light_up_utc=at(11), was_light_up_utc=at(12, 23)),)),
        "Light up GG-7 by Tue 05:00, told Tue 06:23.",
    ),
    "other crew": (
        Event(
            "other_crew",
            "now",
            at(12, 23),
            (replace(BASE, was_call="heat_to_minimum", was_light_up_utc=at(12, 23), was_crew="north", crew="south"),),
        ),
        "GG-7 is with crew south now, no longer with crew north: do not light it up, hand over what burns "
        "(told Tue 06:23).",
    ),
    "other crew, no heat": (
        Event("other_crew", "plain", None, (replace(BASE, call="no_heat", was_crew="north", crew=""),)),
        "GG-7 is with no crew now, no longer with crew north.",
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
    assert "As of Mon 21:00." in words.text
    assert "As of Mon 21:00." in words.html
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


def test_the_first_line_names_the_earliest_light_up_of_all_events() -> None:
    """The first event's own would have the reader light the first torch of the notice too late."""
    front = Event("front", "soon", at(13), (LATER,), front=FRONT)
    shift = Event("shift", "soon", at(12, 23), (BASE, LATER))
    later = replace(BASE, mark="GG-9", light_up_utc=at(14), start_utc=at(15))
    first = notice_words(notice(front, shift), "us", AROUND, NOW).first_line
    assert first.startswith("Light up GG-7 by Tue 06:23; light up GG-8 by Tue 07:00: cold front, ")
    same = notice_words(notice(front, Event("shift", "soon", at(13), (LATER, later))), "us", AROUND, NOW).first_line
    assert same.startswith("Light up GG-8 by Tue 07:00: cold front, ")
    measure = Event("harder", "now", at(13), (replace(LATER, call="measure"),))
    first = notice_words(notice(measure, shift), "us", AROUND, NOW).first_line
    assert first.startswith("Light up GG-7 by Tue 06:23; measure GG-8 before Tue 07:00: ")
    measure = Event("harder", "now", at(12), (replace(LATER, call="measure", light_up_utc=at(12)),))
    assert notice_words(notice(measure, shift), "us", AROUND, NOW).first_line.startswith(
        "Measure GG-8 before Tue 06:00"
    )
    late = replace(BASE, light_up_utc=at(2, 30))
    first = notice_words(notice(front, Event("shift", "soon", at(2, 30), (late,))), "us", AROUND, NOW).first_line
    assert first.startswith("Light up GG-7 now, it should burn since Mon 20:30; light up GG-8 by")


def test_a_joint_to_be_measured_is_not_said_to_be_lit() -> None:
    joint = replace(BASE, call="measure")
    words = notice_words(notice(Event("shift", "soon", at(12, 23), (joint,))), "us", AROUND, NOW)
    assert words.first_line == "Measure GG-7 before Tue 06:23: day shift Tue 13 Jan, 1 of 1 joint to measure first."
    assert "GG-7 (guide, upstream): measure first, before Tue 06:23: then there is time to heat it" in words.text
    assert "ight up" not in words.text


UNTIMED = replace(BASE, mark="GG-1", light_up_utc=None, minutes=None, reason="No torch reaches it in the wind.")
UNKNOWN = replace(BASE, mark="GG-2", light_up_utc=None, call="unknown", minimum_c=None, minutes=None)


def first_line(*events: Event, now: datetime = NOW, **changes: Any) -> str:
    words = notice_words(replace(notice(*events), decided_utc=now, **changes), "us", AROUND, now)
    assert len(words.first_line) <= MOST_LINE
    return words.first_line


def of(kind: Kind, *joints: JointNow, now: datetime = NOW, **changes: Any) -> str:
    front = FRONT if kind == "front" else None
    return first_line(Event(kind, "soon", at(12), joints, front=front), now=now, **changes)


def test_a_joint_that_lost_its_light_up_is_still_to_be_heated() -> None:
    moved = replace(BASE, was_light_up_utc=at(13))
    lost = replace(UNTIMED, was_light_up_utc=at(11), was_call="heat_to_minimum")
    assert of("light_up", lost, moved) == (
        "Light up GG-7 by Tue 06:23, told Tue 07:00. GG-1: nobody can say when to light it up; see the sheet "
        "before you heat."
    )
    assert of("light_up", lost) == "GG-1: nobody can say when to light it up; see the sheet before you heat."
    assert of("light_up", lost, replace(lost, mark="GG-0")) == (
        "GG-1, GG-0: nobody can say when to light them up; see the sheet before you heat."
    )
    off = replace(BASE, call="no_heat", light_up_utc=None, was_call="heat_to_minimum")
    assert of("light_up", off) == "GG-7: no light-up any more."
    unknown = of("light_up", UNKNOWN)
    assert unknown == "Measure GG-2 before Tue 07:30: nobody can say whether it needs heat."


def test_heat_without_a_time_is_said() -> None:
    assert of("shift", BASE, UNTIMED, UNKNOWN) == (
        "Light up GG-7 by Tue 06:23: day shift Tue 13 Jan, 2 of 3 joints to heat, 1 without a time, 1 to measure first."
    )
    assert of("shift", UNTIMED) == (
        "See the sheet for GG-1 before you heat: day shift Tue 13 Jan, 1 of 1 joint to heat, 1 without a time."
    )
    assert of("harder", BASE, UNTIMED).endswith(": 2 joints need more than told, 1 without a time.")
    assert of("harder", UNTIMED) == (
        "See the sheet for GG-1 before you heat: heat to minimum 225 °F (told: no heat), no time can be given; start "
        "Tue 07:30."
    )
    assert of("front", BASE, UNTIMED).endswith("; 2 joints need more for it, 1 without a time.")
    words = notice_words(notice(Event("shift", "soon", at(12), (UNTIMED,))), "us", AROUND, NOW)
    row = "GG-1 (guide, upstream): heat to minimum 225 °F, no time can be given; arc Tue 07:30"
    assert f"\n{row}. No torch reaches it in the wind.\n" in words.text
    for reason in ("", "x" * MOST_REASON + ".", "no sentence"):
        long = replace(UNTIMED, reason=reason)
        assert f"\n{row}\n" in notice_words(notice(Event("shift", "soon", at(12), (long,))), "us", AROUND, NOW).text


def test_a_light_up_that_has_gone_by_is_not_a_time_to_act_by() -> None:
    moved = replace(BASE, was_light_up_utc=at(13))
    now = at(12, 50)
    assert of("light_up", moved, now=at(12, 23)) == "Light up GG-7 by Tue 06:23, told Tue 07:00."
    assert of("light_up", moved, now=now) == "Light up GG-7 now: it should burn since Tue 06:23; its start moves."
    assert of("harder", BASE, now=now) == (
        "Light up GG-7 now, it should burn since Tue 06:23: heat to minimum 225 °F (told: no heat)."
    )
    told = notice(Event("light_up", "soon", at(12), (moved,)))
    assert "\nlight up now GG-7 (guide, upstream), should burn since Tue 06:23: heat to minimum 225 °F" in (
        notice_words(told, "us", AROUND, now).text
    ), "told in time, read late"
    assert of("harder", BASE, now=at(14)).startswith("Heat GG-7 before you weld, it should burn since Tue 06:23: ")
    assert notice_words(told, "us", AROUND, at(23)).first_line == "Light up GG-7 by Tue 06:23, told Tue 07:00.", (
        "an old notice, read the next day"
    )
    measure = replace(BASE, call="measure")
    assert of("harder", measure, now=now).startswith("Measure GG-7 now: ")


def test_several_unknown_joints_are_to_be_measured() -> None:
    unknown = [
        replace(UNKNOWN, mark=mark, start_utc=start)
        for mark, start in zip("ABCD", map(at, (15, 14, 16, 17)), strict=True)
    ]
    assert of("harder", *unknown) == (
        "Measure A, B, C and 1 more before Tue 08:00: nobody can say whether they need heat (told: no heat)."
    )
    new = [replace(joint, was_call=None) for joint in unknown]
    assert of("harder", *new).endswith(": nobody can say whether they need heat.")


def test_what_was_never_told_is_not_more_than_told() -> None:
    new = replace(BASE, was_call=None)
    assert of("harder", new, replace(LATER, was_call=None)) == "Light up GG-7 by Tue 06:23: 2 joints need heat."
    assert of("harder", new, LATER) == "Light up GG-7 by Tue 06:23: 2 joints need heat."
    assert of("harder", new, UNKNOWN) == "Light up GG-7 by Tue 06:23: 2 joints need more care, 1 to measure first."


def test_stops_of_several_joints_keep_their_own_hours() -> None:
    other = replace(STOPPED, mark="GG-3", stop_from_utc=at(20), stop_until_utc=at(6) + timedelta(days=1))
    event = Event("stop", "now", at(14), (other, STOPPED, replace(STOPPED, mark="GG-4")))
    assert first_line(event) == "Do not weld GG-9, GG-4 Tue 08:00 to 13:00: the weather forbids it; 1 more stop below."
    text = notice_words(notice(event), "us", AROUND, NOW).text
    assert " min; do not weld Tue 08:00 to 13:00; arc Tue 07:30\n" in text
    assert "; do not weld Tue 14:00 to Wed 00:00; arc" in text
    assert "weather: stop" not in text
    unknown_hours = replace(STOPPED, stop_from_utc=None, stop_until_utc=None)
    assert of("stop", unknown_hours) == "Do not weld GG-9: the weather forbids it."


def test_a_joint_in_no_shift_and_several_shifts_in_one() -> None:
    none: dict[str, Any] = {"shift_name": "", "shift_day": None, "shift_key": None}
    off = replace(BASE, call="no_heat", light_up_utc=None)
    assert of("shift", off, **none) == "Outside every shift: no joint to heat."
    assert of("shift", BASE, **none) == "Light up GG-7 by Tue 06:23: outside every shift, 1 of 1 joint to heat."
    one = notice(Event("shift", "soon", at(12), (BASE,)))
    two = together([one, replace(one, key="l", crew="south", events=(Event("shift", "soon", at(13), (LATER,)),))])
    assert notice_words(two, "us", AROUND, NOW).first_line == (
        "Light up GG-7 by Tue 06:23: next shifts, 2 of 2 joints to heat."
    )


def test_every_spell_of_a_stop_and_a_minimum_that_rose_are_said() -> None:
    spells = ((at(17), at(18, 30)), (at(20), at(21)))
    joint = replace(STOPPED, stop_from_utc=at(17), stop_until_utc=at(18, 30), stops=spells)
    words = notice_words(notice(Event("stop", "now", at(17), (joint,))), "us", AROUND, NOW)
    hours = "Tue 11:00 to 12:30 and Tue 14:00 to 15:00"
    assert words.first_line == f"Do not weld GG-9 {hours}: the weather forbids it."
    assert f"do not weld {hours}; arc" in words.text
    rose = replace(BASE, was_call="heat_to_minimum", was_minimum_c=65.6)
    said = notice_words(notice(Event("harder", "now", at(12, 23), (rose,))), "us", AROUND, NOW).first_line
    assert said == "Light up GG-7 by Tue 06:23: heat to minimum 225 °F (told: 151 °F)."


def test_a_site_that_is_not_planned_any_more() -> None:
    age = ForecastAge("none", "fresh", None, None, "since 61 min, see the log of the service")
    words = notice_words(notice(Event("forecast", "soon", None, forecast=age)), "us", AROUND, NOW)
    assert words.first_line == (
        "Nothing is planned any more: take every joint as unknown and measure (since 61 min, see the log of the "
        "service)."
    )


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
