"""Inputs nobody meant: schedules, payloads of the feeds and posts of readings, damaged or made from their grammar."""

from __future__ import annotations

import copy
import io
import json
import math
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from frostshift_service.schedule_file import COLUMNS, template_csv, template_xlsx

FIXTURES = Path(__file__).parents[2] / "fixtures"
FEEDS = {
    "nws": "nws_long.json",
    "met_norway": "met_norway_long.json",
    "open_meteo": "open_meteo_long.json",
}

# Bytes ----------------------------------------------------------------------------------------------------------------


@st.composite
def damaged(draw: st.DrawFn, originals: list[bytes]) -> bytes:
    """One of these with some of it cut, written over, doubled or filled in."""
    data = bytearray(draw(st.sampled_from(originals)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(data)))
        length = draw(st.integers(0, 40))
        how = draw(st.sampled_from(("cut", "over", "double", "fill", "end")))
        if how == "cut":
            del data[at : at + length]
        elif how == "over":
            data[at : at + length] = draw(st.binary(max_size=8))
        elif how == "double":
            data[at:at] = data[at : at + length]
        elif how == "fill":
            data[at:at] = draw(st.sampled_from((b"\0", b'"', b"\n", b",", b"\xff", b"[", b"{", b"1e999"))) * length
        else:
            del data[at:]
    return bytes(data)


@st.composite
def damaged_workbook(draw: st.DrawFn) -> bytes:
    """A good workbook with the text of one of its parts damaged, and packed again so that its check sums hold."""
    parts = workbook_parts()
    name = draw(st.sampled_from(sorted(parts)))
    changed = {**parts, name: draw(damaged([parts[name]]))}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for part, content in changed.items():
            archive.writestr(part, content)
    return out.getvalue()


@cache
def workbook_parts() -> dict[str, bytes]:
    """The parts of the template as a workbook."""
    with zipfile.ZipFile(io.BytesIO(template_xlsx())) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


# Schedules ------------------------------------------------------------------------------------------------------------

_CELL = st.one_of(
    st.sampled_from([column.example for column in COLUMNS]),
    st.sampled_from(
        ["", "0", "-1", "1e9", "NaN", "inf", "1-1/2 in", "1/0 in", "38 mm", "=1+1", "yes", "A572-50", "E7018"]
    ),
    st.sampled_from(["2026-11-26 07:30", "2026-03-29 02:30", "0001-01-01 00:00", "9999-12-31 23:59", "25:61"]),
    st.sampled_from(["9" * 400, "1" + "0" * 50 + " mm", "\N{MINUS SIGN}5", "\u0661\u0662 mm", "5 °F", "-459.68 °F"]),
    st.text(max_size=12),
    st.builds("{} {}".format, st.floats(), st.sampled_from(["mm", "in", "m", "ft", "kJ/mm", "°C", ""])),
)


@st.composite
def grammatical(draw: st.DrawFn) -> bytes:
    """A CSV with names of ours and cells of all kinds; often a good row with one cell changed."""
    columns = [column.name for column in COLUMNS]
    good = {
        "mark": "J-1", "start": "2026-11-26 07:30", "hours": "2", "process": "SMAW", "electrode": "E7018",
        "weld_length": "24 in", "steel_1": "A572-50", "thickness_1": "1-1/2 in",
    }  # fmt: skip
    names = draw(st.lists(st.sampled_from(columns), min_size=0, max_size=8, unique=True))
    names = list(dict.fromkeys([*good, *names])) if draw(st.booleans()) else names or ["mark"]
    rows = []
    for number in range(draw(st.integers(1, 4))):
        row = {name: good.get(name, "") for name in names} | {"mark": f"J-{number}"}
        for name in draw(st.lists(st.sampled_from(names), max_size=3)):
            row[name] = draw(_CELL)
        rows.append(row)
    lines = [names, *([row.get(name, "") for name in names] for row in rows)]
    text = "\n".join(",".join('"' + cell.replace('"', '""') + '"' for cell in line) for line in lines)
    return text.encode("utf-8", "surrogatepass" if draw(st.booleans()) else "replace")


def schedules() -> st.SearchStrategy[bytes]:
    """Files as somebody may load them."""
    csvs = [(FIXTURES / "schedules" / f"{name}.csv").read_bytes() for name in ("good", "messy", "composition")]
    return st.one_of(
        grammatical(),
        damaged([*csvs, template_csv()]),
        damaged([template_xlsx()]),
        damaged_workbook(),
        st.binary(max_size=300),
    )


# Payloads -------------------------------------------------------------------------------------------------------------


WARMED = {"temperature", "dewpoint", "air_temperature", "dew_point_temperature", "temperature_2m", "dew_point_2m"}
"""Names of the air's temperature and dew point in the three feeds."""


@cache
def payload(feed: str, warmer_k: float) -> Any:
    """A payload of a feed whose air and dew point are so much warmer than in the fixture."""
    made = json.loads((FIXTURES / "weather" / FEEDS[feed]).read_text(encoding="utf-8"))
    for holder, key in spots(made):
        if key in WARMED and feed == "nws" and isinstance(holder[key], dict):
            for one in holder[key]["values"]:
                one["value"] += warmer_k
        elif key in WARMED and isinstance(holder[key], list):
            holder[key] = [value if value is None else value + warmer_k for value in holder[key]]
        elif key in WARMED and isinstance(holder[key], int | float):
            holder[key] += warmer_k
    return made


def spots(node: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) below a node."""
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [spot for key, value in pairs for spot in ((node, key), *spots(value))]


SPOILT = st.one_of(
    st.sampled_from([None, math.nan, math.inf, -math.inf, 1e9, -1e9, 10**400, True, "", "-5", "warm", [], {}, [None]]),
    st.text(max_size=4),
)
"""What no reader may take for a value: nobody believes it, or it is no number."""
ANYTHING = st.one_of(SPOILT, st.integers(-100, 100), st.floats(-100, 100), st.floats())


def _rows(made: Any, least: int) -> list[list[Any]]:
    return [holder[key] for holder, key in spots(made) if isinstance(holder[key], list) and len(holder[key]) >= least]


def _change_value(draw: st.DrawFn, made: Any, values: st.SearchStrategy[Any]) -> None:
    """One value, mostly a number."""
    places = spots(made)
    numbers = [one for one in places if isinstance(one[0][one[1]], int | float)]
    holder, key = draw(st.sampled_from(numbers if numbers and draw(st.integers(0, 5)) else places))
    holder[key] = draw(values)


def _change_run(draw: st.DrawFn, made: Any, values: st.SearchStrategy[Any]) -> None:
    """The same number of some hours in a row, of those that matter to the joints."""
    rows = _rows(made, 9)
    if not rows:
        return
    row = draw(st.sampled_from(rows))
    at = draw(st.integers(0, min(len(row) - 1, 90)))
    places = range(at, min(len(row), at + draw(st.integers(1, 40))))
    if not isinstance(row[at], dict):
        for place in places:
            row[place] = draw(values)
        return
    names = sorted({str(key) for holder, key in spots(row[at]) if isinstance(holder[key], int | float)})
    name = draw(st.sampled_from([*names, *(WARMED & set(names))])) if names else ""
    for place in places:
        for holder, key in spots(row[place]):
            if key == name:
                holder[key] = draw(values)


def _drop(draw: st.DrawFn, made: Any, *, only_spoilt: bool) -> None:
    """Something with all below it, deep down rather than at the top."""
    places = spots(made)
    holder, key = draw(st.sampled_from(places))
    # Of a bare row of numbers the rest would move up: that is no loss but another forecast.
    if isinstance(holder, dict) or isinstance(holder[key], dict) or not only_spoilt:
        del holder[key]


def _reorder(draw: st.DrawFn, made: Any) -> None:
    """Two of a row change places, or some come twice."""
    rows = _rows(made, 2)
    if not rows:
        return
    row = draw(st.sampled_from(rows))
    a, b = (draw(st.integers(0, len(row) - 1)) for _ in range(2))
    if draw(st.booleans()):
        row[a], row[b] = row[b], row[a]
    else:
        row[a:a] = copy.deepcopy(row[b : b + 3])


@st.composite
def broken_payload(draw: st.DrawFn) -> tuple[str, float, bool, Any]:
    """Name of the feed, how much warmer, whether values were only taken away or spoilt, the payload."""
    feed = draw(st.sampled_from(sorted(FEEDS)))
    warmer_k = draw(st.sampled_from((10.0, 14.0, 18.0, 22.0, 26.0)))
    only_spoilt = draw(st.booleans())
    values = SPOILT if only_spoilt else ANYTHING
    made = copy.deepcopy(payload(feed, warmer_k))
    for _ in range(draw(st.integers(1, 3))):
        how = draw(
            st.sampled_from(("run", "run", "value", "drop") if only_spoilt else ("run", "value", "drop", "order"))
        )
        if how == "run":
            _change_run(draw, made, values)
        elif how == "value":
            _change_value(draw, made, values)
        elif how == "drop":
            _drop(draw, made, only_spoilt=only_spoilt)
        else:
            _reorder(draw, made)
    return feed, warmer_k, only_spoilt, made


# Posts ----------------------------------------------------------------------------------------------------------------

_READING = {
    "mark": "CR-B4-W", "steel_c": -4.5, "stage": "before_arc", "age_s": 60, "by": "Q. Arden", "instrument": "contact",
}  # fmt: skip
_JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10), st.just(10**400)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
_KEYS = (*_READING, "steel_f", "at_utc", "at_local", "sense", "pass_no", "point", "note", "entry_key", "air_c", "air_f")
_TIMES = st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-12:00", "2026-12-17T11:30:00Z", "24:00"])


@st.composite
def readings(draw: st.DrawFn) -> bytes:
    """A post of readings: good ones with some of it changed, or any JSON, or no JSON."""
    rows = []
    for _ in range(draw(st.integers(1, 3))):
        row: dict[str, Any] = dict(_READING)
        for key in draw(st.lists(st.sampled_from(_KEYS), max_size=3)):
            row[key] = draw(st.one_of(_JSON, _TIMES, st.floats(-50, 300)))
        if draw(st.integers(0, 4)) == 0:
            row.pop(draw(st.sampled_from(sorted(row))))
        rows.append(row)
    found = draw(st.one_of(st.just(rows), st.just(rows[0]), _JSON))
    text = json.dumps(found, ensure_ascii=draw(st.booleans()))
    data = text.encode("utf-8", "surrogatepass")
    return draw(damaged([data])) if draw(st.integers(0, 3)) == 0 else data
