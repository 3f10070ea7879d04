"""Scores of a feed: the view, its text and JSON, and the command."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import TypeAdapter
from tests.service.weather_site import NWS, PAYLOADS

from frostshift_rules.job import AirReading
from frostshift_rules.surroundings import Hours
from frostshift_service.store import history
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.history import ForecastLeads
from frostshift_service.store.packing import SERIES
from frostshift_service.store.records import KeptForecast, KeptSite
from frostshift_service.store.thermometer import add_typed
from frostshift_service.views.scores import LEADS_H, ScoresPage, scores_text, scores_view
from frostshift_service.views.show import Show

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)  # the clock of `run`
SITE = KeptSite(NWS, "us", None, None, 1)
ZONE = ZoneInfo("America/Chicago")


def past(forecast_c: dict[int, np.ndarray], hours: int, band_k: float | None = None) -> ForecastLeads:
    """Forecasts at `NOW` less `hours`, by lead; the others are missing."""
    block = np.full((8, len(LEADS_H), hours), np.nan, dtype=np.float32)
    for lead_h, air_c in forecast_c.items():
        block[0, LEADS_H.index(lead_h)] = air_c
        if band_k is not None:
            block[5, LEADS_H.index(lead_h)], block[7, LEADS_H.index(lead_h)] = air_c - band_k, air_c + band_k
    first_utc = NOW.replace(minute=0) - timedelta(hours=hours)
    return ForecastLeads(first_utc, LEADS_H, 3, *block)


def view(found: ForecastLeads, observed_c: np.ndarray, units: Any = "us", now: datetime = NOW) -> ScoresPage:
    return scores_view(SITE, "nws", found, observed_c, Show(units, ZONE), now)


def test_a_view_by_hand() -> None:
    """40 hours from -10 to 29 °C. Lead 0: 1 K too warm; lead 24: 2 K too cold. Eleven hours are at or below 0 °C."""
    observed_c = np.arange(40.0) - 10.0
    page = view(past({0: observed_c + 1.0, 24: observed_c - 2.0}, 40, band_k=1.5), observed_c)
    first, second, _, fourth = page.leads[:4]
    assert (first.lead_text, first.pairs, first.hours, first.bias_k) == ("0 to 6 h", 40, 40, 1.0)
    assert (first.bias_text, first.mean_abs_text, first.rms_text) == ("1.8 °F too warm", "1.8 °F", "1.8 °F")
    assert first.within_band_text == "100 %"
    assert (second.pairs, second.bias_k, second.bias_text, second.within_band_text) == (0, None, "too few to say", "")
    assert (fourth.lead_text, fourth.bias_text, fourth.within_band_text) == ("24 to 48 h", "3.6 °F too cold", "0 %")
    frost, hard = page.limits
    assert (frost.title, hard.title) == ("Air at or below 32 °F", "Air at or below 0 °F")
    near, far = frost.lines
    assert (near.hits, near.misses, near.false_alarms, near.correct_negatives) == (10, 1, 0, 29)
    assert (near.probability_of_detection_text, near.threat_score_text, near.frequency_bias_text) == ("0.91",) * 3
    assert (far.hits, far.misses, far.false_alarms, far.correct_negatives) == (11, 0, 2, 27)
    assert far.false_alarm_ratio_text == "0.15"
    assert [one.threat_score_text for one in hard.lines] == ["too few to say"] * 2
    assert (page.observed_hours, page.forecasts) == (40, 3)


@pytest.mark.parametrize(
    ("units", "bias", "limits"),
    [
        ("si", "1 K too warm", ["Air at or below 0 °C", "Air at or below -18 °C"]),
        ("both", "1.8 °F (1 K) too warm", ["Air at or below 32 °F (0 °C)", "Air at or below 0 °F (-18 °C)"]),
    ],
)
def test_in_the_units_of_the_site(units: str, bias: str, limits: list[str]) -> None:
    page = view(past({0: np.ones(12)}, 12), np.zeros(12), units)
    assert page.leads[0].bias_text == bias
    assert [one.title for one in page.limits] == limits


def test_a_bias_that_rounds_to_nothing_has_no_side() -> None:
    assert view(past({0: np.full(12, 0.01)}, 12), np.zeros(12)).leads[0].bias_text == "none"


def test_the_text_says_what_is_known_and_what_is_not() -> None:
    observed_c = np.zeros(12)
    text = scores_text(view(past({0: observed_c}, 12), observed_c))
    head, *_ = text.splitlines()
    assert head == "Ore shed, row C: air temperature as forecast by US National Weather Service"
    assert "12 hours observed" in text
    assert text.count("too few to say") == 6 * 3 + 4 + 1, "six classes, four scores of 0 °F, a note"
    assert "no members" in text
    assert max(map(len, text.splitlines())) <= 120
    nothing = scores_text(view(past({}, 12), observed_c))
    assert "Air at or below 32 °F: too few to say" in nothing


@pytest.mark.parametrize(
    ("days", "said"), [(13, ""), (15, "one in 6 h is kept"), (91, "one a day is kept: there each lead stands for some")]
)
def test_what_thinning_left_is_said(days: int, said: str) -> None:
    page = view(past({}, 24), np.zeros(24), now=NOW + timedelta(days=days - 1))
    assert len(page.notes) == 2 + bool(said)
    assert said in page.notes[-1]


def test_json_has_null_for_what_is_unknown() -> None:
    found = json.loads(TypeAdapter(ScoresPage).dump_json(view(past({}, 12), np.zeros(12))))
    assert found["leads"][0]["bias_k"] is None
    assert found["leads"][0]["within_band"] is None
    assert found["first"]["utc"].startswith("2027-01-14T08:00")


# The command ----------------------------------------------------------------------------------------------------------

Run = Callable[..., Any]


@pytest.fixture
def with_history(run: Run, tmp_path: Path) -> Run:
    """A site with a forecast from a file at `NOW`, and forecasts of -5 °C each six hours for the ten days before."""
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    run("pull", "--file", str(PAYLOADS / "nws_long.json"))
    engine = open_store(f"sqlite:///{(tmp_path / 'data' / 'frostshift.db').as_posix()}")
    with writing(engine) as session:
        for back in range(1, 41):
            at = NOW.replace(minute=0) - back * timedelta(hours=6)
            missing = {name: np.full(60, np.nan) for name in SERIES if name != "air_c"}
            hours = Hours(at, air_c=np.full(60, -5.0), **missing)
            history.remember(session, "my-site", KeptForecast("file", None, at, hours, b"", ""))
    engine.dispose()
    return run


def write_air(rows: list[tuple[datetime, str]], name: str = "air.csv", column: str = "air_f") -> None:
    lines = [f"time_utc,{column}", *(f"{at.isoformat()},{air}" for at, air in rows)]
    Path(name).write_text("\n".join(lines), encoding="utf-8")


def test_the_command_scores_a_file(with_history: Run) -> None:
    """24.8 °F are -4 °C: the forecast of -5 °C is 1 K too cold, 1.8 °F, at every lead that it reaches to."""
    write_air([(NOW.replace(minute=5) - timedelta(hours=n), "24.8") for n in range(1, 49)])
    text = with_history("scores", "my-site", "--observed", "air.csv", "--days", "3").good()
    assert "48 hours observed" in text
    for lead in ("0 to 6 h", "6 to 12 h", "12 to 24 h", "24 to 48 h"):
        assert f"\n{lead}" in text
    page = json.loads(with_history("scores", "--observed", "air.csv", "--days", "3", "--json").good())
    by_lead = {one["lead_text"]: one for one in page["leads"]}
    assert by_lead["0 to 6 h"]["pairs"] == 48
    assert by_lead["24 to 48 h"]["pairs"] == 4 * 48
    assert by_lead["24 to 48 h"]["bias_k"] == pytest.approx(-1.0)
    assert by_lead["96 to 144 h"]["bias_k"] is None
    assert page["feed"] == "file"


def test_without_a_file_the_sites_thermometer_counts(with_history: Run, tmp_path: Path) -> None:
    engine = open_store(f"sqlite:///{(tmp_path / 'data' / 'frostshift.db').as_posix()}")
    with writing(engine) as session:
        for back in range(1, 25):
            at = NOW.replace(minute=5) - timedelta(hours=back)
            add_typed(session, "my-site", AirReading(-4.0, at), by="test")
    engine.dispose()
    page = json.loads(with_history("scores", "--days", "2", "--json").good())
    assert page["observed_hours"] == 24
    assert page["leads"][0]["bias_k"] == pytest.approx(-1.0)


def test_observed_hours_outside_the_days_do_not_count(with_history: Run) -> None:
    write_air([(NOW.replace(minute=0) - timedelta(hours=n), "24.8") for n in range(0, 60)])
    page = json.loads(with_history("scores", "--observed", "air.csv", "--days", "1", "--json").good())
    assert page["observed_hours"] == 25


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            (),
            "What was observed is needed: readings of the site's thermometer (`frostshift thermometer`), or --observed "
            "FILE.csv with columns time_utc and air_c or air_f.",
        ),
        (("--observed", "none.csv"), "none.csv: cannot be read: No such file or directory"),
        (
            ("--feed", "nws", "--observed", "air.csv"),
            "Of feed 'nws' no forecast is kept for where my-site is; there is file.",
        ),
        (("your-site", "--observed", "air.csv"), "there is no site 'your-site'"),
    ],
)
def test_the_command_refuses(with_history: Run, arguments: tuple[str, ...], said: str) -> None:
    write_air([(NOW, "24.8")])
    assert with_history("scores", *arguments).refused() == said


def test_a_file_with_errors_is_not_used(with_history: Run) -> None:
    write_air([(NOW, "24.8"), (NOW - timedelta(hours=1), "mild"), (NOW, "9")])
    assert with_history("scores", "--observed", "air.csv").refused().splitlines() == [
        "air.csv: nothing was taken in, 2 errors:",
        "  air_f in row 3: 'mild' is not a number of °F; write for example -12.3",
        "  time_utc in row 4: '2027-01-14T20:50:00+00:00' is already in row 2",
    ]
