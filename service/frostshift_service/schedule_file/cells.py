"""Reading one cell of a schedule: what was typed to a value in SI.

Every reader takes the text of a cell that is not empty and returns a value, or raises `CellProblem` with a sentence
that names the value and, where there is one, the limit. A number that needs a unit and has none is refused: nothing
here guesses.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Final, TypeVar
from zoneinfo import ZoneInfo

from frostshift_rules import units
from frostshift_rules.composition import ELEMENTS, RESTRAINTS, Composition, Restraint
from frostshift_rules.job import PROCESSES, Process
from frostshift_rules.steel_names import canonical_steel

T = TypeVar("T")

SHOWN_CHARACTERS: Final = 40
"""A longer value is cut where a message repeats it."""


class CellProblem(ValueError):
    """A cell that cannot be read: `message` for people, `limit` where a limit was passed, else empty."""

    def __init__(self, message: str, limit: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.limit = limit


def shown(text: str) -> str:
    """The value as a message repeats it, in quotes and cut where it is long."""
    return f"'{text}'" if len(text) <= SHOWN_CHARACTERS else f"'{text[:SHOWN_CHARACTERS]}...'"


# --- free text ---


def text(longest: int) -> Callable[[str], str]:
    """A reader of free text of at most `longest` printable characters."""

    def read(cell: str) -> str:
        if len(cell) > longest:
            raise CellProblem(f"{shown(cell)} has {len(cell)} characters, more than {longest}", f"{longest} characters")
        if not cell.isprintable():
            strange = next(character for character in cell if not character.isprintable())
            raise CellProblem(f"holds a character that cannot be shown (U+{ord(strange):04X}); type it again")
        return cell

    return read


def choice(spellings: Mapping[str, T]) -> Callable[[str], T]:
    """A reader of one of a few words; capitals do not matter, spaces, underscores and hyphens are alike."""

    def read(cell: str) -> T:
        word = re.sub(r"[\s_-]+", " ", cell.casefold()).strip()
        if word not in spellings:
            raise CellProblem(f"{shown(cell)} is not one of: {', '.join(spellings)}", " | ".join(spellings))
        return spellings[word]

    return read


_COUNTED: Final = re.compile(r"([0-9]{1,3})(?:\s*[x×*]\s+|\s+)(\S.*)", re.IGNORECASE)
_COUNTED_EXAMPLE: Final = "4 pad, 1 rosebud"


def counted(most: int, longest: int, kinds: int = 4) -> Callable[[str], tuple[tuple[int, str], ...]]:
    """A reader of numbers of named things such as `4 pad, 1 rosebud`: each number 1 to `most`, names once each."""
    limit = f"1 to {most}"

    def read(cell: str) -> tuple[tuple[int, str], ...]:
        found: list[tuple[int, str]] = []
        for piece in re.split(r"[,;]", cell):
            match = _COUNTED.fullmatch(piece.strip())
            if match is None:
                raise CellProblem(
                    f"{shown(cell)} cannot be read at {shown(piece.strip())}; write a number and a name for each, such "
                    f"as {_COUNTED_EXAMPLE}"
                )
            number, name = int(match[1]), text(longest)(match[2])
            _within(number, 1, most, cell, f"has {number} of {shown(name)},", limit)
            if any(name.casefold() == other.casefold() for _, other in found):
                raise CellProblem(f"{shown(cell)} has {shown(name)} twice")
            found.append((number, name))
        if len(found) > kinds:
            raise CellProblem(f"{shown(cell)} has {len(found)} names, more than {kinds}", f"{kinds} names")
        return tuple(found)

    return read


def marks(longest: int, most: int) -> Callable[[str], tuple[str, ...]]:
    """A reader of marks with semicolons between them, at most `most`, once each. A mark may hold a comma."""

    def read(cell: str) -> tuple[str, ...]:
        found = tuple(text(longest)(piece.strip()) for piece in cell.split(";") if piece.strip())
        folded = [mark.casefold() for mark in found]
        twice = next((mark for mark in found if folded.count(mark.casefold()) > 1), None)
        if twice is not None:
            raise CellProblem(f"{shown(cell)} has {shown(twice)} twice")
        if not 1 <= len(found) <= most:
            raise CellProblem(f"{shown(cell)} has {len(found)} marks, outside 1 to {most}", f"1 to {most} marks")
        return found

    return read


# --- numbers ---

_NUMBER: Final = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_INCHES: Final = rf"(?:(?:[0-9]+(?:\s*-\s*|\s+))?[0-9]+\s*/\s*[0-9]+|{_NUMBER})"
_INCH: Final = r"(?:inches|inch|in\.?|\"|'')"
_FOOT: Final = r"(?:feet|foot|ft\.?|')"
_METRIC_MM: Final[Mapping[str, int]] = {"mm": 1, "cm": 10, "m": 1000}
_METRIC_WORD: Final = r"(?:(?P<milli>mm|millimet(?:er|re)s?)|(?P<centi>cm|centimet(?:er|re)s?)|m|met(?:er|re)s?)"
_METRIC: Final = re.compile(rf"(?P<sign>-?)\s*(?P<number>{_NUMBER})\s*{_METRIC_WORD}")
_FEET_INCHES: Final = re.compile(
    rf"(?P<sign>-?)\s*(?:(?P<feet>{_NUMBER})\s*{_FOOT})?(?:\s*-)?\s*(?:(?P<inches>{_INCHES})\s*{_INCH})?"
)
_BARE: Final = re.compile(rf"-?\s*{_INCHES}")
_COMMA: Final = re.compile(r"[0-9],[0-9]")
_ISO_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_DENOMINATORS: Final = (2, 4, 8, 16, 32, 64)
_VULGAR: Final = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_MARKS: Final = str.maketrans(
    {"″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "‘": "'", "−": "-", "–": "-", "⁄": "/", "º": "°"}
    | {sign: f" {fraction}" for sign, fraction in _VULGAR.items()}
)


def _plain(cell: str) -> str:
    """The cell with the many spellings of quotes, minus signs, fractions and spaces made one."""
    return " ".join(cell.translate(_MARKS).casefold().split())


def _no_comma(cell: str) -> None:
    if _COMMA.search(cell):
        raise CellProblem(f"{shown(cell)} has a comma; write decimals with a point and thousands without a mark")


def _within(value: float, low: float, high: float, cell: str, said: str, limit: str) -> float:
    if not low <= value <= high:
        raise CellProblem(f"{shown(cell)} {said} outside {limit}", limit)
    return value


def _inches(typed: str) -> Fraction:
    """`1-1/2`, `1 1/2`, `3/4` or `1.5` as a number of inches."""
    if "/" not in typed:
        return Fraction(typed)
    *whole, numerator, denominator = (int(number) for number in re.findall("[0-9]+", typed))
    if denominator not in _DENOMINATORS:
        raise CellProblem(f"'{typed}' is no inch fraction: the lower number has to be one of 2, 4, 8, 16, 32, 64")
    if numerator >= denominator:
        raise CellProblem(f"'{typed}' is no proper fraction; write for example 1-1/2 in")
    return sum(whole) + Fraction(numerator, denominator)


def _feet_inches(match: re.Match[str], cell: str) -> Fraction:
    feet, inches = match["feet"], match["inches"]
    if feet is None:
        return _inches(inches)
    if inches is None:
        return Fraction(feet) * 12
    rest = _inches(inches)
    if "." in feet or rest >= 12:
        raise CellProblem(f"{shown(cell)} is not feet and inches: whole feet and less than 12 in are expected")
    return Fraction(feet) * 12 + rest


@dataclass(frozen=True, slots=True)
class Length:
    """A length in mm, and in inches where feet or inches were typed."""

    mm: float
    inch: float | None = None


def read_length(cell: str, example: str = "38 mm or 1-1/2 in") -> Length:
    """A length with its unit: `38 mm`, `60 cm`, `0.6 m`, `1-1/2 in`, `3/4"`, `2'-6"`, `2 ft 6 in`.

    Raises:
        CellProblem: no unit, or no length; `example` says how to write it.
    """
    plain = _plain(cell)
    _no_comma(cell)
    if metric := _METRIC.fullmatch(plain):
        unit = "mm" if metric["milli"] else "cm" if metric["centi"] else "m"
        mm = float(Fraction(metric["sign"] + metric["number"]) * _METRIC_MM[unit])
        return Length(mm)
    inches = _FEET_INCHES.fullmatch(plain)
    if inches and (inches["feet"] or inches["inches"]):
        inch = float(_feet_inches(inches, cell)) * (-1.0 if inches["sign"] else 1.0)
        return Length(units.mm_from_in(inch), inch)
    if _BARE.fullmatch(plain):
        raise CellProblem(f"{shown(cell)} has no unit; write {example}")
    if _ISO_DAY.match(plain):
        raise CellProblem(
            f"{shown(cell)} is a date: the workbook took what was typed for one; format the column as text and write "
            f"{example}"
        )
    raise CellProblem(f"{shown(cell)} is not a length; write {example}")


def _mm(mm: float) -> str:
    return f"{mm / 1000.0:g} m" if abs(mm) >= 1000.0 else f"{mm:g} mm"


def length(low_mm: float, high_mm: float, example: str) -> Callable[[str], Length]:
    """A reader of lengths within `low_mm` to `high_mm`, both included."""
    limit = f"{_mm(low_mm)} to {_mm(high_mm)}"

    def read(cell: str) -> Length:
        found = read_length(cell, example)
        _within(found.mm, low_mm, high_mm, cell, f"is {_mm(found.mm)},", limit)
        return found

    return read


def length_mm(low_mm: float, high_mm: float, example: str) -> Callable[[str], float]:
    """As `length`, in mm alone."""
    read = length(low_mm, high_mm, example)
    return lambda cell: read(cell).mm


def _with_unit(pattern: re.Pattern[str], cell: str, what: str, example: str) -> re.Match[str]:
    _no_comma(cell)
    plain = _plain(cell)
    if found := pattern.fullmatch(plain):
        return found
    if re.fullmatch(rf"-?\s*{_NUMBER}(?:\s*°)?", plain):
        raise CellProblem(f"{shown(cell)} has no unit; write {example}")
    raise CellProblem(f"{shown(cell)} is not a {what}; write {example}")


_TEMPERATURE: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(?:°|deg\.?)?\s*([cf])")


def temperature_c(low_c: float, high_c: float) -> Callable[[str], float]:
    """A reader of temperatures such as `40 F` or `5 °C`, within `low_c` to `high_c` [°C]."""
    limit = f"{low_c:g} °C to {high_c:g} °C"

    def read(cell: str) -> float:
        sign, number, unit = _with_unit(_TEMPERATURE, cell, "temperature", "40 F or 5 C").groups()
        value = float(sign + number)
        celsius = value if unit == "c" else units.c_from_f(value)
        return _within(celsius, low_c, high_c, cell, f"is {celsius:.4g} °C,", limit)

    return read


_SPEED: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(mph|m/s|km/h|kmh|kph)")


def speed_ms(low_ms: float, high_ms: float) -> Callable[[str], float]:
    """A reader of wind speeds such as `5 mph`, `2.2 m/s` or `8 km/h`, within `low_ms` to `high_ms` [m/s]."""
    limit = f"{low_ms:g} m/s to {high_ms:g} m/s"

    def read(cell: str) -> float:
        sign, number, unit = _with_unit(_SPEED, cell, "wind speed", "5 mph, 2.2 m/s or 8 km/h").groups()
        value = float(sign + number)
        if unit == "mph":
            value = units.ms_from_mph(value)
        elif unit != "m/s":
            value = units.ms_from_kmh(value)
        return _within(value, low_ms, high_ms, cell, f"is {value:.4g} m/s,", limit)

    return read


_AREA: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(m2|m²|cm2|cm²|in2|in²|sq\.? ?in\.?|ft2|ft²|sq\.? ?ft\.?)")


def area_m2(low_m2: float, high_m2: float) -> Callable[[str], float]:
    """A reader of areas such as `120 in2`, `0.08 m2` or `800 cm2`, within `low_m2` to `high_m2` [m2]."""
    limit = f"{low_m2:g} m2 to {high_m2:g} m2"

    def read(cell: str) -> float:
        sign, number, unit = _with_unit(_AREA, cell, "area", "120 in2 or 0.08 m2").groups()
        value = float(sign + number)
        if unit.startswith("cm"):
            value /= 1e4
        elif "in" in unit:
            value *= (units.mm_from_in(1.0) / 1000.0) ** 2
        elif "f" in unit:
            value *= (units.mm_from_in(12.0) / 1000.0) ** 2
        return _within(value, low_m2, high_m2, cell, f"is {value:.4g} m2,", limit)

    return read


_MINUTES: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(s|sec|seconds?|min|minutes?|h|hrs?|hours?)")


def minutes(low: float, high: float) -> Callable[[str], float]:
    """A reader of times such as `14 min`, `0.5 h` or `90 s`, within `low` to `high` [min]."""
    limit = f"{low:g} min to {high:g} min"

    def read(cell: str) -> float:
        sign, number, unit = _with_unit(_MINUTES, cell, "time", "14 min or 0.5 h").groups()
        value = float(sign + number) * {"s": 1.0 / 60.0, "m": 1.0, "h": 60.0}[unit[0]]
        return _within(value, low, high, cell, f"is {value:.4g} min,", limit)

    return read


_HOURS: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(?:h|hrs?|hours?)?")


def hours(low: float, high: float) -> Callable[[str], float]:
    """A reader of a number of hours, such as `8` or `2.5 h`, within `low` to `high`."""
    limit = f"{low:g} to {high:g} hours"

    def read(cell: str) -> float:
        _no_comma(cell)
        found = _HOURS.fullmatch(_plain(cell))
        if found is None:
            raise CellProblem(f"{shown(cell)} is not a number of hours; write for example 2.5")
        value = float(found[1] + found[2])
        return _within(value, low, high, cell, f"is {value:g} hours,", limit)

    return read


def whole(low: int, high: int) -> Callable[[str], int]:
    """A reader of a whole number within `low` to `high`."""
    limit = f"{low} to {high}"

    def read(cell: str) -> int:
        if not re.fullmatch("-?[0-9]{1,9}", _plain(cell)):
            raise CellProblem(f"{shown(cell)} is not a whole number from {limit}", limit)
        value = int(_plain(cell))
        _within(value, low, high, cell, "is", limit)
        return value

    return read


# --- words of the trade ---

_HYDROGEN_CLASSES: Final = (4, 5, 8, 10, 15, 16)
_HYDROGEN_LEVELS: Final = (1, 2, 3)
_HYDROGEN: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*(?:ml\s*/\s*100\s*g)?")
_HYDROGEN_LIMIT: Final = "0.5 to 30 mL/100 g"


def hydrogen_ml(cell: str) -> float:
    """Diffusible hydrogen [mL/100 g]: a class such as `H8` (at most 8), or a number.

    The classes are the designators of AWS A5.1 (H4, H8, H16) and ISO 2560 (H5, H10, H15), from memory. H2 is refused:
    it is at most 2 mL/100 g to a wire and below 10 mL/100 g to the hydrogen-control method of AWS D1.1.
    """
    _no_comma(cell)
    plain = _plain(cell)
    if named := re.fullmatch("h ?([0-9]{1,2})", plain):
        if int(named[1]) in _HYDROGEN_CLASSES:
            return float(named[1])
        known = ", ".join(f"H{number}" for number in _HYDROGEN_CLASSES)
        if int(named[1]) in _HYDROGEN_LEVELS:
            raise CellProblem(
                f"{shown(cell)} may be a level of hydrogen control or a class of consumable; write the number, for "
                "example 2 mL/100 g",
                known,
            )
        raise CellProblem(f"{shown(cell)} is no hydrogen class; known are {known}", known)
    found = _HYDROGEN.fullmatch(plain)
    if found is None:
        raise CellProblem(f"{shown(cell)} is no hydrogen class or number; write H4, H8 or for example 5 mL/100 g")
    value = float(found[1] + found[2])
    return _within(value, 0.5, 30.0, cell, f"is {value:g} mL/100 g,", _HYDROGEN_LIMIT)


def process(cell: str) -> Process:
    """One of the welding processes; capitals do not matter."""
    name = re.sub(r"[\s_-]+", "-", cell.strip().upper())
    if name == "FCAW":
        raise CellProblem(f"{shown(cell)} does not say which: write FCAW-S (self-shielded) or FCAW-G (gas-shielded)")
    for known in PROCESSES:
        if name.replace("-", "") == known.replace("-", ""):
            return known
    raise CellProblem(f"{shown(cell)} is not one of: {', '.join(PROCESSES)}", " | ".join(PROCESSES))


_STICK: Final = re.compile(
    r"E ?(?P<class>[0-9]{4,5})(?P<military>M?)(?:-(?P<suffix>1|(?!H[0-9])[A-Z]{1,2}[0-9]{0,2}[A-Z]?))?"
    r"(?:[ -]?H(?P<hydrogen>[0-9]{1,2}))?(?P<dry>R?)"
)
_STICK_ISO: Final = re.compile("E ?(?:35|38|42|46|50|55|62|69|79|89) [A-Z0-9 .]{1,30}")
_OTHER_CONSUMABLE: Final = re.compile(r"(?:E|ER|EC|EM|EH|EL|R|F|T|G|S)[ -]?[0-9][A-Z0-9 ./-]{1,30}")


def electrode(cell: str) -> str:
    """The classification of an electrode: `E7018`, `E7018-1 H4R`, `E6010`, and for other processes such as `E71T-8`.

    The form of a covered electrode is that of AWS A5.1 and A5.5 (from memory): E, strength and position in four or five
    digits, suffix, hydrogen designator. One spelling is returned.
    """
    tidy = " ".join(cell.upper().split())
    if found := _STICK.fullmatch(tidy):
        suffix = f"-{found['suffix']}" if found["suffix"] else ""
        hydrogen = f" H{found['hydrogen']}" if found["hydrogen"] else ""
        return f"E{found['class']}{found['military']}{suffix}{hydrogen}{found['dry']}"
    if _OTHER_CONSUMABLE.fullmatch(tidy):
        return tidy
    raise CellProblem(f"{shown(cell)} is no electrode classification; write for example E7018, E7018-1 H4R or E71T-8")


def is_covered(classification: str) -> bool:
    """Whether a classification as `electrode` returns it has the form of a covered electrode (AWS, or ISO 2560-A)."""
    return bool(_STICK.fullmatch(classification) or _STICK_ISO.fullmatch(classification))


def steel(cell: str) -> str:
    """The canonical designation of a steel."""
    try:
        return canonical_steel(cell)
    except ValueError:
        raise CellProblem(
            f"{shown(cell)} cannot be read as a steel; write specification and grade, for example A572-50"
        ) from None


# --- what methods that go by composition ask for ---

_PERCENT_LIMITS: Final = (0.0, 5.0)
_PERCENT_LIMIT: Final = f"{_PERCENT_LIMITS[0]:g} % to {_PERCENT_LIMITS[1]:g} %"
_COMPOSITION_EXAMPLE: Final = "C 0.18 Mn 1.40 Si 0.25"
_KNOWN_ELEMENTS: Final = {element.casefold(): element for element in ELEMENTS}
_SHARE: Final = re.compile(rf"([A-Za-z]+)\s*[=:]?\s*(-?\s*{_NUMBER})(?:\s*%)?")
_BETWEEN: Final = re.compile(r"\s*[,;]\s*|\s+|$")


_OTHER_ELEMENTS: Final = frozenset({"p", "s", "al", "n", "ca", "sn", "as", "zr"})


def composition(cell: str) -> Composition:
    """Mass shares [%] such as `C 0.18 Mn 1.40 Si 0.25`, in any order; `=`, `%`, `,` and `;` may stand between.

    An element that is not named is not stated, which is not 0. Elements that certificates list and no formula here uses
    are passed over.
    """
    _no_comma(cell)
    typed = cell.translate(_MARKS).strip()
    shares: dict[str, float] = {}
    at = 0
    while at < len(typed):
        share = _SHARE.match(typed, at)
        between = _BETWEEN.match(typed, share.end()) if share else None
        if share is None or between is None:
            raise CellProblem(f"{shown(cell)} cannot be read at {shown(typed[at:])}; write {_COMPOSITION_EXAMPLE}")
        name, number = share.groups()
        element = _KNOWN_ELEMENTS.get(name.casefold())
        if element is None and name.casefold() in _OTHER_ELEMENTS:
            at = between.end()
            continue
        if element is None:
            known = ", ".join(ELEMENTS)
            raise CellProblem(f"{shown(cell)} has '{name}', which is no element that is read: {known}", known)
        if element.lower() in shares:
            raise CellProblem(f"{shown(cell)} has {element} twice")
        value = float(number.replace(" ", ""))
        _within(value, *_PERCENT_LIMITS, cell, f"has {element} {value:g} %,", _PERCENT_LIMIT)
        shares[element.lower()] = value
        at = between.end()
    return Composition(**shares)


_HEAT_INPUT: Final = re.compile(rf"(-?)\s*({_NUMBER})\s*kj\s*/\s*(mm|in(?:ch)?\.?)")


def read_heat_input(cell: str) -> float:
    """A heat input with its unit [kJ/mm], without limits."""
    sign, number, unit = _with_unit(_HEAT_INPUT, cell, "heat input", "1.5 kJ/mm or 40 kJ/in").groups()
    value = float(sign + number)
    return value if unit == "mm" else value / units.mm_from_in(1.0)


def heat_input_kj_mm(cell: str) -> float:
    """Arc energy times thermal efficiency [kJ/mm]: `1.5 kJ/mm` or `40 kJ/in`, within 0.1 to 10 kJ/mm."""
    value = read_heat_input(cell)
    return _within(value, 0.1, 10.0, cell, f"is {value:.4g} kJ/mm,", "0.1 kJ/mm to 10 kJ/mm")


_RESTRAINTS: Final[Mapping[str, Restraint]] = {name: name for name in RESTRAINTS}


def restraint(cell: str) -> Restraint:
    """How free the parts are to move: `low`, `medium` or `high`."""
    return choice(_RESTRAINTS)(cell)


# --- times ---

_START: Final = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[ T]([0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?) ?(Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_START_EXAMPLE: Final = "write it as 2026-11-26 07:30"
_FIRST_YEAR: Final = 2000
_LAST_YEAR: Final = 2100


@dataclass(frozen=True, slots=True)
class WallTime:
    """What was typed: a wall-clock time, and the offset from UTC where one was typed too."""

    wall: datetime
    offset: timedelta | None


def start(cell: str) -> WallTime:
    """A local date and time in ISO form, `2026-11-26 07:30`; an offset such as `-06:00` may follow."""
    tidy = " ".join(cell.translate(_MARKS).split())
    if re.fullmatch(r"[0-9]{1,2}[/.][0-9]{1,2}[/.][0-9]{2,4}.*", tidy):
        raise CellProblem(f"{shown(cell)} may be read as day/month or month/day; {_START_EXAMPLE} (year-month-day)")
    if _ISO_DAY.fullmatch(tidy):
        raise CellProblem(f"{shown(cell)} has no time of day; {_START_EXAMPLE}, midnight as text: {tidy} 00:00")
    found = _START.fullmatch(tidy)
    if found is None:
        raise CellProblem(f"{shown(cell)} is not a date and time; {_START_EXAMPLE}")
    day, clock, offset = found.groups()
    try:
        typed = datetime.fromisoformat(f"{day} {clock:0>5}" if len(clock) < 6 else f"{day} {clock:0>8}")
        shift = datetime.fromisoformat(f"2000-01-01T00:00{offset}").utcoffset() if offset else None
    except ValueError:
        raise CellProblem(f"{shown(cell)} is a date or time that does not exist; {_START_EXAMPLE}") from None
    limit = f"{_FIRST_YEAR} to {_LAST_YEAR}"
    _within(typed.year, _FIRST_YEAR, _LAST_YEAR, cell, "has a year", limit)
    return WallTime(typed, shift)


def utc_at(typed: WallTime, zone: ZoneInfo) -> tuple[datetime, str]:
    """The UTC time of a wall-clock time in `zone`, and a warning where that time occurs twice (else empty).

    On the night the clocks go back an hour occurs twice: the first one is taken, and the warning says how to write the
    second.

    Raises:
        CellProblem: the clocks jump over that time, or the offset typed is not the zone's at that time.
    """
    first, second = (typed.wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    offset, later_offset = (moment.isoformat(timespec="seconds")[19:] for moment in (first, second))
    said = f"{typed.wall:%Y-%m-%d %H:%M}"
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != typed.wall:
        raise CellProblem(f"'{said}' does not exist: the clocks go forward over it in {zone.key}")
    if typed.offset is not None:
        for candidate in (first, second):
            if candidate.utcoffset() == typed.offset:
                return candidate.astimezone(UTC), ""
        raise CellProblem(f"'{said}' has another offset from UTC than {zone.key} has then ({offset}); leave it out")
    if first.utcoffset() == second.utcoffset():
        return first.astimezone(UTC), ""
    return first.astimezone(UTC), (
        f"'{said}' occurs twice, as the clocks go back in {zone.key}: the first one was taken ({offset}); "
        f"write {said}{later_offset} for the second"
    )
