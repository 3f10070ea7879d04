"""A site's settings as a TOML file: what `frostshift site save` writes and `frostshift site load` reads.

Strict: a key we do not know, a missing one or a value outside its limits is an error that names place, key and limit,
and nothing is taken in. Temperatures, lengths and so on carry their unit in the key (`_c`, `_mm`).

Rule tables that the site brings itself stand beside the site file, one file each, and are read as strictly as those
that ship.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, time
from typing import Any, Final, cast, get_args
from zoneinfo import ZoneInfo, available_timezones

from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.heat_sources import AREA_M2, NET_KW, check_area, usual_share
from frostshift_rules.job import (
    PROCESSES,
    SOURCE_KINDS,
    Acceptance,
    Choices,
    CodeUnits,
    FuelName,
    HeatSource,
    MeasuredShare,
    Procedure,
    Process,
    Shift,
    Site,
    SourceKind,
    Terrain,
)
from frostshift_rules.measured_share import SHARES, band_of
from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import OutOfRange, Section, TableError, read_toml
from frostshift_rules.tables import OwnTable, acceptable_ids, code_table_ids, load_code_table, taken_ids
from frostshift_rules.work_setup import WorkSetup
from frostshift_rules.workload import Range
from frostshift_service.site_gas import gas_template, read_gas, write_gas
from frostshift_service.site_work import TEMPLATE as WORK_TEMPLATE
from frostshift_service.site_work import read_work, write_work
from frostshift_service.store.records import SHOW_UNITS, SITE_FEEDS, STAND_IN_NAMES, FeedName, ShowUnits
from frostshift_service.toml_text import toml_text, toml_texts

MAX_BYTES: Final = 200_000
"""Of the site file, and of each own table beside it."""
MAX_OWN_TABLES: Final = 20

CHOICE_LIMITS: Final[dict[str, tuple[float, float]]] = {
    "slip_hours": (0.0, 24.0),
    "doubt_k": (1.0, 20.0),
    "doubt_per_day_k": (0.0, 10.0),
    "doubt_per_late_hour_k": (0.0, 5.0),
    "overheat_k": (0.0, 100.0),
    "setup_minutes": (0.0, 240.0),
    "margin_mm": (5.0, 500.0),
    "segment_mm": (100.0, 5000.0),
    "least_rain_mm_h": (0.01, 5.0),
    "drying_hours": (0.0, 24.0),
    "start_span_k": (5.0, 60.0),
    "h_band": (0.1, 0.9),
    "hottest_c": (100.0, 450.0),
    "air_average_hours": (0.5, 24.0),
    "air_fade_hours": (0.5, 24.0),
}
"""What a choice may be; the narrow side of a doubt is bounded so that a typing slip cannot take it away."""

PROCEDURE_MINIMUM_C: Final = (-20.0, 400.0)
PROCEDURE_MAXIMUM_C: Final = (20.0, 600.0)
PROCEDURE_MM: Final = (0.0, 1000.0)
"""What a welding procedure may state, in a site file and in a list of procedures [°C, °C, mm]."""

_SHARE_KEYS: Final = ("share_low", "share_likely", "share_high")
_MEASURED: Final = "share_measured"
_OWN_NAME: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,59}\.toml")
_EVERY_GRADE: Final = "-*"
_EN_STEEL: Final = re.compile(r"S[0-9]")
_LOW: Final = "coldest air of the last two nights [°C]: where the steel starts while nothing else is known"
_TEMPLATE_HEAD: Final = """\
# Invented figures: put your own in the place of every one. A line that begins with # is not read.
# Temperatures are in °C (the key ends in _c), whatever the pages show.
"""
_TEMPLATE_ALTITUDE: Final = "# altitude_m = 440.0  # above the sea; take the # away and put your own\n"
_TEMPLATE_OWN: Final = """\
# own_tables = ["our_table.toml"]  # rule tables that you bring yourself, beside this file; then: table = "our_table"
"""
_TEMPLATE_SOURCES: Final = """
# Electric heaters; one such block for each kind that is on the site.
# [[heat_source]]
# id = "pad"
# name = "resistance heating pad"
# kind = "pad"  # flame | pad | induction; without the key a flame
# net_kw = 3.6  # one heater, its electric rating
# area_m2 = 0.0774  # steel that one covers; without the key nobody can check that they cover what is to be heated
# count = 8
# Once a heating was timed (`frostshift case` with measured_minutes works the share out), in place of share_low to high:
# share_measured = { low = 0.45, likely = 0.52, high = 0.60, heatings = 3, on = 2026-01-15, by = "who measured" }
"""
_TEMPLATE_CHOICES: Final = """
# [choices]
# correct_forecast = false  # the site's thermometer changes nothing; without the key it makes the forecast colder where
# the site is colder, never warmer
"""
_TEMPLATE_PROCEDURES: Final = """
# A welding procedure of the job, named in the schedule's column "procedure"; one such block for each.
# [[procedure]]
# name = "P-12"
# minimum_c = 110.0
# maximum_c = 230.0
# qualified_by_test = false  # true: its minimum replaces the table's row, also where it is lower
# steels = ["A572-50", "A588-*"]  # what it covers, -* every grade; without the key every steel
# from_mm = 20.0  # thickest part, both ends included; without the key no limit
# to_mm = 60.0
# process = "SMAW"  # without the key every process
"""


class SiteFileError(ValueError):
    """A site file that cannot be used; the message is for people."""


@dataclass(frozen=True, slots=True)
class SiteFile:
    """A site with how it is shown and where its forecast comes from; see `KeptSite`."""

    site: Site
    show_units: ShowUnits
    feed: FeedName | None
    instead: tuple[FeedName, ...] | None = None


def covered_steel(text: str) -> str:
    """The canonical designation of a steel that a procedure covers, or of every grade of one such as `A588-*`.

    Raises:
        ValueError: it cannot be read; the message is for people.
    """
    name = text.strip()
    if not name.endswith(_EVERY_GRADE):
        return canonical_steel(name)
    specification = canonical_steel(name.removesuffix(_EVERY_GRADE))
    if "-" in specification:
        raise ValueError(f"steel {text!r} has a grade before -*; write {specification.split('-')[0]}-* or the grade")
    if _EN_STEEL.match(specification):
        raise ValueError(f"steel {text!r}: -* is for specifications with grades such as A588-*; name the EN steel")
    return specification + _EVERY_GRADE


def read_site(data: bytes, name: str, read_beside: Callable[[str], bytes] | None = None) -> SiteFile:
    """The site in a TOML file.

    Args:
        data: the file's bytes.
        name: of the file, for errors.
        read_beside: bytes of a file beside it, by its name; None: nothing can be read there, own tables are refused.

    Raises:
        SiteFileError: the file, or an own table beside it, cannot be used; says where and why.
    """
    try:
        return _site_file(read_toml(_text_of(data, name, "a site file"), name), read_beside)
    except TableError as error:
        raise SiteFileError(str(error)) from error


def read_settings(data: Mapping[str, Any], name: str, own_tables: Sequence[OwnTable]) -> SiteFile:
    """The site in settings as a file holds them, its own tables at hand; as strict as `read_site`.

    Args:
        data: what TOML reads of a site file.
        name: what errors call it.
        own_tables: that `own_tables` may name.

    Raises:
        TableError: something cannot be; says where and why.
    """
    texts = {own_table_name(one.id): one.text.encode() for one in own_tables}

    def read_beside(file: str) -> bytes:
        if file not in texts:
            raise TableError(f"{name}: 'own_tables' names {file!r}, and the site has no such table")
        return texts[file]

    return _site_file(Section(data, name), read_beside)


def with_what_it_had(site: Site, before: Site | None) -> tuple[Site, list[str]]:
    """The site of a file, with the procedures and acceptances of the one before where the file has none.

    Returns:
        The site, and what of it is that of the one before, in words.
    """
    stays = []
    for many, what in (("procedures", "procedure"), ("acceptances", "acceptance")):
        had = () if before is None else getattr(before, many)
        if had and not getattr(site, many):
            site = replace(site, **{many: had})
            stays.append(f"{len(had)} {what if len(had) == 1 else many}")
    return site, stays


def _text_of(data: bytes, name: str, what: str) -> str:
    if len(data) > MAX_BYTES:
        raise TableError(f"{name}: {len(data)} bytes, at most {MAX_BYTES} are read")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(
            f"{name}: byte {error.start + 1} is not UTF-8; {what} is plain text, as `frostshift site template` writes "
            "the site's"
        ) from error


def own_table_name(table_id: str) -> str:
    """Name of the file of an own table."""
    return f"{table_id}.toml"


def check_own_table(table: OwnTable) -> None:
    """Refuse an own table that may not be used: it has the id of one that ships, or its text breaks a rule.

    Raises:
        TableError: names the file, and place and key in it.
    """
    if table.id in taken_ids():
        raise TableError(
            f"{own_table_name(table.id)}: {table.id!r} is a table that ships; give yours another file name and 'id'"
        )
    load_code_table(table.id, (table,))


def _site_file(top: Section, read_beside: Callable[[str], bytes] | None) -> SiteFile:
    site_id, zone = top.text("id"), top.text("zone")
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", site_id) or len(site_id) > 40:
        raise TableError(
            f"{top.where}: 'id' is {site_id!r}, expected lower-case letters, digits and hyphens, at most 40"
        )
    if zone not in available_timezones():
        raise TableError(f"{top.where}: 'zone' is {zone!r}, expected an IANA time zone such as America/Chicago")
    feed = top.optional_text("feed")
    if feed is not None and feed not in SITE_FEEDS:
        raise TableError(f"{top.where}: 'feed' is {feed!r}, expected one of {', '.join(SITE_FEEDS)}, or no such key")
    instead = _instead(top)
    own_tables = _own_tables(top, read_beside)
    table_ids = (*code_table_ids(), *(table.id for table in own_tables))
    sources = tuple(_source(section) for section in top.sections("heat_source")) if top.has("heat_source") else ()
    shifts = tuple(_shift(section) for section in top.sections("shift"))
    site = Site(
        id=site_id,
        name=top.text("name"),
        latitude=top.number("latitude", -90.0, 90.0),
        longitude=top.number("longitude", -180.0, 180.0),
        altitude_m=top.optional_number("altitude_m", -500.0, 9000.0),
        zone=ZoneInfo(zone).key,
        table_id=top.choice("table", table_ids),
        code_units=cast(CodeUnits, top.choice("code_units", get_args(CodeUnits))),
        shifts=shifts,
        heat_sources=sources,
        procedures=tuple(_procedure(s) for s in top.sections("procedure")) if top.has("procedure") else (),
        acceptances=tuple(_acceptance(s, acceptable_ids(own_tables)) for s in top.sections("acceptance"))
        if top.has("acceptance")
        else (),
        last_nights_low_c=top.optional_number("last_nights_low_c", -60.0, 50.0),
        terrain=cast(Terrain, top.choice("terrain", get_args(Terrain))) if top.has("terrain") else "open",
        choices=_choices(top.section("choices")) if top.has("choices") else Choices(),
        own_tables=own_tables,
        gas=read_gas(top.section("gas"), [shift.name for shift in shifts]) if top.has("gas") else GasSetup(),
        work=read_work(top.section("work"), [shift.name for shift in shifts]) if top.has("work") else WorkSetup(),
    )
    for what, names in (
        ("shift", [s.name for s in site.shifts]),
        ("heat_source", [s.id for s in sources]),
        ("procedure", [p.name for p in site.procedures]),
        ("acceptance of table", [a.table_id for a in site.acceptances]),
    ):
        twice = sorted({one for one in names if names.count(one) > 1})
        if twice:
            raise TableError(f"{top.where}: {what} {twice[0]!r} stands twice")
    show_units = cast(ShowUnits, top.choice("show_units", SHOW_UNITS))
    top.done()
    return SiteFile(site, show_units, feed, instead)


def _instead(top: Section) -> tuple[FeedName, ...] | None:
    """The feeds that stand in; an empty list: none does."""
    if not top.has("feed_instead"):
        return None
    names = top.texts("feed_instead")
    for name in names:
        if name not in STAND_IN_NAMES:
            raise TableError(
                f"{top.where}: 'feed_instead' names {name!r}, expected some of {', '.join(STAND_IN_NAMES)}, [] for "
                "none, or no such key"
            )
    return cast("tuple[FeedName, ...]", names)


def _own_tables(top: Section, read_beside: Callable[[str], bytes] | None) -> tuple[OwnTable, ...]:
    names = top.texts("own_tables") if top.has("own_tables") else ()
    if len(names) > MAX_OWN_TABLES:
        raise TableError(f"{top.where}: 'own_tables' names {len(names)} files, at most {MAX_OWN_TABLES} are read")
    tables = []
    for name in names:
        if not _OWN_NAME.fullmatch(name):
            raise TableError(
                f"{top.where}: 'own_tables' has {name!r}, expected the name of a file beside the site file, without "
                "a folder: lower-case letters, digits, _ and -, ending in .toml"
            )
        if names.count(name) > 1:
            raise TableError(f"{top.where}: 'own_tables' has {name!r} twice")
        if read_beside is None:
            raise TableError(f"{top.where}: 'own_tables' names files, and beside this file none can be read")
        table = OwnTable(name.removesuffix(".toml"), _text_of(read_beside(name), name, "a rule table"))
        check_own_table(table)
        tables.append(table)
    return tuple(tables)


def _shift(section: Section) -> Shift:
    shift = Shift(
        name=section.text("name"),
        start=_clock(section, "start"),
        end=_clock(section, "end"),
        days=section.weekdays("days") if section.has("days") else frozenset(range(1, 8)),
        hands=section.whole("hands", 0, 200),
    )
    section.done()
    return shift


def _clock(section: Section, key: str) -> time:
    text = section.text(key)
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        raise TableError(f"{section.where}: '{key}' is {text!r}, expected hour:minute such as 06:30")
    return time.fromisoformat(text)


def _source(section: Section) -> HeatSource:
    kind = cast(SourceKind, section.choice("kind", SOURCE_KINDS)) if section.has("kind") else "flame"
    stated = kind == "flame" or section.has("fuel")
    fuel = cast(FuelName, section.choice("fuel", get_args(FuelName))) if stated else None
    ratio = section.optional_number("oxygen_ratio", 0.0, 6.0)
    net_kw, area_m2 = section.number("net_kw", *NET_KW), section.optional_number("area_m2", *AREA_M2)
    try:
        usual = usual_share(kind, fuel, ratio)
        check_area(kind, net_kw, area_m2)
    except OutOfRange as error:
        raise TableError(f"{section.where}: {error}") from error
    share, measured = Range(usual.low, usual.likely, usual.high), None
    if section.has(_MEASURED):
        both = [key for key in _SHARE_KEYS if section.has(key)]
        if both:
            raise TableError(f"{section.where}: '{_MEASURED}' and '{both[0]}' both state the share: leave one out")
        share, measured = section.one(_MEASURED, _measured_share)
    else:
        share = _stated_share(section, share)
    source = HeatSource(
        id=section.text("id"),
        name=section.text("name"),
        fuel=fuel,
        net_kw=net_kw,
        share_low=share.low,
        share_likely=share.likely,
        share_high=share.high,
        oxygen_ratio=ratio,
        count=section.whole("count", 0, 500),
        kind=kind,
        area_m2=area_m2,
        measured=measured,
    )
    section.done()
    return source


def _stated_share(section: Section, usual: Range) -> Range:
    """The shares that the site states, the usual one for each that it does not."""
    shares = [
        share if (share := section.optional_number(key, 0.01, 0.95)) is not None else default
        for key, default in zip(_SHARE_KEYS, (usual.low, usual.likely, usual.high), strict=True)
    ]
    if not shares[0] <= shares[1] <= shares[2]:
        raise TableError(f"{section.where}: share_low, share_likely, share_high are {shares}, expected a rising order")
    return Range(*shares)


def _measured_share(section: Section) -> tuple[Range, MeasuredShare]:
    """A share of the site's own heatings; without `low` and `high` the band goes by the number of heatings."""
    likely = section.number("likely", *SHARES)
    low, high = section.optional_number("low", *SHARES), section.optional_number("high", *SHARES)
    heatings = section.whole("heatings", 1, 1000)
    share = band_of(likely, heatings)
    if (low is None) != (high is None):
        raise TableError(f"{section.where}: 'low' and 'high' stand together or not at all")
    if low is not None and high is not None:
        share = Range(low, likely, high)
        if not low <= likely <= high:
            raise TableError(f"{section.where}: low, likely, high are {[low, likely, high]}, expected a rising order")
    return share, MeasuredShare(heatings, section.day("on"), section.text("by"))


def _procedure(section: Section) -> Procedure:
    procedure = Procedure(
        name=section.text("name"),
        minimum_c=section.optional_number("minimum_c", *PROCEDURE_MINIMUM_C),
        maximum_c=section.optional_number("maximum_c", *PROCEDURE_MAXIMUM_C),
        qualified_by_test=section.flag("qualified_by_test") if section.has("qualified_by_test") else False,
        steels=_covered_steels(section),
        from_mm=section.optional_number("from_mm", *PROCEDURE_MM),
        to_mm=section.optional_number("to_mm", *PROCEDURE_MM),
        process=cast(Process, section.choice("process", PROCESSES)) if section.has("process") else None,
    )
    low, high = procedure.minimum_c, procedure.maximum_c
    if low is not None and high is not None and low >= high:
        raise TableError(f"{section.where}: minimum_c {low:g} is not below maximum_c {high:g}")
    thin, thick = procedure.from_mm, procedure.to_mm
    if thin is not None and thick is not None and thin > thick:
        raise TableError(f"{section.where}: from_mm {thin:g} is above to_mm {thick:g}")
    section.done()
    return procedure


def _covered_steels(section: Section) -> tuple[str, ...]:
    if not section.has("steels"):
        return ()
    typed = section.texts("steels")
    if not typed:
        raise TableError(f"{section.where}: 'steels' is empty; leave the key out for every steel")
    try:
        steels = tuple(covered_steel(name) for name in typed)
    except ValueError as error:
        raise TableError(f"{section.where}: 'steels': {error}") from error
    twice = sorted({steel for steel in steels if steels.count(steel) > 1})
    if twice:
        raise TableError(f"{section.where}: 'steels' has {twice[0]!r} twice")
    return steels


def _acceptance(section: Section, table_ids: tuple[str, ...]) -> Acceptance:
    acceptance = Acceptance(
        section.choice("table", table_ids),
        section.text("accepted_by"),
        section.day("accepted_on"),
        section.optional_text("fingerprint") or "",
    )
    section.done()
    return acceptance


def _choices(section: Section) -> Choices:
    given = {
        name: value
        for name, (low, high) in CHOICE_LIMITS.items()
        if (value := section.optional_number(name, low, high)) is not None
    }
    correct_forecast = section.flag("correct_forecast") if section.has("correct_forecast") else True
    section.done()
    return replace(Choices(**given), correct_forecast=correct_forecast)  # type: ignore[arg-type]  # all numbers


def write_site(file: SiteFile) -> str:
    """The site as TOML that `read_site` takes, with its own tables beside it; choices at their default are left out."""
    site = file.site
    rows = [
        f"id = {toml_text(site.id)}",
        f"name = {toml_text(site.name)}",
        f"latitude = {site.latitude!r}",
        f"longitude = {site.longitude!r}",
        *([f"altitude_m = {site.altitude_m!r}"] if site.altitude_m is not None else []),
        f"zone = {toml_text(site.zone)}",
        *([f"own_tables = {toml_texts(own_table_name(t.id) for t in site.own_tables)}"] if site.own_tables else []),
        f"table = {toml_text(site.table_id)}",
        f'code_units = "{site.code_units}"  # {" | ".join(get_args(CodeUnits))}',
        f'show_units = "{file.show_units}"  # {" | ".join(SHOW_UNITS)}',
        *([f'feed = "{file.feed}"'] if file.feed else [f"# feed: {' | '.join(SITE_FEEDS)}; without it by position"]),
        *(
            [f"feed_instead = {toml_texts(file.instead)}"]
            if file.instead is not None
            else [f"# feed_instead: while it is silent, some of {', '.join(STAND_IN_NAMES)}; without it by position"]
        ),
        f'terrain = "{site.terrain}"  # {" | ".join(get_args(Terrain))}',
        *([f"last_nights_low_c = {site.last_nights_low_c!r}  # {_LOW}"] if site.last_nights_low_c is not None else []),
    ]
    for shift in site.shifts:
        rows += [
            "",
            "[[shift]]",
            f"name = {toml_text(shift.name)}",
            f'start = "{shift.start:%H:%M}"',
            f'end = "{shift.end:%H:%M}"',
            f"days = {sorted(shift.days)}",
            f"hands = {shift.hands}  # people who can hold a torch",
        ]
    for source in site.heat_sources:
        rows += [
            "",
            "[[heat_source]]",
            f"id = {toml_text(source.id)}",
            f"name = {toml_text(source.name)}",
            *([f'kind = "{source.kind}"  # {" | ".join(SOURCE_KINDS)}'] if source.electric else []),
            *([f'fuel = "{source.fuel}"'] if source.fuel is not None else []),
            f"net_kw = {source.net_kw!r}  # one "
            + ("heater, its electric rating" if source.electric else "torch, NET (lower) heating value"),
            *([f"area_m2 = {source.area_m2!r}  # steel that one covers"] if source.area_m2 is not None else []),
            *_share_rows(source),
            *([f"oxygen_ratio = {source.oxygen_ratio!r}"] if source.oxygen_ratio is not None else []),
            f"count = {source.count}",
        ]
    for procedure in site.procedures:
        rows += [
            "",
            "[[procedure]]",
            f"name = {toml_text(procedure.name)}",
            *([f"minimum_c = {procedure.minimum_c!r}"] if procedure.minimum_c is not None else []),
            *([f"maximum_c = {procedure.maximum_c!r}"] if procedure.maximum_c is not None else []),
            f"qualified_by_test = {str(procedure.qualified_by_test).lower()}",
            *([f"steels = {toml_texts(procedure.steels)}"] if procedure.steels else []),
            *([f"from_mm = {procedure.from_mm!r}"] if procedure.from_mm is not None else []),
            *([f"to_mm = {procedure.to_mm!r}"] if procedure.to_mm is not None else []),
            *([f'process = "{procedure.process}"'] if procedure.process else []),
        ]
    for acceptance in site.acceptances:
        rows += [
            "",
            "[[acceptance]]  # the table was checked against the site's own copy of the code",
            f"table = {toml_text(acceptance.table_id)}",
            f"accepted_by = {toml_text(acceptance.accepted_by)}",
            f"accepted_on = {acceptance.accepted_on.isoformat()}",
            *([f"fingerprint = {toml_text(acceptance.fingerprint)}"] if acceptance.fingerprint else []),
        ]
    changed = [
        f"{one.name} = {str(value).lower() if isinstance(value, bool) else repr(value)}"
        for one in fields(Choices)
        if (value := getattr(site.choices, one.name)) != one.default
    ]
    if changed:
        rows += ["", "[choices]", *changed]
    rows += write_gas(site.gas) + write_work(site.work)
    return "\n".join(rows) + "\n"


def _share_rows(source: HeatSource) -> list[str]:
    """The share as the site states it: an estimate, or what it measured."""
    if source.measured is None:
        return [
            f"share_low = {source.share_low!r}  # share of that heat that reaches the steel: an estimate",
            f"share_likely = {source.share_likely!r}",
            f"share_high = {source.share_high!r}",
        ]
    measured = source.measured
    return [
        f"{_MEASURED} = {{ low = {source.share_low!r}, likely = {source.share_likely!r}, high = {source.share_high!r}, "
        f"heatings = {measured.heatings}, on = {measured.on.isoformat()}, by = {toml_text(measured.by)} }}"
    ]


def template(today: date) -> str:
    """A site file to start from, with an invented site."""
    site = _template_site(today)
    written = write_site(site)
    for key, line in (("zone", _TEMPLATE_ALTITUDE), ("table", _TEMPLATE_OWN)):
        written = written.replace(f"\n{key} = ", f"\n{line}{key} = ", 1)
    return (
        _TEMPLATE_HEAD
        + written
        + _TEMPLATE_SOURCES
        + _TEMPLATE_PROCEDURES
        + _TEMPLATE_CHOICES
        + WORK_TEMPLATE
        + gas_template()
    )


def _template_site(today: date) -> SiteFile:
    site = Site(
        id="my-site",
        name=f"My site, begun {today.isoformat()}",
        latitude=47.9,
        longitude=-92.4,
        altitude_m=None,
        zone="America/Chicago",
        table_id=code_table_ids()[0],
        code_units="us",
        shifts=(Shift("day", time(6, 30), time(16, 30), hands=4),),
        heat_sources=(HeatSource("tip", "oxy-propane multi-flame tip", "propane", 45.0, count=2),),
        last_nights_low_c=-10.0,
    )
    return SiteFile(site, "us", None)
