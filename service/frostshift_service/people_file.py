"""The file of people: who hears what of a site, and its choices on notices, as TOML. As strict as a site file."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from datetime import time
from string import Template as Places
from typing import Final, TypeVar, cast, get_args

from frostshift_rules.notice_setup import (
    ORDER,
    USUAL_KINDS,
    Address,
    Channel,
    Kind,
    NoticeChoices,
    NoticeSetup,
    Person,
    Quiet,
    Role,
    Template,
    Units,
    Urgency,
)
from frostshift_rules.strict import Section, TableError, read_toml
from frostshift_service.http import AddressRefused, check_postable
from frostshift_service.mail_address import is_mail_address
from frostshift_service.senders.webhook import ESCAPES, NUMBER_HEADER, PLACES, SIGNATURE_HEADER, TIME_HEADER, places_of
from frostshift_service.store.records import shown_address
from frostshift_service.toml_text import toml_text, toml_texts

T = TypeVar("T")

MAX_BYTES: Final = 1_000_000
MOST_PEOPLE: Final = 500
MOST_ADDRESSES: Final = 10
"""Of one person."""
MOST_NAME: Final = 60
MOST_ID: Final = 40
LEAST_SECRET: Final = 16
MOST_SECRET: Final = 200
MOST_URL: Final = 2000
MOST_BODY: Final = 10_000
MOST_HEADERS: Final = 20
MOST_HEADER: Final = 1000
NUMBERS: Final[Mapping[str, tuple[float, float]]] = {
    "front_fall_k": (2.0, 40.0),
    "front_hours": (1.0, 48.0),
    "light_up_minutes": (5.0, 600.0),
    "settle_minutes": (0.0, 1440.0),
    "ahead_hours": (1.0, 240.0),
    "front_ahead_hours": (1.0, 240.0),
    "shift_ahead_hours": (0.5, 72.0),
    "repeat_minutes": (5.0, 720.0),
    "then_minutes": (5.0, 1440.0),
    "front_day_fall_k": (0.0, 40.0),
    "front_earlier_hours": (0.5, 48.0),
    "front_deeper_k": (0.5, 40.0),
    "now_hours": (0.5, 48.0),
    "unusable_hours": (0.5, 240.0),
    "reading_hours": (0.25, 48.0),
}
"""What the numbers of `[choices]` may be."""
WHOLES: Final[Mapping[str, tuple[int, int]]] = {"order_ahead_days": (0, 30)}
"""The same of the whole ones."""

_ID: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_CLOCK: Final = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")
_TOKEN: Final = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]{1,60}")
"""A header's name: RFC 9110, 5.6.2."""
_NOT_OURS: Final = frozenset(
    name.lower()
    for name in (
        "Host", "Content-Length", "Content-Type", "Transfer-Encoding", "Connection", "TE", "Trailer", "Upgrade",
        "Expect", NUMBER_HEADER, TIME_HEADER, SIGNATURE_HEADER,
    )
)  # fmt: skip


def read_people(data: bytes, name: str, there: NoticeSetup | None = None, *, loopback: bool = False) -> NoticeSetup:
    """The people and choices of a TOML file.

    Args:
        data: the file's bytes.
        name: of the file, for errors.
        there: what the site has; an address with `keep` stays as it is there. None: no address may have it.
        loopback: whether a web address may be on this machine: only who has its command line may say so.

    Raises:
        TableError: the file cannot be used; says where and why, and nothing of a secret.
    """
    if len(data) > MAX_BYTES:
        raise TableError(f"{name}: {len(data)} bytes, at most {MAX_BYTES} are read")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(
            f"{name}: byte {error.start + 1} is not UTF-8; a file of people is plain text, as `frostshift people "
            "template` writes it"
        ) from error
    return people_of(read_toml(text, name), there, loopback=loopback)


def people_of(top: Section, there: NoticeSetup | None = None, *, loopback: bool = False) -> NoticeSetup:
    """The people and choices of a section that was read, as strict as `read_people`.

    Raises:
        TableError: something cannot be; says where and why, and nothing of a secret.
    """
    name = top.where
    people = top.some("person", lambda section: _person(section, there, loopback))
    choices = top.one("choices", _choices) if top.has("choices") else NoticeChoices()
    top.done()
    if len(people) > MOST_PEOPLE:
        raise TableError(f"{name}: {len(people)} people, at most {MOST_PEOPLE}")
    _check_together(name, people)
    return NoticeSetup(people, choices)


def _check_together(name: str, people: Sequence[Person]) -> None:
    ids = [one.id for one in people]
    twice = next((one for one in ids if ids.count(one) > 1), None)
    if twice is not None:
        raise TableError(f"{name}: id {twice!r} stands twice; every person has an id of its own")
    by_id = {one.id: one for one in people}
    for number, one in enumerate(people, 1):
        if one.then is not None and one.then not in by_id:
            raise TableError(
                f"{name}, person {number}: 'then' is {one.then!r}, expected the id of a person: {', '.join(ids)}"
            )
    for number, one in enumerate(people, 1):
        way = [one.id]
        while (following := by_id[way[-1]].then) is not None:
            if following in way:
                circle = ", ".join([*way, following])
                raise TableError(f"{name}, person {number}: 'then' runs in a circle: {circle}")
            way.append(following)


def _person(section: Section, there: NoticeSetup | None, loopback: bool) -> Person:
    role = cast(Role, section.choice("role", get_args(Role)))
    had = None if there is None else there.person(_id(section, "id"))
    kept = {_keep_of(one): one for one in (had.addresses if had else ()) if one.channel == "webhook"}
    addresses = section.some(
        "address", lambda part: _kept(part, kept) if part.has("keep") else _address(part, loopback)
    )
    if len(addresses) > MOST_ADDRESSES:
        raise TableError(f"{section.where}: {len(addresses)} addresses, at most {MOST_ADDRESSES}")
    keys = [one.key for one in addresses]
    twice = next((key for key in keys if keys.count(key) > 1), None)
    if twice is not None:
        raise TableError(f"{section.where}: address {shown_address(twice)} stands twice")
    return Person(
        id=_id(section, "id"),
        name=_line(section, "name", section.text("name"), MOST_NAME),
        role=role,
        units=cast(Units, section.choice("units", get_args(Units))),
        addresses=addresses,
        crews=_each_once(section, "crews", lambda text: _line(section, "crews", text, MOST_NAME)),
        kinds=_each_once(section, "kinds", lambda text: _kind(section, text)),
        least=cast(Urgency, section.choice("least", ORDER)) if section.has("least") else "plain",
        quiet=section.one("quiet", _quiet) if section.has("quiet") else None,
        then=_id(section, "then") if section.has("then") else None,
    )


def _id(section: Section, key: str) -> str:
    text = section.text(key)
    if not _ID.fullmatch(text) or len(text) > MOST_ID:
        raise TableError(
            f"{section.where}: '{key}' is {text!r}, expected lower-case letters, digits and hyphens, at most {MOST_ID}"
        )
    return text


def _line(section: Section, key: str, text: str, most: int) -> str:
    """One printable line: what is typed here stands in headers of mails."""
    if not text.strip() or len(text) > most or not text.isprintable():
        raise TableError(f"{section.where}: '{key}' is {text!r}, expected one line of 1 to {most} printable letters")
    return text.strip()


def _each_once(section: Section, key: str, read: Callable[[str], T]) -> tuple[T, ...]:
    if not section.has(key):
        return ()
    values = tuple(read(text) for text in section.texts(key))
    if not values:
        raise TableError(f"{section.where}: '{key}' is empty; leave the key out for all that is usual")
    for value in values:
        if values.count(value) > 1:
            raise TableError(f"{section.where}: '{key}' has {value!r} twice")
    return values


def _kind(section: Section, text: str) -> Kind:
    if text not in get_args(Kind):
        raise TableError(f"{section.where}: 'kinds' has {text!r}, expected some of {', '.join(get_args(Kind))}")
    return cast(Kind, text)


def _quiet(section: Section) -> Quiet:
    begin, until = (_clock(section, key) for key in ("begin", "until"))
    if begin == until:
        raise TableError(f"{section.where}: 'begin' and 'until' are both {begin:%H:%M}; that would be no time or all")
    return Quiet(begin, until)


def _clock(section: Section, key: str) -> time:
    text = section.text(key)
    if not _CLOCK.fullmatch(text):
        raise TableError(f"{section.where}: '{key}' is {text!r}, expected a time such as \"06:30\", 00:00 to 23:59")
    return time.fromisoformat(text)


def _keep_of(address: Address) -> str:
    """Names a web address without a word of it, nor of its secret."""
    return hashlib.sha256(address.key.encode()).hexdigest()[:16]


def _kept(section: Section, kept: Mapping[str, Address]) -> Address:
    """A web address that stays as it is, with its template; with its secret too, unless another is given.

    Nothing else may be given beside it: whoever could move it would be sent its secret headers.
    """
    name = section.text("keep")
    if name not in kept:
        raise TableError(
            f"{section.where}: 'keep' is {name!r}, and the person has no web address of that name: it was changed "
            "meanwhile, or the file is for another site; give channel and to"
        )
    return replace(kept[name], secret=_secret(section) or kept[name].secret)


def _secret(section: Section) -> str:
    secret = section.text("secret") if section.has("secret") else ""
    if secret and not (LEAST_SECRET <= len(secret) <= MOST_SECRET and secret.isprintable()):
        raise TableError(
            f"{section.where}: 'secret' has {len(secret)} letters, expected {LEAST_SECRET} to {MOST_SECRET}, printable"
        )
    return secret


def _address(section: Section, loopback: bool) -> Address:
    channel = cast(Channel, section.choice("channel", get_args(Channel)))
    to = section.text("to")
    if channel == "email":
        for key in ("secret", "template"):
            if section.has(key):
                raise TableError(f"{section.where}: '{key}' is for a webhook; a mail address has none")
        if not is_mail_address(to):
            raise TableError(f"{section.where}: 'to' is {to!r}, expected one mail address such as name@example.com")
        return Address(channel, to)
    try:
        check_postable(to, loopback=loopback)
    except AddressRefused as error:
        raise TableError(f"{section.where}: 'to': {error}") from None
    if len(to) > MOST_URL or not (to.isascii() and to.isprintable()) or " " in to:
        raise TableError(f"{section.where}: 'to' is no web address of at most {MOST_URL} plain letters")
    secret = _secret(section)
    template = section.one("template", _template) if section.has("template") else None
    return Address(channel, to, secret, template)


def _template(section: Section) -> Template:
    kind = section.choice("content_type", tuple(ESCAPES)) if section.has("content_type") else "application/json"
    body = section.text("body")
    if len(body) > MOST_BODY:
        raise TableError(f"{section.where}: 'body' has {len(body)} letters, at most {MOST_BODY}")
    _places(section, "body", body)
    if kind == "application/json":
        _check_json(section, body)
    headers = section.one("headers", _headers) if section.has("headers") else ()
    return Template(body, headers, kind)


def _places(section: Section, key: str, text: str) -> None:
    try:
        unknown = sorted(places_of(text) - set(PLACES))
    except ValueError as error:
        raise TableError(f"{section.where}: '{key}' has {error}") from None
    if unknown:
        known = ", ".join(f"${one}" for one in PLACES)
        raise TableError(f"{section.where}: '{key}' has the place '${unknown[0]}'; known places are {known}")


def _check_json(section: Section, body: str) -> None:
    # A number may stand without quotation marks, a text may not.
    filled = Places(body).substitute({key: "1" if key in ("number", "turn") else "x" for key in PLACES})
    try:
        json.loads(filled)
    except (ValueError, RecursionError):
        raise TableError(
            f"{section.where}: 'body' is no JSON once its places are filled; a place for text stands in quotation marks"
        ) from None


def _headers(section: Section) -> tuple[tuple[str, str], ...]:
    names = section.names()
    if len(names) > MOST_HEADERS:
        raise TableError(f"{section.where}: {len(names)} headers, at most {MOST_HEADERS}")
    found = []
    for name in names:
        if not _TOKEN.fullmatch(name) or name.lower() in _NOT_OURS:
            raise TableError(f"{section.where}: {name!r} is no header that may be set here")
        value = section.text(name)
        if len(value) > MOST_HEADER or not (value.isascii() and value.isprintable()):
            raise TableError(  # not shown: it may be a key
                f"{section.where}: '{name}' has {len(value)} letters, expected one line of ASCII, at most {MOST_HEADER}"
            )
        _places(section, name, value)
        found.append((name, value))
    lower = [name.lower() for name in names]
    twice = next((name for name in names if lower.count(name.lower()) > 1), None)
    if twice is not None:
        raise TableError(f"{section.where}: header {twice!r} stands twice")
    return tuple(found)


def _choices(section: Section) -> NoticeChoices:
    stated = {key: section.number(key, *limits) for key, limits in NUMBERS.items() if section.has(key)}
    wholes = {key: section.whole(key, *limits) for key, limits in WHOLES.items() if section.has(key)}
    return NoticeChoices(**stated, **wholes)  # type: ignore[arg-type]  # by its key


def write_people(setup: NoticeSetup) -> str:
    """The people as TOML that `read_people` takes for the same site; choices at their default are left out.

    No web address and no secret stands in it: each is named by `keep`, and stays as it is when the file is loaded.
    """
    rows: list[str] = []
    for one in setup.people:
        rows += [
            "[[person]]",
            f"id = {toml_text(one.id)}",
            f"name = {toml_text(one.name)}",
            f'role = "{one.role}"  # {" | ".join(get_args(Role))}',
            f'units = "{one.units}"',
            *([f"crews = {toml_texts(one.crews)}"] if one.crews else []),
            *([f"kinds = {toml_texts(one.kinds)}"] if one.kinds else []),
            *([f'least = "{one.least}"'] if one.least != "plain" else []),
            *(
                [f'quiet = {{ begin = "{one.quiet.begin:%H:%M}", until = "{one.quiet.until:%H:%M}" }}']
                if one.quiet is not None
                else []
            ),
            *([f"then = {toml_text(one.then)}"] if one.then is not None else []),
            "",
        ]
        for address in one.addresses:
            rows.append("[[person.address]]")
            if address.channel == "email":
                rows += ['channel = "email"', f"to = {toml_text(address.to)}", ""]
            else:
                said = f"web address at {shown_address(address.key)}, with its secret and template as they are"
                rows += [f'keep = "{_keep_of(address)}"  # {said}', ""]
    usual = NoticeChoices()
    changed = [
        f"{one.name} = {value!r}"
        for one in fields(NoticeChoices)
        if (value := getattr(setup.choices, one.name)) != getattr(usual, one.name)
    ]
    if changed:
        rows += ["[choices]", *changed]
    return "\n".join(rows).rstrip("\n") + "\n"


def people_template() -> str:
    """A file of people to start from, every key explained; the people in it are invented."""
    usual = NoticeChoices()
    choices = "\n".join(
        f"# {one.name} = {getattr(usual, one.name):g}{_CHOICE_WORDS[one.name]}" for one in fields(NoticeChoices)
    )
    kinds = "\n".join(f"#   {role}: {', '.join(some)}" for role, some in USUAL_KINDS.items())
    places = ", ".join(f"${one}" for one in PLACES)
    types = " | ".join(ESCAPES)
    fill = {"KINDS": kinds, "CHOICES": choices, "PLACES": places, "TYPES": types}
    text = _TEMPLATE
    for key, value in fill.items():
        text = text.replace(f"<{key}>", value)
    return text


_CHOICE_WORDS: Final[Mapping[str, str]] = {
    "front_fall_k": "  # K: a front is a fall of the air by at least so much ...",
    "front_hours": "  # h: ... within so many hours",
    "light_up_minutes": "  # min: a light-up that moves by less is not told",
    "settle_minutes": "  # min: what got easier is told once it has stayed so for so long",
    "ahead_hours": "  # h: joints that start later than this are not told of yet",
    "front_ahead_hours": "  # h: the same for fronts and cylinders",
    "shift_ahead_hours": "  # h: what a shift needs is told so long before it begins",
    "repeat_minutes": "  # min: what cannot wait and nobody has answered is sent again after so long ...",
    "then_minutes": "  # min: ... and to the next person after so long",
    "front_day_fall_k": "  # K: a front leaves the air by at least so much colder than a day before; less is the night",
    "front_earlier_hours": "  # h: a front that was told is told again where it comes by so much earlier ...",
    "front_deeper_k": "  # K: ... or goes by so much deeper",
    "now_hours": "  # h: what has to be done within so many hours cannot wait",
    "unusable_hours": "  # h: nor can a forecast that cannot be used, where a joint is lit within so many hours",
    "order_ahead_days": "  # d: an order that still comes in time is told so many days before its last day",
    "reading_hours": "  # h: a reading older than this is not told",
}

_TEMPLATE: Final = """\
# Who hears what of the site. Take it in with `frostshift people load FILE`; what is loaded replaces all that was there.
# It holds names, addresses and secrets: keep it where only those can read it who may.
# Then send everybody a test message: `frostshift notices test PERSON`.

[[person]]
id = "rowan"  # short and lasting: lower-case letters, digits, hyphens
name = "Rowan Vale"
role = "foreman"  # superintendent | foreman | crew | purchasing | engineer
units = "us"  # us | si: what figures are in
crews = ["Row C"]  # hears of these crews; without the key of all, and of what concerns no crew
# kinds = ["front", "stop"]  # hears of these; without the key of what is usual for the role:
<KINDS>
# least = "soon"  # hears of nothing less urgent: now | soon | plain, as without the key
quiet = { begin = "20:00", until = "05:00" }  # on the site's clock: then only what cannot wait
then = "tamsin"  # who is told where nobody answers what cannot wait

[[person.address]]  # one such block for each address; without one the person reads the pages
channel = "email"
to = "rowan@site.example"

[[person]]
id = "tamsin"
name = "Tamsin Orr"
role = "superintendent"  # hears, too, when an address is no longer sent to
units = "us"

[[person.address]]
channel = "email"
to = "tamsin@site.example"

# A web address that is posted to: https, and nothing in a private network; http on this machine alone, and that only in
# a file that is loaded on its command line. It gets our own JSON, see the head of senders/webhook.py. With a secret it
# is signed: X-Frostshift-Signature is the hex of HMAC-SHA256 over X-Frostshift-Time, a line feed and the body.
# [[person.address]]
# channel = "webhook"
# to = "https://gateway.example/messages"
# secret = "at least sixteen letters"
#
# What is sent instead, so that a gateway for text messages or a chat can be fed.
# [person.address.template]
# content_type = "application/json"  # <TYPES>
# body = '{"to": "+1 555 0100", "message": "$first_line"}'
# headers = { Authorization = "Bearer KEY" }
# Places: <PLACES>
# Each is escaped for the content type; a dollar sign that is meant is written twice.

# The site's choices; every line may stay out, and has then the figure that stands here.
[choices]
<CHOICES>
"""
