"""The arrangements of joints as shown: sketch, parts, sizes to state, limits, what is left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from frostshift_rules.arrangements import (
    CATALOGUE,
    FLANGE_SIZES,
    KIND_WORDS,
    LEAST_WIDTH_THICKNESSES,
    SAME_MM,
    SIZES,
    SOURCE,
    Meeting,
    Role,
)
from frostshift_rules.figures import length_text
from frostshift_rules.job import Arrangement, Site

NO_LOOK_UP: Final = (
    "Sizes are typed from the drawing or measured: sections are not looked up by their designation, as no open source "
    "of dimensions with a clear licence was at hand."
)
OTHERWISE: Final = (
    "A joint that is none of these is left without an arrangement; each part is then taken as its kind, reach and "
    "sides say."
)
IN_SKETCHES: Final = (
    "In the sketches arrows point at the heated face, a ring marks the coldest metal, and band is what is heated on "
    "each side of the weld. t: thickness, b: flange width, tw: web, h: web depth. They are not to scale."
)


@dataclass(frozen=True, slots=True)
class SizeView:
    """A size to state: its name in a schedule and in a case, what it is, and whether it is needed, in words."""

    column: str
    key: str
    about: str
    need: str


@dataclass(frozen=True, slots=True)
class RoleView:
    """One part: what it is, its kind and how it lies, sentences."""

    part_no: int
    name: str
    kind: str
    lies: str
    sizes: tuple[SizeView, ...]


@dataclass(frozen=True, slots=True)
class ArrangementView:
    """One arrangement.

    Attributes:
        id, word: its code, and how it is written in a schedule or case.
        title, about: of the catalogue.
        sketch: path of its drawing.
        parts: in their order.
        weld: how the weld ends and how long it is.
        limits: what is refused, sentences.
        left_out: what is left out or taken simpler, sentences.
    """

    id: Arrangement
    word: str
    title: str
    about: str
    sketch: str
    parts: tuple[RoleView, ...]
    weld: str
    limits: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ArrangementList:
    """All arrangements; `source` is what they rest on."""

    site_id: str
    site_name: str
    source: str
    notes: tuple[str, ...]
    arrangements: tuple[ArrangementView, ...]


def arrangement_list(site: Site | None) -> ArrangementList:
    """The catalogue, in its order; the site is that of the page's navigation."""
    return ArrangementList(
        site_id="" if site is None else site.id,
        site_name="" if site is None else site.name,
        source=SOURCE,
        notes=(IN_SKETCHES, NO_LOOK_UP, OTHERWISE),
        arrangements=tuple(map(arrangement_view, CATALOGUE)),
    )


@cache
def arrangement_view(name: Arrangement) -> ArrangementView:
    """One arrangement."""
    meeting = CATALOGUE[name]
    return ArrangementView(
        id=name,
        word=name.replace("_", " "),
        title=meeting.title,
        about=meeting.about,
        sketch=f"/static/arrangements/{name}.svg",
        parts=tuple(_role(n, role) for n, role in enumerate(meeting.roles, 1)),
        weld=_weld(meeting),
        limits=tuple(_limits(meeting)),
        left_out=meeting.left_out,
    )


@cache
def sketch(name: Arrangement) -> str:
    """The drawing of an arrangement as SVG, ours and without script, to stand in a page."""
    return resources.files("frostshift_service").joinpath("static", "arrangements", f"{name}.svg").read_text("utf-8")


def _role(number: int, role: Role) -> RoleView:
    kinds = " or, where that is stated, ".join(KIND_WORDS[kind] for kind in (role.kind, *role.other_kinds))
    sizes = [(size, "needed") for size in role.needs] + [(size, "may be left out") for size in role.may_have]
    if "flange_with_web" in role.other_kinds:
        sizes += [(size, "only of a flange with a web, which needs it") for size in FLANGE_SIZES]
    return RoleView(
        part_no=number,
        name=role.name,
        kind=kinds,
        lies="ends at the weld" if role.sides == 1 else "runs through under the weld",
        sizes=tuple(
            SizeView(f"{size}_{number}", "width" if size == "reach" else size, SIZES[size], need)
            for size, need in sizes
        ),
    )


def _weld(meeting: Meeting) -> str:
    if meeting.id == "butt":
        return "Ends inside the plates, or runs from edge to edge where that is stated."
    if meeting.ends == ("all_round",):
        return "Runs all round; its length is once round the outside."
    if not meeting.fills_flange:
        return "Ends inside the parts."
    length = "It is as long as the narrowest flange is wide; left empty, that width is taken."
    if len(meeting.ends) == 1:
        return f"Ends inside the plate. {length}"
    return f"Runs from edge to edge where both flanges have one width, else ends inside the wider one. {length}"


def _limits(meeting: Meeting) -> Iterator[str]:
    yield f"{len(meeting.roles)} parts, in this order."
    if meeting.fills_flange:
        near = length_text(SAME_MM, "either")
        yield f"A weld length that is stated is within {near} of the width of the narrowest flange."
        yield "A flange is heated over its whole width at once."
    kinds = {kind for role in meeting.roles for kind in (role.kind, *role.other_kinds)}
    if "flange_with_web" in kinds:
        times = f"{LEAST_WIDTH_THICKNESSES:g} times"
        yield f"A flange is at least {times} as wide as thick, and wider than its web is thick."
    if any(role.kind == "flange_with_web" and role.sides == 2 for role in meeting.roles):
        yield "The flange that runs through is not narrower than the one that ends on it."
    if meeting.one_face:
        yield f"Heated from one face: {meeting.one_face}."
    yield "A kind, sides or ends of the weld that are stated and contradict this are an error."
