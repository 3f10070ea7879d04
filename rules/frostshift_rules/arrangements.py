"""How the parts of a joint meet: a small catalogue of arrangements, and what each says of its parts.

An arrangement names the parts in their order, the kind of each, whether it ends at the weld or runs through under it,
and how the weld ends; with it nobody has to know the terms of the heating engine. `as_arranged` fills these in and
holds the sizes against each other. What a joint states is never overwritten: where it contradicts its arrangement,
that is an error.

Roles, kinds and limits are common practice, no source. Dimensions are typed: sections are not looked up by their
designation.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from frostshift_rules.job import Arrangement, Ends, Joint, Part, PartKind
from frostshift_rules.units import in_from_mm

SOURCE: Final = "common practice, no source"
"""What the roles, kinds and limits of the catalogue rest on."""
SAME_MM: Final = 2.0
"""Widths that differ by no more are one width [mm]; our choice, about what a tape measure is read to."""
LEAST_WIDTH_THICKNESSES: Final = 2.0
"""A flange is at least so many times as wide as it is thick; nothing narrower is worked out."""

Size = Literal["thickness", "reach", "flange_width", "web", "web_depth"]
FLANGE_SIZES: Final[tuple[Size, ...]] = ("flange_width", "web", "web_depth")
"""Sizes that only a flange with a web has, and that it needs beside its thickness."""
SIZES: Final[Mapping[Size, str]] = {
    "thickness": "thickness at the weld",
    "reach": "from the weld to the free edge across the weld; not stated, it counts as wide",
    "flange_width": "whole width of the flange along the weld, from free edge to free edge",
    "web": "thickness of the web behind the flange",
    "web_depth": "clear depth of the web between the flanges; half of it where both flanges are heated at once",
}
KIND_WORDS: Final[Mapping[PartKind, str]] = {
    "plate": "flat plate",
    "flange_with_web": "flange with a web",
    "touching": "flat plate that touches another part",
    "tube": "wall of a tube or box",
}


@dataclass(frozen=True, slots=True)
class Role:
    """One part of an arrangement.

    Attributes:
        name: what it is called there.
        kind: that it has where none is stated.
        sides: 1 where it ends at the weld, 2 where it runs through under it.
        other_kinds: that may be stated in place of `kind`; never `plate`, which is what an open field holds.
    """

    name: str
    kind: PartKind
    sides: Literal[1, 2]
    other_kinds: tuple[PartKind, ...] = ()

    @property
    def needs(self) -> tuple[Size, ...]:
        """Sizes that have to be stated."""
        return ("thickness", *(FLANGE_SIZES if self.kind == "flange_with_web" else ()))

    @property
    def may_have(self) -> tuple[Size, ...]:
        """Sizes that may be stated as well."""
        return () if self.kind == "flange_with_web" else ("reach",)


@dataclass(frozen=True, slots=True)
class Meeting:
    """One arrangement of the catalogue.

    Attributes:
        id: as in `Joint.arrangement`.
        title: in plain words of the trade.
        about: one sentence.
        roles: its parts, in their order.
        ends: ends that the weld may have, the first where none is stated; for a weld that fills the flange they
            follow from the widths.
        fills_flange: the weld is as long as the narrowest flange is wide.
        one_face: why it cannot be heated from both faces; empty where it can.
        left_out: what is left out or taken simpler than it is, sentences.
    """

    id: Arrangement
    title: str
    about: str
    roles: tuple[Role, ...]
    ends: tuple[Ends, ...]
    fills_flange: bool
    one_face: str
    left_out: tuple[str, ...]

    @property
    def settles_ends(self) -> bool:
        """Whether the ends of the weld follow from the arrangement and its sizes."""
        return self.fills_flange or len(self.ends) == 1


_HOLE: Final = (
    "The weld access hole in the web is left out: it makes the true time up to about 4 % shorter on thin flanges, so "
    "the time errs long."
)
_WEB_WELD: Final = "The weld of the web is a joint of its own, and so is the other flange."
_AIR: Final = "All faces lose heat to the air alike, whichever way up the steel stands."

CATALOGUE: Final[Mapping[Arrangement, Meeting]] = {
    one.id: one
    for one in (
        Meeting(
            id="butt",
            title="Plates end to end",
            about="Two flat plates in one plane meet edge to edge in a groove weld.",
            roles=(Role("one plate", "plate", 1), Role("the other plate", "plate", 1)),
            ends=("inside", "edge_to_edge"),
            fills_flange=False,
            one_face="",
            left_out=(
                "Backing bars, run-off tabs and anything that stands on the plates near the weld: they take heat too, "
                "so measure early.",
                _AIR,
            ),
        ),
        Meeting(
            id="flange_splice",
            title="Flange splice",
            about="The flanges of two beams or girders in one line meet end to end; the weld runs across the flange.",
            roles=(Role("one flange", "flange_with_web", 1), Role("the other flange", "flange_with_web", 1)),
            ends=("edge_to_edge", "inside"),
            fills_flange=True,
            one_face="",
            left_out=(_HOLE, _WEB_WELD, "Stiffeners and splice plates near the weld.", _AIR),
        ),
        Meeting(
            id="tee",
            title="Beam flange to column flange",
            about="A flange ends on the face of a flange that runs through, as where a beam is welded to a column.",
            roles=(
                Role("the flange that runs through", "flange_with_web", 2),
                Role("the flange that ends on it", "flange_with_web", 1),
            ),
            ends=("inside", "edge_to_edge"),
            fills_flange=True,
            one_face="",
            left_out=(
                _HOLE,
                _WEB_WELD,
                "The web of the flange that ends hides a strip of the other's face from the flame; it is taken as "
                "heated, so measure there.",
                "Stiffeners behind the flange that runs through take heat too: measure behind them.",
            ),
        ),
        Meeting(
            id="stiffener",
            title="Stiffener or other plate on a face",
            about="A flat plate stands with its edge on the face of a web or plate that runs through.",
            roles=(
                Role("the web or plate that runs through", "plate", 2, ("flange_with_web",)),
                Role("the plate that stands on it", "plate", 1),
            ),
            ends=("inside",),
            fills_flange=False,
            one_face="",
            left_out=(
                "The weld is taken to end inside both plates: for the plate that stands on the other this errs long.",
                "Heat comes from one face, that with the weld, unless both faces are stated.",
                "A flange that runs through with its web behind is no flat plate: state its kind as flange with web, "
                "and its sizes.",
                "Other stiffeners and flanges beside the weld take heat too: measure early.",
            ),
        ),
        Meeting(
            id="column_splice",
            title="Column splice",
            about="A flange of the upper column stands end to end on a flange of the lower one.",
            roles=(
                Role("flange of the lower column", "flange_with_web", 1),
                Role("flange of the upper column", "flange_with_web", 1),
            ),
            ends=("edge_to_edge", "inside"),
            fills_flange=True,
            one_face="",
            left_out=(
                _HOLE,
                _WEB_WELD,
                "Erection plates, and filler plates where the flanges are of unlike depth.",
                "Heat that rises from the lower to the upper part.",
            ),
        ),
        Meeting(
            id="base_plate",
            title="Column flange on a base plate",
            about="A column flange stands on a base or cap plate that runs through under it.",
            roles=(
                Role("the base or cap plate", "plate", 2),
                Role("the column flange", "flange_with_web", 1),
            ),
            ends=("inside",),
            fills_flange=True,
            one_face="nobody reaches the underside of the plate with a flame",
            left_out=(
                _HOLE,
                _WEB_WELD,
                "The underside of the plate is taken as open to the air, which takes longer than a plate that loses "
                "nothing there. Bedded on grout or concrete it may lose more than to the air: measure early.",
                "The other flange, the web and the anchor bolts on the same plate take heat too.",
                "A tube or box on a base plate is not covered: its weld goes all round on the plate.",
            ),
        ),
        Meeting(
            id="tube",
            title="Tube or box end to end",
            about="Two tubes or boxes of one outline meet end to end, and the weld goes all round.",
            roles=(Role("one wall", "tube", 1), Role("the other wall", "tube", 1)),
            ends=("all_round",),
            fills_flange=False,
            one_face="nobody reaches the inside of a tube or box with a flame",
            left_out=(
                "The inside is taken to lose no heat: still air, ends closed. With a draught through it, it needs "
                "longer.",
                "The coldest metal is on the inside, where nobody measures: measure outside after the wait.",
                "Corners of a box, diaphragms and backing rings: they take heat too, so measure early.",
                "Nobody has measured such a heating for us.",
            ),
        ),
    )
}
"""Every arrangement, in the order in which it is shown."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What does not fit in a joint.

    Attributes:
        field: `parts`, `weld_length`, `weld_ends`, `heated_length`, `both_faces`, and of a part `kind`, `sides` or a
            `Size`.
        part: its number from 1; None where the field is the joint's.
        message: continues the name of the field, without full stop: names value and limit.
        limit: that was passed; empty where there is none.
    """

    field: str
    part: int | None
    message: str
    limit: str = ""

    def __str__(self) -> str:
        own = "" if self.part is None else f" of part {self.part}"
        return f"{self.field}{own} {self.message}"


class ArrangementError(ValueError):
    """A joint does not fit its arrangement; `faults` holds everything that does not."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(map(str, faults)))
        self.faults = faults


def can_reach_both_faces(joint: Joint) -> bool:
    """Whether a flame can reach both faces of every part, as far as the joint says how it is built."""
    one_face = joint.arrangement is not None and CATALOGUE[joint.arrangement].one_face
    return not one_face and all(part.kind != "tube" for part in joint.parts)


def as_arranged(joint: Joint, stated: Collection[str] = ()) -> Joint:
    """The joint with kind and sides of its parts, ends and length of its weld as its arrangement has them.

    Without an arrangement it is returned as it is. A weld length that is NaN is not stated: it is filled in where the
    weld is as long as a flange is wide. Applied to its own result it changes nothing.

    Args:
        joint: to complete.
        stated: of `weld_ends`, `kind_1`, `sides_1`, `kind_2` ... those that somebody wrote. A value other than the
            default of its field counts as stated; the default itself only where it is named here.

    Raises:
        ArrangementError: the joint contradicts its arrangement, lacks a size, or has sizes that do not fit each other.
    """
    meeting = None if joint.arrangement is None else CATALOGUE[joint.arrangement]
    if meeting is not None and len(joint.parts) != len(meeting.roles):
        raise ArrangementError((_wrong_count(meeting, joint),))
    parts = joint.parts
    faults: list[Fault] = []
    if meeting is not None:
        parts = tuple(_in_role(part, role) for _, part, role in _numbered(meeting, joint.parts))
        faults += _against(meeting, joint, stated)
    faults += [fault for n, part in enumerate(parts, 1) for fault in _of_sizes(n, part, meeting)]
    if faults:
        raise ArrangementError(tuple(faults))
    return joint if meeting is None else _with_weld(meeting, replace(joint, parts=parts), "weld_ends" in stated)


def _numbered(meeting: Meeting, parts: tuple[Part, ...]) -> Iterator[tuple[int, Part, Role]]:
    for n, (part, role) in enumerate(zip(parts, meeting.roles, strict=True), 1):
        yield n, part, role


def _wrong_count(meeting: Meeting, joint: Joint) -> Fault:
    names = ", ".join(f"part {n} {role.name}" for n, role in enumerate(meeting.roles, 1))
    there = len(joint.parts)
    are = "is 1 part" if there == 1 else f"are {there} parts"
    return Fault(
        "parts",
        None,
        f"there {are}, and '{_word(meeting.id)}' has {len(meeting.roles)}: {names}",
        f"{len(meeting.roles)}",
    )


def _word(name: str) -> str:
    """A name as people write it."""
    return name.replace("_", " ")


def _in_role(part: Part, role: Role) -> Part:
    return replace(part, kind=part.kind if part.kind in role.other_kinds else role.kind, sides=role.sides)


def _against(meeting: Meeting, joint: Joint, stated: Collection[str]) -> Iterator[Fault]:
    """What is stated and contradicts the arrangement."""
    for n, part, role in _numbered(meeting, joint.parts):
        kinds = (role.kind, *role.other_kinds)
        who = f"in '{_word(meeting.id)}' part {n} is {role.name}"
        if (f"kind_{n}" in stated or part.kind != "plate") and part.kind not in kinds:
            wanted = " or ".join(f"'{_word(kind)}'" for kind in kinds)
            message = f"is '{_word(part.kind)}', and {who}, of kind {wanted}: leave it empty or write {wanted}"
            yield Fault("kind", n, message, " | ".join(map(_word, kinds)))
        if (f"sides_{n}" in stated or part.sides != 1) and part.sides != role.sides:
            how = "ends at the weld" if role.sides == 1 else "runs through under the weld"
            message = f"is {part.sides}, and {who}, which {how}: leave it empty or write {role.sides}"
            yield Fault("sides", n, message, str(role.sides))
    if joint.both_faces and meeting.one_face:
        yield Fault("both_faces", None, f"is yes, and in '{_word(meeting.id)}' {meeting.one_face}", "no")


def _of_sizes(n: int, part: Part, meeting: Meeting | None) -> Iterator[Fault]:
    """Sizes of one part that are missing, out of place, or do not fit each other."""
    values: dict[Size, float | None] = {
        "flange_width": part.width_mm,
        "web": part.web_mm,
        "web_depth": part.web_depth_mm,
    }
    if part.kind != "flange_with_web":
        for size, value in values.items():
            if value is not None:
                what = f"is stated, and part {n} is a {KIND_WORDS[part.kind]}: only a flange with a web has it"
                yield Fault(size, n, what)
        return
    if meeting is not None:
        role = meeting.roles[n - 1].name
        for size, value in values.items():
            if value is None:
                yield Fault(size, n, f"is not stated, and {role} needs it: the {SIZES[size]}")
    if part.width_mm is None:
        return
    least_mm = LEAST_WIDTH_THICKNESSES * part.thickness_mm
    if part.width_mm < least_mm:
        limit = f"at least {_length(least_mm)}"
        what = f"is {_length(part.width_mm)}, less than twice the thickness of {_length(part.thickness_mm)}"
        yield Fault("flange_width", n, what, limit)
    if part.web_mm is not None and part.web_mm >= part.width_mm:
        limit = f"below {_length(part.width_mm)}"
        yield Fault("web", n, f"is {_length(part.web_mm)}, not thinner than the flange is wide", limit)


def _length(mm: float) -> str:
    """A length in both systems: what was typed may be either."""
    return f"{mm:.4g} mm ({in_from_mm(mm):.4g} in)"


def _with_weld(meeting: Meeting, joint: Joint, ends_stated: bool) -> Joint:
    """Ends and length of the weld of a joint whose parts are in their roles."""
    if faults := list(_too_narrow(joint)):
        raise ArrangementError(tuple(faults))
    widths = [part.width_mm for part in joint.parts if part.width_mm is not None]
    length_mm, ends = joint.weld_length_mm, meeting.ends
    if meeting.fills_flange:
        narrowest_mm = min(widths)
        if math.isnan(length_mm):
            length_mm = narrowest_mm
        elif abs(length_mm - narrowest_mm) > SAME_MM:
            what = f"is {_length(length_mm)}, and the weld runs across the flange of {_length(narrowest_mm)}"
            limit = f"{_length(narrowest_mm)}, within {SAME_MM:g} mm; or leave it empty"
            faults.append(Fault("weld_length", None, f"{what}: leave it empty or write that", limit))
        heated_mm = joint.heated_length_mm
        if heated_mm is not None and heated_mm < narrowest_mm - SAME_MM:
            what = f"is {_length(heated_mm)}, and a flange is heated over its whole width at once: leave it empty"
            faults.append(Fault("heated_length", None, what, f"at least {_length(narrowest_mm)}"))
        if len(meeting.ends) > 1:
            # Edge to edge only where no part goes on beyond the end of the weld: there the heat would run into it.
            alike = len(widths) == len(joint.parts) and max(widths) - narrowest_mm <= SAME_MM
            ends = ("edge_to_edge",) if alike else ("inside",)
    elif widths and length_mm > min(widths) + SAME_MM:
        what = f"is {_length(length_mm)}, longer than the flange is wide"
        faults.append(Fault("weld_length", None, what, f"at most {_length(min(widths))}"))
    if (ends_stated or joint.ends != "inside") and joint.ends not in ends:
        faults.append(_wrong_ends(meeting, joint.ends, ends, widths))
    if faults:
        raise ArrangementError(tuple(faults))
    return replace(joint, weld_length_mm=length_mm, ends=joint.ends if joint.ends in ends else ends[0])


def _too_narrow(joint: Joint) -> Iterator[Fault]:
    """A flange that runs through under a wider one: part of the weld would lie on nothing."""
    for n, part in enumerate(joint.parts, 1):
        ending = [one.width_mm for one in joint.parts if one.sides == 1 and one.width_mm is not None]
        if part.sides == 2 and part.width_mm is not None and ending and part.width_mm < max(ending) - SAME_MM:
            what = f"is {_length(part.width_mm)}, narrower than the flange that ends on it, {_length(max(ending))}"
            yield Fault("flange_width", n, what, f"at least {_length(max(ending))}")


def _wrong_ends(meeting: Meeting, stated: Ends, ends: tuple[Ends, ...], widths: list[float]) -> Fault:
    wanted = " or ".join(f"'{_word(one)}'" for one in ends)
    why = ""
    if meeting.fills_flange and len(meeting.ends) > 1:
        why = f", with flanges of {' and '.join(map(_length, widths))}"
    return Fault(
        "weld_ends",
        None,
        f"is '{_word(stated)}', and the weld of '{_word(meeting.id)}'{why} runs {wanted}: leave it empty or write that",
        " | ".join(map(_word, ends)),
    )
