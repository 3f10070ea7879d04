"""The crew sheet: what one crew heats in the next shifts, page by page, with room for readings by hand."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from frostshift_service.views.sheet import Header, Line, MorningSheet
from frostshift_service.views.show import Moment, plural
from frostshift_service.views.words import CALLS, CAUTIONS_SHORT, Caution, Word, crew_text

LINES_A_PAGE: Final = 25
"""So many joints stand on a page that is read in a glove at arm's length."""
LINES_WITH_NOTES: Final = 10
"""On a page of at most so many joints there is room for a row of notes below each."""
OUTSIDE: Final = "Outside every shift"


@dataclass(frozen=True, slots=True)
class CrewPage:
    """One page for one crew and shift.

    Attributes:
        shift: title of the shift; `Outside every shift` for joints of none.
        crew: as the schedule has it; empty for none. `crew_text` its words.
        part, parts: this page among those of the crew and shift.
        joints: of the crew in this shift, on all its pages; `counts` by call, in words.
        measure_text: on which side and how far from the weld to measure the joints of this page.
        with_notes: there is room for the notes of each joint.
        lines: at most `LINES_A_PAGE`, as on the morning sheet: without a sure amount first, then by light-up time.
    """

    shift: str
    crew: str
    crew_text: str
    part: int
    parts: int
    joints: int
    counts: str
    measure_text: str
    with_notes: bool
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class CrewSheet:
    """The pages of one crew, or of all.

    Attributes:
        header: where the figures come from.
        title: whose sheet it is.
        made_text: when the plan was made, with the zone; stands on every page.
        crew: as asked for; None: of all crews.
        crews: that have a joint in these shifts; empty text for joints without a crew.
        pages: in the order of the shifts, then of the crews.
        empty_text: where there is no page, why.
        first, last: begin of the first and end of the last shift; None where there is none.
        cautions: standing cautions; `cautions_short` those for the foot of every page.
    """

    header: Header
    title: str
    made_text: str
    crew: str | None
    crews: tuple[str, ...]
    pages: tuple[CrewPage, ...]
    empty_text: str
    first: Moment | None
    last: Moment | None
    cautions: tuple[Caution, ...]
    cautions_short: str


def crew_sheet(sheet: MorningSheet, crew: str | None = None) -> CrewSheet:
    """The shifts of a morning sheet, crew by crew; `crew` alone where one is asked for, empty for joints of none."""
    groups = [(block.title, block.lines) for block in sheet.shifts]
    if sheet.outside:
        groups.append((OUTSIDE, sheet.outside))
    crews = tuple(sorted({line.crew for _, lines in groups for line in lines}, key=lambda one: (not one, one)))
    pages = tuple(
        page
        for title, lines in groups
        for one in crews
        if crew is None or one == crew
        for page in _pages(title, one, [line for line in lines if line.crew == one])
    )
    whose = "all crews" if crew is None else crew_text(crew)
    return CrewSheet(
        header=sheet.header,
        title=f"Crew sheet, {whose}, {sheet.title}",
        made_text=f"{sheet.header.made.text} ({sheet.header.zone})",
        crew=crew,
        crews=crews,
        pages=pages,
        empty_text="" if pages else f"No joint of {whose} is planned in these shifts.",
        first=sheet.shifts[0].start if sheet.shifts else None,
        last=sheet.shifts[-1].end if sheet.shifts else None,
        cautions=sheet.cautions,
        cautions_short=CAUTIONS_SHORT,
    )


def _pages(shift: str, crew: str, lines: list[Line]) -> Iterable[CrewPage]:
    parts = -(-len(lines) // LINES_A_PAGE)
    for part in range(parts):
        some = lines[part * LINES_A_PAGE : (part + 1) * LINES_A_PAGE]
        yield CrewPage(
            shift=shift,
            crew=crew,
            crew_text=crew_text(crew),
            part=part + 1,
            parts=parts,
            joints=len(lines),
            counts=_counts(lines),
            measure_text=_measure_text(some),
            with_notes=len(some) <= LINES_WITH_NOTES,
            lines=tuple(some),
        )


def _measure_text(lines: list[Line]) -> str:
    """One sentence for a page: the distance of most of its joints, then the others by mark."""
    [(usual, _), *others] = Counter(line.measure_off for line in lines).most_common()
    said = [f"Measure on the face away from the flame, {usual} from the weld"]
    for off, _ in others:
        said.append(f"{', '.join(line.mark for line in lines if line.measure_off == off)} at {off}")
    return f"{'; '.join(said)}."


def _counts(lines: list[Line]) -> str:
    words: list[tuple[Word, int]] = [
        (word, sum(line.call.code == word.code for line in lines)) for word in CALLS.values()
    ]
    return f"{plural(len(lines), 'joint')}: " + ", ".join(f"{count} {word.text}" for word, count in words if count)
