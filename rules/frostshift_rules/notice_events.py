"""What a notice says, as values; the edges put it into words.

`Told` is what people have been told of a site, or could have known when nothing was to be told yet. A plan is held
against it and not against the plan before: a change that creeps in over ten forecasts is one change, and a forecast
that goes to and fro is none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from frostshift_rules.job import Sense
from frostshift_rules.notice_setup import FIRST, ORDER, Kind, Urgency
from frostshift_rules.workload import Freshness, HeatCall, Range, Span, WeatherState


@dataclass(frozen=True, slots=True)
class JointNow:
    """One joint as it stands now, as far as a notice says it.

    Attributes:
        mark, place: of the joint.
        start_utc, light_up_utc: light-up None where there is none.
        call, weather_state: now.
        was_call, was_state, was_light_up_utc, was_minimum_c, was_start_utc: as people were told last; None: nothing was
            told of it, or it was not kept.
        minimum_c, target_c: [°C]; None: unknown, or no heat.
        minutes: of the torch before the first arc [min]; None: no time.
        steel: predicted, at the worst hour; None: unknown.
        reason: why, the most important sentence of the plan.
        stop_from_utc, stop_until_utc: the first spell of the weather in which nothing may be welded; None: none.
        stops: all such spells that are not over, within the hours the joint may take, begin and end.
        crew, was_crew: whose it is, and whose it was when it was told; None: not kept, or the same.
    """

    mark: str
    place: str
    start_utc: datetime
    light_up_utc: datetime | None
    call: HeatCall
    weather_state: WeatherState
    was_call: HeatCall | None
    was_state: WeatherState | None
    was_light_up_utc: datetime | None
    minimum_c: float | None
    target_c: float | None
    minutes: Range | None
    steel: Span | None
    reason: str
    stop_from_utc: datetime | None = None
    stop_until_utc: datetime | None = None
    was_minimum_c: float | None = None
    was_start_utc: datetime | None = None
    stops: tuple[tuple[datetime, datetime], ...] = ()
    crew: str | None = None
    was_crew: str | None = None


@dataclass(frozen=True, slots=True)
class FrontSeen:
    """A fall of the air, as `fronts.fronts` finds it.

    Attributes:
        begin_utc: last hour in which less than a tenth of the fall has come.
        end_utc: first hour in which all but a tenth of it has.
        from_c, to_c: highest air before and lowest after [°C].
        steepest_k_h: largest fall from one hour to the next [K/h].
    """

    begin_utc: datetime
    end_utc: datetime
    from_c: float
    to_c: float
    steepest_k_h: float


@dataclass(frozen=True, slots=True)
class AlertSeen:
    """An official warning of the weather service about cold, wind, snow or ice.

    Attributes:
        headline: for people, in the service's own words.
        onset_utc, ends_utc: of the event; None: the service does not say, it holds from now on, or without an end.
    """

    headline: str
    onset_utc: datetime | None = None
    ends_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class GasOut:
    """A kind of cylinder that runs out before a delivery; as `gas_order.OrderLine` has it."""

    kind: str
    count: int
    runs_out: date
    order_by: date | None
    delivery: date | None


@dataclass(frozen=True, slots=True)
class Starving:
    """Cylinders that will not give the gas of a shift, or of which more have to feed together than was told.

    Attributes:
        cylinder: name of the kind.
        together: that have to feed together; None: no number does.
        was_together: as told; None: nothing was told, or no number did.
        coldest_c: coldest air counted on [°C]; None: not known.
        reason: why no number does; empty where one does.
    """

    cylinder: str
    together: int | None
    was_together: int | None
    coldest_c: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class ForecastAge:
    """A forecast that got late or cannot be used, or is fresh again; `problem`: why nothing is planned at all."""

    freshness: Freshness
    was: Freshness
    issued_utc: datetime | None
    fetched_utc: datetime | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class LowReading:
    """A reading below the minimum of a joint that is being heated or welded [°C]; by a crayon `sense` is `below`."""

    mark: str
    place: str
    steel_c: float
    minimum_c: float
    at_utc: datetime
    sense: Sense = "measured"


@dataclass(frozen=True, slots=True)
class AddressOff:
    """An address that refused for good, so that nothing is sent to it any more.

    Attributes:
        person: name of whose it is.
        address: as shown: a web address by its host alone.
        reason: what its server said.
    """

    person: str
    address: str
    reason: str


@dataclass(frozen=True, slots=True)
class Event:
    """One thing to tell a crew about a shift.

    Attributes:
        kind: what it is about.
        urgency: how long it may wait.
        by_utc: when something has to be done, the earliest; None: no such time.
        joints: the joints it is about, by light-up.
        front, gas, starving, forecast, reading, address: what it is about else; one at most.
        alerts: headlines of official warnings of the weather service that hold then.
    """

    kind: Kind
    urgency: Urgency
    by_utc: datetime | None
    joints: tuple[JointNow, ...] = ()
    front: FrontSeen | None = None
    gas: GasOut | None = None
    starving: Starving | None = None
    forecast: ForecastAge | None = None
    reading: LowReading | None = None
    address: AddressOff | None = None
    alerts: tuple[str, ...] = ()


def said_first(event: Event) -> tuple[int, int]:
    """Sorts the events of a notice: the most urgent first, of equally urgent ones what matters most."""
    return ORDER.index(event.urgency), FIRST.index(event.kind)


@dataclass(frozen=True, slots=True)
class Notice:
    """All that is to be told about one crew and shift at one moment, the most urgent first.

    Attributes:
        key: the same whoever decides it and however often: made of what is told, not of when.
        crew: name of the crew; empty: it concerns the site.
        shift_key: as in `JointPlan.shift_key`; None: no shift.
        shift_name, shift_day: of the shift; empty and None: no shift.
        shift_start_utc, shift_end_utc: of the shift; None: no shift.
        events: at least one.
        decided_utc: when.
        freshness, issued_utc: of the forecast.
    """

    key: str
    crew: str
    shift_key: str | None
    shift_name: str
    shift_day: date | None
    shift_start_utc: datetime | None
    shift_end_utc: datetime | None
    events: tuple[Event, ...]
    decided_utc: datetime
    freshness: Freshness
    issued_utc: datetime | None

    @property
    def urgency(self) -> Urgency:
        """Of the most urgent event."""
        return self.events[0].urgency

    @property
    def by_utc(self) -> datetime | None:
        """The earliest time by which something has to be done; None: no such time."""
        return min((one.by_utc for one in self.events if one.by_utc is not None), default=None)


@dataclass(frozen=True, slots=True)
class ToldJoint:
    """What people know of one joint.

    Attributes:
        call, weather_state, light_up_utc: as told, or as they stood when nothing was to be told yet.
        easier_since_utc: it has been easier than told since then; None: it is not.
        told: whether anybody was told, or it only stood in the plan.
        group: crew and shift that the joint belonged to then (`CREW|SHIFT`); empty: not kept.
        minimum_c: as told [°C]; None: the call named none, or it was not kept.
        stops: spells, begin and end, in which the weather forbids welding it, as told; empty: none, or not kept.
        start_utc: planned start, as told; None: not kept.
    """

    call: HeatCall
    weather_state: WeatherState
    light_up_utc: datetime | None
    easier_since_utc: datetime | None = None
    told: bool = False
    group: str = ""
    minimum_c: float | None = None
    stops: tuple[tuple[datetime, datetime], ...] = ()
    start_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What people know of a site; as a whole it is kept between two decisions.

    Attributes:
        joints: by mark.
        fronts: by crew and shift (`CREW|SHIFT`): the front told of.
        shifts: crews and shifts whose needs were told, in the same form.
        together: by shift and cylinder (`SHIFT|KIND`): cylinders that were told have to feed together; 0: no number.
        gas: by kind: first day told of on which it runs out.
        forecast: as told.
        readings: until this moment readings were looked at; None: none yet.
        low: readings that were told (`MARK|TIME`), as long as they could be told again.
        too_late: kinds of cylinders of which was told that an order comes too late.
        late_told_utc: when it was told last that the forecast is late; None: never, or not kept.
        number: notices that were decided so far; goes into their keys, so that the same news at another time is another
            notice, while two copies of the service that decide on the same knowledge give the same.
    """

    joints: Mapping[str, ToldJoint] = field(default_factory=dict)
    fronts: Mapping[str, FrontSeen] = field(default_factory=dict)
    shifts: tuple[str, ...] = ()
    together: Mapping[str, int] = field(default_factory=dict)
    gas: Mapping[str, date] = field(default_factory=dict)
    forecast: Freshness = "fresh"
    readings: datetime | None = None
    low: tuple[str, ...] = ()
    too_late: tuple[str, ...] = ()
    number: int = 0
    late_told_utc: datetime | None = None
