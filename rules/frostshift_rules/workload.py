"""The plan as values: calls, heat plans, shift totals. What a page, a print or a message shows is all in here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from frostshift_rules.drying import Film
from frostshift_rules.job import Joint, Site
from frostshift_rules.people import PeopleCold
from frostshift_rules.preheat import Requirement
from frostshift_rules.stops import Reason
from frostshift_rules.stops import WeatherState as WeatherState
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Hours, Members

Freshness = Literal["fresh", "late", "unusable", "none"]
HeatCall = Literal["no_heat", "heat_to_minimum", "cold_steel_heat", "measure", "unknown"]
HeatStatus = Literal["ok", "no_time", "no_source", "not_covered", "out_of_range", "never", "unsure", "too_hot"]


@dataclass(frozen=True, slots=True)
class FeedChange:
    """The feed that plans were made from before, and since when they no longer are."""

    before: str
    since_utc: datetime


@dataclass(frozen=True, slots=True)
class StationHours:
    """Hours gone by that no forecast has, as a station near the site measured them.

    Attributes:
        title: of the station.
        distance_km: from the site [km].
        height_m: how much higher than the site it stands, negative: lower [m].
        hours: how many of the run-in come from it.
    """

    title: str
    distance_km: float
    height_m: float
    hours: int


@dataclass(frozen=True, slots=True)
class AirBias:
    """What readings of the air at the site did to the forecast.

    Attributes:
        bias_k: reading minus forecast, weighted [K]; 0 or more: not colder, so the forecast stands as it is.
        readings: number of readings it is made from.
        until_utc: last moment that is corrected; None where the forecast stands as it is.
    """

    bias_k: float
    readings: int
    until_utc: datetime | None


@dataclass(frozen=True, slots=True)
class Weather:
    """The forecast a plan is made from.

    Attributes:
        feed: name of the feed; empty for none.
        issued_utc: the feed's own issue time; None where it does not say.
        fetched_utc: when we got it; None for none.
        freshness: verdict on its age; `unusable` and `none` make every joint unknown.
        late_by_h: hours of age beyond late [h], 0 while fresh; widens the doubt.
        hours: None for none; made colder already where `air_bias` says so.
        attribution: credit line that the feed's terms ask for.
        members: of the feed's ensemble, on the axis of `hours`; None where it gives none.
        instead_of: name of the feed that the site wants, for which this one stands in; empty where it is this one.
        changed: the last change of feed, where it was not long ago.
        station: of the hours gone by that were measured near the site; None where none were.
        missing_h: hours gone by, of those that steel carries into the plan, that are not known [h].
        air_bias: of the readings at the site; None where they say nothing or the site does not want it.

    Raises:
        OutOfRange: members without hours, or on another axis.
    """

    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime | None
    freshness: Freshness
    late_by_h: float
    hours: Hours | None
    attribution: str = ""
    members: Members | None = None
    instead_of: str = ""
    changed: FeedChange | None = None
    station: StationHours | None = None
    missing_h: int = 0
    air_bias: AirBias | None = None

    def __post_init__(self) -> None:
        """Check that the members stand on the axis of the hours."""
        if self.members is None:
            return
        if self.hours is None:
            raise OutOfRange("the forecast has members and no hours")
        axes = [(of.start_utc, of.air_c.shape[-1]) for of in (self.hours, self.members)]
        if axes[0] != axes[1]:
            (start, count), (other, found) = axes
            raise OutOfRange(
                f"members begin at {other.isoformat()} and have {found} hours, "
                f"{start.isoformat()} and {count} are needed"
            )


NO_WEATHER = Weather("", None, None, "none", 0.0, None)


@dataclass(frozen=True, slots=True)
class Range:
    """An amount with its doubt."""

    low: float
    likely: float
    high: float


def added(ranges: Iterable[Range]) -> Range:
    """Amounts together, end by end; nothing for none."""
    low = likely = high = 0.0
    for one in ranges:
        low, likely, high = low + one.low, likely + one.likely, high + one.high
    return Range(low, likely, high)


@dataclass(frozen=True, slots=True)
class Span:
    """A predicted temperature with its cold side and warm side [°C] at one time."""

    at_utc: datetime
    cold_c: float
    likely_c: float
    warm_c: float


@dataclass(frozen=True, slots=True)
class PartHeat:
    """The heating of one part as it was solved, for the arithmetic shown.

    `minutes`, `hold_minutes`, `reheat_minutes` (back to the target after a hold) and `drying_minutes` (not in
    `minutes`) are None where the engine gives no time; `flux_kwm2` is net heat into the steel.
    """

    part_no: int
    status: HeatStatus
    thickness_mm: float
    start_c: Range
    flux_kwm2: Range
    convection_wm2k: Range
    band_mm: float
    band_length_mm: float
    minutes: Range | None
    hold_minutes: Range | None
    hottest_c: float | None
    elasticity: float | None
    reheat_minutes: Range | None = None
    drying_minutes: Range | None = None


@dataclass(frozen=True, slots=True)
class SourceAmounts:
    """What the torches or heaters of one source use on one joint, over all segments.

    `fuel_kg` and `oxygen_m3` are 0 for an electric heater, `energy_kwh` (drawn) is 0 for a flame.
    """

    source_id: str
    count: int
    fuel_kg: Range
    oxygen_m3: Range
    energy_kwh: Range


@dataclass(frozen=True, slots=True)
class HeatPlan:
    """How one joint is brought to its target.

    Attributes:
        status: `ok`, or why there is no time: `no_time` (sizes of a part not stated), `no_source` (no heat source),
            `not_covered` (heaters cover too little of what has to be heated), `out_of_range` (outside what the engine
            covers), `never` (does not get there), `unsure` (the answer hangs
            on the flux too much), `too_hot` (hottest metal would pass the maximum).
        note: one sentence for people, empty where `ok` needs none.
        source_id: heat source used; None where there is none.
        torches: torches or heaters of that source at once on this joint; `joint.also_heated` names the others.
        segments: the weld is heated in so many lengths, one after the other.
        heated_length_mm: of one segment.
        minimum_c, target_c, maximum_c: [°C]; maximum None where none is stated.
        extent_mm: warm on each side of the weld.
        minutes: torch burning before the first arc (first segment), low / likely / high.
        total_minutes: torch burning over all segments.
        soak_minutes: wait before the reading is true.
        light_up_utc: when the torch must burn for the planned start (slow end).
        earliest_arc_utc: earliest arc if heating starts with the shift, where light-up lies before anybody is there.
        hold_minutes: how long it stays above the minimum after the torch is off; show the low end.
        hottest_c: hottest metal at torch-off, of slow, likely and fast end.
        fuel_kg, oxygen_m3: of all torches over all segments, until the first arc on each.
        parts: the arithmetic of each part.
        flame_in_wind: what wind leaves of the flame's share, on the slow end and the likely figure.
        drying_minutes: share of `minutes` that dries the steel; an upper bound; None where nothing lies on it.
        reheats: how often one segment is heated again while it is welded: none, where the arc keeps it warm; likely;
            slow end; None: no time, or the hours of welding are not stated.
        reheat_minutes: torch time of one of them.
        keep_minutes: torch burning for all of them, over all segments.
        keep_fuel_kg, keep_oxygen_m3, keep_energy_kwh: for keeping warm, beside `fuel_kg` and so on.
        arc_wait_minutes: from pass to pass, so that the heat of the arc does not carry the weld above the maximum; inf:
            no wait up to four hours is long enough; None where heat input, passes or maximum are not known.
        film: what is dried off first.
        air_c, wind_ms: at the joint while it is heated, as the times were worked out; None in plans stored before.
        energy_kwh: drawn by all electric heaters over all segments; None without a time, and in plans stored before.
        amounts: fuel, oxygen and energy of each source; empty without a time, and in plans stored before.
        keep_amounts: the same for keeping warm.
    """

    status: HeatStatus
    note: str
    source_id: str | None
    torches: int
    segments: int
    heated_length_mm: float
    minimum_c: float
    target_c: float
    maximum_c: float | None
    extent_mm: float
    minutes: Range | None
    total_minutes: Range | None
    soak_minutes: float
    light_up_utc: datetime | None
    earliest_arc_utc: datetime | None
    hold_minutes: Range | None
    hottest_c: float | None
    fuel_kg: Range | None
    oxygen_m3: Range | None
    parts: tuple[PartHeat, ...]
    flame_in_wind: float = 1.0
    drying_minutes: Range | None = None
    reheats: Range | None = None
    reheat_minutes: Range | None = None
    keep_minutes: Range | None = None
    keep_fuel_kg: Range | None = None
    keep_oxygen_m3: Range | None = None
    arc_wait_minutes: float | None = None
    film: Film = None
    air_c: Range | None = None
    wind_ms: float | None = None
    energy_kwh: Range | None = None
    amounts: tuple[SourceAmounts, ...] = ()
    keep_energy_kwh: Range | None = None
    keep_amounts: tuple[SourceAmounts, ...] = ()


@dataclass(frozen=True, slots=True)
class WeatherSpell:
    """Hours in a row in which the weather does not simply let the joint be welded, for the same rules.

    `reasons`: the rules, the worst first, each with its worst figure of the spell; the edges put them into words.
    """

    start_utc: datetime
    end_utc: datetime
    state: WeatherState
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class JointPlan:
    """Everything the plan says about one joint.

    Attributes:
        joint: as it was planned from.
        shift_key: `YYYY-MM-DD name` of the shift that holds the planned start; None: outside every shift.
        call: the heat call by predicted steel temperature.
        call_by_air: what a rule on air temperature alone would say.
        reasons: why, the most important first; sentences for people.
        unknowns: what is missing; empty unless the call is `unknown` or something else could not be worked out.
        requirement: what the code and the procedure ask, with table, row, clause and basis.
        minimum_c: that applies at the predicted steel temperature, cold side; None: unknown.
        window_start_utc, window_end_utc: the joint is judged over these hours.
        steel: at the worst hour of the window; None: unknown.
        steel_now: at the planned start; None: unknown.
        air: at the coldest hour of the window; None: unknown.
        no_heat_before_utc: struck before it, no heat would be needed; None where that is not so.
        no_heat_after_utc: struck after it, within the window, no heat would be needed; None where that is not so.
        anchored: False while the assumed start of the steel temperature still matters by 1 K or more.
        weather_state: worst of the working hours.
        weather_spells: the hours that are not `go`, with the rules.
        heat: None where no heat is needed or nothing can be said.
        hint: True where `heat` rests on a figure that the site has not accepted (the call is then `unknown`).
        chance: share of the forecast's members whose steel falls below the threshold within the window, 0 to 1; None:
            no members, an hour missing in one of them, the call unknown, or the start still matters. Raw: members lie
            too close together as a rule. It decides nothing.
        members: number of members it was counted over; 0 where there is no chance.
    """

    joint: Joint
    shift_key: str | None
    call: HeatCall
    call_by_air: HeatCall
    reasons: tuple[str, ...]
    unknowns: tuple[str, ...]
    requirement: Requirement
    minimum_c: float | None
    window_start_utc: datetime
    window_end_utc: datetime
    steel: Span | None
    steel_now: Span | None
    air: Span | None
    no_heat_before_utc: datetime | None
    no_heat_after_utc: datetime | None
    anchored: bool
    weather_state: WeatherState
    weather_spells: tuple[WeatherSpell, ...]
    heat: HeatPlan | None
    hint: bool
    chance: float | None = None
    members: int = 0


@dataclass(frozen=True, slots=True)
class FuelTotal:
    """Fuel, oxygen and electric energy of one heat source in one shift, low / likely / high.

    `fuel_kg`, `oxygen_m3` and `energy_kwh` are for heating up, and the cylinders hold their high end; `keep` is for
    keeping warm while it is welded, and takes so many cylinders more. `energy_kwh` and what keeping takes are None in
    plans stored before there was one.
    """

    source_id: str
    fuel_kg: Range
    oxygen_m3: Range
    fuel_cylinders: int | None
    oxygen_cylinders: int | None
    fuel_cylinder: str
    oxygen_cylinder: str
    energy_kwh: Range | None = None
    keep: SourceAmounts | None = None
    keep_fuel_cylinders: int | None = None
    keep_oxygen_cylinders: int | None = None


@dataclass(frozen=True, slots=True)
class ShiftTotal:
    """The workload of one shift. Amounts are "at least" while `unknown` is not 0.

    Attributes:
        key: as in `JointPlan.shift_key`.
        name, day: of the shift; `day` is the local date it starts on.
        start_utc, end_utc: of the shift.
        joints: number of joints whose planned start lies in it (done and postponed ones left out).
        calls: number of joints by call.
        states: number of joints by weather state.
        heat_minutes: torch-minutes.
        torches_at_once: most torches burning at the same time on the slow end, and when.
        torches_at_utc: see above; None where no torch burns.
        torches_there: number of torches on the site, of all sources that are flames.
        hands: people who can hold a torch.
        fuels: by heat source.
        unknown: joints of the shift that are unknown or have no time.
        notes: what people must be told: light-up before the shift, more torches than there are, and so on.
        people: how cold what is left of the shift is for its crew; None where it is over or has no joint, and in plans
            stored before there was one.
        power_kw: most that the electric heaters draw at the same time on the slow end [kW], for the generator.
        power_utc: when that begins; None where none is on.
    """

    key: str
    name: str
    day: date
    start_utc: datetime
    end_utc: datetime
    joints: int
    calls: dict[HeatCall, int]
    states: dict[WeatherState, int]
    heat_minutes: Range
    torches_at_once: int
    torches_at_utc: datetime | None
    torches_there: int
    hands: int
    fuels: tuple[FuelTotal, ...]
    unknown: int
    notes: tuple[str, ...]
    people: PeopleCold | None = None
    power_kw: float = 0.0
    power_utc: datetime | None = None


@dataclass(frozen=True, slots=True, weakref_slot=True)
class Plan:
    """The plan of a site at one moment.

    `joints` holds every joint that is not done or postponed, by light-up time (planned start where there is none), then
    planned start, then mark; `shifts` are by start.
    `outside_shifts` counts those whose planned start lies in no shift. `air_bias` is that of its weather; None in plans
    stored before there was one.
    """

    site: Site
    made_utc: datetime
    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime | None
    freshness: Freshness
    forecast_end_utc: datetime | None
    joints: tuple[JointPlan, ...]
    shifts: tuple[ShiftTotal, ...]
    outside_shifts: int
    warnings: tuple[str, ...]
    attribution: str = ""
    instead_of: str = ""
    feed_changed: FeedChange | None = None
    station: StationHours | None = None
    air_bias: AirBias | None = None
