"""The job as values: site, shifts, joints, parts, procedures, heat sources, readings.

Plain frozen records that every later module reads and none changes. They hold what people typed (in SI, with the
inch kept where a thickness was typed in inches) and the site's choices with their defaults; they know no rule.
Times are aware UTC except `Shift`, whose hours are wall-clock times of the site.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Final, Literal, get_args

from frostshift_rules.code_table import PROCESSES as PROCESSES
from frostshift_rules.code_table import Process as Process
from frostshift_rules.composition import Composition, Restraint
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.tables import OwnTable
from frostshift_rules.work_setup import WorkSetup

CodeUnits = Literal["us", "si", "either"]
PartKind = Literal["plate", "flange_with_web", "touching", "tube"]
Ends = Literal["inside", "edge_to_edge", "all_round"]
Arrangement = Literal["butt", "flange_splice", "tee", "stiffener", "column_splice", "base_plate", "tube"]
Exposure = Literal["open", "half", "covered"]
JointState = Literal["planned", "heating", "in_progress", "done", "postponed"]
Terrain = Literal["open", "suburban", "city"]
FuelName = Literal["propane", "propylene", "acetylene", "mps", "natural_gas"]
SourceKind = Literal["flame", "pad", "induction"]

ARRANGEMENTS: Final[tuple[Arrangement, ...]] = get_args(Arrangement)
PART_KINDS: Final[tuple[PartKind, ...]] = get_args(PartKind)
EXPOSURES: Final[tuple[Exposure, ...]] = get_args(Exposure)
JOINT_STATES: Final[tuple[JointState, ...]] = get_args(JointState)
SOURCE_KINDS: Final[tuple[SourceKind, ...]] = get_args(SourceKind)


@dataclass(frozen=True, slots=True)
class Part:
    """One plate-like piece that meets at the weld.

    Attributes:
        steel: canonical designation such as `A572-50`; None where the schedule does not say.
        thickness_mm: at the point of welding [mm].
        thickness_in: the same in inches where it was typed in inches, so that a code in US units is compared
            with what was typed; else None.
        kind: `plate` is a flat part; `flange_with_web` a flange whose web stands behind the weld; `tube` a tube or box
            wall, not heated from inside; `touching` a flat part that is already one piece with the others.
        reach_mm: distance from the weld to the part's free edge across the weld [mm]; None: wide.
        sides: 1 where the part ends at the weld, 2 where the weld lies on its face with plate on both sides.
        composition: by its certificate; None: not stated. Only methods that go by composition ask for it.
        width_mm: whole width of the part along the weld, from free edge to free edge [mm]; None: not stated.
        web_mm, web_depth_mm: thickness and clear depth of the web behind a flange [mm]; None: not stated.
    """

    steel: str | None
    thickness_mm: float
    thickness_in: float | None = None
    kind: PartKind = "plate"
    reach_mm: float | None = None
    sides: Literal[1, 2] = 1
    composition: Composition | None = None
    width_mm: float | None = None
    web_mm: float | None = None
    web_depth_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Shelter:
    """What a tent or screen gives at the weld: `air_c` [°C] and `wind_ms` [m/s], each None where not stated."""

    air_c: float | None = None
    wind_ms: float | None = None


@dataclass(frozen=True, slots=True)
class SourceUse:
    """So many torches or heaters of one of the site's heat sources."""

    source_id: str
    count: int


@dataclass(frozen=True, slots=True)
class Joint:
    """One weld to be made.

    Attributes:
        mark: unique on the site.
        place: where on the job, free text.
        parts: one to four parts.
        process: None where the schedule's value is missing.
        electrode: classification for SMAW such as `E7018`; decides whether it is low hydrogen.
        hydrogen_ml: highest diffusible hydrogen of the consumable [mL/100 g] (8 for H8); None: not stated.
        procedure: name of the site's welding procedure; None: none.
        weld_length_mm: [mm].
        ends: `edge_to_edge` where the weld runs from one free edge of the parts to the other, `all_round` where it
            closes on itself round a tube, else `inside`.
        start_utc: planned start of welding.
        hours: planned duration of welding [h]; above 0, at most 2,000, which is checked where a schedule is read.
        crew: name of the crew, free text.
        exposure: view of the sky: `open` (both faces together see one whole sky), `half`, `covered`.
        sun: True only where the joint says that the sun shines on it.
        shelter: None where there is none.
        height_m: above ground, for the wind [m].
        torches: heated with so many torches, or heaters, of `heat_source` at once.
        heat_source: id of one of the site's heat sources; None: the site's first.
        heated_length_mm: length of weld heated at a time [mm]; None: the whole weld up to the site's limit.
        both_faces: heated from both faces.
        state: how far the joint is.
        heat_input_kj_mm: arc energy times thermal efficiency [kJ/mm]; None: not stated.
        restraint: how free the parts are to move; stated, hydrogen control is worked out beside the table.
        weld_metal: composition of the weld metal; None: not stated.
        passes: number of passes; None: estimated in layers.
        fracture_critical: the member is fracture-critical; only its welding procedure gives the minimum.
        arrangement: how the parts meet; None: not stated, each part is taken as it is described.
        welded: the parts are already one piece (root pass made, repair, reheat), so that they share their heat.
        also_heated: what heats it at the same time beside the torches of `heat_source`.
        after: marks of the joints that have to be finished in an earlier shift.
        not_before_utc, finish_by_utc: welding may not start earlier, and has to be over; None: not stated.
        pinned: an order of work may move it to no other shift or crew.
    """

    mark: str
    place: str
    parts: tuple[Part, ...]
    process: Process | None
    electrode: str | None
    hydrogen_ml: float | None
    procedure: str | None
    weld_length_mm: float
    ends: Ends
    start_utc: datetime
    hours: float
    crew: str = ""
    exposure: Exposure = "open"
    sun: bool = False
    shelter: Shelter | None = None
    height_m: float = 10.0
    torches: int = 1
    heat_source: str | None = None
    heated_length_mm: float | None = None
    both_faces: bool = False
    state: JointState = "planned"
    heat_input_kj_mm: float | None = None
    restraint: Restraint | None = None
    weld_metal: Composition | None = None
    passes: int | None = None
    fracture_critical: bool = False
    arrangement: Arrangement | None = None
    welded: bool = False
    also_heated: tuple[SourceUse, ...] = ()
    after: tuple[str, ...] = ()
    not_before_utc: datetime | None = None
    finish_by_utc: datetime | None = None
    pinned: bool = False


@dataclass(frozen=True, slots=True)
class Procedure:
    """One welding procedure of the job.

    `minimum_c` goes before the code table upwards always; downwards only where `qualified_by_test`, and then it
    replaces the table row, never the cold-steel floor, the extent or a stop. None: the procedure does not say.

    `steels` (canonical, `A588-*` for every grade; empty: any), `from_mm` to `to_mm` (thickest part, inclusive; None:
    open) and `process` say what it covers. Outside, it answers nothing.
    """

    name: str
    minimum_c: float | None = None
    maximum_c: float | None = None
    qualified_by_test: bool = False
    steels: tuple[str, ...] = ()
    from_mm: float | None = None
    to_mm: float | None = None
    process: Process | None = None


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A site's word that a code table was checked against its own copy of the code.

    `fingerprint` is that of the text that was checked, for a table of the site's own; empty for one that ships, whose
    file never changes.
    """

    table_id: str
    accepted_by: str
    accepted_on: date
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift in wall-clock time; `end <= start` means that it ends on the next day.

    `days` are ISO weekdays (1 Monday ... 7 Sunday) on which it starts. `hands` is the number of people who can hold
    a heating torch.
    """

    name: str
    start: time
    end: time
    days: frozenset[int] = frozenset({1, 2, 3, 4, 5, 6, 7})
    hands: int = 2


@dataclass(frozen=True, slots=True)
class MeasuredShare:
    """Where a share comes from that a site measured itself: so many heatings, the day of the last, and by whom."""

    heatings: int
    on: date
    by: str


@dataclass(frozen=True, slots=True)
class HeatSource:
    """A kind of torch set or electric heater.

    Attributes:
        id: short name used in schedules.
        name: as shown.
        fuel: key of the gases table; None for an electric heater.
        net_kw: heat rate of one torch, NET (lower) heating value, or electric rating of one heater [kW].
        share_low, share_likely, share_high: share of that heat that reaches the steel in little wind, with its band; an
            estimate, or of the site's own heatings where `measured` says so.
        oxygen_ratio: torch oxygen to fuel by volume; None: the planning ratio of the gases table; 0: air torch. None
            for an electric heater.
        count: how many there are on the site.
        kind: `flame`; `pad`, a resistance heating pad; `induction`.
        area_m2: steel that one electric heater covers [m2]; None: not stated, then nobody can check that they cover
            what has to be heated. None for a flame, which is led.
        measured: the site's own heatings behind the shares; None: an estimate.
    """

    id: str
    name: str
    fuel: FuelName | None
    net_kw: float
    share_low: float = 0.25
    share_likely: float = 0.35
    share_high: float = 0.50
    oxygen_ratio: float | None = None
    count: int = 1
    kind: SourceKind = "flame"
    area_m2: float | None = None
    measured: MeasuredShare | None = None

    @property
    def electric(self) -> bool:
        """Whether it draws current and burns nothing."""
        return self.kind != "flame"


Stage = Literal["before_heat", "before_arc", "between_passes"]
"""When in the work a temperature was measured; `before_arc` is with the heat in, just before the first arc."""
Sense = Literal["measured", "at_least", "below"]
"""What a reading says: the figure; or, by a crayon, that it melted (steel at least so warm) or did not (below it)."""
STAGES: Final[tuple[Stage, ...]] = get_args(Stage)
SENSES: Final[tuple[Sense, ...]] = get_args(Sense)


@dataclass(frozen=True, slots=True)
class Reading:
    """A temperature somebody measured on the steel of a joint.

    Attributes:
        mark: of the joint.
        steel_c: figure of the instrument, or rating of the crayon [°C].
        at_utc: when it was measured.
        instrument: what with, for people.
        by: who read it.
        stage: when in the work.
        sense: what the figure says.
        pass_no: pass that was about to be welded, from 1 on; None: not between passes, or not told.
        point: where on the joint, for people.
    """

    mark: str
    steel_c: float
    at_utc: datetime
    instrument: str = ""
    by: str = ""
    stage: Stage = "before_heat"
    sense: Sense = "measured"
    pass_no: int | None = None
    point: str = ""

    @property
    def is_of_cold_steel(self) -> bool:
        """Whether a predicted temperature may go on from it: the steel's own, before any heat, as a figure."""
        return self.stage == "before_heat" and self.sense == "measured"


@dataclass(frozen=True, slots=True)
class AirReading:
    """The air temperature that a thermometer at the site showed [°C], at 2 m, in the shade, away from heaters."""

    air_c: float
    at_utc: datetime


@dataclass(frozen=True, slots=True)
class Choices:
    """The site's settings of the plan; every default is our choice unless a source is named beside it in the manual.

    Attributes:
        slip_hours: allowance after the planned end over which a joint is still judged [h].
        doubt_k: half-width of a predicted temperature within a day of a fresh forecast [K].
        doubt_per_day_k: added per day of lead beyond the first [K].
        doubt_per_late_hour_k: added per hour of forecast age beyond late [K].
        overheat_k: target above the minimum [K].
        setup_minutes: from arriving at the joint to a burning torch [min].
        margin_mm: heated beyond the zone that must be warm [mm].
        segment_mm: longest weld length heated at a time with one torch where the joint does not say [mm].
        least_rain_mm_h: precipitation below this stops nobody [mm/h].
        drying_hours: open steel counts as wet for so long after precipitation [h].
        start_span_k: how far the true steel temperature may lie from an assumed start [K].
        h_band: relative band of the convection coefficient.
        hottest_c: hottest metal while heating where neither code nor procedure states a maximum [°C].
        correct_forecast: False: the site's thermometer is shown beside the forecast and changes nothing. True by
            default, since it can only make the forecast colder (see `air_correction.py`).
        air_average_hours: time constant with which older air readings count less [h].
        air_fade_hours: time constant with which the correction fades out after the last reading [h].
    """

    slip_hours: float = 2.0
    doubt_k: float = 3.0
    doubt_per_day_k: float = 0.5
    doubt_per_late_hour_k: float = 0.25
    overheat_k: float = 25.0
    setup_minutes: float = 10.0
    margin_mm: float = 30.0
    segment_mm: float = 600.0
    least_rain_mm_h: float = 0.2
    drying_hours: float = 2.0
    start_span_k: float = 20.0
    h_band: float = 0.3
    hottest_c: float = 450.0
    correct_forecast: bool = True
    air_average_hours: float = 3.0
    air_fade_hours: float = 6.0


@dataclass(frozen=True, slots=True)
class Site:
    """One job at one place."""

    id: str
    name: str
    latitude: float
    longitude: float
    altitude_m: float | None
    zone: str
    table_id: str
    code_units: CodeUnits
    shifts: tuple[Shift, ...]
    heat_sources: tuple[HeatSource, ...]
    procedures: tuple[Procedure, ...] = ()
    acceptances: tuple[Acceptance, ...] = ()
    last_nights_low_c: float | None = None
    terrain: Terrain = "open"
    choices: Choices = field(default_factory=Choices)
    own_tables: tuple[OwnTable, ...] = ()
    gas: GasSetup = field(default_factory=GasSetup)
    work: WorkSetup = field(default_factory=WorkSetup)

    @property
    def accepted_ids(self) -> frozenset[str]:
        """Ids of the tables that the site has accepted as they are now."""
        return frozenset(one.table_id for one in self.acceptances if self.acceptance(one.table_id) is one)

    def acceptance(self, table_id: str) -> Acceptance | None:
        """The acceptance of a table as it is now; None for none, or one of an earlier text of the site's own table."""
        found = next((one for one in self.acceptances if one.table_id == table_id), None)
        own = next((table for table in self.own_tables if table.id == table_id), None)
        if found is None or (own is not None and own.fingerprint != found.fingerprint):
            return None
        return found

    def procedure(self, name: str | None) -> Procedure | None:
        """The procedure of that name, or None."""
        return next((p for p in self.procedures if p.name == name), None)

    def heat_source(self, source_id: str | None) -> HeatSource | None:
        """The heat source of that id, the site's first for None; None where there is no such source."""
        if source_id is None:
            return self.heat_sources[0] if self.heat_sources else None
        return next((s for s in self.heat_sources if s.id == source_id), None)
