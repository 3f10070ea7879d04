"""Notices as the pages show them: what was told to whom, whether it arrived, who answered; the log; who hears what."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from frostshift_rules.notice_setup import Address, Kind, NoticeSetup, Person, Role, Urgency
from frostshift_service.store.records import (
    CrewLink,
    DeliveryState,
    KeptDelivery,
    KeptNotice,
    KeptSite,
    LogWhat,
    NoticeLog,
    logged_address,
)
from frostshift_service.views.crew import CrewLinkView, crew_link_view
from frostshift_service.views.files import Table
from frostshift_service.views.notice_text import Envelope, notice_words
from frostshift_service.views.show import Moment, Show

URGENCY: Final[dict[Urgency, str]] = {"now": "cannot wait", "soon": "soon", "plain": "can wait"}
KINDS: Final[dict[Kind, str]] = {
    "shift": "what a shift needs",
    "front": "cold fronts",
    "harder": "joints that need more",
    "easier": "joints that need less",
    "stop": "weather stops",
    "stop_over": "end of weather stops",
    "light_up": "light-ups that moved",
    "other_crew": "joints that went to another crew",
    "gas": "gas that runs out",
    "cylinders": "cylinders that feed together",
    "forecast": "a forecast that is late or too old",
    "reading": "readings below the minimum",
    "address": "addresses that refuse",
}
ROLES: Final[dict[Role, str]] = {
    "superintendent": "superintendent",
    "foreman": "foreman",
    "crew": "crew",
    "purchasing": "purchasing",
    "engineer": "welding engineer",
}
STATES: Final[dict[DeliveryState, str]] = {
    "waiting": "waiting",
    "claimed": "being sent",
    "sent": "sent",
    "failed": "not delivered",
    "dropped": "not sent: no longer needed, or the address is switched off",
}
TURNS: Final = ("", "sent again", "passed on")
LOG: Final[dict[LogWhat, str]] = {
    "decided": "notice made",
    "sent": "sent",
    "again": "sent again",
    "failed": "not delivered",
    "switched_off": "address switched off",
    "switched_on": "address switched on",
    "seen": "opened",
    "answered": "seen, by answer",
    "passed_on": "passed on",
    "test": "test message",
}


@dataclass(frozen=True, slots=True)
class DeliveryView:
    """One notice on its way to one address; `where` is shortened, it is nobody else's business."""

    person: str
    channel: str
    where: str
    state: DeliveryState
    text: str
    at: Moment | None
    attempts: int
    problem: str


@dataclass(frozen=True, slots=True)
class NoticeView:
    """One notice.

    Attributes:
        number: people see it.
        first_line, text: as it is sent, in the site's units.
        urgency, urgency_text: code and words.
        decided: when.
        answered: by whom and when, in words; empty: nobody yet.
        wants_answer: it cannot wait and nobody has answered.
        deliveries: to whom it goes.
    """

    number: int
    first_line: str
    text: str
    urgency: Urgency
    urgency_text: str
    decided: Moment
    answered: str
    wants_answer: bool
    deliveries: tuple[DeliveryView, ...]


@dataclass(frozen=True, slots=True)
class LogView:
    """One line of the log; never changed. `number` None: it concerns no notice."""

    at: Moment
    what: str
    number: int | None
    by: str
    detail: str


@dataclass(frozen=True, slots=True)
class NoticesPage:
    """The newest notices of a site, the newest first, and its log; `people` counts who hears anything."""

    site_id: str
    site_name: str
    zone: str
    notices: tuple[NoticeView, ...]
    unanswered: int
    people: int
    log: tuple[LogView, ...]


@dataclass(frozen=True, slots=True)
class AddressView:
    """Where somebody is reached, the first 1; `problem` says why it is switched off, empty: it is not."""

    position: int
    channel: str
    where: str
    problem: str


@dataclass(frozen=True, slots=True)
class PersonView:
    """Somebody who is told.

    Attributes:
        id, name, role: of the person.
        crews: whose notices; `hears` of what; `least` how urgent at least, empty: everything.
        units: system of units, in words.
        quiet: hours in words; empty: none.
        then: who is told where this person does not answer; empty: nobody.
        addresses: where; none: only on the pages.
    """

    id: str
    name: str
    role: str
    crews: str
    hears: tuple[str, ...]
    least: str
    units: str
    quiet: str
    then: str
    addresses: tuple[AddressView, ...]


@dataclass(frozen=True, slots=True)
class CalendarLinkView:
    """A calendar link that counts; its secret was shown once."""

    id: int
    crew: str
    made: Moment


@dataclass(frozen=True, slots=True)
class PeoplePage:
    """Who hears what of a site, the crews of its schedule, the calendar links that count and the links of crews' pages.

    `no_crew`: there are joints without a crew.
    """

    site_id: str
    site_name: str
    people: tuple[PersonView, ...]
    crews: tuple[str, ...]
    links: tuple[CalendarLinkView, ...]
    no_crew: bool
    crew_links: tuple[CrewLinkView, ...]


def notices_page(
    site: KeptSite,
    setup: NoticeSetup,
    notices: Sequence[KeptNotice],
    deliveries: Iterable[KeptDelivery],
    log: Iterable[NoticeLog],
    kinds: Mapping[str, str],
    show: Show,
    now: datetime,
) -> NoticesPage:
    """The page.

    Args:
        site: the site.
        setup: who hears what.
        notices: the newest first.
        deliveries: of these.
        log: the newest first.
        kinds: names of cylinders.
        show: units and clock of the site.
        now: aware.
    """
    by_number: dict[int, list[KeptDelivery]] = {}
    for one in deliveries:
        by_number.setdefault(one.number, []).append(one)
    views = tuple(
        _notice(one, by_number.get(one.number, []), setup, _envelope(site, one.number, kinds), show, now)
        for one in notices
    )
    return NoticesPage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        notices=views,
        unanswered=sum(one.wants_answer for one in views),
        people=len(setup.people),
        log=tuple(
            LogView(
                show.moment(one.at_utc, detail="date"),
                LOG[one.what],
                one.number,
                _with_names(one.by, setup),
                _plain_detail(one, setup),
            )
            for one in log
        ),
    )


HOW: Final = {"page": "on the page", "link": "by the link in the message"}
"""How somebody saw or answered a notice, in the words of the log."""


def _plain_detail(one: NoticeLog, setup: NoticeSetup) -> str:
    """What a line of the log adds, in words: what is told has codes there, and people their ids."""
    if one.what == "decided":
        about, _, names = one.detail.rpartition("; to ")
        told = " and ".join(KINDS.get(code, code) for code in about.split(" and "))  # type: ignore[call-overload]
        whom = "for nobody: it stands on the pages only" if names == "nobody" else f"for {_with_names(names, setup)}"
        return f"{told}; {whom}"
    return HOW.get(one.detail, _with_names(one.detail, setup))


def _with_names(text: str, setup: NoticeSetup) -> str:
    """A text with the names of people in the place of their ids."""
    names = {person.id: person.name for person in setup.people}
    if not names:
        return text
    ids = "|".join(re.escape(one) for one in sorted(names, key=len, reverse=True))
    return re.sub(rf"(?<![\w.@-])({ids})(?![\w@-])", lambda found: names[found[1]], text)


def _envelope(site: KeptSite, number: int, kinds: Mapping[str, str]) -> Envelope:
    return Envelope(site.site.name, site.site.zone, number, kinds=kinds)


def _notice(
    kept: KeptNotice,
    deliveries: Sequence[KeptDelivery],
    setup: NoticeSetup,
    around: Envelope,
    show: Show,
    now: datetime,
) -> NoticeView:
    words = notice_words(kept.notice, show.system, around, now)
    answered = ""
    if kept.answered_utc is not None:
        answered = f"{kept.answered_by or 'somebody'}, {show.moment(kept.answered_utc).text}"
    return NoticeView(
        number=kept.number,
        first_line=words.first_line,
        text=words.text,
        urgency=kept.notice.urgency,
        urgency_text=URGENCY[kept.notice.urgency],
        decided=show.moment(kept.notice.decided_utc, detail="date"),
        answered=answered,
        wants_answer=kept.notice.urgency == "now" and kept.answered_utc is None,
        deliveries=tuple(_delivery(one, setup, show) for one in deliveries),
    )


def _delivery(kept: KeptDelivery, setup: NoticeSetup, show: Show) -> DeliveryView:
    person = setup.person(kept.person_id)
    channel, _, _ = kept.address_key.partition(":")
    turn = TURNS[kept.turn] if kept.turn < len(TURNS) else ""
    text = f"{STATES[kept.state]}{f', {turn}' if turn else ''}"
    return DeliveryView(
        person=person.name if person is not None else kept.person_id,
        channel=channel,
        where=logged_address(kept.address_key),
        state=kept.state,
        text=text,
        at=None if kept.sent_utc is None else show.moment(kept.sent_utc),
        attempts=kept.attempts,
        problem="" if kept.state == "sent" else kept.last_error,
    )


def people_page(
    site: KeptSite,
    setup: NoticeSetup,
    problems: Mapping[str, str],
    crews: Collection[str],
    links: Iterable[CrewLink],
    crew_links: Iterable[CrewLink],
    show: Show,
) -> PeoplePage:
    """Who hears what.

    Args:
        site: the site.
        setup: its people.
        problems: address key -> why it is switched off.
        crews: that the schedule names.
        links: calendar links that count.
        crew_links: links of crews' pages, ended ones too.
        show: clock of the site.
    """
    return PeoplePage(
        site.site.id,
        site.site.name,
        tuple(_person(one, setup, problems) for one in setup.people),
        tuple(sorted({one for one in crews if one})),
        tuple(CalendarLinkView(one.id, one.crew, show.moment(one.made_utc, detail="date")) for one in links),
        "" in crews,
        tuple(crew_link_view(one, show) for one in crew_links),
    )


def _person(person: Person, setup: NoticeSetup, problems: Mapping[str, str]) -> PersonView:
    quiet = ""
    if person.quiet is not None:
        quiet = f"{person.quiet.begin:%H:%M} to {person.quiet.until:%H:%M}"
    then = setup.person(person.then) if person.then is not None else None
    return PersonView(
        id=person.id,
        name=person.name,
        role=ROLES[person.role],
        crews=", ".join(person.crews) if person.crews else "all",
        hears=tuple(KINDS[kind] for kind in person.hears_of),
        least="" if person.least == "plain" else URGENCY[person.least],
        units="°C, kg" if person.units == "si" else "°F, lb",
        quiet=quiet,
        then=then.name if then is not None else "",
        addresses=tuple(_address(n, one, problems) for n, one in enumerate(person.addresses, 1)),
    )


def _address(position: int, address: Address, problems: Mapping[str, str]) -> AddressView:
    return AddressView(position, address.channel, logged_address(address.key), problems.get(address.key, ""))


def log_table(page: NoticesPage) -> Table:
    """The log for a file."""
    return Table(
        header=("at_utc", "at", "what", "notice", "by", "detail"),
        rows=tuple((one.at.utc.isoformat(), one.at.text, one.what, one.number, one.by, one.detail) for one in page.log),
        title="notices",
    )
