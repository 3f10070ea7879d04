"""One joint worked from what somebody at it states: no site, no forecast, no clock.

The steel temperature is taken as measured and the air and the wind as stated AT THE WELD, so nothing here carries a
margin: a shelter's effect is already in them. The rules themselves live where the plan has them (`preheat`, `stops`,
`heat_plan`); this module only puts a single case to them and says in sentences what came of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final, Literal

import numpy as np

from frostshift_rules import heat_plan, measured_share, preheat, stops, surroundings
from frostshift_rules.calls import heat_call
from frostshift_rules.code_table import CodeTable
from frostshift_rules.delivered import Heaters, merged
from frostshift_rules.drying import Film
from frostshift_rules.figures import Ask, in_units
from frostshift_rules.instructions import Instruction, instructions
from frostshift_rules.job import Choices, CodeUnits, HeatSource, Joint, Procedure
from frostshift_rules.measured_share import NotMeasurable
from frostshift_rules.preheat import Requirement
from frostshift_rules.stops import Reason, Rule, WeatherState
from frostshift_rules.units import df_from_k, f_from_c, mph_from_ms
from frostshift_rules.workload import HeatCall, HeatPlan, Range

Surface = Literal["dry", "wet", "frost"]
"""What the steel looks like where the weld goes."""

Figure = Literal[
    "minimum_c",
    "maximum_c",
    "target_c",
    "heat_minutes",
    "hold_minutes",
    "fuel_kg",
    "oxygen_m3",
    "energy_kwh",
    "measured_share",
]
"""What may be missing in an answer."""

NO_START: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""Stands in for the planned start of a joint that has none; no answer depends on it."""

INSTRUMENT_K: Final = 1.0
"""A reading so near to where the answer changes depends on the instrument [K]. Our choice: a good contact thermometer
is no better."""


@dataclass(frozen=True, slots=True)
class Case:
    """One joint with what was measured at it.

    Attributes:
        joint: its `start_utc` is `NO_START`, its `weld_length_mm` NaN where not stated.
        table: rule table.
        units: unit system of the job's code.
        accepted: ids of the tables that were checked against a copy of the code.
        procedure: welding procedure of `joint.procedure`; None: none, or one that nobody knows.
        steel_c: measured on the steel, before any heat or after [°C]; None: not measured.
        air_c: at the weld, inside a shelter where there is one [°C]; None: not stated.
        wind_ms: at the weld, behind a screen where there is one [m/s]; None: not stated.
        surface: None: not stated, then taken as dry.
        source: what it is heated with, `joint.torches` of it; None: not stated.
        also: what heats it at the same time.
        measured_minutes: from the lit torch until the target was reached, of the first length [min]; None: not stated.
        choices: overheat, margin, length heated at a time, band of the convection.
        defaults: what was left open and how it was taken, sentences.
    """

    joint: Joint
    table: CodeTable
    units: CodeUnits
    accepted: frozenset[str] = frozenset()
    procedure: Procedure | None = None
    steel_c: float | None = None
    air_c: float | None = None
    wind_ms: float | None = None
    surface: Surface | None = None
    source: HeatSource | None = None
    choices: Choices = field(default_factory=Choices)
    defaults: tuple[str, ...] = ()
    also: tuple[Heaters, ...] = ()
    measured_minutes: float | None = None

    @property
    def heaters(self) -> tuple[Heaters, ...] | None:
        """All that heats the joint at once; None where no heat source is stated."""
        return None if self.source is None else merged([Heaters(self.source, self.joint.torches), *self.also])


@dataclass(frozen=True, slots=True)
class CaseAnswer:
    """What can be said of a case.

    Attributes:
        case: as it was put.
        asked: what the table and the procedure ask.
        call: never `measure`, as the steel is measured; `unknown` where anything needed is missing.
        weather: at the weld, now.
        weather_reasons: why it is not `go`, the worst first.
        minimum_c: at the steel's temperature [°C]; None: unknown, or it hangs on a steel temperature that is missing.
        target_c: torch off at this temperature of the coldest required point [°C]; None: no heat, or unknown.
        decides: the figure that `minimum_c` is; None where it is None.
        heat: None where no heat is needed or something needed is missing.
        hint: the figures rest on a row that has to be accepted first; the call is then `unknown`.
        reasons: why, the most important first; sentences for people, the defaults taken at the end.
        missing: why a figure is None.
        instructions: what is asked of the joint, topic by topic.
        measured_share: share of the source's heat that reached the steel, by the measured minutes; in little wind.
    """

    case: Case
    asked: Requirement
    call: HeatCall
    weather: WeatherState
    weather_reasons: tuple[Reason, ...]
    minimum_c: float | None
    target_c: float | None
    decides: Ask | None
    heat: HeatPlan | None
    hint: bool
    reasons: tuple[str, ...]
    missing: dict[Figure, str]
    instructions: tuple[Instruction, ...]
    measured_share: Range | None = None

    @property
    def heat_minutes(self) -> Range | None:
        """Torch burning before the first arc [min], of the first length where the weld is heated in several."""
        return None if self.heat is None else self.heat.minutes

    @property
    def hold_minutes(self) -> Range | None:
        """From torch off until the coldest required point is back at the minimum [min]."""
        return None if self.heat is None else self.heat.hold_minutes

    @property
    def fuel_kg(self) -> Range | None:
        """Fuel for the whole weld [kg]."""
        return None if self.heat is None else self.heat.fuel_kg

    @property
    def oxygen_m3(self) -> Range | None:
        """Torch oxygen for the whole weld [m3 at 15 °C and 101.325 kPa]."""
        return None if self.heat is None else self.heat.oxygen_m3

    @property
    def energy_kwh(self) -> Range | None:
        """What electric heaters draw for the whole weld [kWh]."""
        return None if self.heat is None else self.heat.energy_kwh


def work(case: Case) -> CaseAnswer:
    """The answer to one case; what it does not know it leaves open, with the reason."""
    asked = preheat.requirement(case.joint, case.table, case.procedure, case.units, case.accepted)
    minimum_c = _minimum_c(asked, case.steel_c)
    weather, weather_reasons = _weather(case)
    needs_heat = _needs_heat(asked, case.steel_c)
    target_c = None
    if needs_heat and minimum_c is not None:
        target_c = heat_plan.target_c(minimum_c, asked.maximum_c, case.choices.overheat_k)
    job = _heat_job(case, asked, minimum_c) if needs_heat else None
    heat = None if job is None else heat_plan.heat_plans([job], case.choices)[0]
    share, no_share = _measured_share(case, job)
    call = _call(case, asked)
    return CaseAnswer(
        case=case,
        asked=asked,
        call=call,
        weather=weather,
        weather_reasons=weather_reasons,
        minimum_c=minimum_c,
        target_c=target_c,
        decides=_decides(asked, case.steel_c, minimum_c),
        heat=heat,
        hint=asked.not_accepted,
        reasons=tuple(
            dict.fromkeys(
                [
                    *_heat_reasons(case, asked, minimum_c),
                    *_weather_sentences(case, weather, weather_reasons),
                    *([heat.note] if heat is not None and heat.note else []),
                    *_share_sentences(case, share, no_share),
                    *asked.notes,
                    *case.defaults,
                ]
            )
        ),
        missing=_missing(case, asked, minimum_c, heat) | ({} if share is not None else {"measured_share": no_share}),
        instructions=instructions(case.joint, asked, case.table, case.units),
        measured_share=share,
    )


# Requirement ----------------------------------------------------------------------------------------------------------


def _minimum_c(asked: Requirement, steel_c: float | None) -> float | None:
    """At the steel's temperature; without one only where the cold-steel floor could change nothing."""
    if asked.minimum_c is None:
        return None
    if steel_c is None:
        return asked.minimum_c if asked.minimum_c >= asked.cold_floor_c else None
    return preheat.minimum_at(asked, steel_c)


def _needs_heat(asked: Requirement, steel_c: float | None) -> bool | None:
    """Whether the steel is below the threshold, accepted or not; None: not known."""
    threshold_c = asked.threshold_c
    return None if threshold_c is None or steel_c is None else steel_c < threshold_c


def _call(case: Case, asked: Requirement) -> HeatCall:
    needs_heat = _needs_heat(asked, case.steel_c)
    if needs_heat is None or case.steel_c is None or asked.unknown or asked.not_accepted or _too_hot(case, asked):
        return "unknown"
    floor_decides = preheat.cold_floor_decides(asked, case.steel_c)
    return heat_call(passes=not needs_heat, fails=needs_heat, floor_decides=floor_decides)


def _too_hot(case: Case, asked: Requirement) -> bool:
    """Whether the steel is above a stated maximum: it needs no heat, but that is not all there is to say."""
    return case.steel_c is not None and asked.maximum_c is not None and case.steel_c > asked.maximum_c


def _decides(asked: Requirement, steel_c: float | None, minimum_c: float | None) -> Ask | None:
    if minimum_c is None or not asked.asks:
        return None
    if steel_c is not None and preheat.cold_floor_decides(asked, steel_c):
        return next((ask for ask in asked.asks if ask.what == "cold_steel"), None)
    return asked.asks[0]


NOT_MEASURED: Final = "The steel temperature is not stated: measure the steel."
NOT_ACCEPTED: Final = (
    "The figure is a hint: nobody is named for having checked {tables} against a copy of the code. State who did "
    "(accepted_by, table by table), or go by the welding procedure."
)
HOT_C: Final = 230.0
"""Where no maximum is stated, steel above this is worth a question [°C]: the tables' highest maximum. Our choice."""


def _heat_reasons(case: Case, asked: Requirement, minimum_c: float | None) -> Iterator[str]:
    yield from asked.unknown
    if asked.not_accepted:
        yield NOT_ACCEPTED.format(tables=" and ".join(_unaccepted(case, asked)))
    if case.steel_c is None:
        yield NOT_MEASURED
    else:
        yield from _steel_reasons(case.steel_c, case, asked, minimum_c)


def _steel_reasons(steel_c: float, case: Case, asked: Requirement, minimum_c: float | None) -> Iterator[str]:
    units, threshold_c = case.units, asked.threshold_c
    steel = f"The steel, measured at {_temperature(steel_c, units, digits=2)},"
    below, floor = _least(asked.cold_below_c, units), _least(asked.cold_floor_c, units)
    if asked.maximum_c is not None and steel_c > asked.maximum_c:
        yield f"{steel} is above the maximum of {_most(asked.maximum_c, units)}: let it cool before you weld."
        return
    if asked.maximum_c is None and steel_c > HOT_C:
        yield f"{steel} is hot and no maximum is stated: ask before you weld."
    if minimum_c is None or threshold_c is None:
        if steel_c < asked.cold_below_c:
            yield f"{steel} is below {below}: it needs at least {floor}, whatever else is not known."
        return
    if preheat.cold_floor_decides(asked, steel_c):
        yield f"{steel} is below {below}: the raised minimum of {floor} holds."
    elif steel_c < threshold_c:
        yield f"{steel} is below the minimum of {_least(minimum_c, units)}: heat it."
    else:
        settled = "by that figure, a hint, it would need none" if asked.not_accepted else "it needs no heat"
        yield f"{steel} is not below {_least(threshold_c, units)}: {settled}."
        if minimum_c < asked.cold_floor_c and steel_c < asked.cold_floor_c:
            yield f"If it was below {below} before any heat was put in, it needs {floor} and has to be held there."
    yield from _near(asked, threshold_c, steel_c, units)


def _unaccepted(case: Case, asked: Requirement) -> list[str]:
    """Ids of the tables that a figure of the case hangs on and nobody has accepted."""
    of_code = [ask for ask in asked.asks if ask.what in ("row", "formula", "hydrogen_control")]
    return sorted({ask.table_id for ask in of_code if ask.basis != "seen"} - case.accepted)


def _near(asked: Requirement, threshold_c: float, steel_c: float, units: CodeUnits) -> Iterator[str]:
    """A word of doubt where a reading lies at the very temperature that decides."""
    edges = {threshold_c}
    if asked.minimum_c is not None and asked.cold_floor_c > asked.minimum_c:
        edges.add(asked.cold_below_c)
    for edge_c in sorted(edges):
        if abs(steel_c - edge_c) <= INSTRUMENT_K + 1e-9:
            yield (
                f"The reading lies within {_difference(INSTRUMENT_K, units)} of {_least(edge_c, units)}, where "
                "the answer changes: it depends on the instrument. Measure again with a second one."
            )


# Weather --------------------------------------------------------------------------------------------------------------


def _weather(case: Case) -> tuple[WeatherState, tuple[Reason, ...]]:
    """The plan's own weather rules, for one hour at the weld without a margin.

    The spot counts as covered: rain and snow are no part of a case, what they leave on the steel is its surface.
    """
    air_c = np.array([np.nan if case.air_c is None else case.air_c])
    hours = stops.SpotHours(
        air_cold_c=air_c,
        air_warm_c=air_c,
        wind_open_ms=np.array([np.nan if case.wind_ms is None else case.wind_ms]),
        precip_mm=np.zeros(1),
        dew=np.array([case.surface == "wet"]),
        frost=np.array([case.surface == "frost"]),
        wet_known=np.array([True]),
    )
    spot = stops.Spot(case.joint.process, None, covered=True)
    judged = stops.judge(hours, spot, case.table, case.units, case.choices)
    return judged.state_at(0), judged.reasons_at(0)


_WEATHER_SENTENCES: Final[dict[Rule, str]] = {
    "air_below_limit": "Air at the weld {air}, below the least of {air_limit}: no welding.",
    "air_missing": "The air temperature at the weld is not stated; the least is {air_limit}.",
    "wind_above_limit": "Wind at the weld {wind}, at most {wind_limit} for this process: shelter it.",
    "high_wind": "Wind at the weld {wind}: the code allows no welding in high wind; shelter it.",
    "wind_missing": "The wind at the weld is not stated.",
    "process_missing": "The process is not stated, and with some the wind at the weld may be at most {wind_limit}.",
    "dew": "The surface is wet: dry it first.",
    "frost": "Frost on the surface: clear and dry it first.",
}
SCREEN: Final = (
    "A wind screen does not warm the air, and warm steel does not lift this stop: only air of at least {air_limit} at "
    "the weld does, as in a heated enclosure."
)
ALL_CLEAR: Final = "At the weld: air {air}, at least {air_limit} is asked; wind {wind}, {wind_rule}."


def _weather_sentences(case: Case, state: WeatherState, reasons: tuple[Reason, ...]) -> Iterator[str]:
    wind_limit = _most_speed(stops.wind_limit_ms(case.table, case.units), case.units)
    has_limit = case.joint.process in case.table.wind.processes
    texts = {
        "air": "" if case.air_c is None else _temperature(case.air_c, case.units, digits=2),
        "air_limit": _least(stops.ambient_limit_c(case.table, case.units), case.units),
        "wind": "" if case.wind_ms is None else _speed(case.wind_ms, case.units),
        "wind_limit": wind_limit,
        "wind_rule": f"at most {wind_limit} for this process" if has_limit else "no limit of its own for this process",
    }
    for reason in reasons:
        said = _WEATHER_SENTENCES.get(reason.rule)
        text = stops.reason_text(reason, "si" if case.units == "si" else "us") if said is None else said.format(**texts)
        yield f"{text.rstrip('.')} ({stops.source_text(reason)})."
        if reason.rule == "air_below_limit":
            yield SCREEN.format(**texts)
    if state == "go":
        yield ALL_CLEAR.format(**texts)


# Heat -----------------------------------------------------------------------------------------------------------------


def _not_stated(case: Case) -> list[str]:
    """What the heating time needs and the case does not say."""
    needed = {
        "the heat source": case.source is None,
        "the weld length": np.isnan(case.joint.weld_length_mm),
        "the air temperature at the weld": case.air_c is None,
        "the wind at the weld": case.wind_ms is None,
    }
    return [what for what, lacking in needed.items() if lacking]


def _heat_job(case: Case, asked: Requirement, minimum_c: float | None) -> heat_plan.HeatJob | None:
    """What the heating is worked out from; None where something it needs is missing."""
    if minimum_c is None or case.steel_c is None or case.air_c is None or case.wind_ms is None or _not_stated(case):
        return None
    convection, band = float(surroundings.convection_wm2k(case.wind_ms)), case.choices.h_band
    return heat_plan.HeatJob(
        joint=case.joint,
        heaters=case.heaters,
        minimum_c=minimum_c,
        maximum_c=asked.maximum_c,
        extent_mm=asked.extent_mm,
        soak_minutes=preheat.soak_minutes(max(part.thickness_mm for part in case.joint.parts), case.table),
        starts_c=(Range(case.steel_c, case.steel_c, case.steel_c),) * len(case.joint.parts),
        air_c=Range(case.air_c, case.air_c, case.air_c),
        wind_ms=case.wind_ms,
        convection_wm2k=Range(convection * (1.0 - band), convection, convection * (1.0 + band)),
        present_from_utc=None,
        film=_FILMS[case.surface],
    )


NO_MEASURED_TIME: Final = "No measured heating time is stated."
ENTER_SHARE: Final = (
    "By the measured {minutes} min {likely} of the heat of {source} reached the steel, {low} to {high} with the doubt "
    "of wind, start and clock. In the site file, under this heat source: share_measured = {{ low = {low_n}, likely = "
    "{likely_n}, high = {high_n}, heatings = 1, on = the day, by = the name }}. Take the mean of several heatings."
)
SHARE_NOT_WORKED: Final = "No share from the measured time: {why}"


def _measured_share(case: Case, job: heat_plan.HeatJob | None) -> tuple[Range | None, str]:
    """The share that the measured minutes say, or why none."""
    if case.measured_minutes is None:
        return None, NO_MEASURED_TIME
    if job is None:
        return None, "there is no heating to compare it with."
    try:
        return measured_share.measured_share(job, case.measured_minutes, case.choices), ""
    except NotMeasurable as error:
        return None, str(error)


def _share_sentences(case: Case, share: Range | None, why: str) -> Iterator[str]:
    if case.measured_minutes is None:
        return
    if share is None or case.source is None:
        yield SHARE_NOT_WORKED.format(why=why)
        return
    ends = {"low": share.low, "likely": share.likely, "high": share.high}
    yield ENTER_SHARE.format(
        minutes=_number(case.measured_minutes),
        source=case.source.name,
        **{name: f"{100.0 * value:.0f} %" for name, value in ends.items()},
        **{f"{name}_n": f"{value:.3f}" for name, value in ends.items()},
    )


_FILMS: Final[dict[Surface | None, Film]] = {None: None, "dry": None, "wet": "water", "frost": "frost"}
NO_HEAT: Final = "No heat is needed."
NOT_SETTLED: Final = "The minimum is not settled; by the hint none would be needed."
MINIMUM_UNKNOWN: Final = "The minimum is not known."
STEEL_UNKNOWN: Final = "The steel temperature is not known."


def _missing(case: Case, asked: Requirement, minimum_c: float | None, heat: HeatPlan | None) -> dict[Figure, str]:
    """Why a figure of the answer is None."""
    missing: dict[Figure, str] = {}
    if minimum_c is None:
        missing["minimum_c"] = _why_no_minimum(case, asked)
    if asked.maximum_c is None:
        missing["maximum_c"] = "None is stated."
    no_target = _why_no_target(case, asked)
    if no_target:
        missing["target_c"] = no_target
    no_time = no_target or _why_no_time(case, heat)
    return missing if not no_time else missing | dict.fromkeys(_HEAT_FIGURES, no_time)


def _why_no_target(case: Case, asked: Requirement) -> str:
    if asked.minimum_c is None:
        return MINIMUM_UNKNOWN
    needs_heat = _needs_heat(asked, case.steel_c)
    if needs_heat is None:
        return STEEL_UNKNOWN
    if not needs_heat and asked.not_accepted:
        return NOT_SETTLED
    return "" if needs_heat else NO_HEAT


def _why_no_time(case: Case, heat: HeatPlan | None) -> str:
    if lacking := _not_stated(case):
        return f"Not stated: {', '.join(lacking)}."
    return heat.note if heat is not None and heat.minutes is None else ""


_HEAT_FIGURES: Final[tuple[Figure, ...]] = ("heat_minutes", "hold_minutes", "fuel_kg", "oxygen_m3", "energy_kwh")


def _why_no_minimum(case: Case, asked: Requirement) -> str:
    if asked.minimum_c is None:
        return " ".join(asked.unknown) or MINIMUM_UNKNOWN
    row, floor = _least(asked.minimum_c, case.units), _least(asked.cold_floor_c, case.units)
    return f"{row}, or {floor} where the steel is below {_least(asked.cold_below_c, case.units)}: measure it."


# Words ----------------------------------------------------------------------------------------------------------------


def _number(value: float, digits: int = 1) -> str:
    return f"{round(value, digits) + 0.0:g}"  # + 0.0 turns a minus zero into zero


def _temperature(c: float, units: CodeUnits, digits: int = 1) -> str:
    """What was measured to a hundredth: a reading of 31.96 °F must not look like 32 °F."""
    return in_units(f"{_number(f_from_c(c), digits)} °F", f"{_number(c, digits)} °C", units)


def _least(c: float, units: CodeUnits) -> str:
    """A limit to be reached, rounded up: what is said is never below what is asked."""
    return in_units(f"{_number(_up(f_from_c(c)))} °F", f"{_number(_up(c))} °C", units)


def _most(c: float, units: CodeUnits) -> str:
    """A limit not to be passed, rounded down."""
    return in_units(f"{_number(-_up(-f_from_c(c)))} °F", f"{_number(-_up(-c))} °C", units)


def _most_speed(ms: float, units: CodeUnits) -> str:
    return in_units(f"{_number(-_up(-mph_from_ms(ms)))} mph", f"{_number(-_up(-ms))} m/s", units)


def _up(value: float) -> float:
    """The next tenth; noise of a conversion does not count."""
    return math.ceil(value * 10.0 - 1e-6) / 10.0


def _difference(kelvin: float, units: CodeUnits) -> str:
    return in_units(f"{_number(df_from_k(kelvin))} °F", f"{_number(kelvin)} K", units)


def _speed(ms: float, units: CodeUnits) -> str:
    return in_units(f"{_number(mph_from_ms(ms))} mph", f"{_number(ms)} m/s", units)
