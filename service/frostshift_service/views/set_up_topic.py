"""One topic of a site's settings as its page shows it: what there is, the form, what can be taken away as a file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from frostshift_rules.heat_sources import known_sources
from frostshift_rules.notice_setup import NoticeSetup
from frostshift_rules.units import System
from frostshift_service.set_up_form import Entry, FormField, Typed, said_of, shown_fields, value_at
from frostshift_service.set_up_parts import Settings, form_entry, form_fields
from frostshift_service.set_up_topics import NEW_GROUPS, TOPIC, Topic, new_fields
from frostshift_service.store.records import shown_address

LINKS: Final[tuple[tuple[str, str], ...]] = (
    *((one, TOPIC[one].title) for one in ("site", "shifts", "sources", "table", "procedures", "feeds")),
    ("thermometer", "Thermometer"),
    *(
        (one, TOPIC[one].title)
        for one in ("people", "gas", "cylinders", "supply", "other-use", "crews", "weights", "choices")
    ),
    ("file", "All of it as a file"),
)
"""Every topic in the order of the overview."""
FILES: Final[Mapping[str, tuple[tuple[str, str], ...]]] = {
    "procedures": (("CSV", "procedures.csv"), ("empty list", "procedures-template.csv")),
    "people": (("TOML, without web addresses and secrets", "people.toml"),),
    **{one: (("TOML of the gas", "gas.toml"),) for one in ("gas", "cylinders", "supply", "other-use")},
    "file": (("TOML", "site.toml"), ("JSON", "site.json")),
}
"""What can be taken away of a topic: words and name."""
LOADS: Final[Mapping[str, tuple[str, str, str]]] = {
    "procedures": (
        "Load a list",
        ".csv,.xlsx",
        "CSV or XLSX. It takes the place of the whole list; with one cell in error nothing is taken in.",
    ),
    "people": (
        "Load a file",
        ".toml",
        "It takes the place of all people and choices. An address that has keep stays as it is here.",
    ),
    **{
        one: ("Load the gas as a file", ".toml", "It takes the place of all about gas: use, cylinders, supply.")
        for one in ("gas", "cylinders", "supply", "other-use")
    },
    "file": (
        "Load a site file",
        ".toml",
        "It takes the place of all settings. Procedures and acceptances stay where the file has none. Rule tables that "
        "it names and the site does not have are chosen with it.",
    ),
}
"""What can be loaded into a topic: heading, kinds of file, what happens."""


@dataclass(frozen=True, slots=True)
class Item:
    """One entry of a list: its name, what is said of it, and a mark that differs where it differs."""

    name: str
    title: str
    facts: tuple[tuple[str, str], ...]
    mark: str


@dataclass(frozen=True, slots=True)
class Form:
    """A form.

    Attributes:
        title: heading.
        item: entry that it changes; empty: a new one, or a topic without a list.
        mark: of what it changes, as it was when the form was shown.
        groups: fields under their headings.
        problems: label and sentence; the label is empty for the whole form.
        stale: somebody else changed the same meanwhile.
        system: whose units it is shown in; it is sent back, so that a figure is read in the unit that stood beside it.
        begin: heat source of our library that a new one begins with; empty: none.
    """

    title: str
    item: str
    mark: str
    groups: tuple[tuple[str, tuple[FormField, ...]], ...]
    problems: tuple[tuple[str, str], ...]
    stale: str
    system: System
    begin: str


@dataclass(frozen=True, slots=True)
class Offer:
    """Something to begin a new entry with: its id and name."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class TopicPage:
    """One topic of a site's settings.

    Attributes:
        topic, title: of it.
        about: why it matters.
        one: what an entry of its list is called; empty: no list.
        items: entries of the list.
        form: None where there is nothing to type.
        offers: entries of our library to begin with.
        files: words and file name of what can be taken away.
        load: heading, kinds of file and words of what can be loaded; None: nothing.
        links: every topic.
    """

    site_id: str
    site_name: str
    topic: str
    title: str
    about: tuple[str, ...]
    one: str
    items: tuple[Item, ...]
    form: Form | None
    offers: tuple[Offer, ...]
    files: tuple[tuple[str, str], ...]
    load: tuple[str, str, str] | None
    links: tuple[tuple[str, str], ...]


def topic_page(
    settings: Settings,
    topic_id: str,
    system: System,
    *,
    name: str = "",
    begin: str = "",
    typed: Typed | None = None,
    problems: Mapping[str, str] | None = None,
    mark: str | None = None,
    stale: str = "",
) -> TopicPage:
    """The page of a topic.

    Args:
        settings: of the site.
        topic_id: of `LINKS`.
        system: whose units figures are shown in.
        name: of the entry to change.
        begin: id of our library that a new heat source begins with.
        typed: what was sent and not taken in.
        problems: sentence by field.
        mark: of what the form changes, where it is not as it is now.
        stale: sentence where somebody else changed the same meanwhile.
    """
    topic, site = TOPIC.get(topic_id), settings.values
    form: Form | None = None
    items: tuple[Item, ...] = ()
    if topic is not None:
        entry = settings.entry(topic, name) if name or not topic.key else None
        form = _form(settings, topic, entry, name, begin, system, typed, problems or {}, mark, stale)
        items = _items(settings, topic, system)
    return TopicPage(
        site_id=site.id,
        site_name=site.name,
        topic=topic_id,
        title=dict(LINKS)[topic_id],
        about=topic.about if topic is not None else (),
        one=topic.one if topic is not None else "",
        items=items,
        form=form,
        offers=tuple(Offer(one.source.id, one.source.name) for one in known_sources().values())
        if topic_id == "sources"
        else (),
        files=FILES.get(topic_id, ()),
        load=LOADS.get(topic_id),
        links=LINKS,
    )


def _form(
    settings: Settings,
    topic: Topic,
    entry: Entry | None,
    name: str,
    begin: str,
    system: System,
    typed: Typed | None,
    problems: Mapping[str, str],
    mark: str | None,
    stale: str,
) -> Form:
    fields = form_fields(settings, topic, entry, system, begin)
    flat = form_entry(topic, entry)
    if not topic.key:
        title = topic.title
    else:
        title = f"Change {topic.one} {name}" if entry is not None else f"Add a {topic.one}"
        title = title.replace("Add a terms", "Add terms")
    shown = shown_fields(fields, flat, typed, problems, stale=bool(stale))
    return Form(
        title=title,
        item=name if entry is not None else "",
        mark=settings.mark(topic, name) if mark is None else mark,
        groups=(("", shown),),
        problems=_labelled(shown, problems),
        stale=stale,
        system=system,
        begin=begin if entry is None else "",
    )


def _labelled(shown: tuple[FormField, ...], problems: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    labels = {one.name: one.label for one in shown}
    return tuple((labels.get(name, ""), text) for name, text in problems.items())


def _items(settings: Settings, topic: Topic, system: System) -> tuple[Item, ...]:
    if not topic.key:
        return ()
    found = []
    for entry in settings.part(topic):
        name = entry[topic.key]
        fields = form_fields(settings, topic, entry if topic.kept == "site" else None, system)
        facts = [
            (one.label, said)
            for one in fields
            if one.key not in (topic.key, "name") and not one.key.startswith(("to_", "channel_", "secret_"))
            if (said := said_of(one, value_at(entry, one.key)))
        ]
        if topic.kept == "people":
            facts += _addresses(settings.setup, name)
        if "share_measured" in entry:
            measured = entry["share_measured"]
            facts.append(
                ("Share into the steel", f"{measured['likely']:g}, measured in {measured['heatings']} heatings")
            )
        title = entry.get("name", name)
        if topic.id == "supply":
            title = dict(next(one.options for one in fields if one.key == "cylinder")).get(name, name)
        found.append(Item(name, title, tuple(facts), settings.mark(topic, name)))
    return tuple(found)


def _addresses(setup: NoticeSetup, person_id: str) -> list[tuple[str, str]]:
    person = setup.person(person_id)
    found = []
    for one in () if person is None else person.addresses:
        extra = [text for text, there in (("signed", one.secret), ("own template", one.template)) if there]
        found.append(("Address", ", ".join([shown_address(one.key), *extra])))
    return found or [("Address", "none: reads the pages")]


def new_form(system: System, typed: Typed | None = None, problems: Mapping[str, str] | None = None) -> Form:
    """The form of a new site."""
    shown = shown_fields(new_fields(system), None, typed, problems)
    by_name = {one.name: one for one in shown}
    groups = tuple((title, tuple(by_name[name] for name in names)) for title, names in NEW_GROUPS)
    return Form("New site", "", "", groups, _labelled(shown, problems or {}), "", system, "")
