"""Cases as JSON: one joint or a list of joints, every quantity a string with its unit, to `rules.case.Case`.

Nothing is guessed: a number without its unit, a key that is not known or stated twice, a value outside its limits is an
error that names field, value and limit. An error is the error of its own case; the others are read as if it were not
there. Only a file that is no JSON, empty, too large or too deep is refused as a whole.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any, Final, cast, get_args

from frostshift_rules.arrangements import CATALOGUE, SIZES, ArrangementError, as_arranged
from frostshift_rules.case import NO_START, Case, Surface
from frostshift_rules.composition import Composition
from frostshift_rules.delivered import Heaters
from frostshift_rules.heat_sources import AREA_M2, NET_KW, check_area, known_sources, usual_share
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS
from frostshift_rules.job import (
    SOURCE_KINDS,
    Arrangement,
    CodeUnits,
    FuelName,
    HeatSource,
    Joint,
    Part,
    Procedure,
    Site,
    SourceKind,
)
from frostshift_rules.sentences import capital
from frostshift_rules.strict import OutOfRange, TableError
from frostshift_rules.tables import code_table_ids, load_code_table
from frostshift_rules.units import kw_from_btu_h
from frostshift_service.schedule_file import cells
from frostshift_service.schedule_file.cells import CellProblem, Length
from frostshift_service.schedule_file.columns import (
    ALSO_HEATED,
    ENDS,
    FLANGE_WIDTH_MM,
    KINDS,
    MAX_PARTS,
    MEETINGS,
    MOST_AT_ONCE,
    SIDES,
    WEB_DEPTH_MM,
    WEB_MM,
)
from frostshift_service.site_file import PROCEDURE_MAXIMUM_C, PROCEDURE_MINIMUM_C

MAX_BYTES: Final = 1_000_000
MAX_CASES: Final = 500
MAX_DEPTH: Final = 12
"""Brackets inside brackets; a case needs four."""
LONGEST_VALUE: Final = 200
MAX_UNKNOWN: Final = 20
"""Unknown keys of an object that are said: nobody reads more, and a file may hold tens of thousands."""
DEFAULT_TABLE: Final = "aws_d1_1_2015_t3_3"
SHARE: Final = (0.01, 0.95)
"""Limits of the share of a source's heat that reaches the steel."""


class CaseFileError(ValueError):
    """A file of cases that cannot be read at all; the message is for people."""


@dataclass(frozen=True, slots=True)
class CaseProblem:
    """What is wrong with one field of a case; `limit` is empty where none was passed."""

    field: str
    value: str
    message: str
    limit: str = ""

    @property
    def text(self) -> str:
        """The problem as one sentence without its full stop."""
        return f"{self.field}: {self.message}" if self.field else self.message


@dataclass(frozen=True, slots=True)
class ReadCase:
    """One entry of a file: the case, or what is wrong with it; `number` counts from 1."""

    number: int
    name: str
    case: Case | None
    problems: tuple[CaseProblem, ...] = ()


# Keys -----------------------------------------------------------------------------------------------------------------

_UNITS: Final[Mapping[str, CodeUnits]] = {"us": "us", "si": "si", "either": "either"}
_SURFACES: Final[Mapping[str, Surface]] = {name: name for name in get_args(Surface)}
_FUELS: Final[Mapping[str, FuelName]] = {name.replace("_", " "): name for name in get_args(FuelName)}
_SOURCE_KINDS: Final[Mapping[str, SourceKind]] = {name: name for name in SOURCE_KINDS}
_YES_NO: Final[Mapping[str, bool]] = {"yes": True, "no": False, "true": True, "false": False}

Reader = Callable[[str], Any]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a case whose value is text.

    Attributes:
        name: in the file.
        how: how its value is written, with unit and limits.
        about: what it is.
        read: reader of the text.
        plain: other JSON types that are taken as well, being no quantities.
    """

    name: str
    how: str
    about: str
    read: Reader
    plain: tuple[type, ...] = ()


PART_KEYS: Final[tuple[Key, ...]] = (
    Key("steel", "specification and grade, such as A572-50", "left out, the call is unknown", cells.steel),
    Key(
        "thickness",
        "length with unit, 1 mm to 300 mm",
        "at the point of welding; the one thing a part has to have",
        cells.length(1.0, 300.0, "38 mm or 1-1/2 in"),
    ),
    Key("kind", " | ".join(KINDS), "left out: as its arrangement says, else plate", cells.choice(KINDS)),
    Key(
        "width",
        "length with unit, 5 mm to 50 m",
        "from the weld to the part's free edge, across the weld; left out: a wide flat plate",
        cells.length_mm(5.0, 50_000.0, "300 mm or 12 in"),
    ),
    Key(
        "flange_width",
        "length with unit, 20 mm to 2 m",
        SIZES["flange_width"],
        cells.length_mm(*FLANGE_WIDTH_MM, "300 mm or 12 in"),
    ),
    Key("web", "length with unit, 2 mm to 300 mm", SIZES["web"], cells.length_mm(*WEB_MM, "16 mm or 5/8 in")),
    Key(
        "web_depth",
        "length with unit, 20 mm to 5 m",
        SIZES["web_depth"],
        cells.length_mm(*WEB_DEPTH_MM, "600 mm or 24 in"),
    ),
    Key(
        "sides",
        "1 | 2",
        "2 where the weld lies on its face with plate on both sides; left out: as its arrangement says, else 1",
        cells.choice(SIDES),
        (int,),
    ),
    Key("composition", "C 0.18 Mn 1.40 Si 0.25, in %", "by its certificate", cells.composition),
)
CASE_KEYS: Final[tuple[Key, ...]] = (
    Key("name", "text, 60 characters", "to tell the cases apart", cells.text(60)),
    Key("table", "id of a rule table", f"left out: the site's, or {DEFAULT_TABLE}", cells.text(60)),
    Key(
        "units",
        "US | SI | either",
        "unit system of the contract's code; left out: both, the higher counts",
        cells.choice(_UNITS),
    ),
    Key("process", "SMAW | FCAW-S | FCAW-G | GMAW | GTAW | SAW", "left out, the call is unknown", cells.process),
    Key("electrode", "classification, such as E7018 H4R", "SMAW needs it", cells.electrode),
    Key("hydrogen", "H4 | H8 | H16, or 5 mL/100 g", "diffusible hydrogen of the consumable", cells.hydrogen_ml),
    Key(
        "steel_temperature",
        "temperature with unit, -60 °C to 500 °C",
        "measured, taken as it is; left out, the call is unknown",
        cells.temperature_c(-60.0, 500.0),
    ),
    Key(
        "weld_air_temperature",
        "temperature with unit, -60 °C to 50 °C",
        "at the weld: inside a tent where there is one",
        cells.temperature_c(-60.0, 50.0),
    ),
    Key(
        "weld_wind",
        "speed with unit (mph, m/s, km/h), 0 m/s to 40 m/s",
        "at the weld: behind a screen where there is one",
        cells.speed_ms(0.0, 40.0),
    ),
    Key("surface", "dry | wet | frost", "left out: taken as dry", cells.choice(_SURFACES)),
    Key(
        "weld_length",
        "length with unit, 10 mm to 50 m",
        "length of the weld, once round for a tube; left out where it runs across a flange: the flange's width",
        cells.length_mm(10.0, 50_000.0, "600 mm or 24 in"),
    ),
    Key(
        "arrangement",
        " | ".join(MEETINGS),
        "how the parts meet; left out: as each is described",
        cells.choice(MEETINGS),
    ),
    Key("weld_ends", " | ".join(ENDS), "left out: as the arrangement says, else inside", cells.choice(ENDS)),
    Key(
        "welded",
        "yes | no",
        "the parts are one piece already: root pass made, repair, heated again; left out: no",
        cells.choice(_YES_NO),
        (bool,),
    ),
    Key(
        "heated_length",
        "length with unit, 10 mm to 50 m",
        "heated at a time; left out: up to 600 mm a torch",
        cells.length_mm(10.0, 50_000.0, "600 mm or 24 in"),
    ),
    Key(
        "torches",
        "whole number, 1 to 20",
        "torches or heaters on the joint at once; left out: 1",
        cells.whole(1, MOST_AT_ONCE),
        (int,),
    ),
    Key(
        "also_heated",
        "number and name of a heat source, such as 4 resistance-pad",
        "what heats it at the same time; up to 4, with commas between",
        ALSO_HEATED,
    ),
    Key(
        "measured_minutes",
        "time with unit (min, s, h), 0.5 min to 1440 min",
        "the target was reached after so long, of the first length; with it the share of the source is worked out",
        cells.minutes(0.5, 1440.0),
    ),
    Key("both_faces", "yes | no", "heated from both faces; left out: no", cells.choice(_YES_NO), (bool,)),
    Key("heat_input", "1.5 kJ/mm or 40 kJ/in", "arc energy times thermal efficiency", cells.heat_input_kj_mm),
    Key("restraint", "low | medium | high", "with it hydrogen control is worked out too", cells.restraint),
    Key("weld_metal", "C 0.08 Mn 1.40, in %", "composition of the weld metal", cells.composition),
    Key(
        "hours",
        "8 or 2.5 h, 0.1 to 72",
        "planned hours of welding, for the reheats",
        cells.hours(0.1, 72.0),
        (int, float),
    ),
    Key("passes", "whole number, 1 to 200", "of the weld", cells.whole(1, 200), (int,)),
    Key("fracture_critical", "yes | no", "only its procedure gives the minimum then", cells.choice(_YES_NO), (bool,)),
)
"""Every key of a case but `parts`, `procedure`, `heat_source` and `accepted_by`, whose values may be more than text."""

_SOURCE_KEYS: Final = ("net_rate", "share", "torches", "kind", "area", "fuel", "oxygen_ratio")
_PROCEDURE_KEYS: Final = ("name", "minimum", "maximum", "qualified_by_test")
_CASE_NAMES: Final = ("parts", *(key.name for key in CASE_KEYS), "heat_source", "procedure", "accepted_by")

_MINIMUM_C: Final = cells.temperature_c(*PROCEDURE_MINIMUM_C)
_MAXIMUM_C: Final = cells.temperature_c(*PROCEDURE_MAXIMUM_C)
_NAME: Final = cells.text(60)
_AREA_M2: Final = cells.area_m2(*AREA_M2)

_POWER: Final = re.compile(r"([0-9][0-9,]*(?:\.[0-9]+)?)\s*(kw|w|kbtu/h(?:r|our)?|btu/h(?:r|our)?)", re.ASCII)
_THOUSANDS: Final = re.compile(r"[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]+)?", re.ASCII)
_PERCENT: Final = re.compile(r"([0-9]{1,3}(?:\.[0-9]{1,4})?)\s*%?\s*(?:to|-|\.\.)\s*([0-9]{1,3}(?:\.[0-9]{1,4})?)\s*%")
_ONE_PERCENT: Final = re.compile(r"([0-9]{1,3}(?:\.[0-9]{1,4})?)\s*%")
_FRACTION: Final = re.compile(r"0?\.[0-9]{1,6}")
_RATIO: Final = re.compile(r"[0-9](?:\.[0-9]{1,4})?")


def net_kw(text: str) -> float:
    """The net rate of one torch, or the rating of one heater [kW]: `45 kW`, `150,000 Btu/h`, within 0.5 to 300 kW.

    Raises:
        CellProblem: no unit, no such rate, or a gross one.
    """
    example = "45 kW or 150,000 Btu/h"
    if re.search(r"gross|hhv", text, re.IGNORECASE):
        raise CellProblem(f"{cells.shown(text)} is gross: state the NET rate (lower heating value), such as {example}")
    plain = re.sub(r"\s*\bnet\b\s*", " ", " ".join(text.casefold().split())).strip()
    found = _POWER.fullmatch(plain)
    if found is None:
        if re.fullmatch(r"[0-9][0-9.,]*", plain):
            raise CellProblem(f"{cells.shown(text)} has no unit; write {example}")
        raise CellProblem(f"{cells.shown(text)} is no heat rate; write {example}")
    number, unit = found.groups()
    if "," in number and not _THOUSANDS.fullmatch(number):
        raise CellProblem(f"{cells.shown(text)} has a comma that marks no thousands; write {example}")
    value = float(number.replace(",", ""))
    if unit == "w":
        kw = value / 1000.0
    elif unit == "kw":
        kw = value
    else:
        kw = kw_from_btu_h(value * (1000.0 if unit.startswith("k") else 1.0))
    low, high = NET_KW
    if not low <= kw <= high:
        limit = f"{low:g} kW to {high:g} kW"
        raise CellProblem(f"{cells.shown(text)} is {kw:.4g} kW, outside {limit} for one torch or heater", limit)
    return kw


def share_of(text: str) -> tuple[float, ...]:
    """The share of the heat that reaches the steel: `35 %` or `0.35` as one figure, `25 to 50 %` as two.

    Raises:
        CellProblem: no such share.
    """
    plain = " ".join(text.casefold().split())
    if both := _PERCENT.fullmatch(plain):
        shares: tuple[float, ...] = tuple(float(one) / 100.0 for one in both.groups())
    elif one := _ONE_PERCENT.fullmatch(plain):
        shares = (float(one[1]) / 100.0,)
    elif _FRACTION.fullmatch(plain):
        shares = (float(plain),)
    else:
        raise CellProblem(f"{cells.shown(text)} is no share; write 35 %, 0.35 or 25 to 50 %")
    low, high = SHARE
    limit = f"{_percent(low)} to {_percent(high)}"
    if not all(low <= share <= high for share in shares):
        raise CellProblem(f"{cells.shown(text)} lies outside {limit}", limit)
    if shares[0] > shares[-1]:
        raise CellProblem(f"{cells.shown(text)} runs from high to low")
    return shares


def _percent(share: float) -> str:
    return f"{100.0 * share:.3g} %"


# The file -------------------------------------------------------------------------------------------------------------


class JsonObject(dict[str, Any]):
    """A JSON object that remembers keys that stood in it twice."""

    twice: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _NoNumber:
    """NaN or an infinity, which JSON does not have."""

    text: str


def json_object(pairs: Sequence[tuple[str, Any]]) -> JsonObject:
    """An object from its keys and values; keys that come twice are remembered."""
    made = JsonObject(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        made.twice = tuple(name for name, times in Counter(names).items() if times > 1)
    return made


def read_cases(data: bytes, site: Site | None = None) -> list[ReadCase]:
    """Every case of a JSON file, in its order; a single object is a list of one.

    Args:
        data: JSON in UTF-8.
        site: whose table, units, heat sources, procedures, acceptances and choices hold; None: no site.

    Raises:
        CaseFileError: the file cannot be read at all.
    """
    if len(data) > MAX_BYTES:
        raise CaseFileError(f"The cases take {len(data):,} bytes, more than {MAX_BYTES:,}.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CaseFileError(f"Byte {error.start + 1} of the cases is not UTF-8.") from error
    if _depth(text) > MAX_DEPTH:
        raise CaseFileError(f"The cases hold brackets inside brackets more than {MAX_DEPTH} deep.")
    try:
        found = json.loads(text, object_pairs_hook=json_object, parse_constant=_NoNumber)
    except json.JSONDecodeError as error:
        raise CaseFileError(
            f"The cases are no JSON: line {error.lineno}, column {error.colno}: {error.msg}."
        ) from error
    except ValueError as error:  # a number of thousands of digits
        raise CaseFileError("The cases hold a number that is too long to be read.") from error
    entries = [found] if isinstance(found, dict) else found
    if not isinstance(entries, list):
        raise CaseFileError(f"Expected a case or a list of cases, found {_shown(found)}.")
    if not entries:
        raise CaseFileError("The list of cases is empty.")
    if len(entries) > MAX_CASES:
        raise CaseFileError(f"There are {len(entries):,} cases, more than {MAX_CASES} at a time.")
    return [read_case(entry, number, site) for number, entry in enumerate(entries, 1)]


def _depth(text: str) -> int:
    """The deepest nesting of brackets outside strings."""
    depth = deepest = 0
    for token in re.finditer(r'"(?:[^"\\]|\\.)*+(?:"|\\?\Z)|[\[{]|[\]}]', text, re.DOTALL):
        if token[0] in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif token[0] in "]}":
            depth -= 1
    return deepest


def _printable(text: str) -> str:
    """What can be shown and written: a message repeats what somebody typed."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


def _shown(value: object) -> str:
    """A value as a message repeats it."""
    if isinstance(value, str):
        return cells.shown(_printable(value))
    if isinstance(value, _NoNumber):
        return value.text
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a very large number"
    return str(value)


def read_case(entry: object, number: int, site: Site | None = None) -> ReadCase:
    """One case, or everything that is wrong with it."""
    reader = _Reader(site)
    case = reader.case(entry)
    name = reader.name
    if reader.problems:
        return ReadCase(number, name, None, tuple(reader.problems))
    return ReadCase(number, name, case)


class _Reader:
    """Reads one case, noting problems and the defaults it took."""

    def __init__(self, site: Site | None) -> None:
        self._site = site
        self.problems: list[CaseProblem] = []
        self._defaults: list[str] = []
        self.name = ""

    # What is there

    def _problem(self, field: str, value: object, message: str, limit: str = "") -> None:
        shown = "" if value is None else _shown(value).strip("'")
        self.problems.append(CaseProblem(_printable(field), shown, _printable(message), limit))

    def _object(self, value: object, field: str, known: Sequence[str]) -> Mapping[str, Any] | None:
        """An object whose keys are all known."""
        if not isinstance(value, dict):
            self._problem(field, value, f"{_shown(value)} where an object with the keys {', '.join(known)} is expected")
            return None
        before = f"{field}." if field else ""
        for key in [key for key in value if key not in known][:MAX_UNKNOWN]:
            meant = get_close_matches(key[:60], known, n=1, cutoff=0.65)
            hint = f"; is {meant[0]} meant" if meant else ""
            self._problem(before + key[:60], value[key], f"unknown key{hint}; known keys are {', '.join(known)}", "")
        for key in value.twice[:MAX_UNKNOWN] if isinstance(value, JsonObject) else ():
            self._problem(before + key[:60], None, "the key stands twice")
        return value

    def _text(self, value: object, field: str, how: str, plain: tuple[type, ...] = ()) -> str | None:
        """The text of a value; None where there is none, the problem being noted."""
        if isinstance(value, bool) and bool in plain:
            return "yes" if value else "no"
        if isinstance(value, int) and not isinstance(value, bool) and int in plain:
            value = str(value)
        if not isinstance(value, str):
            if isinstance(value, int | float | _NoNumber) and not isinstance(value, bool):
                self._problem(field, value, f"{_shown(value)} is a bare number; write it as text: {how}", how)
            else:
                self._problem(field, value, f"{_shown(value)} where text is expected: {how}", how)
            return None
        text = value.strip()
        if not text:
            self._problem(field, value, f"is empty; leave the key out, or write {how}", how)
            return None
        if len(text) > LONGEST_VALUE:
            limit = f"{LONGEST_VALUE} characters"
            self._problem(field, value, f"has {len(text)} characters, more than {LONGEST_VALUE}", limit)
            return None
        if not text.isprintable():
            strange = next(character for character in text if not character.isprintable())
            self._problem(field, value, f"holds a character that cannot be shown (U+{ord(strange):04X})")
            return None
        return text

    def _read(self, value: object, field: str, read: Reader, how: str, plain: tuple[type, ...] = ()) -> Any:
        """The value that a text stands for; None where it is not stated or, the problem being noted, not readable."""
        if value is None:
            return None
        text = self._text(value, field, how, plain)
        if text is None:
            return None
        try:
            return read(text)
        except CellProblem as problem:
            self._problem(field, value, problem.message, problem.limit)
        except ValueError as error:
            self._problem(field, value, str(error))
        return None

    def _values(self, given: Mapping[str, Any], keys: Sequence[Key], before: str = "") -> dict[str, Any]:
        return {
            key.name: self._read(given.get(key.name), before + key.name, key.read, key.how, key.plain) for key in keys
        }

    # The case

    def case(self, entry: object) -> Case | None:
        """The case; None where anything is wrong."""
        given = self._object(entry, "", _CASE_NAMES)
        if given is None:
            return None
        if isinstance(given.get("weld_metal"), dict):
            given = {**given, "weld_metal": self._composition_text(given["weld_metal"], "weld_metal")}
        values = self._values(given, CASE_KEYS)
        self.name = values["name"] or ""
        arrangement: Arrangement | None = values["arrangement"]
        parts = self._parts(given.get("parts"), arrangement)
        units = self._units(values["units"])
        table = self._table(values["table"])
        accepted = self._accepted(given.get("accepted_by"), table.id if table else "")
        procedure_name, procedure = self._procedure(given.get("procedure"))
        source, torches = self._heat_source(given.get("heat_source"), values["torches"])
        also = self._also_heated(values["also_heated"], given)
        process, electrode = values["process"], values["electrode"]
        if process not in ("SMAW", None) and electrode and cells.is_covered(electrode):
            self._problem(
                "electrode",
                given["electrode"],
                f"{cells.shown(electrode)} is a covered electrode, and the process is {process}: one of them is wrong",
            )
        if process == "SMAW" and electrode and not cells.is_covered(electrode):
            self._problem(
                "electrode",
                given["electrode"],
                f"{cells.shown(electrode)} is no covered electrode for SMAW; write for example E7018",
            )
        if values["surface"] is None:
            self._defaults.append("Surface taken as dry, and rain and snow as kept off: look.")
        if values["weld_length"] is not None:
            self._lengths(values, given, torches)
        if self.problems or table is None:
            return None
        length_mm = values["weld_length"]
        joint = Joint(
            mark=self.name,
            place="",
            parts=tuple(parts),
            process=process,
            electrode=electrode,
            hydrogen_ml=values["hydrogen"],
            procedure=procedure_name,
            weld_length_mm=math.nan if length_mm is None else length_mm,
            ends=values["weld_ends"] or "inside",
            start_utc=NO_START,
            hours=math.nan if values["hours"] is None else values["hours"],
            torches=torches,
            heated_length_mm=values["heated_length"],
            both_faces=bool(values["both_faces"]),
            heat_input_kj_mm=values["heat_input"],
            restraint=values["restraint"],
            weld_metal=values["weld_metal"],
            passes=values["passes"],
            fracture_critical=bool(values["fracture_critical"]),
            arrangement=arrangement,
            welded=bool(values["welded"]),
        )
        arranged = self._arranged(joint, given)
        if arranged is None:
            return None
        if length_mm is None and not math.isnan(arranged.weld_length_mm):
            self._defaults.append("Weld taken to be as long as the flange is wide, as no length is stated.")
            filled = f"{arranged.weld_length_mm:.4g} mm"
            self._lengths(values | {"weld_length": arranged.weld_length_mm}, {**given, "weld_length": filled}, torches)
        case = Case(
            joint=arranged,
            table=table,
            units=units,
            accepted=accepted,
            procedure=procedure,
            steel_c=values["steel_temperature"],
            air_c=values["weld_air_temperature"],
            wind_ms=values["weld_wind"],
            surface=values["surface"],
            source=source,
            defaults=tuple(self._defaults),
            also=also,
            measured_minutes=values["measured_minutes"],
        )
        return case if self._site is None else replace(case, choices=self._site.choices)

    def _arranged(self, joint: Joint, given: Mapping[str, Any]) -> Joint | None:
        """The joint as its arrangement completes it; None where they do not fit, the problems being noted."""
        stated = {"weld_ends"} if given.get("weld_ends") is not None else set()
        for n, part in enumerate(given["parts"], 1):
            stated |= {f"{name}_{n}" for name in ("kind", "sides") if part.get(name) is not None}
        try:
            return as_arranged(joint, stated)
        except ArrangementError as error:
            for fault in error.faults:
                if fault.part is None:
                    value = None if fault.field == "parts" else given.get(fault.field)
                    self._problem(fault.field, value, fault.message, fault.limit)
                else:
                    value = given["parts"][fault.part - 1].get(fault.field)
                    self._problem(f"parts[{fault.part}].{fault.field}", value, fault.message, fault.limit)
            return None

    def _lengths(self, values: Mapping[str, Any], given: Mapping[str, Any], torches: int) -> None:
        """How much of the weld is heated at a time, where that was left open."""
        if values["heated_length"] is None:
            most_mm = (600.0 if self._site is None else self._site.choices.segment_mm) * torches
            if values["weld_length"] > most_mm:
                self._defaults.append(
                    f"Heated in lengths of at most {most_mm:g} mm, one after the other, as no heated length is stated."
                )
        elif values["heated_length"] > values["weld_length"]:
            own, weld = cells.shown(str(given["heated_length"])), cells.shown(str(given["weld_length"]))
            self._problem(
                "heated_length", given["heated_length"], f"{own} is longer than the weld of {weld}", f"at most {weld}"
            )
        arrangement: Arrangement | None = values["arrangement"]
        if values["weld_ends"] is None and (arrangement is None or not CATALOGUE[arrangement].settles_ends):
            self._defaults.append("Weld taken to end inside the plate, with steel beyond both ends.")

    def _parts(self, value: object, arrangement: Arrangement | None) -> list[Part]:
        if not isinstance(value, list) or not value:
            what = "is missing" if value is None else f"{_shown(value)} where a list of parts is expected"
            if value == []:
                what = "the list is empty"
            self._problem("parts", value, f"{what}; a part is an object with steel and thickness")
            return []
        if len(value) > MAX_PARTS:
            self._problem("parts", value, f"there are {len(value)} parts, at most {MAX_PARTS}", f"at most {MAX_PARTS}")
            return []
        return [part for n, one in enumerate(value, 1) if (part := self._part(one, n, arrangement)) is not None]

    def _part(self, value: object, number: int, arrangement: Arrangement | None) -> Part | None:
        field = f"parts[{number}]"
        given = self._object(value, field, [key.name for key in PART_KEYS])
        if given is None:
            return None
        composition = given.get("composition")
        if isinstance(composition, dict):
            given = {**given, "composition": self._composition_text(composition, f"{field}.composition")}
        values = self._values(given, PART_KEYS, f"{field}.")
        thickness: Length | None = values["thickness"]
        if given.get("thickness") is None:
            self._problem(f"{field}.thickness", None, "is missing; write it with its unit, such as 1-1/2 in or 38 mm")
        if arrangement is not None:
            roles = CATALOGUE[arrangement].roles
            flat = values["kind"] in (None, "plate") and number <= len(roles) and roles[number - 1].kind == "plate"
            if flat and values["width"] is None:
                self._defaults.append(f"Part {number} taken as wide, as no width is stated.")
        elif values["kind"] in (None, "plate"):
            wide = "wide " if values["width"] is None else ""
            left_out = [name for name in ("kind", "width") if values[name] is None]
            if left_out:
                no = f"no {left_out[0]}" if len(left_out) == 1 else "neither kind nor width"
                self._defaults.append(f"Part {number} taken as a {wide}flat plate, as {no} is stated.")
        if thickness is None:
            return None
        return Part(
            steel=values["steel"],
            thickness_mm=thickness.mm,
            thickness_in=thickness.inch,
            kind=values["kind"] or "plate",
            reach_mm=values["width"],
            sides=values["sides"] or 1,
            composition=cast(Composition | None, values["composition"]),
            width_mm=values["flange_width"],
            web_mm=values["web"],
            web_depth_mm=values["web_depth"],
        )

    def _composition_text(self, given: Mapping[str, Any], field: str) -> str | None:
        """A composition that is written as an object, `{"C": "0.18 %"}`, as the text of a schedule."""
        shares = []
        for element, share in given.items():
            text = self._text(share, f"{field}.{element[:20]}", "share with its unit, such as 0.18 %")
            if text is not None and not text.endswith("%"):
                self._problem(f"{field}.{element[:20]}", share, f"{_shown(share)} has no unit; write 0.18 %")
            elif text is not None:
                shares.append(f"{element} {text}")
        return "; ".join(shares) or None

    def _units(self, stated: CodeUnits | None) -> CodeUnits:
        if stated is not None:
            return stated
        if self._site is not None:
            return self._site.code_units
        return "either"

    def _table(self, stated: str | None) -> Any:
        own = () if self._site is None else self._site.own_tables
        wanted = stated or (DEFAULT_TABLE if self._site is None else self._site.table_id)
        if stated is None:
            self._defaults.append(f"Rule table {wanted}" + (", the site's." if self._site else ", as none is stated."))
        try:
            return load_code_table(wanted, own)
        except TableError as error:
            self._problem("table", stated, str(error), ", ".join([*code_table_ids(), *(one.id for one in own)]))
            return None

    def _accepted(self, value: object, table_id: str) -> frozenset[str]:
        """Ids of the tables that somebody is named for having checked."""
        ids = set(self._site.accepted_ids) if self._site else set()
        if isinstance(value, dict):
            own = [] if self._site is None else [one.id for one in self._site.own_tables]
            given = self._object(value, "accepted_by", [*code_table_ids(), *HYDROGEN_CONTROLS, *own]) or {}
            ids |= {key for key, who in given.items() if self._read(who, f"accepted_by.{key[:60]}", _NAME, "a name")}
        elif self._read(value, "accepted_by", _NAME, "the name of who checked the table against the code") is not None:
            ids.add(table_id)
        return frozenset(ids)

    def _procedure(self, value: object) -> tuple[str | None, Procedure | None]:
        if value is None:
            return None, None
        if not isinstance(value, dict):
            name = self._read(value, "procedure", _NAME, "a name of the site's, or an object")
            found = None
            if name is not None and self._site is not None:
                found = next((p for p in self._site.procedures if p.name.casefold() == name.casefold()), None)
            return (found.name if found else name), found
        given = self._object(value, "procedure", _PROCEDURE_KEYS) or {}
        how = "temperature with unit, such as 225 F"
        name = self._read(given.get("name"), "procedure.name", _NAME, "text") or "stated with the case"
        minimum_c = self._read(given.get("minimum"), "procedure.minimum", _MINIMUM_C, how)
        maximum_c = self._read(given.get("maximum"), "procedure.maximum", _MAXIMUM_C, how)
        tested = self._read(
            given.get("qualified_by_test"), "procedure.qualified_by_test", cells.choice(_YES_NO), "yes | no", (bool,)
        )
        if minimum_c is not None and maximum_c is not None and minimum_c >= maximum_c:
            low, high = cells.shown(str(given["minimum"])), cells.shown(str(given["maximum"]))
            self._problem(
                "procedure.minimum", given["minimum"], f"{low} is not below the maximum {high}", f"below {high}"
            )
        return name, Procedure(name, minimum_c, maximum_c, bool(tested))

    def _heat_source(self, value: object, torches: int | None) -> tuple[HeatSource | None, int]:
        """The heat source, and how many torches burn at once."""
        if isinstance(value, dict):
            given = self._object(value, "heat_source", _SOURCE_KEYS) or {}
            own = self._read(
                given.get("torches"),
                "heat_source.torches",
                cells.whole(1, MOST_AT_ONCE),
                "whole number, 1 to 20",
                (int,),
            )
            if own is not None and torches is not None and own != torches:
                self._problem("torches", torches, f"{torches} here and {own} in heat_source: state one of them")
            return self._stated_source(given), self._torches(own or torches)
        name = self._read(value, "heat_source", _NAME, "a name, or an object with net_rate, share, torches")
        if name is None:
            return None, torches or 1
        return self._named_source(name, "heat_source"), self._torches(torches)

    def _also_heated(self, typed: Sequence[tuple[int, str]] | None, given: Mapping[str, Any]) -> tuple[Heaters, ...]:
        """What heats the joint beside its heat source."""
        if typed and given.get("heat_source") is None:
            self._problem(
                "also_heated", given["also_heated"], "the joint has no heat_source yet: state one of them there"
            )
        found = [(count, self._named_source(name, "also_heated")) for count, name in typed or ()]
        return tuple(Heaters(source, count) for count, source in found if source is not None)

    def _torches(self, stated: int | None) -> int:
        if stated is None:
            self._defaults.append("One torch or heater, as no number is stated.")
        return stated or 1

    def _named_source(self, name: str, field: str) -> HeatSource | None:
        def plain(text: str) -> str:
            return re.sub(r"[\s_-]+", "-", text.casefold())

        of_site = () if self._site is None else self._site.heat_sources
        found = next((one for one in of_site if plain(name) in (plain(one.id), plain(one.name))), None)
        if found is not None:
            return found
        library = [one.source for one in known_sources().values()]
        found = next((one for one in library if plain(name) in (plain(one.id), plain(one.name))), None)
        if found is None:
            known = ", ".join(one.id for one in (*of_site, *library))
            self._problem(field, name, f"{_shown(name)} is not known; known are {known}", known)
            return None
        rate = known_sources()[found.id].origin
        net = "" if found.electric else " net"
        self._defaults.append(f"{capital(found.name)}: {found.net_kw:g} kW{net}, {rate.basis}.")
        return found

    def _stated_source(self, given: Mapping[str, Any]) -> HeatSource | None:
        rate = self._read(given.get("net_rate"), "heat_source.net_rate", net_kw, "45 kW or 150,000 Btu/h")
        if given.get("net_rate") is None:
            self._problem("heat_source.net_rate", None, "is missing; write it with its unit: 45 kW or 150,000 Btu/h")
        kind: SourceKind = (
            self._read(given.get("kind"), "heat_source.kind", cells.choice(_SOURCE_KINDS), " | ".join(_SOURCE_KINDS))
            or "flame"
        )
        area_m2 = self._read(given.get("area"), "heat_source.area", _AREA_M2, "120 in2 or 0.08 m2")
        fuel: FuelName | None = self._read(
            given.get("fuel"), "heat_source.fuel", cells.choice(_FUELS), " | ".join(_FUELS)
        )
        if given.get("fuel") is None and kind == "flame":
            self._defaults.append("Fuel taken as propane, as none is stated.")
            fuel = "propane"
        ratio = self._oxygen_ratio(given.get("oxygen_ratio"))
        shares = self._read(given.get("share"), "heat_source.share", share_of, "35 %, 0.35 or 25 to 50 %")
        try:
            usual = usual_share(kind, fuel, ratio)
        except OutOfRange as error:
            key = "fuel" if kind != "flame" and fuel is not None else "oxygen_ratio"
            self._problem(f"heat_source.{key}", given.get(key), str(error))
            return None
        try:
            check_area(kind, NET_KW[0] if rate is None else rate, area_m2)
        except OutOfRange as error:
            self._problem("heat_source.area", given.get("area"), str(error))
            return None
        if shares is None:
            low, likely, high = usual.low, usual.likely, usual.high
            self._defaults.append(
                f"Share of the heat that reaches the steel taken as {_percent(likely)}, {_percent(low)} to "
                f"{_percent(high)} ({usual.origin.basis})."
            )
        elif len(shares) == 1:
            likely = shares[0]
            low = max(SHARE[0], likely * usual.low / usual.likely)
            high = min(SHARE[1], likely * usual.high / usual.likely)
            self._defaults.append(
                f"The stated share of {_percent(likely)} taken as likely, {_percent(low)} to {_percent(high)} around "
                f"it, in the proportion of the {'fuel' if kind == 'flame' else 'kind'}'s usual band."
            )
        else:
            low, high = shares
            likely = math.sqrt(low * high)
            band = f"{_percent(low)} to {_percent(high)}"
            self._defaults.append(f"Of the stated share of {band} the likely one taken as {_percent(likely)}.")
        if rate is None:
            return None
        return HeatSource(
            id="stated",
            name="heat source as stated",
            fuel=fuel,
            net_kw=rate,
            share_low=low,
            share_likely=likely,
            share_high=high,
            oxygen_ratio=ratio,
            kind=kind,
            area_m2=area_m2,
        )

    def _oxygen_ratio(self, value: object) -> float | None:
        how = "volumes of oxygen to one of fuel, such as 4, or 0 for an air torch"

        def read(text: str) -> float:
            if not _RATIO.fullmatch(text):
                raise CellProblem(f"{cells.shown(text)} is no ratio; write {how}", "0 to 5")
            return float(text)

        if isinstance(value, float) and math.isfinite(value):
            value = f"{value:g}"
        ratio: float | None = self._read(value, "heat_source.oxygen_ratio", read, how, (int,))
        return ratio
