"""Marks of the hourly record: a value is NaN exactly where its mark is missing, whatever comes in."""

import copy
import importlib.util
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.surroundings import Hours
from frostshift_service.store.packing import SERIES
from frostshift_service.weather import FeedError, Forecast, hourly
from frostshift_service.weather.file import parse
from frostshift_service.weather.quality import Mark, mark_at, marks_of, runs_of, same_mark, with_missing, worst

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
START = datetime(2027, 1, 14, 20, tzinfo=UTC)
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)

mark_columns = st.lists(st.sampled_from(list(Mark)), max_size=30).map(lambda marks: np.array(marks, dtype=np.uint8))


def sound(forecast: Forecast) -> None:
    """A mark for every field and hour, missing exactly where the value is."""
    assert set(forecast.quality) == set(SERIES)
    for name in SERIES:
        marks = forecast.quality[name]
        assert marks.dtype == np.uint8
        np.testing.assert_array_equal(np.isnan(getattr(forecast.hours, name)), marks == Mark.MISSING, err_msg=name)
    back = marks_of(json.loads(json.dumps(runs_of(forecast.quality))), forecast.hours)
    for name in SERIES:
        np.testing.assert_array_equal(back[name], forecast.quality[name], err_msg=name)


# Marks and runs ----------------------------------------------------------------------------------------------------


def record(count: int, **fields: list[float]) -> Hours:
    return Hours(START, **{name: np.array(fields.get(name, [0.0] * count)) for name in SERIES})


def test_runs_are_words_with_the_hours_they_last() -> None:
    marks = {"air_c": np.array([0, 0, 1, 1, 1, 0], dtype=np.uint8), "sun_wm2": same_mark(0)}
    assert runs_of(marks) == {"air_c": (("native", 2), ("interpolated", 3), ("native", 1)), "sun_wm2": ()}


@given(mark_columns)
def test_runs_come_back_as_the_marks_they_were_made_of(column: Any) -> None:
    runs = runs_of({"cloud": column})["cloud"]
    assert sum(n for _, n in runs) == len(column)
    assert all(n > 0 for _, n in runs)
    assert all(a[0] != b[0] for a, b in zip(runs, runs[1:], strict=False))
    values = [NAN if mark == Mark.MISSING else 0.5 for mark in column.tolist()]
    back = marks_of({"cloud": runs}, record(len(column), cloud=values))
    assert back.keys() == {"cloud"}
    np.testing.assert_array_equal(back["cloud"], column)


def test_one_word_for_a_whole_field_says_nothing_of_hours_without_a_value() -> None:
    hours = record(3, air_c=[-1.0, NAN, -3.0], snow_cm=[NAN] * 3)
    found = marks_of({"air_c": (("interpolated", 3),), "snow_cm": (("missing", 3),)}, hours)
    assert runs_of(found) == {
        "air_c": (("interpolated", 1), ("missing", 1), ("interpolated", 1)),
        "snow_cm": (("missing", 3),),
    }


@pytest.mark.parametrize(
    ("runs", "said"), [((("native", 2),), "2, expected marks for 3 hours"), ((("guessed", 3),), "guessed")]
)
def test_marks_that_do_not_fit_are_refused(runs: Any, said: str) -> None:
    with pytest.raises(ValueError, match=f"quality of air_c: .*{said}"):
        marks_of({"air_c": runs}, record(3))


def test_what_pages_ask() -> None:
    marks = {
        "cloud": np.array([0, 3, 1, 4], dtype=np.uint8),
        "snow_cm": same_mark(4, Mark.MISSING),
        "air_c": same_mark(0),
    }
    assert [worst(marks, name) for name in ("cloud", "snow_cm", "air_c", "sun_wm2")] == [
        Mark.ESTIMATED, Mark.MISSING, None, None,
    ]  # fmt: skip
    assert [mark_at(marks, "cloud", i) for i in (-1, 1, 4)] == [None, Mark.ESTIMATED, None]
    assert mark_at(marks, "sun_wm2", 0) is None
    assert Mark.ESTIMATED.word == "estimated"


@given(mark_columns, st.data())
def test_what_is_missing_is_seen_from_the_value(column: Any, data: st.DataObject) -> None:
    values = np.array(data.draw(st.lists(st.sampled_from([1.0, NAN]), min_size=len(column), max_size=len(column))))
    found = with_missing(column, values)
    np.testing.assert_array_equal(found == Mark.MISSING, np.isnan(values))
    kept = (column != Mark.MISSING) & ~np.isnan(values)
    np.testing.assert_array_equal(found[kept], column[kept])


# The record of the feeds -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["nws_example.json", "nws_long.json", "nws_absurd.json", "nws_null_hour.json", "nws_missing_layer.json",
     "met_norway_example.json", "met_norway_long.json", "met_norway_absurd.json", "met_norway_missing_hour.json"],
)  # fmt: skip
def test_every_payload_is_marked_throughout(name: str) -> None:
    sound(parse(json.loads((FIXTURES / name).read_text(encoding="utf-8")), NOW))


numbers = st.one_of(st.none(), st.floats(-200.0, 200.0), st.sampled_from(["junk", 0.0, -6.0, 50.0, 100.0]))


def _met_spots(payload: Any) -> list[tuple[Any, str]]:
    parts = [
        details
        for entry in payload["properties"]["timeseries"]
        for part in entry["data"].values()
        if isinstance(details := part.get("details"), dict)
    ]
    symbols = [
        part["summary"]
        for entry in payload["properties"]["timeseries"]
        for part in entry["data"].values()
        if "summary" in part
    ]
    return [(holder, key) for holder in [*parts, *symbols] for key in holder]


def _nws_spots(payload: Any) -> list[tuple[Any, str]]:
    layers = [layer for layer in payload["properties"].values() if isinstance(layer, dict)]
    return [(item, "value") for layer in layers for item in layer.get("values", [])]


@pytest.mark.parametrize(("name", "spots"), [("nws_example.json", _nws_spots), ("met_norway_example.json", _met_spots)])
def test_missing_exactly_where_there_is_no_value(name: str, spots: Callable[[Any], list[tuple[Any, str]]]) -> None:
    example = json.loads((FIXTURES / name).read_text(encoding="utf-8"))
    count = len(spots(example))

    @settings(max_examples=200)
    @given(st.lists(st.tuples(st.integers(0, count - 1), numbers), min_size=1, max_size=12))
    def check(changes: list[tuple[int, Any]]) -> None:
        broken = copy.deepcopy(example)
        places = spots(broken)
        for index, value in changes:
            holder, key = places[index]
            holder[key] = value
        try:
            forecast = parse(broken, NOW)
        except FeedError:
            return
        sound(forecast)

    check()


# Limits ------------------------------------------------------------------------------------------------------------


def checked(**fields: list[float]) -> Forecast:
    count = max(len(column) for column in fields.values())
    values = {"air_c": [-6.0] * count, **fields}
    return hourly.forecast(
        feed="test",
        title="Test",
        attribution="",
        issued_utc=None,
        fetched_utc=NOW,
        start_utc=START,
        values={name: np.array(column) for name, column in values.items()},
        quality={},
        warnings=[],
    )


# The ranges are our choice, wider than anything forecast where steel is built; those of snow and gusts have no source
# at all. Typed here a second time, which guards against slips only.
@pytest.mark.parametrize(
    ("field", "low", "high"),
    [
        ("air_c", -60.0, 50.0),
        ("wind_10m_ms", 0.0, 60.0),
        ("gust_10m_ms", 0.0, 100.0),
        ("cloud", 0.0, 1.0),
        ("precip_mm", 0.0, 100.0),
        ("snow_cm", 0.0, 50.0),
        ("sun_wm2", 0.0, 1400.0),
    ],
)
def test_a_value_at_its_limit_is_used_and_one_beyond_is_named_and_left_out(field: str, low: float, high: float) -> None:
    for limit, beyond in ((low, low - 0.01), (high, high + 0.01)):
        # Cold and hot air stand alone, or they would be left out as jumps.
        others = [limit] * 3 if field == "air_c" else [low] * 3
        at_limit = checked(**{field: [*others[:2], limit, others[2]]})
        assert getattr(at_limit.hours, field)[2] == limit
        outside = checked(**{field: [*others[:2], beyond, others[2]]})
        assert np.isnan(getattr(outside.hours, field)).tolist() == [False, False, True, False]
        assert mark_at(outside.quality, field, 2) is Mark.MISSING
        named = f"({field}) outside {low:g} to {high:g}"
        assert any(named in text and f"2027-01-14 22:00 UTC: {beyond:g}" in text for text in outside.warnings)


def test_a_humidity_beyond_its_limit_gives_no_dew_point() -> None:
    found = checked(humidity=[0.8, 1.05, 1.06, 0.0, -0.1])
    assert np.isnan(found.hours.dew_c).tolist() == [False, False, True, True, True]
    assert found.hours.dew_c[1] == pytest.approx(-6.0), "more than saturated counts as saturated"
    assert runs_of(found.quality)["dew_c"] == (("estimated", 2), ("missing", 3))
    assert any("(humidity) outside 0 to 1.05" in text and "1.06" in text for text in found.warnings)


def test_a_dew_point_may_lie_half_a_kelvin_above_the_air_and_no_more() -> None:
    found = checked(dew_c=[-5.5, -5.49, -91.0])
    assert np.isnan(found.hours.dew_c).tolist() == [False, True, True]


def test_a_jump_takes_the_whole_row_with_its_marks() -> None:
    found = checked(air_c=[-6.0, -7.0, 9.0, -8.0], cloud=[0.1, 0.2, 0.3, 0.4])
    assert np.isnan(found.hours.air_c).tolist() == [False, False, True, False]
    assert runs_of(found.quality)["cloud"] == (("native", 2), ("missing", 1), ("native", 1))
    assert not np.isnan(checked(air_c=[-6.0, 9.0, -6.0]).hours.air_c).any(), "15 K in an hour is believed"


# Nights when clocks change -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "night_utc",
    [
        # United States, Central (Energy Policy Act of 2005, sec. 110) and the European Union (Directive 2000/84/EC).
        datetime(2027, 3, 14, 8, tzinfo=UTC),
        datetime(2027, 11, 7, 7, tzinfo=UTC),
        datetime(2027, 3, 28, 1, tzinfo=UTC),
        datetime(2027, 10, 31, 1, tzinfo=UTC),
    ],
)
@pytest.mark.parametrize("make", [make_payloads.nws_long, make_payloads.met_norway_long])
def test_a_night_when_clocks_change_loses_and_invents_no_hour(night_utc: datetime, make: Any) -> None:
    for before_h in range(1, 14):
        start = night_utc - timedelta(hours=before_h)
        forecast = parse(make(start), start)
        sound(forecast)
        hours = forecast.hours
        times = [hours.time_utc(i) for i in range(len(hours))]
        assert {b - a for a, b in zip(times, times[1:], strict=False)} == {timedelta(hours=1)}
        assert {t.utcoffset() for t in times} == {timedelta(0)}
        assert night_utc in times
        around = times.index(night_utc) - 1
        assert np.isfinite(hours.air_c[around : around + 4]).all()
        assert len(hours) == len(parse(make(start - timedelta(days=7)), start - timedelta(days=7)).hours)
