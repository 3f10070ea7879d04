"""Crews and weights in a site file: the section `[work]` and the lists below it. As strict as the rest of the file."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, cast

from frostshift_rules.job import PROCESSES, Process
from frostshift_rules.order_problem import Weights
from frostshift_rules.strict import Section, TableError
from frostshift_rules.work_setup import Crew, WorkSetup
from frostshift_service.toml_text import toml_text, toml_texts

AT_ONCE: Final = (1, 50)
MOST_CREWS: Final = 60
MOST_NAME: Final = 60
"""Letters of a crew's name, as in the schedule."""
WEIGHTS: Final[dict[str, tuple[float, float]]] = {
    "fuel_kg": (0.0, 1_000.0),
    "oxygen_m3": (0.0, 1_000.0),
    "energy_kwh": (0.0, 1_000.0),
    "hand_minute": (0.0, 100.0),
    "shift_late": (0.0, 10_000.0),
    "move": (0.0, 2_000.0),
    "crew_change": (0.0, 2_000.0),
}
"""What a weight may be [minutes of one pair of hands]. That of a joint without a place is not the site's: it has to lie
above all others."""


def read_work(section: Section, shifts: Collection[str]) -> WorkSetup:
    """Crews and weights.

    Args:
        section: `[work]` of a site file.
        shifts: names of the site's shifts.

    Raises:
        TableError: something is unknown, missing, outside its limits or twice; names place, key, value and limit.
    """
    crews = section.some("crew", lambda part: _crew(part, shifts))
    if len(crews) > MOST_CREWS:
        raise TableError(f"{section.where}: 'crew' stands {len(crews)} times, more than {MOST_CREWS}")
    names = [one.name.casefold() for one in crews]
    twice = next((one.name for one in crews if names.count(one.name.casefold()) > 1), None)
    if twice is not None:
        raise TableError(f"{section.where}: crew {twice!r} stands twice")
    weights = section.one("weights", _weights) if section.has("weights") else Weights()
    section.done()
    return WorkSetup(crews, weights)


def _crew(section: Section, shifts: Collection[str]) -> Crew:
    name = section.text("name").strip()
    if len(name) > MOST_NAME:
        raise TableError(f"{section.where}: 'name' has {len(name)} characters, more than {MOST_NAME}")
    return Crew(
        name,
        section.whole("at_once", *AT_ONCE) if section.has("at_once") else Crew(name).at_once,
        _some(section, "shifts", shifts),
        cast(tuple[Process, ...], _some(section, "processes", PROCESSES)),
        _some(section, "procedures", None),
    )


def _some(section: Section, key: str, known: Collection[str] | None) -> tuple[str, ...]:
    """Names, each once, of those that are known; every name where `known` is None. Empty where the key is not there."""
    names = section.texts(key) if section.has(key) else ()
    for name in names:
        if known is not None and name not in known:
            raise TableError(f"{section.where}: {key!r} has {name!r}, expected some of {', '.join(known)}")
        if names.count(name) > 1:
            raise TableError(f"{section.where}: {key!r} has {name!r} twice")
    return names


def _weights(section: Section) -> Weights:
    stated = {key: section.optional_number(key, *limits) for key, limits in WEIGHTS.items()}
    return Weights(**{key: value for key, value in stated.items() if value is not None})


def write_work(setup: WorkSetup) -> list[str]:
    """The lines that `read_work` reads; what is at its default is left out."""
    rows = []
    usual = Weights()
    changed = [f"{key} = {value!r}" for key in WEIGHTS if (value := getattr(setup.weights, key)) != getattr(usual, key)]
    if changed:
        rows += ["", "[work.weights]  # minutes of one pair of hands", *changed]
    for crew in setup.crews:
        rows += ["", "[[work.crew]]", f"name = {toml_text(crew.name)}"]
        rows += [f"at_once = {crew.at_once}  # joints welded at the same time"]
        rows += [
            f"{key} = {toml_texts(names)}"
            for key in ("shifts", "processes", "procedures")
            if (names := getattr(crew, key))
        ]
    return rows


TEMPLATE: Final = """
# Crews, for an order of work; one such block for each. A crew without one keeps its joints and is given no others.
# [[work.crew]]
# name = "north"  # as in the schedule
# at_once = 2  # joints that it welds at the same time
# shifts = ["Day"]  # that it works in; without the key all
# processes = ["SMAW"]  # that it may weld; without the key every one
# procedures = ["P-12"]  # that it is qualified for; without the key every one
#
# What counts how much in an order of work, in minutes of one pair of hands.
# [work.weights]
# fuel_kg = 3.0  # a kilogram of fuel
# oxygen_m3 = 3.0  # a cubic metre of oxygen
# energy_kwh = 0.2  # a kilowatt-hour of current
# hand_minute = 1.0  # a minute of somebody at the torch
# shift_late = 240.0  # each shift after "finish_by"
# move = 30.0  # a joint goes to another shift
# crew_change = 10.0  # a joint goes to another crew
"""
