"""A site's settings as a file: what is written reads back, and every wrong value is named with its key and limit."""

import re
from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date, time
from importlib import resources
from zoneinfo import available_timezones

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.gas import burn
from frostshift_rules.job import (
    PROCESSES,
    SOURCE_KINDS,
    Acceptance,
    Choices,
    HeatSource,
    MeasuredShare,
    Procedure,
    Shift,
    Site,
)
from frostshift_rules.strict import OutOfRange
from frostshift_rules.tables import OwnTable, code_table_ids, taken_ids
from frostshift_service import demo
from frostshift_service.clock import utc_now
from frostshift_service.site_file import (
    CHOICE_LIMITS,
    MAX_BYTES,
    MAX_OWN_TABLES,
    PROCEDURE_MAXIMUM_C,
    PROCEDURE_MINIMUM_C,
    PROCEDURE_MM,
    SiteFile,
    SiteFileError,
    own_table_name,
    read_site,
    template,
    write_site,
)
from frostshift_service.store.records import SHOW_UNITS, SITE_FEEDS, STAND_IN_NAMES

TEMPLATE = template(date(2026, 11, 25))
SHIPPED = resources.files("frostshift_rules").joinpath("tables", "aws_d1_1_2015_t3_3.toml").read_text(encoding="utf-8")


def own_table(table_id: str, change: tuple[str, str] | None = None) -> OwnTable:
    """A table of a site's own: a shipped one under another id, with one change."""
    text, count = re.subn(r"(?m)^id = .*$", f'id = "{table_id}"', SHIPPED)
    assert count == 1
    if change is not None:
        assert change[0] in text
        text = text.replace(*change, 1)
    return OwnTable(table_id, text)


def beside(*tables: OwnTable) -> Callable[[str], bytes]:
    """Reads the files of own tables."""
    files = {own_table_name(table.id): table.text.encode() for table in tables}
    return files.__getitem__


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


MEASURED = st.builds(MeasuredShare, st.integers(1, 1000), st.dates(), NAMES)


@st.composite
def heaters(draw: st.DrawFn) -> HeatSource:
    """Electric heaters, and torches whose share was measured."""
    measured = draw(st.none() | MEASURED)
    low, likely, high = sorted(draw(st.tuples(*[between(0.02, 0.95)] * 3)))
    kind = draw(st.sampled_from(SOURCE_KINDS))
    count, net_kw = draw(st.integers(0, 500)), draw(between(0.5, 300.0))
    if kind == "flame":
        return HeatSource(draw(NAMES), "x", "propane", net_kw, low, likely, high, None, count, measured=measured)
    area_m2 = draw(st.none() | between(0.01, 1.5))
    net_kw = net_kw if area_m2 is None else min(net_kw, 150.0 * area_m2)
    return HeatSource(draw(NAMES), "x", None, net_kw, low, likely, high, None, count, kind, area_m2, measured)


@st.composite
def procedures(draw: st.DrawFn) -> Procedure:
    low, high = draw(optional(*PROCEDURE_MINIMUM_C)), draw(optional(*PROCEDURE_MAXIMUM_C))
    if low is not None and high is not None and low >= high:
        high = None
    thin, thick = draw(optional(*PROCEDURE_MM)), draw(optional(*PROCEDURE_MM))
    if thin is not None and thick is not None and thin > thick:
        thin, thick = thick, thin
    steels = draw(st.lists(st.sampled_from(["A36", "A572-50", "A588-*", "S355J2+N", "API5L-*"]), unique=True))
    process = draw(st.none() | st.sampled_from(PROCESSES))
    return Procedure(draw(NAMES), low, high, draw(st.booleans()), tuple(steels), thin, thick, process)


OWN = tuple(own_table(name) for name in ("ours", "2-theirs", "bridge_2020"))
OWN_IDS = st.lists(st.sampled_from(OWN), max_size=3, unique_by=lambda table: table.id).map(tuple)


def with_own(site: Site, own: tuple[OwnTable, ...], pick: int) -> Site:
    """The site with own tables, one of which it may use and have accepted."""
    ids = (*code_table_ids(), *(table.id for table in own))
    chosen = ids[pick % len(ids)]
    return replace(
        site,
        own_tables=own,
        table_id=chosen,
        acceptances=tuple(replace(accepted, table_id=chosen) for accepted in site.acceptances),
    )


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
    heat_sources=st.lists(sources().filter(burns) | heaters(), max_size=3, unique_by=lambda source: source.id).map(
        tuple
    ),
    procedures=st.lists(procedures(), max_size=3, unique_by=lambda procedure: procedure.name).map(tuple),
    acceptances=st.lists(
        st.builds(Acceptance, st.sampled_from(code_table_ids()), NAMES, st.dates()),
        max_size=1,
    ).map(tuple),
    last_nights_low_c=optional(-60.0, 50.0),
    terrain=st.sampled_from(["open", "suburban", "city"]),
    choices=st.builds(
        Choices,
        **{name: between(*limits) for name, limits in CHOICE_LIMITS.items()},
        correct_forecast=st.booleans(),
    ),
)
OWN_SITES = st.builds(with_own, SITES, OWN_IDS, st.integers(0, 20))
FILES = st.builds(
    SiteFile,
    OWN_SITES,
    st.sampled_from(SHOW_UNITS),
    st.none() | st.sampled_from(SITE_FEEDS),
    st.none() | st.lists(st.sampled_from(STAND_IN_NAMES), unique=True).map(tuple),
)


@given(FILES)
def test_what_is_written_reads_back(file: SiteFile) -> None:
    assert read_site(write_site(file).encode(), "site.toml", beside(*file.site.own_tables)) == file


def test_the_demo_and_the_template_read_back() -> None:
    now = utc_now()
    for file in (SiteFile(demo.demo_site(now), "us", "file"), read_site(TEMPLATE.encode(), "t")):
        assert read_site(write_site(file).encode(), "site.toml") == file
    assert "feed: nws | met_norway" in TEMPLATE, "what may stand in an absent key is said"


def test_every_choice_has_limits_around_its_default() -> None:
    assert {*CHOICE_LIMITS, "correct_forecast"} == {field.name for field in fields(Choices)}
    for name, (low, high) in CHOICE_LIMITS.items():
        assert low <= getattr(Choices(), name) <= high, name
    for doubt in ("doubt_k", "h_band"):
        assert CHOICE_LIMITS[doubt][0] > 0.0, "a typing slip cannot take a doubt away"


PAD = '[[heat_source]]\nid = "b"\nname = "x"\nkind = "pad"\nnet_kw = 3.6\ncount = 8\n'
MEASURED_AS = 'share_measured = { likely = 0.5, heatings = 2, on = 2026-01-15, by = "me" }\n'


def test_a_measured_share_goes_before_the_usual_one_and_its_band_goes_by_the_heatings() -> None:
    """A fifth to both sides for two heatings, our choice."""
    pad = read_site((TEMPLATE + PAD).encode(), "site.toml").site.heat_source("b")
    measured = read_site((TEMPLATE + PAD + MEASURED_AS).encode(), "site.toml").site.heat_source("b")
    assert pad is not None
    assert measured is not None
    assert (pad.fuel, pad.electric, pad.share_low, pad.share_likely, pad.share_high) == (None, True, 0.40, 0.55, 0.65)
    assert pad.measured is None
    assert measured.measured == MeasuredShare(2, date(2026, 1, 15), "me")
    shares = (measured.share_low, measured.share_likely, measured.share_high)
    assert shares == pytest.approx((0.4, 0.5, 0.6))


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
        ('[[procedure]]\nname = "P"\nmin = 1\n', "procedure 1: unknown key 'min'; known keys are from_mm, maximum_c, "),
        ('[[procedure]]\nname = "P"\nsteels = "A36"\n', "procedure 1: 'steels' is 'A36', expected list"),
        ('[[procedure]]\nname = "P"\nsteels = []\n', "'steels' is empty; leave the key out for every steel"),
        ('[[procedure]]\nname = "P"\nsteels = ["glass"]\n', "procedure 1: 'steels': steel 'glass' cannot be read"),
        ('[[procedure]]\nname = "P"\nsteels = ["A572-50-*"]\n', "write A572-* or the grade"),
        ('[[procedure]]\nname = "P"\nsteels = ["S355-*"]\n', "name the EN steel"),
        ('[[procedure]]\nname = "P"\nsteels = ["A36", "a 36"]\n', "procedure 1: 'steels' has 'A36' twice"),
        ('[[procedure]]\nname = "P"\nfrom_mm = -1\n', "procedure 1: 'from_mm' is -1, outside 0 to 1000"),
        ('[[procedure]]\nname = "P"\nto_mm = 1001\n', "procedure 1: 'to_mm' is 1001, outside 0 to 1000"),
        ('[[procedure]]\nname = "P"\nfrom_mm = 40\nto_mm = 39.9\n', "procedure 1: from_mm 40 is above to_mm 39.9"),
        (
            '[[procedure]]\nname = "P"\nprocess = "TIG"\n',
            "procedure 1: 'process' is 'TIG', expected one of SMAW, FCAW-S, FCAW-G, GMAW, GTAW, SAW",
        ),
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
        (PAD + 'fuel = "propane"\n', "heat_source 2: fuel is 'propane', but a heat source of kind pad is electric"),
        (PAD + "oxygen_ratio = 4\n", "heat_source 2: oxygen_ratio is 4.0, but a heat source of kind pad is electric"),
        (PAD + "area_m2 = 6\n", "heat_source 2: 'area_m2' is 6, outside 0.005 to 5"),
        (PAD + "area_m2 = 0.01\n", "heat_source 2: net_kw 3.6 on area_m2 0.01 is 360 kW/m2, above 200"),
        (PAD.replace('"pad"', '"oven"'), "'kind' is 'oven', expected one of flame, pad, induction"),
        (PAD.replace('kind = "pad"\n', ""), "heat_source 2: key 'fuel' is missing"),
        (
            PAD.replace('"pad"', '"flame"') + 'fuel = "propane"\narea_m2 = 0.1\n',
            "heat_source 2: area_m2 is 0.1, but a flame is led and covers no area of its own",
        ),
        (PAD + MEASURED_AS + "share_low = 0.4\n", "'share_measured' and 'share_low' both state the share"),
        (PAD + MEASURED_AS.replace("0.5,", "1.5,"), "[share_measured]: 'likely' is 1.5, outside 0.02 to 1"),
        (PAD + MEASURED_AS.replace("heatings = 2, ", ""), "[share_measured]: key 'heatings' is missing"),
        (PAD + MEASURED_AS.replace("= 2,", "= 0,"), "[share_measured]: 'heatings' is 0, outside 1 to 1000"),
        (PAD + MEASURED_AS.replace('"me"', '""'), "[share_measured]: 'by' is empty"),
        (PAD + MEASURED_AS.replace("2026-01-15", '"then"'), "[share_measured]: 'on' is 'then', expected date"),
        (PAD + MEASURED_AS.replace("on =", "low = 0.4, on ="), "'low' and 'high' stand together or not at all"),
        (PAD + MEASURED_AS.replace("on =", "low = 0.6, high = 0.7, on ="), "are [0.6, 0.5, 0.7], expected a rising"),
        (PAD + MEASURED_AS.replace("on =", "at = 1, on ="), "[share_measured]: unknown key 'at'"),
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


def test_the_thermometers_switch_is_on_until_the_file_turns_it_off() -> None:
    assert read_site(TEMPLATE.encode(), "site.toml").site.choices.correct_forecast is True
    text = f"{TEMPLATE}\n[choices]\ncorrect_forecast = false\n"
    read = read_site(text.encode(), "site.toml")
    assert read.site.choices == Choices(correct_forecast=False)
    assert "[choices]\ncorrect_forecast = false\n" in write_site(read)
    for value in ("0", '"false"'):
        assert "'correct_forecast' is" in refused(f"{TEMPLATE}\n[choices]\ncorrect_forecast = {value}\n")


@pytest.mark.parametrize("key", ["id", "name", "latitude", "longitude", "zone", "table", "code_units", "show_units"])
def test_a_missing_key_is_named(key: str) -> None:
    assert f"key '{key}' is missing" in refused(re.sub(rf"(?m)^{key} = .*\n", "", TEMPLATE, count=1))


def test_feed_is_one_of_the_known_ones_or_absent() -> None:
    assert read_site(f'feed = "met_norway"\n{TEMPLATE}'.encode(), "t").feed == "met_norway"
    assert read_site(TEMPLATE.encode(), "t").feed is None
    assert "'feed' is 'radio', expected one of " in refused(f'feed = "radio"\n{TEMPLATE}')


def test_feeds_that_stand_in_are_known_ones() -> None:
    named = TEMPLATE.replace("id =", 'feed_instead = ["met_norway"]\nid =', 1)
    assert read_site(named.encode(), "site.toml").instead == ("met_norway",)
    assert read_site(named.replace('"met_norway"', "", 1).encode(), "site.toml").instead == ()
    with pytest.raises(SiteFileError, match="'feed_instead' names 'file', expected some of nws, met_norway"):
        read_site(named.replace("met_norway", "file", 1).encode(), "site.toml")


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
    keys = "altitude_m|own_tables|name|minimum_c|maximum_c|qualified|steels|from_mm|to_mm|process"
    keys += "|id =|kind|net_kw|area_m2|count|share_measured"
    before_crews, _, _ = TEMPLATE.partition("\n# Crews, ")
    opened = re.sub(rf"^# (?=(?:{keys})|\[\[procedure|\[\[heat)", "", before_crews, flags=re.M)
    site = read_site(opened.encode(), "site.toml", beside(own_table("our_table"))).site
    assert site.altitude_m == 440.0
    assert site.own_tables == (own_table("our_table"),)
    heated = MeasuredShare(3, date(2026, 1, 15), "who measured")
    pad = HeatSource("pad", "resistance heating pad", None, 3.6, 0.45, 0.52, 0.60, None, 8, "pad", 0.0774, heated)
    assert site.heat_sources[1:] == (pad,)
    assert site.procedures == (Procedure("P-12", 110.0, 230.0, False, ("A572-50", "A588-*"), 20.0, 60.0, "SMAW"),)


# Own tables -----------------------------------------------------------------------------------------------------------


def with_own_tables(value: str, table: str = "aws_d1_1_2015_t3_3") -> bytes:
    changed = TEMPLATE.replace('table = "aws_d1_1_2015_t3_3"', f'own_tables = {value}\ntable = "{table}"', 1)
    return changed.encode()


def refused_own(data: bytes, *tables: OwnTable, look: Callable[[str], bytes] | None = None) -> str:
    with pytest.raises(SiteFileError) as caught:
        read_site(data, "site.toml", look or beside(*tables))
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_an_own_table_is_read_and_may_be_the_one_the_site_uses_and_has_accepted() -> None:
    accepted = b'[[acceptance]]\ntable = "ours"\naccepted_by = "Q. Arden"\naccepted_on = 2026-11-01\n'
    site = read_site(with_own_tables('["ours.toml"]', "ours") + accepted, "site.toml", beside(own_table("ours"))).site
    assert (site.table_id, site.own_tables) == ("ours", (own_table("ours"),))
    assert site.acceptances == (Acceptance("ours", "Q. Arden", date(2026, 11, 1)),)


def test_one_that_the_site_does_not_use_is_checked_too() -> None:
    site = read_site(with_own_tables('["ours.toml"]'), "site.toml", beside(own_table("ours"))).site
    assert site.table_id == "aws_d1_1_2015_t3_3"
    broken = own_table("ours", ('basis = "seen"', 'basis = "sene"'))
    assert refused_own(with_own_tables('["ours.toml"]'), broken).startswith("ours.toml, ")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ('"ours.toml"', "site.toml: 'own_tables' is 'ours.toml', expected list"),
        ("[1]", "site.toml: 'own_tables' is [1], expected a list of strings"),
        *[
            (f'["{name}"]', f"site.toml: 'own_tables' has {name!r}, expected the name of a file beside the site file")
            for name in ("", "ours", "ours.csv", "../ours.toml", "tables/ours.toml", "/ours.toml", "C:ours.toml",
                         ".toml", ".ours.toml", "Ours.toml", "our table.toml", f"{'x' * 61}.toml")
        ],
        ('["ours.toml", "ours.toml"]', "site.toml: 'own_tables' has 'ours.toml' twice"),
        (str(["ours.toml"] * (MAX_OWN_TABLES + 1)), f"names 21 files, at most {MAX_OWN_TABLES} are read"),
    ],
)  # fmt: skip
def test_only_files_beside_the_site_file_are_read(value: str, said: str) -> None:
    def never(name: str) -> bytes:
        assert name == "ours.toml", "no other file is looked for"
        return own_table("ours").text.encode()

    assert said in refused_own(with_own_tables(value), look=never)


def test_a_table_that_is_not_named_is_none_of_the_sites() -> None:
    message = refused_own(with_own_tables('["ours.toml"]', "theirs"), own_table("ours"))
    assert message.startswith("site.toml: 'table' is 'theirs', expected one of aws_d1_1_2015_t3_3, ")
    assert message.endswith(", ours")
    accepted = b'[[acceptance]]\ntable = "theirs"\naccepted_by = "Q"\naccepted_on = 2026-11-01\n'
    assert "acceptance 1: 'table' is 'theirs', expected one of " in refused(TEMPLATE + accepted.decode())


def test_where_no_file_can_be_read_beside_it_own_tables_are_refused() -> None:
    with pytest.raises(SiteFileError, match="site.toml: 'own_tables' names files, and beside this file none can be"):
        read_site(with_own_tables('["ours.toml"]'), "site.toml")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('id = "ours"', 'id = "other"'), "ours.toml: 'id' is 'other', expected the file's name"),
        (("min_f =", "min_F ="), "ours.toml, row 1: key 'min_f' is missing"),
        (
            ('basis = "seen"', 'basis = "sene"'),
            "'basis' is 'sene', expected one of seen, second hand, from memory",
        ),
        (("low_hydrogen = false", "low_hydrogen = 0"), "ours.toml, category 1: 'low_hydrogen' is 0, expected bool"),
        (("[cold_steel]", "[cold_stel]"), "ours.toml: key 'cold_steel' is missing"),
        (("[cold_steel]", "[cold_steel"), "ours.toml: not readable as TOML: "),
        (("edition =", "editon = 1\nedition ="), "ours.toml: unknown key 'editon'; known keys are "),
        (("min_f = 32", "min_f = 320"), "ours.toml: "),
        (("min_f = 32", "min_f = -32"), "ours.toml, row 1: 'min_f' is -32, outside "),
    ],
)
def test_a_slip_in_an_own_table_names_file_place_key_and_what_is_allowed(change: tuple[str, str], said: str) -> None:
    message = refused_own(with_own_tables('["ours.toml"]', "ours"), own_table("ours", change))
    assert message.startswith("ours.toml")
    assert said in message


def test_an_own_table_that_thicker_steel_would_need_less_by_is_refused() -> None:
    rows = re.findall(r"(?ms)^\[\[row\]\].*?^min_f = (\d+)", SHIPPED)
    assert rows[:2] == ["32", "150"], "the rows of category A"
    broken = own_table("ours", ("min_f = 32\nmin_c = 0", "min_f = 225\nmin_c = 110"))
    message = refused_own(with_own_tables('["ours.toml"]', "ours"), broken)
    assert message.startswith("ours.toml: ")
    assert "thicker needs less than 225 °F or 110 °C" in message


def test_the_id_of_a_table_that_ships_is_not_free() -> None:
    for table_id in taken_ids():
        message = refused_own(with_own_tables(f'["{table_id}.toml"]'), own_table(table_id))
        assert message.startswith(f"{table_id}.toml: '{table_id}' is a table that ships")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"x" * (MAX_BYTES + 1), f"ours.toml: {MAX_BYTES + 1} bytes, at most {MAX_BYTES} are read"),
        (b"# F\xe4hre", "ours.toml: byte 4 is not UTF-8; a rule table is plain text"),
        (b"", "ours.toml: key '"),
    ],
)
def test_bytes_that_are_no_table(data: bytes, said: str) -> None:
    assert said in refused_own(with_own_tables('["ours.toml"]'), look=lambda _name: data)


LINES = own_table("ours").text.splitlines()
SLIPS = st.one_of(
    st.just(lambda line: ""),
    st.just(lambda line: f"{line}\n{line}"),
    st.sampled_from(["-1", "99999", "1e308", "nan", "inf", '"x"', "{}", "true"]).map(
        lambda value: lambda line: re.sub(r"=.*", f"= {value}", line)
    ),
    st.sampled_from(LINES).map(lambda other: lambda line: f"{line}\n{other}"),
    st.text(max_size=3).map(lambda typed: lambda line: line[:-1] + typed),
)


@settings(max_examples=200)
@given(st.integers(0, len(LINES) - 1), SLIPS)
def test_whatever_slips_into_an_own_table_it_is_read_or_refused_in_one_line(
    number: int, slip: Callable[[str], str]
) -> None:
    text = "\n".join([*LINES[:number], slip(LINES[number]), *LINES[number + 1 :]])
    data, look = with_own_tables('["ours.toml"]', "ours"), beside(OwnTable("ours", text))
    said = ""
    try:
        assert read_site(data, "site.toml", look).site.own_tables[0].text == text
    except SiteFileError as error:
        said = str(error)
    assert not said or (said.startswith("ours.toml") and "\n" not in said)
