"""One case as a form's query: the same keys as in a file, those of a part with its number, `thickness_1`.

A form that is empty but for its site asks nothing. What a form holds becomes the entry of a file and is read as one, so
that page, JSON and command cannot differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from frostshift_rules.arrangements import CATALOGUE
from frostshift_rules.heat_sources import known_sources, rate_text
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS
from frostshift_rules.job import PROCESSES, HeatSource, Site
from frostshift_rules.tables import code_table_ids, load_code_table
from frostshift_rules.units import System
from frostshift_service.case_file import (
    CASE_KEYS,
    DEFAULT_TABLE,
    PART_KEYS,
    CaseProblem,
    ReadCase,
    json_object,
    read_case,
)

PARTS: Final = 2
"""So many parts fit into the form; a file takes four."""
SITE: Final = "site"
ANNEX: Final = "annex_accepted_by"

Options = tuple[tuple[str, str], ...]
"""Value and words of each choice."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form: text with an example, or a choice."""

    name: str
    label: str
    example: str = ""
    options: Options = ()


@dataclass(frozen=True, slots=True)
class Group:
    """Fields under one heading; `extra` ones are folded away, `link` is a path and its words."""

    title: str
    fields: tuple[Field, ...]
    extra: bool = False
    link: tuple[str, str] | None = None


_SOURCE: Final = ("net_rate", "share", "kind", "area", "fuel", "oxygen_ratio")
_PROCEDURE: Final = ("procedure_minimum", "procedure_maximum", "procedure_qualified_by_test")
_OWN: Final = {"kind": "source_kind", "area": "source_area"}
"""Names in the form of keys of a heat source that another thing could have too."""
_PLACES: Final[dict[str, str]] = {
    **{f"{key.name}_{n}": f"parts[{n}].{key.name}" for n in range(1, PARTS + 1) for key in PART_KEYS},
    **{_OWN.get(name, name): f"heat_source.{name}" for name in _SOURCE},
    **{name: name.replace("_", ".", 1) for name in _PROCEDURE},
}
"""Where a field of the form stands in the entry of a file."""
_SOURCE_FIELDS: Final = tuple(_OWN.get(name, name) for name in _SOURCE)
_FIELDS: Final = {place: name for name, place in _PLACES.items()}

QUERY: Final[Mapping[str, str]] = {
    **{key.name: f"{key.about}; {key.how}" for key in CASE_KEYS},
    **{f"{key.name}_{n}": f"part {n}: {key.about}; {key.how}" for n in range(1, PARTS + 1) for key in PART_KEYS},
    "heat_source": "id of a heat source of the site or the library",
    "net_rate": "in place of heat_source: net rate of one torch, or rating of one heater, such as 45 kW",
    "share": "share of that heat that reaches the steel, such as 35 % or 25 to 50 %",
    "source_kind": "of the own rate: flame | pad | induction; left out: flame",
    "source_area": "of the own rate: steel that one electric heater covers, such as 120 in2",
    "fuel": "of the own rate; left out: propane",
    "oxygen_ratio": "volumes of torch oxygen to one of fuel; 0 for an air torch",
    "procedure": "name of a welding procedure of the site",
    "procedure_minimum": "least temperature by the welding procedure, such as 110 F",
    "procedure_maximum": "highest temperature by the welding procedure",
    "procedure_qualified_by_test": "yes | no",
    "accepted_by": "who checked the rule table against a copy of the code",
    ANNEX: "who checked the hydrogen-control annex against a copy of the code",
}
"""What a query may hold, and how each is written."""

_YES: Final[Options] = (("", "no"), ("yes", "yes"))
_KINDS: Final[Options] = (
    ("", "by the arrangement, else flat plate"),
    ("plate", "flat plate"),
    ("flange with web", "flange with a web"),
    ("touching", "touches another part"),
    ("tube", "tube or box"),
)
_ARRANGEMENTS: Final[Options] = (
    ("", "not stated"),
    *((one.id.replace("_", " "), one.title) for one in CATALOGUE.values()),
)
_ENDS: Final[Options] = (
    ("", "by the arrangement, else inside the plate"),
    ("inside", "inside the plate"),
    ("edge to edge", "edge to edge"),
    ("all round", "all round"),
)
_SIDES: Final[Options] = (
    ("", "by the arrangement, else on one side of the weld"),
    ("1", "on one side of the weld"),
    ("2", "on both sides of the weld"),
)


def _part(number: int) -> Group:
    own = f"_{number}"
    return Group(
        f"Part {number}" + ("" if number == 1 else ", where there is one"),
        (
            Field(f"steel{own}", "Steel", "A572-50"),
            Field(f"thickness{own}", "Thickness at the weld", "1-5/8 in"),
            Field(f"width{own}", "From the weld to its free edge", "12 in; empty: wide"),
            Field(f"kind{own}", "Kind", options=_KINDS),
            Field(f"flange_width{own}", "Flange with a web: width along the weld", "12 in"),
            Field(f"web{own}", "Thickness of its web", "5/8 in"),
            Field(f"web_depth{own}", "Clear depth of its web", "24 in"),
        ),
    )


_SI_EXAMPLES: Final = {
    "20 F": "-7 C", "18 F": "-8 C", "4 mph": "1.8 m/s", "1-5/8 in": "40 mm", "5/8 in": "16 mm", "12 in": "300 mm",
    "12 in; empty: wide": "300 mm; empty: wide", "16 in": "400 mm", "24 in": "600 mm", "110 F": "45 C",
    "450 F": "230 C", "120 in2": "0.08 m2", "150000 Btu/h": "45 kW", "40 kJ/in": "1.5 kJ/mm",
}  # fmt: skip
"""Example in US units -> in SI."""


def groups(site: Site | None = None, system: System = "us") -> tuple[Group, ...]:
    """The form, group by group, with examples in units of `system`; with a site its tables and torches are offered."""
    found = _groups(site, system)
    if system == "us":
        return found
    return tuple(
        replace(
            group,
            fields=tuple(replace(one, example=_SI_EXAMPLES.get(one.example, one.example)) for one in group.fields),
        )
        for group in found
    )


def _groups(site: Site | None, system: System) -> tuple[Group, ...]:
    own_sources = () if site is None else site.heat_sources
    own_tables = () if site is None else site.own_tables
    known = [(one.source.id, _source_title(one.source, system)) for one in known_sources().values()]
    tables = [(one, _table_title(load_code_table(one))) for one in code_table_ids()]
    tables += [(one.id, _table_title(load_code_table(one.id, own_tables))) for one in own_tables]
    return (
        Group(
            "Measured now, at the weld",
            (
                Field("steel_temperature", "Steel", "20 F"),
                Field("weld_air_temperature", "Air, inside a tent where there is one", "18 F"),
                Field("weld_wind", "Wind, behind a screen where there is one", "4 mph"),
                Field(
                    "surface",
                    "Surface",
                    options=(("", "not looked at"), ("dry", "dry"), ("wet", "wet"), ("frost", "frost")),
                ),
            ),
        ),
        Group(
            "How the parts meet",
            (
                Field("arrangement", "Arrangement", options=_ARRANGEMENTS),
                Field("welded", "Welded together already", options=_YES),
            ),
            link=("/arrangements" + ("" if site is None else f"?site={site.id}"), "Sketches, and the sizes each needs"),
        ),
        *(_part(number) for number in range(1, PARTS + 1)),
        Group(
            "Weld",
            (
                Field(
                    "units",
                    "The code is in",
                    options=(
                        ("", "not known: both" if site is None else "the site's"),
                        ("US", "US units"),
                        ("SI", "SI units"),
                    ),
                ),
                Field("process", "Process", options=(("", "not known"), *((one, one) for one in PROCESSES))),
                Field("electrode", "Electrode", "E7018 H4R"),
                Field("hydrogen", "Hydrogen of the consumable", "H8"),
                Field("name", "Name of the joint", "CR-B4-W"),
            ),
        ),
        Group(
            "Heat",
            (
                Field("weld_length", "Length of the weld", "16 in"),
                Field(
                    "heat_source",
                    "Heated with",
                    options=(("", "not known"), *((one.id, one.name) for one in own_sources), *known),
                ),
                Field("torches", "Torches or heaters at once", "1"),
                Field("also_heated", "Heated at the same time with", "4 resistance-pad"),
                Field("net_rate", "Or its own rate, net", "150000 Btu/h"),
                Field("share", "Of it into the steel", "35 %"),
            ),
        ),
        Group(
            "Welding procedure, rule table and the rest",
            (
                Field("procedure_minimum", "Procedure asks at least", "110 F"),
                Field("procedure_maximum", "Procedure allows at most", "450 F"),
                Field("procedure_qualified_by_test", "Procedure qualified by test", options=_YES),
                Field(
                    "table", "Rule table", options=(("", "the usual one" if site is None else "the site's"), *tables)
                ),
                Field("accepted_by", "Who checked it against the code", "name"),
                Field(ANNEX, "Who checked the hydrogen-control annex", "name"),
                Field("heat_input", "Heat input", "40 kJ/in"),
                Field(
                    "restraint",
                    "Restraint",
                    options=(("", "not stated"), ("low", "low"), ("medium", "medium"), ("high", "high")),
                ),
                *(
                    Field(f"composition_{n}", f"Composition of part {n}, %", "C 0.18 Mn 1.4")
                    for n in range(1, PARTS + 1)
                ),
                Field("weld_metal", "Composition of the weld metal, %", "C 0.08 Mn 1.4"),
                Field("hours", "Hours of welding", "2.5"),
                Field("passes", "Passes", "8"),
                Field("fracture_critical", "Fracture-critical member", options=_YES),
                Field("weld_ends", "Weld runs", options=_ENDS),
                Field("heated_length", "Heated at a time", "24 in"),
                Field("both_faces", "Heated from both faces", options=_YES),
                *(
                    Field(
                        f"sides_{n}",
                        f"Part {n} lies",
                        options=_SIDES,
                    )
                    for n in range(1, PARTS + 1)
                ),
                Field("measured_minutes", "The target was reached after", "14 min"),
                Field(
                    "source_kind",
                    "The own rate is of",
                    options=(("", "a torch"), ("pad", "a resistance pad"), ("induction", "an induction heater")),
                ),
                Field("source_area", "It covers, where electric", "120 in2"),
                Field(
                    "fuel",
                    "Fuel of the own rate",
                    options=(
                        ("", "propane"),
                        ("propylene", "propylene"),
                        ("acetylene", "acetylene"),
                        ("mps", "MPS gas"),
                        ("natural gas", "natural gas"),
                    ),
                ),
                Field("oxygen_ratio", "Flame of the own rate", options=(("", "with torch oxygen"), ("0", "air torch"))),
            ),
            extra=True,
        ),
    )


def _source_title(source: HeatSource, system: System) -> str:
    return f"{source.name}, {rate_text(source, system)}"


def _table_title(table: Any) -> str:
    return f"{table.name}, {table.title}"


def name_of(place: str) -> str:
    """The field of the form that a problem is about."""
    return _FIELDS.get(place, place)


def label_of(place: str, form: Sequence[Group]) -> str:
    """How the form calls a field that a problem names."""
    name = name_of(place)
    group, field = next(((group, one) for group in form for one in group.fields if one.name == name), (None, None))
    if group is None or field is None:
        return place
    return f"{group.title.partition(',')[0]}: {field.label}"


def read_form(query: Sequence[tuple[str, str]], site: Site | None) -> ReadCase | None:
    """The case that a query holds; None for an empty form.

    Args:
        query: every parameter in its order.
        site: whose table, units, heat sources and procedures hold; None: no site.
    """
    given = [(name, text) for name, text in query if text.strip() and name != SITE]
    if not given:
        return None
    values = dict(given)
    entry = json_object([(name, text) for name, text in given if name not in _PLACES])
    entry["parts"] = [part for n in range(1, PARTS + 1) if (part := _of_part(values, n)) or n == 1]
    names = [name for name, _ in given]
    problems = [
        CaseProblem(_PLACES[name], "", "the key stands twice")
        for name in dict.fromkeys(names)
        if names.count(name) > 1
        if name in _PLACES
    ]
    for key, own in (("heat_source", _SOURCE_FIELDS), ("procedure", _PROCEDURE)):
        stated = {_PLACES[name].partition(".")[2]: values[name] for name in own if name in values}
        if stated and key in entry:
            message = "a name from the list or figures of its own, not both"
            problems.append(CaseProblem(key, values[key][:60], message))
        if stated:
            entry[key] = stated
    if ANNEX in values:
        entry.pop(ANNEX)
        accepted = dict.fromkeys(HYDROGEN_CONTROLS, values[ANNEX])
        if "accepted_by" in values:
            accepted[values.get("table") or (DEFAULT_TABLE if site is None else site.table_id)] = values["accepted_by"]
        entry["accepted_by"] = accepted
    read = read_case(entry, 1, site)
    return read if not problems else replace(read, case=None, problems=(*problems, *read.problems))


def _of_part(values: Mapping[str, str], number: int) -> dict[str, str]:
    return {key.name: values[f"{key.name}_{number}"] for key in PART_KEYS if f"{key.name}_{number}" in values}
