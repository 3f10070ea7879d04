"""Who hears what of a site, and the rules by which a notice is made."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import time
from typing import Final, Literal

Kind = Literal[
    "shift",
    "front",
    "harder",
    "easier",
    "stop",
    "stop_over",
    "light_up",
    "other_crew",
    "gas",
    "cylinders",
    "forecast",
    "reading",
    "address",
]
"""What a notice may be about: what a shift needs, told once ahead of it; a front; a joint that got harder or easier to
weld; a stop of the weather that begins or is over; a light-up that moved; a joint that went to another crew; gas that
runs out before it is delivered; cylinders that will starve; a forecast that is late or cannot be used; a reading below
the minimum; an address of somebody that is no longer sent to."""

Urgency = Literal["now", "soon", "plain"]
"""`now` cannot wait for the end of quiet hours and has to be answered; `soon` is told at once outside quiet hours;
`plain` may wait."""

Channel = Literal["email", "webhook"]
Role = Literal["superintendent", "foreman", "crew", "purchasing", "engineer"]
Units = Literal["us", "si"]

ORDER: Final[tuple[Urgency, ...]] = ("now", "soon", "plain")
"""Most urgent first."""

OF_THE_SITE: Final[tuple[Kind, ...]] = ("cylinders", "forecast")
"""Kinds that stand in the site's notice and in those of its crews too: who hears of all hears them from the site."""

FIRST: Final[tuple[Kind, ...]] = (
    "reading",
    "stop",
    "front",
    "harder",
    "light_up",
    "other_crew",
    "cylinders",
    "forecast",
    "address",
    "gas",
    "shift",
    "stop_over",
    "easier",
)
"""Of equally urgent events, which is said first."""

USUAL_KINDS: Final[dict[Role, tuple[Kind, ...]]] = {
    "superintendent": (
        "front",
        "harder",
        "easier",
        "stop",
        "stop_over",
        "light_up",
        "gas",
        "cylinders",
        "forecast",
        "reading",
        "address",
    ),
    "foreman": (
        "shift",
        "front",
        "harder",
        "easier",
        "stop",
        "stop_over",
        "light_up",
        "other_crew",
        "cylinders",
        "forecast",
        "reading",
    ),
    "crew": ("shift", "front", "harder", "easier", "stop", "stop_over", "light_up", "other_crew", "forecast"),
    "purchasing": ("gas",),
    "engineer": ("reading", "stop"),
}
"""Kinds that a role hears of unless the person says otherwise. Our choice."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """Hours on the site's clock in which only what cannot wait is told; `until` before `begin` runs past midnight."""

    begin: time
    until: time


@dataclass(frozen=True, slots=True)
class Template:
    """What is sent to a web address in the place of our own JSON.

    Attributes:
        body: text with the places `$first_line`, `$text`, `$number`, `$link` and so on.
        headers: name and value of each, with the same places.
        content_type: of the body; decides how the values are escaped.
    """

    body: str
    headers: tuple[tuple[str, str], ...] = ()
    content_type: str = "application/json"


@dataclass(frozen=True, slots=True)
class Address:
    """Where a person is reached.

    Attributes:
        channel: how.
        to: mail address, or web address that is posted to.
        secret: a web address: key of the signature; empty: not signed.
        template: a web address: what is sent instead of our own JSON; None: that.
    """

    channel: Channel
    to: str
    secret: str = field(default="", repr=False)
    template: Template | None = field(default=None, repr=False)

    @property
    def key(self) -> str:
        """Names the address among those of its site."""
        return f"{self.channel}:{self.to}"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told.

    Attributes:
        id: short name, unique at the site.
        name: as shown.
        role: decides the usual kinds.
        units: that figures are in.
        addresses: where; empty: only on the pages.
        crews: hears of these; empty: of all, and of what concerns no crew.
        kinds: hears of these; empty: those usual for the role.
        least: hears of nothing less urgent.
        quiet: None: none.
        then: id of who is told where this person does not answer what is urgent; None: nobody.
    """

    id: str
    name: str
    role: Role
    units: Units
    addresses: tuple[Address, ...] = ()
    crews: tuple[str, ...] = ()
    kinds: tuple[Kind, ...] = ()
    least: Urgency = "plain"
    quiet: Quiet | None = None
    then: str | None = None

    @property
    def hears_of(self) -> tuple[Kind, ...]:
        """The kinds."""
        return self.kinds or USUAL_KINDS[self.role]


@dataclass(frozen=True, slots=True)
class NoticeChoices:
    """The site's choices on notices; every default is our choice.

    Set by a winter of hourly weather (TMY3 of Greensboro, 11 weeks, two crews, four joints a shift) replayed hour by
    hour with a forecast an hour that is wrong by 0.5 K after 6 h and by 3 K after 72 h. With these a crew gets 13
    notices a week, 6 of them the lists of its shifts, and nobody is left unaware; 7 times, with 536 joints, one is told
    harder, easier, and harder again. Settling for 0, 1.5, 6 and 12 hours it is 71, 25, 7 and 1 times; with 6 hours half
    of what got easier is still told 7 hours before the light-up, with 12 hours 3. Without `front_day_fall_k` twice as
    many fronts are told.

    Attributes:
        front_fall_k: a front is a fall of the air by at least so much [K] ...
        front_hours: ... within so many hours [h].
        light_up_minutes: a light-up that moves by less is not told [min].
        settle_minutes: what got easier is told once it has stayed so for so long [min].
        ahead_hours: joints that start later than this are not told of yet [h].
        front_ahead_hours: the same for fronts and cylinders [h].
        shift_ahead_hours: what a shift needs is told so long before it begins [h].
        repeat_minutes: what is urgent and not answered is sent again after so long [min].
        then_minutes: and to the next person after so long [min].
        front_day_fall_k: a front leaves the air by at least so much colder than a day before [K]; less is the night.
        front_earlier_hours: a front that was told is told again where it comes by so much earlier [h] ...
        front_deeper_k: ... or goes by so much deeper [K].
        now_hours: what has to be done within so many hours cannot wait [h].
        unusable_hours: nor can a forecast that cannot be used, where a joint is lit or begins within so many hours [h].
        order_ahead_days: an order that still comes in time is told so many days before its last day [d].
        reading_hours: a reading older than this is not told [h].
    """

    front_fall_k: float = 8.0
    front_hours: float = 12.0
    light_up_minutes: float = 30.0
    settle_minutes: float = 360.0
    ahead_hours: float = 24.0
    front_ahead_hours: float = 36.0
    shift_ahead_hours: float = 14.0
    repeat_minutes: float = 15.0
    then_minutes: float = 30.0
    front_day_fall_k: float = 5.0
    front_earlier_hours: float = 3.0
    front_deeper_k: float = 4.0
    now_hours: float = 3.0
    unusable_hours: float = 12.0
    order_ahead_days: int = 1
    reading_hours: float = 2.0


@dataclass(frozen=True, slots=True)
class NoticeSetup:
    """All that a site says about notices."""

    people: tuple[Person, ...] = ()
    choices: NoticeChoices = field(default_factory=NoticeChoices)

    def person(self, person_id: str) -> Person | None:
        """The person of that id; None for none."""
        return next((one for one in self.people if one.id == person_id), None)
