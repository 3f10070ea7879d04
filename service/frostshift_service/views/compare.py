"""The same joints heated in other ways, in words: time, hands, gas, current, cylinders, cost, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from frostshift_rules.gas import gas
from frostshift_rules.gas_bank import Bank
from frostshift_rules.gas_demand import OXYGEN, GasDemand
from frostshift_rules.heat_compare import MOST_JOINTS, Comparison, JointStatus, JointWay, Way, WayGas, Where
from frostshift_rules.job import Site
from frostshift_rules.totals import NONE
from frostshift_rules.workload import JointPlan, Plan, Range, ShiftTotal
from frostshift_service.views.gas import GAS_CAUTIONS, USES
from frostshift_service.views.sheet import Header, header
from frostshift_service.views.show import (
    Amount,
    Moment,
    Show,
    day_text,
    duration,
    number,
    optional,
    plural,
    trimmed,
)
from frostshift_service.views.words import CALLS, CAUTIONS, WEATHER, Caution, Word, heaters_text


@dataclass(frozen=True, slots=True)
class ComparedJoint:
    """A joint that is compared: when it is to be welded, what the plan calls it, and why it is in no figure.

    `note` is empty where at least the plan's need of heat is known.
    """

    mark: str
    place: str
    start: Moment
    call: Word
    weather: Word
    note: str


@dataclass(frozen=True, slots=True)
class TakenGas:
    """One gas of a way.

    Attributes:
        gas: its name.
        total: of it; `uses` what for.
        cylinders: whole ones for the high end, in words; `count` None: it comes in no cylinder that is known.
        together: how many have to feed together, in words; empty for oxygen and without a cylinder. `verdict` as in
            `gas_bank.Bank`, empty without one.
    """

    gas: str
    total: Amount
    uses: tuple[tuple[str, Amount], ...]
    count: int | None
    cylinders: str
    verdict: str
    together_count: int | None
    together: str


@dataclass(frozen=True, slots=True)
class JointWayLine:
    """One joint by one way; `reason` says why there is no time, `taken` gas and current in words."""

    mark: str
    status: JointStatus
    heaters_text: str
    minutes: Amount | None
    total: Amount | None
    light_up: Moment | None
    hold_text: str
    gases: tuple[tuple[str, Amount], ...]
    energy: Amount | None
    taken: str
    reason: str


@dataclass(frozen=True, slots=True)
class WayView:
    """One way of heating the joints; amounts are None, and texts empty, where there is nothing to say.

    Attributes:
        name: `as planned`, or the heat source; `where` its code, `where_text` its words.
        without: marks that it gives no time for; `without_text` as a sentence, empty where it does all.
        longest: heating before the first arc of the joint that takes longest.
        minutes: the same of all joints added up; `total` over all lengths of their welds.
        light_up: of the first torch or heater.
        hold_text: short end of the hold that ends first.
        hands: people who hold a torch at one time; `hands_text` with what stands by itself.
        gases: what is burned.
        energy, power, diesel: of electric heaters.
        cost: in the site's currency; `cost_text` says it, or why there is none.
        notes: what else has to be known of it; sentences.
        joints: each of them.
    """

    name: str
    where: Where
    where_text: str
    without: tuple[str, ...]
    without_text: str
    longest: Amount | None
    minutes: Amount | None
    total: Amount | None
    light_up: Moment | None
    hold_text: str
    hands: int
    hands_text: str
    gases: tuple[TakenGas, ...]
    energy: Amount | None
    power_kw: float
    power: str
    diesel: str
    cost: Amount | None
    cost_text: str
    notes: tuple[str, ...]
    joints: tuple[JointWayLine, ...]


@dataclass(frozen=True, slots=True)
class ShiftChoice:
    """A shift whose joints can be compared: their marks with the words of their calls, and which are shown now."""

    key: str
    title: str
    joints: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class ComparePage:
    """The page.

    Attributes:
        header: where the figures come from.
        title: which joints; empty where nothing is asked for yet.
        shift: key of the shift that was asked for; None: joints by mark.
        joints: those compared; `no_heat_text` names others of the shift that need no heat.
        nothing: why there is no way to show; empty where there is one.
        at_least: which joints are in no way's figures, since their need of heat is not known; empty for none.
        ways: side by side, the planned one first.
        choices: what can be compared.
        most_joints: at a time.
        left_out: what is in no figure; `sources` what they rest on.
        cautions: standing cautions.
    """

    header: Header
    title: str
    shift: str | None
    joints: tuple[ComparedJoint, ...]
    no_heat_text: str
    nothing: str
    at_least: str
    ways: tuple[WayView, ...]
    choices: tuple[ShiftChoice, ...]
    most_joints: int
    left_out: tuple[str, ...]
    sources: tuple[str, ...]
    cautions: tuple[Caution, ...]


WHERE: Final[dict[Where, str]] = {
    "planned": "each joint as the schedule has it",
    "on_site": "on the site",
    "library": "not on the site; a usual one is taken",
}
DECIDES: Final = Caution(
    "This compares estimates. Which way of heating is allowed, and with which controls, the welding procedure, the hot "
    "work permit and the site decide."
)
ELECTRIC_CAUTIONS: Final = (
    Caution(
        "Electric heaters: sound leads, dry connections, ground-fault protection where it is asked for; power off "
        "before anybody moves a pad or a cable. Pads and leads stay hot.",
        "29 CFR 1926.404(b)(1)",
    ),
    Caution("Induction: nobody with a pacemaker or another implant near it; rings and watches off."),
)
_BY_GAS: Final = {one.clause for one in GAS_CAUTIONS if one.clause}
COMPARE_CAUTIONS: Final = (
    DECIDES,
    *(one for one in CAUTIONS if one.clause not in _BY_GAS),
    *GAS_CAUTIONS,
    *ELECTRIC_CAUTIONS,
)
"""A standing caution that the gas page says by the same clause is not said twice."""
LEFT_OUT: Final = (
    "Amounts hold heating, drying, keeping warm, the gas let go at each light-up and torches that wait, as on the gas "
    "page. Other use of the site on the same cylinders is not in them.",
    "Cost is that gas and that current alone, by the site's price of a full cylinder and of a kWh. Wages, rental, "
    "delivery, hire of heaters, power sources and generators, their diesel, and what goes back in part-used cylinders "
    "are not in it.",
    "Placing and taking off heaters, leads and insulation takes longer than the set-up of a torch: it is in no time.",
)
SOURCES: Final = (
    "Every way is a heat plan of its own in the same weather, by the same rules for minimum, target and band. Torches "
    "and heaters are the fewest that give a time, from 1 to 4 torches and up to 40 heaters; a joint that is planned "
    "with a source alone keeps its own number in the way of that source.",
    "The share of the heat that reaches the steel is an estimate for every source, unless the site has measured its "
    "own: it decides more than the fuel does. Weigh a cylinder, or time a heating, before you buy for a way.",
    "A thermostat that switches a heater off saves current; all of it is counted here. What wind takes from the back "
    "of a heater is not known.",
    "Cylinders feed together from the first flame of a shift to its last, full at the start, in the forecast's air "
    "less the site's doubt.",
)


def compare_page(
    found: Comparison | None,
    plan: Plan,
    show: Show,
    now: datetime,
    *,
    shift: str | None = None,
    no_heat: Sequence[str] = (),
) -> ComparePage:
    """The page of a comparison.

    Args:
        found: None: nothing is asked for yet, or nothing of the shift needs heat.
        plan: the latest.
        show: units and zone.
        now: aware UTC.
        shift: key of the shift that was asked for.
        no_heat: marks of joints of the shift that are left out, since they need no heat.
    """
    joints = () if found is None else found.joints
    marks = {one.joint.mark for one in joints}
    of_shift = next((one for one in plan.shifts if one.key == shift), None)
    wanted = () if found is None else found.ways
    there = bool(wanted) and any(one.status in ("timed", "no_time") for way in wanted for one in way.joints)
    ways = tuple(_way(one, plan, joints, show) for one in wanted) if there else ()
    unknown = wanted[0].marks("unknown") if wanted else ()
    nothing = ""
    if shift is not None and not joints:
        nothing = "No joint of this shift needs heat." if no_heat else "No joint starts in this shift."
    elif joints and not there:
        nothing = "There is nothing to compare: none of these joints is known to need heat."
    return ComparePage(
        header=header(plan, show, now),
        title=_shift_title(of_shift) if of_shift else plural(len(joints), "joint") if joints else "",
        shift=shift,
        joints=tuple(_compared(one, show) for one in joints),
        no_heat_text=f"{plural(len(no_heat), 'joint')} of the shift need no heat: {', '.join(no_heat)}."
        if len(no_heat) > 1
        else f"{no_heat[0]} of the shift needs no heat."
        if no_heat
        else "",
        nothing=nothing,
        at_least=f"At least: nothing is counted, by any way, for {', '.join(unknown)}." if ways and unknown else "",
        ways=ways,
        choices=tuple(_choices(plan, marks)),
        most_joints=MOST_JOINTS,
        left_out=LEFT_OUT if ways else (),
        sources=SOURCES if ways else (),
        cautions=COMPARE_CAUTIONS,
    )


def _shift_title(shift: ShiftTotal) -> str:
    return f"{day_text(shift.day)}, {shift.name} shift"


def _choices(plan: Plan, marks: set[str]) -> list[ShiftChoice]:
    """The shifts that are not over and have a joint, then joints outside every shift."""

    def choice(key: str | None, title: str) -> ShiftChoice:
        of_key = [one for one in plan.joints if one.shift_key == key]
        lines = tuple((one.joint.mark, CALLS[one.call].text, one.joint.mark in marks) for one in of_key)
        return ShiftChoice(key or "", title, lines)

    shifts = [choice(one.key, _shift_title(one)) for one in plan.shifts if one.end_utc > plan.made_utc]
    return [one for one in [*shifts, choice(None, "Outside every shift")] if one.joints]


def _compared(plan: JointPlan, show: Show) -> ComparedJoint:
    note = ""
    if plan.heat is None:
        note = " ".join(plan.unknowns or plan.reasons)
    elif plan.hint:
        note = "Its minimum rests on a figure that the site has not accepted yet."
    elif plan.call == "measure":
        note = "It may need no heat: its low end counts as nothing."
    return ComparedJoint(
        mark=plan.joint.mark,
        place=plan.joint.place,
        start=show.moment(plan.joint.start_utc),
        call=CALLS[plan.call],
        weather=WEATHER[plan.weather_state],
        note=note,
    )


# One way --------------------------------------------------------------------------------------------------------------


def _way(way: Way, plan: Plan, joints: Sequence[JointPlan], show: Show) -> WayView:
    electric, without = way.energy_kwh != NONE, way.marks("no_time")
    timed = len(way.marks("timed"))
    return WayView(
        name="as planned" if way.source is None else way.source.name,
        where=way.where,
        where_text=_where(way, show),
        without=without,
        without_text=f"No time for {len(without)} of {timed + len(without)}: {', '.join(without)}." if without else "",
        longest=optional(show.minutes, way.longest),
        minutes=optional(show.minutes, way.minutes),
        total=optional(show.minutes, way.total_minutes),
        light_up=optional(show.moment, way.light_up_utc),
        hold_text="" if way.hold_low_minutes is None else duration(way.hold_low_minutes, "down"),
        hands=way.hands,
        hands_text=_hands(way) if timed else "",
        gases=tuple(_gas(one, show) for one in way.gases),
        energy=show.energy(way.energy_kwh) if electric else None,
        power_kw=way.power_kw,
        power=f"{trimmed(way.power_kw, 1)} kW at once" if electric else "",
        diesel=show.diesel_text(way.diesel_l.high) if electric else "",
        cost=optional(_cost, way.cost, plan.site),
        cost_text=" ".join(way.no_cost) if way.cost is None else _cost(way.cost, plan.site).text,
        notes=tuple(_notes(way, plan, joints)),
        joints=tuple(_joint(one, show) for one in way.joints),
    )


def _where(way: Way, show: Show) -> str:
    source = way.source
    if source is None:
        return WHERE[way.where]
    if way.where == "on_site":
        return f"{source.count} {WHERE['on_site']}"
    return f"{WHERE['library']}, {show.rate_text(source)}"


def _hands(way: Way) -> str:
    said = []
    if way.flames_at_once:
        held = (
            "1 torch at a time, 1 person"
            if way.hands == 1
            else f"{way.flames_at_once} torches at once, {way.hands} people"
        )
        said.append(f"{held} to hold {'it' if way.hands == 1 else 'them'}")
    if way.heaters_at_once:
        said.append(f"{plural(way.heaters_at_once, 'heater')} at once: nobody holds them, somebody places and watches")
    return "; ".join(said)


def _gas(one: WayGas, show: Show) -> TakenGas:
    demand, bank = one.demand, one.worst
    return TakenGas(
        gas=_gas_name(demand),
        total=_amount(demand.gas, demand.total, show),
        uses=tuple((USES[use], _amount(demand.gas, amount, show)) for use, amount in demand.uses.items()),
        count=one.count,
        cylinders=_cylinders(one),
        verdict="" if bank is None else bank.verdict,
        together_count=None if bank is None else bank.together,
        together="" if bank is None else _together(bank, show),
    )


def _cylinders(one: WayGas) -> str:
    if one.cylinder is None:
        return "not counted in cylinders: ask the supplier"
    return f"{one.count} × {one.cylinder.name}{' by the amount' if one.worst else ''}"


def _gas_name(demand: GasDemand) -> str:
    return "oxygen" if demand.gas == OXYGEN else gas(demand.gas).name


def _amount(of_gas: str, span: Range, show: Show) -> Amount:
    return show.volume(span) if of_gas == OXYGEN else show.mass(span)


def _together(bank: Bank, show: Show) -> str:
    if bank.verdict in ("enough", "limit"):
        one_line = f"{bank.together} feed together" if bank.together != 1 else "1 feeds alone"
        return f"{one_line}, by the limit of its contents" if bank.verdict == "limit" else one_line
    if bank.verdict == "another_way" and bank.coldest_c is not None and bank.starvation_c is not None:
        return (
            f"not enough on one line in this cold: air down to {show.temp_text(bank.coldest_c, 'down')} is counted on, "
            f"and with liquid below {show.temp_text(bank.starvation_c)} the torches starve"
        )
    reason = f"{bank.reason[:1].lower()}{bank.reason[1:]}".rstrip(".")
    return f"{'not enough' if bank.verdict == 'another_way' else 'not known how many feed together'}: {reason}"


_WHOLE_FROM: Final = 20.0
"""A likely cost from here on is said without its hundredths."""


def _cost(cost: Range, site: Site) -> Amount:
    digits = 0 if cost.likely >= _WHOLE_FROM else 2
    low, likely, high = number(cost.low, digits, "down"), number(cost.likely, digits), number(cost.high, digits, "up")
    currency = site.gas.currency
    short = f"{low} to {high} {currency}".rstrip()
    return Amount(cost.low, cost.likely, cost.high, currency, f"{short}, likely {likely}", short)


def _notes(way: Way, plan: Plan, joints: Sequence[JointPlan]) -> list[str]:
    starving = [_gas_name(one.demand) for one in way.gases if one.worst and one.worst.verdict == "another_way"]
    notes = [f"Its cylinders do not give enough {name} in this cold." for name in starving]
    source = way.source
    at_once = way.flames_at_once or way.heaters_at_once
    if way.where == "on_site" and source is not None and at_once > source.count:
        notes.append(f"{at_once} are needed at once, {source.count} are on the site.")
    keys = {one.shift_key for one in joints}
    fewest = min((one for one in plan.shifts if one.key in keys), key=lambda one: one.hands, default=None)
    if fewest is not None and way.hands > fewest.hands:
        notes.append(
            f"{way.hands} torches at once are more than the {plural(fewest.hands, 'person', 'people')} who can hold "
            f"one in the {fewest.name} shift of {day_text(fewest.day)}."
        )
    if source is not None and source.electric and source.area_m2 is None and way.marks("timed"):
        notes.append("What one covers is not stated: nobody has checked that they lie on all that has to be heated.")
    early = [one.mark for one in way.joints if one.status == "timed" and one.heat and one.heat.earliest_arc_utc]
    if early:
        lit = "its light-up is" if len(early) == 1 else "their light-ups are"
        notes.append(f"{', '.join(early)}: {lit} past, or before anybody is there.")
    return notes


def _joint(one: JointWay, show: Show) -> JointWayLine:
    heat = one.heat if one.status == "timed" else None
    gases = tuple((_gas_name(gas_of), _amount(gas_of.gas, gas_of.total, show)) for gas_of in one.gases)
    energy = show.energy(one.energy_kwh) if one.energy_kwh != NONE else None
    taken = [f"{name} {amount.short}" for name, amount in gases]
    return JointWayLine(
        mark=one.mark,
        status=one.status,
        heaters_text=heaters_text(one.used),
        minutes=None if heat is None else optional(show.minutes, heat.minutes),
        total=None if heat is None else optional(show.minutes, heat.total_minutes),
        light_up=None if heat is None else optional(show.moment, heat.light_up_utc),
        hold_text=duration(heat.hold_minutes.low, "down") if heat is not None and heat.hold_minutes else "",
        gases=gases,
        energy=energy,
        taken="; ".join([*taken, *([energy.short] if energy else [])]),
        reason=one.reason,
    )


def heated_marks(page: ComparePage) -> list[str]:
    """Marks of the joints that are known to need heat, each of which has lines to hold side by side."""
    lines = page.ways[0].joints if page.ways else ()
    return [line.mark for line in lines if line.status in ("timed", "no_time")]


def ways_of(page: ComparePage, mark: str) -> list[tuple[WayView, JointWayLine]]:
    """One joint by every way, for a table of its own."""
    return [(way, line) for way in page.ways for line in way.joints if line.mark == mark]
