"""Invented people, notices and words for the tests of delivering."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from frostshift_rules.notice_events import Event, Notice, Told, ToldJoint
from frostshift_rules.notice_setup import Address, NoticeSetup, Person
from frostshift_service.store.records import KeptSite, NewNotice, Recipient, Words

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
SITE = "ore-shed"
MINUTE = timedelta(minutes=1)


def mail(to: str) -> Address:
    return Address("email", to)


def person(person_id: str, *addresses: Address, **fields: Any) -> Person:
    values: dict[str, Any] = {"name": person_id.title(), "role": "foreman", "units": "us", **fields}
    return Person(person_id, addresses=addresses, **values)


ROWAN = person("rowan", mail("rowan@site.example"), then="tamsin")
TAMSIN = person("tamsin", mail("tamsin@site.example"), role="superintendent")
SETUP = NoticeSetup((ROWAN, TAMSIN))


def notice(key: str = "front|row C|2027-01-15 day", **fields: Any) -> Notice:
    urgency = fields.pop("urgency", "now")
    values: dict[str, Any] = {
        "crew": "row C",
        "shift_key": "2027-01-15 day",
        "shift_name": "day",
        "shift_day": date(2027, 1, 15),
        "shift_start_utc": NOW + timedelta(hours=15),
        "shift_end_utc": NOW + timedelta(hours=25),
        "events": (Event("front", urgency, NOW + timedelta(hours=14)),),
        "decided_utc": NOW,
        "freshness": "fresh",
        "issued_utc": NOW - timedelta(hours=1),
        **fields,
    }
    return Notice(key, **values)


def new(one: Notice, *people: Person, due_utc: datetime = NOW) -> NewNotice:
    return NewNotice(one, tuple(Recipient(p.id, due_utc, tuple(a.key for a in p.addresses)) for p in people))


def told_of(marks: Iterable[str]) -> Told:
    return Told(joints={mark: ToldJoint("heat_to_minimum", "go", NOW, told=True) for mark in marks})


def words(site: KeptSite, one: Notice, to: Person, number: int, answer_link: str) -> Words:
    first = f"Light up row C by 05:30 ({one.key})"
    return Words(first, f"{first}\nNotice {number} for {to.name}.\n{answer_link}\n", f"<p>{number}</p>")
