"""The preheat record of one joint: what was asked, predicted and measured, by whom; to be printed and signed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from frostshift_rules.figures import Ask
from frostshift_rules.instructions import instructions
from frostshift_rules.job import JointState, Site
from frostshift_rules.reading_check import Asked
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import JointPlan
from frostshift_service.store.records import KeptJoint, KeptReading, Prediction
from frostshift_service.views.files import Cell, Table
from frostshift_service.views.joint import WHO_ASKS, Fact, joint_facts, part_text
from frostshift_service.views.readings import ReadingLine, reading_line, requirement_of
from frostshift_service.views.sheet import line
from frostshift_service.views.show import Moment, Show
from frostshift_service.views.words import CAUTIONS, STATES, Caution

LINES: Final = 6
"""A printed record has room for so many readings, but at least for `FREE` more than there are."""
FREE: Final = 2
IN_RECORD: Final = 500
"""Readings of a joint that its record holds."""


@dataclass(frozen=True, slots=True)
class RecordPage:
    """The record of one joint.

    Attributes:
        made: when this record was made.
        joint: the joint as it was scheduled.
        asked: what is asked of it, with clause and basis.
        predicted: what was predicted of it; `predicted_note` says by which plan, or why there is none.
        measured: every reading, the first one first.
        blank_lines: to be filled in by hand.
        signatures: who signs.
    """

    site_id: str
    site_name: str
    zone: str
    mark: str
    place: str
    state: JointState
    state_text: str
    made: Moment
    joint: tuple[Fact, ...]
    asked: tuple[Fact, ...]
    predicted: tuple[Fact, ...]
    predicted_note: str
    measured: tuple[ReadingLine, ...]
    blank_lines: int
    signatures: tuple[str, ...]
    cautions: tuple[Caution, ...]


def record_page(
    site: Site,
    kept: KeptJoint,
    predicted: Prediction | None,
    asked: Asked,
    readings: Sequence[KeptReading],
    show: Show,
    now: datetime,
) -> RecordPage:
    """The record of a joint.

    Args:
        site: its site.
        kept: the joint.
        predicted: what stood in the plan before it was heated; None: no such plan is kept.
        asked: what its readings are held against now.
        readings: of the joint, in the order of their time.
        show: units and zone.
        now: aware.
    """
    joint = kept.joint
    lines = tuple(reading_line(one, asked, show) for one in readings)
    return RecordPage(
        site_id=site.id,
        site_name=site.name,
        zone=site.zone,
        mark=joint.mark,
        place=joint.place,
        state=joint.state,
        state_text=STATES[joint.state],
        made=show.moment(now, detail="year"),
        joint=(
            *(Fact(f"Part {n}", part_text(part, show)) for n, part in enumerate(joint.parts, 1)),
            *(one for one in joint_facts(joint, show) if one.label in _OF_JOINT),
        ),
        asked=_asked(site, kept, asked, show),
        predicted=() if predicted is None else _predicted(predicted.planned, site, show),
        predicted_note=_predicted_note(predicted, show),
        measured=lines,
        blank_lines=max(LINES - len(lines), FREE),
        signatures=("Welder", "Superintendent", "Inspector"),
        cautions=CAUTIONS[:2],
    )


_OF_JOINT: Final = ("Crew", "Planned start", "Process", "Procedure", "Weld")


def _asked(site: Site, kept: KeptJoint, held_against: Asked, show: Show) -> tuple[Fact, ...]:
    asked = requirement_of(site, kept.joint)
    table = load_code_table(site.table_id, site.own_tables)
    minimum = "unknown: " + "; ".join(asked.unknown) if asked.minimum_c is None else ""
    if asked.minimum_c is not None:
        least_c = max(asked.minimum_c, held_against.minimum_c or asked.minimum_c)
        minimum = show.temp_text(least_c, "up")
        if held_against.met_from_c != least_c and least_c < asked.cold_floor_c:
            floor, below = show.temp_text(asked.cold_floor_c, "up"), show.temp_text(asked.cold_below_c)
            minimum += f"; {floor} where the steel was below {below} before heating"
        if asked.not_accepted:
            minimum = f"unknown until the site has accepted the figures; as a hint {minimum}"
    said = {one.topic: one for one in instructions(kept.joint, asked, table, site.code_units, show.units)}
    maximum = "none stated; that of the welding procedure holds"
    if asked.maximum_c is not None:
        maximum = f"{show.temp_text(asked.maximum_c, 'down')}; {asked.maximum_source}"
    return (
        Fact("Minimum, preheat and between passes", minimum),
        Fact("Maximum", maximum),
        Fact("Warm around the weld", said["extent"].text),
        Fact("Rule", f"{table.name}: {_rule(asked.asks[0])}" if asked.asks else f"{table.name}: no figure was found"),
        Fact("Where to measure", said["where_when"].text),
        Fact("Source of the extent", said["extent"].source),
    )


def _rule(ask: Ask) -> str:
    row = ask.row.removeprefix(f"{ask.clause.rpartition(', ')[2]}, ")  # both name the category
    parts = [WHO_ASKS.get(ask.what, ask.what), ask.clause, row, f"our copy: {ask.basis}" if ask.basis else ""]
    return ", ".join(part for part in parts if part)


def _predicted(planned: JointPlan, site: Site, show: Show) -> tuple[Fact, ...]:
    of_sheet = line(planned, site, show)
    steel = "unknown" if of_sheet.steel is None else f"{of_sheet.steel.full_text}, {of_sheet.steel.at.text}"
    heating = of_sheet.minutes.text if of_sheet.minutes is not None else of_sheet.minutes_text or "none planned"
    facts = [
        Fact("Heat", of_sheet.call.text),
        Fact("Steel at the worst hour", steel),
        Fact("Heating", f"{heating}{f', {of_sheet.heaters_text}' if of_sheet.minutes is not None else ''}"),
        Fact("Light up", "no time" if of_sheet.light_up is None else of_sheet.light_up.text),
    ]
    if of_sheet.target is not None:
        facts.append(Fact("Heat to", of_sheet.target.text))
    if of_sheet.hold_text:
        facts.append(Fact("Holds", of_sheet.hold_text))
    return tuple(facts)


def _predicted_note(predicted: Prediction | None, show: Show) -> str:
    if predicted is None:
        return "Unknown: no plan from before it was heated is kept with it."
    return f"By the plan made {show.moment(predicted.made_utc, detail='year').text}. Predicted, not measured."


def record_table(page: RecordPage) -> Table:
    """The record for a file: section, what, text, then the readings in columns of their own."""
    head: list[tuple[Cell, ...]] = [
        ("record", "joint", page.mark, *[None] * 9),
        ("record", "place", page.place, *[None] * 9),
        ("record", "made", f"{page.made.text}, {page.zone}", *[None] * 9),
    ]
    for section, facts in (("joint", page.joint), ("asked", page.asked), ("predicted", page.predicted)):
        head += [(section, fact.label, fact.text, *[None] * 9) for fact in facts]
    head.append(("predicted", "by", page.predicted_note, *[None] * 9))
    measured: list[tuple[Cell, ...]] = [
        (
            "measured",
            one.stage_text,
            one.text,
            one.at.text,
            one.verdict.text,
            one.verdict.detail,
            one.point,
            one.instrument,
            one.by,
            one.note,
            round(one.steel.c, 2),
            f"{one.at.utc:%Y-%m-%dT%H:%M:%S}Z",
        )
        for one in page.measured
    ]
    header = (
        "section", "what", "text", "measured_at", "verdict", "why", "where", "measured_with", "by", "note", "steel_c",
        "measured_utc",
    )  # fmt: skip
    return Table(header, (*head, *measured), "record")
