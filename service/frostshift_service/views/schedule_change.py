"""What would become of the joints: by a schedule file, by a form, by a change of many at once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from frostshift_rules.job import JointState
from frostshift_service.schedule_file import COLUMNS, CellError, ScheduleFile
from frostshift_service.schedule_file.columns import label_of
from frostshift_service.schedule_form import BulkOutcome, FormGroup, said_changes
from frostshift_service.store.records import ImportPreview, JointChange, JointEdit, KeptJoint, KeptSite, ScheduleImport
from frostshift_service.views.show import Show, plural
from frostshift_service.views.words import STATES

SHOWN: Final = 300
"""So many joints of a kind are listed with all that changes; the rest is counted."""

_DEFAULTS: Final = {column.name: column.default for column in COLUMNS}


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field of a joint: its name, was and becomes as people type them; empty: left open.

    `by_hand` says who had changed it by hand, where a schedule takes that back; else empty.
    """

    field: str
    was: str
    becomes: str
    by_hand: str = ""


@dataclass(frozen=True, slots=True)
class JointDiff:
    """What changes of one joint."""

    mark: str
    fields: tuple[FieldChange, ...]


@dataclass(frozen=True, slots=True)
class DefaultUsed:
    """A column that was left open, what was taken instead, and for how many joints."""

    column: str
    taken: str
    joints: int


@dataclass(frozen=True, slots=True)
class ImportOutcome:
    """What became, or would become, of a schedule file.

    Attributes:
        file_name: as sent.
        status: `refused` where anything was wrong, then nothing of it is taken in; `preview`: nothing is saved yet;
            `saved`; `nothing_new`: the joints stand as the file has them.
        summary: one sentence.
        errors: every error, by row; `error_count` of all where the list is cut.
        warnings: sentences.
        added, changed, vanished, returned, moves_undone: marks.
        changes: field by field, of the joints that change, return or lose a move; the first `SHOWN` of them, and
            `more_changes` how many more there are.
        same: number of joints that stay as they were, with those of `only_stated`: marks of joints of which only
            differs what is left open and what is written.
        hand_undone: marks of joints of which something that was changed by hand becomes as in the file.
        uncovered: marks that are taken in but unknown, with the reason.
        defaults: what is taken for cells left open.
        version: of the schedule that it was held against.
    """

    file_name: str
    status: Literal["refused", "preview", "saved", "nothing_new"]
    summary: str
    errors: tuple[CellError, ...] = ()
    error_count: int = 0
    warnings: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    vanished: tuple[str, ...] = ()
    returned: tuple[str, ...] = ()
    moves_undone: tuple[str, ...] = ()
    changes: tuple[JointDiff, ...] = ()
    more_changes: int = 0
    same: int = 0
    only_stated: tuple[str, ...] = ()
    hand_undone: tuple[str, ...] = ()
    uncovered: tuple[str, ...] = ()
    defaults: tuple[DefaultUsed, ...] = ()
    version: str = ""


@dataclass(frozen=True, slots=True)
class PreviewPage:
    """A schedule file before it is saved; `moved_on`: the schedule was changed since the last look at it."""

    site_id: str
    site_name: str
    draft_id: int
    loaded: str
    moved_on: bool
    outcome: ImportOutcome


@dataclass(frozen=True, slots=True)
class EditPage:
    """The form of one joint.

    Attributes:
        mark: of the joint; empty for a new one.
        seen: fingerprint of the joint that the form was made from.
        present: False where the schedule no longer holds it.
        state_text: how far it is; empty for a new one.
        problem: of the whole form, one sentence; empty: none.
        problem_count: fields with an error.
        warnings: sentences about what was typed.
        history: what was changed by hand before, the newest first.
        groups: of fields.
    """

    site_id: str
    site_name: str
    zone: str
    mark: str
    seen: str
    present: bool
    state_text: str
    problem: str
    problem_count: int
    warnings: tuple[str, ...]
    history: tuple[str, ...]
    groups: tuple[FormGroup, ...]


@dataclass(frozen=True, slots=True)
class BulkPage:
    """A change of many joints before it is made.

    Attributes:
        text: what is done, one sentence.
        asked: number of joints it was asked for.
        changes: of the first `SHOWN` joints, `more_changes` how many more there are.
        same: marks that are so already.
        refused: joints that it cannot be done to, with the reason: then nothing is done.
        problem: why it cannot be read; empty: none.
        moved_on: the joints are no longer those that were looked at.
        seen: fingerprint of all the joints it would change.
        fields: what was asked for, to be sent again, with the marks where single ones were ticked.
    """

    site_id: str
    site_name: str
    text: str
    asked: int
    changes: tuple[JointDiff, ...]
    more_changes: int
    same: tuple[str, ...]
    refused: tuple[str, ...]
    problem: str
    moved_on: bool
    seen: str
    fields: tuple[tuple[str, str], ...]


def refused(read: ScheduleFile, file_name: str) -> ImportOutcome:
    """The outcome of a file with errors."""
    return ImportOutcome(
        file_name=file_name,
        status="refused",
        summary=f"Nothing was imported: {plural(read.error_count, 'error')} in {file_name}.",
        errors=read.errors,
        error_count=read.error_count,
        warnings=read.warnings,
    )


def previewed(read: ScheduleFile, found: ImportPreview, site: KeptSite, show: Show) -> ImportOutcome:
    """What a file without errors would do."""
    done = found.done
    wanted = {item.joint.mark: item for item in read.joints}
    touched = [mark for mark in wanted if mark in {*done.changed, *done.returned, *done.moves_undone}]
    diffs, only_stated = [], list(found.rewritten)
    for mark in touched:
        item, before = wanted[mark], found.before[mark]
        joint = replace(item.joint, state=before.joint.state)
        said = [*said_changes(before.joint, joint, site)]
        if before.problems != item.problems:
            said.append(("not covered", "; ".join(before.problems) or "covered", "; ".join(item.problems) or "covered"))
        if not said and mark in done.changed and before.present:
            only_stated.append(mark)
        else:
            diffs.append(_diff(mark, said, show, found.by_hand.get(mark, {})))
    changed = tuple(mark for mark in done.changed if mark not in set(only_stated))
    same = done.joints - len({*done.added, *changed, *done.returned, *done.moves_undone})
    used = Counter(name for item in read.joints for name in item.defaults)
    nothing = not (done.added or done.vanished or touched or only_stated)
    return ImportOutcome(
        file_name=done.file_name,
        status="nothing_new" if nothing else "preview",
        summary=f"{plural(done.joints, 'joint')} in {done.file_name}: {_counted(done, len(changed), same)}.",
        warnings=read.warnings,
        added=done.added,
        changed=changed,
        same=same,
        vanished=done.vanished,
        returned=done.returned,
        moves_undone=done.moves_undone,
        changes=tuple(diffs[:SHOWN]),
        more_changes=max(0, len(diffs) - SHOWN),
        only_stated=tuple(only_stated),
        hand_undone=tuple(diff.mark for diff in diffs if any(change.by_hand for change in diff.fields)),
        uncovered=tuple(f"{item.joint.mark}: {'; '.join(item.problems)}" for item in read.joints if item.problems),
        defaults=tuple(DefaultUsed(name, taken, used[name]) for name, taken in _DEFAULTS.items() if used[name]),
        version=found.version,
    )


def saved(preview: ImportOutcome, done: ScheduleImport, version: str) -> ImportOutcome:
    """The outcome of a file that was taken in, whose preview it was."""
    counted = _counted(done, len(preview.changed), preview.same)
    summary = f"{plural(done.joints, 'joint')} read from {done.file_name}: {counted}."
    return replace(preview, status="saved", summary=summary, version=version)


def _counted(done: ScheduleImport, changed: int, same: int) -> str:
    """`1 new, 4 changed, 1 taken out, 120 as they were`: what there is none of is left out, but for the last."""
    moved_back = len(set(done.moves_undone) - {*done.changed, *done.returned})
    counts = (
        (len(done.added), "new"),
        (changed, "changed"),
        (moved_back, "moved back"),
        (len(done.returned), "back again"),
        (len(done.vanished), "taken out"),
    )
    return ", ".join([*(f"{count} {what}" for count, what in counts if count), f"{same} as they were"])


def _diff(
    mark: str, said: Sequence[tuple[str, str, str]], show: Show, by_hand: Mapping[str, JointChange] | None = None
) -> JointDiff:
    fields = []
    for field, was, becomes in said:
        hand = (by_hand or {}).get(field)
        told = "" if hand is None else f"by hand, {hand.by}, {show.moment(hand.at_utc, detail='date').text}"
        fields.append(
            FieldChange(field_name(field), said_value(field, was, show), said_value(field, becomes, show), told)
        )
    return JointDiff(mark, tuple(fields))


def field_name(field: str) -> str:
    """The name of a changed field for people."""
    known = {"start_utc": "planned start", "present": "in the schedule", "state": "state", "not covered": "not covered"}
    if field in known:
        return known[field]
    label = label_of(field)
    return label[:1].lower() + label[1:]


def said_value(field: str, value: str, show: Show) -> str:
    """A value as a change wrote it down, for people."""
    if field == "start_utc":
        return show.moment(datetime.fromisoformat(value), detail="date").text
    if field == "state":
        state: JointState | None = next((state for state in STATES if state == value), None)
        return value if state is None else STATES[state]
    return value


def change_text(change: JointChange, show: Show) -> str:
    """One change by hand, a sentence."""
    was, became = (said_value(change.field, value, show) or "nothing" for value in (change.was, change.became))
    by = f", {change.by}" if change.by else ""
    return f"{show.moment(change.at_utc, detail='date').text}{by}: {field_name(change.field)} {was} → {became}."


def edit_page(
    site: KeptSite,
    kept: KeptJoint | None,
    groups: tuple[FormGroup, ...],
    show: Show,
    *,
    seen: str,
    history: Sequence[JointChange] = (),
    warnings: tuple[str, ...] = (),
    problem: str = "",
) -> EditPage:
    """The form of one joint; None: of a new one."""
    return EditPage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        mark="" if kept is None else kept.joint.mark,
        seen=seen,
        present=kept is None or kept.present,
        state_text="" if kept is None else STATES[kept.joint.state],
        problem=problem,
        problem_count=sum(bool(field.problem) for group in groups for field in group.fields),
        warnings=warnings,
        history=tuple(change_text(change, show) for change in history[:20]),
        groups=groups,
    )


def bulk_page(
    site: KeptSite,
    text: str,
    asked: int,
    outcome: BulkOutcome,
    show: Show,
    *,
    seen: str,
    fields: Sequence[tuple[str, str]],
    problem: str = "",
    moved_on: bool = False,
) -> BulkPage:
    """A change of many joints before it is made."""
    return BulkPage(
        site_id=site.site.id,
        site_name=site.site.name,
        text=text,
        asked=asked,
        changes=edit_diffs(outcome.edits[:SHOWN], show),
        more_changes=max(0, len(outcome.edits) - SHOWN),
        same=outcome.same,
        refused=tuple(f"{mark}: {why}" for mark, why in outcome.refused),
        problem=problem,
        moved_on=moved_on,
        seen=seen,
        fields=tuple(fields),
    )


def edit_diffs(edits: Sequence[JointEdit], show: Show) -> tuple[JointDiff, ...]:
    """What some edits change."""
    return tuple(_diff(edit.wanted.joint.mark, edit.said, show) for edit in edits)
