"""Wind chill, frostbite, the warm-up schedule: print, MetPy, invariants, edges, bad tables, and per shift in a plan."""

from __future__ import annotations

import ast
import csv
import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from metpy.calc import windchill
from metpy.units import units as metpy_units

import frostshift_rules
from frostshift_rules.job import CodeUnits
from frostshift_rules.people import (
    UNKNOWN,
    Outdoors,
    PeopleCold,
    WarmUp,
    WorkKind,
    in_frostbite_area,
    people_over,
    people_table,
    read_people,
    warm_up,
    wind_chill_c,
    wind_chill_valid,
)
from frostshift_rules.strict import OutOfRange, TableError, read_toml
from frostshift_rules.units import c_from_f, f_from_c, ms_from_kmh, ms_from_mph

from .plan_builders import NOW, at, changed, choices, hours, joint, mm, plan, weather

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"
SHIPPED = resources.files("frostshift_rules").joinpath("tables", "people.toml").read_text(encoding="utf-8")
SYSTEMS: tuple[CodeUnits, ...] = ("us", "si", "either")

airs = st.floats(-60.0, 30.0)
winds = st.floats(0.0, 40.0)
systems = st.sampled_from(SYSTEMS)
works: st.SearchStrategy[WorkKind] = st.sampled_from(("lighter", "heavier"))


def published(name: str) -> list[dict[str, str]]:
    """The rows of a fixture typed from print."""
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


CHART = published("nws_wind_chill_chart.csv")
GRID = published("warm_up_schedule.csv")
HEADS_MPH, HEADS_KMH = (sorted({float(cell[key]) for cell in GRID}) for key in ("wind_mph", "wind_kmh"))
FROM_F = sorted({float(cell["air_from_f"]) for cell in GRID}, reverse=True)


def cell_of(row: int, column: int) -> dict[str, str]:
    """The printed cell of a row and a column, both from 0."""
    (found,) = (
        cell
        for cell in GRID
        if float(cell["air_from_f"]) == FROM_F[row] and float(cell["wind_mph"]) == HEADS_MPH[column]
    )
    return found


def says(answer: WarmUp, cell: dict[str, str]) -> bool:
    """Whether an answer is what a cell prints."""
    if cell["work_minutes"] == "stop":
        return (answer.state, answer.work_minutes, answer.breaks) == ("stop", None, None)
    breaks = int(cell["breaks"])
    if cell["work_minutes"] == "normal":
        return (answer.state, answer.work_minutes, answer.breaks) == ("normal_breaks", None, breaks)
    return (answer.state, answer.work_minutes, answer.breaks) == ("schedule", int(cell["work_minutes"]), breaks)


# Wind chill -----------------------------------------------------------------------------------------------------------


def us_form_f(air_f: float, wind_mph: float) -> float:
    """The US form of the formula, as the National Weather Service prints it beside its chart."""
    power = wind_mph**0.16
    return 35.74 + 0.6215 * air_f - 35.75 * power + 0.4275 * air_f * power


@pytest.mark.parametrize("row", CHART, ids=[row["air_f"] for row in CHART])
def test_wind_chill_against_the_chart_of_the_weather_service(row: dict[str, str]) -> None:
    # NWS chart 2001, whole °F by the US form, up to 0.1 °F from the SI form: -39.45 and -39.51 at -10 °F and 30 mph.
    for head, printed in row.items():
        if head != "air_f":
            wind_ms = ms_from_mph(float(head.removesuffix("_mph")))
            got_f = float(f_from_c(wind_chill_c(c_from_f(float(row["air_f"])), wind_ms)))
            assert got_f == pytest.approx(float(printed), abs=0.6), head


def test_worked_points_of_wind_chill() -> None:
    # NWS, text with the chart: 0 °F and 15 mph give -19 °F. Environment Canada: -20 °C and 30 km/h give -33.
    assert round(float(f_from_c(wind_chill_c(c_from_f(0.0), ms_from_mph(15.0))))) == -19
    assert round(float(wind_chill_c(-20.0, ms_from_kmh(30.0)))) == -33


@given(st.floats(-60.0, 10.0), st.floats(1.3412, 45.0))
def test_the_two_printed_forms_agree(air_c: float, wind_ms: float) -> None:
    # The US form (NWS) against ours, the SI form (Environment Canada): two sets of rounded coefficients.
    assert wind_chill_valid(air_c, wind_ms)
    us_c = c_from_f(us_form_f(air_c * 1.8 + 32.0, wind_ms * 3.6 / 1.609344))
    assert float(wind_chill_c(air_c, wind_ms)) == pytest.approx(us_c, abs=0.1)


def test_wind_chill_against_metpy() -> None:
    air_c, wind_ms = np.meshgrid(np.linspace(-55.0, 20.0, 76), np.linspace(0.0, 40.0, 81))
    theirs = windchill(
        metpy_units.Quantity(air_c, "degC"), metpy_units.Quantity(wind_ms, "m/s"), face_level_winds=False
    ).to("degC")
    masked = np.ma.getmaskarray(theirs.magnitude)
    np.testing.assert_array_equal(wind_chill_valid(air_c, wind_ms), ~masked)
    ours = wind_chill_c(air_c, wind_ms)
    np.testing.assert_allclose(ours[~masked], np.ma.getdata(theirs.magnitude)[~masked], rtol=0.0, atol=0.01)
    np.testing.assert_array_equal(ours[masked], air_c[masked])


def test_outside_its_range_wind_chill_is_the_air_temperature() -> None:
    three_mph = ms_from_mph(3.0)
    cases = [(10.0, 5.0, True), (10.001, 5.0, False), (-10.0, three_mph, False), (-10.0, three_mph + 1e-6, True)]
    for air_c, wind_ms, valid in cases:
        assert bool(wind_chill_valid(air_c, wind_ms)) is valid
        assert (float(wind_chill_c(air_c, wind_ms)) == air_c) is not valid
    assert float(wind_chill_c(-30.0, 0.0)) == -30.0


def test_missing_stays_missing() -> None:
    air_c, wind_ms = np.array([np.nan, -10.0, np.nan, 20.0]), np.array([5.0, np.nan, np.nan, np.nan])
    assert np.isnan(wind_chill_c(air_c, wind_ms)).all()
    assert not wind_chill_valid(air_c, wind_ms).any()
    assert not in_frostbite_area(air_c, wind_ms).any()


@given(airs, airs, winds, winds)
def test_colder_or_windier_is_never_a_warmer_wind_chill(one_c: float, other_c: float, one: float, other: float) -> None:
    cold, warm, calm, windy = min(one_c, other_c), max(one_c, other_c), min(one, other), max(one, other)
    chill_c = float(wind_chill_c(cold, windy))
    assert chill_c <= float(wind_chill_c(warm, calm)) + 1e-9
    assert chill_c <= cold


@pytest.mark.parametrize(("air_c", "wind_ms"), [(-5.0, -0.1), (-5.0, math.inf), (-math.inf, 1.0)])
def test_impossible_weather_is_refused_by_name(air_c: float, wind_ms: float) -> None:
    name = "air_c" if math.isinf(air_c) else "wind_ms"
    for function in (wind_chill_c, wind_chill_valid, warm_up):
        with pytest.raises(OutOfRange, match=name):
            function(air_c, wind_ms)


def test_frostbite_begins_at_a_wind_chill_of_minus_18_in_whole_degrees() -> None:
    # NWS chart 2001: 0 °F and 15 mph (-19 °F) is its own example for 30 minutes; -18 °F is the area's start on a copy.
    assert in_frostbite_area(c_from_f(0.0), ms_from_mph(15.0))
    assert people_table().frostbite_minutes == 30
    air_f = np.linspace(-5.0, 10.0, 3001)
    chill_f = f_from_c(wind_chill_c(c_from_f(air_f), ms_from_mph(15.0)))
    np.testing.assert_array_equal(in_frostbite_area(c_from_f(air_f), ms_from_mph(15.0)), np.floor(chill_f) <= -18.0)
    assert not in_frostbite_area(-40.0, 0.0)  # the chart says nothing of calm air


# Warm-up schedule -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cell", GRID, ids=[f"{c['air_from_f']}F_{c['wind_mph']}mph" for c in GRID])
def test_every_printed_cell_at_its_edges_in_both_unit_systems(cell: dict[str, str]) -> None:
    # The copies of the schedule named in the fixture, for the work that they are printed for.
    ends_f = [float(cell["air_from_f"]), float(cell["air_to_f"] or -70.0)]
    ends_c = [float(cell["air_from_c"]), float(cell["air_to_c"] or -56.0)]
    for air_f in ends_f:
        assert says(warm_up(c_from_f(air_f), ms_from_mph(float(cell["wind_mph"])), "us", "heavier"), cell)
    for air_c in ends_c:
        assert says(warm_up(air_c, ms_from_kmh(float(cell["wind_kmh"])), "si", "heavier"), cell)


@pytest.mark.parametrize(("air_c", "system"), [(-35.0, "si"), (c_from_f(-30.0), "us")])
def test_the_worked_example_of_the_schedules_note(air_c: float, system: CodeUnits) -> None:
    # Note 1 of the schedule: at -35 °C (-30 °F) and no noticeable wind (step 4), a job with little movement is step 5:
    # 40 minutes, 4 breaks.
    assert warm_up(air_c, 0.0, system) == WarmUp("schedule", 40, 4, row=5, wind_mph=0.0)
    assert warm_up(air_c, 0.0, system, "heavier") == WarmUp("schedule", 55, 3, row=4, wind_mph=0.0)


@pytest.mark.parametrize("column", range(5))
@pytest.mark.parametrize("row", range(7))
def test_lighter_work_is_read_one_row_colder(row: int, column: int) -> None:
    air_c, wind_ms = c_from_f(FROM_F[row]), ms_from_mph(HEADS_MPH[column])
    assert says(warm_up(air_c, wind_ms, "us"), cell_of(min(row + 1, 6), column))


def test_between_two_rows_the_colder_is_read() -> None:
    # -19.5 °F lies between the printed -19 and -20, -28.5 °C between -28 and -29.
    assert says(warm_up(c_from_f(-19.5), 0.0, "us", "heavier"), cell_of(1, 0))
    assert says(warm_up(c_from_f(-19.5), ms_from_mph(5.0), "us", "heavier"), cell_of(1, 1))
    assert says(warm_up(-28.5, ms_from_kmh(16.0), "si", "heavier"), cell_of(1, 2))
    assert says(warm_up(-42.5, 0.0, "si", "heavier"), cell_of(6, 0))
    # And for lighter work one more: stop.
    assert says(warm_up(c_from_f(-39.5), 0.0, "us"), cell_of(6, 0))


def test_between_two_winds_the_windier_is_read_and_only_calm_is_no_noticeable_wind() -> None:
    air_c = c_from_f(-22.0)
    for wind_ms, column in [
        (ms_from_kmh(0.99), 0),  # Beaufort force 0 is printed as under 1 km/h
        (ms_from_kmh(1.0), 1),
        (ms_from_mph(5.0), 1),
        (ms_from_mph(5.01), 2),
        (ms_from_mph(10.01), 3),
        (ms_from_mph(15.01), 4),
    ]:
        assert says(warm_up(air_c, wind_ms, "us", "heavier"), cell_of(1, column)), wind_ms


def test_outside_the_grid_it_says_so_and_a_row_that_stops_stays_stop() -> None:
    assert warm_up(c_from_f(-14.9), 0.0, "us") == WarmUp("outside", outside="warmer")
    assert warm_up(-25.9, ms_from_mph(40.0), "si") == WarmUp("outside", outside="warmer")
    assert warm_up(c_from_f(-15.0), ms_from_mph(20.1), "us") == WarmUp("outside", outside="windier")
    assert warm_up(c_from_f(-25.0), ms_from_mph(20.1), "us", "heavier").state == "stop"
    assert warm_up(c_from_f(-20.0), ms_from_mph(60.0), "us").state == "stop"  # lighter work: the row below stops


def test_lighter_work_stops_in_the_row_before_the_last_and_below() -> None:
    for air_f in (-40.0, -44.0, -45.0, -70.0):
        assert warm_up(c_from_f(air_f), 0.0, "us").state == "stop"
        assert warm_up(c_from_f(air_f), math.nan, "us").state == "stop"  # calm air stops it already


@pytest.mark.parametrize(("air_c", "wind_ms"), [(math.nan, 1.0), (-30.0, math.nan), (5.0, math.nan), (math.nan,) * 2])
@pytest.mark.parametrize("system", SYSTEMS)
def test_missing_weather_is_unknown(air_c: float, wind_ms: float, system: CodeUnits) -> None:
    assert warm_up(air_c, wind_ms, system) == UNKNOWN


def least_minutes(answer: WarmUp) -> float:
    """The work in one go that nobody may take for more; by hand, not by `severity`."""
    if answer.state == "outside":
        return 29.0 if answer.outside == "windier" else math.inf  # windier: under the shortest period of the grid
    return {"stop": 0.0, "schedule": float(answer.work_minutes or 0), "normal_breaks": math.inf}[answer.state]


@given(airs, airs, winds, winds, systems, works)
def test_colder_or_windier_never_allows_longer_work(
    one_c: float, other_c: float, one: float, other: float, system: CodeUnits, work: WorkKind
) -> None:
    worse = warm_up(min(one_c, other_c), max(one, other), system, work)
    better = warm_up(max(one_c, other_c), min(one, other), system, work)
    assert least_minutes(worse) <= least_minutes(better)


@given(airs, winds, systems, works)
def test_never_normal_outside_the_grid(air_c: float, wind_ms: float, system: CodeUnits, work: WorkKind) -> None:
    answer = warm_up(air_c, wind_ms, system, work)
    if air_c > -26.0 + 0.2 or wind_ms > ms_from_mph(20.0) + 1e-3:  # -15 °F is -26.1 °C
        assert answer.state in ("outside", "stop")
    if answer.state == "normal_breaks":
        assert answer.row is not None
        assert answer.wind_mph is not None
        printed = cell_of(answer.row - 1, HEADS_MPH.index(answer.wind_mph))
        assert (printed["work_minutes"], int(printed["breaks"])) == ("normal", answer.breaks)


@given(airs, winds, works)
def test_without_a_unit_system_it_is_the_worse_of_both(air_c: float, wind_ms: float, work: WorkKind) -> None:
    both = [warm_up(air_c, wind_ms, system, work) for system in ("us", "si")]
    either = warm_up(air_c, wind_ms, "either", work)
    assert either in both
    assert least_minutes(either) == min(least_minutes(answer) for answer in both)


@given(airs, winds, systems)
def test_lighter_work_is_never_allowed_longer(air_c: float, wind_ms: float, system: CodeUnits) -> None:
    lighter, heavier = (warm_up(air_c, wind_ms, system, work) for work in ("lighter", "heavier"))
    assert least_minutes(lighter) <= least_minutes(heavier)


# The checker, with bad tables -----------------------------------------------------------------------------------------

BAD = [
    ("gap", "to_f = -24", "to_f = -23", "rows do not touch at -23 °F"),
    ("overlap in C", "from_c = -32", "from_c = -31", "rows do not touch"),
    ("F and C apart", "from_c = -38\nto_c = -39", "from_c = -39\nto_c = -39", "are not the same"),
    ("wind apart", "wind_kmh = [8, 16, 24, 32]", "wind_kmh = [8, 16, 26, 32]", "15 mph and 26 km/h are not the same"),
    ("winds of two lengths", "wind_kmh = [8, 16, 24, 32]", "wind_kmh = [8, 16, 24]", "not of the same length"),
    ("wind falls", "wind_mph = [5, 10, 15, 20]", "wind_mph = [5, 15, 10, 20]", "wind_mph does not rise"),
    (
        "windier allows more",
        '"75 min 2", "55 min 3", "40 min 4"]',
        '"55 min 3", "75 min 2", "40 min 4"]',
        "in more wind",
    ),
    ("colder allows more", '["40 min 4", "30 min 5", "stop"', '["75 min 2", "30 min 5", "stop"', "the warmer one"),
    ("normal below", '["30 min 5", "stop", "stop", "stop"', '["normal 1", "stop", "stop", "stop"', "the warmer one"),
    ("breaks fall", '["40 min 4", "30 min 5", "stop"', '["40 min 3", "30 min 5", "stop"', "breaks do not rise"),
    ("breaks of normal", '"normal 1", "normal 1", "75', '"normal 1", "normal 2", "75', "breaks do not rise"),
    ("a cell too few", '"30 min 5", "stop"]\nclause = "row 3"', '"30 min 5"]\nclause = "row 3"', "has not 5 cells"),
    ("last row closed", "from_f = -45\n", "from_f = -45\nto_f = -49\n", "the last row is not open"),
    ("open row inside", "to_f = -34\n", "", "rows do not touch"),
    ("wrong word", '"normal 1", "75 min 2"', '"usual 1", "75 min 2"', "cell 'usual 1', expected 'WORK min BREAKS'"),
    ("no clause", 'clause = "row 2"\n', "", "row 2: key 'clause' is missing"),
    ("no basis", 'clause = "row 2"\nbasis = "second hand"', 'clause = "row 2"', "row 2: key 'basis' is missing"),
    ("typing slip", "break_minutes = 10", "break_minuts = 10", "key 'break_minutes' is missing"),
    ("unknown key", "break_minutes = 10", "break_minutes = 10\nbreaks = 1", "unknown key 'breaks'"),
    ("unknown part", "[calm]", "[sun]\n[calm]", "unknown key 'sun'"),
    ("half a minute", "break_minutes = 10", "break_minutes = 10.5", "expected a whole number"),
    ("frostbite apart", "wind_chill_from_c = -28", "wind_chill_from_c = -18", "start of frostbite -18 °F and -18 °C"),
    ("wind chill apart", "air_to_c = 10", "air_to_c = 15", "end of wind chill 50 °F and 15 °C"),
    ("least wind apart", "wind_over_kmh = 4.8", "wind_over_kmh = 3", "3 mph and 3 km/h are not the same"),
    ("warm grid", "from_f = -15\n", "from_f = 150\n", "'from_f' is 150, outside"),
]


@pytest.mark.parametrize(("old", "new", "said"), [bad[1:] for bad in BAD], ids=[bad[0] for bad in BAD])
def test_a_bad_table_is_refused_with_file_and_reason(old: str, new: str, said: str) -> None:
    assert old in SHIPPED
    with pytest.raises(TableError, match=r"^bad\.toml") as refused:
        read_people(read_toml(SHIPPED.replace(old, new, 1), "bad.toml"))
    assert said in str(refused.value)


def test_the_shipped_figures_are_the_printed_ones() -> None:
    table = people_table()
    assert (table.air_to_f, table.air_to_c, table.wind_over_mph, table.wind_over_kmh) == (50.0, 10.0, 3.0, 4.8)
    schedule = table.schedule
    assert (schedule.shift_hours, schedule.break_minutes) == (4, 10)
    assert [0.0, *schedule.wind_mph] == HEADS_MPH
    assert [0.0, *schedule.wind_kmh] == HEADS_KMH
    # Nobody has compared it with the current booklet: never more than second hand.
    assert {row.source.basis for row in schedule.rows} == {schedule.source.basis} == {"second hand"}


# One shift ------------------------------------------------------------------------------------------------------------

FIRST = datetime(2026, 1, 12, tzinfo=UTC)


def hour(n: float) -> datetime:
    return FIRST + timedelta(hours=n)


def outdoors(air_f: Sequence[float], wind_mph: float | Sequence[float] = 10.0) -> Outdoors:
    wind = np.broadcast_to(np.asarray(wind_mph, dtype=float), (len(air_f),))
    return Outdoors(FIRST, c_from_f(np.asarray(air_f, dtype=float)), ms_from_mph(wind.copy()))


def test_the_worst_hour_of_the_shift_is_told_with_its_time() -> None:
    air_f, wind_mph = [-16.0, -18.0, -21.0, -18.0, -16.0], [5.0, 5.0, 5.0, 20.0, 5.0]
    found = people_over(outdoors(air_f, wind_mph), hour(0), hour(4), "us")
    # Lighter work: -21 °F with 5 mph reads row 3, 55 min; -18 °F with 20 mph reads row 2, 30 min, 5 breaks.
    assert (found.warm_up.state, found.warm_up.work_minutes, found.warm_up.breaks) == ("schedule", 30, 5)
    assert found.warm_up_at_utc == hour(3)
    assert found.wind_chill_at_utc == hour(3)
    assert found.wind_chill_c is not None
    assert f_from_c(found.wind_chill_c) == pytest.approx(us_form_f(-18.0, 20.0), abs=0.2)
    assert (found.wind_chill_valid, found.frostbite_minutes, found.work) == (True, 30, "lighter")


@pytest.mark.parametrize("cold_hour", [0, 4])
def test_the_hours_around_a_shift_that_begins_at_half_past_count(cold_hour: int) -> None:
    air_f = [-16.0] * 5 + [-50.0]
    air_f[cold_hour] = -30.0
    found = people_over(outdoors(air_f), hour(0.5), hour(3.5), "us")
    assert (found.warm_up.row, found.warm_up_at_utc, found.wind_chill_at_utc) == (5, hour(cold_hour), hour(cold_hour))
    assert people_over(outdoors(air_f), hour(1), hour(3), "us").warm_up.row == 2


@pytest.mark.parametrize("missing", [0, 2, 4])
@pytest.mark.parametrize("of", ["air", "wind"])
def test_a_missing_hour_makes_the_shift_unknown(missing: int, of: str) -> None:
    air_f, wind_mph = [-18.0] * 5, [10.0] * 5
    (air_f if of == "air" else wind_mph)[missing] = math.nan
    found = people_over(outdoors(air_f, wind_mph), hour(0), hour(4))
    assert (found.wind_chill_c, found.wind_chill_at_utc, found.warm_up_at_utc) == (None, None, None)
    assert found.warm_up == UNKNOWN


def test_a_known_stop_stays_a_stop_and_known_frostbite_stays_said() -> None:
    found = people_over(outdoors([-18.0, math.nan, -45.0]), hour(0), hour(2))
    assert (found.warm_up.state, found.warm_up_at_utc) == ("stop", hour(2))
    assert (found.wind_chill_c, found.frostbite_minutes) == (None, 30)


@pytest.mark.parametrize(("first", "last"), [(3, 6), (-2, 2), (-9, -3), (8, 12)])
def test_a_shift_that_the_forecast_does_not_cover_is_unknown(first: float, last: float) -> None:
    found = people_over(outdoors([-18.0] * 5), hour(first), hour(last))
    assert (found.wind_chill_c, found.warm_up) == (None, UNKNOWN)


def test_a_stop_in_the_covered_part_stays_with_its_hour() -> None:
    found = people_over(outdoors([-18.0, -50.0, -18.0]), hour(-2), hour(2))
    assert (found.warm_up.state, found.warm_up_at_utc) == ("stop", hour(1))


def test_warmer_than_the_schedule_is_not_covered_by_a_normal_hour() -> None:
    # -15 °F in calm air reads "normal breaks" (row 2); the hour outside ranks above it, since nothing is known there.
    found = people_over(outdoors([-15.0, -10.0, -15.0], 0.0), hour(0), hour(2), "us")
    assert found.warm_up == WarmUp("outside", outside="warmer")
    assert people_over(outdoors([-15.0] * 3, 0.0), hour(0), hour(2), "us").warm_up.state == "normal_breaks"


def test_without_a_forecast_nothing_is_known() -> None:
    assert people_over(None, hour(0), hour(4)) == PeopleCold(None, None, False, None, UNKNOWN, None, "lighter")


@given(st.lists(st.tuples(airs, winds), min_size=5, max_size=5), st.integers(0, 4), st.floats(0.0, 20.0), works)
def test_an_hour_made_colder_never_makes_the_shift_better(
    weather_of: list[tuple[float, float]], place: int, colder_k: float, work: WorkKind
) -> None:
    air, wind = (np.array(values) for values in zip(*weather_of, strict=True))
    before = people_over(Outdoors(FIRST, air, wind), hour(0), hour(4), "either", work)
    after = people_over(
        Outdoors(FIRST, changed(air, place, air[place] - colder_k), wind), hour(0), hour(4), "either", work
    )
    assert least_minutes(after.warm_up) <= least_minutes(before.warm_up)
    assert before.wind_chill_c is not None
    assert after.wind_chill_c is not None
    assert after.wind_chill_c <= before.wind_chill_c + 1e-9
    assert before.wind_chill_c == float(wind_chill_c(air, wind).min())


# In a plan ------------------------------------------------------------------------------------------------------------


def people_of(name: str = "day", **fields: Any) -> PeopleCold | None:
    made = plan(fields.pop("joints", joint()), fields.pop("of", -40.0), **fields)
    return next(shift.people for shift in made.shifts if shift.key == f"2026-01-12 {name}")


def test_a_shift_of_the_plan_is_judged_by_the_cold_side_of_the_air() -> None:
    found = people_of()
    assert found is not None
    assert found.wind_chill_c is not None
    # -40 °C likely, 3 K of doubt in the first day, in the steady 3 m/s of the builders.
    assert found.wind_chill_c == pytest.approx(float(wind_chill_c(-43.0, 3.0)), abs=1e-9)
    assert found.warm_up.state == "stop"


def test_only_a_shift_with_joints_is_judged_and_never_one_that_is_over() -> None:
    assert people_of() is not None
    assert people_of("night") is None
    assert people_of(now_utc=NOW + timedelta(hours=18)) is None


def test_of_a_running_shift_only_what_is_left_counts() -> None:
    air = hours(-5.0).air_c
    early = changed(air, slice(0, at(NOW) + 10), -50.0)
    whole, late = people_of(of=early), people_of(of=early, now_utc=NOW + timedelta(hours=11))
    assert whole is not None
    assert whole.warm_up.state == "stop"
    assert late is not None
    assert late.warm_up == WarmUp("outside", outside="warmer")


@pytest.mark.parametrize("freshness", ["none", "unusable"])
def test_without_a_usable_forecast_the_people_are_unknown(freshness: Any) -> None:
    found = people_of(of=weather(-40.0, freshness))
    assert found is not None
    assert (found.wind_chill_c, found.frostbite_minutes, found.warm_up) == (None, None, UNKNOWN)


@pytest.mark.parametrize(("system", "state"), [("us", "outside"), ("si", "schedule"), ("either", "schedule")])
def test_the_sites_units_decide_the_edges(system: CodeUnits, state: str) -> None:
    # -26 °C is the first printed degree in °C; in °F it is -14.8, warmer than the printed -15.
    found = people_of(of=-26.0, code_units=system, choices=choices(doubt_k=0.0, doubt_per_day_k=0.0))
    assert found is not None
    assert found.warm_up.state == state


def test_wind_chill_is_never_applied_to_steel() -> None:
    """Only what hands the figures on or lists their sources imports them, and no module that is about steel."""
    users = set()
    for file in resources.files(frostshift_rules).iterdir():
        if file.name.endswith(".py"):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
                module = getattr(node, "module", None) or ""
                if module == "frostshift_rules.people" or "people" in names or "frostshift_rules.people" in names:
                    users.add(file.name)
    assert users == {"workload.py", "totals.py", "plan.py", "coverage.py"}
    still, windy = (
        plan(joint(mm(25.0)), hours(-20.0, wind_10m_ms=np.full(96, w))).joints[0].steel for w in (0.5, 20.0)
    )
    assert still is not None
    assert windy is not None
    assert min(still.likely_c, windy.likely_c) >= -20.0 - 0.05  # the air itself
