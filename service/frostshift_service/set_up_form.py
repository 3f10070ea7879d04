"""Settings as forms: fields that have the keys of the settings' file, what was typed to them, and every error by field.

What is typed becomes the part of the file that it stands for, and the file's own strict reader has the last word, so
that pages and files have one set of limits. A field that the reader refuses is put back to what was there and the rest
is read again, until nothing new is wrong.

The settings are in SI; a form shows and takes figures in the units of whoever reads it (`in_units`), with the unit
beside the field. What is sent as it was shown stays to the last digit.
"""

from __future__ import annotations

import copy
import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final, Literal, TypeVar, get_args

from frostshift_rules.strict import Outside, TableError
from frostshift_rules.units import MEASURES, System, from_si, to_si, unit_in
from frostshift_service.schedule_file import cells, writers

T = TypeVar("T")
Control = Literal[
    "text", "number", "whole", "choice", "flag", "time", "days", "many", "list", "dates", "temperature", "length",
    "secret",
]  # fmt: skip
Typed = Mapping[str, Sequence[str]]
"""What a form sent: name -> what was typed, all boxes that were ticked of a field with several."""
Entry = dict[str, Any]
"""A part of a settings file, as TOML reads it."""

DAY_NAMES: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MOST_LETTERS: Final = 2000
PLACE: Final = "form"
"""What the strict reader calls the file that a form stands for."""
LONGEST_SENTENCE: Final = 300
_NUMBER: Final = re.compile(r"[+-]?[0-9]{1,9}(\.[0-9]{1,12})?")
_WITH_UNIT: Final = re.compile(r"(?P<number>.*[0-9.])\s*(?P<unit>[^0-9.]+[23]?)")
_METRIC: Final = re.compile(r"[0-9]\s*(°?\s*c|mm|cm|m)", re.IGNORECASE)
_FIGURE: Final = r"-?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?"
_WHOLE: Final = re.compile(r"[+-]?[0-9]{1,9}")
_ANY_C: Final = cells.temperature_c(-300.0, 5000.0)
_ANY_MM: Final = cells.length_mm(-1e6, 1e6, "20 mm or 3/4 in")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form.

    Attributes:
        key: of the settings' file, with its section before a dot where it stands in one.
        label: what people call it.
        hint: what it means, and what happens where it stays empty; `{75}` is a figure in the unit of the settings.
        control: how it is typed.
        options: value and words of a choice, or of boxes to tick.
        suggestions: values offered while one types, any other may be typed too.
        needed: it may not stay empty.
        start: what a new one begins with.
        unit: said behind the label; the settings hold it in this one.
        fixed: it can be typed for a new one only.
        same: its unit is the same in every system.
        system: whose units it is shown and typed in.
    """

    key: str
    label: str
    hint: str = ""
    control: Control = "text"
    options: tuple[tuple[str, str], ...] = ()
    suggestions: tuple[str, ...] = ()
    needed: bool = False
    start: Any = None
    unit: str = ""
    fixed: bool = False
    same: bool = False
    system: System = "si"

    @property
    def si_unit(self) -> str:
        """The unit that the settings hold it in; empty where it has none."""
        return self.unit or {"temperature": "°C", "length": "mm"}.get(self.control, "")

    @property
    def shown_unit(self) -> str:
        """The unit that it is shown in."""
        return unit_in(self.si_unit, self.system)

    def figure(self, value: float, digits: int = 6) -> str:
        """A value of the settings as a number in the unit that it is shown in."""
        if self.si_unit not in MEASURES:
            return writers.number(value)
        return writers.number(float(f"{round(from_si(value, self.si_unit, self.system), 9):.{digits}g}"))

    def limit(self, value: float, toward: Literal["up", "down"]) -> str:
        """A limit in the unit that it is shown in, rounded to its inner side, so that it can be typed itself."""
        shown = from_si(value, self.si_unit, self.system)
        if shown == value or not shown:
            return f"{shown:g}"
        scale = 10.0 ** (4 - math.floor(math.log10(abs(shown))))
        step = 1 if toward == "up" else -1
        whole = math.floor(shown * scale) - step
        while (to_si(whole / scale, self.si_unit, self.system) - value) * step < 0.0:
            whole += step
        return writers.number(round(whole / scale, 9))


def in_units(fields: Iterable[Field], system: System) -> tuple[Field, ...]:
    """The fields for a reader of a system of units, figures of their hints among them."""
    found = []
    for field in fields:
        own = replace(field, system="si" if field.same else system)
        said = re.sub(
            rf"\{{({_FIGURE})\}} to \{{({_FIGURE})\}}",
            lambda range_, own=own: f"{own.limit(float(range_[1]), 'up')} to {own.limit(float(range_[2]), 'down')}",  # type: ignore[misc]
            own.hint,
        )
        said = re.sub(rf"\{{({_FIGURE})\}}", lambda figure, own=own: own.figure(float(figure[1]), 4), said)  # type: ignore[misc]
        found.append(replace(own, hint=said))
    return tuple(found)


def as_typed(fields: Iterable[Field], typed: Typed) -> tuple[Field, ...]:
    """The fields, each in the system of the unit that was typed to it, where one was."""
    return tuple(replace(one, system=_system_of(one, typed.get(one.key, ()))) for one in fields)


def _system_of(field: Field, sent: Sequence[str]) -> System:
    text = sent[0].strip() if sent else ""
    if field.control in ("temperature", "length"):
        found = re.search(r"[a-z'\"]", text, re.IGNORECASE)
        return field.system if found is None else "si" if _METRIC.search(text) else "us"
    split = _WITH_UNIT.fullmatch(text) if field.control == "number" and field.unit in MEASURES else None
    if split is not None:
        systems: tuple[System, ...] = get_args(System)
        for system in systems:
            if _plain_unit(split["unit"]) == _plain_unit(unit_in(field.unit, system)):
                return system
    return field.system


def _plain_unit(unit: str) -> str:
    return unit.translate(str.maketrans("²³", "23", "° ")).casefold()


@dataclass(frozen=True, slots=True)
class FormField:
    """One field as a page shows it.

    Attributes:
        name: sent by the form; `label`, `hint`, `control`, `options`, `suggestions`, `needed`, `unit` as in `Field`.
        value: as typed, or as it stands in the settings.
        ticked: of boxes and days.
        problem: a sentence, or empty.
        now: what stands in the settings, where somebody else changed it meanwhile; else empty.
    """

    name: str
    label: str
    hint: str
    control: Control
    options: tuple[tuple[str, str], ...]
    suggestions: tuple[str, ...]
    needed: bool
    unit: str
    value: str
    ticked: tuple[str, ...]
    problem: str
    now: str


class NotTaken(ValueError):
    """What was typed cannot be taken in; `problems` is field -> sentence, the empty name for all of the form."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        self.problems = dict(problems)
        super().__init__("; ".join(f"{name}: {text}" for name, text in self.problems.items()))


# Parts of an entry ----------------------------------------------------------------------------------------------------


def value_at(entry: Mapping[str, Any], key: str) -> Any:
    """The value of a key, which may name the section it stands in; None where there is none."""
    found: Any = entry
    for name in key.split("."):
        found = found.get(name) if isinstance(found, Mapping) else None
    return found


def put(entry: Entry, key: str, value: Any) -> None:
    """Set a key of an entry in place; None takes it out, and its section where nothing else stands in it."""
    section, _, name = key.rpartition(".")
    if not section:
        if value is None:
            entry.pop(name, None)
        else:
            entry[name] = value
        return
    inner = entry.setdefault(section, {})
    put(inner, name, value)
    if not inner:
        del entry[section]


def mark_of(part: Any) -> str:
    """A short text that differs where a part of the settings differs; a form carries it."""
    plain = json.dumps(part, sort_keys=True, default=str)
    return hashlib.sha256(plain.encode()).hexdigest()[:16]


# From settings to what a page shows -----------------------------------------------------------------------------------


def _there(field: Field, entry: Mapping[str, Any] | None) -> Any:
    """The value of a field; what is left out of the settings, or is new, has what the field starts with."""
    value = None if entry is None else value_at(entry, field.key)
    return field.start if value is None else value


def text_of(field: Field, value: Any) -> str:
    """A value as it is typed; empty for None. Days and boxes are joined by commas."""
    if value is None:
        return ""
    if field.control == "flag":
        return "yes" if value else ""
    if field.control in ("temperature", "length"):
        return _with_unit(field, float(value))
    if field.control in ("number", "whole"):
        return _number_text(field, float(value))
    if field.control in ("days", "many", "list", "dates"):
        return ", ".join(str(one) for one in value)
    return str(value)


def _number_text(field: Field, value: float) -> str:
    """As it was typed where that was in the unit shown, else to four figures."""
    exact = field.figure(value)
    typed_here = to_si(float(exact), field.si_unit, field.system) == value
    return exact if typed_here else field.figure(value, 4)


def _with_unit(field: Field, value: float) -> str:
    """A temperature or a length with its unit, exact where it can be said so."""
    write = writers.temperature if field.control == "temperature" else writers.length
    exact, other = write(value, field.system), unit_in(field.si_unit, "si" if field.system == "us" else "us")
    typed_units = {"°F": "F"}
    if not exact.endswith(f" {typed_units.get(other, other)}"):
        return exact
    return f"{field.figure(value)} {typed_units.get(field.shown_unit, field.shown_unit)}"


def said_of(field: Field, value: Any) -> str:
    """A value as people read it."""
    if value is None or value == []:
        return ""
    if field.control == "flag":
        return "yes" if value else "no"
    if field.control == "days":
        return days_text(value)
    if field.control in ("choice", "many"):
        words = dict(field.options)
        found = [value] if field.control == "choice" else value
        return ", ".join(words.get(str(one), str(one)) for one in found)
    if field.control == "number" and field.unit in MEASURES:
        shown = from_si(float(value), field.unit, field.system)
        return f"{float(f'{shown:.4g}'):,.10g} {field.shown_unit}"
    text = text_of(field, value)
    return f"{text} {field.unit}" if field.unit and text else text


def days_text(days: Iterable[int]) -> str:
    """Days of the week in words: `Mon to Fri`, `Mon, Wed`, `every day`."""
    found = sorted(set(days))
    if len(found) == len(DAY_NAMES):
        return "every day"
    if len(found) > 2 and found == list(range(found[0], found[-1] + 1)):
        return f"{DAY_NAMES[found[0] - 1]} to {DAY_NAMES[found[-1] - 1]}"
    return ", ".join(DAY_NAMES[day - 1] for day in found)


def shown_fields(
    fields: Sequence[Field],
    entry: Mapping[str, Any] | None,
    typed: Typed | None = None,
    problems: Mapping[str, str] | None = None,
    *,
    stale: bool = False,
) -> tuple[FormField, ...]:
    """The fields of a form for the page.

    Args:
        fields: of the form, in the units of whoever reads it.
        entry: the part of the settings that it changes; None: a new one, which begins with what the fields say.
        typed: what was sent; None: nothing yet.
        problems: sentence by field.
        stale: say what stands in the settings now, where that is not what was typed.
    """
    found = []
    for field in fields:
        if field.fixed and entry is not None:
            continue
        there = _there(field, entry)
        was = text_of(field, there)
        if typed is None:
            value, ticked = was, tuple(str(one) for one in there or ()) if field.control in ("days", "many") else ()
        else:
            sent = typed.get(field.key, ())
            value, ticked = ", ".join(sent), tuple(sent)
        if field.control == "secret":
            value, was = "", ""  # never shown, not even what was typed just now
        differs = stale and typed is not None and value.strip() != was
        found.append(
            FormField(
                name=field.key,
                label=field.label,
                hint=field.hint,
                control=field.control,
                options=field.options,
                suggestions=field.suggestions,
                needed=field.needed,
                unit=unit_in(field.unit, field.system),
                value=value,
                ticked=ticked,
                problem=(problems or {}).get(field.key, ""),
                now=(said_of(field, there) or "empty") if differs else "",
            )
        )
    return tuple(found)


# From what was typed to settings --------------------------------------------------------------------------------------


def _value(field: Field, sent: Sequence[str]) -> Any:
    """One field as the settings' file holds it; None where it is empty.

    Raises:
        ValueError: it cannot be; a sentence.
    """
    if field.control == "flag":
        return bool(sent)
    if field.control == "days":
        return sorted({int(one) for one in sent if one in "1234567" and len(one) == 1}) or None
    if field.control == "many":
        return list(sent) or None
    text = (sent[0] if sent else "").strip()
    if len(text) > MOST_LETTERS:
        raise ValueError(f"{len(text)} letters, at most {MOST_LETTERS}")
    if text and field.control == "number":
        return _measured(field, text)
    return _READ.get(field.control, str)(text) if text else None


def _number(text: str) -> float:
    plain = text.replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(plain):
        raise ValueError(f"{cells.shown(text)} is no number; write decimals with a point, such as 46.8")
    return float(plain)


def _measured(field: Field, text: str) -> float:
    """A number in the unit beside its field; that unit, or the other system's where the field is in it, may follow."""
    split = _WITH_UNIT.fullmatch(text) if field.unit else None
    if split is not None and _plain_unit(split["unit"]) == _plain_unit(field.shown_unit):
        text = split["number"]
    return to_si(_number(text), field.unit, field.system)


def _whole(text: str) -> int:
    plain = text.replace("\N{MINUS SIGN}", "-")
    if not _WHOLE.fullmatch(plain):
        raise ValueError(f"{cells.shown(text)} is no whole number")
    return int(plain)


def _list(text: str) -> list[str]:
    return [one.strip() for one in re.split(r"[,;]", text) if one.strip()]


def _dates(text: str) -> list[date]:
    return [_day(one) for one in re.split(r"[,;\s]+", text) if one]


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{cells.shown(text)} is no day; write 2026-12-24") from None


_READ: Final[Mapping[Control, Callable[[str], Any]]] = {
    "whole": _whole,
    "list": _list,
    "dates": _dates,
    "temperature": _ANY_C,
    "length": _ANY_MM,
}


def typed_entry(fields: Sequence[Field], typed: Typed, entry: Mapping[str, Any] | None) -> tuple[Entry, dict[str, str]]:
    """An entry with what was typed, and a sentence for every field that is no value; such a one stays as it was."""
    made: Entry = {} if entry is None else copy.deepcopy(dict(entry))
    problems: dict[str, str] = {}
    for field in fields:
        if field.fixed and entry is not None:
            continue
        there = _there(field, entry)
        sent = typed.get(field.key, ())
        try:
            as_shown = (
                field.si_unit in MEASURES
                and there is not None
                and bool(sent)
                and sent[0].strip() == text_of(field, there)
            )
            value = there if as_shown else _value(field, sent)
        except ValueError as error:
            problems[field.key] = str(error)
            value = there
        if value is None and field.needed and field.key not in problems:
            problems[field.key] = "tick at least one" if field.control in ("days", "many") else "this is needed"
            value = there
        put(made, field.key, value)
    return made, problems


Names = Callable[[str], Mapping[str, str]]
"""From a place in the settings to its keys that stand in the form: key -> name of the field."""


def names_at(fields: Sequence[Field], place: str) -> Names:
    """The fields of a form whose entry stands at a place, such as `form, shift 2`."""

    def names(where: str) -> Mapping[str, str]:
        if where != place and not where.startswith(f"{place}, "):
            return {}
        inner = re.findall(r"\[([a-z_]+)\]", where.removeprefix(place))
        section = f"{inner[-1]}." if inner else ""
        found = {one.key.removeprefix(section): one.key for one in fields if one.key.startswith(section)}
        return {key: name for key, name in found.items() if "." not in key}

    return names


def checked(
    fields: Sequence[Field],
    made: Entry,
    good: Mapping[str, Any],
    problems: Mapping[str, str],
    read: Callable[[Entry], T],
    names: Names,
) -> T:
    """What a strict reader makes of an entry.

    Args:
        fields: of the form.
        made: the entry as typed; fields in `problems` have a value that passes.
        good: an entry that passes, for the fields that do not.
        problems: found already.
        read: the strict reader.
        names: where the reader's keys stand in the form.

    Raises:
        NotTaken: something is wrong; every field that the reader refuses.
    """
    problems, made = dict(problems), copy.deepcopy(made)
    while True:
        try:
            result = read(made)
            break
        except TableError as error:
            name, said = refusal(error, fields, names)
            if name in problems:  # what passes in its place does not pass beside the rest
                break
            problems[name] = said
            if not name:
                break
            put(made, name, copy.deepcopy(value_at(good, name)))
    if problems:
        raise NotTaken(problems)
    return result


def refusal(error: TableError, fields: Sequence[Field], names: Names) -> tuple[str, str]:
    """The field that a strict reader's error is about, the empty name for none, and its sentence for people."""
    message = str(error)
    where, _, said = message.partition(": ")
    known = names(where)
    if isinstance(error, Outside) and error.key in known:
        name = known[error.key]
        field = next(one for one in fields if one.key == name)
        low, high = field.limit(error.low, "up"), field.limit(error.high, "down")
        return name, f"{_label(field)} is {field.figure(error.value)}, outside {low} to {high}"
    named = [
        (found.start(), name)
        for key, name in known.items()
        for found in re.finditer(rf"'{key}'" + (rf"|(?<!\w){key}(?!\w)" if "_" in key else ""), said)
    ]
    if named:
        return min(named)[1], _spoken(said, known, fields)
    plain = [(said.find(key), name) for key, name in known.items() if re.search(rf"(?<!\w){key}(?!\w)", said)]
    if plain:
        return min(plain)[1], _spoken(said, known, fields)
    twice = re.fullmatch(r"(?:[a-z_]+ )*(?P<name>'.*'|\".*\") stands twice.*", said, re.DOTALL)
    if twice:
        of_form = next((one.key for one in fields if one.key in ("id", "cylinder")), "")
        return of_form or "name", f"there is {twice['name']} already; choose another"
    return "", _spoken(message.removeprefix(f"{PLACE}: ").removeprefix(f"{PLACE}, "), known, fields)


def _spoken(said: str, known: Mapping[str, str], fields: Sequence[Field]) -> str:
    """A sentence of the strict reader with labels in the place of keys."""
    by_name = {one.key: one for one in fields}
    measured = {key: by_name[name] for key, name in known.items() if by_name[name].si_unit in MEASURES}
    said = _in_shown_units(said, measured)
    for key, name in sorted(known.items(), key=lambda item: -len(item[0])):
        field = by_name[name]
        bare = rf"|(?<![\w']){key}(?![\w'])" if "_" in key else ""  # other keys are words of the sentence, too
        said = re.sub(rf"(?:key )?'{key}'{bare}", _label(field), said)
    return said if len(said) <= LONGEST_SENTENCE else f"{said[:LONGEST_SENTENCE]} ..."


def _label(field: Field) -> str:
    return f"{field.label}{f' [{field.shown_unit}]' if field.si_unit else ''}"


def _in_shown_units(said: str, known: Mapping[str, Field]) -> str:
    """A sentence with its figures in the units of the form: those behind a key, and a list of several keys' figures."""
    for key, field in known.items():
        said = re.sub(rf"(?<![\w'])({key} )({_FIGURE})", lambda one, at=field: one[1] + at.figure(float(one[2])), said)  # type: ignore[misc]
    listed = re.match(r"([\w, ]+) are \[(.*?)\]", said)
    of_list = None if listed is None else known.get(listed[1].split(", ")[0])
    if listed is None or of_list is None:
        return said
    figures = re.sub(_FIGURE, lambda one: of_list.figure(float(one[0])), listed[2])
    return f"{listed[1]} are [{figures}]{said[listed.end() :]}"


def name_as_id(name: str, most: int = 40) -> str:
    """A short lower-case id made from a name; empty where nothing of it can stand in one."""
    plain = re.sub(r"[^a-z0-9]+", "-", _plain_letters(name).lower()).strip("-")
    return plain[:most].strip("-")


def _plain_letters(text: str) -> str:
    return "".join(one for one in unicodedata.normalize("NFKD", text) if not unicodedata.combining(one))
