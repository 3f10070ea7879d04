"""The command `frostshift case` as a process of its own, with and without a site."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
CASES = ROOT / "fixtures" / "cases"


def frostshift(*arguments: str, data: Path, typed: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    """The real process; its data directory is there only if something was kept in it."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("FROSTSHIFT_")}
    environment["FROSTSHIFT_DATA_DIR"] = str(data)
    command = [sys.executable, "-m", "frostshift_service.cli", "case", *arguments]
    return subprocess.run(command, input=typed, capture_output=True, env=environment, timeout=120, check=False)


def test_a_file_of_cases_without_any_site(tmp_path: Path) -> None:
    done = frostshift(str(CASES / "evidence.json"), "--json", data=tmp_path / "data")
    assert (done.returncode, done.stderr) == (0, b"")
    answers = json.loads(done.stdout)
    assert len(answers) == 12
    for answer in answers:
        assert "error" not in answer
        for key in ("call", "weather", "minimum_c", "maximum_c", "target_c", "extent_mm", "clause", "basis", "reasons"):
            assert key in answer
        for key in ("heat_minutes", "hold_minutes", "fuel_kg", "oxygen_m3", "energy_kwh", "measured_share"):
            assert set(answer[key]) == {"low", "likely", "high"} if answer[key] else answer["missing"][key]
    assert not (tmp_path / "data").exists()  # no store is made for a case


def test_a_bad_case_is_said_and_the_others_are_worked(tmp_path: Path) -> None:
    good = json.loads((CASES / "one_case.json").read_text(encoding="utf-8"))
    bad = {"name": "typo", "parts": [{"steel": "A36", "thicknes": "1 in"}]}
    done = frostshift("-", "--json", data=tmp_path, typed=json.dumps([good, bad, good]).encode())
    assert done.returncode == 1
    first, second, third = json.loads(done.stdout)
    assert first | {"case": 3} == third
    assert second["name"] == "typo"
    assert second["case"] == 2
    assert "parts[1].thicknes: unknown key; is thickness meant" in second["error"]
    assert {problem["field"] for problem in second["problems"]} == {"parts[1].thicknes", "parts[1].thickness"}
    text = frostshift("-", data=tmp_path, typed=json.dumps([good, bad]).encode())
    assert text.returncode == 1
    said = text.stdout.decode()
    assert "CASE 2: typo" in said
    assert "unknown key; is thickness meant" in said


@pytest.mark.parametrize(
    ("typed", "words"),
    [(b"{", "-: The cases are no JSON: line 1"), (b"[]", "list of cases is empty"), (b"", "no JSON")],
)
def test_a_file_that_is_none_is_one_line(tmp_path: Path, typed: bytes, words: str) -> None:
    done = frostshift("-", data=tmp_path, typed=typed)
    assert (done.returncode, done.stdout) == (1, b"")
    assert words in done.stderr.decode()
    assert done.stderr.count(b"\n") == 1


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    done = frostshift(str(tmp_path / "none.json"), data=tmp_path)
    assert (done.returncode, done.stdout) == (1, b"")
    assert "No such file" in done.stderr.decode()


def test_without_a_file_it_says_what_is_needed(tmp_path: Path) -> None:
    done = frostshift(data=tmp_path)
    assert done.returncode == 2
    assert "a file with cases is needed" in done.stderr.decode()


def test_the_library_is_listed(tmp_path: Path) -> None:
    done = frostshift("--sources", data=tmp_path)
    assert done.returncode == 0
    assert "resistance-pad: resistance heating pad, 85 V, 3.6 kW on 0.0774 m2, share 40% to 65%" in done.stdout.decode()
    for known in ("oxy-propane-tip", "oxy-propylene-tip", "oxy-acetylene-tip", "air-propane-small", "our choice"):
        assert known in done.stdout.decode()


def test_an_answer_begins_with_what_to_do(run: Callable[..., Any]) -> None:
    out = run("case", str(CASES / "one_case.json")).good()
    order = ["Heat:     heat to minimum", "Weather:  go", "Minimum:  150 °F", "Heating:", "Why", "What is asked",
             "What to do", "Arithmetic", "Sources", "never replaces a measurement"]  # fmt: skip
    places = [out.index(words) for words in order]
    assert places == sorted(places)
    assert max(map(len, out.splitlines())) <= 100


def test_a_sites_torches_units_and_acceptances_hold(run: Callable[..., Any], tmp_path: Path) -> None:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    case = {
        "parts": [{"steel": "A572-65", "thickness": "1 in"}],
        "process": "FCAW-S",
        "steel_temperature": "40 F",
        "weld_air_temperature": "30 F",
        "weld_wind": "3 mph",
        "weld_length": "12 in",
        "heat_source": "tip",
    }
    (tmp_path / "case.json").write_text(json.dumps(case), encoding="utf-8")
    (hint,) = json.loads(run("case", "case.json", "--json", "--site", "my-site").good())
    assert (hint["call"], hint["hint"]) == ("unknown", True)
    assert hint["heat_minutes"] is not None
    assert not any("US and in SI" in reason for reason in hint["reasons"])
    run("site", "accept-table", "--by", "somebody").good()
    (sure,) = json.loads(run("case", "case.json", "--json", "--site", "my-site").good())
    assert (sure["call"], sure["hint"]) == ("heat_to_minimum", False)
    unknown = run("case", "case.json", "--json")
    assert unknown.code == 1
    assert "'tip' is not known" in json.loads(unknown.out)[0]["error"]
    assert "no-such-site" in run("case", "case.json", "--site", "no-such-site").refused()


def test_a_share_that_the_site_measured_holds_and_says_so(run: Callable[..., Any], tmp_path: Path) -> None:
    """The way round: a timed heating, its share in the site file, the same time again as the likely one."""
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    case = {
        "parts": [{"steel": "A572-50", "thickness": "1-5/8 in"}],
        "process": "FCAW-S",
        "accepted_by": "somebody",
        "steel_temperature": "20 F",
        "weld_air_temperature": "18 F",
        "weld_wind": "4 mph",
        "weld_length": "16 in",
        "heat_source": "tip",
        "measured_minutes": "3 min",
    }
    (tmp_path / "case.json").write_text(json.dumps(case), encoding="utf-8")
    (timed,) = json.loads(run("case", "case.json", "--json", "--site", "my-site").good())
    share = timed["measured_share"]
    assert 0.1 < share["low"] < share["likely"] < share["high"] < 0.9
    site = (tmp_path / "site.toml").read_text(encoding="utf-8")
    entry = f"share_measured = {{ low = {share['low']}, likely = {share['likely']}, high = {share['high']}, "
    entry += 'heatings = 1, on = 2026-01-15, by = "J. Doe" }'
    lines = [entry if line.startswith("share_low") else line for line in site.splitlines()]
    kept = [line for line in lines if not line.startswith(("share_likely", "share_high"))]
    (tmp_path / "site.toml").write_text("\n".join(kept), encoding="utf-8")
    run("site", "load", "site.toml").good()
    (again,) = json.loads(run("case", "case.json", "--json", "--site", "my-site").good())
    assert again["heat_minutes"]["likely"] == pytest.approx(3.0, rel=1e-4)
    (origin,) = [one for one in again["sources"] if one["what"].startswith("share of the heat")]
    assert origin["basis"] == "measured on this site"
    assert origin["source"] == "1 heating timed by J. Doe, the last on 2026-01-15"
    assert any("measured on this site, 2026-01-15" in step["how"] for step in again["steps"])
    run("site", "save", "back.toml").good()
    assert entry in (tmp_path / "back.toml").read_text(encoding="utf-8")
