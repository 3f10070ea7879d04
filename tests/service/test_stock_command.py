"""`frostshift stock` in this process with a frozen clock: 14:50 at the site on 14 January 2027."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]
LB = 0.45359237
"""International avoirdupois pound [kg], exact by the agreement of 1959 (NIST Special Publication 811, B.8)."""


@pytest.fixture
def sited(run: Run) -> Run:
    run("site", "template", "site.toml").good()
    run("site", "load", "site.toml").good()
    return run


@pytest.fixture
def counted(sited: Run) -> Run:
    opening = ("--full", "4", "--in-use", "2", "--empty", "1", "--at", "2027-01-10 06:00")
    assert sited("stock", "opening", "propane-100", *opening).good() == (
        "Entry 1: 100 lb propane, first count: 4 full, 2 in use, 1 empty.\n"
        "Now 4 full, 2 in use, 1 empty; gas left in use: up to 200 lb, likely 100.\n"
    )
    return sited


def state(run: Run) -> dict[str, Any]:
    [line] = json.loads(run("stock", "show", "--json").good())["kinds"]
    return dict(line)


def test_an_empty_stock_says_how_to_begin(sited: Run) -> None:
    assert sited("stock", "show").good().startswith("No cylinders were counted yet: `frostshift stock opening KIND")
    assert sited("stock", "ledger").good() == "The ledger is empty.\n"
    assert len(sited("stock", "ledger", "--csv").good().splitlines()) == 1, "the header alone"


def test_a_week_of_cylinders(counted: Run) -> None:
    add = ("stock", "add")
    counted(*add, "ordered", "propane-100", "6", "--order", "K-7", "--at", "2027-01-10 07:00").good()
    counted(*add, "delivered", "propane-100", "4", "--order", "K-7", "--by", "L. Voss").good()
    counted(*add, "connected", "propane-100", "1").good()
    said = counted(*add, "weighed", "propane-100", "--left", "120lb", "--note", "all three").good()
    assert said.splitlines()[0] == "Entry 5: 100 lb propane, weighed: 120 lb of gas left in use."
    said = counted(*add, "used", "propane-100", "--used", "12 LB").good()
    assert said.splitlines()[1] == "Now 7 full, 3 in use, 1 empty; gas left in use: 108 lb."
    counted(*add, "correction", "propane-100", "--corrects", "6", "--used", "-2.5lb", "--note", "misread").good()
    counted(*add, "correction", "propane-100", "--corrects", "3", "--full", "-1", "--note", "three came").good()
    counted(*add, "returned_part_used", "propane-100", "1", "--left", "9.5kg").good()
    now = state(counted)
    assert (now["full"], now["in_use"], now["empty"], now["on_order"]) == (6, 2, 1, 3)
    assert now["orders"] == [
        {"order_no": "K-7", "open": 3, "ordered": {"utc": "2027-01-10T13:00:00Z", "text": "Sun 10 Jan 07:00"}}
    ]
    assert now["left"]["likely"] == pytest.approx((120.0 - 12.0 + 2.5) * LB - 9.5)
    assert (now["left"]["low"], now["left"]["high"]) == (now["left"]["likely"], now["left"]["likely"])
    shown = counted("stock", "show").good()
    assert "100 lb propane  6     2       1      3         89.6 lb" in shown
    assert "100 lb propane: 3 to come on order K-7, Sun 10 Jan 07:00" in shown
    ledger = counted("stock", "ledger").good().splitlines()
    assert ledger[1].endswith("1 sent back part-used, gas in them 20.9 lb")
    assert ledger[2].endswith("entry 3 put right: -1 full (three came)")
    assert ledger[3].endswith("entry 6 put right: -2.5 lb of gas (misread)")
    assert ledger[7].endswith("L. Voss       100 lb propane  4 delivered, order K-7 [put right by 8]")


def test_what_is_not_known_is_unknown_and_never_zero(counted: Run) -> None:
    counted("stock", "opening", "oxygen-251", "--full", "6", "--in-use", "1", "--empty", "0").good()
    rows = counted("stock", "show").good().splitlines()
    assert rows[3].startswith("251 ft³ oxygen  6     1       0      0         unknown: oxygen is counted in whole")
    counted("stock", "add", "returned_part_used", "propane-100", "1").good()
    assert "1 sent back part-used, gas in them unknown" in counted("stock", "ledger").good()
    lines = list(csv.DictReader(io.StringIO(counted("stock", "ledger", "--csv").good())))
    assert (lines[2]["residual_kg"], lines[2]["left_kg"], lines[2]["full_change"]) == ("", "", "")
    assert (lines[1]["empty_change"], lines[1]["count"]) == ("0", "")


def test_the_ledger_as_csv(counted: Run) -> None:
    counted("stock", "add", "connected", "propane-100", "1", "--note", "=HYPERLINK(1)", "--by", "@crew").good()
    lines = list(csv.DictReader(io.StringIO(counted("stock", "ledger", "--csv").good())))
    assert [one["number"] for one in lines] == ["1", "2"], "in the order of the numbers"
    assert (lines[1]["note"], lines[1]["by"]) == ("'=HYPERLINK(1)", "'@crew")
    assert lines[0]["at_utc"] == "2027-01-10T12:00:00Z", "06:00 in Chicago is 12:00 UTC in winter"
    assert lines[0]["when"] == "Sun 10 Jan 06:00"
    assert (lines[0]["kind"], lines[0]["movement"], lines[0]["full_change"]) == ("propane-100", "opening", "4")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("add", "lost", "propane-100", "1"), "movement 'lost': expected one of ordered, cancelled, delivered"),
        (("add", "opening", "propane-100", "1"), "opening: use `frostshift stock opening KIND"),
        (("add", "connected", "helium-9", "1"), "kind is helium-9, which has no opening yet"),
        (("add", "connected", "propane-100", "5"), "count is 5, 4 are full"),
        (("add", "connected", "propane-100", "0"), "count is 0, 1 to 10000 whole cylinders are possible"),
        (("add", "connected", "propane-100"), "count is missing, connected needs it"),
        (("add", "connected", "propane-100", "1", "--by", " "), "by is , 1 to 60 printable letters are needed"),
        (("add", "connected", "propane-100", "1", "--left", "3lb"), "connected has none"),
        (("add", "delivered", "propane-100", "1", "--order", "K-9"), "order_no is K-9, orders of this kind are none"),
        (("add", "weighed", "propane-100", "--left", "120"), "--left '120': expected a number with its unit, such as"),
        (("add", "weighed", "propane-100", "--left", "12 stone"), "--left '12 stone': expected a number"),
        (("add", "weighed", "propane-100", "--left", "-3lb"), "left_kg is -1.36078, 0 to 100000 kg is possible"),
        (("add", "weighed", "propane-100", "--left", "300lb"), "at most 95.3 kg can be in 2 of 45.4 kg"),
        (("add", "used", "propane-100", "--used", "nanlb"), "--used 'nanlb': expected a number"),
        (("add", "correction", "propane-100", "--corrects", "9", "--full", "1", "--note", "x"), "no such entry"),
        (("add", "correction", "propane-100", "--corrects", "1", "--full", "1"), "a correction needs its reason"),
        (("add", "connected", "propane-100", "1", "--at", "noon"), "--at 'noon': expected a time such as 06:10"),
        (
            ("add", "connected", "propane-100", "1", "--at", "15:00"),
            "--at '15:00': that is later than now, 2027-01-14 14:50",
        ),
        (
            ("add", "connected", "propane-100", "1", "--at", "2027-01-10 05:59"),
            "that is before these cylinders were first counted, 2027-01-10 06:00",
        ),
        (
            ("add", "connected", "propane-100", "1", "--at", "2026-11-01 01:30"),
            "the clock changes there, so the time comes twice or never; write it with its offset",
        ),
        (("opening", "helium-9", "--full", "1", "--in-use", "0", "--empty", "0"), "kind is helium-9, known are acety"),
        (("opening", "propane-40", "--full", "1"), "--in-use and --empty missing: say how many, 0 where there is none"),
        (("opening", "propane-40", "--full", "-1", "--in-use", "0", "--empty", "0"), "full is -1, 0 to 10000 whole"),
        (("opening", "propane-100", "--full", "1", "--in-use", "0", "--empty", "0"), "the kind is open already"),
        (
            ("opening", "propane-40", "--full", "1", "--in-use", "0", "--empty", "0", "--at", "1026-01-10"),
            "that is more than 10 years ago",
        ),
        (
            ("opening", "propane-40", "--full", "1", "--in-use", "0", "--empty", "0", "--at", "0001-01-01T00:00+09:00"),
            "--at '0001-01-01T00:00+09:00': expected a time",
        ),
        (("show", "--site", "nowhere"), "there is no site 'nowhere'"),
    ],
)
def test_what_cannot_be_is_one_line_and_nothing_is_kept(
    counted: Run, store_rows: Callable[[], dict[str, list[tuple[object, ...]]]], arguments: tuple[str, ...], said: str
) -> None:
    before = store_rows()
    refused = counted("stock", *arguments).refused()
    assert said in refused
    assert "\n" not in refused
    assert store_rows() == before


def test_oxygen_is_not_weighed(counted: Run) -> None:
    counted("stock", "opening", "oxygen-251", "--full", "6", "--in-use", "1", "--empty", "0").good()
    refused = counted("stock", "add", "weighed", "oxygen-251", "--left", "3kg").refused()
    assert refused == "oxygen-251: oxygen is counted in whole cylinders, not by weight"


def test_a_time_with_its_offset_in_the_hour_that_comes_twice(sited: Run) -> None:
    counts = ("--full", "1", "--in-use", "0", "--empty", "0")
    sited("stock", "opening", "propane-100", *counts, "--at", "2026-11-01T01:30-05:00").good()
    assert state(sited)["opened"] == {"utc": "2026-11-01T06:30:00Z", "text": "Sun 1 Nov 2026 01:30 CDT"}
    assert Path("data").is_dir()
