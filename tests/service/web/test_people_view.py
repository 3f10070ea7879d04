"""How cold a shift is for its crew: on the sheet, on paper, in the terminal, in JSON, and in plans stored before."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

import pytest

from frostshift_rules.people import UNKNOWN, PeopleCold, WarmUp, people_table
from frostshift_rules.units import c_from_f
from frostshift_rules.workload import Plan, ShiftTotal
from frostshift_service.store.packing import Packing
from frostshift_service.views.people import PEOPLE_NOTE, people_line
from frostshift_service.views.sheet import MorningSheet, morning_sheet
from frostshift_service.views.show import Show
from frostshift_service.views.terminal import sheet_text

AT = datetime(2026, 12, 17, 13, tzinfo=UTC)  # 07:00 in the zone of the site
COLD = PeopleCold(c_from_f(-31.0), AT, True, 30, WarmUp("schedule", 40, 4, row=3, wind_mph=10.0), AT, "lighter")
LINE = (
    "Wind chill down to -31 °F at Thu 07:00; bare skin can freeze within 30 min. At most 40 min of work at a time, "
    "then 10 min in a warm place, 4 breaks in a 4 h shift (worst at Thu 07:00: row from -25 °F, 10 mph column)."
)


def with_people(plan: Plan, *people: PeopleCold | None) -> Plan:
    """The plan with this said of its first shifts."""
    told = tuple(replace(shift, people=one) for shift, one in zip(plan.shifts, people, strict=False))
    return replace(plan, shifts=(*told, *plan.shifts[len(told) :]))


def text_of(people: PeopleCold, show: Show) -> str:
    line = people_line(people, show)
    assert line is not None
    return line.text


def test_a_cold_shift_says_wind_chill_period_breaks_and_where_they_stand(show: Show) -> None:
    assert text_of(COLD, show) == LINE


def test_in_metric_units_the_printed_metric_edges_are_named(show: Show) -> None:
    text = text_of(COLD, Show("si", show.zone))
    assert text.startswith("Wind chill down to -35 °C at Thu 07:00; ")
    assert text.endswith("row from -32 °C, 16 km/h column).")
    assert "°F" not in text


def test_wind_chill_is_rounded_to_the_colder_degree(show: Show) -> None:
    assert "down to -32 °F" in text_of(replace(COLD, wind_chill_c=c_from_f(-31.1)), show)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (
            WarmUp("stop", row=4, wind_mph=20.0),
            "Non-emergency work stops by the warm-up schedule (first at Thu 07:00: row from -30 °F, 20 mph column).",
        ),
        (
            WarmUp("normal_breaks", breaks=1, row=2, wind_mph=0.0),
            "Normal breaks by the warm-up schedule, 1 in a 4 h shift (at Thu 07:00: row from -20 °F, column of no "
            "noticeable wind).",
        ),
        (
            WarmUp("outside", outside="warmer"),
            "Air is warmer than the warm-up schedule covers (-15 °F and colder): it gives no breaks. Plan your own.",
        ),
        (
            WarmUp("outside", outside="windier"),
            "Wind is stronger than the warm-up schedule covers (up to 20 mph) at Thu 07:00: it gives no work period. "
            "Plan your own.",
        ),
    ],
    ids=["stop", "normal", "warmer", "windier"],
)
def test_every_answer_of_the_schedule_has_its_words(answer: WarmUp, said: str, show: Show) -> None:
    text = text_of(replace(COLD, warm_up=answer), show)
    assert text.endswith(said)
    assert ("ormal" in text) is (answer.state == "normal_breaks")


def test_unknown_says_so_and_keeps_the_frostbite_of_the_hours_that_are_known(show: Show) -> None:
    unknown = PeopleCold(None, None, False, None, UNKNOWN, None, "lighter")
    missing = "Warm-up breaks unknown: air or wind is missing in an hour of the shift. Measure there."
    assert text_of(unknown, show) == missing
    bite = text_of(replace(unknown, frostbite_minutes=30), show)
    assert bite == f"In some hours bare skin can freeze within 30 min. {missing}"


def test_calm_air_is_no_wind_chill(show: Show) -> None:
    calm = replace(COLD, wind_chill_valid=False, frostbite_minutes=None)
    assert text_of(calm, show).startswith("Air, in too little wind for a wind chill, down to -31 °F at Thu 07:00. ")


def test_warm_weather_says_nothing(show: Show, plan: Plan, now: datetime) -> None:
    outside = WarmUp("outside", outside="warmer")
    warm = PeopleCold(people_table().air_to_c + 0.1, AT, False, None, outside, AT, "lighter")
    assert text_of(warm, show) == ""
    assert text_of(replace(warm, wind_chill_c=9.9), show) != ""
    sheet = morning_sheet(with_people(plan, warm), show, now)
    assert PEOPLE_NOTE not in sheet.notes
    assert "people in the cold:" not in sheet_text(sheet)


def test_the_note_names_sources_and_that_it_is_never_for_steel(show: Show, plan: Plan, now: datetime) -> None:
    assert PEOPLE_NOTE not in morning_sheet(plan, show, now).notes
    assert PEOPLE_NOTE in morning_sheet(with_people(plan, COLD), show, now).notes
    for words in ("US National Weather Service (2001)", "ACGIH", "Saskatchewan", "second hand", "shelter", "never for"):
        assert words in PEOPLE_NOTE


def test_the_terminal_says_it_once_a_shift(show: Show, plan: Plan, now: datetime) -> None:
    printed = sheet_text(morning_sheet(with_people(plan, COLD), show, now))
    flat = re.sub(r"\s+", " ", printed)
    assert flat.count("people in the cold: ") == 1
    assert f"people in the cold: w{LINE[1:]}" in flat
    assert max(map(len, printed.splitlines())) <= 140


@pytest.mark.anyio
async def test_page_and_json_show_it(web: Any, plan: Plan) -> None:
    web.planner.plan = with_people(plan, COLD)
    async with web.client() as client:
        page = (await client.get("/sites/north-yard/morning")).text
        sheet = (await client.get("/sites/north-yard/morning.json")).json()
    assert page.count("<dt>People in the cold</dt>") == 1
    words = re.sub(r"\s+", " ", page.replace("\N{NO-BREAK SPACE}", " "))
    assert LINE in words
    assert PEOPLE_NOTE in words
    people = sheet["shifts"][0]["people"]
    assert (people["state"], people["work_minutes"], people["breaks"]) == ("schedule", 40, 4)
    assert people["wind_chill"]["c"] == pytest.approx(-35.0)
    assert sheet["shifts"][1]["people"] is None


def test_it_is_kept_with_the_plan_and_older_plans_still_load(plan: Plan) -> None:
    packing, told = Packing(Plan), with_people(plan, COLD)
    packed = packing.pack(told)
    assert packing.unpack(packed) == told
    (record,) = json.loads(zlib.decompress(packed))
    for shift in record["shifts"]:
        del shift["people"]
    assert packing.unpack(zlib.compress(json.dumps([record]).encode())) == with_people(plan, None)
    assert "people" in {field.name for field in fields(ShiftTotal)}


def test_the_view_holds_it_for_every_shift(show: Show, plan: Plan, now: datetime) -> None:
    sheet: MorningSheet = morning_sheet(with_people(plan, None, COLD), show, now)
    assert sheet.shifts[0].people is None
    assert sheet.shifts[1].people is not None
    assert sheet.shifts[1].people.text == LINE
