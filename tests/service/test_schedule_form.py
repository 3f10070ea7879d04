"""The form of a joint: words of the pages, limits and examples in the units of whoever reads it."""

from __future__ import annotations

import re
from typing import Any

import pytest
from tests.service.weather_site import NWS

from frostshift_rules.units import System
from frostshift_service.schedule_file import COLUMNS, CellError
from frostshift_service.schedule_file.columns import label_of
from frostshift_service.schedule_form import FormField, form_groups


def fields(system: System, errors: tuple[CellError, ...] = ()) -> dict[str, FormField]:
    groups = form_groups({}, errors, NWS, system, fixed_mark=False)
    return {field.name: field for group in groups for field in group.fields}


@pytest.mark.parametrize("column", COLUMNS, ids=lambda one: one.name)
def test_every_column_has_the_words_of_the_pages(column: Any) -> None:
    label = label_of(column.name)
    assert "_" not in label
    assert label[0].isupper()
    assert column.name[-2] != "_" or label.endswith(f", part {column.name[-1]}")


@pytest.mark.parametrize("system", ["us", "si"])
def test_limits_examples_and_what_left_open_means_are_in_one_system(system: System) -> None:
    other = r"\d (mm|m|°C|C|m/s|kJ/mm)\b" if system == "us" else r"\d (in|ft|°F|F|mph|kJ/in)\b"
    for field in fields(system).values():
        said = f"{field.hint}; {field.default}"
        assert not re.search(other, said), (field.name, said)


@pytest.mark.parametrize(
    ("name", "us", "si"),
    [
        ("thickness_1", "length with unit, 0.04 in to 11.8 in, for example 1-1/2 in",
         "length with unit, 1 mm to 300 mm, for example 38 mm"),
        ("reach_1", "length with unit, 0.2 in to 164 ft, for example 12 in",
         "length with unit, 5 mm to 50 m, for example 300 mm"),
        ("shelter_air", "temperature with unit, -76 °F to 122 °F, for example 40 F",
         "temperature with unit, -60 °C to 50 °C, for example 5 C"),
        ("heat_input", "kJ/mm or kJ/in, 2.54 kJ/in to 254 kJ/in, for example 40 kJ/in",
         "kJ/mm or kJ/in, 0.1 kJ/mm to 10 kJ/mm, for example 1.5 kJ/mm"),
    ],
)  # fmt: skip
def test_a_limit_is_said_in_the_readers_units_and_never_wider(name: str, us: str, si: str) -> None:
    assert (fields("us")[name].hint, fields("si")[name].hint) == (us, si)


def test_a_problem_names_value_and_limit_in_the_readers_units() -> None:
    error = CellError(None, "thickness_1", "20 in", "'20 in' is 508 mm, outside 1 mm to 300 mm", "1 mm to 300 mm")
    assert fields("us", (error,))["thickness_1"].problem == "'20 in' is 20 in, outside 0.04 in to 11.8 in"
    assert fields("si", (error,))["thickness_1"].problem == error.message
    assert fields("us")["height"].default == "32.8 ft"
