"""The list of joints as kept, and what became of a schedule file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.job import JOINT_STATES, JointState
from frostshift_service.schedule_file import COLUMNS, CellError, ScheduleFile
from frostshift_service.store.records import KeptJoint, KeptSite, ScheduleImport
from frostshift_service.views.joint import part_text
from frostshift_service.views.show import Moment, Show, plural
from frostshift_service.views.words import STATES

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


@dataclass(frozen=True, slots=True)
class DefaultUsed:
    """A column that was left open, what was taken instead, and for how many joints."""

    column: str
    taken: str
    joints: int


@dataclass(frozen=True, slots=True)
class ImportOutcome:
    """What became of a schedule file.

    Attributes:
        file_name: as sent.
        imported: False where anything was wrong; then nothing of it was taken in.
        summary: one sentence.
        errors: every error, by row; `error_count` of all where the list is cut.
        warnings: sentences.
        added, changed, vanished, returned, moves_undone: marks.
        uncovered: marks that were taken in but are unknown, with the reason.
        defaults: what was taken for cells left open.
    """

    file_name: str
    imported: bool
    summary: str
    errors: tuple[CellError, ...]
    error_count: int
    warnings: tuple[str, ...]
    added: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    vanished: tuple[str, ...] = ()
    returned: tuple[str, ...] = ()
    moves_undone: tuple[str, ...] = ()
    uncovered: tuple[str, ...] = ()
    defaults: tuple[DefaultUsed, ...] = ()


@dataclass(frozen=True, slots=True)
class StateChoice:
    """A state to filter by, and how many joints have it."""

    code: str
    text: str
    joints: int


@dataclass(frozen=True, slots=True)
class SchedulePage:
    """The joints of a site.

    Attributes:
        site_id, site_name, zone: of the site.
        text, state: the filter as asked for; empty: all.
        states: to choose from.
        total: number of joints in the schedule; `rows` are those that pass the filter, by start.
        last_import: what the last schedule did, one sentence; empty where none was loaded.
    """

    site_id: str
    site_name: str
    zone: str
    text: str
    state: str
    states: tuple[StateChoice, ...]
    total: int
    rows: tuple[ScheduleRow, ...]
    last_import: str


def default_texts(names: Sequence[str]) -> tuple[str, ...]:
    """What was taken for each column that was left open: `exposure: open`."""
    return tuple(f"{name}: {_DEFAULTS.get(name, 'default')}" for name in names)


def _row(kept: KeptJoint, show: Show) -> ScheduleRow:
    joint = kept.joint
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
    )


def _matches(kept: KeptJoint, text: str, state: str) -> bool:
    joint = kept.joint
    words = f"{joint.mark} {joint.place} {joint.crew}".casefold()
    return (not state or joint.state == state) and text.casefold() in words


def schedule_page(
    site: KeptSite,
    joints: Sequence[KeptJoint],
    last: ScheduleImport | None,
    show: Show,
    *,
    text: str = "",
    state: str = "",
) -> SchedulePage:
    """The list of the joints of the last schedule.

    Args:
        site: it belongs to.
        joints: every joint the site has had.
        last: the last import; None where there was none.
        show: units and zone.
        text: only marks, places and crews that hold it.
        state: only joints of this state.
    """
    present = [kept for kept in joints if kept.present]
    counts = Counter(kept.joint.state for kept in present)
    shown = sorted(
        (kept for kept in present if _matches(kept, text.strip(), state)),
        key=lambda kept: (kept.joint.start_utc, kept.joint.mark),
    )
    return SchedulePage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        text=text,
        state=state,
        states=tuple(StateChoice(code, STATES[code], counts[code]) for code in JOINT_STATES if counts[code]),
        total=len(present),
        rows=tuple(_row(kept, show) for kept in shown),
        last_import="" if last is None else _last_text(last, show),
    )


def _last_text(last: ScheduleImport, show: Show) -> str:
    at = show.moment(last.at_utc, detail="year").text
    return f"{last.file_name}, {at}: {plural(last.joints, 'joint')}, {_changes(last)}."


def _changes(done: ScheduleImport) -> str:
    return f"{len(done.added)} new, {len(done.changed)} changed, {len(done.vanished)} vanished"


def refused(read: ScheduleFile, file_name: str) -> ImportOutcome:
    """The outcome of a file with errors."""
    return ImportOutcome(
        file_name=file_name,
        imported=False,
        summary=f"Nothing was imported: {plural(read.error_count, 'error')} in {file_name}.",
        errors=read.errors,
        error_count=read.error_count,
        warnings=read.warnings,
    )


def taken_in(read: ScheduleFile, done: ScheduleImport) -> ImportOutcome:
    """The outcome of a file that was imported."""
    used = Counter(name for item in read.joints for name in item.defaults)
    return ImportOutcome(
        file_name=done.file_name,
        imported=True,
        summary=f"{plural(done.joints, 'joint')} read from {done.file_name}: {_changes(done)}.",
        errors=(),
        error_count=0,
        warnings=read.warnings,
        added=done.added,
        changed=done.changed,
        vanished=done.vanished,
        returned=done.returned,
        moves_undone=done.moves_undone,
        uncovered=tuple(f"{item.joint.mark}: {'; '.join(item.problems)}" for item in read.joints if item.problems),
        defaults=tuple(DefaultUsed(name, taken, used[name]) for name, taken in _DEFAULTS.items() if used[name]),
    )
