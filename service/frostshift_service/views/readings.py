"""Readings in words: what was measured, and whether the arc may be struck by it; the form to write one down."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, get_args

from frostshift_rules import preheat
from frostshift_rules.job import Joint, Reading, Sense, Site, Stage
from frostshift_rules.preheat import Requirement
from frostshift_rules.reading_check import FINDING_OF, Asked, Finding, Why, asked_of, asked_once_cold, check
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import JointPlan, Plan
from frostshift_service.store.records import KeptReading
from frostshift_service.views.files import Table
from frostshift_service.views.show import Moment, Show, Temp, age
from frostshift_service.views.words import CAUTIONS, Caution, Word

FINDINGS: Final[dict[Finding, Word]] = {
    "below_minimum": Word("below_minimum", "Below the minimum: do not strike.", "under"),
    "above_maximum": Word("above_maximum", "Above the maximum: let it cool.", "over"),
    "within": Word("within", "Within the limits.", "between"),
    "minimum_met": Word("minimum_met", "Minimum met.", "met"),
    "unknown": Word("unknown", "Unknown: ask the superintendent.", "dashes"),
}
STAGES: Final[dict[Stage, str]] = {
    "before_heat": "before any heat",
    "before_arc": "heated, before the arc",
    "between_passes": "between passes",
}
COLD_COUNTS: Final = timedelta(days=3)
"""Steel that was cold before heating lets the cold-steel rule count for so long. Our choice."""
LATE: Final = timedelta(minutes=2)
"""A reading that was written down later than this says so."""
SHOWN: Final = 200
"""Readings of a site that its page shows; the files have `IN_FILE`."""
IN_FILE: Final = 20_000
_WHYS: Final[tuple[Why, ...]] = get_args(Why)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a reading means for the arc.

    Attributes:
        code, text, shape: of the finding.
        why: case of it.
        detail: one or two sentences with the figures.
    """

    code: Finding
    text: str
    shape: str
    why: Why
    detail: str


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """A reading with its verdict.

    Attributes:
        at, entered: when it was measured, and when it reached us; `late_text` says so where that was later.
        steel: the figure, or the rating of the crayon; `text` says which.
        stage_text: when in the work, with the pass.
        verdict: by what was asked when it came.
        now: by what is asked now; None where that is the same.
    """

    id: int
    mark: str
    at: Moment
    entered: Moment
    late_text: str
    steel: Temp
    text: str
    sense: Sense
    stage: Stage
    stage_text: str
    pass_no: int | None
    point: str
    instrument: str
    by: str
    note: str
    entered_by: str
    verdict: Verdict
    now: Verdict | None


@dataclass(frozen=True, slots=True)
class ReadingForm:
    """What the form needs to judge a reading by itself, without a network.

    Attributes:
        asked: of the joint [°C].
        verdicts: every case that can be, in words.
        cold_below_c: steel colder than this before any heat lets the cold-steel rule count [°C].
        asked_once_cold: of the joint from then on [°C], with `verdicts_once_cold`.
        asked_at: when this was asked; a page may stand open for long without a network.
        zone: clock of the site.
        points: where to measure, to choose from.
    """

    mark: str
    asked: Asked
    verdicts: tuple[Verdict, ...]
    cold_below_c: float
    asked_once_cold: Asked
    verdicts_once_cold: tuple[Verdict, ...]
    asked_at: Moment
    zone: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadingsPage:
    """Readings of a site, the newest first; of one joint where `mark` is not empty."""

    site_id: str
    site_name: str
    zone: str
    mark: str
    readings: tuple[ReadingLine, ...]
    cautions: tuple[Caution, ...] = CAUTIONS


# ---------------------------------------------------------------- what is asked


def requirement_of(site: Site, joint: Joint) -> Requirement:
    """What table and procedure ask of a joint, planned or not."""
    table = load_code_table(site.table_id, site.own_tables)
    return preheat.requirement(joint, table, site.procedure(joint.procedure), site.code_units, site.accepted_ids)


def planned_as(plan: Plan | None, site: Site, joints: Iterable[Joint]) -> dict[str, JointPlan]:
    """Those joints, by mark, that a plan knows as they are now.

    A reading of a joint that was changed since the plan was made must not be held against the minimum of before.
    """
    if plan is None or _asks(plan.site) != _asks(site):
        return {}
    in_plan = {one.joint.mark: one for one in plan.joints}
    return {
        one.mark: in_plan[one.mark] for one in joints if one.mark in in_plan and _same(one, in_plan[one.mark].joint)
    }


def _same(joint: Joint, planned: Joint) -> bool:
    """Whether the same is predicted and asked of both; who welds it and how far it is changes neither."""
    return replace(joint, place=planned.place, crew=planned.crew, state=planned.state) == planned


def _asks(site: Site) -> tuple[object, ...]:
    """What the requirement of a joint hangs on at its site."""
    return site.table_id, site.own_tables, site.procedures, site.acceptances, site.code_units


def asked_for(site: Site, joint: Joint, planned: JointPlan | None, readings: Sequence[KeptReading]) -> Asked:
    """What readings of a joint are held against.

    Args:
        site: its site.
        joint: the joint.
        planned: the same in the latest plan; None: it is in none.
        readings: of the joint, in any order; those before any heat count for `COLD_COUNTS` before the newest.
    """
    requirement = requirement_of(site, joint) if planned is None else planned.requirement
    newest = max((one.reading.at_utc for one in readings), default=None)
    recent = [one.reading for one in readings if newest is not None and newest - one.reading.at_utc <= COLD_COUNTS]
    return asked_of(requirement, None if planned is None else planned.minimum_c, recent)


# ---------------------------------------------------------------- words


def verdict_of(why: Why, asked: Asked, show: Show) -> Verdict:
    """A case in words; figures that it does not know are left out."""
    word = FINDINGS[FINDING_OF[why]]
    return Verdict(FINDING_OF[why], word.text, word.shape, why, _detail(why, asked, show))


def _detail(why: Why, asked: Asked, show: Show) -> str:
    least, met = (None if c is None else show.temp_text(c, "up") for c in (asked.minimum_c, asked.met_from_c))
    most = None if asked.maximum_c is None else show.temp_text(asked.maximum_c, "down")
    if why == "not_settled" and met is not None:
        return f"{least} or {met} is asked, by how cold the steel was before heating: nobody has written that down."
    return {
        "below": f"The minimum is {least}. Heat on, and measure again before the arc.",
        "above": f"The maximum is {most}. Wait, and measure again before the next pass.",
        "both_kept": f"The minimum is {met}, the maximum {most}.",
        "no_maximum": f"The minimum is {met}. No maximum is stated here: that of the welding procedure holds.",
        "maximum_not_shown": f"The minimum is {met}. Of the maximum, {most}, this crayon says nothing: one of that "
        "rating must not melt.",
        "no_minimum": "What is asked of this joint is not known.",
        "not_settled": f"The site has not accepted the figure of {least} yet: it is a hint.",
        "minimum_not_shown": f"This crayon says nothing of the minimum of {least}: take one of that rating, or a "
        "thermometer.",
    }[why]


def _can_be(why: Why, asked: Asked) -> bool:
    """Whether a case has all the figures that its words name."""
    needed = {
        "below": (asked.minimum_c,),
        "above": (asked.maximum_c,),
        "both_kept": (asked.met_from_c, asked.maximum_c),
        "no_maximum": (asked.met_from_c,),
        "maximum_not_shown": (asked.met_from_c, asked.maximum_c),
        "no_minimum": (),
        "not_settled": (asked.minimum_c,),
        "minimum_not_shown": (asked.minimum_c,),
    }[why]
    return None not in needed


def reading_text(reading: Reading, show: Show) -> str:
    """`215 °F`, `at least 225 °F (crayon melted)`, `below 225 °F (crayon did not melt)`."""
    figure = show.tenths_text(reading.steel_c)
    if reading.sense == "at_least":
        return f"at least {figure}, melted"
    return f"below {figure}, did not melt" if reading.sense == "below" else figure


def reading_line(kept: KeptReading, asked: Asked, show: Show) -> ReadingLine:
    """A reading in words.

    Args:
        kept: the reading.
        asked: of its joint, now.
        show: units and zone.
    """
    one = kept.reading
    then = kept.asked or asked
    verdict = verdict_of(check(one.steel_c, one.sense, then), then, show)
    today = verdict_of(check(one.steel_c, one.sense, asked), asked, show)
    late = kept.entered_utc - one.at_utc
    late_text = f"written down {age(late.total_seconds() / 3600.0)} later" if late > LATE else ""
    if kept.is_late:
        late_text += ", late: it corrects no prediction"
    stage = STAGES[one.stage] if one.pass_no is None else f"before pass {one.pass_no}"
    return ReadingLine(
        id=kept.id,
        mark=one.mark,
        at=show.moment(one.at_utc, detail="date"),
        entered=show.moment(kept.entered_utc, detail="date"),
        late_text=late_text,
        steel=show.temp(one.steel_c),
        text=reading_text(one, show),
        sense=one.sense,
        stage=one.stage,
        stage_text=stage,
        pass_no=one.pass_no,
        point=one.point,
        instrument=one.instrument,
        by=one.by,
        note=kept.note,
        entered_by=kept.entered_by,
        verdict=verdict,
        now=None if today.code == verdict.code else today,
    )


def reading_form(
    site: Site, joint: Joint, planned: JointPlan | None, asked: Asked, show: Show, now: datetime
) -> ReadingForm:
    """The form of one joint.

    Args:
        site: its site.
        joint: the joint.
        planned: the same in the latest plan; None: it is in none.
        asked: of it.
        show: units and zone.
        now: aware.
    """
    requirement = requirement_of(site, joint) if planned is None else planned.requirement
    once_cold = asked_once_cold(requirement, None if planned is None else planned.minimum_c)
    edge = show.least_length_text(requirement.extent_mm)
    parts = [f", part {n}" for n in range(1, len(joint.parts) + 1)] if len(joint.parts) > 1 else [""]
    points = [f"{edge} from the weld, {face}{part}" for part in parts for face in ("far face", "heated face")]
    return ReadingForm(
        mark=joint.mark,
        asked=asked,
        verdicts=_verdicts(asked, show),
        cold_below_c=requirement.cold_below_c,
        asked_once_cold=once_cold,
        verdicts_once_cold=_verdicts(once_cold, show),
        asked_at=show.moment(now, detail="date"),
        zone=site.zone,
        points=(*points, "on the weld or right beside it"),
    )


def _verdicts(asked: Asked, show: Show) -> tuple[Verdict, ...]:
    return tuple(verdict_of(why, asked, show) for why in _WHYS if _can_be(why, asked))


def readings_page(site: Site, mark: str, lines: Iterable[ReadingLine]) -> ReadingsPage:
    """Readings of a site, or of one joint of it, the newest first."""
    newest = sorted(lines, key=lambda one: (one.at.utc, one.id), reverse=True)
    return ReadingsPage(site.id, site.name, site.zone, mark, tuple(newest))


# ---------------------------------------------------------------- files

_HEADER: Final = (
    "joint", "measured", "says", "when_in_the_work", "pass", "verdict", "why", "where", "measured_with", "by", "note",
    "steel_c", "sense", "stage", "measured_utc", "entered_utc", "entered_by", "verdict_by_what_is_asked_now",
)  # fmt: skip


def readings_table(lines: Iterable[ReadingLine]) -> Table:
    """Readings for a file, a line each."""
    return Table(
        header=_HEADER,
        rows=tuple(
            (
                one.mark, one.at.text, one.text, one.stage_text, one.pass_no, one.verdict.text, one.verdict.detail,
                one.point, one.instrument, one.by, one.note, round(one.steel.c, 2), one.sense, one.stage,
                f"{one.at.utc:%Y-%m-%dT%H:%M:%S}Z", f"{one.entered.utc:%Y-%m-%dT%H:%M:%S}Z", one.entered_by,
                None if one.now is None else one.now.text,
            )
            for one in lines
        ),
        title="readings",
    )  # fmt: skip
