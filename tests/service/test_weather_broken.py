"""Whatever a payload holds, the parsers either make a sound record or say `FeedError`: nothing else ever comes out."""

import copy
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_service.http import Answer
from frostshift_service.weather import FeedError
from frostshift_service.weather.fetching import read_json
from frostshift_service.weather.file import parse
from frostshift_service.weather.hourly import LIMITS
from frostshift_service.weather.payload import load

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)

junk = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.just([]),
    st.just({}),
    st.just([None]),
    st.just(10**400),
    st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:00:00Z/P7D", "9999-12-31T23:00:00-10:00/PT6H"]),
)


def spots(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) below a node."""
    items: list[tuple[Any, Any]] = []
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in pairs:
        items += [(node, key), *spots(value)]
    return items


@pytest.mark.parametrize("name", ["nws_example.json", "met_norway_example.json", "open_meteo_example.json"])
def test_junk_anywhere(name: str) -> None:
    example = json.loads((FIXTURES / name).read_text(encoding="utf-8"))
    count = len(spots(example))

    @settings(max_examples=150)
    @given(st.lists(st.tuples(st.integers(0, count - 1), junk), min_size=1, max_size=3))
    def check(changes: list[tuple[int, Any]]) -> None:
        broken = copy.deepcopy(example)
        places = spots(broken)
        for index, value in changes:
            container, key = places[index]
            container[key] = value
        try:
            forecast = parse(broken, NOW)
        except FeedError:
            return
        hours = forecast.hours
        assert hours.start_utc.utcoffset() == timedelta(0)
        assert np.isfinite(hours.air_c).any()
        for field, limit in LIMITS.items():
            if field != "humidity":
                column = getattr(hours, field)
                assert len(column) == len(hours)
                known = column[np.isfinite(column)]
                assert ((limit.low <= known) & (known <= limit.high)).all(), field

    check()


def test_no_text_of_a_payload_holds_what_a_database_refuses() -> None:
    body = (
        rb'{"a\u0000b": [["x\ud83dy", "\ude00", "\ud83d\ude00", "\\ud83d", "plain"], {"n": 1.5, "t": true}], "z": null}'
    )
    assert load(body, "here") == {
        "ab": [["x\ufffdy", "\ufffd", "\U0001f600", r"\ud83d", "plain"], {"n": 1.5, "t": True}],
        "z": None,
    }
    with pytest.raises(FeedError, match="nested too deeply"):
        load(b'{"a": "\\ud83d", "b": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "here")


def test_a_page_that_is_no_json_is_shown_without_nul() -> None:
    page = Answer(200, b"<p>down\0 today", "text/html", None, None, None, None, None, None, "https://weather.example/")
    with pytest.raises(FeedError, match="not JSON: <p>down today$"):
        read_json(page, "Service")
