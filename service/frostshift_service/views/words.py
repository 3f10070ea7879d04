"""The words and shapes of calls and states, the names of feeds, and the standing cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.delivered import Heaters
from frostshift_rules.job import JointState, SourceKind
from frostshift_rules.workload import Freshness, HeatCall, HeatStatus, WeatherState
from frostshift_service.weather.feeds import FEEDS


@dataclass(frozen=True, slots=True)
class Word:
    """A call or state: its code in JSON and files, its words on pages, and the shape drawn beside the words."""

    code: str
    text: str
    shape: str


CALLS: Final[dict[HeatCall, Word]] = {
    "no_heat": Word("no_heat", "no heat", "ring"),
    "heat_to_minimum": Word("heat_to_minimum", "heat to minimum", "peak"),
    "cold_steel_heat": Word("cold_steel_heat", "cold steel: raised heat", "two_peaks"),
    "measure": Word("measure", "measure first", "gauge"),
    "unknown": Word("unknown", "unknown", "dashes"),
}
WEATHER: Final[dict[WeatherState, Word]] = {
    "go": Word("go", "go", "chevron"),
    "dry_first": Word("dry_first", "dry first", "drop"),
    "shelter_needed": Word("shelter_needed", "shelter needed", "roof"),
    "stop": Word("stop", "stop", "bar"),
    "unknown": Word("unknown", "unknown", "dashes"),
}
STATES: Final[dict[JointState, str]] = {
    "planned": "planned",
    "heating": "heating",
    "in_progress": "in progress",
    "done": "done",
    "postponed": "postponed",
}
NO_TIME: Final[dict[HeatStatus, str]] = {
    "ok": "",
    "no_time": "no time yet",
    "no_source": "no heat source",
    "not_covered": "no time: heaters cover too little",
    "out_of_range": "no time: outside what is calculated",
    "never": "never gets there",
    "unsure": "no time: too unsure",
    "too_hot": "no time: would overheat",
}
_NOUNS: Final[dict[SourceKind, tuple[str, str]]] = {
    "flame": ("torch", "torches"),
    "pad": ("heating pad", "heating pads"),
    "induction": ("induction heater", "induction heaters"),
}


def heaters_text(heaters: Sequence[Heaters]) -> str:
    """`2 torches and 4 heating pads`."""
    return " and ".join(f"{one.count} {_NOUNS[one.source.kind][one.count != 1]}" for one in heaters)


FRESHNESS: Final[dict[Freshness, str]] = {
    "fresh": "fresh",
    "late": "late: the doubt of every temperature grows with it",
    "unusable": "too old to use: every joint is unknown",
    "none": "no forecast: every joint is unknown",
}
AHEAD: Final = "not used, its time lies ahead of this machine's clock: every joint is unknown"
"""In place of "too old" where the forecast is that of another day to come."""
FEED_TITLES: Final[dict[str, str]] = {
    **{name: feed.title for name, feed in FEEDS.items()},
    "file": "a forecast file",
    "": "none",
}


@dataclass(frozen=True, slots=True)
class Caution:
    """A standing caution and the clause it rests on; an empty clause: common practice."""

    text: str
    clause: str = ""


CAUTIONS: Final[tuple[Caution, ...]] = (
    Caution(
        "Measure the steel before you strike. Every temperature here is predicted. This sheet never replaces a "
        "measurement, the welding procedure, local codes or licensed practice."
    ),
    Caution(
        "Measure on the face opposite the flame where you can. On the heated face take the flame away first and wait "
        "about 2 minutes per 25 mm (1 in) of thickness.",
        "ISO 13916:2025",
    ),
    Caution(
        "Keep a fire watch while torches burn and for at least an hour afterwards, longer where the permit says so. "
        "Look at the far side of the steel too."
    ),
    Caution(
        "Before lighting: hoses and connections sound and tight (soapy water, never a flame), flashback arrestors on "
        "both lines, coatings off the heated band. Torches and hoses come out of enclosures at breaks."
    ),
    Caution(
        "Cylinders stand upright and secured, valves closed when idle; stored oxygen stands apart from fuel.",
        "29 CFR 1926.350(a)",
    ),
    Caution("Acetylene stays at or below 15 psig (103 kPa) at the hose.", "29 CFR 1910.253(a)(2)"),
    Caution(
        "Never heat a cylinder or a valve with a flame or on torch-heated steel. Thaw with warm, not boiling, water.",
        "29 CFR 1926.350(a)(5)",
    ),
    Caution(
        "Ventilate tents and screens, never with oxygen: flames make carbon monoxide and use up the air. Fuel "
        "cylinders stay outside; propane sinks into pits and low screens."
    ),
    Caution(
        "Temporary heaters stand at least 10 ft (3 m) from tarpaulins unless listed for closer; tarpaulins are tied.",
        "29 CFR 1926.154(b)(4)",
    ),
)
CAUTIONS_SHORT: Final = (
    "Measure on the face opposite the flame where you can; on the heated face take the flame away and wait about 2 min "
    "per 25 mm (1 in). Fire watch while torches burn and at least an hour after. Hoses and arrestors checked, coatings "
    "off the band. Cylinders upright and secured, acetylene at most 15 psig (103 kPa). Ventilate tents; "
    "fuel stays outside."
)
"""What of `CAUTIONS` stands on every page that a crew takes along; the whole list is on the sheet."""
READING_NOTE: Final = (
    "Steel: cold side to likely at the coldest hour of the joint's window. Light-up is for the slow end of the heating "
    "time, hold is the short end. Ranges are low to high."
)


NO_CREW: Final = "joints without a crew"


def crew_text(crew: str) -> str:
    """A crew in words; an empty one: `NO_CREW`."""
    return f"crew {crew}" if crew else NO_CREW
