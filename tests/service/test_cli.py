"""The `frostshift` command: in this process with a frozen clock, and as a real one with a real browser's requests."""

import asyncio
import csv
import io
import json
import logging
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any

import httpx
import openpyxl
import pytest

from frostshift_rules.coverage import coverage_text
from frostshift_rules.strict import TableError
from frostshift_rules.tables import acceptable_ids, code_table_ids
from frostshift_rules.units import c_from_f
from frostshift_service import cli, demo
from frostshift_service.app import create_app
from frostshift_service.door import COOKIE
from frostshift_service.jobs import Jobs
from frostshift_service.settings import Settings
from frostshift_service.site_file import template
from frostshift_service.store import plans
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.readings import readings_of
from frostshift_service.store.sites import load_site
from frostshift_service.store.thermometer import air_readings_of, token_with
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import COLUMNS

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)  # the clock of `run`
PAYLOADS = Path(__file__).parents[2] / "fixtures" / "weather"
SHIPPED = resources.files("frostshift_rules").joinpath("tables", "aws_d1_1_2015_t3_3.toml").read_text(encoding="utf-8")
HEAD = "mark,start,hours,process,electrode,weld_length,steel_1,thickness_1,steel_2,thickness_2\n"
ROWS = (
    "C-1,2027-01-15 07:30,2,SMAW,E7018,20 in,A572-50,2-1/2 in,A572-50,1-1/2 in\n"
    "C-2,2027-01-15 13:00,2,SMAW,E7018,20 in,A36,1/2 in,A36,1/2 in\n"
)


Run = Callable[..., Any]
"""Runs `frostshift` (see `run`)."""
_prepared: list[Path] = []


@pytest.fixture
def set_up(run: Run, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """With a site, its schedule and its forecast from a file; made once, then copied."""
    if not _prepared:
        run("site", "template", "site.toml").good()
        run("site", "load", "site.toml").good()
        Path("week.csv").write_text(HEAD + ROWS, encoding="utf-8")
        run("schedule", "load", "week.csv").good()
        run("pull", "--file", str(PAYLOADS / "nws_long.json")).good()
        _prepared.append(shutil.copytree(tmp_path, tmp_path_factory.mktemp("prepared"), dirs_exist_ok=True))
    shutil.copytree(_prepared[0], tmp_path, dirs_exist_ok=True)
    return run


# A job from nothing to the sheet --------------------------------------------------------------------------------------


def test_a_job_from_nothing_to_the_sheet(run: Run) -> None:
    assert run("site", "list").good() == ""
    assert run("site", "template", "site.toml").good() == "Wrote site.toml.\n"
    assert run("site", "load", "site.toml").good() == "Site my-site is set up: My site, begun 2027-01-14.\n"
    assert run("site", "list").good() == "my-site  My site, begun 2027-01-14\n"
    assert run("sheet").refused() == "site my-site has no plan yet: load a schedule first"
    Path("week.csv").write_text(HEAD + ROWS, encoding="utf-8")
    assert run("schedule", "load", "week.csv").good() == "2 joints: 2 new, 0 changed.\n"
    assert "2 unknown" in run("sheet").good(), "without a forecast nothing is known"
    pulled = run("pull", "--file", str(PAYLOADS / "nws_long.json")).good()
    assert "The site's forecast now comes from files" in pulled
    assert "! precipitation (precip_mm) is missing in 112 of 189 hours" in pulled
    assert pulled.endswith("Forecast of 190 hours from nws_long.json.\n")
    sheet = run("sheet", "--day", "tomorrow", "--shifts", "1").good()
    assert sheet.startswith("My site, begun 2027-01-14: 1 shift: Fri 15 Jan\n")
    assert "C-1" in sheet
    assert "heat to minimum" in sheet
    assert "This sheet never replaces a measurement" in " ".join(sheet.split())
    assert max(map(len, sheet.splitlines())) <= 140


def test_an_old_forecast_file_is_called_old_when_it_is_taken(set_up: Run, tmp_path: Path) -> None:
    payload = json.loads((PAYLOADS / "nws_long.json").read_text(encoding="utf-8"))
    payload["properties"]["updateTime"] = (NOW - timedelta(hours=30)).isoformat()
    tmp_path.joinpath("old.json").write_text(json.dumps(payload), encoding="utf-8")
    answer = set_up("pull", "--file", "old.json").good()
    assert "! issued 30 h 0 min ago: not used, every joint is unknown\n" in answer


def test_a_schedule_again_says_what_it_did(set_up: Run) -> None:
    Path("next.csv").write_text(HEAD + ROWS.splitlines()[0].replace("20 in", "24 in") + "\n", encoding="utf-8")
    answer = set_up("schedule", "load", "next.csv").good()
    assert answer == "1 joint: 0 new, 1 changed.\nNo longer in the schedule: C-2.\n"


def test_settings_out_and_in_again(set_up: Run) -> None:
    set_up("site", "accept-table", "--by", "Q. Arden").good()
    assert set_up("site", "save", "saved.toml").good() == "Wrote saved.toml.\n"
    saved = Path("saved.toml").read_text(encoding="utf-8")
    assert 'feed = "file"' in saved
    assert 'accepted_by = "Q. Arden"' in saved
    assert "accepted_on = 2027-01-14" in saved
    set_up("site", "load", "saved.toml").good()
    set_up("site", "save", "again.toml").good()
    assert Path("again.toml").read_text(encoding="utf-8") == saved


def test_templates_can_be_loaded(set_up: Run) -> None:
    for name in ("empty.csv", "empty.xlsx"):
        assert set_up("schedule", "template", name).good() == f"Wrote {name}.\n"
    assert openpyxl.load_workbook("empty.xlsx").active is not None
    assert set_up("schedule", "template", "empty.ods").refused().endswith("expected a name that ends in .csv or .xlsx")
    assert set_up("schedule", "template", "empty.csv").refused() == "empty.csv is there already and stays as it is."
    assert "nothing was taken in" in set_up("schedule", "load", "empty.csv").err


@pytest.mark.parametrize(("typed", "steel_c"), [("28F", c_from_f(28.0)), ("-3C", -3.0), ("-4.5 °F", c_from_f(-4.5))])
def test_a_reading_is_kept_and_moves_the_plan(set_up: Run, tmp_path: Path, typed: str, steel_c: float) -> None:
    assert set_up("reading", "C-1", typed, "--instrument", "probe").good() == (
        f"C-1: {typed} noted; the plan goes on from it.\n"
    )
    engine = open_store(f"sqlite:///{(tmp_path / 'data' / 'frostshift.db').as_posix()}")
    with reading(engine) as session:
        [kept] = readings_of(session, "my-site")
    engine.dispose()
    assert kept.reading.steel_c == pytest.approx(steel_c)
    assert (kept.reading.at_utc, kept.reading.instrument, kept.reading.by) == (NOW, "probe", "command line")


def test_the_thermometer_at_the_site(set_up: Run, tmp_path: Path) -> None:
    said = set_up("thermometer", "token", "mast 2").good()
    assert (match := re.match(r"Token of mast 2, shown only now: ([\w-]{43})\n", said))
    assert "/sites/my-site/thermometer with the header Authorization: Bearer TOKEN" in said
    engine = open_store(f"sqlite:///{(tmp_path / 'data' / 'frostshift.db').as_posix()}")
    with reading(engine) as session:
        assert token_with(session, match[1]) is not None
    assert set_up("thermometer", "tokens").good() == "1  mast 2  made 2027-01-14, never used\n"
    assert match[1] not in set_up("thermometer", "tokens").good()
    assert set_up("thermometer", "token", "mast 2").refused() == (
        "site my-site has a token 'mast 2' that counts: revoke it or choose another name"
    )
    assert set_up("thermometer", "revoke", "1").good() == "Token 1, mast 2, counts no more.\n"
    assert set_up("thermometer", "tokens").good() == ("1  mast 2  made 2027-01-14, revoked 2027-01-14, never used\n")
    assert set_up("thermometer", "revoke", "2").refused() == "site my-site has no token 2"

    # The clock shows 14:50 at the site; the forecast for the two times is 21 °F.
    assert set_up("thermometer", "add", "-12.5C", "--at", "14:20", "--by", "Q. Arden").good() == (
        "Air at my-site: -12.5C noted.\n"
    )
    set_up("thermometer", "add", "9F").good()
    set_up("thermometer", "add", "8F", "--at", "2027-01-14 12:05").good()
    set_up("thermometer", "add", "7F", "--at", "2027-01-14T18:00:00Z").good()
    with reading(engine) as session:
        kept = air_readings_of(session, "my-site")
        plan_id = plans.last_plan_id(session, "my-site")
        assert plan_id is not None
        weather = plans.inputs_of(session, plan_id).weather
    engine.dispose()
    assert [(one.reading.at_utc.strftime("%H:%M"), one.by) for one in kept] == [
        ("18:00", "command line"),
        ("18:05", "command line"),
        ("20:20", "Q. Arden"),
        ("20:50", "command line"),
    ]
    assert [one.reading.air_c for one in kept[2:]] == pytest.approx([-12.5, c_from_f(9.0)])
    assert weather.air_bias is not None
    assert weather.air_bias.bias_k < -5.0, "the plan is made at once"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("9", "--at", "14:20"), "temperature '9': expected a number with its unit"),
        (("50.1C",), "temperature '50.1C': the air lies within -60 to 50 °C"),
        (("9F", "--at", "noon"), "--at 'noon': expected a time such as 06:10 or 2026-01-15 06:10"),
        (("9F", "--at", "25:10"), "--at '25:10': expected a time such as"),
        (("9F", "--at", "15:00"), "--at '15:00': expected a time within the last 7 days"),
        (("9F", "--at", "2027-01-07 14:00"), "expected a time within the last 7 days"),
        (("9F", "--at", "2026-11-01 01:30"), "the clock changes there, so the time comes twice or never"),
        (("9F", "--at", "2026-03-08 02:30"), "the clock changes there, so the time comes twice or never"),
        (("9F", "--site", "nowhere"), "there is no site 'nowhere'"),
    ],
)
def test_an_air_reading_that_cannot_be_taken(
    set_up: Run, store_rows: Any, arguments: tuple[str, ...], said: str
) -> None:
    before = store_rows()
    assert said in set_up("thermometer", "add", *arguments).refused()
    assert store_rows() == before


def test_without_a_contact_nothing_is_pulled(run: Run) -> None:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    assert run("pull").refused() == (
        "No contact is set: weather services want FROSTSHIFT_CONTACT. "
        "There is no earlier forecast: every joint is unknown."
    )


def test_the_last_good_forecast_stays(set_up: Run) -> None:
    assert set_up("pull").refused() == (
        "The forecast comes from a file: load one with `frostshift pull --file`. "
        "The last good forecast stays, fetched 2027-01-14 20:50 UTC."
    )


def test_the_weather_says_whose_forecast_how_old_and_every_hour(set_up: Run) -> None:
    said = set_up("weather").good()
    head, alerts, hours, credit = said.rstrip("\n").split("\n\n")
    assert alerts == "Alerts: Not known: they are asked for while a joint is to be welded within two days."
    fresh, elsewhere, dew = head.splitlines()[1:4]
    assert fresh == "a forecast file, issued 37 min ago: fresh; reaches to Fri 22 Jan 05:00."
    assert elsewhere.startswith("! the payload is for 46.5000, -94.0050, ")  # the template's site lies elsewhere
    assert dew.startswith("! dew point")
    rows = hours.splitlines()
    assert rows[0].startswith("72 hours of ")
    assert rows[1].split() == ["hour", "air", "dew", "point", "wind", "gusts", "cloud", "rain", "snow"]
    assert rows[2].startswith("Thu 14:00  ")  # 20:50 UTC: the hour that runs
    assert len(rows) == 2 + 72
    assert "US National Weather Service" in credit
    page = json.loads(set_up("weather", "--json").good())
    assert len(page["hours"]) >= 190


def test_the_weather_without_a_forecast(run: Run) -> None:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    said = run("weather").good()
    assert "none: no forecast: every joint is unknown." in said
    assert "US National Weather Service (the site's feed): no forecast, answered never" in said


# The sheet in its forms -----------------------------------------------------------------------------------------------


def test_json_is_what_the_page_answers(set_up: Run, tmp_path: Path) -> None:
    by_command = json.loads(set_up("sheet", "--json", "--day", "2027-01-15", "--shifts", "1").good())
    settings = Settings(data_dir=tmp_path / "data")
    engine = open_store(settings.database_url)
    jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
    web = create_app(settings, engine, lambda: NOW, jobs)

    async def ask(*kinds: str) -> list[httpx.Response]:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=web), base_url="http://localhost") as client:
            token = web.state.door.new_link().split("token=")[1]
            headers = {"sec-fetch-site": "same-origin"}
            await client.post("/enter", data={"token": token}, headers=headers)
            return [await client.get(f"/sites/my-site/morning.{kind}?day=2027-01-15&shifts=1") for kind in kinds]

    answer, as_csv = asyncio.run(ask("json", "csv"))
    engine.dispose()
    assert answer.status_code == 200
    assert by_command == answer.json()
    assert [line["mark"] for line in by_command["shifts"][0]["lines"]] == ["C-1", "C-2"]
    by_command_csv = set_up("sheet", "--csv", "--day", "2027-01-15", "--shifts", "1").good()
    assert by_command_csv.encode() == as_csv.content.removeprefix(b"\xef\xbb\xbf")


def test_csv_parses(set_up: Run) -> None:
    text = set_up("sheet", "--csv", "--day", "tomorrow").good()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["mark"] for row in rows] == ["C-1", "C-2"]
    assert {"light_up", "start", "call"} <= set(rows[0])
    assert set(COLUMNS) <= set(rows[0])


def test_a_terminal_that_lacks_a_letter_ends_no_command(set_up: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    renamed = Path("site.toml").read_text(encoding="utf-8").replace("My site", "Łódź ferry ⚓")
    Path("site.toml").write_text(renamed, encoding="utf-8")
    written = io.BytesIO()
    terminal = io.TextIOWrapper(written, encoding="ascii", write_through=True)
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", terminal)
        set_up("site", "load", "site.toml")
        set_up("sheet", "--csv", "--day", "tomorrow")
    first, table = written.getvalue().split(b"\n", 1)
    assert first == b"Site my-site is set up: ??d? ferry ?, begun 2027-01-14."
    assert table.decode("utf-8").count("\r\n") == 3, "a header and two joints, as the page's file has them"


# What cannot be done --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("sheet", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("pull", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("site", "save", "x.toml", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("site", "accept-table", "--by", "Q", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("schedule", "load", "week.csv", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("reading", "C-1", "28F", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("reading", "C-99", "28F"), "site my-site has no joint 'C-99'"),
        (("reading", "C-1", "28"), "temperature '28': expected a number with its unit, such as 28F or -3C"),
        (("reading", "C-1", "warm"), "temperature 'warm': expected a number with its unit, such as 28F or -3C"),
        (("reading", "C-1", "nanC"), "temperature 'nanC': expected a number with its unit, such as 28F or -3C"),
        (("reading", "C-1", "140.1F"), "temperature '140.1F': steel before any heat lies within -60 to 60 °C"),
        (("reading", "C-1", "-61C"), "temperature '-61C': steel before any heat lies within -60 to 60 °C"),
        (("sheet", "--day", "monday"), "day 'monday': expected today, tomorrow or a date such as 2026-12-01"),
        (("sheet", "--day", "2027-02-30"), "day '2027-02-30': expected today, tomorrow or a date such as 2026-12-01"),
        (("sheet", "--json", "--csv"), "--json and --csv: one of them."),
        (("site", "load", "no.toml"), "no.toml: cannot be read: No such file or directory"),
        (("site", "load", "."), "cannot be read: Is a directory"),
        (("site", "load", "week.csv"), "week.csv: not readable as TOML"),
        (("schedule", "load", "no.csv"), "no.csv: cannot be read: No such file or directory"),
        (("schedule", "load", "."), "cannot be read: Is a directory"),
        (("pull", "--file", "no.json"), "no.json: cannot be read: No such file or directory"),
        (("pull", "--file", "."), ".: cannot be read: Is a directory"),
        (("pull", "--file", "week.csv"), "week.csv: content: not valid JSON, or cut off (line 1, column 1"),
        (("pull", "--file", "site.json"), "site.json: neither a raw grid of the US National Weather Service"),
        (("site", "template", "site.toml"), "site.toml is there already and stays as it is."),
        (("site", "template", "no/such/site.toml"), "cannot be written: No such file or directory"),
        (("site", "accept-table", "--by", " "), "--by names nobody."),
        (("site", "accept-table", "--by", "Q", "--table", "x"), "There is no rule table 'x'; there are aws_d1_1_2015"),
    ],
)
def test_it_is_said_in_one_line_and_nothing_changes(
    set_up: Run, store_rows: Callable[[], object], arguments: tuple[str, ...], said: str
) -> None:
    Path("site.json").write_text("{}", encoding="utf-8")
    before = store_rows()
    answer = set_up(*arguments).refused()
    assert said in answer
    assert "\n" not in answer
    assert store_rows() == before


def test_a_database_that_does_not_take_it(set_up: Run, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "data" / "frostshift.db")) as store:
        store.execute("CREATE TRIGGER full BEFORE INSERT ON reading BEGIN SELECT RAISE(ABORT, 'no room left'); END")
    assert set_up("reading", "C-1", "28F").refused() == "The database does not take it: no room left"


def test_only_serving_waits_for_the_web() -> None:
    heavy = {"fastapi", "uvicorn", "pandas", "highspy"}  # and for the solver nobody but who works out an order
    code = f"import sys, frostshift_service.cli; print(sorted({heavy} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip() == "[]"


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_a_day_far_away_has_no_shift(set_up: Run, day: str) -> None:
    text = set_up("sheet", "--day", day).good()
    assert "no shift in this time" in text or "Fri 15 Jan" in text


@pytest.mark.parametrize(
    "arguments",
    [
        ("sheet", "--shifts", "0"),
        ("sheet", "--shifts", "61"),
        ("serve", "--port", "65536"),
        ("serve", "--port", "0"),
        ("melt",),
        ("reading", "C-1"),
        ("reading", "C-1", "28F", "--instrumnt", "probe"),
        ("site", "accept-table"),
    ],
)
def test_a_command_that_is_mistyped_is_explained(run: Run, arguments: tuple[str, ...]) -> None:
    said = run(*arguments)
    assert said.code == 2
    assert said.out == ""
    assert "Usage" in said.err


def test_help_names_every_command(run: Run) -> None:
    text = run("--help").good()
    for command in (
        "site",
        "procedures",
        "tables",
        "schedule",
        "pull",
        "reading",
        "thermometer",
        "sheet",
        "serve",
        "demo",
    ):
        assert f" {command} " in text
    assert " thermometer " in text
    assert run("reading", "--help").good()


def test_no_site_and_two_sites(run: Run) -> None:
    assert run("sheet").refused() == (
        "There is no site yet: `frostshift site template FILE`, edit it, `frostshift site load FILE`."
    )
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    other = Path("site.toml").read_text(encoding="utf-8").replace('id = "my-site"', 'id = "other"')
    Path("other.toml").write_text(other, encoding="utf-8")
    run("site", "load", "other.toml").good()
    assert run("sheet").refused() == "Say which site with --site; there are my-site, other."
    assert run("sheet", "--site", "other").refused() == "site other has no plan yet: load a schedule first"


def test_a_wrong_setting_ends_every_command(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("FROSTSHIFT_HOST", "0.0.0.0")
    assert "FROSTSHIFT_HOST is 0.0.0.0, which others reach: set FROSTSHIFT_PAGES_URL" in run("serve").refused()
    monkeypatch.delenv("FROSTSHIFT_HOST")
    monkeypatch.setenv("FROSTSHIFT_PROT", "8000")
    assert run("site", "list").refused().startswith("FROSTSHIFT_PROT is not a setting; the settings are ")
    monkeypatch.delenv("FROSTSHIFT_PROT")
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("FROSTSHIFT_DATA_DIR", str(tmp_path / "file"))
    assert "cannot be opened" in run("site", "list").refused()
    monkeypatch.setenv("FROSTSHIFT_DATA_DIR", str(tmp_path))
    (tmp_path / "frostshift.db").write_bytes(b"no database" * 1000)
    assert "cannot be opened: file is not a database" in run("site", "list").refused()


def test_a_port_in_use_is_one_line(set_up: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FROSTSHIFT_LOG_LEVEL", "debug")
    monkeypatch.setenv("FROSTSHIFT_CONTACT", "crew@site.example")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = set_up("serve", "--port", str(port)).refused()
    assert said == f"Port {port} cannot be used (Address already in use): choose another with --port."
    assert cli.log.level == logging.DEBUG, "only the server logs, as its setting says"


def test_the_demo_in_this_process(run: Run, tmp_path: Path) -> None:
    first = run("demo", "--no-serve", "--data", "demo").good()
    assert "Lynx Fork powerhouse, crane runway (demo): 2 shifts: Fri 15 Jan" in first
    assert "BP-A1" in first
    again = run("demo", "--no-serve", "--data", "demo").good()
    assert again == first, "it can be run twice"
    engine = open_store(f"sqlite:///{(tmp_path / 'demo' / 'demo.db').as_posix()}")
    with reading(engine) as session:
        assert load_site(session, demo.SITE_ID).feed == "file"
    engine.dispose()


# Own tables and procedures --------------------------------------------------------------------------------------------


def put_own_table(*changes: tuple[str, str]) -> None:
    """`site.toml` with an own table beside it that it uses."""
    text = re.sub(r"(?m)^id = .*$", 'id = "ours"', SHIPPED)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    Path("ours.toml").write_text(text, encoding="utf-8")
    site = template(NOW.date()).replace('table = "aws_d1_1_2015_t3_3"', 'own_tables = ["ours.toml"]\ntable = "ours"')
    Path("site.toml").write_text(site, encoding="utf-8")


def test_a_site_on_its_own_table(run: Run, tmp_path: Path) -> None:
    put_own_table(("Table 3.3, prequalified minimum", "Our copy, prequalified minimum"), ('"seen"', '"from memory"'))
    run("site", "load", "site.toml").good()
    Path("week.csv").write_text(HEAD + ROWS, encoding="utf-8")
    run("schedule", "load", "week.csv").good()
    run("pull", "--file", str(PAYLOADS / "nws_long.json")).good()
    sheet = json.loads(run("sheet", "--json", "--day", "tomorrow", "--shifts", "1").good())
    assert sheet["header"]["table_id"] == "ours"
    assert sheet["header"]["accepted"] == ""
    assert {line["call"]["code"] for shift in sheet["shifts"] for line in shift["lines"]} == {"unknown"}
    assert run("site", "accept-table", "--by", "Q. Arden").good() == "ours is accepted for my-site by Q. Arden.\n"
    sheet = json.loads(run("sheet", "--json", "--day", "tomorrow", "--shifts", "1").good())
    assert sheet["header"]["accepted"] == "Q. Arden, 2027-01-14"
    calls = [line["call"]["code"] for shift in sheet["shifts"] for line in shift["lines"]]
    assert calls == ["heat_to_minimum", "cold_steel_heat"], "no longer unknown"
    listed = run("tables").good()
    assert "\nours  AWS D1.1/D1.1M:2015  Our copy, prequalified minimum" in listed
    assert "  my-site: accepted by Q. Arden, 2027-01-14, its own table, the one it uses\n" in listed
    engine = open_store(f"sqlite:///{(tmp_path / 'data' / 'frostshift.db').as_posix()}")
    desk = Desk(engine, Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.5), lambda: NOW)
    page = desk.joint("my-site", "C-1")
    assert {row.table_id for row in page.asks if row.table_id} == {"ours"}
    assert {row.table for row in page.asks if row.table_id} == {"AWS D1.1/D1.1M:2015"}
    engine.dispose()


def test_own_tables_are_saved_beside_the_site_file_and_nothing_is_replaced(run: Run, tmp_path: Path) -> None:
    put_own_table()
    run("site", "load", "site.toml").good()
    text = Path("ours.toml").read_bytes()
    assert run("site", "save", "saved.toml").refused() == "ours.toml is there already and stays as it is."
    assert not Path("saved.toml").exists()
    assert (
        run("site", "save", "ours.toml").refused()
        == "ours.toml: a rule table of the site has that name; choose another."
    )
    Path("out").mkdir()
    Path("out", "saved.toml").write_bytes(b"mine")
    assert run("site", "save", "out/saved.toml").refused() == "out/saved.toml is there already and stays as it is."
    assert [path.name for path in Path("out").iterdir()] == ["saved.toml"], "all or none"
    Path("out", "saved.toml").unlink()
    assert run("site", "save", "out/saved.toml").good() == "Wrote out/ours.toml.\nWrote out/saved.toml.\n"
    assert Path("out", "ours.toml").read_bytes() == text
    run("site", "load", "out/saved.toml").good()
    assert "cannot be written: No such file or directory" in run("site", "save", "no/such/site.toml").refused()


def test_a_bad_own_table_changes_nothing(set_up: Run, store_rows: Callable[[], object]) -> None:
    before = store_rows()
    put_own_table(("min_f = 150", "min_f = 15O"))
    assert set_up("site", "load", "site.toml").refused().startswith("ours.toml: not readable as TOML: ")
    put_own_table(("min_f = 150", "min_f = 1500"))
    assert set_up("site", "load", "site.toml").refused().startswith("ours.toml, row 2: 'min_f' is 1500, outside ")
    Path("ours.toml").unlink()
    assert set_up("site", "load", "site.toml").refused() == "ours.toml: cannot be read: No such file or directory"
    Path("ours.toml").write_bytes(b"#" * 200_001)
    assert set_up("site", "load", "site.toml").refused() == "ours.toml: larger than 0.2 MB; nothing was taken in"
    assert store_rows() == before


def test_a_changed_table_under_an_old_acceptance_is_said(run: Run) -> None:
    put_own_table()
    run("site", "load", "site.toml").good()
    run("site", "accept-table", "--by", "Q. Arden").good()
    Path("out").mkdir()
    run("site", "save", "out/site.toml").good()
    assert "!" not in run("site", "load", "out/site.toml").good()
    with Path("out", "ours.toml").open("a", encoding="utf-8") as file:
        file.write("# another line\n")
    said = run("site", "load", "out/site.toml").good()
    assert said.startswith(
        "! ours.toml is not the text that Q. Arden accepted on 2027-01-14, so it is not accepted: check it"
    )
    assert "! ours.toml is not the text" in run("site", "load", "out/site.toml").good()  # nor is it the second time
    assert "not accepted" in run("tables").good()
    run("site", "accept-table", "--by", "Q. Arden").good()
    Path("again").mkdir()
    run("site", "save", "again/site.toml").good()
    assert "!" not in run("site", "load", "again/site.toml").good()


def test_tables_without_a_site_and_with_two(run: Run) -> None:
    plain = run("tables").good()
    ids = [line.split()[0] for line in plain.splitlines() if not line.startswith(" ")]
    assert ids == list(acceptable_ids())
    assert "aws_d1_1_2015_t3_3  AWS D1.1/D1.1M:2015  Table 3.3, " in plain
    assert all(re.fullmatch(r"  figures: (\d+ [a-z ]+(, )?)+", line) for line in plain.splitlines()[1::2])
    put_own_table()
    run("site", "load", "site.toml").good()
    assert "my-site: not accepted, its own table, the one it uses" in run("tables").good()
    other = template(NOW.date()).replace('id = "my-site"', 'id = "other"')
    Path("other.toml").write_text(other, encoding="utf-8")
    run("site", "load", "other.toml").good()
    assert run("tables").good() == plain, "of two sites neither is meant"
    assert "other: not accepted, the one it uses" in run("tables", "--site", "other").good()
    assert run("tables", "--site", "nowhere").refused() == "there is no site 'nowhere'"
    assert run("tables", "--coverage").good() == coverage_text()


def test_a_method_beside_the_table_can_be_accepted_too(run: Run) -> None:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    (method,) = set(acceptable_ids()) - set(code_table_ids())
    assert (
        run("site", "accept-table", "--by", "Q", "--table", method).good()
        == f"{method} is accepted for my-site by Q.\n"
    )
    run("site", "save", "saved.toml").good()
    run("site", "load", "saved.toml").good()
    assert "  my-site: accepted by Q, 2027-01-14\n" in run("tables").good()


PROCEDURES = """\
procedure,steels,thickness_from,thickness_to,process,minimum,maximum,qualified_by_test
P-12,A572-50; A588-*,1/2 in,2-1/2 in,SMAW,330 F,450 F,yes
P-13,,,,,,,
"""


def test_a_list_of_procedures_makes_the_plan_again(set_up: Run, tmp_path: Path) -> None:
    def plans() -> int:
        with closing(sqlite3.connect(tmp_path / "data" / "frostshift.db")) as store:
            count: int = store.execute("SELECT max(id) FROM plan").fetchone()[0]
        return count

    Path("p.csv").write_text(PROCEDURES, encoding="utf-8")
    before = plans()
    set_up("procedures", "load", "p.csv").good()
    assert plans() == before + 1


def test_a_list_of_procedures(set_up: Run) -> None:
    rows = HEAD.replace("\n", ",procedure\n") + "".join(
        f"{row},{name}\n" for row, name in zip(ROWS.splitlines(), ("P-12", "p-99"), strict=True)
    )
    Path("named.csv").write_text(rows, encoding="utf-8")
    Path("p.csv").write_text(PROCEDURES, encoding="utf-8")
    assert set_up("procedures", "load", "p.csv").good() == (
        "! minimum in row 3: is empty: the procedure states no minimum\n"
        "2 procedures of my-site, in the place of the earlier list.\n"
    )
    set_up("schedule", "load", "named.csv").good()
    set_up("site", "accept-table", "--by", "Q. Arden").good()
    sheet = json.loads(set_up("sheet", "--json", "--day", "tomorrow", "--shifts", "1").good())
    minimum = {line["mark"]: line["minimum"] for shift in sheet["shifts"] for line in shift["lines"]}
    assert minimum["C-1"]["c"] == pytest.approx(c_from_f(330.0)), "the procedure counts at once"
    assert set_up("procedures", "list").good() == (
        "procedure  steels           thickness_from  thickness_to  process  minimum     maximum     qualified_by_test\n"
        "P-12       A572-50; A588-*  1/2 in          2-1/2 in      SMAW     330 F       450 F       yes\n"
        "P-13       all              no limit        no limit      any      not stated  not stated  no\n"
    )
    assert set_up("procedures", "save", "out.csv").good() == "Wrote out.csv.\n"
    assert (
        "! C-2: procedure 'p-99' is not in the list, spelt like that.\n"
        in set_up("procedures", "load", "out.csv").good()
    )
    set_up("procedures", "save", "again.csv").good()
    assert Path("again.csv").read_bytes() == Path("out.csv").read_bytes()
    assert set_up("procedures", "save", "out.csv").refused() == "out.csv is there already and stays as it is."
    assert set_up("procedures", "save", "out.xlsx").refused() == "out.xlsx: expected a name that ends in .csv"


def test_a_site_file_that_says_nothing_of_procedures_leaves_them(set_up: Run) -> None:
    Path("p.csv").write_text(PROCEDURES, encoding="utf-8")
    set_up("procedures", "load", "p.csv").good()
    set_up("site", "accept-table", "--by", "Q. Arden").good()
    said = set_up("site", "load", "site.toml").good()
    assert said.startswith("! The file says nothing of them, so they stay: 2 procedures, 1 acceptance.\n")
    assert "P-12" in set_up("procedures", "list").good()


def test_the_template_of_procedures(run: Run) -> None:
    assert run("procedures", "template", "p.csv").good() == "Wrote p.csv.\n"
    assert Path("p.csv").read_text(encoding="utf-8-sig") == PROCEDURES.splitlines()[0] + "\n"
    assert run("procedures", "template", "p.csv").refused() == "p.csv is there already and stays as it is."
    assert run("procedures", "template", "p.txt").refused() == "p.txt: expected a name that ends in .csv"
    assert run("procedures", "load", "p.csv").refused().startswith("There is no site yet")


def test_one_bad_procedure_and_none_is_taken_in(set_up: Run, store_rows: Callable[[], object]) -> None:
    Path("p.csv").write_text(PROCEDURES, encoding="utf-8")
    set_up("procedures", "load", "p.csv")
    before = store_rows()
    Path("bad.csv").write_text(PROCEDURES.replace("P-13,,,,,", "P-12,,2 in,1 in,,500 F"), encoding="utf-8")
    assert set_up("procedures", "load", "bad.csv").refused() == (
        "bad.csv: nothing was taken in, 2 errors:\n"
        "  procedure in row 3: 'P-12' is already in row 2\n"
        "  thickness_from in row 3: '2 in' is above thickness_to '1 in'"
    )
    for arguments, said in (
        (("procedures", "load", "no.csv"), "no.csv: cannot be read: No such file or directory"),
        (("procedures", "load", "p.csv", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("procedures", "list", "--site", "nowhere"), "there is no site 'nowhere'"),
        (("procedures", "save", "x.csv", "--site", "nowhere"), "there is no site 'nowhere'"),
    ):
        assert set_up(*arguments).refused() == said
    assert store_rows() == before


# The start on a bad table ---------------------------------------------------------------------------------------------


@contextmanager
def taken_port() -> Iterator[str]:
    """A port that is in use: a service that should not start, and does, ends there instead of serving for ever."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        yield str(taken.getsockname()[1])


@pytest.mark.parametrize(
    ("stored", "said"),
    [
        (
            lambda text: [{"id": "ours", "text": text.replace("min_f = 150", "min_F = 150", 1)}],
            "site my-site: ours.toml, row 2: key 'min_f' is missing",
        ),
        (
            lambda text: [{"id": "ours", "text": text}, {"id": "aws_d1_1_2015_t3_3", "text": text}],
            "site my-site: aws_d1_1_2015_t3_3.toml: 'aws_d1_1_2015_t3_3' is a table that ships; give yours another "
            "file name and 'id'",
        ),
        (lambda text: [], f"site my-site: code table 'ours' is not known; known are {', '.join(code_table_ids())}"),
        (
            lambda text: [{"id": "ours"}],
            "site my-site cannot be read from the database: own_tables.0.text: Field required",
        ),
    ],
    ids=["slip", "id that ships", "gone", "no text"],
)
def test_the_service_does_not_start_on_a_bad_table_of_a_site(
    run: Run, tmp_path: Path, stored: Callable[[str], list[dict[str, str]]], said: str
) -> None:
    """Only a database that was changed by hand can hold one."""
    put_own_table()
    run("site", "load", "site.toml").good()
    with closing(sqlite3.connect(tmp_path / "data" / "frostshift.db")) as store:
        tables = stored(Path("ours.toml").read_text(encoding="utf-8"))
        store.execute("UPDATE site SET own_tables = ?", (json.dumps(tables),))
        store.commit()
    with taken_port() as port:
        assert run("serve", "--port", port).refused() == said


def test_the_demo_does_not_start_on_a_bad_table_either(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(engine: object) -> None:
        raise TableError("that.toml, row 3: key 'min_f' is missing")

    monkeypatch.setattr(cli, "check_tables", broken)
    with taken_port() as port:
        for arguments in (("serve", "--port", port), ("demo", "--no-serve", "--data", "demo")):
            assert run(*arguments).refused() == "that.toml, row 3: key 'min_f' is missing"


# As a real command ----------------------------------------------------------------------------------------------------


def environment(data: Path, **more: str) -> dict[str, str]:
    ours = {name: value for name, value in os.environ.items() if not name.startswith("FROSTSHIFT_")}
    return {**ours, "FROSTSHIFT_DATA_DIR": str(data), "PYTHONUTF8": "1", **more}


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        *[(file.name, ("serve",)) for file in resources.files("frostshift_rules").joinpath("tables").iterdir()],
        (f"{code_table_ids()[-1]}.toml", ("demo", "--no-serve")),
    ],
)
def test_the_service_does_not_start_on_a_bad_table_that_ships(
    tmp_path: Path, name: str, arguments: tuple[str, ...]
) -> None:
    """With a copy of the rules in which one letter of one table is wrong."""
    rules = Path(str(resources.files("frostshift_rules")))
    shutil.copytree(rules, tmp_path / "rules" / "frostshift_rules")
    table = tmp_path / "rules" / "frostshift_rules" / "tables" / name
    text = table.read_text(encoding="utf-8")
    assert 'basis = "' in text
    table.write_text(text.replace('basis = "', 'basis = "x', 1), encoding="utf-8")
    with taken_port() as port:
        done = subprocess.run(
            [sys.executable, "-m", "frostshift_service.cli", *arguments],
            env=environment(tmp_path / "data", PYTHONPATH=str(tmp_path / "rules"), FROSTSHIFT_PORT=port),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert (done.returncode, done.stdout) == (1, "")
    [line] = done.stderr.splitlines()
    assert line.startswith(name)
    assert re.search(r"'basis' is 'x[a-z ]+', expected one of seen, second hand, from memory", line)


def test_the_demo_as_a_real_command(tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-m", "frostshift_service.cli", "demo", "--no-serve", "--data", str(tmp_path / "demo")],
        env=environment(tmp_path),
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "Lynx Fork powerhouse, crane runway (demo): 2 shifts: " in ended.stdout
    assert "heat to minimum" in ended.stdout
    assert not (tmp_path / "frostshift.db").exists(), "the demo keeps out of a real job's data"


@contextmanager
def served(command: list[str], data: Path, stdin: int) -> Iterator[subprocess.Popen[str]]:
    """A running command, ended for certain."""
    process = subprocess.Popen(
        [sys.executable, "-m", "frostshift_service.cli", *command],
        env=environment(data),
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def link_of(process: subprocess.Popen[str]) -> str:
    """The next one-time link that the command prints."""
    assert process.stdout is not None
    for line in process.stdout:
        if found := re.fullmatch(r"Open, once: (http://127\.0\.0\.1:\d+/enter\?token=\S+)\n", line):
            return found[1]
    raise AssertionError(f"no link: {process.stderr.read() if process.stderr else ''}")


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal and SIGINT")
def test_the_demo_serves_its_pages_once_a_link_until_ctrl_c(tmp_path: Path) -> None:
    import pty  # not there on Windows

    ours, theirs = pty.openpty()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    try:
        with served(["demo", "--data", str(tmp_path / "demo"), "--port", str(port)], tmp_path, theirs) as process:
            link = link_of(process)
            with httpx.Client(trust_env=False) as browser, httpx.Client(trust_env=False) as other:
                base, _, token = link.partition("/enter?token=")
                form = {"data": {"token": token}, "headers": {"sec-fetch-site": "same-origin"}}
                assert "Sign in on this browser" in browser.get(link).text
                entered = browser.post(f"{base}/enter", **form)
                assert (entered.status_code, entered.headers["location"]) == (303, "/account")
                assert browser.cookies[COOKIE]
                assert other.post(f"{base}/enter", **form).status_code == 401, "a link opens one browser, once"
                assert other.get(f"{base}/sites/{demo.SITE_ID}/morning.json").status_code == 401
                sheet = browser.get(f"{base}/sites/{demo.SITE_ID}/morning.json")
                assert sheet.status_code == 200
                assert sheet.json()["header"]["site_id"] == demo.SITE_ID
                assert sheet.json()["shifts"]
                page = browser.get(f"{base}/sites/{demo.SITE_ID}/morning")
                assert page.status_code == 200
                assert "Lynx Fork" in page.text
                os.write(ours, b"\n")  # Enter: another link
                second = link_of(process)
                assert second != link
                form["data"]["token"] = second.partition("/enter?token=")[2]
                assert other.post(f"{base}/enter", **form).status_code == 303
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=60)
            assert process.returncode == 0
            assert "Traceback" not in out
            assert err == ""
    finally:
        os.close(ours)
        os.close(theirs)


def test_times_are_the_sites_own(set_up: Run) -> None:
    text = set_up("sheet", "--day", "today", "--shifts", "1").good()
    assert f"Planned Thu 14 Jan 2027 {(NOW - timedelta(hours=6)):%H:%M}." in text
