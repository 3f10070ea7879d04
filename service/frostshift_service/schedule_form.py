"""Joints changed by hand: one as a form with the columns of a schedule, or many at once.

What is typed is read by the readers of a schedule's cells: one set of limits and words for both.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Final, Literal, get_args
from zoneinfo import ZoneInfo

from frostshift_rules import shifts
from frostshift_rules.arrangements import CATALOGUE
from frostshift_rules.job import Joint, JointState, Site
from frostshift_rules.shifts import ShiftSpan
from frostshift_rules.units import MEASURES, System, from_si
from frostshift_service.schedule_file import COLUMNS, CellError, Column, Findings, read_typed, row_of
from frostshift_service.schedule_file.cells import CellProblem
from frostshift_service.schedule_file.columns import BY_NAME, MAX_PARTS, label_of
from frostshift_service.schedule_file.sheet import tidy
from frostshift_service.store.records import ImportedJoint, JointEdit, KeptJoint, KeptSite

BulkAction = Literal["hours", "shifts", "to", "crew", "state"]
BulkState = Literal["planned", "postponed", "done"]
BULK_STATES: Final[tuple[BulkState, ...]] = get_args(BulkState)
MOST_HOURS: Final = 2000.0
MOST_SHIFTS: Final = 200
LOOK: Final = timedelta(days=400)
"""Shifts are looked for so far from a joint's start, and a day may be so far from it."""

_GROUPS: Final = (
    ("The joint", ("mark", "place", "start", "hours", "crew")),
    ("Welding", ("process", "electrode", "hydrogen", "procedure", "weld_length", "arrangement", "welded")),
    ("Where it stands", ("exposure", "sun", "shelter_air", "shelter_wind", "height")),
    ("Order of work", ("after", "not_before", "finish_by", "pinned")),
    ("Heating", ("heat_source", "torches", "also_heated", "heated_length", "both_faces")),
    (
        "What only some joints need",
        ("weld_ends", "heat_input", "restraint", "weld_metal", "passes", "fracture_critical"),
    ),
)
_OPTIONS: Final = re.compile(r"[\w/ -]+( \| [\w/ -]+)+")


# One joint ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FormField:
    """One column of the schedule as a field.

    Attributes:
        name: of the column; `label` the same for people.
        value: as typed, or as it stands.
        hint: how it is written; `about` what it is.
        options: words to choose from; empty where it is typed.
        default: what left open means; empty where nothing is assumed.
        needed: it may not stay empty.
        problem: a sentence, or empty.
    """

    name: str
    label: str
    value: str
    hint: str
    about: str
    options: tuple[str, ...]
    default: str
    needed: bool
    problem: str


@dataclass(frozen=True, slots=True)
class FormGroup:
    """Fields under one heading; `folded` where none is filled or wrong and few joints need them."""

    title: str
    fields: tuple[FormField, ...]
    folded: bool


@dataclass(frozen=True, slots=True)
class TypedJoint:
    """What was made of typed cells: the joint, or the errors by column."""

    joint: ImportedJoint | None
    errors: tuple[CellError, ...]
    warnings: tuple[str, ...]


def typed_units(site: KeptSite) -> Literal["us", "si"]:
    """Units in which the cells of a site are written out."""
    return "si" if site.show_units == "si" else "us"


def cells_of(kept: KeptJoint, site: KeptSite, system: System) -> dict[str, str]:
    """The cells of a joint as they would have to be typed in units of `system`: what was left open stays open.

    What cannot be said there to the last digit, and a thickness, stands as it was typed.
    """
    row = row_of(kept.joint, site.site.zone, system)
    open_ones = set(kept.defaults)
    if kept.joint.arrangement is not None:
        open_ones |= {f"{name}_{n}" for name in ("kind", "sides") for n in range(1, MAX_PARTS + 1)}
        open_ones |= {"weld_ends"} if CATALOGUE[kept.joint.arrangement].settles_ends else set()
    short = {name: cell for name, cell in row.items() if name not in open_ones}
    again = read_typed(short, site.site, kept.joint.start_utc, Findings())
    alike = again is not None and replace(again.joint, state=kept.joint.state) == kept.joint
    return short if alike else row


def read_cells(typed: Mapping[str, str], site: Site, now: datetime) -> TypedJoint:
    """The joint of typed cells."""
    values = {name: cell for name in BY_NAME if (cell := tidy(typed.get(name, "")))}
    findings = Findings()
    joint = read_typed(values, site, now, findings)
    return TypedJoint(None if findings.error_count else joint, tuple(findings.errors), findings.all_warnings())


def edit_of(before: KeptJoint | None, wanted: ImportedJoint, site: KeptSite, seen: str) -> JointEdit:
    """A joint as it was typed, over the one there is; the state stays."""
    if before is None:
        return JointEdit(wanted, True, "", (("present", "no", "yes"),))
    joint = replace(wanted.joint, state=before.joint.state)
    said = said_changes(before.joint, joint, site)
    if not before.present:
        said = (("present", "no", "yes"), *said)
    return JointEdit(replace(wanted, joint=joint), True, seen, said)


def said_changes(was: Joint, became: Joint, site: KeptSite) -> tuple[tuple[str, str, str], ...]:
    """What differs between two joints, column by column as it is typed; a start in ISO 8601, as moves write it."""
    rows = [row_of(joint, site.site.zone, typed_units(site)) for joint in (was, became)]
    said = [
        (name, rows[0].get(name, ""), rows[1].get(name, ""))
        for name in BY_NAME
        if name != "start" and rows[0].get(name, "") != rows[1].get(name, "")
    ]
    if was.start_utc != became.start_utc:
        said.insert(0, ("start_utc", was.start_utc.isoformat(), became.start_utc.isoformat()))
    return tuple(said)


_RANGE: Final = re.compile(r"(-?[0-9.]+) (mm|m|°C|m/s|kJ/mm) to (-?[0-9.]+) (mm|m|°C|m/s|kJ/mm)(?![\w/²])")
_ONE: Final = re.compile(r"(?<=is )(-?[0-9.]+) (mm|m|°C|m/s|kJ/mm)(?=,)|^([0-9.]+) (m)$")
_EXAMPLES: Final[Mapping[str, tuple[str, str]]] = {
    "thickness": ("1-1/2 in", "38 mm"),
    "flange_width": ("12 in", "300 mm"),
    "web": ("5/8 in", "16 mm"),
    "web_depth": ("24 in", "600 mm"),
    "reach": ("12 in", "300 mm"),
    "weld_length": ("24 in", "600 mm"),
    "heated_length": ("24 in", "600 mm"),
    "height": ("33 ft", "10 m"),
    "shelter_air": ("40 F", "5 C"),
    "shelter_wind": ("3 mph", "1.5 m/s"),
    "heat_input": ("40 kJ/in", "1.5 kJ/mm"),
}
"""An example in US units and one in SI, where a column has a unit."""


def _example(column: Column, system: System) -> str:
    both = _EXAMPLES.get(re.sub(r"_[0-9]+$", "", column.name))
    return column.example if both is None else both[system == "si"]


def _in_units(text: str, system: System) -> str:
    """What is said of a column with its limits in the reader's units, each rounded to its inner side."""
    if system == "si":
        return text
    said = _RANGE.sub(lambda found: f"{_limit(found[1], found[2], 'up')} to {_limit(found[3], found[4], 'down')}", text)
    return _ONE.sub(lambda found: _limit(found[1] or found[3], found[2] or found[4], "near"), said)


def _limit(figure: str, unit: str, toward: Literal["up", "down", "near"]) -> str:
    if unit == "m" and 0.0 < float(figure) < 10.0:  # sizes of parts, in inches on every drawing
        return _limit(f"{float(figure) * 1000.0:g}", "mm", toward)
    value = from_si(float(figure), unit, "us")
    scaled = value * (100.0 if abs(value) < 10.0 else 10.0)
    whole = {"up": math.ceil(scaled - 1e-6), "down": math.floor(scaled + 1e-6), "near": round(scaled)}[toward]
    return f"{whole / (100.0 if abs(value) < 10.0 else 10.0):g} {MEASURES[unit].us}"


def form_groups(
    values: Mapping[str, str], errors: Sequence[CellError], site: Site, system: System, *, fixed_mark: bool
) -> tuple[FormGroup, ...]:
    """The columns of a schedule as a form in units of `system`; `fixed_mark` leaves the mark out."""
    problems = {error.column: _in_units(error.message, system) for error in reversed(errors)}
    known = {
        "procedure": tuple(one.name for one in site.procedures),
        "heat_source": tuple(one.id for one in site.heat_sources),
    }

    def shown(column: Column) -> FormField:
        options = tuple(column.how.split(" | ")) if _OPTIONS.fullmatch(column.how) else known.get(column.name, ())
        return FormField(
            name=column.name,
            label=label_of(column.name),
            value=values.get(column.name, ""),
            hint="" if options else f"{_in_units(column.how, system)}, for example {_example(column, system)}",
            about=column.about,
            options=options,
            default=_in_units(column.default, system),
            needed=column.need == "cell",
            problem=problems.get(column.name, ""),
        )

    of_parts = tuple(
        (f"Part {n}", tuple(column.name for column in COLUMNS if column.name.endswith(f"_{n}")))
        for n in range(1, MAX_PARTS + 1)
    )
    groups = []
    for title, names in (*_GROUPS[:2], *of_parts, *_GROUPS[2:]):
        fields = tuple(shown(BY_NAME[name]) for name in names if not (fixed_mark and name == "mark"))
        plain = title in ("The joint", "Welding", "Part 1", "Part 2")
        folded = not plain and not any(one.value or one.problem for one in fields)
        groups.append(FormGroup(title, fields, folded))
    return tuple(groups)


# Many joints ----------------------------------------------------------------------------------------------------------


class BulkProblem(ValueError):
    """What was asked of many joints cannot be read: `field` of the form, a sentence, and the limit if there is one."""

    def __init__(self, field: str, message: str, limit: str = "") -> None:
        self.field, self.message, self.limit = field, message, limit
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Bulk:
    """What is done to many joints.

    Attributes:
        action: `hours` or `shifts`: later by so many, negative: earlier; `to`: to a day, a shift or a shift of a day;
            `crew`; `state`.
        amount: of hours or shifts.
        day: where to; None: each joint's own day.
        shift: name of the shift where to; empty: the time of day stays.
        crew: its new name; empty: none.
        state: its new state.
    """

    action: BulkAction
    amount: float = 0.0
    day: date | None = None
    shift: str = ""
    crew: str = ""
    state: BulkState = "planned"


@dataclass(frozen=True, slots=True)
class BulkOutcome:
    """What it would do: `edits` of the joints that change, `same` marks that do not, `refused` marks with the reason.

    With any that is refused nothing is done.
    """

    edits: tuple[JointEdit, ...]
    same: tuple[str, ...]
    refused: tuple[tuple[str, str], ...] = field(default=())


def read_bulk(typed: Mapping[str, str], site: Site) -> Bulk:
    """What is asked of many joints, as it was typed.

    Raises:
        BulkProblem: it cannot be read.
    """
    action = typed.get("action", "")
    if action == "hours":
        return Bulk("hours", amount=_amount(typed, "hours", MOST_HOURS, whole=False))
    if action == "shifts":
        return Bulk("shifts", amount=_amount(typed, "shifts", MOST_SHIFTS, whole=True))
    if action == "to":
        return _to(typed, site)
    if action == "crew":
        try:
            crew = tidy(typed.get("crew", ""))
            return Bulk("crew", crew=str(BY_NAME["crew"].read(crew)) if crew else "")
        except CellProblem as problem:
            raise BulkProblem("crew", f"crew {problem.message}", problem.limit) from None
    if action == "state":
        state = next((state for state in BULK_STATES if state == typed.get("state")), None)
        if state is None:
            raise BulkProblem("state", f"{typed.get('state', '')!r} is no state", " | ".join(BULK_STATES))
        return Bulk("state", state=state)
    raise BulkProblem("action", "choose what to change", " | ".join(get_args(BulkAction)))


def _amount(typed: Mapping[str, str], name: str, most: float, *, whole: bool) -> float:
    text = tidy(typed.get(name, "")).replace("\N{MINUS SIGN}", "-")
    pattern = r"[+-]?[0-9]{1,4}" if whole else r"[+-]?[0-9]{1,4}(\.[0-9]{1,2})?"
    limit = f"-{most:g} to {most:g}, not 0"
    if not re.fullmatch(pattern, text):
        raise BulkProblem(name, f"{text!r} is no {'whole ' if whole else ''}number of {name}; write 2 or -2", limit)
    amount = float(text)
    if amount == 0.0 or abs(amount) > most:
        raise BulkProblem(name, f"{text} {name} is outside {limit}", limit)
    return amount


def _to(typed: Mapping[str, str], site: Site) -> Bulk:
    text, shift = tidy(typed.get("day", "")), typed.get("shift", "")
    try:
        day = date.fromisoformat(text) if text else None
    except ValueError:
        raise BulkProblem("day", f"{text!r} is no day; write it as 2026-12-18") from None
    if day is None and not shift:
        raise BulkProblem("day", "choose a day, a shift, or both")
    names = [one.name for one in site.shifts]
    if shift and shift not in names:
        raise BulkProblem("shift", f"{shift!r} is no shift of the site", " | ".join(names))
    return Bulk("to", day=day, shift=shift)


def bulk_text(bulk: Bulk, count: int) -> str:
    """What is done to so many joints, one sentence."""
    joints = f"{count:,} joint{'' if count == 1 else 's'}"
    if bulk.action == "crew":
        return f"{joints}: crew is {bulk.crew}." if bulk.crew else f"{joints}: no crew."
    if bulk.action == "state":
        return f"{joints}: {bulk.state}."
    if bulk.action == "to":
        where = " ".join([*([f"{bulk.day:%Y-%m-%d}"] if bulk.day else []), *([bulk.shift] if bulk.shift else [])])
        return f"{joints}: moved to {where}."
    unit = bulk.action if abs(bulk.amount) != 1.0 else bulk.action.removesuffix("s")
    return f"{joints}: moved by {abs(bulk.amount):g} {unit} {'later' if bulk.amount > 0 else 'earlier'}."


def bulk_edits(bulk: Bulk, joints: Sequence[KeptJoint], site: KeptSite) -> BulkOutcome:
    """What a change of many joints would do to each of them."""
    changed: Callable[[Joint], Joint | str]
    if bulk.action == "crew":
        changed = partial(replace, crew=bulk.crew)
    elif bulk.action == "state":
        changed = partial(replace, state=bulk.state)
    else:
        changed = _Mover(bulk, site.site, joints).moved
    edits, same, refused = [], [], []
    for kept in joints:
        became = changed(kept.joint)
        if isinstance(became, str):
            refused.append((kept.joint.mark, became))
        elif became == kept.joint:
            same.append(kept.joint.mark)
        else:
            edits.append(bulk_edit(kept, became))
    return BulkOutcome(tuple(edits), tuple(same), tuple(refused))


def bulk_edit(kept: KeptJoint, became: Joint) -> JointEdit:
    """A joint with another start, crew or state."""
    was, said = kept.joint, []
    if was.start_utc != became.start_utc:
        said.append(("start_utc", was.start_utc.isoformat(), became.start_utc.isoformat()))
    said += [
        (name, str(getattr(was, name)), str(getattr(became, name)))
        for name in ("crew", "state")
        if getattr(was, name) != getattr(became, name)
    ]
    wanted = ImportedJoint(became, kept.row, kept.defaults, kept.problems)
    state_seen: JointState | None = was.state if was.state != became.state else None
    return JointEdit(wanted, True, kept.fingerprint, tuple(said), state_seen)


class _Mover:
    """Moves joints by the site's clock and shifts."""

    def __init__(self, bulk: Bulk, site: Site, joints: Sequence[KeptJoint]) -> None:
        self._bulk, self._site, self._zone = bulk, site, ZoneInfo(site.zone)
        starts = [kept.joint.start_utc for kept in joints]
        first, last = min(starts, default=None), max(starts, default=None)
        self._spans: list[ShiftSpan] = []
        if first is not None and last is not None:
            self._spans = shifts.spans(site.shifts, site.zone, first - LOOK, last + LOOK)
        self._place = {span.key: n for n, span in enumerate(self._spans)}

    def moved(self, joint: Joint) -> Joint | str:
        """The joint at its new start, or why it has none."""
        bulk = self._bulk
        if bulk.action == "hours":
            return replace(joint, start_utc=joint.start_utc + timedelta(hours=bulk.amount))
        held = shifts.holding(self._spans, joint.start_utc)
        if bulk.action == "shifts":
            if held is None:
                return "its start is in no shift of the site"
            number = self._place[held.key] + int(bulk.amount)
            if not 0 <= number < len(self._spans):
                return f"the site has no {abs(bulk.amount):g} shifts within {LOOK.days} days of its start"
            return self._in_shift(joint, held, self._spans[number])
        local = joint.start_utc.astimezone(self._zone)
        day = bulk.day or (held.day if held else local.date())
        if abs(day - local.date()) > LOOK - timedelta(days=2):
            return f"{day} is more than a year from its start"
        if not bulk.shift:
            over = timedelta(0) if held is None else local.date() - held.day  # a night shift runs into the next day
            wall = datetime.combine(day + over, local.time(), self._zone)
            return replace(joint, start_utc=wall.astimezone(UTC))
        there = self._place.get(f"{day.isoformat()} {bulk.shift}")
        if there is None:
            return f"the site has no {bulk.shift} shift on {day:%a} {day}"
        return self._in_shift(joint, held, self._spans[there])

    @staticmethod
    def _in_shift(joint: Joint, held: ShiftSpan | None, to: ShiftSpan) -> Joint:
        """As long after the shift's start as it was in its own, where the new shift is that long; else at its start."""
        after = timedelta(0) if held is None else joint.start_utc - held.start_utc
        start_utc = to.start_utc + after
        return replace(joint, start_utc=start_utc if start_utc < to.end_utc else to.start_utc)
