"""Bad input from the file to the answer: what is printed, that nothing is half saved, and that missing is unknown.

Each case goes through the `frostshift` command and a store; the fixture `run` fails on any traceback.
"""

import csv
import io
import json
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import stamina

from frostshift_service import demo

CLOCK = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)  # of `run`
Run = Callable[..., Any]
Rows = Callable[[], object]
GOOD = {
    "mark": "C-1",
    "start": "2027-01-15 07:30",
    "hours": "2",
    "process": "SMAW",
    "electrode": "E7018",
    "hydrogen": "H4",
    "weld_length": "20 in",
    "torches": "2",
    "shelter_air": "",
    "steel_1": "A572-50",
    "thickness_1": "2-1/2 in",
    "steel_2": "A572-50",
    "thickness_2": "1-1/2 in",
}
_prepared: list[Path] = []


@pytest.fixture
def ready(run: Run, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """A site with a schedule and a forecast that are good; made once, then copied."""
    if not _prepared:
        run("site", "template", "site.toml").good()
        run("site", "load", "site.toml").good()
        run("site", "accept-table", "--by", "Q. Arden").good()
        Path("week.csv").write_bytes(table(GOOD))
        run("schedule", "load", "week.csv").good()
        Path("good.json").write_bytes(demo.demo_payload(CLOCK))
        run("pull", "--file", "good.json").good()
        assert joint_of(run)["call"]["code"] == "heat_to_minimum"
        _prepared.append(shutil.copytree(tmp_path, tmp_path_factory.mktemp("prepared"), dirs_exist_ok=True))
    shutil.copytree(_prepared[0], tmp_path, dirs_exist_ok=True)
    return run


def joint_of(run: Run, *arguments: str) -> dict[str, Any]:
    """The one joint of the sheet, as JSON."""
    sheet = json.loads(run("sheet", "--json", *(arguments or ("--day", "tomorrow", "--shifts", "1"))).good())
    [line] = [line for shift in sheet["shifts"] for line in shift["lines"]] + sheet["outside"]
    assert isinstance(line, dict)
    return line


# Schedules ------------------------------------------------------------------------------------------------------------


def table(*joints: dict[str, str], without: tuple[str, ...] = ()) -> bytes:
    out = io.StringIO()
    names = [name for name in GOOD if name not in without]
    writer = csv.DictWriter(out, names, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(joints)
    return out.getvalue().encode()


def one(**changes: str) -> bytes:
    return table({**GOOD, **changes})


REFUSED: dict[str, tuple[bytes, str]] = {
    "steel that is no steel": (
        one(steel_1="unobtainium"),
        "steel_1 in row 2: 'unobtainium' cannot be read as a steel; write specification and grade, for example A572-50",
    ),
    "unknown process": (
        one(process="TIG"),
        "process in row 2: 'TIG' is not one of: SMAW, FCAW-S, FCAW-G, GMAW, GTAW, SAW",
    ),
    "process that is two": (
        one(process="FCAW"),
        "process in row 2: 'FCAW' does not say which: write FCAW-S (self-shielded) or FCAW-G (gas-shielded)",
    ),
    "wire as a covered electrode": (
        one(electrode="E71T-1"),
        "electrode in row 2: 'E71T-1' is no covered electrode for SMAW; write for example E7018",
    ),
    "thickness without a unit": (
        one(thickness_1="1-1/2"),
        "thickness_1 in row 2: '1-1/2' has no unit; write 38 mm or 1-1/2 in",
    ),
    "negative thickness": (
        one(thickness_1="-1 in"),
        "thickness_1 in row 2: '-1 in' is -25.4 mm, outside 1 mm to 300 mm",
    ),
    "no thickness at all": (one(thickness_2="0 mm"), "thickness_2 in row 2: '0 mm' is 0 mm, outside 1 mm to 300 mm"),
    "absurd thickness": (one(thickness_1="900 mm"), "thickness_1 in row 2: '900 mm' is 900 mm, outside 1 mm to 300 mm"),
    "absurd length": (one(weld_length="60 m"), "weld_length in row 2: '60 m' is 60 m, outside 10 mm to 50 m"),
    "negative hours": (one(hours="-2"), "hours in row 2: '-2' is -2 hours, outside 0.1 to 72 hours"),
    "no torch": (one(torches="0"), "torches in row 2: '0' is outside 1 to 20"),
    "half a torch": (one(torches="2.5"), "torches in row 2: '2.5' is not a whole number from 1 to 20"),
    "unknown hydrogen class": (
        one(hydrogen="H99"),
        "hydrogen in row 2: 'H99' is no hydrogen class; known are H4, H5, H8, H10, H15, H16",
    ),
    "absurd air in a shelter": (
        one(shelter_air="200 F"),
        "shelter_air in row 2: '200 F' is 93.33 °C, outside -60 °C to 50 °C",
    ),
    "decimal comma": (
        one(thickness_1="1,5 in"),
        "thickness_1 in row 2: '1,5 in' has a comma; write decimals with a point and thousands without a mark",
    ),
    "fraction of no tape measure": (
        one(thickness_1="1-1/3 in"),
        "thickness_1 in row 2: '1-1/3' is no inch fraction: the lower number has to be one of 2, 4, 8, 16, 32, 64",
    ),
    "date that two countries read apart": (
        one(start="1/5/2027 7:30"),
        "start in row 2: '1/5/2027 7:30' may be read as day/month or month/day; write it as 2026-11-26 07:30 "
        "(year-month-day)",
    ),
    "date without a time": (
        one(start="2027-01-15"),
        "start in row 2: '2027-01-15' has no time of day; write it as 2026-11-26 07:30, midnight as text: "
        "2027-01-15 00:00",
    ),
    "date that does not exist": (
        one(start="2027-02-30 07:30"),
        "start in row 2: '2027-02-30 07:30' is a date or time that does not exist; write it as 2026-11-26 07:30",
    ),
    "hour that the clocks skip": (
        one(start="2027-03-14 02:30"),
        "start in row 2: '2027-03-14 02:30' does not exist: the clocks go forward over it in America/Chicago",
    ),
    "a mark twice": (
        table(GOOD, {**GOOD, "start": "2027-01-15 09:30"}, {**GOOD, "mark": "c-1"}),
        "mark in row 3: 'C-1' is already in row 2\nmark in row 4: 'c-1' is already in row 2 as 'C-1'",
    ),
    "missing columns": (
        table(GOOD, without=("process", "thickness_1")),
        "row 1: required columns are missing: process, thickness_1; the header has 'mark', 'start', 'hours', "
        "'electrode', 'hydrogen', 'weld_length', 'torches', 'shelter_air', 'steel_1', 'steel_2', 'thickness_2'",
    ),
    "misspelt column": (
        one().replace(b"thickness_2", b"thicknes_2"),
        "thicknes_2 in row 1: unknown column; is thickness_2 meant? Rename or remove the column",
    ),
    "several errors": (
        one(hours="long", steel_1="mud", thickness_1="thick"),
        "hours in row 2: 'long' is not a number of hours; write for example 2.5\n"
        "steel_1 in row 2: 'mud' cannot be read as a steel; write specification and grade, for example A572-50\n"
        "thickness_1 in row 2: 'thick' is not a length; write 38 mm or 1-1/2 in",
    ),
    "one good row, one bad": (
        table({**GOOD, "mark": "C-0"}, {**GOOD, "hours": "0"}),
        "hours in row 3: '0' is 0 hours, outside 0.1 to 72 hours",
    ),
    "quote never closed": (
        one().replace(b"C-1", b'"C-1'),
        "bad.csv cannot be read as CSV near line 2: unexpected end of data; look for a quote that is not closed",
    ),
    "UTF-16 without its mark": (
        one().decode().encode("utf-16-le"),
        "bad.csv holds NUL bytes: it is no text file; save it as CSV UTF-8",
    ),
    "UTF-16 cut off": (
        b"\xff\xfe" + one().decode().encode("utf-16-le")[:101],
        "bad.csv is marked as UTF-16 but cannot be read as such at byte 102",
    ),
    "neither UTF-8 nor Windows-1252": (
        one(place="x").replace(b"C-1", b"C-\x81"),
        "bad.csv is neither UTF-8 (byte 118) nor Windows-1252 text; save it as CSV UTF-8",
    ),
    "any bytes": (bytes(range(256)), "bad.csv holds NUL bytes: it is no text file; save it as CSV UTF-8"),
    "broken workbook": (
        b"PK\x03\x04" + bytes(100),
        "bad.csv cannot be read as an XLSX workbook: it is damaged or of another kind; save it as .xlsx again",
    ),
    "old workbook": (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
        "bad.csv has a password or is an old .xls workbook; save it as .xlsx without a password",
    ),
    "empty file": (b"", "bad.csv is empty"),
    "blank file": (b" \n\n", "bad.csv is empty"),
    "header alone": (table(), "bad.csv has a header and no rows"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_schedule_that_is_refused(ready: Run, store_rows: Rows, case: str) -> None:
    data, said = REFUSED[case]
    Path("bad.csv").write_bytes(data)
    before = store_rows()
    count, lines = len(said.splitlines()), said.replace("\n", "\n  ")
    assert ready("schedule", "load", "bad.csv").refused() == (
        f"bad.csv: nothing was taken in, {count} error{'s' if count > 1 else ''}:\n  {lines}"
    )
    assert store_rows() == before


def test_a_file_of_50_mb(ready: Run, store_rows: Rows) -> None:
    with Path("bad.csv").open("wb") as file:
        file.truncate(50_000_000)
    before = store_rows()
    assert ready("schedule", "load", "bad.csv").refused() == "bad.csv: larger than 10 MB; nothing was taken in"
    assert ready("pull", "--file", "bad.csv").refused() == "bad.csv: larger than 20000000 bytes"
    assert ready("site", "load", "bad.csv").refused() == "bad.csv: larger than 0.2 MB; nothing was taken in"
    assert store_rows() == before


TAKEN: dict[str, tuple[bytes, str, str, list[str]]] = {
    "steel that the table does not list": (
        one(steel_1="S355J2"),
        "",
        "unknown",
        ["S355J2 is not listed in AWS D1.1/D1.1M:2015 for SMAW, low hydrogen: ask the welding procedure."],
    ),
    "no steel": (
        one(steel_1=""),
        "! row 2, C-1: the steel of part 1 is not stated\n",
        "unknown",
        ["The steel is not stated."],
    ),
    "no process": (
        one(process=""),
        "! row 2, C-1: the process is not stated\n",
        "unknown",
        ["The welding process is not stated."],
    ),
    "no electrode": (
        one(electrode=""),
        "! row 2, C-1: the electrode is not stated, so SMAW may or may not be low hydrogen\n",
        "unknown",
        ["SMAW needs the electrode's classification, such as E7018."],
    ),
    "start outside every shift": (
        one(start="2027-01-15 22:00"),
        "! start in row 2: 2027-01-15 22:00 of 'C-1' is outside every shift of the site\n",
        "heat_to_minimum",
        [],
    ),
    "Windows-1252": (
        one(place="").replace(b"E7018", b"E7018\xa0"),
        "! the file is not UTF-8 and was read as Windows-1252: check names with accents, or save it as CSV UTF-8 and "
        "load it again\n",
        "heat_to_minimum",
        [],
    ),
}


@pytest.mark.parametrize("case", TAKEN)
def test_a_schedule_that_can_be_read(ready: Run, case: str) -> None:
    data, said, call, unknowns = TAKEN[case]
    Path("odd.csv").write_bytes(data)
    answer = ready("schedule", "load", "odd.csv").good()
    assert re.fullmatch(re.escape(said) + r"1 joint: 0 new, [01] changed\.\n", answer)
    joint = joint_of(ready)
    assert joint["call"]["code"] == call
    assert joint["unknowns"] == unknowns


# Forecasts ------------------------------------------------------------------------------------------------------------

FROM, TO = datetime(2027, 1, 15, 14, tzinfo=UTC), datetime(2027, 1, 15, 16, tzinfo=UTC)
"""Two hours inside the joint's window."""
Change = Callable[[dict[str, Any]], object]


def span(interval: dict[str, Any]) -> tuple[datetime, datetime]:
    start, _, duration = interval["validTime"].partition("/")
    found = re.fullmatch(r"P(?:(\d+)D)?(?:T(\d+)H)?", duration)
    assert found
    begin = datetime.fromisoformat(start)
    return begin, begin + timedelta(days=int(found[1] or 0), hours=int(found[2] or 0))


def in_window(layer: str, value: object) -> Change:
    """Another value of a layer in two hours of the joint's window."""

    def change(properties: dict[str, Any]) -> None:
        for interval in properties[layer]["values"]:
            begin, end = span(interval)
            if begin < TO and end > FROM:
                interval["value"] = value

    return change


def without(layer: str) -> Change:
    return lambda properties: properties.pop(layer)


def ends(at: datetime) -> Change:
    """Every layer cut off."""

    def change(properties: dict[str, Any]) -> None:
        for layer in properties.values():
            if isinstance(layer, dict) and "uom" in layer:
                layer["values"] = [interval for interval in layer["values"] if span(interval)[1] <= at]

    return change


def issued(hours_before: float) -> Change:
    return lambda p: p.update(updateTime=(CLOCK - timedelta(hours=hours_before)).isoformat())


def payload(change: Change) -> bytes:
    whole = json.loads(demo.demo_payload(CLOCK))
    change(whole["properties"])
    return json.dumps(whole).encode()


NO_HOUR = "The forecast has no figure for an hour of the joint's window."
AIR_MISSING = "! air temperature (air_c) is missing in 2 of 240 hours, first 2027-01-15 14:00 UTC\n"
TOO_OLD = "The forecast is too old to be used: every joint is unknown. Measure."
UNKNOWN_FORECASTS: dict[str, tuple[Change, str, str]] = {
    "hours without a temperature": (in_window("temperature", None), AIR_MISSING, NO_HOUR),
    "temperature of 200 °C": (
        in_window("temperature", 200.0),
        "! air temperature (air_c) outside -60 to 50 °C, left out: 2027-01-15 14:00 UTC: 200, 2027-01-15 15:00 UTC: "
        f"200\n{AIR_MISSING}",
        NO_HOUR,
    ),
    "temperature that is a word": (
        in_window("temperature", "cold"),
        "! temperature at 2027-01-15 14:00 UTC: 'cold' is not a number, left out\n"
        f"! temperature at 2027-01-15 15:00 UTC: 'cold' is not a number, left out\n{AIR_MISSING}",
        NO_HOUR,
    ),
    "temperature that is not a number": (
        in_window("temperature", float("nan")),
        "! temperature at 2027-01-15 14:00 UTC: 'nan' is not a number, left out\n"
        f"! temperature at 2027-01-15 15:00 UTC: 'nan' is not a number, left out\n{AIR_MISSING}",
        NO_HOUR,
    ),
    "hours without wind": (
        in_window("windSpeed", None),
        "! wind (wind_10m_ms) is missing in 2 of 240 hours, first 2027-01-15 14:00 UTC\n",
        NO_HOUR,
    ),
    "no wind at all": (
        without("windSpeed"),
        "! wind (wind_10m_ms) is missing in 240 of 240 hours, first 2027-01-13 00:00 UTC\n",
        NO_HOUR,
    ),
    "negative wind": (
        in_window("windSpeed", -5.0),
        "! wind (wind_10m_ms) outside 0 to 60 m/s, left out: 2027-01-15 14:00 UTC: -1.38889, 2027-01-15 15:00 UTC: "
        "-1.38889\n! wind (wind_10m_ms) is missing in 2 of 240 hours, first 2027-01-15 14:00 UTC\n",
        NO_HOUR,
    ),
    "no dew point and no humidity": (
        without("dewpoint"),
        "! dew point (dew_c) is missing in 240 of 240 hours, first 2027-01-13 00:00 UTC\n",
        NO_HOUR,
    ),
    "ends within the joint's window": (
        ends(FROM),
        "! precipitation (precip_mm) is missing in 1 of 61 hours, first 2027-01-15 12:00 UTC\n"
        "! air temperature reaches only to 2027-01-15 13:00 UTC; later hours are unknown\n",
        "The forecast ends before the joint's window does.",
    ),
    "issued yesterday": (
        issued(25.0),
        "! issued 2027-01-13 19:50 UTC, more than 6 h before it was fetched\n"
        "! issued 25 h 0 min ago: not used, every joint is unknown\n",
        TOO_OLD,
    ),
    "issued tomorrow": (
        issued(-5.0),
        "! issued 2027-01-15 01:50 UTC, after it was fetched (2027-01-14 20:50 UTC): is this machine's clock right?\n"
        "! issued 5 h 0 min from now: not used, every joint is unknown\n",
        TOO_OLD,
    ),
}


@pytest.mark.parametrize("case", UNKNOWN_FORECASTS)
def test_a_forecast_with_something_missing_makes_the_joint_unknown(ready: Run, case: str) -> None:
    change, said, reason = UNKNOWN_FORECASTS[case]
    Path("odd.json").write_bytes(payload(change))
    answer = ready("pull", "--file", "odd.json").good()
    assert re.fullmatch(re.escape(said) + r"Forecast of \d+ hours from odd\.json\.\n", answer)
    joint = joint_of(ready)
    assert joint["call"]["code"] == "unknown"
    assert joint["unknowns"] == [reason]
    assert (joint["steel"], joint["minutes"], joint["light_up"], joint["fuel"]) == (None,) * 4
    text = ready("sheet", "--day", "tomorrow", "--shifts", "1").good()
    assert "no heat" not in text
    assert "1 without a sure amount: amounts are at least" in text


def test_without_precipitation_the_weather_is_unknown(ready: Run) -> None:
    Path("odd.json").write_bytes(payload(without("quantitativePrecipitation")))
    ready("pull", "--file", "odd.json").good()
    joint = joint_of(ready)
    assert (joint["call"]["code"], joint["weather"]["code"]) == ("heat_to_minimum", "unknown")


def test_a_late_forecast_widens_the_doubt(ready: Run) -> None:
    fresh = joint_of(ready)["steel"]
    Path("late.json").write_bytes(payload(issued(18.0)))
    ready("pull", "--file", "late.json").good()
    late = joint_of(ready)["steel"]
    assert late["cold_c"] < fresh["cold_c"]
    assert late["likely_c"] == pytest.approx(fresh["likely_c"])


NEITHER = (
    "bad.json: neither a raw grid of the US National Weather Service (properties.temperature) nor a Locationforecast "
    "of MET Norway (properties.timeseries) nor a forecast of Open-Meteo (hourly, hourly_units)"
)
REFUSED_FORECASTS: dict[str, tuple[bytes, str]] = {
    "empty file": (b"", "bad.json: is empty"),
    "cut off": (
        demo.demo_payload(CLOCK)[:1500],
        "bad.json: content: not valid JSON, or cut off (line 1, column 1500: Unterminated string starting at); it "
        'starts \'{"id": "https://api.weather.gov/gridpoints/XYZ/88,41", "type\'',
    ),
    "a gateway's page": (
        b"<html><body>Sign in to the network</body></html>",
        "bad.json: content: not valid JSON, or cut off (line 1, column 1: Expecting value); it starts "
        "'<html><body>Sign in to the network</body></html>'",
    ),
    "not UTF-8": (b'{"a":"\xe9"}', "bad.json: content: not UTF-8 text (byte 6)"),
    "a list": (b"[1]", "bad.json: content: a JSON object is expected, not list"),
    "another shape": (b'{"properties": {}}', NEITHER),
    "no temperature layer": (payload(without("temperature")), NEITHER),
    "another unit": (
        payload(lambda p: p["temperature"].update(uom="wmoUnit:degF")),
        "bad.json: US National Weather Service, temperature: unit 'wmoUnit:degF', expected 'degC'; payload not used",
    ),
    "every temperature absurd": (
        payload(lambda p: [one.update(value=200) for one in p["temperature"]["values"]]),
        "bad.json: US National Weather Service: no usable air temperature for 2027-01-14 20:50 UTC or after",
    ),
    "over before it begins": (
        payload(ends(CLOCK - timedelta(hours=3))),
        "bad.json: US National Weather Service: no usable air temperature for 2027-01-14 20:50 UTC or after",
    ),
    "issue time that is none": (
        payload(lambda p: p.update(updateTime="yesterday")),
        "bad.json: US National Weather Service, updateTime: 'yesterday' is not a time",
    ),
}


@pytest.mark.parametrize("case", REFUSED_FORECASTS)
def test_a_forecast_that_is_refused_leaves_the_last_good_one(ready: Run, store_rows: Rows, case: str) -> None:
    data, said = REFUSED_FORECASTS[case]
    Path("bad.json").write_bytes(data)
    before = store_rows()
    assert ready("pull", "--file", "bad.json").refused() == said
    assert store_rows() == before


# Where the forecast comes from ----------------------------------------------------------------------------------------


def test_no_network_at_all(ready: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FROSTSHIFT_CONTACT", "crew@site.example")
    for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY", "all_proxy"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")  # whatever this machine can reach: nobody listens there
    monkeypatch.setenv("NO_PROXY", "")
    monkeypatch.setenv("no_proxy", "")
    with stamina.set_testing(True, attempts=1):
        ready("site", "load", "site.toml").good()  # whose feed goes by its position
        answer = ready("pull").refused()
    assert re.fullmatch(
        r"US National Weather Service: https://api\.weather\.gov/points/47\.9,-92\.4: ConnectError .*refused\S*\n"
        r"MET Norway: https://api\.met\.no/weatherapi/locationforecast/2\.0/complete: ConnectError .*refused\S*\n"
        r"US National Weather Service: https://api\.weather\.gov/points/.*refused\S* "
        r"There is no earlier forecast: every joint is unknown\.",
        answer,
    ), answer
    assert joint_of(ready)["unknowns"] == ["There is no forecast: every joint is unknown. Measure."]


def test_coordinates_outside_a_feeds_area(ready: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FROSTSHIFT_CONTACT", "crew@site.example")
    text = Path("site.toml").read_text(encoding="utf-8").replace("latitude = 47.9", "latitude = 69.6")
    Path("far.toml").write_text(f'feed = "nws"\nfeed_instead = []\n{text}', encoding="utf-8")
    ready("site", "load", "far.toml").good()
    assert ready("pull").refused() == (
        "US National Weather Service has no forecast for the site's position. "
        "There is no earlier forecast: every joint is unknown."
    )
    assert joint_of(ready)["unknowns"] == ["There is no forecast: every joint is unknown. Measure."]
    beyond = text.replace("latitude = 69.6", "latitude = 96.6")
    Path("beyond.toml").write_text(beyond, encoding="utf-8")
    assert ready("site", "load", "beyond.toml").refused() == "beyond.toml: 'latitude' is 96.6, outside -90 to 90"


# The night of a clock change ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "start", "said", "start_utc", "shift_hours"),
    [
        (datetime(2027, 3, 13, 18, tzinfo=UTC), "2027-03-14 01:30", "", "2027-03-14T07:30:00Z", 11),
        (datetime(2027, 3, 13, 18, tzinfo=UTC), "2027-03-14 03:00", "", "2027-03-14T08:00:00Z", 11),
        (
            datetime(2027, 11, 6, 18, tzinfo=UTC),
            "2027-11-07 01:30",
            "! start in row 2: '2027-11-07 01:30' occurs twice, as the clocks go back in America/Chicago: the first "
            "one was taken (-05:00); write 2027-11-07 01:30-06:00 for the second\n",
            "2027-11-07T06:30:00Z",
            13,
        ),
        (datetime(2027, 11, 6, 18, tzinfo=UTC), "2027-11-07 01:30-06:00", "", "2027-11-07T07:30:00Z", 13),
    ],
)
def test_the_night_of_a_clock_change(
    ready: Run,
    monkeypatch: pytest.MonkeyPatch,
    now: datetime,
    start: str,
    said: str,
    start_utc: str,
    shift_hours: int,
) -> None:
    monkeypatch.setattr("frostshift_service.clock.utc_now", lambda: now)
    night = 'name = "night"\nstart = "18:00"\nend = "06:00"\nhands = 2\n'
    text = Path("site.toml").read_text(encoding="utf-8")
    Path("night.toml").write_text(f'feed = "file"\n{text}\n[[shift]]\n{night}', encoding="utf-8")
    ready("site", "load", "night.toml").good()
    Path("night.csv").write_bytes(one(start=start))
    assert ready("schedule", "load", "night.csv").good() == f"{said}1 joint: 0 new, 1 changed.\n"
    Path("night.json").write_bytes(demo.demo_payload(now))
    ready("pull", "--file", "night.json").good()
    sheet = json.loads(ready("sheet", "--json", "--day", "today", "--shifts", "2").good())
    [shift] = [shift for shift in sheet["shifts"] if shift["lines"]]
    [joint] = shift["lines"]
    begin, end = (datetime.fromisoformat(shift[key]["utc"]) for key in ("start", "end"))
    assert shift["title"].startswith("Night")
    assert (end - begin) / timedelta(hours=1) == shift_hours, "the shift keeps its wall-clock ends"
    assert joint["start"]["utc"] == start_utc
    assert joint["call"]["code"] in ("heat_to_minimum", "cold_steel_heat")
    assert joint["steel"] is not None
