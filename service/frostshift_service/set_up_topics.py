"""The topics that a site is set up by: which part of its settings each changes, and the fields of its form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any, Final, Literal, get_args
from zoneinfo import available_timezones

from frostshift_rules.gas import cylinders_of
from frostshift_rules.gas_setup import CylinderGas, GasSetup
from frostshift_rules.heat_sources import known_sources, rate_text
from frostshift_rules.job import PROCESSES, Choices, FuelName, Site, SourceKind
from frostshift_rules.notice_setup import Kind, NoticeSetup, Role
from frostshift_rules.order_problem import Weights
from frostshift_rules.tables import code_table_ids, load_code_table, table_name
from frostshift_rules.units import MEASURES, System
from frostshift_service.set_up_form import DAY_NAMES, Control, Entry, Field, in_units, value_at
from frostshift_service.store.records import SITE_FEEDS, STAND_IN_NAMES

Kept = Literal["site", "people"]
Options = tuple[tuple[str, str], ...]

DAYS: Final[Options] = tuple((str(n), name) for n, name in enumerate(DAY_NAMES, 1))
FEED_WORDS: Final[Mapping[str, str]] = {
    "nws": "US National Weather Service: forecast grid",
    "nws_hourly": "US National Weather Service: hourly forecast",
    "met_norway": "MET Norway (whole world)",
    "open_meteo": "Open-Meteo",
    "file": "a file that you load yourselves",
}
UNIT_WORDS: Final[Options] = (("us", "°F, inch, lb"), ("si", "°C, mm, kg"), ("both", "both, US units first"))
CODE_UNIT_WORDS: Final[Options] = (
    ("us", "US units (°F, in)"),
    ("si", "SI units (°C, mm)"),
    ("either", "not known: the higher of both"),
)
KIND_WORDS: Final[Mapping[Kind, str]] = {
    "shift": "what a shift needs",
    "front": "fronts",
    "harder": "a joint got harder",
    "easier": "a joint got easier",
    "stop": "stops of the weather",
    "stop_over": "a stop is over",
    "light_up": "a light-up moved",
    "other_crew": "a joint went to another crew",
    "gas": "gas to order",
    "cylinders": "cylinders that will starve",
    "forecast": "a forecast that is late or not usable",
    "reading": "a reading below the minimum",
    "address": "an address that refuses",
}


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic.

    Attributes:
        id: in the address of its page.
        title: heading.
        about: why it matters, sentences.
        section: of the settings' file that it changes, from the top; empty: the top itself.
        fields: of its form; for a list, of one entry.
        key: names an entry of a list; empty: no list.
        one: what an entry is called.
        start: an entry that passes, where a field does not; of a list.
        kept: where it is kept.
    """

    id: str
    title: str
    about: tuple[str, ...]
    section: tuple[str, ...]
    fields: tuple[Field, ...]
    key: str = ""
    one: str = ""
    start: Entry | None = None
    kept: Kept = "site"


@cache
def zones() -> tuple[str, ...]:
    """Time zones to choose from: those of places, without the old short names."""
    return tuple(
        sorted(one for one in available_timezones() if "/" in one and not one.startswith(("Etc/", "posix/", "right/")))
    )


def table_options(site: Site | None) -> Options:
    """The rule tables that a site may work with."""
    own = () if site is None else site.own_tables
    ids = (*code_table_ids(), *(one.id for one in own))
    return tuple((one, f"{table_name(one, own)}: {load_code_table(one, own).title}") for one in ids)


NAME: Final = Field("name", "Name", "As it stands on the sheet: the job, as people call it.", needed=True)
LATITUDE: Final = Field(
    "latitude",
    "Latitude",
    "Decimal degrees, north of the equator positive. On a map on the screen, a long press or a right click on the "
    "steel shows both numbers. The forecast and the sun are taken for this place.",
    "number",
    needed=True,
    unit="°",
)
LONGITUDE: Final = Field(
    "longitude",
    "Longitude",
    "Decimal degrees, east positive: in America the number is negative, such as -92.1.",
    "number",
    needed=True,
    unit="°",
)
SHOW_UNITS_FIELD: Final = Field(
    "show_units", "Pages show", "What people read; everything can be typed in either.", "choice", UNIT_WORDS,
    needed=True, start="us",
)  # fmt: skip
CODE_UNITS_FIELD: Final = Field(
    "code_units",
    "The contract's code is in",
    "Thickness bands and minimums are compared in these units only, as the code has it.",
    "choice",
    CODE_UNIT_WORDS,
    needed=True,
    start="us",
)
LOW: Final = Field(
    "last_nights_low_c",
    "Coldest air of the last two nights",
    "With its unit, such as 14 F or -10 C. The steel is taken to start from there while nothing else is known: say "
    "the coldest, since steel that starts colder than typed stays colder than we say. Left empty: not known, and the "
    "forecast's own hours are all there is. A measured joint counts for more than either.",
    "temperature",
)


def zone_field() -> Field:
    """The time zone: any may be typed, those of places are offered."""
    return Field(
        "zone",
        "Time zone",
        "Shifts and the schedule are in local time. Type the nearest large city: the list narrows.",
        suggestions=zones(),
        needed=True,
    )


def table_field(site: Site | None) -> Field:
    """The rule table."""
    return Field(
        "table",
        "Rule table",
        "The code and edition of the contract. Each table says what our copy was checked against and what it leaves "
        "out; until somebody of the site has held it against your own copy of the code, what it decides is unknown.",
        "choice",
        table_options(site),
        needed=True,
        start=code_table_ids()[0],
    )


SHIFT_FIELDS: Final = (
    Field("name", "Name", "Such as Day or Night.", needed=True, start="Day"),
    Field("start", "Begins", "Local time.", "time", needed=True, start="07:00"),
    Field("end", "Ends", "A time before the beginning is that of the next day.", "time", needed=True, start="17:30"),
    Field("days", "Days on which it begins", "", "days", DAYS, needed=True, start=[1, 2, 3, 4, 5, 6]),
    Field(
        "hands",
        "People who can hold a torch",
        "So many can heat at a time; the sheet says where more would be needed.",
        "whole",
        needed=True,
        start=4,
    ),
)

_SHARE: Final = "Share of its heat that reaches the steel in little wind, 0.01 to 0.95. Left empty: the usual estimate."
SOURCE_FIELDS: Final = (
    Field("id", "Short name", "Used in schedules, such as tip; it stays.", needed=True, fixed=True),
    Field("name", "Name", "As shown.", needed=True),
    Field(
        "kind",
        "Kind",
        "",
        "choice",
        (("flame", "torch"), ("pad", "resistance heating pad"), ("induction", "induction heater")),
        needed=True,
        start="flame",
    ),
    Field(
        "fuel",
        "Fuel",
        "Of a torch; an electric heater has none.",
        "choice",
        (
            ("", "none"),
            *((one, {"mps": "MPS", "natural_gas": "natural gas"}.get(one, one)) for one in get_args(FuelName)),
        ),
    ),
    Field(
        "net_kw",
        "Heat rate of one",
        "A torch: net (lower) heating value of the fuel that one burns; an electric heater: its rating, such as "
        "7.5 kW. From {0.5} to {300}.",
        "number",
        needed=True,
        unit="kW",
    ),
    Field(
        "oxygen_ratio",
        "Oxygen to fuel, by volume",
        "0 for an air torch; left empty: the planning ratio of the fuel.",
        "number",
    ),
    Field(
        "area_m2",
        "Steel that one heater covers",
        "Of an electric heater; left empty nobody can check that they cover what is to be heated.",
        "number",
        unit="m²",
    ),
    Field("count", "How many on the site", "", "whole", needed=True, start=2),
    Field("share_low", "Share into the steel, low", _SHARE, "number"),
    Field("share_likely", "Share into the steel, likely", "Heating times are shown from this one.", "number"),
    Field(
        "share_high",
        "Share into the steel, high",
        "A share that was measured at the site stays until another is typed here.",
        "number",
    ),
)

PROCEDURE_FIELDS: Final = (
    Field("name", "Procedure", "Spelt as in the schedule.", needed=True),
    Field(
        "minimum_c",
        "Minimum preheat and interpass",
        "With its unit, such as 230 F. It can raise what the table asks; lower it only where qualified by test.",
        "temperature",
    ),
    Field("maximum_c", "Maximum interpass", "With its unit; left empty: not stated.", "temperature"),
    Field(
        "qualified_by_test",
        "Qualified by test",
        "Its minimum replaces the table's row, also where it is lower.",
        "flag",
    ),
    Field("steels", "Steels", "With commas between, A588-* for every grade of one; left empty: every steel.", "list"),
    Field("from_mm", "Thickest part from", "Such as 3/4 in or 20 mm; left empty: no limit.", "length"),
    Field("to_mm", "Thickest part up to", "Left empty: no limit.", "length"),
    Field("process", "Process", "", "choice", (("", "every process"), *((one, one) for one in PROCESSES))),
)

_CHOICE_WORDS: Final[Mapping[str, tuple[str, str, str]]] = {
    "slip_hours": ("Allowance after the planned end", "h", "A joint is still judged so long after it should be done."),
    "doubt_k": ("Doubt about steel and air", "K", "Within a day of a fresh forecast; less would be a wish."),
    "doubt_per_day_k": ("More doubt a day ahead", "K", "For every day of lead beyond the first."),
    "doubt_per_late_hour_k": ("More doubt an hour late", "K", "For every hour that the forecast is late."),
    "overheat_k": ("Target above the minimum", "K", "So that the joint is not below it when the torch goes out."),
    "setup_minutes": ("Setting up", "min", "From arriving at the joint to a burning torch."),
    "margin_mm": (
        "Heated beyond the zone",
        "mm",
        "Within some 6 % of the least fuel nearly everywhere, by our own search.",
    ),
    "segment_mm": ("Length heated at a time", "mm", "With one torch, where the joint does not say."),
    "least_rain_mm_h": ("Rain below this stops nobody", "mm/h", "Less does not wet the joint under a hand."),
    "drying_hours": ("Steel stays wet after rain", "h", "Open steel counts as wet for so long."),
    "start_span_k": ("Doubt of an assumed start", "K", "While nothing is known of the steel's past."),
    "h_band": ("Band of the convection", "", "0.3 is -30 % to +30 %: published correlations differ by as much."),
    "hottest_c": ("Hottest metal", "°C", "Where neither code nor procedure states a maximum."),
    "air_average_hours": ("Thermometer: older readings count less after", "h", ""),
    "air_fade_hours": ("Thermometer: its correction fades out after", "h", ""),
}


def _choice_field(name: str, usual: Any) -> Field:
    if name == "correct_forecast":
        said = "The site's thermometer makes the forecast colder where the site is colder, never warmer. Ours: yes."
        return Field(name, "The thermometer corrects the forecast", said, "flag", start=True)
    label, unit, why = _CHOICE_WORDS[name]
    return Field(name, label, f"{why} Ours: {_figure(usual, unit)}.".strip(), "number", start=usual, unit=unit)


def _figure(value: float, unit: str) -> str:
    """A figure of a hint, marked where it has to be said in the reader's unit."""
    return f"{{{value:g}}}" if unit in MEASURES else f"{value:g}"


_FUELS: Final = tuple(one for one in get_args(CylinderGas) if one != "oxygen")
_GASES: Final[Options] = tuple((one, "MPS" if one == "mps" else one) for one in get_args(CylinderGas))


def _usual_gas(key: str) -> str:
    return f"{getattr(GasSetup(), key):g}"


GAS_FIELDS: Final = (
    Field("kinds", "Cylinders that gas is counted in", "At most one for each gas; none: the usual one.", "many"),
    Field(
        "stand",
        "Cylinders stand",
        "They take their heat from the air; in moving air more.",
        "choice",
        (("still", "in a cage, in a corner, behind a screen"), ("open", "in moving air")),
        needed=True,
        start="still",
    ),
    Field(
        "allowance_kpa",
        "Pressure lost on the way",
        f"In regulator, hose, check valves and arrestors. Ours: {{{_usual_gas('allowance_kpa')}}}.",
        "number",
        unit="kPa",
    ),
    Field(
        "most_together",
        "Most cylinders on one line",
        f"Of one kind. Ours: {_usual_gas('most_together')}.",
        "whole",
    ),
    Field(
        "purge_seconds",
        "Purged at each light-up",
        f"Each gas is let go for so long. Ours: {_usual_gas('purge_seconds')}.",
        "number",
        unit="s",
    ),
    Field(
        "idle_share",
        "Burned by torches that wait",
        f"As a share of the gas for heating up. Ours: {_usual_gas('idle_share')}.",
        "number",
    ),
    Field("wind_factor", "Factor on the heat from the air", "In place of what follows from how they stand.", "number"),
    *(
        Field(
            f"torch_kpa.{one}",
            f"Pressure at the torch, {'MPS' if one == 'mps' else one}",
            "Gauge, at the end of the hose; left empty: the usual one.",
            "number",
            unit="kPa",
        )
        for one in _FUELS
    ),
    Field(
        "cover_days",
        "An order lasts beyond its delivery",
        f"Ours: {_usual_gas('cover_days')}.",
        "whole",
        unit="days",
    ),
    Field("closed_days", "No delivery on", "Days such as 2026-12-24, with commas between.", "dates"),
    Field("kwh_price", "Price of electric energy", "For one kWh.", "number"),
    Field("currency", "Prices are in", "Such as USD."),
)

CYLINDER_FIELDS: Final = (
    Field("id", "Short name", "Lower-case letters, digits, hyphens; it stays.", needed=True, fixed=True),
    Field("name", "Name", "As shown, such as propane, 100 lb or propane, 33 kg.", needed=True),
    Field("gas", "Gas", "", "choice", _GASES, needed=True, start="propane"),
    Field("contents_kg", "Contents of a fuel", "In a full one.", "number", unit="kg"),
    Field("contents_m3", "Contents of oxygen", "At 15 °C (59 °F) and 101.325 kPa (14.7 psi).", "number", unit="m³"),
    Field(
        "diameter_mm",
        "Diameter",
        "Without diameter, height and empty weight nobody can say what it gives in the cold.",
        "length",
    ),
    Field("height_mm", "Height", "", "length"),
    Field("tare_kg", "Empty weight", "Stamped on the collar.", "number", unit="kg"),
)
SUPPLY_FIELDS: Final = (
    Field("cylinder", "Cylinders", "", "choice", needed=True, fixed=True),
    Field("lead_days", "From order to delivery", "Days on which the supplier delivers.", "whole", needed=True, start=2),
    Field("delivery_days", "Days of delivery", "", "days", DAYS, needed=True, start=[1, 2, 3, 4, 5]),
    Field("least_order", "Least order", "", "whole", start=1),
    Field("storage_limit", "Most full ones on the site", "Left empty: no limit is known.", "whole"),
    Field("rental_per_day", "Rental a day", "For each on the site.", "number"),
    Field("price", "Price of one", "With its gas.", "number"),
)
USE_FIELDS: Final = (
    Field("name", "What for", "Such as cutting.", needed=True),
    Field("gas", "Gas", "", "choice", _GASES, needed=True, start="oxygen"),
    *(
        Field(f"{how}_{unit}", f"{said}, {what}", "In one shift.", "number", unit={"kg": "kg", "m3": "m³"}[unit])
        for unit, what in (("m3", "oxygen"), ("kg", "a fuel"))
        for how, said in (("low", "At least"), ("likely", "Likely"), ("high", "At most"))
    ),
    Field("shifts", "In these shifts", "None ticked: in every shift.", "many"),
    Field(
        "same_cylinders", "From the cylinders of the torches", "They feed this use too.", "flag", start=True,
    ),
)  # fmt: skip

CREW_FIELDS: Final = (
    Field("name", "Crew", "Spelt as in the schedule.", needed=True),
    Field("at_once", "Joints at the same time", "So many it can weld at once.", "whole", needed=True, start=1),
    Field("shifts", "Works in", "None ticked: in every shift.", "many"),
    Field(
        "processes", "Processes it may weld", "None ticked: every one.", "many", tuple((one, one) for one in PROCESSES)
    ),
    Field("procedures", "Procedures it is qualified for", "With commas between; left empty: every one.", "list"),
)
_WEIGHT_WORDS: Final[Mapping[str, tuple[str, str]]] = {
    "fuel_kg": ("A kilogram (2.2 lb) of fuel", "Of the likely amount."),
    "oxygen_m3": ("A cubic metre (35 ft³) of oxygen", "Of the likely amount, at 15 °C (59 °F)."),
    "energy_kwh": ("A kilowatt-hour of current", "What electric heaters draw, of the likely amount."),
    "hand_minute": ("A minute of somebody at the torch", ""),
    "shift_late": ("A joint a shift too late", "For each shift after its finish by."),
    "move": ("A joint goes to another shift", "Raise it, and fewer joints move for little."),
    "crew_change": ("A joint goes to another crew", "Beside the move."),
}
WEIGHT_FIELDS: Final = tuple(
    Field(
        key,
        label,
        f"{why} Ours: {getattr(Weights(), key):g}.".strip(),
        "number",
        start=getattr(Weights(), key),
        unit="min",
    )
    for key, (label, why) in _WEIGHT_WORDS.items()
)

PERSON_FIELDS: Final = (
    Field("id", "Short name", "Lower-case letters, digits, hyphens; it stays.", needed=True, fixed=True),
    Field("name", "Name", "", needed=True),
    Field("role", "Role", "It decides what is usual to hear of.", "choice", tuple((r, r) for r in get_args(Role)),
          needed=True, start="foreman"),
    Field("units", "Figures in", "", "choice", UNIT_WORDS[:2], needed=True, start="us"),
    Field("crews", "Crews", "With commas between, as in the schedule; left empty: all.", "list"),
    Field("kinds", "Hears of", "None ticked: what is usual for the role.", "many", tuple(KIND_WORDS.items())),
    Field(
        "least",
        "Nothing less urgent than",
        "",
        "choice",
        (("plain", "everything"), ("soon", "what is told at once"), ("now", "what cannot wait")),
        needed=True,
        start="plain",
    ),
    Field("quiet.begin", "Quiet from", "Then only what cannot wait.", "time"),
    Field("quiet.until", "Quiet until", "", "time"),
    Field("then", "Told next, without an answer", "To what cannot wait.", "choice"),
)  # fmt: skip

TOPICS: Final[tuple[Topic, ...]] = (
    Topic(
        "site",
        "Site",
        ("Where the steel stands, and what people read.",),
        (),
        (
            NAME,
            LATITUDE,
            LONGITUDE,
            Field(
                "altitude_m",
                "Altitude",
                "Above the sea. Left empty, MET Norway and Open-Meteo take that of their own coarse terrain.",
                "number",
                unit="m",
            ),
            Field("zone", "Time zone", needed=True),
            Field(
                "terrain",
                "Around the site",
                "The forecast's wind is that at 10 m (33 ft) over open land; between houses less reaches the joint.",
                "choice",
                (("open", "open land, water, yard"), ("suburban", "low houses, trees"), ("city", "high houses")),
                needed=True,
                start="open",
            ),
            SHOW_UNITS_FIELD,
            CODE_UNITS_FIELD,
            LOW,
        ),
    ),
    Topic(
        "shifts",
        "Shifts",
        ("Joints are planned by shift, hands are counted by shift, and notices are told ahead of one.",),
        ("shift",),
        SHIFT_FIELDS,
        "name",
        "shift",
        {"name": "Day", "start": "07:00", "end": "17:30", "days": [1], "hands": 4},
    ),
    Topic(
        "sources",
        "Torches and heaters",
        (
            "Heating times, fuel and light-up follow from the heat that reaches the steel. Where a joint names none, "
            "the first of the list is taken.",
            "The share that reaches the steel is an estimate with a wide band until you time a heating: work it as a "
            "case (One joint: The target was reached after), and type the share here.",
        ),
        ("heat_source",),
        SOURCE_FIELDS,
        "id",
        "torch set or heater",
        {"id": "tip", "name": "tip", "kind": "flame", "fuel": "propane", "net_kw": 45.0, "count": 1},
    ),
    Topic(
        "table",
        "Rule table",
        (
            "The table decides the minimum. Ours are copies: until somebody of the site has checked the table against "
            "your own copy of the code, what rests on it is unknown, with our figure as a hint.",
            "A rule table of your own comes with the site's file.",
        ),
        (),
        (Field("table", "Rule table", needed=True, control="choice"),),
    ),
    Topic(
        "procedures",
        "Welding procedures",
        (
            "A procedure can ask for more than the table, state a maximum, and be qualified by test. What it does not "
            "cover it does not answer: such joints are unknown.",
        ),
        ("procedure",),
        PROCEDURE_FIELDS,
        "name",
        "procedure",
        {"name": "P-1"},
    ),
    Topic(
        "feeds",
        "Forecasts",
        (
            "Which weather service forecasts for the site, and which stand in while it is silent, in this order. A "
            "plan is made from one at a time.",
            "US National Weather Service: free, the United States only. MET Norway: free under CC BY 4.0, the whole "
            "world. Both want a contact address. Open-Meteo: its free host is for non-commercial use only, so it is "
            "off until the settings of the service name its address.",
        ),
        (),
        (
            Field(
                "feed",
                "Forecast of",
                "",
                "choice",
                (("", "by position"), *((one, FEED_WORDS[one]) for one in SITE_FEEDS)),
            ),
            Field(
                "feed_instead",
                "Stand in, in this order",
                f"With commas between: {', '.join(STAND_IN_NAMES)}; a dash (-) for none; left empty: by position.",
                "list",
            ),
        ),
    ),
    Topic(
        "choices",
        "Choices and margins",
        (
            "How careful the plan is. Every figure is ours unless you change it; a smaller doubt turns measure into "
            "no heat, so have a reason.",
        ),
        ("choices",),
        tuple(_choice_field(one.name, one.default) for one in fields(Choices)),
    ),
    Topic(
        "gas",
        "Use of gas",
        ("How cylinders stand and what is lost on the way decides what they give in the cold. All of it may stay.",),
        ("gas",),
        GAS_FIELDS,
    ),
    Topic(
        "cylinders",
        "Own cylinders",
        ("Kinds of cylinders that are not among ours.",),
        ("gas", "cylinder"),
        CYLINDER_FIELDS,
        "id",
        "kind of cylinder",
        {"id": "own", "name": "own", "gas": "propane", "contents_kg": 33.0},
    ),
    Topic(
        "supply",
        "Supply",
        ("How cylinders of one kind come to the site. Without it nobody can say by which day to order.",),
        ("gas", "supply"),
        SUPPLY_FIELDS,
        "cylinder",
        "terms of supply",
        {"cylinder": "propane-100", "lead_days": 2},
    ),
    Topic(
        "other-use",
        "Other use of gas",
        ("Cutting, gouging, a heater in the tent: what else draws on the cylinders, in each of its shifts.",),
        ("gas", "other_use"),
        USE_FIELDS,
        "name",
        "use",
        {"name": "use", "gas": "oxygen", "low_m3": 0.0, "likely_m3": 1.0, "high_m3": 5000.0},
    ),
    Topic(
        "crews",
        "Crews",
        (
            "Who may weld what, when, and how many joints at a time: an order of work gives joints to these crews. A "
            "crew of the schedule that is not here keeps its joints and is given no others.",
        ),
        ("work", "crew"),
        CREW_FIELDS,
        "name",
        "crew",
        {"name": "one", "at_once": 1},
    ),
    Topic(
        "weights",
        "Order of work: weights",
        (
            "What counts how much when an order of work is worked out, all in minutes of one pair of hands. All are "
            "our choice: argue about them here, not on the list of moves.",
        ),
        ("work", "weights"),
        WEIGHT_FIELDS,
    ),
    Topic(
        "people",
        "People and messages",
        (
            "Crews hear what their shift needs, what got harder and when to stop; purchasing hears what to order. Who "
            "has no address reads the pages.",
        ),
        ("person",),
        PERSON_FIELDS,
        "id",
        "person",
        {"id": "one", "name": "One", "role": "foreman", "units": "us"},
        kept="people",
    ),
)
TOPIC: Final[Mapping[str, Topic]] = {one.id: one for one in TOPICS}


def begun(found: tuple[Field, ...], entry: Entry | None, begin: str) -> tuple[Field, ...]:
    """The fields of a heat source: a new one as our library has `begin`; the rating of an electric one stays in kW."""
    start = source_entry(begin) if entry is None and begin in known_sources() else None
    if start is not None:
        found = tuple(replace(one, start=value_at(start, one.key)) for one in found)
    kind = (entry or start or {}).get("kind", "flame")
    return tuple(replace(one, same=True) if one.key == "net_kw" and kind != "flame" else one for one in found)


def fields_of(topic: Topic, site: Site, people: NoticeSetup | None = None) -> tuple[Field, ...]:
    """The fields of a topic's form at a site: with its tables, cylinders, shifts and people to choose from."""
    everything = cylinders_of(GasSetup(own_cylinders=site.gas.own_cylinders))
    kinds = (
        *((one.id, one.name) for one in everything.fuel.values()),
        *((one.id, one.name) for one in everything.oxygen.values()),
    )
    found = []
    for field in topic.fields:
        if field.key == "zone":
            field = zone_field()
        elif field.key == "table":
            field = table_field(site)
        elif field.key in ("kinds", "cylinder") and topic.kept == "site":
            field = replace(field, options=kinds)
        elif field.key == "shifts":
            field = replace(field, options=tuple((one.name, one.name) for one in site.shifts))
        elif field.key == "then":
            others = () if people is None else tuple((one.id, one.name) for one in people.people)
            field = replace(field, options=(("", "nobody"), *others))
        found.append(field)
    return tuple(found)


# A new site -----------------------------------------------------------------------------------------------------------

NEW_SOURCES: Final = 2
"""So many kinds of torches and heaters are asked for at first."""


def new_fields(system: System) -> tuple[Field, ...]:
    """The shortest form that makes a site, in the units of whoever reads it."""
    library = tuple(
        (one.source.id, f"{one.source.name}, {rate_text(one.source, system)}") for one in known_sources().values()
    )
    of_shift: dict[str, tuple[str, Control]] = {one.key: (one.label, one.control) for one in SHIFT_FIELDS}
    sources = []
    for number, (start, count) in enumerate((("oxy-propane-tip", 2), ("", 2)), 1):
        sources += [
            Field(
                f"source_{number}",
                "Heated with" if number == 1 else "And with",
                "Typical ones, with typical rates: look at them later." if number == 1 else "",
                "choice",
                (("", "nothing yet" if number == 1 else "nothing else"), *library),
                start=start,
            ),
            Field(f"count_{number}", "How many", "", "whole", start=count),
        ]
    shift = [
        Field(
            f"shift_{one.key}",
            "Name of the shift" if one.key == "name" else of_shift[one.key][0],
            one.hint,
            one.control,
            one.options,
            needed=True,
            start=one.start,
        )
        for one in SHIFT_FIELDS
    ]
    return in_units((NAME, LATITUDE, LONGITUDE, zone_field(), SHOW_UNITS_FIELD, CODE_UNITS_FIELD, table_field(None),
                     *shift, *sources, LOW), system)  # fmt: skip


NEW_GROUPS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("The job", ("name", "latitude", "longitude", "zone", "show_units")),
    ("The code", ("table", "code_units")),
    ("The first shift", ("shift_name", "shift_start", "shift_end", "shift_hands", "shift_days")),
    ("Heat", ("source_1", "count_1", "source_2", "count_2")),
    ("The steel tonight", ("last_nights_low_c",)),
)
"""Fields of a new site under their headings."""


def source_entry(source_id: str) -> Entry:
    """A heat source of the library as a site's file holds it, with its usual share."""
    one = known_sources()[source_id].source
    kind: SourceKind = one.kind
    entry: Entry = {"id": one.id, "name": one.name, "kind": kind, "net_kw": one.net_kw, "count": 2}
    for key in ("fuel", "oxygen_ratio", "area_m2"):
        if getattr(one, key) is not None:
            entry[key] = getattr(one, key)
    return entry


def new_settings(made: Entry, site_id: str) -> Entry:
    """The settings' file of a new site from the fields of its form."""
    top = {key: value for key, value in made.items() if not key.startswith(("shift_", "source_", "count_"))}
    sources = []
    for number in range(1, NEW_SOURCES + 1):
        chosen = made.get(f"source_{number}")
        if chosen:
            if chosen not in known_sources():
                entry: Entry = {"id": chosen, "name": chosen, "net_kw": 45.0, "fuel": "propane"}
            else:
                entry = source_entry(chosen)
            sources.append({**entry, "count": made.get(f"count_{number}", 1)})
    shift = {key.removeprefix("shift_"): value for key, value in made.items() if key.startswith("shift_")}
    return {**top, "id": site_id, "shift": [shift], **({"heat_source": sources} if sources else {})}
