"""The list of joints: filtered, sorted, a page at a time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final, Literal, get_args
from urllib.parse import urlencode

from frostshift_rules import shifts
from frostshift_rules.job import JOINT_STATES, JointState, Site
from frostshift_rules.workload import Plan
from frostshift_service.schedule_file import COLUMNS
from frostshift_service.store.records import KeptJoint, KeptSite, ListedJoint, ScheduleAct, ScheduleImport
from frostshift_service.views.joint import part_text
from frostshift_service.views.show import Moment, Show, plural
from frostshift_service.views.words import CALLS, STATES

PAGE: Final = 100
"""Joints on a page."""
SortBy = Literal["start", "mark", "place", "crew"]
SORTS: Final[tuple[SortBy, ...]] = get_args(SortBy)
OUTSIDE: Final = "outside"
"""In place of a shift's name: joints that start outside every shift."""
NOT_PLANNED: Final = "not_planned"
"""In place of a call: joints that the plan does not hold, such as those that are done."""
NOBODY: Final = "-"
"""In place of a crew: joints without one."""

_DEFAULTS: Final = {column.name: column.default for column in COLUMNS}


@dataclass(frozen=True, slots=True)
class ScheduleRow:
    """One joint of the schedule.

    Attributes:
        mark, place, crew: as typed.
        start: planned start; `schedule_start` the schedule's own where it was moved by hand since, else None.
        hours: planned duration [h].
        process: with electrode.
        parts: sentences.
        state: code; `state_text` its words.
        present: False where the last schedule no longer holds the mark.
        problems: why it is not covered.
        defaults: what was left open and taken as the stated default.
        call, call_text: heat call of the plan, and its words; `not_planned` where the plan does not hold the joint.
        shape: drawn beside the call; empty where there is none.
        shift: name of the shift that holds the start; empty: outside every shift.
    """

    mark: str
    place: str
    crew: str
    start: Moment
    schedule_start: Moment | None
    hours: float
    process: str
    parts: tuple[str, ...]
    state: JointState
    state_text: str
    present: bool
    problems: tuple[str, ...]
    defaults: tuple[str, ...]
    call: str = NOT_PLANNED
    call_text: str = "not planned"
    shape: str = ""
    shift: str = ""


@dataclass(frozen=True, slots=True)
class ScheduleFilter:
    """Which joints are listed, and in which order. Every empty value stands for all.

    Attributes:
        text: part of a mark, place or crew.
        state: of the joint.
        crew: its name; `-`: none.
        day: local date; that of the shift's start where a shift holds the joint's start.
        shift: name of the shift; `outside`: none.
        call: of the plan; `not_planned`: the plan does not hold it.
        sort: column to sort by; then by start and mark.
        down: from the last to the first.
        page: the first is 1; 0: all joints at once.
    """

    text: str = ""
    state: str = ""
    crew: str = ""
    day: date | None = None
    shift: str = ""
    call: str = ""
    sort: SortBy = "start"
    down: bool = False
    page: int = 0

    def query(self, **changes: Any) -> str:
        """As the query of an address, with other values for some; what is not set is left out."""
        wanted = replace(self, **changes)
        named: dict[str, str] = {
            "text": wanted.text.strip(),
            "state": wanted.state,
            "crew": wanted.crew,
            "day": wanted.day.isoformat() if wanted.day else "",
            "shift": wanted.shift,
            "call": wanted.call,
            "sort": wanted.sort if wanted.sort != "start" else "",
            "down": "1" if wanted.down else "",
            "page": str(wanted.page) if wanted.page > 1 else "",
        }
        return urlencode({name: value for name, value in named.items() if value})

    @property
    def is_set(self) -> bool:
        """Whether it leaves any joint out."""
        return bool(self.text.strip() or self.state or self.crew or self.day or self.shift or self.call)


EVERYTHING: Final = ScheduleFilter()


@dataclass(frozen=True, slots=True)
class Choice:
    """A value to filter by, and how many joints have it."""

    code: str
    text: str
    joints: int


@dataclass(frozen=True, slots=True)
class SortLink:
    """A column to sort by: the query of its link, and how the list is sorted by it now (as `aria-sort`)."""

    code: str
    text: str
    query: str
    sorted: Literal["ascending", "descending", "none"]


@dataclass(frozen=True, slots=True)
class SchedulePage:
    """The joints of a site.

    Attributes:
        site_id, site_name, zone: of the site.
        wanted: the filter as asked for.
        query: of the filter with its order, without the page.
        states, crews, shifts, calls: to choose from, with the joints of the whole schedule.
        total: number of joints in the schedule; `matching` of those that pass the filter.
        page, pages: which page `rows` are, and of how many; 1 of 1 where all are asked for.
        earlier, later: queries of the pages beside it; None where there is none.
        sorts: columns to sort by.
        rows: the joints of the page.
        unknown_query: of the joints that are unknown; empty where there is none, `unknown` how many.
        last_import: what the last schedule did, one sentence; empty where none was loaded.
        last_act: number of the last change by hand that can be taken back; None: none. `last_act_text` says what.
        planned: False where there is no plan, so that there are no calls.
    """

    site_id: str
    site_name: str
    zone: str
    wanted: ScheduleFilter
    query: str
    states: tuple[Choice, ...]
    crews: tuple[Choice, ...]
    shifts: tuple[Choice, ...]
    calls: tuple[Choice, ...]
    total: int
    matching: int
    page: int
    pages: int
    earlier: str | None
    later: str | None
    sorts: tuple[SortLink, ...]
    rows: tuple[ScheduleRow, ...]
    unknown: int
    unknown_query: str
    last_import: str
    last_act: int | None
    last_act_text: str
    planned: bool


@dataclass(frozen=True, slots=True)
class Placed:
    """A joint in the list, with the shift that holds its start, the day it counts to, and its call."""

    joint: ListedJoint
    day: date
    shift: str
    call: str


def placed(joints: Iterable[ListedJoint], site: Site, show: Show, plan: Plan | None) -> list[Placed]:
    """The joints with their shift, day and call."""
    joints = list(joints)
    if not joints:
        return []
    starts = {joint.start_utc for joint in joints}
    spans = shifts.spans(site.shifts, site.zone, min(starts), max(starts))
    holds = {start: shifts.holding(spans, start) for start in starts}
    calls = {} if plan is None else {one.joint.mark: one.call for one in plan.joints}
    found = []
    for joint in joints:
        span = holds[joint.start_utc]
        day = joint.start_utc.astimezone(show.zone).date() if span is None else span.day
        found.append(Placed(joint, day, span.shift.name if span else "", calls.get(joint.mark, NOT_PLANNED)))
    return found


def matching(joints: Iterable[Placed], wanted: ScheduleFilter) -> list[Placed]:
    """The joints that pass the filter, in its order."""
    found = [one for one in joints if _passes(one, wanted)]
    found.sort(key=lambda one: (one.joint.start_utc, one.joint.mark))
    keys: dict[SortBy, Callable[[Placed], str]] = {
        "mark": lambda one: one.joint.mark.casefold(),
        "place": lambda one: one.joint.place.casefold(),
        "crew": lambda one: one.joint.crew.casefold(),
    }
    if wanted.sort in keys:
        found.sort(key=keys[wanted.sort], reverse=wanted.down)
    elif wanted.down:
        found.reverse()
    return found


def _passes(one: Placed, wanted: ScheduleFilter) -> bool:
    joint, text = one.joint, wanted.text.strip().casefold()
    return (
        (not text or text in f"{joint.mark} {joint.place} {joint.crew}".casefold())
        and wanted.state in ("", joint.state)
        and wanted.crew in ("", joint.crew or NOBODY)
        and (wanted.day is None or one.day == wanted.day)
        and wanted.shift in ("", one.shift or OUTSIDE)
        and wanted.call in ("", one.call)
    )


def default_texts(names: Sequence[str]) -> tuple[str, ...]:
    """What was taken for each column that was left open: `exposure: open`."""
    return tuple(f"{name}: {_DEFAULTS.get(name, 'default')}" for name in names)


def _row(kept: KeptJoint, at: Placed, show: Show) -> ScheduleRow:
    joint = kept.joint
    word = next((word for word in CALLS.values() if word.code == at.call), None)
    moved = kept.schedule_start_utc != joint.start_utc
    return ScheduleRow(
        mark=joint.mark,
        place=joint.place,
        crew=joint.crew,
        start=show.moment(joint.start_utc, detail="date"),
        schedule_start=show.moment(kept.schedule_start_utc, detail="date") if moved else None,
        hours=joint.hours,
        process=" ".join(word for word in (joint.process, joint.electrode) if word) or "unknown",
        parts=tuple(part_text(part, show) for part in joint.parts),
        state=joint.state,
        state_text=STATES[joint.state],
        present=kept.present,
        problems=kept.problems,
        defaults=default_texts(kept.defaults),
        call=at.call,
        call_text="not planned" if word is None else word.text,
        shape="" if word is None else word.shape,
        shift=at.shift,
    )


def schedule_page(
    site: KeptSite,
    joints: Sequence[Placed],
    chosen: Sequence[Placed],
    kept: Sequence[KeptJoint],
    wanted: ScheduleFilter,
    show: Show,
    *,
    last: ScheduleImport | None,
    act: ScheduleAct | None,
    planned: bool,
) -> SchedulePage:
    """The list of the joints of the last schedule.

    Args:
        site: it belongs to.
        joints: every joint of the schedule.
        chosen: those that pass the filter, in its order.
        kept: those of the page, in that order.
        wanted: the filter; its page lies within the pages there are.
        show: units and zone.
        last: the last import; None where there was none.
        act: the last change by hand that can be taken back; None where there is none.
        planned: whether there is a plan.
    """
    pages = page_count(len(chosen), wanted)
    at = {one.joint.mark: one for one in chosen}
    calls = Counter(one.call for one in joints)
    return SchedulePage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        wanted=wanted,
        query=wanted.query(page=0),
        states=_choices(((code, STATES[code]) for code in JOINT_STATES), Counter(one.joint.state for one in joints)),
        crews=_crews(joints),
        shifts=_choices(
            [*((one.name, one.name) for one in site.site.shifts), (OUTSIDE, "outside every shift")],
            Counter(one.shift or OUTSIDE for one in joints),
        ),
        calls=_choices([*((word.code, word.text) for word in CALLS.values()), (NOT_PLANNED, "not planned")], calls)
        if planned
        else (),
        total=len(joints),
        matching=len(chosen),
        page=max(wanted.page, 1),
        pages=pages,
        earlier=wanted.query(page=wanted.page - 1) if wanted.page > 1 else None,
        later=wanted.query(page=wanted.page + 1) if 0 < wanted.page < pages else None,
        sorts=tuple(_sort_link(code, wanted) for code in SORTS),
        rows=tuple(_row(one, at[one.joint.mark], show) for one in kept),
        unknown=calls["unknown"] if planned else 0,
        unknown_query=ScheduleFilter(call="unknown").query() if planned and calls["unknown"] else "",
        last_import="" if last is None else _last_text(last, show),
        last_act=None if act is None else act.id,
        last_act_text="" if act is None else f"{act.text} {show.moment(act.at_utc, detail='date').text}, {act.by}.",
        planned=planned,
    )


def page_count(joints: int, wanted: ScheduleFilter) -> int:
    """Pages that so many joints take."""
    return max(1, -(-joints // PAGE)) if wanted.page else 1


def page_of(chosen: Sequence[Placed], wanted: ScheduleFilter) -> Sequence[Placed]:
    """The joints of the page that is asked for."""
    return chosen[(wanted.page - 1) * PAGE : wanted.page * PAGE] if wanted.page else chosen


def _choices(named: Iterable[tuple[str, str]], counts: Mapping[Any, int]) -> tuple[Choice, ...]:
    return tuple(Choice(code, text, counts[code]) for code, text in named if counts.get(code))


def _crews(joints: Sequence[Placed]) -> tuple[Choice, ...]:
    counts = Counter(one.joint.crew or NOBODY for one in joints)
    names = sorted(counts, key=str.casefold)
    return _choices(((name, "no crew" if name == NOBODY else name) for name in names), counts)


def _sort_link(code: SortBy, wanted: ScheduleFilter) -> SortLink:
    here = wanted.sort == code
    return SortLink(
        code=code,
        text={"start": "Start", "mark": "Joint", "place": "Place", "crew": "Crew"}[code],
        query=wanted.query(sort=code, down=here and not wanted.down, page=0),
        sorted="none" if not here else "descending" if wanted.down else "ascending",
    )


def _last_text(last: ScheduleImport, show: Show) -> str:
    at = show.moment(last.at_utc, detail="year").text
    by = f", {last.by}" if last.by else ""
    return f"{last.file_name}, {at}{by}: {plural(last.joints, 'joint')}, {_changes_text(last)}."


def _changes_text(done: ScheduleImport) -> str:
    """How many joints are new, changed, taken out."""
    return f"{len(done.added)} new, {len(done.changed)} changed, {len(done.vanished)} taken out"
