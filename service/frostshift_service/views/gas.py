"""Gas of the next shifts in words: what to order by when, what each shift takes, how many cylinders feed together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from frostshift_rules.gas import gas
from frostshift_rules.gas_bank import Bank
from frostshift_rules.gas_demand import OXYGEN, ShiftDemand, Use
from frostshift_rules.gas_order import Advice, OrderLine, RunsOut
from frostshift_rules.gas_plan import GasPlan, OxygenShift
from frostshift_rules.job import Site
from frostshift_rules.stock import KindStock
from frostshift_rules.totals import NONE
from frostshift_rules.workload import Plan, Range
from frostshift_service.stock_form import kind_of, kinds_of
from frostshift_service.views.gas_headline import headline
from frostshift_service.views.sheet import Header, header
from frostshift_service.views.show import Amount, Moment, Show, day_text, duration, number, plural
from frostshift_service.views.words import Caution


@dataclass(frozen=True, slots=True)
class OrderView:
    """One kind of cylinder: what to do, and what it rests on.

    Attributes:
        kind, name: id and name of the cylinders.
        advice: as in `gas_order.OrderLine`; `headline` says it.
        count: cylinders to order, 0 for none; `order_by`, `delivery`, `lasts_until`: days, None for none; `days` says
            them, `order_by_text` and `delivery_text` one each.
        there: what is on site, in words; `coming`: each open order.
        on_hand: what can be drawn of it; None: nobody wrote it down.
        usable: what the count relies on of a full one.
        runs_out_likely, runs_out_high: when, in words, or that it is not known.
        known: how far the demand is known, in words.
        money: rental and cost, as far as prices are stated.
        notes: sentences.
    """

    kind: str
    name: str
    advice: Advice
    headline: str
    count: int
    order_by: date | None
    delivery: date | None
    lasts_until: date | None
    days: str
    order_by_text: str
    delivery_text: str
    there: str
    coming: tuple[str, ...]
    on_hand: Amount | None
    usable: Amount
    runs_out_likely: str
    runs_out_high: str
    known: str
    money: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GasLine:
    """One gas in one shift: its total, and what of it is for what."""

    gas: str
    total: Amount
    uses: tuple[tuple[str, Amount], ...]


@dataclass(frozen=True, slots=True)
class BankView:
    """Cylinders that have to feed together in a shift; texts are empty where they say nothing.

    Attributes:
        cylinder: name of the kind.
        verdict: as in `gas_bank.Bank`; `headline` says it.
        together, together_half: number, full and half full at the start; None: not even the most allowed do, or not
            known.
        facts: what it rests on: name and text.
        reason: why it is not enough, or not known.
    """

    cylinder: str
    verdict: str
    headline: str
    together: int | None
    together_half: int | None
    facts: tuple[tuple[str, str], ...]
    reason: str


@dataclass(frozen=True, slots=True)
class ShiftGas:
    """One shift.

    Attributes:
        key, title: of the shift; `start`, `end`.
        known: whether the forecast reaches to its end; nothing is said of it otherwise.
        at_least: joints that are not in the amounts, in words; empty where all are.
        gases, banks: by gas.
        oxygen: what there is to know of oxygen beside its amount.
        energy, diesel: current of electric heaters, and the diesel that makes it; None: none is used.
        power: most that they draw at once.
    """

    key: str
    title: str
    start: Moment
    end: Moment
    known: bool
    at_least: str
    gases: tuple[GasLine, ...]
    banks: tuple[BankView, ...]
    oxygen: tuple[str, ...]
    energy: Amount | None
    power: str
    diesel: str


@dataclass(frozen=True, slots=True)
class GasPage:
    """The page.

    Attributes:
        deliver_to: where the cylinders go: name of the site and where it lies, as no address is kept.
        orders: a kind of cylinder each.
        shifts: that need gas or are not known, by start.
        levers, never: what helps where cylinders do not give enough, and what nobody may do.
        sources: what the figures rest on.
    """

    header: Header
    deliver_to: str
    orders: tuple[OrderView, ...]
    shifts: tuple[ShiftGas, ...]
    not_counted: tuple[str, ...]
    closed: str
    levers: tuple[str, ...]
    never: tuple[str, ...]
    sources: tuple[str, ...]
    cautions: tuple[Caution, ...]


USES: Final[dict[Use, str]] = {
    "heating": "heating",
    "drying": "drying",
    "keeping": "keeping warm",
    "light_ups": "light-ups",
    "idle": "waiting torches",
    "other": "other use",
}

LEVERS: Final = (
    "More cylinders, or larger ones, on one line: same gas, same size, all valves open, a check valve on each pigtail.",
    "Start the shift on full ones. A cylinder that froze needs hours to recover: change over, do not wait for it.",
    "Stand them upright off the snow, in sun and moving air, outside every tent and screen.",
    "Propylene in place of propane: its pressure holds about 11 °F (6 K) further down.",
    "A vaporiser that is listed for the purpose, set up by the gas supplier.",
    "Electric pads or induction: no cylinder can freeze.",
)
NEVER: Final = (
    "Never a flame, a torch, a heater or its exhaust on a cylinder, and never a steam or hot-air hose.",
    "Never a cylinder inside a tent, a screen or a confined space, nor in a pit: propane sinks and stays.",
    "Never acetylene above 15 psig (103 kPa), nor faster than its share of the contents: the solvent comes along.",
    "Never oil or grease on oxygen fittings, and never oxygen in the place of air.",
)
SOURCES: Final = (
    "What a cylinder gives is an estimate. Its heat through the wall is our reading of the published table for 100 lb "
    "propane cylinders, which leaves no pressure in the cylinder; here the pressure that torch, hose and regulator "
    "need is kept. Pressure, latent heat and density are those of the published equations of state.",
    "The liquid is stepped through the flames of the shift on the slow end of every heating, from the coldest air of "
    "the hours before, in the forecast's air less the site's doubt. Frost on the cylinder is not counted.",
    "Amounts are low to high; orders rest on the high end. Other use, purging and waiting torches are as the site "
    "states them. Fuel tables of suppliers are gross, flame shares net: neither is mixed here.",
    "A gauge on a liquefied gas does not show what is left: weigh. It never replaces the supplier's advice, the "
    "maker's tip chart or local codes.",
)
GAS_CAUTIONS: Final = (
    Caution(
        "Cylinders upright and secured, caps on when moved, valves closed when idle; stored oxygen 20 ft (6 m) from "
        "fuel or behind a wall 5 ft (1.5 m) high that holds fire for half an hour.",
        "29 CFR 1926.350(a)",
    ),
    Caution(
        "Lines of several cylinders are labelled with their gas and stand ventilated, where fire cannot reach them; "
        "one wrench is kept at the valve.",
        "29 CFR 1926.350(e)",
    ),
    Caution("Fuel valve open one and a half turns at most, its wrench left on.", "29 CFR 1926.350(d)(2)"),
    Caution(
        "A frozen valve or a cylinder frozen fast: warm, not boiling, water. Nothing hotter than a hand can bear.",
        "29 CFR 1926.350(a)(5)",
    ),
    Caution(
        "Leak test with soapy water, never a flame. Check valves and flashback arrestors on both lines; no oil. In the "
        "cold hoses stiffen and seats leak: look before every shift."
    ),
    Caution(
        "A heater or torch on a starving cylinder burns dirty: carbon monoxide. In a screened place ventilate, and "
        "stop where the alarm or a head says so.",
        "29 CFR 1926.55: CO 50 ppm",
    ),
    Caution("Liquid propane and bare steel in this cold take the skin off: gloves that suit the torch."),
)


def gas_page(found: GasPlan, plan: Plan, stock: Mapping[str, KindStock], show: Show, now: datetime) -> GasPage:
    """The page of a gas plan at `now` (aware UTC)."""
    site = plan.site
    return GasPage(
        header=header(plan, show, now),
        deliver_to=f"{site.name}, at {site.latitude:.5f}, {site.longitude:.5f} (latitude, longitude)",
        orders=tuple(_order(one, stock.get(one.kind), site, show) for one in found.orders),
        shifts=tuple(
            _shift(one, found, show) for one in found.shifts if one.gases or one.energy_kwh != NONE or not one.known
        ),
        not_counted=found.not_counted,
        closed=_closed(site),
        levers=LEVERS,
        never=NEVER,
        sources=SOURCES,
        cautions=GAS_CAUTIONS,
    )


def _closed(site: Site) -> str:
    days = sorted(site.gas.closed_days)
    return f"No delivery on {', '.join(day_text(day) for day in days)}." if days else ""


# Orders ---------------------------------------------------------------------------------------------------------------


def _order(line: OrderLine, stock: KindStock | None, site: Site, show: Show) -> OrderView:
    name = kind_of(kinds_of(site), line.kind).name
    money = []
    if line.rental_per_day is not None:
        money.append(f"Rental of what is on site: {_price(line.rental_per_day, site)} a day.")
    if line.cost is not None:
        money.append(f"The order costs {_price(line.cost, site)}.")
    return OrderView(
        kind=line.kind,
        name=name,
        advice=line.advice,
        headline=headline(line, name),
        count=line.count,
        order_by=line.order_by,
        delivery=line.delivery,
        lasts_until=line.lasts_until,
        days=_days(line),
        order_by_text="today" if line.advice == "too_late" else _day(line.order_by),
        delivery_text=_day(line.delivery),
        there=_there(stock),
        coming=tuple(_coming(one.order_no, one.count, one.expected, one.late) for one in line.arrivals),
        on_hand=None if line.on_hand is None else _amount(line.gas, line.on_hand, show),
        usable=_one(line.gas, line.usable_each, show),
        runs_out_likely=_runs_out(line, line.runs_out_likely, show),
        runs_out_high=_runs_out(line, line.runs_out_high, show),
        known=_known(line),
        money=tuple(money),
        notes=(*line.notes, *_starves(line)),
    )


def _price(amount: float, site: Site) -> str:
    return f"{amount:,.2f} {site.gas.currency}".rstrip()


def _day(day: date | None) -> str:
    return "not known" if day is None else day_text(day)


def _days(line: OrderLine) -> str:
    said = (("order by", line.order_by), ("comes", line.delivery), ("lasts to", line.lasts_until))
    return ", ".join(f"{word} {day_text(day)}" for word, day in said if day is not None)


def _there(stock: KindStock | None) -> str:
    if stock is None:
        return "not written down"
    return f"{stock.full} full, {stock.in_use} in use, {stock.empty} empty"


def _coming(order_no: str, count: int, expected: date | None, late: bool) -> str:
    said = f"{count} on order {order_no}"
    if expected is None:
        return f"{said}, day not known"
    return f"{said}, {'was expected' if late else 'expected'} {day_text(expected)}{': late' if late else ''}"


def _runs_out(line: OrderLine, out: RunsOut | None, show: Show) -> str:
    if out is None:
        return "not known" if line.advice in ("unknown", "no_stock") else "not in the shifts looked at"
    when = f"{day_text(out.day)}, {out.name} shift"
    beyond = ", beyond the forecast" if out.carried_on else ""
    if out.together:
        needed = f"{out.together} full ones have to be connected at its start"
        return f"{when}: {needed}, and about {out.full} are full then{beyond}"
    return f"{when}, {_one(line.gas, out.short, show).text} short{beyond}"


def _starves(line: OrderLine) -> Iterator[str]:
    if line.starves:
        (name, day), count = line.starves[0], len(line.starves)
        which = f"the {name} shift of {day_text(day)}" + (f" and {count - 1} more" if count > 1 else "")
        yield f"In {which} no number of cylinders gives the gas in the cold: more of them do not help there."


def _known(line: OrderLine) -> str:
    if line.known_until is None:
        return ""
    text = f"The demand is known to {day_text(line.known_until)}"
    return f"{text}, and carried on after it by the mean of those shifts." if line.carried_on else f"{text}."


# Shifts ---------------------------------------------------------------------------------------------------------------


def _shift(demand: ShiftDemand, found: GasPlan, show: Show) -> ShiftGas:
    electric = demand.energy_kwh != NONE
    unknown = demand.unknown_joints
    return ShiftGas(
        key=demand.key,
        title=f"{day_text(demand.day)}, {demand.name} shift",
        start=show.moment(demand.start_utc),
        end=show.moment(demand.end_utc),
        known=demand.known,
        at_least=f"At least: {plural(unknown, 'joint')} not in these amounts." if unknown and demand.known else "",
        gases=tuple(
            GasLine(
                "oxygen" if one.gas == OXYGEN else gas(one.gas).name,
                _amount(one.gas, one.total, show),
                tuple((USES[use], _amount(one.gas, amount, show)) for use, amount in one.uses.items()),
            )
            for one in demand.gases
        ),
        banks=tuple(
            _bank(one, show) for one in found.banks if one.shift_key == demand.key and one.verdict != "nothing"
        ),
        oxygen=_oxygen(next((one for one in found.oxygen if one.shift_key == demand.key), None), show),
        energy=show.energy(demand.energy_kwh) if electric else None,
        power=f"{number(demand.power_kw, 1)} kW at once" if electric else "",
        diesel=show.diesel_text(demand.diesel_l.high) if electric else "",
    )


def _amount(of_gas: str, span: Range, show: Show) -> Amount:
    return show.volume(span) if of_gas == OXYGEN else show.mass(span)


def _one(of_gas: str, value: float, show: Show) -> Amount:
    """An amount without doubt."""
    return _amount(of_gas, Range(value, value, value), show)


def _bank(bank: Bank, show: Show) -> BankView:
    facts = [("Flames at once", f"{show.power_text(bank.peak_kw)} gross, slow end")]
    if bank.coldest_c is not None:
        facts.append(("Coldest air counted on", show.temp_text(bank.coldest_c, "down")))
    if bank.starvation_c is not None:
        facts.append(("Torches starve with liquid below", show.temp_text(bank.starvation_c)))
    if bank.lowest_c is not None and bank.together is not None:
        facts.append(("Coldest liquid of these", show.temp_text(bank.lowest_c, "down")))
    if bank.left_kg is not None and bank.together is not None:
        facts.append(("Left in each at the end", _one(bank.cylinder.fuel, bank.left_kg, show).text))
    if bank.verdict in ("enough", "another_way") and bank.starvation_c is not None:
        facts += [
            ("One full one carries all flames for", _burst(bank.burst_minutes)),
            ("By what one gives hour after hour", _count(bank.by_sustained, bank.by_sustained_half)),
        ]
        if bank.by_table is not None:
            facts.append(
                ("By the bare published table, half full", f"{bank.by_table}, but it keeps no pressure for a torch")
            )
        if bank.change_over_kg is not None:
            facts.append(
                ("Change over before the shift what holds less than", show.whole_weight_text(bank.change_over_kg, "up"))
            )
        if bank.cools_from_utc is not None and bank.together is not None:
            text = f"{show.moment(bank.cools_from_utc).text}: from then on they live on their warmth while flames burn"
            facts.append(("They cool faster than the air warms them from", text))
    return BankView(
        cylinder=bank.cylinder.name,
        verdict=bank.verdict,
        headline=_bank_headline(bank),
        together=bank.together,
        together_half=bank.together_half,
        facts=tuple(facts),
        reason=bank.reason,
    )


def _bank_headline(bank: Bank) -> str:
    if bank.verdict == "limit":
        return f"Connect {bank.together} on one line."
    if bank.verdict == "enough":
        fresh = " and were not used in the shift before" if bank.straight else ""
        said = [
            f"Connect {bank.together} on one line if they are full{fresh}.",
            _enough(bank.together_half, "Half full"),
        ]
        if bank.straight:
            said.append(_enough(bank.together_straight, "Straight from the shift before"))
        return " ".join(said)
    return {"another_way": "Not enough, however many: heat another way."}.get(bank.verdict, "Not known.")


def _enough(count: int | None, which: str) -> str:
    return f"{which}: {'not enough, however many' if count is None else count}."


def _burst(minutes: float | None) -> str:
    if minutes is None:
        return "not known"
    return "no time" if minutes < 1.0 else duration(minutes, "down")


_MANY: Final = 40


def _count(full: int | None, half: int | None) -> str:
    def one(count: int | None) -> str:
        return "none would do" if count is None else f"more than {_MANY}" if count > _MANY else str(count)

    return f"{one(full)} full, {one(half)} half full"


def _oxygen(oxygen: OxygenShift | None, show: Show) -> tuple[str, ...]:
    if oxygen is None or oxygen.minutes_each is None:
        return ()
    said = [
        f"Oxygen flows at most at {_one(OXYGEN, oxygen.most_m3_h, show).text} an hour: one full {oxygen.cylinder.name} "
        f"lasts {duration(oxygen.minutes_each, 'down')} at that."
    ]
    if oxygen.gauge_kpa is not None:
        said.append(
            f"A full one shows {show.pressure_text(oxygen.gauge_kpa)} in the coldest air of the shift: a low gauge in "
            "the morning is no missing gas."
        )
    return tuple(said)
