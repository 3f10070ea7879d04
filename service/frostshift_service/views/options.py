"""What else could be done at a joint, and how it is kept warm while it is welded, as pages and terminal show it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.drying import FILM_MM
from frostshift_rules.heat_options import Break, Change, HeatOptions, Option
from frostshift_rules.workload import HeatPlan
from frostshift_service.views.arithmetic import Step
from frostshift_service.views.show import Show, duration, plural, trimmed

ARC_COUNTS: Final = (
    "The arc's own heat is not counted on to keep the joint warm: it warms the weld, not the edge of the zone."
)


@dataclass(frozen=True, slots=True)
class OptionRow:
    """One thing done differently, and what comes of it."""

    what: str
    minutes_text: str
    hold_text: str
    fuel_text: str
    hottest_text: str


@dataclass(frozen=True, slots=True)
class OptionTable:
    """Things that could be done differently; `intro` says why one would, `after_break` that its rows are breaks."""

    intro: str
    rows: tuple[OptionRow, ...]
    after_break: bool = False


def option_tables(heat: HeatPlan, options: HeatOptions | None, show: Show) -> tuple[OptionTable, ...]:
    """The options of a joint as tables; none where there are none."""
    if options is None:
        return ()
    planned = _row("as planned", heat, show)
    tables = []
    if options.hotter:
        rows = [planned, *(_option_row(one, show) for one in options.hotter)]
        tables.append(OptionTable("What a hotter start costs, and buys in hold:", tuple(rows)))
    if options.breaks:
        rows = [_break_row(one, show) for one in options.breaks]
        tables.append(
            OptionTable("After a break, on the slow end, as if no arc burned:", tuple(rows), after_break=True)
        )
    if options.remedies:
        rows = [_option_row(one, show) for one in options.remedies]
        tables.append(OptionTable("Ways to heat it that do give a time; nothing else is changed:", tuple(rows)))
    if options.least_fuel is not None:
        rows = [planned, _option_row(options.least_fuel, show)]
        tables.append(OptionTable("The band that takes least fuel within every limit:", tuple(rows)))
    return tuple(tables)


def _break_row(one: Break, show: Show) -> OptionRow:
    again = "longer than the first time" if math.isinf(one.again_minutes) else duration(one.again_minutes, "up")
    coldest = f"coldest point at {show.temp_text(one.coldest_c, 'down')}"
    return OptionRow(f"{duration(one.minutes)} later: {coldest}", again, "", "", "")


def _option_row(option: Option, show: Show) -> OptionRow:
    return _row(change_text(option.change, option.value, show), option.heat, show)


def change_text(change: Change, value: float, show: Show) -> str:
    """What is done differently, in words."""
    if change == "hotter":
        return f"{show.rise_text(value)} hotter"
    if change == "band":
        return f"band {show.length_text(value)} beyond the warm zone"
    if change in ("fewer_torches", "more_torches"):
        return plural(int(value), "torch", "torches")
    if change == "smaller_flame":
        return f"flame turned down to {trimmed(100.0 * value, 0)} % of its rate"
    if change == "shorter_length":
        return f"{show.length_text(value)} of weld at a time"
    return "heated from both faces"


def _row(what: str, heat: HeatPlan, show: Show) -> OptionRow:
    return OptionRow(
        what=what,
        minutes_text="" if heat.minutes is None else show.minutes(heat.minutes).text,
        hold_text="" if heat.hold_minutes is None else duration(heat.hold_minutes.low, "down"),
        fuel_text="" if heat.fuel_kg is None else show.mass(heat.fuel_kg).text,
        hottest_text="" if heat.hottest_c is None else show.temp_text(heat.hottest_c, "up"),
    )


def keep_warm_steps(heat: HeatPlan, show: Show) -> Iterator[Step]:
    """How the joint is kept warm while it is welded; nothing where there is no time."""
    if heat.drying_minutes is not None and heat.film is not None:
        film = FILMS[heat.film].format(show.rain_text(FILM_MM[heat.film]))
        yield Step(
            "Drying",
            f"{film}; melted and evaporated on both faces, an allowance; part of the heating time",
            show.minutes(heat.drying_minutes).text,
        )
    if heat.reheats is None or heat.reheat_minutes is None or heat.keep_minutes is None or heat.hold_minutes is None:
        return
    if heat.reheats.high > 0.0:
        yield Step(
            "Reheats",
            f"torch time that keeps the target over the hours of welding"
            f"{' of one length' if heat.segments > 1 else ''}, by that of the first reheat: "
            f"{show.minutes(heat.reheat_minutes).text}",
            _times(heat.reheats.low, heat.reheats.high),
        )
        yield Step("Torch time for them", ARC_COUNTS, show.minutes(heat.keep_minutes).text)
    else:
        yield Step("Reheats", "the first hold outlasts the planned hours of welding", "none")


def _times(low: float, high: float) -> str:
    return plural(round(high), "time") if round(low) == round(high) else f"{round(low)} to {round(high)} times"


FILMS: Final = {
    "water": "a film of {} of water, our choice",
    "frost": "frost of {} of water, wiped, our choice",
    "ice": "{} of ice or trodden snow that a scraper leaves, our choice",
}


def arc_wait_text(heat: HeatPlan, show: Show) -> str:
    """What the heat of the arc asks for between passes; empty where it is not worked out."""
    wait = heat.arc_wait_minutes
    if wait is None or heat.maximum_c is None:
        return ""
    limit = show.temp_text(heat.maximum_c, "down")
    if math.isinf(wait):
        return f"The heat of the arc may carry the weld above {limit} however long one waits: measure before each pass."
    if wait < 0.5:
        return ""
    return (
        f"The heat of the arc may carry the weld above {limit} where passes follow each other in less than "
        f"{duration(wait, 'up')}: measure before each pass."
    )


def option_lines(tables: Sequence[OptionTable]) -> Iterator[str]:
    """The tables as lines of text."""
    for table in tables:
        yield table.intro
        for row in table.rows:
            told = (
                ("heating", row.minutes_text),
                ("holds", row.hold_text),
                ("fuel", row.fuel_text),
                ("hottest metal", row.hottest_text),
            )
            yield f"  - {row.what}: {', '.join(f'{label} {text}' for label, text in told if text)}"
