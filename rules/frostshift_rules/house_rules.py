"""What no rule table may say, whoever wrote it. The loader refuses a table that breaks one of these.

The two unit systems of a code agree within its rounding: it prints °C to the next 5 or 10, up to 2.8 K from the °F
column in the minimums (225 °F is 107.2 °C, printed 110) and up to 4.5 K in the maximums, and edges of thickness within
3.5 mm (2-1/2 in is 63.5 mm, printed 65 in one code and 60 in another).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from frostshift_rules.code_table import Band, CodeTable, Row, holds
from frostshift_rules.units import KMH_PER_MPH, c_from_f, mm_from_in

MINIMUM_K: Final = 3.0
MAXIMUM_K: Final = 5.0
EDGE_MM: Final = 3.6
COLD_BELOW_F: Final = 32.0
COLD_FLOOR_F: Final = 70.0
"""The cold-steel rule of AWS D1.1; ours over every table (our choice)."""


def broken_rules(table: CodeTable) -> tuple[str, ...]:
    """What a code table says that no code table may say; empty for a sound one."""
    return (
        *_one_way_to_a_minimum(table),
        *_names(table),
        *_minimums(table),
        *_maximums(table),
        *_around(table),
    )


def _one_way_to_a_minimum(table: CodeTable) -> list[str]:
    if table.formula is None and not table.rows:
        return ["there is neither a row nor a formula"]
    if table.formula is not None and (table.rows or table.categories or table.steels):
        return ["there are rows and a formula; a table has one or the other"]
    return []


def _names(table: CodeTable) -> list[str]:
    """Names are used once and defined."""
    word, names = table.group_word, [category.name for category in table.categories]
    broken = [f"{word} {name} is defined twice" for name in sorted(set(names)) if names.count(name) > 1]
    used = {row.category for row in table.rows} | {steels.category for steels in table.steels}
    broken += [f"{word} {name} is used and not defined" for name in sorted(used - set(names))]
    for name in names:
        listed = [steel for steels in table.steels if steels.category == name for steel in steels.names]
        broken += [f"{word} {name} lists {s} twice" for s in sorted(set(listed)) if listed.count(s) > 1]
        broken += [f"{word} {name} lists {s}, which needs a test" for s in sorted(set(listed)) if table.needs_test(s)]
    sticks = {category.low_hydrogen for category in table.categories if "SMAW" in category.processes}
    if sticks and not table.electrodes:
        broken.append("SMAW is listed, and no electrodes say which of them are low hydrogen")
    for process in sorted({process for category in table.categories for process in category.processes} - {"SMAW"}):
        kinds = {category.low_hydrogen for category in table.categories if process in category.processes}
        if len(kinds) > 1:
            broken.append(f"{process} is listed with and without low hydrogen; only stick electrodes tell which")
    broken += _steels_in_two_groups(table)
    coverings = [covering for kind in table.electrodes for covering in kind.coverings]
    broken += [f"covering {c} stands in two lists" for c in sorted(set(coverings)) if coverings.count(c) > 1]
    return broken


def _steels_in_two_groups(table: CodeTable) -> list[str]:
    """A steel may be in two groups only where the consumable decides between them."""
    broken = []
    for number, one in enumerate(table.categories):
        for other in table.categories[number + 1 :]:
            alike = (one.low_hydrogen, one.hydrogen_ml) == (other.low_hydrogen, other.hydrogen_ml)
            if not alike or not one.processes & other.processes:
                continue
            ours, theirs = (
                [name for steels in table.steels if steels.category == group.name for name in steels.names]
                for group in (one, other)
            )
            both = sorted({n for n in ours if holds(theirs, n)} | {n for n in theirs if holds(ours, n)})
            broken += [f"{table.group_word} {one.name} and {other.name} both list {name}" for name in both]
    return broken


def _minimums(table: CodeTable) -> list[str]:
    """Bands touch, thicker never needs less, °F and °C are the same figure."""
    groups = {f"{table.group_word} {category.name}": table.rows_of(category.name) for category in table.categories}
    if table.by_test is not None:
        groups["steels by test"] = table.by_test.rows
    broken = []
    for what, rows in groups.items():
        broken += _broken_bands(what, [row.band for row in rows])
        broken += [
            f"{what}: thicker needs less than {thin.min_f:g} °F or {thin.min_c:g} °C"
            for thin, thick in pairwise(rows)
            if thick.min_f < thin.min_f or thick.min_c < thin.min_c
        ]
        broken += [
            f"{what}: {row.min_f:g} °F and {row.min_c:g} °C are not the same"
            for row in rows
            if abs(c_from_f(row.min_f) - row.min_c) > MINIMUM_K
        ]
    return broken


def _maximums(table: CodeTable) -> list[str]:
    """Bands touch, °F and °C are the same figure, and there is room above every minimum of the same steel."""
    broken = []
    for steels in sorted({maximum.names for maximum in table.maxima}, key=sorted):
        bands = [maximum.band for maximum in table.maxima if maximum.names == steels]
        broken += _broken_bands(f"maximum of {min(steels)}", bands)
        if bands[0].over_in > 0.0 or bands[0].over_mm > 0.0:
            broken.append(f"maximum of {min(steels)}: the first band begins at {bands[0].over_in:g} in, not at 0")
    for maximum in table.maxima:
        what = f"maximum of {min(maximum.names)}"
        if abs(c_from_f(maximum.max_f) - maximum.max_c) > MAXIMUM_K:
            broken.append(f"{what}: {maximum.max_f:g} °F and {maximum.max_c:g} °C are not the same")
        broken += [
            f"{what}: {maximum.max_f:g} °F is not above its minimum of {row.min_f:g} °F"
            for row in _rows_of(table, maximum.names)
            if maximum.max_f <= row.min_f or maximum.max_c <= row.min_c
        ]
    return broken


def _rows_of(table: CodeTable, names: frozenset[str]) -> list[Row]:
    """The rows that some of the steels fall under."""
    categories = {steels.category for steels in table.steels if any(holds(steels.names, name) for name in names)}
    rows = [row for row in table.rows if row.category in categories]
    if table.by_test is not None and any(holds(table.by_test.names, name) for name in names):
        rows += table.by_test.rows
    return rows


def _around(table: CodeTable) -> list[str]:
    """The figures around the minimum say the same in both unit systems."""
    cold, extent, ambient, wind = table.cold_steel, table.extent, table.ambient, table.wind
    broken = [
        f"{what}: {f:g} °F and {c:g} °C are not the same"
        for what, f, c in (
            ("cold steel, limit", cold.below_f, cold.below_c),
            ("cold steel, floor", cold.floor_f, cold.floor_c),
            ("least air temperature", ambient.least_f, ambient.least_c),
        )
        if abs(c_from_f(f) - c) > MINIMUM_K
    ]
    if cold.below_f < COLD_BELOW_F or cold.floor_f < COLD_FLOOR_F:
        broken.append(
            f"cold steel: below {cold.below_f:g} °F at least {cold.floor_f:g} °F is less than the {COLD_BELOW_F:g} and "
            f"{COLD_FLOOR_F:g} °F that we ask over every table"
        )
    if cold.floor_f <= cold.below_f or cold.floor_c <= cold.below_c:
        broken.append(f"cold steel: the floor of {cold.floor_f:g} °F is not above the limit of {cold.below_f:g} °F")
    if abs(mm_from_in(extent.least_in) - extent.least_mm) > EDGE_MM:
        broken.append(f"extent: {extent.least_in:g} in and {extent.least_mm:g} mm are not the same")
    if abs(wind.most_mph * KMH_PER_MPH - wind.most_kmh) > 0.5:
        broken.append(f"wind: {wind.most_mph:g} mph and {wind.most_kmh:g} km/h are not the same")
    return broken


def _broken_bands(what: str, bands: Sequence[Band]) -> list[str]:
    if not bands:
        return [f"{what} has no row"]
    broken = [
        f"{what}: bands do not touch at {below.to_in:g} in, {below.to_mm:g} mm"
        for below, above in pairwise(bands)
        if (below.to_in, below.to_mm) != (above.over_in, above.over_mm)
    ]
    broken += [
        f"{what}: the band over {band.over_in:g} in, {band.over_mm:g} mm is empty"
        for band in bands
        if not (band.over_in < band.to_in and band.over_mm < band.to_mm)
    ]
    edges = [(band.over_in, band.over_mm) for band in bands] + [(band.to_in, band.to_mm) for band in bands[:-1]]
    broken += [
        f"{what}: edges {inch:g} in and {mm:g} mm are not the same"
        for inch, mm in edges
        if not abs(mm_from_in(inch) - mm) <= EDGE_MM
    ]
    if math.isfinite(bands[-1].to_in) or math.isfinite(bands[-1].to_mm):
        broken.append(f"{what}: the last band is not open")
    return broken
