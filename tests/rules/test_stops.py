"""Weather states: the limits of AWS D1.1 (second hand: quotations of the clause on the welding environment).

0 °F ambient in the immediate vicinity of the weld, a heated shelter allowed for; 5 mph (8 km/h) at the weld for GMAW,
GTAW, EGW and FCAW-G and no figure for others; no arc on surfaces that are wet or exposed to rain or snow.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import Choices, CodeUnits, Process, Shelter
from frostshift_rules.stops import (
    STATES,
    Judged,
    Spot,
    SpotHours,
    ambient_limit_c,
    judge,
    reason_text,
    source_text,
    wind_limit_ms,
    worst_of,
)
from frostshift_rules.tables import load_code_table

TABLE = load_code_table("aws_d1_1_2015_t3_3")
CHOICES = Choices(least_rain_mm_h=0.2, drying_hours=2.0)
LONG_DRY = 3
"""Hours put before the hour in question, so that what fell before it is known."""


def judged(
    *,
    air_c: float | list[float] = 0.0,
    doubt_k: float = 0.0,
    wind_ms: float | list[float] = 0.0,
    precip_mm: float | list[float] = 0.0,
    dew: bool = False,
    frost: bool = False,
    wet_known: bool = True,
    process: Process | None = "FCAW-S",
    shelter: Shelter | None = None,
    covered: bool = False,
    units: CodeUnits = "us",
    choices: Choices = CHOICES,
) -> Judged:
    """Judge a few hours: mild dry ones first, then the ones given."""
    given_hours = [v if isinstance(v, list) else [v] for v in (air_c, wind_ms, precip_mm)]
    n = max(len(v) for v in given_hours)
    air, wind, precip = (np.array([0.0] * LONG_DRY + (v * n if len(v) == 1 else v)) for v in given_hours)
    flags = np.array([False] * LONG_DRY + [True] * n)
    hours = SpotHours(air - doubt_k, air + doubt_k, wind, precip, flags & dew, flags & frost, ~flags | wet_known)
    return judge(hours, Spot(process, shelter, covered), TABLE, units, choices)


def state(**fields: Any) -> str:
    return judged(**fields).state_at(LONG_DRY)


def rules(result: Judged, hour: int = LONG_DRY) -> list[str]:
    return [reason.rule for reason in result.reasons_at(hour)]


def states(result: Judged) -> list[str]:
    return [result.state_at(hour) for hour in range(LONG_DRY, len(result.codes))]


def c(f: float) -> float:
    return (f - 32.0) / 1.8


# ---------------------------------------------------------------- cold air


def test_limits_are_those_quoted_from_the_code_in_each_unit_system() -> None:
    # 0 °F [-20 °C]; 5 mph [8 km/h]: not exact equivalents, and the safe one holds where the system is unknown.
    assert ambient_limit_c(TABLE, "us") == pytest.approx(-17.78, abs=0.005)
    assert ambient_limit_c(TABLE, "si") == -20.0
    assert ambient_limit_c(TABLE, "either") == ambient_limit_c(TABLE, "us")
    assert wind_limit_ms(TABLE, "us") == pytest.approx(2.235, abs=0.0005)
    assert wind_limit_ms(TABLE, "si") == pytest.approx(2.222, abs=0.0005)
    assert wind_limit_ms(TABLE, "either") == wind_limit_ms(TABLE, "si")


@pytest.mark.parametrize(
    ("air_c", "units", "expected"),
    [
        (c(0.0), "us", "go"),
        (c(0.0) - 1e-6, "us", "stop"),
        (c(-5.0), "us", "stop"),
        (-19.0, "us", "stop"),
        (-19.0, "si", "go"),
        (-19.0, "either", "stop"),
        (-20.0, "si", "go"),
        (-20.1, "si", "stop"),
    ],
)
def test_ambient_limit(air_c: float, units: CodeUnits, expected: str) -> None:
    assert state(air_c=air_c, units=units) == expected


@pytest.mark.parametrize(
    ("air_c", "expected"), [(-14.0, "go"), (-17.0, "unknown"), (-19.0, "unknown"), (-21.0, "stop")]
)
def test_ambient_limit_with_doubt(air_c: float, expected: str) -> None:
    # Cold side at the limit passes, warm side below it stops; between them nobody can say.
    result = judged(air_c=air_c, doubt_k=3.0)
    assert states(result) == [expected]
    if expected == "unknown":
        assert "measure the air at the weld" in reason_text(result.reasons_at(LONG_DRY)[0], "si")


@pytest.mark.parametrize(
    ("shelter", "expected"),
    [
        # A heated tent at 35 °F with -5 °F outside is allowed; one that states nothing, or too little, lifts nothing.
        (Shelter(air_c=c(35.0)), "go"),
        (Shelter(air_c=c(0.0)), "go"),
        (Shelter(air_c=c(-1.0)), "stop"),
        (Shelter(), "stop"),
        (Shelter(wind_ms=0.0), "stop"),
        (None, "stop"),
    ],
)
def test_only_a_stated_air_temperature_lifts_the_stop(shelter: Shelter | None, expected: str) -> None:
    assert state(air_c=c(-5.0), shelter=shelter) == expected


def test_missing_air_is_unknown_and_a_stated_shelter_settles_it() -> None:
    assert state(air_c=math.nan) == "unknown"
    assert state(air_c=math.nan, shelter=Shelter(air_c=5.0)) == "go"


# ---------------------------------------------------------------- wind


@pytest.mark.parametrize("process", ["GMAW", "GTAW", "FCAW-G"])
def test_wind_over_the_limit_asks_for_a_shelter_with_gas_shielded_processes(process: Process) -> None:
    # 8 mph is 3.58 m/s, 5 mph is 2.235 m/s.
    assert state(wind_ms=3.58, process=process) == "shelter_needed"
    assert state(wind_ms=2.235, process=process) == "go"
    assert state(wind_ms=2.230, process=process, units="si") == "shelter_needed"
    assert state(wind_ms=math.nan, process=process) == "unknown"


@pytest.mark.parametrize("process", ["SMAW", "FCAW-S", "SAW"])
@pytest.mark.parametrize("wind_ms", [15.0, math.nan])
def test_processes_without_a_figure_have_no_wind_limit(process: Process, wind_ms: float) -> None:
    assert state(wind_ms=wind_ms, process=process) == "go"


@pytest.mark.parametrize(
    ("shelter", "expected"),
    [
        (Shelter(wind_ms=1.0), "go"),
        (Shelter(wind_ms=2.2), "go"),
        (Shelter(wind_ms=2.5), "shelter_needed"),
        (Shelter(), "shelter_needed"),
        (Shelter(air_c=10.0), "shelter_needed"),
    ],
)
def test_only_a_stated_wind_lifts_the_wind_limit(shelter: Shelter, expected: str) -> None:
    assert state(wind_ms=8.0, process="GMAW", shelter=shelter) == expected
    assert state(wind_ms=math.nan, process="GMAW", shelter=shelter) == ("go" if expected == "go" else "unknown")


def test_a_process_that_is_not_stated_is_unknown_where_it_matters() -> None:
    assert state(process=None, wind_ms=1.0) == "go"
    assert state(process=None, wind_ms=8.0) == "unknown"
    assert state(process=None, wind_ms=math.nan) == "unknown"
    assert state(process=None, wind_ms=8.0, shelter=Shelter(wind_ms=1.0)) == "go"


# ---------------------------------------------------------------- wet


def test_rain_asks_for_a_shelter_and_then_for_drying() -> None:
    # Drying for 2 h is our choice: the two hours after the one with rain.
    result = judged(precip_mm=[0.0, 0.5, 0.0, 0.0, 0.0])
    assert states(result) == ["go", "shelter_needed", "dry_first", "dry_first", "go"]


def test_a_trace_stops_nobody() -> None:
    # 1 mm in six hours, spread by the feed.
    assert set(states(judged(precip_mm=[1.0 / 6.0] * 6))) == {"go"}
    assert state(precip_mm=0.2) == "shelter_needed"


@pytest.mark.parametrize(("drying_hours", "wet_for"), [(0.0, 0), (0.5, 1), (1.0, 1), (2.5, 3)])
def test_drying_hours_are_counted_up(drying_hours: float, wet_for: int) -> None:
    choices = Choices(least_rain_mm_h=0.2, drying_hours=drying_hours)
    result = judged(precip_mm=[1.0, 0.0, 0.0, 0.0, 0.0], choices=choices)
    assert states(result)[1:] == ["dry_first"] * wet_for + ["go"] * (4 - wet_for)


def test_rain_does_not_reach_a_sheltered_or_covered_joint() -> None:
    assert state(precip_mm=5.0, shelter=Shelter()) == "go"
    assert state(precip_mm=5.0, covered=True) == "go"
    assert state(precip_mm=math.nan, covered=True) == "go"


def test_missing_rain_is_unknown_until_it_would_have_dried() -> None:
    result = judged(precip_mm=[math.nan, 0.0, 0.0, 0.0])
    assert states(result) == ["unknown", "unknown", "unknown", "go"]
    # Rain that is known says what to do, whatever is missing before it.
    assert states(judged(precip_mm=[math.nan, 1.0, 0.0])) == ["unknown", "shelter_needed", "dry_first"]


def test_what_fell_before_the_first_hour_is_missing() -> None:
    result = judged()
    assert [result.state_at(hour) for hour in range(3)] == ["unknown", "unknown", "go"]
    assert rules(result, 0) == ["rain_missing"]


def test_dew_and_frost_have_to_be_dried_even_under_a_shelter() -> None:
    # Frost or dew counts as wet (common practice, no source).
    assert rules(judged(dew=True)) == ["dew"]
    assert rules(judged(dew=True, frost=True)) == ["frost"]
    assert state(frost=True, shelter=Shelter(air_c=5.0, wind_ms=0.0)) == "dry_first"


# ---------------------------------------------------------------- order and words


def test_a_known_stop_stays_a_stop_and_reasons_come_worst_first() -> None:
    result = judged(air_c=c(-5.0), wind_ms=math.nan, precip_mm=1.0, frost=True, process="GMAW")
    assert states(result) == ["stop"]
    assert rules(result) == ["air_below_limit", "wind_missing", "rain_or_snow", "frost"]


def test_unknown_is_worse_than_what_can_be_done() -> None:
    assert state(wind_ms=math.nan, precip_mm=1.0, process="GMAW") == "unknown"
    assert state(wind_ms=8.0, frost=True, process="GMAW") == "shelter_needed"


def test_an_hour_that_is_go_has_no_reason() -> None:
    assert judged().reasons_at(LONG_DRY) == ()


@pytest.mark.parametrize(
    ("fields", "us", "si"),
    [
        ({"air_c": -21.0}, "at most -5.8 °F, below the least of 0 °F", "at most -21 °C, below the least of -17.8 °C"),
        (
            {"wind_ms": 3.576, "process": "GMAW"},
            "Wind of 8 mph at 10 m, at the weld at most 5 mph",
            "Wind of 3.6 m/s at 10 m, at the weld at most 2.2 m/s",
        ),
        ({"precip_mm": 2.54}, "Rain or snow, 0.10 in in the hour", "Rain or snow, 2.5 mm in the hour"),
        ({"air_c": math.nan}, "No air temperature in the forecast", "No air temperature in the forecast"),
        ({"process": None, "wind_ms": 9.0}, "at the weld may be at most 5 mph", "at the weld may be at most 2.2 m/s"),
    ],
)
def test_reasons_in_words_with_clause_and_basis(fields: dict[str, Any], us: str, si: str) -> None:
    reason = judged(**fields).reasons_at(LONG_DRY)[0]
    assert us in reason_text(reason, "us")
    assert si in reason_text(reason, "si")
    assert source_text(reason).endswith("in the 2010 edition); second hand")


def test_every_rule_has_words() -> None:
    cases: list[dict[str, Any]] = [
        {"air_c": -30.0},
        {"air_c": -17.8, "doubt_k": 1.0},
        {"air_c": math.nan},
        {"wind_ms": 9.0, "process": "GMAW"},
        {"wind_ms": math.nan, "process": "GMAW"},
        {"wind_ms": 9.0, "process": None},
        {"precip_mm": 1.0},
        {"precip_mm": math.nan},
        {"dew": True},
        {"frost": True},
        {"wet_known": False},
    ]
    seen = [reason for case in cases for reason in judged(**case).reasons_at(LONG_DRY)]
    seen += judged(precip_mm=[1.0, 0.0]).reasons_at(LONG_DRY + 1)
    assert len({reason.rule for reason in seen}) == 12
    assert all("nan" not in reason_text(reason, "si") for reason in seen)
    assert "within the last 2 h" in reason_text(seen[-1], "us")


# ---------------------------------------------------------------- invariants

amounts = st.one_of(st.just(math.nan), st.floats(0.0, 10.0))
airs = st.one_of(st.just(math.nan), st.floats(-40.0, 20.0))
processes = st.sampled_from(("SMAW", "FCAW-S", "FCAW-G", "GMAW", "GTAW", "SAW", None))


@given(airs, st.floats(0.0, 6.0), amounts, amounts, processes, st.booleans())
def test_missing_data_is_never_go_where_it_matters(
    air_c: float, doubt_k: float, wind_ms: float, precip_mm: float, process: Process | None, frost: bool
) -> None:
    result = judged(air_c=air_c, doubt_k=doubt_k, wind_ms=wind_ms, precip_mm=precip_mm, process=process, frost=frost)
    if math.isnan(air_c) or math.isnan(precip_mm):
        assert result.state_at(LONG_DRY) in ("unknown", "stop")
    assert (result.reasons_at(LONG_DRY) == ()) == (result.state_at(LONG_DRY) == "go")


@given(airs, st.floats(0.0, 6.0), amounts, amounts, processes, st.floats(0.0, 20.0), st.floats(0.0, 2.0))
def test_a_good_shelter_never_makes_it_worse(
    air_c: float,
    doubt_k: float,
    wind_ms: float,
    precip_mm: float,
    process: Process | None,
    inside_c: float,
    in_ms: float,
) -> None:
    fields: dict[str, Any] = {
        "air_c": air_c, "doubt_k": doubt_k, "wind_ms": wind_ms, "precip_mm": precip_mm, "process": process,
    }  # fmt: skip
    without = STATES.index(judged(**fields).state_at(LONG_DRY))
    assert STATES.index(judged(**fields, shelter=Shelter(inside_c, in_ms)).state_at(LONG_DRY)) <= without
    assert judged(**fields, shelter=Shelter(inside_c, in_ms)).state_at(LONG_DRY) == "go"


@given(st.floats(-40.0, 20.0), st.floats(-40.0, 20.0), st.floats(0.0, 6.0))
def test_colder_air_is_never_better(a_c: float, b_c: float, doubt_k: float) -> None:
    cold, warm = sorted((a_c, b_c))
    at_cold, at_warm = (STATES.index(judged(air_c=x, doubt_k=doubt_k).state_at(LONG_DRY)) for x in (cold, warm))
    assert at_cold >= at_warm


def test_worst_of_some_hours_is_the_coldest_air_and_the_strongest_wind() -> None:
    windy = [judged(process="GMAW", wind_ms=ms).reasons_at(LONG_DRY)[0] for ms in (4.0, 9.0, 6.0)]
    assert worst_of(windy).value == 9.0
    cold = [judged(air_c=c).reasons_at(LONG_DRY)[0] for c in (-22.0, -30.0)]
    assert worst_of(cold).value == -30.0


def test_dew_and_frost_that_nobody_knows_of_are_unknown_not_go() -> None:
    assert state(wet_known=False) == "unknown"
    assert state(wet_known=False, covered=True) == "unknown"  # dew settles under a roof too
