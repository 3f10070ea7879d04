"""Electric heaters on pages, in files and in the terminal: a joint with torches and pads, and one with pads alone."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from frostshift_rules.delivered import Heaters, amounts
from frostshift_rules.job import HeatSource, MeasuredShare, SourceUse
from frostshift_rules.workload import FuelTotal, HeatPlan, JointPlan, Plan, Range, added
from frostshift_service.views.files import csv_bytes, sheet_table
from frostshift_service.views.joint import joint_page
from frostshift_service.views.sheet import Line, MorningSheet, all_lines, morning_sheet
from frostshift_service.views.show import Show
from frostshift_service.views.terminal import sheet_text

PAYLOADS = Path(__file__).parents[3] / "fixtures" / "weather"
NONE = Range(0.0, 0.0, 0.0)
PAD = HeatSource("pad", "Resistance pad", None, 3.6, 0.40, 0.55, 0.65, count=8, kind="pad", area_m2=0.0774)
PAD = replace(PAD, measured=MeasuredShare(3, datetime(2026, 12, 1).date(), "R. Quill"))  # noqa: DTZ001
MARK = "CR-B4-W"


def with_pads(plan: Plan, alone: bool) -> Plan:
    """The hand-made plan with four pads on one joint, beside its two torches or in their place, for 39 min at most."""
    minutes = Range(30.0, 35.0, 39.0)

    def changed(of: JointPlan) -> JointPlan:
        if of.joint.mark != MARK:
            return of
        assert of.heat is not None
        torch = plan.site.heat_sources[0]
        heaters = [Heaters(PAD, 4)] if alone else [Heaters(torch, 2), Heaters(PAD, 4)]
        taken = amounts(heaters, minutes)
        heat = replace(
            of.heat,
            source_id=heaters[0].source.id,
            torches=heaters[0].count,
            minutes=minutes,
            total_minutes=minutes,
            amounts=taken,
            fuel_kg=added([one.fuel_kg for one in taken]),
            oxygen_m3=added([one.oxygen_m3 for one in taken]),
            energy_kwh=added([one.energy_kwh for one in taken]),
        )
        own = {"heat_source": "pad", "torches": 4} if alone else {"also_heated": (SourceUse("pad", 4),)}
        return replace(of, joint=replace(of.joint, **own), heat=heat)  # type: ignore[arg-type]

    day, *others = plan.shifts
    pads = FuelTotal("pad", NONE, NONE, 0, 0, "", "", Range(7.2, 8.4, 9.36))
    day = replace(day, fuels=(*day.fuels, pads), power_kw=14.4, power_utc=day.torches_at_utc)
    site = replace(plan.site, heat_sources=(*plan.site.heat_sources, PAD))
    return replace(plan, site=site, joints=tuple(map(changed, plan.joints)), shifts=(day, *others))


def line_of(sheet: MorningSheet) -> Line:
    return next(row for _, row in all_lines(sheet) if row.mark == MARK)


def test_the_sheet_names_all_that_heats_a_joint_and_what_it_takes(plan: Plan, show: Show, now: datetime) -> None:
    """4 x 3.6 kW for 39 min is 9.36 kWh, by hand: 9.4 rounded up."""
    both = line_of(morning_sheet(with_pads(plan, alone=False), show, now))
    assert (both.heaters_text, both.torches, both.fuel_name) == ("2 torches and 4 heating pads", 2, "propane")
    assert both.energy is not None
    assert both.energy.text == "7.2-9.4 kWh, likely 8.4"
    alone = line_of(morning_sheet(with_pads(plan, alone=True), show, now))
    assert (alone.heaters_text, alone.fuel_name) == ("4 heating pads", "")
    plain = line_of(morning_sheet(plan, show, now))
    assert (plain.heaters_text, plain.energy) == ("2 torches", None), "a plan stored before"


def test_the_totals_say_the_power_for_the_generator(plan: Plan, show: Show, now: datetime) -> None:
    sheet = morning_sheet(with_pads(plan, alone=False), show, now)
    block = sheet.shifts[0]
    assert block.power_text == "14.4 kW at once at Thu 06:45"
    propane, pads = block.fuels
    assert propane.energy is None
    assert pads.energy is not None
    assert (pads.source, pads.fuel_name, pads.cylinders, pads.energy.text) == (
        "Resistance pad", "", "", "7.2-9.4 kWh, likely 8.4",
    )  # fmt: skip
    text = sheet_text(sheet)
    assert "  electric heaters: 14.4 kW at once at Thu 06:45\n" in text
    assert "  Resistance pad: 7.2-9.4 kWh, likely 8.4\n" in text
    assert "electric heaters" not in sheet_text(morning_sheet(plan, show, now))


def test_the_file_has_columns_for_them(plan: Plan, show: Show, now: datetime) -> None:
    data = csv_bytes(sheet_table(morning_sheet(with_pads(plan, alone=False), show, now)))
    row = next(row for row in csv.DictReader(io.StringIO(data.decode("utf-8-sig"))) if row["mark"] == MARK)
    assert row["heated_with"] == "2 torches and 4 heating pads"
    assert (row["energy_kwh_low"], row["energy_kwh_likely"], row["energy_kwh_high"]) == ("7.2", "8.4", "9.36")
    assert row["energy_amount"] == "7.2-9.4 kWh, likely 8.4"


def test_the_page_of_a_joint_shows_each_source(
    plan: Plan, show: Show, now: datetime, torch_times: Callable[[str], dict[int, HeatPlan]]
) -> None:
    page = joint_page(with_pads(plan, alone=False), MARK, show, now, series=None, times_for_torches=torch_times(MARK))
    steps = {step.what: step for step in (*page.heating, *page.gas)}
    how = steps["Heat into the steel"].how
    assert "2 torches × 81,900 Btu/h net × share 25 / 35 / 50 % (an estimate)" in how
    assert "4 heating pads × 3.6 kW × share 40 / 55 / 65 % (measured on this site, 2026-12-01; covering 3.33 ft²" in how
    assert steps["Energy, Resistance pad"].how.startswith("4 heating pads × 3.6 kW × 30.0 / 35.0 / 39.0 min")
    assert steps["Energy, Resistance pad"].result == "7.2-9.4 kWh, likely 8.4"
    assert "Fuel, Propane heating torch" in steps
    assert [choice.text for choice in page.torch_choices] == [
        "1 torch and 4 heating pads", "2 torches and 4 heating pads", "3 torches and 4 heating pads",
    ]  # fmt: skip


@pytest.mark.parametrize("alone", [True, False])
def test_the_pages_show_them(web: Any, plan: Plan, alone: bool) -> None:
    web.planner.plan = with_pads(plan, alone)

    async def ask() -> tuple[str, str]:
        async with web.client() as client:
            sheet = await client.get("/sites/north-yard/morning")
            page = await client.get(f"/sites/north-yard/joints/{MARK}")
            assert (sheet.status_code, page.status_code) == (200, 200)
            return sheet.text, page.text

    sheet, page = asyncio.run(ask())
    assert "<dt>Electric heaters</dt><dd><strong>at least</strong> 14.4 kW at once at Thu 06:45</dd>" in sheet
    assert "<dt>Resistance pad</dt><dd><strong>at least</strong> 7.2-9.4 kWh, likely 8.4</dd>" in sheet
    named = "4 heating pads" if alone else "2 torches and 4 heating pads"
    assert f'<span class="small">{named}' in sheet
    assert '<span class="small">electric</span>' in sheet
    assert "Gas and power" in page
    assert "4 heating pads × 3.6 kW" in page


def test_from_a_site_file_and_a_schedule_to_the_sheet(run: Callable[..., Any], tmp_path: Path) -> None:
    run("site", "template", "site.toml").good()
    site = (tmp_path / "site.toml").read_text(encoding="utf-8")
    pads = (
        '[[heat_source]]\nid = "pad"\nname = "heating pad"\nkind = "pad"\nnet_kw = 3.6\narea_m2 = 0.0774\ncount = 8\n'
    )
    (tmp_path / "site.toml").write_text(site + pads, encoding="utf-8")
    run("site", "load", "site.toml").good()
    run("site", "accept-table", "--by", "somebody").good()
    (tmp_path / "week.csv").write_text(
        "mark,start,hours,process,electrode,weld_length,steel_1,thickness_1,torches,heat_source,also_heated\n"
        "C-1,2027-01-15 07:30,2,SMAW,E7018,12 in,A572-50,2 in,1,tip,\n"
        "C-2,2027-01-15 07:30,2,SMAW,E7018,12 in,A572-50,2 in,1,tip,4 pad\n"
        "C-3,2027-01-15 07:30,2,SMAW,E7018,12 in,A572-50,3/4 in,2,pad,\n",
        encoding="utf-8",
    )
    run("schedule", "load", "week.csv").good()
    run("pull", "--file", str(PAYLOADS / "nws_long.json")).good()
    sheet = json.loads(run("sheet", "--json", "--day", "tomorrow", "--shifts", "1").good())
    (shift,) = sheet["shifts"]
    lines = {line["mark"]: line for line in shift["lines"]}
    assert [lines[mark]["heaters_text"] for mark in ("C-1", "C-2", "C-3")] == [
        "1 torch", "1 torch and 4 heating pads", "2 heating pads",
    ]  # fmt: skip
    assert lines["C-2"]["minutes"]["high"] < lines["C-1"]["minutes"]["high"]
    assert lines["C-1"]["energy"]["high"] == 0.0
    assert lines["C-2"]["energy"]["high"] == pytest.approx(4 * 3.6 * lines["C-2"]["minutes"]["high"] / 60.0)
    assert lines["C-3"]["fuel"]["high"] == 0.0
    assert shift["power_kw"] in (pytest.approx(14.4), pytest.approx(21.6))
    assert [fuel["source"] for fuel in shift["fuels"]] == ["oxy-propane multi-flame tip", "heating pad"]
    text = run("sheet", "--day", "tomorrow", "--shifts", "1").good()
    assert "Electric heaters are in no count of torches or hands" in " ".join(text.split())
