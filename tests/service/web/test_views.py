"""Views are checked against figures worked by hand, and against the converters of pint (an outside library)."""

import csv
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import isnan
from zoneinfo import ZoneInfo

import openpyxl
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.stops import Reason
from frostshift_rules.strict import Source
from frostshift_rules.units import c_from_f, ms_from_mph
from frostshift_rules.workload import HeatPlan, Plan, Range, Span, WeatherSpell
from frostshift_service.views.chart import SteelSeries, Threshold, draw
from frostshift_service.views.files import csv_bytes, sheet_table, xlsx_bytes
from frostshift_service.views.joint import TOPICS, JointPage, joint_page
from frostshift_service.views.sheet import MorningSheet, all_lines, held_hours, morning_sheet, weather_notes
from frostshift_service.views.show import Show, ShowUnits, age, duration, number
from frostshift_service.views.words import CALLS, WEATHER

CHICAGO = ZoneInfo("America/Chicago")
UNITS = pint.UnitRegistry()
SHOWS = {units: Show(units, CHICAGO) for units in ("us", "si", "both")}


def shown(units: ShowUnits) -> Show:
    return SHOWS[units]


# Figures


@pytest.mark.parametrize(
    ("c", "toward", "us", "si", "both"),
    [
        (0.0, "near", "32 °F", "0 °C", "32 °F (0 °C)"),
        (-0.2, "near", "32 °F", "0 °C", "32 °F (0 °C)"),
        (-40.0, "near", "-40 °F", "-40 °C", "-40 °F (-40 °C)"),
        (65.555_555_555_6, "up", "150 °F", "66 °C", "150 °F (66 °C)"),
        (21.2, "up", "71 °F", "22 °C", "71 °F (22 °C)"),
        (21.2, "down", "70 °F", "21 °C", "70 °F (21 °C)"),
    ],
)
def test_temperature_is_rounded_the_asked_way_and_never_minus_zero(
    c: float, toward: str, us: str, si: str, both: str
) -> None:
    texts = [shown(units).temp_text(c, toward) for units in ("us", "si", "both")]  # type: ignore[arg-type]
    assert texts == [us, si, both]


@given(st.floats(-60.0, 300.0))
def test_a_minimum_is_never_shown_below_what_it_is(c: float) -> None:
    fahrenheit = float(shown("us").temp_text(c, "up").removesuffix(" °F"))
    exact = UNITS.Quantity(c, UNITS.degC).to(UNITS.degF).magnitude
    assert exact - 1e-5 <= fahrenheit < exact + 1.0


@given(st.floats(0.0, 100.0), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_a_range_is_never_shown_narrower_than_it_is(a: float, b: float, c: float) -> None:
    low, likely, high = sorted((a, b, c))
    text = shown("us").minutes(Range(low, likely, high)).short.removesuffix(" min").replace("up to ", "0-")
    first, _, last = text.partition("-")
    assert float(first) <= low + 1e-5
    assert float(last or first) >= high - 1e-5


def test_minutes_as_people_say_them() -> None:
    assert shown("us").minutes(Range(12.4, 14.2, 18.6)).text == "12-19 min, likely 14"
    assert shown("us").minutes(Range(14.0, 14.0, 14.0)).text == "14 min"
    assert shown("us").minutes(Range(75.0, 100.0, 130.0)).text == "75 min to 2 h 10 min, likely 100 min"
    assert shown("us").minutes(Range(0.4, 1.3, 2.1)).text == "up to 3 min, likely 1"
    assert shown("us").minutes(Range(0.1, 0.3, 0.6)).text == "up to 1 min"
    assert duration(119.0) == "119 min"
    assert duration(180.0) == "3 h"


@pytest.mark.parametrize(("kg", "text"), [(1.0, "2.2 lb (1.0 kg)"), (20.0, "44 lb (20 kg)")])
def test_mass_in_both_units(kg: float, text: str) -> None:
    amount = shown("both").mass(Range(kg, kg, kg))
    assert amount.short.endswith(f"({kg:.{0 if kg >= 10 else 1}f} kg)")
    pounds = UNITS.Quantity(kg, UNITS.kilogram).to(UNITS.pound).magnitude
    assert amount.text == amount.short
    assert float(amount.short.split(" lb")[0]) == pytest.approx(pounds, abs=0.5 if pounds >= 10.0 else 0.05)


def test_flux_in_both_units_against_pint() -> None:
    text = shown("us").flux_text(100.0, 100.0, 100.0)
    exact = UNITS.Quantity(100.0, "kW/m^2").to("Btu/(hour*foot^2)").magnitude
    assert text == f"{round(exact, -2):,.0f} / {round(exact, -2):,.0f} / {round(exact, -2):,.0f} Btu/(h ft²)"


def test_ages() -> None:
    assert [age(h) for h in (0.001, 0.59, 2.1, 50.0)] == ["under a minute", "35 min", "2 h 6 min", "2 days 2 h"]
    assert number(1240.4) == "1,240"


def test_a_time_in_the_night_of_the_clock_change_carries_its_name() -> None:
    # United States, 1 November 2026: 02:00 daylight time becomes 01:00 standard time (US Code, title 15, 260a).
    first, second = datetime(2026, 11, 1, 6, 30, tzinfo=UTC), datetime(2026, 11, 1, 7, 30, tzinfo=UTC)
    texts = [shown("us").moment(at).text for at in (first, second)]
    assert texts == ["Sun 01:30 CDT", "Sun 01:30 CST"]
    assert shown("us").moment(datetime(2026, 11, 5, 7, 30, tzinfo=UTC)).text == "Thu 01:30"


def test_light_up_is_rounded_early_and_an_earliest_arc_late() -> None:
    at = datetime(2026, 12, 17, 11, 30, 20, tzinfo=UTC)
    assert shown("us").moment(at).text == "Thu 05:30"
    assert shown("us").moment(at, toward="up").text == "Thu 05:31"
    assert shown("us").moment(at).utc == at


def test_span_runs_from_the_cold_side_outwards() -> None:
    span = shown("both").span(Span(datetime(2026, 12, 17, 12, tzinfo=UTC), -12.2, -8.0, -4.1))
    assert span.text == "10 to 18 °F (-13 to -8 °C)"
    assert span.full_text == ("cold side 10, likely 18, warm side 25 °F (cold side -13, likely -8, warm side -4 °C)")


# The sheet


@pytest.fixture
def sheet(plan: Plan, show: Show, now: datetime) -> MorningSheet:
    return morning_sheet(plan, show, now, defaults={"CR-B4-W": ("exposure: open",), "LN-1": ("exposure: open",)})


def test_the_next_two_shifts_by_default_with_joints_by_light_up(sheet: MorningSheet) -> None:
    assert [block.title for block in sheet.shifts] == [
        "Day, Thu 17 Dec, 06:00 to 16:00",
        "Night, Thu 17 Dec, 16:00 to 02:00",
    ]
    marks = [line.mark for line in sheet.shifts[0].lines]
    assert marks == ["GR-D1", "X9/α <3>", "BP-A1", "CR-B4-W", "CR-B5-W", "CR-B6-N", "BR-C2"]
    assert [line.unsure for line in sheet.shifts[0].lines] == [True] * sheet.shifts[0].unknown + [False] * 5
    lit = [line.light_up.utc for line in sheet.shifts[0].lines if line.light_up]
    assert lit == sorted(lit)


def test_a_shift_stays_on_the_sheet_while_it_runs(plan: Plan, show: Show, now: datetime) -> None:
    names = [block.title.split(",")[0] for block in morning_sheet(plan, show, now + timedelta(hours=5)).shifts]
    assert names == ["Day", "Night"]
    over = now + timedelta(hours=10.5)  # 16:00: the day shift has ended
    assert morning_sheet(plan, show, over).shifts[0].title.startswith("Night")


def test_no_joint_of_the_plan_is_lost_when_paging_by_day(plan: Plan, show: Show, now: datetime) -> None:
    days = morning_sheet(plan, show, now).days
    sheets = [morning_sheet(plan, show, now, day=one.day, shift_count=one.shifts) for one in days]
    marks = [line.mark for sheet in sheets for _, line in all_lines(sheet)]
    assert set(marks) == {jp.joint.mark for jp in plan.joints}


def test_light_up_is_start_less_slow_minutes_soak_and_set_up(sheet: MorningSheet) -> None:
    line = next(line for line in sheet.shifts[0].lines if line.mark == "CR-B4-W")
    # 07:30 less 18.6 min, 3 min soak, 10 min set-up: 06:58:24
    assert (line.start.text, line.light_up and line.light_up.text) == ("Thu 07:30", "Thu 06:58")
    assert line.minutes is not None
    assert line.minutes.text == "12-19 min, likely 14"
    assert line.hold_text == "14 min"
    assert (line.minimum and line.minimum.text, line.target and line.target.text) == ("70 °F", "115 °F")


def test_totals_say_at_least_while_something_is_unknown(sheet: MorningSheet) -> None:
    day, night = sheet.shifts
    assert day.at_least == "2 without a sure amount: amounts are at least"
    assert day.heat is not None
    assert day.heat.text == "96-181 torch-minutes, likely 127"
    assert night.heat is None
    assert night.at_least == "1 without a sure amount: amounts are at least"
    assert day.torches_text == "3 at once at Thu 06:45; 4 on the site"
    assert day.fuels[0].cylinders == "1 × 100 lb propane cylinder, 3 × 251 ft³ oxygen cylinder"


def test_a_fuel_without_cylinders_says_so(plan: Plan, show: Show, now: datetime) -> None:
    shift = plan.shifts[0]
    piped = replace(shift.fuels[0], fuel_cylinders=None, oxygen_cylinders=0)
    changed = replace(plan, shifts=(replace(shift, fuels=(piped,)), *plan.shifts[1:]))
    assert morning_sheet(changed, show, now).shifts[0].fuels[0].cylinders == "fuel not counted in cylinders"


def test_unknown_stays_unknown(sheet: MorningSheet) -> None:
    line = next(line for line in sheet.shifts[0].lines if line.mark == "X9/α <3>")
    assert (line.steel, line.minimum, line.target, line.minutes, line.fuel) == (None, None, None, None, None)
    assert line.call.text == "unknown"
    assert line.unknowns == ("the process is not stated",)


def test_a_part_that_is_not_modelled_has_no_time_and_no_light_up(sheet: MorningSheet) -> None:
    line = next(line for line in sheet.shifts[0].lines if line.mark == "GR-D1")
    assert (line.minutes, line.light_up, line.minutes_text) == (None, None, "no time yet")


def test_a_figure_that_is_not_accepted_is_a_hint(sheet: MorningSheet) -> None:
    line = sheet.shifts[1].lines[0]
    assert line.hint == (
        "150 °F per Table 3.3, category C, over 1-1/2 thru 2-1/2 in (second hand): accept the table or enter the "
        "procedure's value"
    )
    assert [other.hint for other in sheet.shifts[0].lines] == [""] * 7


def test_a_hint_names_the_category_once(plan: Plan, show: Show, now: datetime) -> None:
    night = next(jp for jp in plan.joints if jp.hint)
    ask = replace(night.requirement.asks[0], clause="Table 3.3, category C", row="category C, over 3/4 in")
    changed = replace(night, requirement=replace(night.requirement, asks=(ask,)))
    sheet = morning_sheet(replace(plan, joints=(changed,)), show, now)
    hints = [one.hint for _, one in all_lines(sheet)]
    assert hints[0].startswith("150 °F per Table 3.3, category C, over 3/4 in (second hand): ")


def test_no_torch_known_is_not_none(sheet: MorningSheet, plan: Plan, show: Show, now: datetime) -> None:
    night = plan.shifts[1]
    assert (night.torches_at_once, night.unknown) == (0, 1)
    assert sheet.shifts[1].torches_text.startswith("not known; ")
    known = replace(plan, shifts=(plan.shifts[0], replace(night, unknown=0)))
    assert morning_sheet(known, show, now).shifts[1].torches_text.startswith("none; ")


def test_when_no_heat_would_be_needed(sheet: MorningSheet, plan: Plan, show: Show, now: datetime) -> None:
    line = next(line for line in sheet.shifts[0].lines if line.mark == "CR-B6-N")
    assert line.no_heat_text == "no heat if struck after Thu 13:15 and finished by Thu 15:00"
    both = replace(plan.joints[3], no_heat_before_utc=datetime(2026, 12, 17, 17, tzinfo=UTC))
    changed = replace(plan, joints=(both,))
    line = morning_sheet(changed, show, now).shifts[0].lines[0]
    assert line.no_heat_text == (
        "no heat if finished before Thu 11:00, or if struck after Thu 13:15 and finished by Thu 15:00"
    )


def test_spells_say_when_what_and_where_it_stands_in_the_units_shown(show: Show) -> None:
    first = datetime(2026, 12, 17, 12, tzinfo=UTC)
    rule = Source("5.12 (invented)", "from memory")
    wind = Reason("wind_above_limit", ms_from_mph(14.0), ms_from_mph(5.0), rule)
    spells = [
        WeatherSpell(first, first + timedelta(hours=2), "stop", (wind, Reason("dew", None, None, rule))),
        WeatherSpell(first + timedelta(hours=9), first + timedelta(hours=10), "dry_first", (wind,)),
    ]
    held = held_hours(spells, "stop", show)
    assert [one.text for one in held] == [
        "Thu 06:00 to 08:00: Wind of 14 mph in the open, at the weld at most 5 mph: shelter it. "
        "Dew on the steel: dry it first.",
        "Thu 15:00 to 16:00: dry first: Wind of 14 mph in the open, at the weld at most 5 mph: shelter it.",
    ]
    assert held[0].source == "5.12 (invented); from memory"
    metric = held_hours(spells, "stop", Show("si", show.zone))
    assert "Wind of 6.3 m/s in the open, at the weld at most 2.2 m/s" in metric[0].text


def test_weather_notes_say_each_rule_once_for_the_hours_it_holds(show: Show) -> None:
    first = datetime(2026, 12, 17, 12, tzinfo=UTC)
    rule = Source("5.12 (invented)", "from memory")
    limit_c = c_from_f(0.0)

    def air(f: float) -> Reason:
        return Reason("air_too_close", c_from_f(f), limit_c, rule)

    frost = Reason("frost", None, None, rule)
    hours = [first + timedelta(hours=n) for n in (0, 2, 3, 5, 9, 10)]
    spells = [
        WeatherSpell(hours[0], hours[1], "unknown", (air(-1.0),)),
        WeatherSpell(hours[1], hours[2], "unknown", (air(-3.0), frost)),
        WeatherSpell(hours[2], hours[3], "dry_first", (frost,)),
        WeatherSpell(hours[4], hours[5], "dry_first", (frost,)),  # four hours later: said again
    ]
    assert weather_notes(spells, show) == (
        "Thu 06:00 to 09:00: Air at the weld may fall to -3 °F, the least being 0 °F: too close to say, measure the "
        "air at the weld.",
        "Thu 08:00 to 11:00: Frost on the steel: dry it first.",
        "Thu 15:00 to 16:00: Frost on the steel: dry it first.",
    )


def test_a_joint_outside_every_shift_has_its_own_group(sheet: MorningSheet) -> None:
    assert [line.mark for line in sheet.outside] == ["LN-1"]


def test_joints_of_earlier_shifts_that_are_not_done_are_named(plan: Plan, show: Show, now: datetime) -> None:
    later = morning_sheet(plan, show, now + timedelta(hours=21))  # the day and the night are over
    assert set(later.earlier) == {jp.joint.mark for jp in plan.joints} - {"LN-1"}
    assert later.earlier_text.startswith("From earlier shifts and not marked done: BP-A1, ")
    assert morning_sheet(plan, show, now).earlier == ()


def test_without_any_shift_nothing_is_lost(plan: Plan, show: Show, now: datetime) -> None:
    bare = replace(plan, shifts=(), joints=tuple(replace(jp, shift_key=None) for jp in plan.joints))
    sheet = morning_sheet(bare, show, now)
    assert sheet.title == "no shift in this time"
    assert len(sheet.outside) == len(plan.joints)
    last = max(jp.joint.start_utc for jp in bare.joints).astimezone(show.zone).date()
    assert morning_sheet(bare, show, now, day=last + timedelta(days=1)).outside == ()
    assert morning_sheet(bare, show, now, day=last).outside != ()


def test_defaults_taken_are_listed_with_their_joints(
    plan: Plan, show: Show, now: datetime, sheet: MorningSheet
) -> None:
    assert [(one.taken, one.marks) for one in sheet.defaults] == [("exposure: open", ("CR-B4-W", "LN-1"))]
    assert sheet.defaults_text == "Left open in the schedule and taken as stated. Some: exposure: open (2 of 10)."
    every = {jp.joint.mark: ("torches: 1", "kind_1: plate", "kind_2: plate") for jp in plan.joints}
    every["LN-1"] += ("sun: no",)
    assert morning_sheet(plan, show, now, defaults=every).defaults_text == (
        "Left open in the schedule and taken as stated. Every joint: torches: 1; kind: plate. Some: sun: no (1 of 10)."
    )
    assert morning_sheet(plan, show, now, defaults={}).defaults_text == ""


def test_ages_count_to_the_moment_of_reading(plan: Plan, show: Show, now: datetime) -> None:
    assert morning_sheet(plan, show, now).header.age_text == "issued 2 h 5 min ago"
    later = morning_sheet(plan, show, now + timedelta(hours=3)).header
    assert later.age_text == "issued 5 h 5 min ago"
    assert later.warnings[0].startswith("This plan was made 3 h 12 min ago")
    too_old = morning_sheet(plan, show, now + timedelta(hours=23)).header
    assert too_old.freshness == "unusable"
    assert too_old.freshness_text == "too old to use: every joint is unknown"


def test_a_kept_plan_without_an_issue_time_ages_from_the_fetch(plan: Plan, show: Show, now: datetime) -> None:
    unsaid = replace(plan, issued_utc=None, fetched_utc=now - timedelta(hours=2), freshness="fresh")
    head = morning_sheet(unsaid, show, now).header
    assert (head.freshness, head.age_text) == ("fresh", "fetched 2 h 0 min ago; its issue time is not known")
    old = morning_sheet(unsaid, show, now + timedelta(hours=23)).header
    assert (old.freshness, old.freshness_text) == ("unusable", "too old to use: every joint is unknown")
    assert old.warnings[0].startswith("The forecast of this plan has become too old")


def test_a_forecast_from_the_future_is_never_called_young(plan: Plan, show: Show, now: datetime) -> None:
    ahead = replace(plan, issued_utc=now + timedelta(days=3), freshness="unusable")
    head = morning_sheet(ahead, show, now).header
    assert head.age_text == "issued 3 days 0 h from now"
    assert "too old" not in head.freshness_text


def test_without_a_forecast_the_header_says_so(plan: Plan, show: Show, now: datetime) -> None:
    bare = replace(plan, feed="", issued_utc=None, fetched_utc=None, freshness="none", forecast_end_utc=None)
    head = morning_sheet(bare, show, now).header
    assert (head.feed, head.age_text, head.freshness_text) == ("none", "", "no forecast: every joint is unknown")


def test_every_call_and_state_has_its_own_words_and_shape() -> None:
    for words in (CALLS, WEATHER):
        assert len({word.shape for word in words.values()}) == len(words)
        assert len({word.text for word in words.values()}) == len(words)


# Files


def test_csv_and_xlsx_hold_the_same_and_no_cell_is_a_formula(plan: Plan, show: Show, now: datetime) -> None:
    evil = replace(plan.joints[1], joint=replace(plan.joints[1].joint, crew="=1+1", place="-2+3"))
    table = sheet_table(morning_sheet(replace(plan, joints=(evil, *plan.joints[2:])), show, now))
    rows = list(csv.reader(io.StringIO(csv_bytes(table).decode("utf-8-sig"))))
    page = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(table))).active
    assert page is not None
    in_book = [["" if cell is None else str(cell) for cell in row] for row in page.iter_rows(values_only=True)]
    in_csv = [
        [cell.removesuffix(".0") if cell.removesuffix(".0").lstrip("-").isdigit() else cell for cell in row]
        for row in rows
    ]
    assert in_csv == in_book
    assert not any(cell.startswith(("=", "+", "@")) for row in rows for cell in row)
    by_name = dict(zip(rows[0], next(row for row in rows if "CR-B4-W" in row), strict=True))
    assert (by_name["crew"], by_name["place"]) == ("'=1+1", "'-2+3")
    assert by_name["steel_cold_c"] == "-12.2"
    assert by_name["light_up_utc"] == "2026-12-17T12:58Z"


def test_unknown_is_an_empty_cell(sheet: MorningSheet) -> None:
    table = sheet_table(sheet)
    row = next(row for row in table.rows if row[table.header.index("mark")] == "X9/α <3>")
    named = dict(zip(table.header, row, strict=True))
    empty = ("steel_cold_c", "minimum_c", "target_c", "heating_min_high", "fuel_kg_high", "light_up_utc")
    assert [named[name] for name in empty] == [None] * len(empty)


# The joint's page


@pytest.fixture
def page_of(
    plan: Plan, show: Show, now: datetime, series: SteelSeries, torch_times: Callable[[str], Mapping[int, HeatPlan]]
) -> Callable[[str], JointPage]:
    def make(mark: str) -> JointPage:
        return joint_page(plan, mark, show, now, series=series, times_for_torches=torch_times(mark))

    return make


def test_the_arithmetic_shown_leads_to_the_figures_shown(page_of: Callable[[str], JointPage], plan: Plan) -> None:
    page, heat = page_of("CR-B4-W"), plan.joints[1].heat
    assert heat is not None
    # 2 torches x 24 kW x 0.35 / (2 parts x 0.105 m x 0.810 m) = 98.8 kW/m2
    assert heat.parts[0].flux_kwm2.likely == pytest.approx(2 * 24.0 * 0.35 / (2 * 0.105 * 0.810))
    steps = {step.what: step for step in (*page.heating, *page.light_up, *page.gas)}
    expected = UNITS.Quantity(heat.parts[0].flux_kwm2.likely, "kW/m^2").to("Btu/(hour*foot^2)").magnitude
    assert f" {round(expected, -2):,.0f} " in steps["Heat into the steel"].result
    assert "2 torches × 81,900 Btu/h net × share 25 / 35 / 50 %" in steps["Heat into the steel"].how
    assert steps["Light-up"].result == "Thu 06:58"
    assert steps["Light-up"].how.startswith("start Thu 07:30 less 19 min heating (slow end), 3 min soak")
    # 2 torches x 24 kW x 14.4 min = 41.5 MJ = 39,300 Btu; propane 46.34 MJ/kg net: 0.895 kg = 1.97 lb
    assert steps["Heat released"].result == "33,300 / 39,300 / 50,800 Btu net"
    # low 2 x 24 kW x 12.2 min = 35.1 MJ: 0.758 kg = 1.67 lb, rounded down; high 53.6 MJ: 2.55 lb, rounded up
    assert steps["Fuel"].result == "1.6-2.6 lb, likely 2.0"


def test_every_figure_that_was_asked_for_says_where_it_comes_from(page_of: Callable[[str], JointPage]) -> None:
    page = page_of("CR-B4-W")
    ask = page.asks[0]
    assert (ask.who, ask.minimum.text, ask.clause, ask.basis) == ("code table", "50 °F", "Table 3.3", "seen")
    assert page.minimum_why == "50 °F by the deciding row below, raised by the cold-steel rule to 70 °F."
    assert page.cold_steel.applies
    assert "asks the same" in page.cold_steel.literal_text
    warm = page_of("BR-C2")
    assert not warm.cold_steel.applies
    assert warm.minimum_why == "32 °F by the deciding row below; the cold-steel rule does not raise it."


def test_what_is_asked_stands_topic_by_topic_with_its_source(page_of: Callable[[str], JointPage]) -> None:
    rows = {row.topic: row for row in page_of("CR-B4-W").instructions}
    assert set(rows) == set(TOPICS) - {"access_holes"}  # 1-1/2 in is not over 1-1/2 in
    assert rows["minimum"].heading == "Minimum"
    assert "at least 50 °F" in rows["minimum"].text
    assert "70 °F where the steel was below 32 °F" in rows["minimum"].text
    assert rows["extent"].text == "3 in on every side of the weld and through the whole thickness."
    assert rows["where_when"].source.startswith("ISO 13916:2025")
    assert rows["electrodes"].text.startswith("The clock runs: E7018 at most 4 h")
    unknown = {row.topic: row for row in page_of("X9/α <3>").instructions}
    assert unknown["minimum"].text == "Unknown: ask the welding procedure. The process is not stated."
    thick = {row.topic for row in page_of("BP-A1").instructions}  # 3 in
    assert "access_holes" in thick


def test_the_figures_of_heat_are_those_of_the_trade_in_either_units() -> None:
    us, si = shown("us"), shown("si")
    assert us.heat_transfer_text(20.0, 30.0, 40.0) == "3.5 / 5.3 / 7.0 Btu/(h ft² °F)"
    assert si.heat_transfer_text(20.0, 30.0, 40.0) == "20 / 30 / 40 W/m²K"
    assert (us.heat_text(1.0, 2.0, 30.0), si.heat_text(1.0, 2.0, 30.0)) == (
        "900 / 1,900 / 28,400 Btu", "1.0 / 2.0 / 30.0 MJ",
    )  # fmt: skip
    assert (us.heating_value_text(46.34), si.heating_value_text(46.34)) == ("19,920 Btu/lb", "46.34 MJ/kg")
    assert (us.density_text(1.899), si.density_text(1.899)) == ("0.1186 lb/ft³", "1.899 kg/m³")
    assert (us.heat_input_text(1.5), si.heat_input_text(1.5)) == ("38.1 kJ/in", "1.5 kJ/mm")
    assert (us.sun_text(600.0), si.sun_text(600.0)) == ("190 Btu/(h ft²)", "600 W/m²")
    assert "2 gal" in us.diesel_text(6.0)
    assert "6 L" in si.diesel_text(6.0)


def test_a_least_length_is_never_rounded_below_what_is_asked() -> None:
    assert shown("us").least_length_text(75.0) == "3 in"  # 2.95 in and 2-15/16 in are less
    assert shown("si").least_length_text(76.2) == "77 mm"
    assert shown("si").least_length_text(76.2, "us") == "77 mm (in the code's units 3 in)"
    assert shown("us").least_length_text(76.2, "us") == "3 in"
    assert shown("both").least_length_text(76.2) == "3 in (77 mm)"


def test_what_is_asked_is_said_in_the_units_shown_with_those_of_the_code_beside(plan: Plan, now: datetime) -> None:
    page = joint_page(plan, "BP-A1", Show("si", CHICAGO), now, series=None, times_for_torches={})
    minimum = next(row.text for row in page.instructions if row.topic == "minimum")
    assert re.search(r"[0-9]+ °C \(in the code's units [0-9]+ °F\)", minimum)


def test_the_note_on_measuring_is_said_once(page_of: Callable[[str], JointPage], plan: Plan) -> None:
    assert page_of("CR-B4-W").requirement_notes == plan.joints[1].requirement.notes


def test_passes_restraint_heat_input_and_fracture_critical_stand_where_they_are_stated(
    plan: Plan, show: Show, now: datetime, page_of: Callable[[str], JointPage]
) -> None:
    labels = {"Passes", "Restraint", "Heat input", "Fracture-critical"}
    assert labels.isdisjoint(fact.label for fact in page_of("CR-B4-W").facts)
    joint = replace(plan.joints[1].joint, passes=6, restraint="high", heat_input_kj_mm=1.25, fracture_critical=True)
    changed = replace(plan, joints=(replace(plan.joints[1], joint=joint),))
    page = joint_page(changed, "CR-B4-W", show, now, series=None, times_for_torches={})
    stated = {fact.label: fact.text for fact in page.facts}
    assert {label: stated[label] for label in labels} == {
        "Passes": "6",
        "Restraint": "high",
        "Heat input": "31.8 kJ/in",
        "Fracture-critical": "yes",
    }
    assert "6 passes, as stated" in next(row.text for row in page.instructions if row.topic == "between_passes")


@pytest.mark.parametrize(
    ("what", "table_id", "who", "table"),
    [
        ("hydrogen_control", "aws_d1_1_2015_annex_h", "hydrogen control", "AWS D1.1/D1.1M:2015"),
        ("procedure", "", "welding procedure", ""),
    ],
)
def test_a_figure_of_another_method_names_its_table(
    what: str, table_id: str, who: str, table: str, plan: Plan, show: Show, now: datetime
) -> None:
    asked = plan.joints[1].requirement
    other = replace(asked.asks[0], what=what, table_id=table_id)
    changed = replace(plan.joints[1], requirement=replace(asked, asks=(other, *asked.asks)))
    page = joint_page(replace(plan, joints=(changed,)), "CR-B4-W", show, now, series=None, times_for_torches={})
    assert (page.asks[0].who, page.asks[0].table) == (who, table)


def test_the_chance_that_heat_is_needed_is_shown_with_its_members_and_only_where_there_is_one(
    plan: Plan, show: Show, now: datetime
) -> None:
    counted = replace(plan, joints=(replace(plan.joints[1], chance=41 / 51, members=51),))
    page = joint_page(counted, "CR-B4-W", show, now, series=None, times_for_torches={})
    said = {fact.label: fact.text for fact in page.weather}
    expected = "41 of 51 forecast members (raw members; their spread is usually too narrow)"
    assert said["Chance that heat is needed"] == expected
    assert (page.line.chance, page.line.chance_text) == (41 / 51, "41 of 51 forecast members")
    assert any("51 forecast members" in one.text for one in page.doubt)
    without = joint_page(plan, "CR-B4-W", show, now, series=None, times_for_torches={})
    assert "Chance that heat is needed" not in {fact.label for fact in without.weather}
    assert (without.line.chance, without.line.chance_text) == (None, "")
    for of, cell in ((counted, "41 of 51 forecast members"), (plan, "")):
        rows = list(
            csv.DictReader(io.StringIO(csv_bytes(sheet_table(morning_sheet(of, show, now))).decode("utf-8-sig")))
        )
        assert {row["chance_heat_is_needed"] for row in rows if row["mark"] == "CR-B4-W"} == {cell}


def test_the_cold_side_decides_whether_the_cold_steel_rule_applies(plan: Plan, show: Show, now: datetime) -> None:
    def applies(cold_c: float) -> bool:
        steel = Span(now, cold_c, 2.0, 5.0)  # likely and warm side above 0 °C
        changed = replace(plan, joints=(replace(plan.joints[1], steel=steel),))
        page = joint_page(changed, "CR-B4-W", show, now, series=None, times_for_torches={})
        return page.cold_steel.applies

    assert applies(-0.1)
    assert not applies(0.0)


def test_the_literal_reading_is_shown_where_it_differs(
    plan: Plan, show: Show, now: datetime, series: SteelSeries
) -> None:
    loose = replace(plan.joints[1], requirement=replace(plan.joints[1].requirement, literal_cold=False))
    page = joint_page(replace(plan, joints=(loose,)), "CR-B4-W", show, now, series=series, times_for_torches={})
    assert "would not raise this row; it is raised all the same" in page.cold_steel.literal_text


def test_nothing_decides_while_the_minimum_is_unknown(plan: Plan, show: Show, now: datetime) -> None:
    open_row = replace(plan.joints[1].requirement, minimum_c=None, unknown=("the steel is not stated",))
    joint = replace(plan.joints[1], requirement=open_row, minimum_c=None, call="unknown")
    page = joint_page(replace(plan, joints=(joint,)), "CR-B4-W", show, now, series=None, times_for_torches={})
    assert [ask.decides for ask in page.asks] == [False] * len(page.asks)
    assert "needs at least this, whatever else is not known" in page.cold_steel.text
    assert page.cold_steel.literal_text == ""


def test_a_threshold_is_named_as_its_figure_on_the_page(series: SteelSeries, show: Show, now: datetime) -> None:
    chart = draw(
        series,
        show,
        window=(now, now),
        thresholds=[Threshold(c_from_f(150.0), "minimum asked")],
        uprights=[],
        width=820.0,
        height=320.0,
    )
    assert chart is not None
    assert [*chart.beyond, *(rule.text for rule in chart.rules)] == ["Above this chart: minimum asked 150 °F."]


def test_one_two_and_three_torches_side_by_side(page_of: Callable[[str], JointPage]) -> None:
    choices = page_of("CR-B4-W").torch_choices
    assert [(choice.torches, choice.chosen) for choice in choices] == [(1, False), (2, True), (3, False)]
    lit = [choice.light_up.utc for choice in choices if choice.light_up]
    assert lit == sorted(lit)
    assert page_of("BR-C2").torch_choices == ()


def test_the_page_names_dates_sources_and_tables_for_people(plan: Plan, page_of: Callable[[str], JointPage]) -> None:
    page = page_of("CR-B4-W")
    assert page.start.text == "Thu 17 Dec 07:30"
    assert page.asks[0].table == "AWS D1.1/D1.1M:2015"
    assert page.weather_sources != ()
    assert len(set(page.weather_sources)) == len(page.weather_sources)
    assert "0.45 °F per hour that the forecast is late" in page.doubt[0].text  # 0.25 K


def test_a_joint_that_is_not_anchored_says_so(page_of: Callable[[str], JointPage]) -> None:
    assert any("never no heat" in one.text for one in page_of("CR-B7-W").doubt)
    assert not any("never no heat" in one.text for one in page_of("CR-B4-W").doubt)


def test_no_such_joint_is_no_page(plan: Plan, show: Show, now: datetime) -> None:
    with pytest.raises(KeyError, match="NOPE"):
        joint_page(plan, "NOPE", show, now, series=None, times_for_torches={})


def test_missing_hours_are_missing_in_numbers_and_gaps_in_the_chart(
    page_of: Callable[[str], JointPage], series: SteelSeries
) -> None:
    page = page_of("CR-B4-W")
    missing = [row for row in page.hours if row.steel is None]
    assert len(missing) == 1
    assert (missing[0].air, missing[0].cold, missing[0].warm) == (None, None, None)
    assert isnan(series.steel_c[series.times_utc.index(missing[0].at.utc)])
    assert page.wide is not None
    assert len(page.wide.steel) == len(page.wide.air) == len(page.wide.band) == 2


# The chart


def _points(text: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in (point.split(",") for point in text.split())]


@pytest.mark.parametrize("units", ["us", "si", "both"])
@pytest.mark.parametrize("width", [360.0, 820.0])
def test_everything_drawn_lies_inside_and_stands_at_its_temperature(
    units: ShowUnits, width: float, series: SteelSeries, now: datetime
) -> None:
    window = (now, now + timedelta(hours=5))
    thresholds = [Threshold(0.0, "cold-steel limit"), Threshold(0.0, "minimum"), Threshold(65.6, "raised")]
    chart = draw(
        series, shown(units), window=window, thresholds=thresholds, uprights=[(now, "start")], width=width, height=320.0
    )
    assert chart is not None
    for points in (*chart.air, *chart.steel, *chart.band):
        for x, y in _points(points):
            assert chart.left <= x <= chart.right
            assert chart.top <= y <= chart.bottom
    zero = "32" if units != "si" else "0"
    together = [f"cold-steel limit and minimum {zero}"]  # two labels on a phone, where one would run off the edge
    apart = [f"cold-steel limit {zero}", f"minimum {zero}"]
    assert [rule.text.split(" °")[0] for rule in chart.rules] == (together if width > 500.0 else apart)
    # 0 °C lies where the axis says: between the two ticks around it, in proportion
    axis = [(float(tick.text), tick.at) for tick in chart.left_ticks]
    (v0, y0), (v1, y1) = axis[0], axis[-1]
    assert chart.rules[0].y == pytest.approx(y0 + (float(zero) - v0) / (v1 - v0) * (y1 - y0), abs=0.2)
    assert len(chart.beyond) == 1
    assert chart.beyond[0].startswith("Above this chart: raised ")
    assert chart.uprights[0].x == pytest.approx(chart.window_x)


def test_labels_of_close_thresholds_do_not_cover_one_another(series: SteelSeries, show: Show, now: datetime) -> None:
    thresholds = [Threshold(c, f"limit {n}") for n, c in enumerate((-4.0, -4.3, -4.6, -5.0))]
    chart = draw(series, show, window=(now, now), thresholds=thresholds, uprights=[], width=360.0, height=320.0)
    assert chart is not None
    heights = [rule.label_y for rule in chart.rules]
    assert all(below - above >= 14.9 for above, below in zip(heights, heights[1:], strict=False))


def test_nothing_is_drawn_without_two_hours_in_a_row(show: Show, now: datetime) -> None:
    times = tuple(now + timedelta(hours=n) for n in range(3))
    nan = float("nan")
    gaps = SteelSeries(times, (1.0, nan, 1.0), (1.0, nan, 1.0), (0.0, nan, 0.0), (2.0, nan, 2.0))
    assert draw(gaps, show, window=(now, now), thresholds=[], uprights=[], width=360.0, height=320.0) is None


def test_days_of_the_plan_can_be_asked_for(sheet: MorningSheet) -> None:
    assert [(day.day, day.shifts) for day in sheet.days] == [(date(2026, 12, 17), 2), (date(2026, 12, 18), 1)]
