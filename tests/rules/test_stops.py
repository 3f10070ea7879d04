"""Weather states: the limits of AWS D1.1 (second hand: quotations of the clause on the welding environment).

0 °F ambient in the immediate vicinity of the weld, a heated shelter allowed for; 5 mph (8 km/h) at the weld for GMAW,
GTAW, EGW and FCAW-G and no figure for others, only "high wind"; no arc on surfaces that are wet or exposed to rain or
snow.
"""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import Choices, CodeUnits, Process, Shelter
from frostshift_rules.stops import (
    STATES,
    Judged,
    Rule,
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
    air_c: float | list[float] = 5.0,
    doubt_k: float = 0.0,
    wind_ms: float | list[float] = 0.0,
    precip_mm: float | list[float] = 0.0,
    dew: bool | list[bool] = False,
    frost: bool | list[bool] = False,
    wet_known: bool = True,
    process: Process | None = "FCAW-S",
    shelter: Shelter | None = None,
    covered: bool = False,
    units: CodeUnits = "us",
    choices: Choices = CHOICES,
) -> Judged:
    """Judge a few hours: mild dry ones first, then the ones given."""
    given_hours = [v if isinstance(v, list) else [v] for v in (air_c, wind_ms, precip_mm, dew, frost, wet_known)]
    n = max(len(v) for v in given_hours)
    mild = (10.0, 0.0, 0.0, False, False, True)
    air, wind, precip, wet, frosted, told = (
        np.array([before] * LONG_DRY + (v * n if len(v) == 1 else v))
        for before, v in zip(mild, given_hours, strict=True)
    )
    hours = SpotHours(air - doubt_k, air + doubt_k, wind, precip, wet, frosted, told)
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


def test_a_hair_below_the_limit_does_not_read_as_the_limit() -> None:
    text = reason_text(judged(air_c=-20.04, units="si").reasons_at(LONG_DRY)[0], "si")
    assert text == "Air at the weld a little below the least of -20 °C."


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
def test_high_wind_asks_for_a_shelter_with_the_processes_without_a_figure(process: Process) -> None:
    # Beaufort 6 is 10.8 to 13.8 m/s (WMO-No. 8, table of the Beaufort scale); 10.8 m/s is 24.2 mph.
    assert state(wind_ms=10.79, process=process) == "go"
    assert state(wind_ms=10.8, process=process) == "shelter_needed"
    # Where the wind is missing nobody knows whether it is high.
    assert rules(judged(wind_ms=math.nan, process=process)) == ["wind_missing"]
    reason = judged(wind_ms=10.8, process=process).reasons_at(LONG_DRY)[0]
    assert reason_text(reason, "us").startswith("Wind of 24.2 mph in the open: the code allows no welding in high wind")
    assert source_text(reason).endswith("our choice")


@pytest.mark.parametrize(
    ("shelter", "expected"),
    [
        (Shelter(wind_ms=10.7), "go"),
        (Shelter(wind_ms=10.8), "shelter_needed"),
        (Shelter(), "shelter_needed"),
        (Shelter(air_c=10.0), "shelter_needed"),
    ],
)
def test_only_a_stated_wind_below_it_lifts_the_high_wind(shelter: Shelter, expected: str) -> None:
    assert state(wind_ms=15.0, process="SMAW", shelter=shelter) == expected
    assert state(wind_ms=math.nan, process="SMAW", shelter=shelter) == ("go" if expected == "go" else "unknown")


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


@pytest.mark.parametrize("precip_mm", [5.0, math.nan])
def test_rain_does_not_reach_an_enclosed_or_covered_joint_but_a_screen_is_no_roof(precip_mm: float) -> None:
    # What states an air temperature encloses the joint; what states only a wind, or nothing, may be a screen that the
    # snow falls behind.
    assert state(precip_mm=precip_mm, shelter=Shelter(air_c=5.0)) == "go"
    assert state(precip_mm=precip_mm, covered=True) == "go"
    exposed = "unknown" if math.isnan(precip_mm) else "shelter_needed"
    assert state(precip_mm=precip_mm, shelter=Shelter()) == exposed
    assert state(precip_mm=precip_mm, shelter=Shelter(wind_ms=0.5)) == exposed
    assert state(precip_mm=precip_mm, shelter=Shelter(wind_ms=0.5), covered=True) == "go"


# Frozen water does not dry off: common practice, no source. That it takes the drying hours above 0 °C is our choice.


def test_snow_stays_until_it_has_thawed_and_dried() -> None:
    # One hour of snow at -5 °C, a cold night, then 2 h above freezing.
    air_c = [-5.0] * 8 + [2.0] * 3
    result = judged(precip_mm=[1.0] + [0.0] * 10, air_c=air_c)
    assert states(result) == ["shelter_needed"] + ["dry_first"] * 9 + ["go"]
    assert [rules(result, LONG_DRY + hour) for hour in (1, 2, 3, 9)] == [
        ["steel_still_wet"], ["steel_still_wet"], ["snow_or_ice_stays"], ["snow_or_ice_stays"],
    ]  # fmt: skip
    words = reason_text(result.reasons_at(LONG_DRY + 5)[0], "us")
    assert words == "Snow, ice or frost from before may still be on the steel: clear and dry it first."
    assert source_text(result.reasons_at(LONG_DRY + 5)[0]).endswith("second hand")


@pytest.mark.parametrize(
    ("air_c", "doubt_k", "dries"), [(0.0, 0.0, False), (0.1, 0.0, True), (2.0, 2.0, False), (math.nan, 0.0, False)]
)
def test_only_hours_surely_above_freezing_dry(air_c: float, doubt_k: float, dries: bool) -> None:
    result = judged(precip_mm=[1.0, 0.0, 0.0, 0.0], air_c=[10.0] + [air_c] * 3, doubt_k=doubt_k)
    assert ("snow_or_ice_stays" in rules(result, LONG_DRY + 3)) is not dries


@pytest.mark.parametrize(("drying_hours", "thawing"), [(0.5, 1), (1.0, 1), (2.5, 3)])
def test_hours_that_have_to_thaw_are_counted_up(drying_hours: float, thawing: int) -> None:
    choices = Choices(least_rain_mm_h=0.2, drying_hours=drying_hours)
    result = judged(precip_mm=[1.0] + [0.0] * 9, air_c=[-5.0] * 5 + [2.0] * 5, choices=choices)
    assert states(result)[5:] == ["dry_first"] * thawing + ["go"] * (5 - thawing)


def test_rain_that_freezes_stays() -> None:
    # One of the two drying hours passed before the frost: the other is still owed in the thaw.
    result = judged(precip_mm=[1.0] + [0.0] * 6, air_c=[3.0, 3.0, -2.0, -2.0, -2.0, 3.0, 3.0])
    assert states(result) == ["shelter_needed"] + ["dry_first"] * 5 + ["go"]


def test_frost_stays_and_dew_dries_also_under_a_roof() -> None:
    for fields in ({}, {"covered": True}):
        frozen = judged(frost=[True] + [False] * 5, dew=[True] + [False] * 5, air_c=[-3.0] * 3 + [4.0] * 3, **fields)
        assert [rules(frozen, LONG_DRY + hour) for hour in range(6)] == [["frost"]] + [["snow_or_ice_stays"]] * 4 + [[]]
        mild = judged(dew=[True, False, False, False], **fields)
        assert [rules(mild, LONG_DRY + hour) for hour in range(4)] == [["dew"], ["dew"], ["dew"], []]
        iced = judged(dew=[True, False, False, False], air_c=[2.0, -1.0, -1.0, -1.0], **fields)
        assert [rules(iced, LONG_DRY + hour) for hour in range(4)] == [["dew"]] * 3 + [["snow_or_ice_stays"]]


def test_a_heated_enclosure_thaws_its_frost() -> None:
    fields: dict[str, Any] = {"frost": [True, False, False, False], "air_c": -10.0}
    assert states(judged(**fields, shelter=Shelter(air_c=5.0))) == ["dry_first"] * 3 + ["go"]
    assert states(judged(**fields, shelter=Shelter(air_c=-2.0))) == ["dry_first"] * 4


def test_snow_needs_one_thawing_hour_though_the_site_counts_none_for_drying() -> None:
    choices = Choices(least_rain_mm_h=0.2, drying_hours=0.0)
    result = judged(precip_mm=[1.0] + [0.0] * 4, air_c=[-1.0, -1.0, -1.0, 3.0, 3.0], choices=choices)
    assert states(result) == ["shelter_needed"] + ["dry_first"] * 3 + ["go"]


def test_an_hour_without_rain_amounts_may_have_brought_snow_that_stays() -> None:
    result = judged(precip_mm=[math.nan] + [0.0] * 6, air_c=[-5.0] * 4 + [2.0] * 3)
    assert states(result) == ["unknown"] * 6 + ["go"]


def test_what_fell_before_the_first_hour_is_unknown_by_the_clock_in_the_cold_too() -> None:
    cold = np.full(4, -5.0)
    none, flags = np.zeros(4), np.zeros(4, dtype=np.bool_)
    result = judge(
        SpotHours(cold, cold, none, none, flags, flags, ~flags), Spot("SMAW", None, False), TABLE, "us", CHOICES
    )
    assert [result.state_at(hour) for hour in range(4)] == ["unknown", "unknown", "go", "go"]


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
            "Wind of 8 mph in the open, at the weld at most 5 mph",
            "Wind of 3.6 m/s in the open, at the weld at most 2.2 m/s",
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
        {"wind_ms": 12.0},
        {"wind_ms": 9.0, "process": None},
        {"precip_mm": 1.0},
        {"precip_mm": math.nan},
        {"dew": True},
        {"frost": True},
        {"wet_known": False},
    ]
    seen = [reason for case in cases for reason in judged(**case).reasons_at(LONG_DRY)]
    seen += judged(frost=[True, False]).reasons_at(LONG_DRY + 1)
    seen += judged(precip_mm=[1.0, 0.0]).reasons_at(LONG_DRY + 1)
    assert {reason.rule for reason in seen} == set(get_args(Rule))
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


@given(
    st.lists(st.tuples(st.floats(-15.0, 15.0), st.sampled_from((0.0, 0.0, 0.0, 2.0))), min_size=1, max_size=30),
    st.floats(0.0, 6.0),
    st.floats(0.0, 10.0),
)
def test_less_thaw_and_longer_drying_are_never_drier(
    hours: list[tuple[float, float]], drying_hours: float, colder_k: float
) -> None:
    def wet(shift_k: float, more_h: float) -> list[bool]:
        result = judged(
            air_c=[air_c - shift_k for air_c, _ in hours],
            precip_mm=[mm for _, mm in hours],
            choices=Choices(least_rain_mm_h=0.2, drying_hours=drying_hours + more_h),
        )
        return [
            any(r.state != "unknown" for r in result.findings if r.hours[h]) for h in range(LONG_DRY, len(result.codes))
        ]

    before = wet(0.0, 0.0)
    for after in (wet(colder_k, 0.0), wet(0.0, 1.0)):
        assert all(was <= now for was, now in zip(before, after, strict=True))


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
