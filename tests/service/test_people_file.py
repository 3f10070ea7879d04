"""The file of people: what is written is read, and every wrong value is named with its place and its limit."""

import re
from dataclasses import fields
from datetime import time
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.notice_setup import Address, Kind, NoticeChoices, NoticeSetup, Person, Quiet, Template
from frostshift_rules.strict import TableError
from frostshift_service.people_file import (
    MAX_BYTES,
    MOST_ADDRESSES,
    MOST_PEOPLE,
    NUMBERS,
    WHOLES,
    people_template,
    read_people,
    write_people,
)
from frostshift_service.senders.webhook import PLACES

BASE = '[[person]]\nid = "rowan"\nname = "Rowan"\nrole = "foreman"\nunits = "us"\n'
MAIL = '[[person.address]]\nchannel = "email"\nto = "rowan@site.example"\n'
HOOK = '[[person.address]]\nchannel = "webhook"\nto = "https://h.example/s3cret"\n'
TEMPLATE = "[person.address.template]\n"


def read(text: str) -> NoticeSetup:
    return read_people(text.encode(), "people.toml", loopback=True)


def refused(text: str) -> str:
    with pytest.raises(TableError) as caught:
        read(text)
    message = str(caught.value)
    assert message.startswith("people.toml")
    assert "\n" not in message
    assert "s3cret" not in message
    return message


def test_the_template_is_read_and_explains_every_key() -> None:
    text = people_template()
    assert read(text) == NoticeSetup(
        (
            Person(
                "rowan", "Rowan Vale", "foreman", "us", (Address("email", "rowan@site.example"),),
                crews=("Row C",), quiet=Quiet(time(20), time(5)), then="tamsin",
            ),
            Person("tamsin", "Tamsin Orr", "superintendent", "us", (Address("email", "tamsin@site.example"),)),
        )
    )  # fmt: skip
    for name in (*(one.name for one in fields(Person)), "channel", "to", "secret", "body", "headers", "content_type"):
        word = {"addresses": "person.address"}.get(name, name)
        assert re.search(rf"\b{re.escape(word)}\b", text), word
    for one in (*get_args(Kind), *NUMBERS, *WHOLES, *(f"${place}" for place in PLACES)):
        assert one in text, one


def test_the_template_with_all_its_comments_taken_up() -> None:
    """Every line that is commented out is one that may be used as it stands."""
    # A comment line that is TOML by its look: a key, or the head of a table.
    lines = [re.sub(r"^# (?=\[|[a-z_]+ = )", "", line) for line in people_template().splitlines()]
    setup = read("\n".join(lines))
    assert setup.choices == NoticeChoices(), "the figures shown are the usual ones"
    (_, hook) = setup.people[1].addresses
    assert hook.template is not None
    assert (hook.secret, hook.template.headers) == ("at least sixteen letters", (("Authorization", "Bearer KEY"),))
    assert setup.people[0].kinds == ("front", "stop")


@pytest.mark.parametrize("host", ["127.0.0.1:9", "localhost", "[::1]:8765", "127.9.9.9"])
def test_this_machine_is_posted_to_only_by_a_file_of_its_command_line(host: str) -> None:
    text = f'{BASE}[[person.address]]\nchannel = "webhook"\nto = "http://{host}/s3cret"\n'
    there = read(text)
    with pytest.raises(TableError, match=r"'to': .*command line") as caught:
        read_people(text.encode(), "people.toml")
    assert "s3cret" not in str(caught.value)
    assert read_people(write_people(there).encode(), "people.toml", there) == there  # what is there stays


def test_all_that_can_be_said() -> None:
    body = "to=1&msg=$first_line&n=${number}"
    text = (
        '[[person]]\nid = "a-1"\nname = " Ünal Đỗ "\nrole = "crew"\nunits = "si"\ncrews = ["Row C", "Ü"]\n'
        'kinds = ["stop", "front"]\nleast = "now"\nquiet = { begin = "23:59", until = "00:00" }\n'
        + '[[person.address]]\nchannel = "webhook"\nto = "http://127.0.0.1:9/x?y=1"\nsecret = "sixteen letters.."\n'
        + f'{TEMPLATE}content_type = "application/x-www-form-urlencoded"\nbody = "{body}"\n'
        + 'headers = { Authorization = "Bearer k", X-Line = "$person" }\n'
        + "[choices]\nfront_fall_k = 6\nsettle_minutes = 0\n"
    )
    template = Template(
        body, (("Authorization", "Bearer k"), ("X-Line", "$person")), "application/x-www-form-urlencoded"
    )
    address = Address("webhook", "http://127.0.0.1:9/x?y=1", "sixteen letters..", template)
    person = Person(
        "a-1", "Ünal Đỗ", "crew", "si", (address,), ("Row C", "Ü"), ("stop", "front"), "now",
        Quiet(time(23, 59), time(0)),
    )  # fmt: skip
    assert read(text) == NoticeSetup((person,), NoticeChoices(front_fall_k=6.0, settle_minutes=0.0))


def test_an_empty_file_is_nobody() -> None:
    assert read("") == NoticeSetup()


def changed(**values: str) -> str:
    lines = dict(line.split(" = ", 1) for line in BASE.splitlines()[1:])
    return "\n".join(["[[person]]", *(f"{key} = {value}" for key, value in {**lines, **values}.items())]) + "\n"


CASES: list[tuple[str, str]] = [
    ("[[person]]\n", "person 1: key 'role' is missing"),
    ("[people]\n", "unknown key 'people'; known keys are choices, person"),
    (BASE + 'mail = "x"\n', "person 1: unknown key 'mail'; known keys are address, crews, id"),
    (changed(role='"boss"'), "'role' is 'boss', expected one of superintendent, foreman"),
    (changed(units='"metric"'), "'units' is 'metric', expected one of us, si"),
    (changed(id='"Rowan V"'), "'id' is 'Rowan V', expected lower-case letters, digits and hyphens, at most 40"),
    (changed(id=f'"{"a" * 41}"'), "at most 40"),
    (changed(name=r'"Rowan\r\nBcc: x@y.example"'), "'name' is 'Rowan\\r\\nBcc: x@y.example', expected one line"),
    (changed(name=r'"a\u2028b"'), "expected one line of 1 to 60 printable letters"),
    (changed(name=f'"{"a" * 61}"'), "expected one line of 1 to 60"),
    (BASE + "crews = []\n", "'crews' is empty; leave the key out"),
    (BASE + 'crews = ["A", "A"]\n', "'crews' has 'A' twice"),
    (BASE + r'crews = ["A\n"]' + "\n", "'crews' is 'A\\n', expected one line"),
    (BASE + 'kinds = ["storm"]\n', "'kinds' has 'storm', expected some of shift, front"),
    (BASE + 'least = "never"\n', "'least' is 'never', expected one of now, soon, plain"),
    (BASE + 'quiet = { begin = "20:00" }\n', "[quiet]: key 'until' is missing"),
    (BASE + 'quiet = { begin = "24:00", until = "05:00" }\n', "'begin' is '24:00', expected a time such as \"06:30\""),
    (BASE + 'quiet = { begin = "05:00", until = "05:00" }\n', "'begin' and 'until' are both 05:00"),
    (BASE + 'then = "quill"\n', "person 1: 'then' is 'quill', expected the id of a person: rowan"),
    (BASE + 'then = "rowan"\n', "'then' runs in a circle: rowan, rowan"),
    (changed(then='"b"') + changed(id='"b"', then='"rowan"'), "'then' runs in a circle: rowan, b, rowan"),
    (BASE + BASE, "id 'rowan' stands twice"),
    (BASE + MAIL + MAIL, "address rowan@site.example stands twice"),
    (BASE + HOOK + HOOK, "address h.example stands twice"),
    (BASE + '[[person.address]]\nchannel = "fax"\nto = "1"\n', "'channel' is 'fax', expected one of email, webhook"),
    (BASE + MAIL.replace("rowan@", "rowan at "), "'to' is 'rowan at site.example', expected one mail address"),
    (BASE + MAIL.replace("site.example", r"site.example\r\nX: y"), "expected one mail address"),
    (BASE + MAIL + f'secret = "{"s3cret" * 4}"\n', "'secret' is for a webhook"),
    (BASE + MAIL + f'{TEMPLATE}body = "x"\n', "'template' is for a webhook"),
    (BASE + HOOK.replace("https", "http"), "'to': h.example: only https addresses are posted to"),
    (BASE + HOOK.replace("h.example", "10.0.0.8"), "'to': 10.0.0.8: an address of a private network"),
    (BASE + HOOK.replace("https://", "https://u:s3cret@"), "holds no user and no password"),
    (BASE + HOOK.replace("/s3cret", "/s3cret " + "x"), "'to'"),
    (BASE + HOOK.replace("/s3cret", "/" + "x" * 2000), "at most 2000 plain letters"),
    (BASE + HOOK + 'secret = "s3cret"\n', "'secret' has 6 letters, expected 16 to 200"),
    (BASE + HOOK + TEMPLATE, "[template]: key 'body' is missing"),
    (
        BASE + HOOK + f'{TEMPLATE}body = "$line"\ncontent_type = "text/plain"\n',
        "the place '$line'; known places are $first",
    ),
    (
        BASE + HOOK + f'{TEMPLATE}body = "costs $ 5"\ncontent_type = "text/plain"\n',
        "a dollar sign that begins no place",
    ),
    (
        BASE + HOOK + f'{TEMPLATE}body = "x"\ncontent_type = "text/html"\n',
        "'content_type' is 'text/html', expected one of",
    ),
    (BASE + HOOK + f"{TEMPLATE}body = '{{\"m\": $text}}'\n", "'body' is no JSON once its places are filled"),
    (BASE + HOOK + f"{TEMPLATE}body = '\"$text'\n", "'body' is no JSON"),
    (BASE + HOOK + f'{TEMPLATE}body = "{"x" * 10_001}"\n', "'body' has 10001 letters, at most 10000"),
    (BASE + HOOK + f"{TEMPLATE}body = '1'\nheaders = {{ Host = 'x' }}\n", "'Host' is no header that may be set here"),
    (BASE + HOOK + f"{TEMPLATE}body = '1'\nheaders = {{ 'X-A: b' = 'x' }}\n", "'X-A: b' is no header"),
    (
        BASE + HOOK + f"{TEMPLATE}body = '1'\nheaders = {{ x-frostshift-signature = 'x' }}\n",
        "no header that may be set",
    ),
    (
        BASE + HOOK + f'{TEMPLATE}body = "1"\nheaders = {{ X-A = "s3cret\\r\\nB: c" }}\n',
        "'X-A' has 12 letters, expected one",
    ),
    (BASE + HOOK + f"{TEMPLATE}body = '1'\nheaders = {{ X-A = '$nobody' }}\n", "'X-A' has the place '$nobody'"),
    (BASE + HOOK + f"{TEMPLATE}body = '1'\nheaders = {{ X-A = 'a', x-a = 'b' }}\n", "header 'X-A' stands twice"),
    ("[choices]\nfront_fall = 8\n", "[choices]: unknown key 'front_fall'; known keys are ahead_hours"),
    ("x = ", "not readable as TOML"),
    ("[choices]\nrepeat_minutes = true\n", "'repeat_minutes' is True, expected"),
    ("[choices]\norder_ahead_days = 1.5\n", "'order_ahead_days' is 1.5, expected a whole number"),
    ("[choices]\nrepeat_minutes = nan\n", "'repeat_minutes' is nan, outside 5 to 720"),
]


@pytest.mark.parametrize(("text", "said"), CASES)
def test_what_is_refused(text: str, said: str) -> None:
    assert said in refused(text)


@pytest.mark.parametrize("key", [*NUMBERS, *WHOLES])
def test_limits_of_the_choices(key: str) -> None:
    low, high = (NUMBERS | WHOLES)[key]  # type: ignore[operator]  # both are dicts
    for value in (low, high):
        assert getattr(read(f"[choices]\n{key} = {value}\n").choices, key) == value
    for value in (low - 0.1, high + 0.1):
        assert f"'{key}' is {value:g}, outside {low:g} to {high:g}" in refused(f"[choices]\n{key} = {value}\n")
    assert low <= getattr(NoticeChoices(), key) <= high


def test_every_choice_can_be_said() -> None:
    assert NUMBERS.keys() | WHOLES.keys() == {one.name for one in fields(NoticeChoices)}


def test_sizes() -> None:
    many = "".join(changed(id=f'"p{n}"') for n in range(MOST_PEOPLE + 1))
    assert refused(many) == f"people.toml: {MOST_PEOPLE + 1} people, at most {MOST_PEOPLE}"
    addresses = "".join(MAIL.replace("rowan@", f"r{n}@") for n in range(MOST_ADDRESSES + 1))
    assert f"{MOST_ADDRESSES + 1} addresses, at most {MOST_ADDRESSES}" in refused(BASE + addresses)
    assert "at most 1000000 are read" in refused("#" * (MAX_BYTES + 1))
    with pytest.raises(TableError, match="byte 1 is not UTF-8; a file of people is plain text"):
        read_people(b"\xff\xfe", "people.toml")


@given(st.text(max_size=60), st.sampled_from(["id", "name", "then", "crews", "to", "body"]))
def test_whatever_is_typed_it_is_taken_or_refused_in_one_line(text: str, key: str) -> None:
    written = "".join(f"\\U{ord(c):08x}" for c in text if not "\ud800" <= c <= "\udfff")
    values: dict[str, Any] = {
        "to": BASE + f'[[person.address]]\nchannel = "email"\nto = "{written}"\n',
        "body": BASE + HOOK + f'{TEMPLATE}content_type = "text/plain"\nbody = "{written}"\n',
        "crews": BASE + f'crews = ["{written}"]\n',
        "then": BASE + f'then = "{written}"\n',
    }
    try:
        read(values.get(key) or changed(**{key: f'"{written}"'}))
    except TableError as error:
        said = str(error)
    else:
        said = ""
    assert "\n" not in said
    if said:
        return
    found = read(values.get(key) or changed(**{key: f'"{written}"'}))
    (person,) = found.people
    assert person.name.isprintable()
    assert all(one.isprintable() for one in person.crews)
    assert all(address.to.isascii() and address.to.isprintable() for address in person.addresses)
