"""One topic of a site's settings: taken out of them, put back with what a form says, held against the strict reader.

Everything here is values: nothing is read from the store or written to it.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from frostshift_rules.job import Site
from frostshift_rules.notice_setup import NoticeSetup
from frostshift_rules.strict import Section, TableError
from frostshift_rules.tables import OwnTable
from frostshift_rules.units import System
from frostshift_service.people_file import MOST_ADDRESSES, people_of, write_people
from frostshift_service.set_up_form import (
    PLACE,
    Entry,
    Field,
    Names,
    NotTaken,
    Typed,
    as_typed,
    checked,
    in_units,
    mark_of,
    name_as_id,
    names_at,
    put,
    typed_entry,
    value_at,
)
from frostshift_service.set_up_topics import NEW_SOURCES, Topic, begun, fields_of, new_fields, new_settings
from frostshift_service.site_file import SiteFile, read_settings, write_site
from frostshift_service.store.records import KeptSite

MAIL_OR_WEB: Final = (("email", "mail"), ("webhook", "web address that is posted to"))
NO_FEED: Final = "-"


@dataclass(frozen=True, slots=True)
class Settings:
    """All that a site is set up with.

    Attributes:
        site: its settings as their file holds them.
        people: who hears what, likewise; a web address stands there by a name that tells nothing of it.
        own_tables: texts of its own rule tables.
        setup: the people as they are kept.
        values: the site as it is kept.
    """

    site: Entry
    people: Entry
    own_tables: tuple[OwnTable, ...]
    setup: NoticeSetup
    values: Site

    def part(self, topic: Topic) -> Any:
        """The part that a topic changes: its list, or its section."""
        return part_of(self.people if topic.kept == "people" else self.site, topic)

    def entry(self, topic: Topic, name: str) -> Entry | None:
        """One entry of a list by its name, None where there is none; the whole section of a topic without a list."""
        part = self.part(topic)
        if not topic.key:
            return dict(part)
        return next((dict(one) for one in part if one[topic.key] == name), None)

    def mark(self, topic: Topic, name: str) -> str:
        """Differs where what a form of this topic changes differs; empty for a new entry."""
        entry = self.entry(topic, name)
        if topic.key:
            return "" if entry is None else mark_of(entry)
        return mark_of({one.key: value_at(entry or {}, one.key) for one in topic.fields})


@dataclass(frozen=True, slots=True)
class Changed:
    """Settings after a change: of the site or of its people, the other None; `what` says it in a few words."""

    site: SiteFile | None
    people: NoticeSetup | None
    what: str


def settings_of(kept: KeptSite, setup: NoticeSetup) -> Settings:
    """The settings of a site as their files hold them."""
    file = SiteFile(kept.site, kept.show_units, kept.feed, kept.instead)
    return Settings(
        tomllib.loads(write_site(file)), tomllib.loads(write_people(setup)), kept.site.own_tables, setup, kept.site
    )


def part_of(settings: Mapping[str, Any], topic: Topic) -> Any:
    """The list or section of a topic in a settings' file; empty where the file has none."""
    found: Any = settings
    for name in topic.section:
        found = found.get(name, {})
    return found or ([] if topic.key else {})


def with_part(settings: Entry, topic: Topic, part: Any) -> Entry:
    """A settings' file with another list or section of a topic; an empty one is left out."""
    made = copy.deepcopy(settings)
    if not topic.section:
        return dict(part)
    around = made
    for name in topic.section[:-1]:
        around = around.setdefault(name, {})
    if part:
        around[topic.section[-1]] = part
    else:
        around.pop(topic.section[-1], None)
    if len(topic.section) > 1 and not around:
        del made[topic.section[0]]
    return made


# The form of one topic ------------------------------------------------------------------------------------------------


def form_fields(
    settings: Settings, topic: Topic, entry: Entry | None, system: System, begin: str = ""
) -> tuple[Field, ...]:
    """The fields of a form in the units of whoever reads it; of a person with his addresses and one more.

    `begin` is the heat source of our library that a new one begins with; empty: none.
    """
    found = fields_of(topic, settings.values, settings.setup)
    if topic.id == "sources":
        found = begun(found, entry, begin)
    return in_units((*found, *_address_fields(entry)) if topic.kept == "people" else found, system)


def form_entry(topic: Topic, entry: Entry | None) -> Entry | None:
    """An entry as its form holds it: addresses by number."""
    if entry is None or topic.kept != "people":
        if entry is not None and topic.id == "feeds" and entry.get("feed_instead") == []:
            return {**entry, "feed_instead": [NO_FEED]}
        return entry
    flat = {key: value for key, value in entry.items() if key != "address"}
    for number, address in enumerate(entry.get("address", ()), 1):
        flat[f"channel_{number}"] = address.get("channel", "webhook")
        flat[f"to_{number}"] = address.get("to")
        flat[f"keep_{number}"] = address.get("keep")
    return flat


def _address_fields(entry: Entry | None) -> list[Field]:
    there = [] if entry is None else entry.get("address", [])
    found: list[Field] = []
    for number in range(1, min(len(there) + 1, MOST_ADDRESSES) + 1):
        had = there[number - 1] if number <= len(there) else None
        kept = had is not None and "keep" in had
        which = f"Address {number}"
        if not kept:
            found.append(Field(f"channel_{number}", f"{which}: how", "", "choice", MAIL_OR_WEB, start="email"))
        hint = "Clear it to take the address away." if had else "A mail address, or https://..."
        if kept:
            hint = (
                "A web address is there and is not shown again. Left empty it stays, with its secret and template; "
                "another begins without them."
            )
        found.append(Field(f"to_{number}", f"{which}: to", hint))
        said = "Left empty the one there stays." if kept else "Of a web address, at least 16 letters; may stay empty."
        found.append(Field(f"secret_{number}", f"{which}: secret of the signature", said, "secret"))
        if kept:
            found.append(Field(f"drop_{number}", f"{which}: take it away", "", "flag"))
    return found


def _nested(flat: Mapping[str, Any], had: Entry | None) -> tuple[Entry, list[int]]:
    """A person with his addresses as the file holds them, and the number in the form of each."""
    there = [] if had is None else had.get("address", [])
    entry = {
        key: value for key, value in flat.items() if not re.fullmatch(r"(channel|to|secret|drop|keep)_[0-9]+", key)
    }
    addresses: list[Entry] = []
    numbers = []
    for number in range(1, min(len(there) + 1, MOST_ADDRESSES) + 1):
        kept = there[number - 1].get("keep") if number <= len(there) else None
        to, secret = flat.get(f"to_{number}"), flat.get(f"secret_{number}")
        extra = {"secret": secret} if secret else {}
        if flat.get(f"drop_{number}"):
            continue
        if to:
            channel = "webhook" if kept else flat.get(f"channel_{number}") or "email"
            addresses.append({"channel": channel, "to": to, **extra})
        elif kept:
            addresses.append({"keep": kept, **extra})
        elif secret:
            addresses.append({"channel": "webhook", "to": "", **extra})
        else:
            continue
        numbers.append(number)
    if addresses:
        entry["address"] = addresses
    return entry, numbers


def taken(settings: Settings, topic: Topic, name: str, typed: Typed, system: System, begin: str = "") -> Changed:
    """The settings with what a form says of a topic.

    Args:
        settings: as they are now.
        topic: of the form.
        name: of the entry that it changes; empty: a new one, or a topic without a list.
        typed: what was sent.
        system: whose units the form was shown in.
        begin: heat source of our library that it began with; empty: none.

    Raises:
        NotTaken: by field.
    """
    entry = settings.entry(topic, name)
    fields = as_typed(form_fields(settings, topic, entry, system, begin), typed)
    flat = form_entry(topic, entry)
    made, problems = typed_entry(fields, typed, flat)
    if topic.id == "sources":
        made = _share_as_typed(made, typed)
    if topic.id == "feeds" and made.get("feed_instead") == [NO_FEED]:
        made["feed_instead"] = []
    whole = settings.people if topic.kept == "people" else settings.site
    if not topic.key:
        place = ", ".join([PLACE, *(f"[{one}]" for one in topic.section)])
        file = checked(
            fields, made, flat or {}, problems, lambda one: _read(settings, with_part(whole, topic, one)),
            names_at(fields, place),
        )  # fmt: skip
        return Changed(file, None, topic.title)
    part = list(settings.part(topic))
    position = next((n for n, one in enumerate(part) if one[topic.key] == name), len(part)) if name else len(part)
    place = ", ".join([PLACE, *(f"[{one}]" for one in topic.section[:-1]), f"{topic.section[-1]} {position + 1}"])
    numbers: list[int] = []

    def whole_with(one: Entry) -> Entry:
        if topic.kept == "people":
            one, found = _nested(one, entry)
            numbers[:] = found
        return with_part(whole, topic, [*part[:position], one, *part[position + 1 :]])

    what = f"{topic.one} {made.get(topic.key) or name}"
    good = flat or topic.start or {}
    if topic.kept == "people":
        setup = checked(
            fields, made, good, problems, lambda one: _people(settings, whole_with(one)),
            _names_of_person(fields, place, numbers),
        )  # fmt: skip
        return Changed(None, setup, what)
    site = checked(
        fields, made, good, problems, lambda one: _read(settings, whole_with(one)), names_at(fields, place)
    )  # fmt: skip
    return Changed(site, None, what)


def _names_of_person(fields: Sequence[Field], place: str, numbers: Sequence[int]) -> Names:
    of_person = names_at([one for one in fields if not re.search(r"_[0-9]+$", one.key)], place)

    def names(where: str) -> Mapping[str, str]:
        of_address = re.fullmatch(rf"{re.escape(place)}, address ([0-9]+)", where)
        if of_address is None:
            return of_person(where)
        number = numbers[int(of_address[1]) - 1]
        known = {one.key for one in fields}
        found = {key: f"{key}_{number}" for key in ("channel", "to", "secret")}
        return {key: name if name in known else f"to_{number}" for key, name in found.items()}

    return names


def _share_as_typed(made: Entry, typed: Typed) -> Entry:
    """A share that is typed takes the place of one that was measured; else the measured one stays."""
    if any("".join(typed.get(key, ())).strip() for key in ("share_low", "share_likely", "share_high")):
        made.pop("share_measured", None)
    return made


def without(settings: Settings, topic: Topic, name: str) -> Changed:
    """The settings without one entry of a list.

    Raises:
        NotTaken: something else rests on it; says what.
    """
    part = [one for one in settings.part(topic) if one[topic.key] != name]
    what = f"{topic.one} {name} taken away"
    try:
        if topic.kept == "people":
            return Changed(None, _people(settings, with_part(settings.people, topic, part)), what)
        return Changed(_read(settings, with_part(settings.site, topic, part)), None, what)
    except TableError as error:
        said = str(error).removeprefix(f"{PLACE}: ").removeprefix(f"{PLACE}, ")
        if topic.id == "shifts" and not part:
            said = "a site has at least one shift; add the other one first"
        raise NotTaken({"": said}) from None


def _read(settings: Settings, whole: Entry) -> SiteFile:
    return read_settings(whole, PLACE, settings.own_tables)


def _people(settings: Settings, whole: Entry) -> NoticeSetup:
    return people_of(Section(whole, PLACE), settings.setup)


# A new site -----------------------------------------------------------------------------------------------------------

_GOOD_SITE: Final[Entry] = {
    "name": "site",
    "latitude": 45.0,
    "longitude": -90.0,
    "zone": "America/Chicago",
}
"""Stands in for what cannot be while the rest is read."""


def new_site(typed: Typed, there: Sequence[str], system: System) -> SiteFile:
    """The site that the form of a new one holds.

    Args:
        typed: what was sent.
        there: ids that are taken.
        system: whose units the form was shown in.

    Raises:
        NotTaken: by field.
    """
    fields = as_typed(new_fields(system), typed)
    made, problems = typed_entry(fields, typed, None)
    good = {**{one.key: one.start for one in fields if one.start is not None}, **_GOOD_SITE}
    for field in fields:
        if field.key in problems:
            put(made, field.key, good.get(field.key))
    site_id = name_as_id(str(made["name"]))
    if "name" not in problems and not site_id:
        problems["name"] = "at least one letter from a to z or a digit is needed: the address is made from it"
    elif "name" not in problems and (site_id in there or site_id == "new"):
        problems["name"] = f"there is a site {site_id!r} already; choose another name"
    _check_sources(fields, made, problems)
    numbers = [number for number in range(1, NEW_SOURCES + 1) if made.get(f"source_{number}")]

    def names(where: str) -> Mapping[str, str]:
        if where == PLACE:
            return {one.key: one.key for one in fields if not one.key.startswith(("shift_", "source_", "count_"))}
        if where == f"{PLACE}, shift 1":
            return {one.key.removeprefix("shift_"): one.key for one in fields if one.key.startswith("shift_")}
        source = re.fullmatch(rf"{PLACE}, heat_source ([0-9]+)", where)
        return {"count": f"count_{numbers[int(source[1]) - 1]}"} if source else {}

    return checked(
        fields, made, good, problems, lambda one: read_settings(new_settings(one, site_id or PLACE), PLACE, ()), names
    )


def _check_sources(fields: Sequence[Field], made: Entry, problems: dict[str, str]) -> None:
    """Hold the chosen sources against the library; what cannot be is noted, and put to what passes."""
    options = {one.key: dict(one.options) for one in fields}
    seen = set()
    for number in range(1, NEW_SOURCES + 1):
        key, count = f"source_{number}", f"count_{number}"
        one = made.get(key)
        if one is None:
            continue
        if one not in options[key] or one in seen:
            problems[key] = "it is chosen above already" if one in seen else "choose one of the list"
            put(made, key, None)
        elif made.get(count) is None:
            problems.setdefault(count, "say how many there are")
            put(made, count, 1)
        seen.add(one)
