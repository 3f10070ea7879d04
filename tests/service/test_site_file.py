"""A site's settings as a file: what is written reads back, and every wrong value is named with its key and limit."""

import re
from dataclasses import fields
from datetime import date, time
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.gas import burn
from frostshift_rules.job import Acceptance, Choices, HeatSource, Procedure, Shift, Site
from frostshift_rules.strict import OutOfRange
from frostshift_rules.tables import code_table_ids
from frostshift_service import demo
from frostshift_service.clock import utc_now
from frostshift_service.site_file import (
    CHOICE_LIMITS,
    MAX_BYTES,
    SiteFile,
    SiteFileError,
    read_site,
    template,
    write_site,
)
from frostshift_service.store.records import FEED_NAMES, SHOW_UNITS

TEMPLATE = template(date(2026, 11, 25))


def between(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


def optional(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | between(low, high)


def burns(source: HeatSource) -> bool:
    try:
        burn(source, 1.0)
    except OutOfRange:
        return False
    return True


NAMES = st.text(min_size=1, max_size=20).filter(str.strip)
SHIFTS = st.builds(
    Shift,
    name=NAMES,
    start=st.builds(time, st.integers(0, 23), st.integers(0, 59)),
    end=st.builds(time, st.integers(0, 23), st.integers(0, 59)),
    days=st.frozensets(st.integers(1, 7), min_size=1),
    hands=st.integers(0, 200),
)


@st.composite
def sources(draw: st.DrawFn) -> HeatSource:
    low, likely, high = sorted(draw(st.tuples(*[between(0.01, 0.95)] * 3)))
    fuel = draw(st.sampled_from(["propane", "propylene", "acetylene", "natural_gas"]))
    ratio = draw(st.none() | st.just(0.0) | between(0.5, 5.0))
    return HeatSource(
        draw(NAMES), draw(NAMES), fuel, draw(between(0.5, 300.0)), low, likely, high, ratio, draw(st.integers(0, 500))
    )


@st.composite
def procedures(draw: st.DrawFn) -> Procedure:
    low, high = draw(optional(-20.0, 400.0)), draw(optional(20.0, 600.0))
    if low is not None and high is not None and low >= high:
        high = None
    return Procedure(draw(NAMES), low, high, draw(st.booleans()))


SITES = st.builds(
    Site,
    id=st.from_regex(r"[a-z0-9]{1,12}(-[a-z0-9]{1,12}){0,2}", fullmatch=True),
    name=NAMES,
    latitude=between(-90.0, 90.0),
    longitude=between(-180.0, 180.0),
    altitude_m=optional(-500.0, 9000.0),
    zone=st.sampled_from(sorted(available_timezones())),
    table_id=st.sampled_from(code_table_ids()),
    code_units=st.sampled_from(["us", "si", "either"]),
    shifts=st.lists(SHIFTS, min_size=1, max_size=3, unique_by=lambda shift: shift.name).map(tuple),
    heat_sources=st.lists(sources().filter(burns), max_size=3, unique_by=lambda source: source.id).map(tuple),
    procedures=st.lists(procedures(), max_size=3, unique_by=lambda procedure: procedure.name).map(tuple),
    acceptances=st.lists(
        st.builds(Acceptance, st.sampled_from(code_table_ids()), NAMES, st.dates()),
        max_size=1,
    ).map(tuple),
    last_nights_low_c=optional(-60.0, 50.0),
    terrain=st.sampled_from(["open", "suburban", "city"]),
    choices=st.builds(Choices, **{name: between(*limits) for name, limits in CHOICE_LIMITS.items()}),
)
FILES = st.builds(SiteFile, SITES, st.sampled_from(SHOW_UNITS), st.none() | st.sampled_from(FEED_NAMES))


@given(FILES)
def test_what_is_written_reads_back(file: SiteFile) -> None:
    assert read_site(write_site(file).encode(), "site.toml") == file


def test_the_demo_and_the_template_read_back() -> None:
    now = utc_now()
    for file in (SiteFile(demo.demo_site(now), "us", "file"), read_site(TEMPLATE.encode(), "t")):
        assert read_site(write_site(file).encode(), "site.toml") == file
    assert "feed: nws | met_norway" in TEMPLATE, "what may stand in an absent key is said"


def test_every_choice_has_limits_around_its_default() -> None:
    assert set(CHOICE_LIMITS) == {field.name for field in fields(Choices)}
    for name, (low, high) in CHOICE_LIMITS.items():
        assert low <= getattr(Choices(), name) <= high, name
    for doubt in ("doubt_k", "h_band"):
        assert CHOICE_LIMITS[doubt][0] > 0.0, "a typing slip cannot take a doubt away"


def refused(text: str) -> str:
    with pytest.raises(SiteFileError) as caught:
        read_site(text.encode(), "site.toml")
    message = str(caught.value)
    assert message.startswith("site.toml")
    assert "\n" not in message
    return message


def with_value(key: str, value: str) -> str:
    """The template with another value of a key that stands in it."""
    changed, count = re.subn(rf"(?m)^{key} = [^#\n]*", f"{key} = {value} ", TEMPLATE, count=1)
    assert count == 1, key
    return changed


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("id", '"My Site"', "'id' is 'My Site', expected lower-case letters, digits and hyphens, at most 40"),
        ("id", f'"{"a" * 41}"', "at most 40"),
        ("id", '""', "'id' is empty"),
        ("id", "7", "'id' is 7, expected str"),
        ("name", '"  "', "'name' is empty"),
        ("latitude", "90.01", "'latitude' is 90.01, outside -90 to 90"),
        ("latitude", "nan", "'latitude' is nan, outside -90 to 90"),
        ("latitude", '"47.9"', "'latitude' is '47.9', expected int or float"),
        ("latitude", "true", "'latitude' is True, expected int or float"),
        ("longitude", "-181", "'longitude' is -181, outside -180 to 180"),
        ("zone", '"Chicago"', "'zone' is 'Chicago', expected an IANA time zone such as America/Chicago"),
        ("zone", '"../../etc/passwd"', "expected an IANA time zone"),
        ("table", '"my-table"', "'table' is 'my-table', expected one of aws_d1_1_2015_t3_3"),
        ("code_units", '"inch"', "'code_units' is 'inch', expected one of us, si, either"),
        ("show_units", '"metric"', "'show_units' is 'metric', expected one of "),
        ("terrain", '"hill"', "'terrain' is 'hill', expected one of open, suburban, city"),
        ("last_nights_low_c", "-61", "'last_nights_low_c' is -61, outside -60 to 50"),
        ("start", '"6:30"', "shift 1: 'start' is '6:30', expected hour:minute such as 06:30"),
        ("start", '"24:00"', "expected hour:minute"),
        ("end", "16:30:00", "shift 1: 'end' is"),
        ("days", "[0, 1]", "shift 1: 'days' is 0, outside 1 to 7"),
        ("days", "[1, 8]", "'days' is 8, outside 1 to 7"),
        ("days", "[1.5]", "'days' is [1.5], expected whole numbers, 1 Monday to 7 Sunday"),
        ("days", "[]", "'days' is [], expected whole numbers"),
        ("days", '["Mon"]', "'days' is ['Mon'], expected a list of numbers"),
        ("hands", "201", "'hands' is 201, outside 0 to 200"),
        ("hands", "2.5", "'hands' is 2.5, expected a whole number"),
        ("fuel", '"petrol"', "heat_source 1: 'fuel' is 'petrol', expected one of propane"),
        ("net_kw", "0", "'net_kw' is 0, outside 0.5 to 300"),
        ("net_kw", "301", "'net_kw' is 301, outside 0.5 to 300"),
        ("share_low", "0", "'share_low' is 0, outside 0.01 to 0.95"),
        ("share_high", "1", "'share_high' is 1, outside 0.01 to 0.95"),
        ("share_low", "0.9", "expected a rising order"),
        ("count", "501", "'count' is 501, outside 0 to 500"),
        ("count", "1.5", "'count' is 1.5, expected a whole number"),
    ],
)
def test_a_wrong_value_is_refused_with_its_key_and_limit(key: str, value: str, said: str) -> None:
    assert said in refused(with_value(key, value))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("[choices]\nslip = 3\n", "[choices]: unknown key 'slip'; known keys are "),
        ("colour = 1\n", "unknown key 'colour'"),
        ('[[procedure]]\nname = "P"\nminimum_c = 401\n', "procedure 1: 'minimum_c' is 401, outside -20 to 400"),
        ('[[procedure]]\nname = "P"\nmaximum_c = 19\n', "'maximum_c' is 19, outside 20 to 600"),
        ('[[procedure]]\nname = "P"\nminimum_c = 100\nmaximum_c = 100\n', "minimum_c 100 is not below maximum_c 100"),
        ('[[procedure]]\nname = "P"\nqualified_by_test = "yes"\n', "'qualified_by_test' is 'yes', expected bool"),
        ('[[procedure]]\nname = "P"\nmin = 1\n', "procedure 1: unknown key 'min'"),
        ('[[procedure]]\nname = "P"\n[[procedure]]\nname = "P"\n', "procedure 'P' stands twice"),
        ('[[shift]]\nname = "day"\nstart = "18:00"\nend = "02:00"\nhands = 1\n', "shift 'day' stands twice"),
        (
            '[[heat_source]]\nid = "tip"\nname = "x"\nfuel = "propane"\nnet_kw = 9\ncount = 1\n',
            "heat_source 'tip' stands twice",
        ),
        (
            '[[heat_source]]\nid = "b"\nname = "x"\nfuel = "acetylene"\nnet_kw = 9\ncount = 1\noxygen_ratio = 5.5\n',
            "heat_source 2: oxygen_ratio for acetylene is 5.5, expected 0 (air torch) or 1 to 2.5 by volume",
        ),
        (
            '[[acceptance]]\ntable = "aws_d1_1_2015_t3_3"\naccepted_by = "Q"\naccepted_on = "today"\n',
            "acceptance 1: 'accepted_on' is 'today', expected date",
        ),
        (
            '[[acceptance]]\ntable = "aws_d1_1_2015_t3_3"\naccepted_by = "Q"\naccepted_on = 2026-01-01T10:00:00\n',
            "expected a date without a time",
        ),
        ('[[acceptance]]\ntable = "aws_d1_1_2015_t3_3"\naccepted_by = " "\n', "'accepted_by' is empty"),
        (
            '[[acceptance]]\ntable = "aws_d1_1_2015_t3_3"\naccepted_by = "Q"\naccepted_on = 2026-01-01\n' * 2,
            "acceptance of table 'aws_d1_1_2015_t3_3' stands twice",
        ),
        ("shift = 3\n", "not readable as TOML"),
    ],
)
def test_more_that_is_refused(more: str, said: str) -> None:
    text = f"{more}{TEMPLATE}" if "[" not in more else f"{TEMPLATE}\n{more}"
    assert said in refused(text)


@pytest.mark.parametrize("name", CHOICE_LIMITS)
def test_a_choice_outside_its_limits_is_refused(name: str) -> None:
    low, high = CHOICE_LIMITS[name]
    for value in (low - 0.001, high + 0.001):
        message = refused(f"{TEMPLATE}\n[choices]\n{name} = {value!r}\n")
        assert f"'{name}' is {value:g}, outside {low:g} to {high:g}" in message
    for value in (low, high):
        read = read_site(f"{TEMPLATE}\n[choices]\n{name} = {value!r}\n".encode(), "site.toml")
        assert getattr(read.site.choices, name) == value


@pytest.mark.parametrize("key", ["id", "name", "latitude", "longitude", "zone", "table", "code_units", "show_units"])
def test_a_missing_key_is_named(key: str) -> None:
    assert f"key '{key}' is missing" in refused(re.sub(rf"(?m)^{key} = .*\n", "", TEMPLATE, count=1))


def test_feed_is_one_of_the_known_ones_or_absent() -> None:
    assert read_site(f'feed = "met_norway"\n{TEMPLATE}'.encode(), "t").feed == "met_norway"
    assert read_site(TEMPLATE.encode(), "t").feed is None
    assert "'feed' is 'radio', expected one of " in refused(f'feed = "radio"\n{TEMPLATE}')


def test_bytes_that_are_no_such_file() -> None:
    with_mark = read_site(b"\xef\xbb\xbf" + TEMPLATE.encode(), "site.toml")
    assert with_mark == read_site(TEMPLATE.encode(), "site.toml"), "a byte-order mark does no harm"
    assert read_site(TEMPLATE.replace("\n", "\r\n").encode(), "site.toml") == with_mark
    for data, said in (
        (TEMPLATE.replace("My site", "Fähre").encode("latin-1"), r"site.toml: byte \d+ is not UTF-8"),
        (TEMPLATE.encode("utf-16"), r"site.toml: byte 1 is not UTF-8; a site file is plain text"),
        (b"", r"site.toml: key 'id' is missing"),
        (b"{", r"site.toml: not readable as TOML"),
        (b"x" * (MAX_BYTES + 1), rf"site.toml: {MAX_BYTES + 1} bytes, at most {MAX_BYTES} are read"),
    ):
        with pytest.raises(SiteFileError, match=said):
            read_site(data, "site.toml")


def test_the_template_shows_what_may_be_added() -> None:
    opened = re.sub(r"^# (?=altitude_m|\[\[procedure|name|minimum_c|maximum_c|qualified)", "", TEMPLATE, flags=re.M)
    site = read_site(opened.encode(), "site.toml").site
    assert site.altitude_m == 440.0
    assert site.procedures == (Procedure("P-12", 110.0, 230.0, qualified_by_test=False),)
