"""How far a site is set up: what is still missing, the most important first, and what there is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.job import Joint
from frostshift_rules.notice_setup import NoticeSetup
from frostshift_rules.order_problem import Weights
from frostshift_rules.tables import table_name
from frostshift_rules.workload import Plan
from frostshift_service.store.records import KeptSite
from frostshift_service.views.show import plural

MOST_NAMES: Final = 6
"""So many names are said; of more the number."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the list is made from.

    Attributes:
        site: with its settings.
        setup: who hears what.
        joints: of the last schedule that are still planned.
        plan: the latest; None: there is none.
        forecast: there is one of any of the site's feeds.
        contact: an address is set that weather services are sent; without it nothing is pulled.
        mail: mail can be sent.
        stock_entries: entries of the stock ledger.
        tokens: of devices, that count.
        refusing: addresses that are no longer sent to.
    """

    site: KeptSite
    setup: NoticeSetup
    joints: Sequence[Joint]
    plan: Plan | None
    forecast: bool
    contact: bool
    mail: bool
    stock_entries: int
    tokens: int
    refusing: int


@dataclass(frozen=True, slots=True)
class Missing:
    """Something that is still missing: what, why it matters in one sentence, where it is mended (empty: not on a page).

    `stops` is True where there is no plan, or no call, without it.
    """

    id: str
    what: str
    why: str
    link: str
    link_text: str
    stops: bool


@dataclass(frozen=True, slots=True)
class Done:
    """A topic with what there is of it."""

    topic: str
    title: str
    text: str
    link: str


@dataclass(frozen=True, slots=True)
class UnknownReason:
    """Why joints are unknown, and how many of them."""

    reason: str
    joints: int


@dataclass(frozen=True, slots=True)
class SetUpPage:
    """How far a site is set up.

    Attributes:
        missing: the most important first.
        done: every topic with its counts.
        unknown_joints: joints of the plan without an answer; None: there is no plan.
        reasons: of them, the most frequent first; a joint can have several.
        ready: nothing is missing without which there is no plan or no call.
    """

    site_id: str
    site_name: str
    missing: tuple[Missing, ...]
    done: tuple[Done, ...]
    unknown_joints: int | None
    reasons: tuple[UnknownReason, ...]
    ready: bool


def set_up_page(facts: Facts) -> SetUpPage:
    """The overview."""
    site = facts.site.site
    path = f"/sites/{site.id}"
    reasons = unknown_reasons(facts.plan)
    missing = tuple(_missing(facts, path))
    unknown = None
    if facts.plan is not None:
        unknown = sum(1 for one in facts.plan.joints if one.call == "unknown")
    return SetUpPage(
        site_id=site.id,
        site_name=site.name,
        missing=missing,
        done=tuple(_done(facts, path)),
        unknown_joints=unknown,
        reasons=reasons,
        ready=not any(one.stops for one in missing),
    )


def unknown_reasons(plan: Plan | None) -> tuple[UnknownReason, ...]:
    """Why joints of a plan are unknown, the most frequent reason first."""
    if plan is None:
        return ()
    counted = Counter(
        reason
        for one in plan.joints
        if one.call == "unknown"
        for reason in dict.fromkeys(one.unknowns or ("The plan says no reason.",))
    )
    ordered = sorted(counted.items(), key=lambda item: (-item[1], item[0]))
    return tuple(UnknownReason(reason, count) for reason, count in ordered)


def _named(names: Sequence[str]) -> str:
    more = len(names) - MOST_NAMES
    said = ", ".join(names[:MOST_NAMES])
    return f"{said} and {more} more" if more > 0 else said


def _missing(facts: Facts, path: str) -> list[Missing]:
    return [*_for_a_plan(facts, path), *_for_calls(facts, path), *_beside(facts, path)]


def _for_a_plan(facts: Facts, path: str) -> list[Missing]:
    site, found = facts.site.site, []
    if not site.shifts:
        found.append(
            Missing(
                "shifts", "No shift", "Joints are planned by shift: without one each stands outside every shift.",
                f"{path}/set-up/shifts", "Add a shift", stops=True,
            )
        )  # fmt: skip
    if not facts.joints:
        found.append(
            Missing(
                "schedule", "No schedule", "The sheet is made from the joints that a schedule plans.",
                f"{path}/schedule", "Load a schedule", stops=True,
            )
        )  # fmt: skip
    if site.table_id not in site.accepted_ids:
        name = table_name(site.table_id, site.own_tables)
        why = (
            "Ours is a copy: until somebody has held it against your own copy of the code, what rests on figures that "
            "we have at second hand or from memory is unknown, with the figure as a hint."
        )
        found.append(
            Missing("table", f"{name} is not accepted", why, f"{path}/set-up/table", "Check and accept it", stops=True)
        )
    return found


def _for_calls(facts: Facts, path: str) -> list[Missing]:
    site, found = facts.site.site, []
    asks = facts.site.feed != "file"
    if asks and not facts.contact:
        why = (
            "Weather services want to know whom to write to; without FROSTSHIFT_CONTACT, an environment variable of "
            "the service with a mail or web address, nothing is pulled. Set it and start the service again."
        )
        found.append(Missing("contact", "No contact address for weather services", why, "", "", stops=True))
    if not facts.forecast:
        wait = "The first pull takes a minute or two." if asks and facts.contact else "Nothing asks for one yet."
        why = f"Without a forecast no joint has a call: measure every one. {wait}"
        found.append(Missing("forecast", "No forecast yet", why, f"{path}/weather", "Look at the weather", stops=True))
    if not site.heat_sources:
        why = "Without a torch or a heater there is a call, and no heating time, light-up or gas."
        found.append(
            Missing("sources", "No heat source", why, f"{path}/set-up/sources", "Add torches or heaters", stops=False)
        )
    known = {one.name for one in site.procedures}
    lost = sorted({one.procedure for one in facts.joints if one.procedure and one.procedure not in known})
    if lost:
        joints = sum(1 for one in facts.joints if one.procedure in lost)
        why = (
            f"{_named(lost)}: {plural(joints, 'joint')} of the schedule {'name' if joints > 1 else 'names'} what is "
            "not in the list, spelt like that, and can be unknown for it."
        )
        found.append(
            Missing("procedures", "Procedures that are not in the list", why, f"{path}/set-up/procedures",
                    "Add or load procedures", stops=False)
        )  # fmt: skip
    return found


def _beside(facts: Facts, path: str) -> list[Missing]:
    site, found, people = facts.site.site, list[Missing](), facts.setup.people
    link, add = f"{path}/set-up/people", "Say who hears what"
    if not people:
        why = "Whoever does not look at the pages hears of no front, no stop and no cylinder that starves."
        found.append(Missing("people", "Nobody hears anything", why, link, add, stops=False))
    else:
        if not any(one.role == "superintendent" for one in people):
            why = "Nobody hears that an address refuses or that a forecast cannot be used."
            found.append(Missing("superintendent", "Nobody is superintendent", why, link, add, stops=False))
        if not any(one.addresses for one in people):
            why = "All of them read the pages only: no message is sent to anybody."
            found.append(Missing("addresses", "Nobody has an address", why, link, add, stops=False))
        if not facts.mail and any(a.channel == "email" for one in people for a in one.addresses):
            why = "FROSTSHIFT_SMTP_URL, an environment variable of the service, is not set: no mail is sent."
            found.append(Missing("mail", "No mail server", why, "", "", stops=False))
        if facts.refusing:
            why = "Messages to it are no longer tried: change it, or let a test message through."
            what = f"{plural(facts.refusing, 'address', 'addresses')} switched off"
            found.append(Missing("refusing", what, why, f"{path}/people", "Look at them", stops=False))
    if not facts.stock_entries:
        why = "Without a count nobody can say when gas runs out and by which day to order."
        found.append(
            Missing("stock", "No cylinder was counted", why, f"{path}/stock", "Count the cylinders", stops=False)
        )
    if not site.gas.supply:
        why = "Without the supplier's days nobody can say by which day to order."
        found.append(
            Missing("supply", "No terms of supply", why, f"{path}/set-up/supply", "Say how gas comes", stops=False)
        )
    if not facts.tokens:
        why = "A thermometer at the site shows where the site is colder than its forecast; readings typed in do too."
        found.append(
            Missing("thermometer", "No thermometer posts", why, f"{path}/set-up/thermometer", "Make a token",
                    stops=False)
        )  # fmt: skip
    if site.last_nights_low_c is None and not facts.forecast:
        why = "While nothing else is known the steel is taken to start from the coldest air of the last two nights."
        found.append(Missing("low", "No low of the last nights", why, f"{path}/set-up/site", "Say it", stops=False))
    return found


def _done(facts: Facts, path: str) -> list[Done]:
    site = facts.site.site
    accepted = site.acceptance(site.table_id)
    said = "not accepted" if accepted is None else f"accepted by {accepted.accepted_by}, {accepted.accepted_on}"
    hands = ", ".join(f"{one.name} {one.start:%H:%M} to {one.end:%H:%M}" for one in site.shifts)
    sources = ", ".join(f"{one.count} x {one.name}" for one in site.heat_sources)
    people = facts.setup.people
    with_address = sum(1 for one in people if one.addresses)
    feed = facts.site.feed or "by position"
    gas = site.gas
    texts = (
        ("site", "Site", f"{site.latitude:g}, {site.longitude:g}; {site.zone}"),
        ("shifts", "Shifts", hands or "none"),
        ("sources", "Torches and heaters", sources or "none"),
        ("table", "Rule table", f"{table_name(site.table_id, site.own_tables)}, {said}"),
        ("procedures", "Welding procedures", plural(len(site.procedures), "procedure") if site.procedures else "none"),
        ("feeds", "Forecasts", f"{feed.replace('_', ' ')}; {'there is one' if facts.forecast else 'none yet'}"),
        ("thermometer", "Thermometer", plural(facts.tokens, "token") if facts.tokens else "no token"),
        (
            "people",
            "People and messages",
            f"{plural(len(people), 'person', 'people')}, {with_address} with an address" if people else "nobody",
        ),
        ("gas", "Use of gas", f"cylinders stand in {'still' if gas.stand == 'still' else 'moving'} air"),
        ("cylinders", "Own cylinders", plural(len(gas.own_cylinders), "kind") if gas.own_cylinders else "none"),
        ("supply", "Supply", plural(len(gas.supply), "kind") if gas.supply else "not stated"),
        ("other-use", "Other use of gas", plural(len(gas.other_use), "use") if gas.other_use else "none"),
        ("crews", "Crews", ", ".join(one.name for one in site.work.crews) or "none: nobody's joints are moved"),
        ("weights", "Order of work: weights", "ours" if site.work.weights == Weights() else "changed by the site"),
        ("choices", "Choices and margins", "ours"),
        ("file", "All of it as a file", "download, change, load"),
    )  # fmt: skip
    lines = [Done(topic, title, text, f"{path}/set-up/{topic}") for topic, title, text in texts]
    changed = site.choices != type(site.choices)()
    lines = [
        Done(one.topic, one.title, "changed by the site", one.link) if one.topic == "choices" and changed else one
        for one in lines
    ]
    joints = plural(len(facts.joints), "joint") if facts.joints else "none loaded"
    stock = plural(facts.stock_entries, "entry", "entries") if facts.stock_entries else "not counted"
    return [
        *lines[:6],
        Done("schedule", "Schedule", joints, f"{path}/schedule"),
        *lines[6:8],
        Done("stock", "Cylinders on site", stock, f"{path}/stock"),
        *lines[8:],
    ]
