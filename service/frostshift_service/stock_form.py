"""What happened to gas cylinders, as people say and type it: the kinds, the movements in plain words, their forms.

A form becomes one entry of the stock ledger, or a sentence for every field that is wrong. What hangs on the entries
before it is asked by the ledger itself; only what it would say in kg or UTC is said here first, as it was typed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.gas import cylinders
from frostshift_rules.gas_left import OVER_NOMINAL
from frostshift_rules.job import Site
from frostshift_rules.stock import AHEAD, KindStock, stock_of
from frostshift_rules.stock_entry import MOST_CYLINDERS, ByState, Movement, StockEntry
from frostshift_rules.units import lb_from_kg
from frostshift_service.typed import ClockChange, local_moment, mass_kg

OLDEST: Final = timedelta(days=3650)
"""A time further back is a slip (our choice)."""
SCALE_NOISE_KG: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of cylinders.

    Attributes:
        id: in the ledger.
        name: as shown.
        contents_kg: gas in a full one [kg]; None for oxygen, and where it is not known.
        tare_kg: one without gas [kg], the usual figure; None: not known.
        oxygen: holds oxygen, which is not told by weight.
    """

    id: str
    name: str
    contents_kg: float | None = None
    tare_kg: float | None = None
    oxygen: bool = False


def names_of(site: Site) -> dict[str, str]:
    """Names of the kinds that a site may have, by id."""
    return {kind.id: kind.name for kind in kinds_of(site).values()}


def kinds_of(site: Site) -> dict[str, Kind]:
    """The kinds that a site may have, by id: its own first, then those that ship."""
    known = cylinders()
    own = [Kind(one.id, one.name, one.contents_kg, one.tare_kg, one.gas == "oxygen") for one in site.gas.own_cylinders]
    fuel = [
        Kind(one.id, one.name, one.contents_kg, None if one.shell is None else one.shell.tare_kg)
        for one in known.fuel.values()
    ]
    oxygen = [Kind(one.id, one.name, oxygen=True) for one in known.oxygen.values()]
    return {one.id: one for one in (*own, *fuel, *oxygen)}


def contents_of(kinds: Mapping[str, Kind]) -> dict[str, float | None]:
    """Gas in a full cylinder by kind [kg], as the ledger asks for it."""
    return {one.id: one.contents_kg for one in kinds.values()}


def kind_of(kinds: Mapping[str, Kind], kind_id: str) -> Kind:
    """A kind of the ledger; one that is no longer known goes by its id."""
    return kinds.get(kind_id) or Kind(kind_id, kind_id)


# The forms ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Way:
    """Something that happens to cylinders.

    Attributes:
        movement: of the ledger.
        text: in plain words.
        hint: what to fill in, and what it does.
        fields: of its form, beside `by`, `at` and `note`.
    """

    movement: Movement
    text: str
    hint: str
    fields: tuple[str, ...]


WEIGHT: Final = ("unit", "scale", "tare", "net")

GROUPS: Final[tuple[tuple[str, tuple[Way, ...]], ...]] = (
    (
        "Coming",
        (
            Way("delivered", "Delivered", "Full ones that came.", ("kind", "count", "order_no")),
            Way("ordered", "Ordered", "To come on this order number.", ("kind", "count", "order_no")),
            Way("cancelled", "Order cancelled", "So many of the order will not come.", ("order_no", "kind", "count")),
        ),
    ),
    (
        "On site",
        (
            Way("connected", "Put in use", "Full ones that were connected.", ("kind", "count")),
            Way("emptied", "Taken off, empty", "From use to the empties.", ("kind", "count")),
            Way(
                "weighed",
                "Weighed",
                "All of the kind that are in use, together: from the scale, or the gas alone where you know it.",
                ("kind", "count", *WEIGHT),
            ),
            Way(
                "used",
                "Used, by a heat report",
                "Gas burned, by weight. It lowers what is left in use until the next weighing.",
                ("kind", "net", "unit"),
            ),
        ),
    ),
    (
        "Sent back",
        (
            Way("returned_empty", "Sent back empty", "Empties that left the site.", ("kind", "count")),
            Way("returned_full", "Sent back full", "Full ones that left the site.", ("kind", "count")),
            Way(
                "returned_part_used",
                "Sent back part-used",
                "From use. The weight may stay empty: then what went back is unknown.",
                ("kind", "count", *WEIGHT),
            ),
        ),
    ),
    (
        "The count itself",
        (
            Way(
                "opening",
                "Counted for the first time",
                "Once for each kind: what is on site now, 0 where there is none.",
                ("kind", "full", "in_use", "empty"),
            ),
            Way(
                "correction",
                "Correct an entry",
                "An entry stays as it is; say by how much it was wrong. -1 takes one away, 2 adds two.",
                ("corrects", "full", "in_use", "empty", "net", "unit"),
            ),
        ),
    ),
)
WAYS: Final[dict[str, Way]] = {way.movement: way for _, ways in GROUPS for way in ways}
LABELS: Final[dict[str, str]] = {
    "kind": "Cylinders",
    "count": "How many",
    "order_no": "Order number",
    "full": "Full",
    "in_use": "In use",
    "empty": "Empty",
    "scale": "On the scale",
    "tare": "One empty, stamped",
    "net": "Gas alone",
    "unit": "Weights are in",
    "corrects": "Number of the entry",
    "by": "By whom",
    "at": "When (left empty: now)",
    "note": "Note",
}
_STATE: Final[Mapping[str, str]] = {
    "connected": "full",
    "returned_full": "full",
    "emptied": "in_use",
    "weighed": "in_use",
    "returned_part_used": "in_use",
    "returned_empty": "empty",
}
"""Which ones a movement takes from."""
STATE_WEIGHTS: Final = frozenset({"weighed", "used", "returned_part_used"})
"""Movements that state gas."""
_FIELD_OF: Final[Mapping[str, str]] = {
    "by_state": "full",
    "left_kg": "net",
    "used_kg": "net",
    "residual_kg": "net",
    "at_utc": "at",
    "movement": "kind",
}


def label_of(name: str, movement: str) -> str:
    """What a field is called in the form of a movement."""
    special = {
        ("count", "weighed"): "How many on the scale",
        ("net", "used"): "Gas used",
        ("net", "correction"): "Weight, by how much",
        ("full", "correction"): "Full, by how many",
        ("in_use", "correction"): "In use, by how many",
        ("empty", "correction"): "Empty, by how many",
        ("note", "correction"): "Why",
        ("order_no", "delivered"): "On order",
        ("order_no", "cancelled"): "Order",
    }
    return special.get((name, movement), LABELS[name])


def field_of(entry_field: str, typed: Mapping[str, str]) -> str:
    """The field of the form that is meant by one of an entry."""
    name = _FIELD_OF.get(entry_field, entry_field)
    return "scale" if name == "net" and typed.get("scale", "").strip() else name


def kinds_to_choose(movement: str, stock: Mapping[str, KindStock], kinds: Mapping[str, Kind]) -> list[tuple[str, str]]:
    """Id and words of the kinds that a movement may be of, with how many there are to take from."""
    if movement == "opening":
        return [(one.id, one.name) for one in kinds.values() if one.id not in stock]
    state = _STATE.get(movement)
    found = []
    for one in stock.values():
        kind = kind_of(kinds, one.kind)
        if movement in ("weighed", "used") and kind.oxygen:
            continue
        have = "" if state is None else f" ({getattr(one, state)} {state.replace('_', ' ')})"
        found.append((kind.id, f"{kind.name}{have}"))
    return found


def orders_to_choose(stock: Mapping[str, KindStock], kinds: Mapping[str, Kind]) -> list[tuple[str, str]]:
    """Number and words of the orders of which something is still to come."""
    lines: dict[str, list[str]] = {}
    for one in stock.values():
        for line in one.open_orders:
            lines.setdefault(line.order_no, []).append(f"{line.open} x {kind_of(kinds, one.kind).name}")
    return [(number, f"{number}: {', '.join(texts)} to come") for number, texts in lines.items()]


def tare_lines(movement: str, stock: Mapping[str, KindStock], kinds: Mapping[str, Kind], unit: str) -> list[str]:
    """What is taken off the scale for the cylinders on it, one sentence a kind; `unit` is `lb` or `kg`."""
    said = []
    for one in stock.values():
        kind = kind_of(kinds, one.kind)
        if kind.oxygen or one.in_use < 1:
            continue
        if kind.tare_kg is None:
            said.append(f"{kind.name}: not known, it is stamped on the cylinder")
        elif movement == "weighed":
            off, each = _weight(one.in_use * kind.tare_kg, unit), _weight(kind.tare_kg, unit)
            said.append(f"{kind.name}: {one.in_use} in use x {each} = {off}")
        else:
            said.append(f"{kind.name}: {_weight(kind.tare_kg, unit)} each")
    return said


# From what was typed to an entry --------------------------------------------------------------------------------------


OXYGEN: Final = "oxygen is counted in whole cylinders, not by weight"


def states_gas(entry: StockEntry) -> bool:
    """Whether an entry states an amount of gas."""
    return any(kg is not None for kg in (entry.left_kg, entry.used_kg, entry.residual_kg))


class NotTaken(ValueError):
    """What was typed makes no entry; `problems` is field -> sentence."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        self.problems = dict(problems)
        super().__init__("; ".join(f"{name}: {text}" for name, text in self.problems.items()))


def read_entry(
    typed: Mapping[str, str], ledger: Sequence[StockEntry], kinds: Mapping[str, Kind], *, zone: str, now: datetime
) -> StockEntry:
    """The entry that a form holds.

    Args:
        typed: field -> text; `what` is the movement. Fields of other movements do not count.
        ledger: entries before it, in the order of their numbers.
        kinds: that the site may have.
        zone: of the site's clock.
        now: aware.

    Returns:
        An entry that the ledger may still refuse.

    Raises:
        NotTaken: fields that are missing or cannot be.
    """
    return _Reader(typed, ledger, kinds, zone, now).entry()


def check_time(at_utc: datetime, opened_utc: datetime | None, zone: str, now: datetime) -> None:
    """Refuse a time that cannot be, by the site's clock.

    Raises:
        ValueError: it is later than now, before the opening of its kind, or years ago.
    """
    local = ZoneInfo(zone)
    if at_utc > now + AHEAD:
        raise ValueError(f"that is later than now, {now.astimezone(local):%Y-%m-%d %H:%M}")
    if at_utc < now - OLDEST:
        raise ValueError(f"that is more than {OLDEST.days // 365} years ago")
    if opened_utc is not None and at_utc < opened_utc:
        first = f"{opened_utc.astimezone(local):%Y-%m-%d %H:%M}"
        raise ValueError(f"that is before these cylinders were first counted, {first}")


def _weight(kg: float, unit: str) -> str:
    value = round(lb_from_kg(kg) if unit == "lb" else kg, 1)
    return f"{value:,.1f}".removesuffix(".0") + f" {unit}"


def _stating(entry: StockEntry, movement: Movement, kg: float) -> StockEntry:
    """An entry with the gas that a movement states, in the place where the ledger keeps it."""
    if movement == "weighed":
        return replace(entry, left_kg=kg)
    return replace(entry, used_kg=kg) if movement == "used" else replace(entry, residual_kg=kg)


class _Reader:
    """Reads one form; every wrong field is found, not only the first."""

    def __init__(
        self,
        typed: Mapping[str, str],
        ledger: Sequence[StockEntry],
        kinds: Mapping[str, Kind],
        zone: str,
        now: datetime,
    ) -> None:
        self.way = WAYS.get(typed.get("what", ""))
        used = (*(self.way.fields if self.way else ()), "by", "at", "note")
        self.typed = {name: typed.get(name, "").strip() for name in used}
        self.ledger, self.kinds, self.zone, self.now = ledger, kinds, zone, now
        self.stock = stock_of(ledger, contents_of(kinds))
        self.unit = self.typed.get("unit") or "lb"
        self.problems: dict[str, str] = {}

    def entry(self) -> StockEntry:
        if self.way is None:
            raise NotTaken({"what": "choose what happened"})
        movement = self.way.movement
        corrected = self._corrected() if movement == "correction" else None
        kind = corrected.kind if corrected else self.typed.get("kind", "")
        if not kind and movement != "correction":
            self.problems["kind"] = "choose the cylinders"
        elif kind and movement != "opening" and kind not in self.stock:
            self.problems["kind"] = "these were not counted yet: count them for the first time, 0 where there is none"
        if self.unit not in ("lb", "kg"):
            self.problems["unit"], self.unit = "lb or kg", "lb"
        if not self.typed["by"]:
            self.problems["by"] = "say who says so"
        if movement in ("ordered", "cancelled") and not self.typed["order_no"]:
            self.problems["order_no"] = "the order number is needed"
        entry = StockEntry(
            kind=kind,
            movement=movement,
            at_utc=self._at(kind),
            by=self.typed["by"],
            note=self.typed["note"],
            order_no=self.typed.get("order_no", ""),
            by_state=self._by_state(movement),
            corrects=corrected.number if corrected else None,
            count=self._count(movement),
        )
        entry = self._with_weight(entry, corrected)
        if states_gas(entry) and kind_of(self.kinds, kind).oxygen:
            self.problems["net" if movement in ("correction", "returned_part_used") else "kind"] = OXYGEN
        if self.problems:
            order = list(LABELS)
            raise NotTaken(dict(sorted(self.problems.items(), key=lambda item: order.index(item[0]))))
        # A weighing is told by its gas; how many stood on the scale only took their weight off.
        return replace(entry, count=None) if movement == "weighed" else entry

    def _corrected(self) -> StockEntry | None:
        number = self._whole("corrects", least=1)
        found = next((one for one in self.ledger if one.number == number), None)
        if found is None:
            self.problems.setdefault("corrects", f"there is no entry {number}")
        if not self.typed["note"]:
            self.problems["note"] = "say what was wrong"
        return found

    def _at(self, kind: str) -> datetime:
        if not self.typed["at"]:
            return self.now
        try:
            at_utc = local_moment(self.typed["at"], self.zone, self.now)
            check_time(at_utc, self.stock[kind].opened_utc if kind in self.stock else None, self.zone, self.now)
        except ClockChange as error:
            self.problems["at"] = f"{error}: choose one before or after that hour"
        except ValueError as error:
            said = str(error)
            self.problems["at"] = said if said.startswith("that is") else "expected a date and a time"
        else:
            return at_utc
        return self.now

    def _whole(self, name: str, least: int) -> int | None:
        text = self.typed[name].replace("\N{MINUS SIGN}", "-")
        if not re.fullmatch(r"[+-]?[0-9]{1,9}", text):
            self.problems[name] = f"{text[:30]!r} is no whole number" if text else "a whole number is needed"
            return None
        most = 999_999_999 if name == "corrects" else MOST_CYLINDERS
        if not least <= int(text) <= most:
            self.problems[name] = f"{text} is outside {least:,} to {most:,}"
            return None
        return int(text)

    def _count(self, movement: Movement) -> int | None:
        if "count" not in self.typed:
            return None
        if movement == "weighed" and not self.typed["scale"]:
            return None  # the gas alone is typed: it is that of all in use
        return self._whole("count", least=1)

    def _by_state(self, movement: Movement) -> ByState | None:
        names = ("full", "in_use", "empty")
        if not all(name in self.typed for name in names):
            return None
        if movement == "correction":
            if not any(self.typed[name] for name in names):
                return None
            counts = [self._whole(name, -MOST_CYLINDERS) if self.typed[name] else 0 for name in names]
        else:
            counts = [self._whole(name, 0) for name in names]
        return ByState(*(one or 0 for one in counts))

    # Weights

    def _kg(self, name: str) -> float | None:
        """A typed weight [kg]; None where there is none, or none that can be."""
        text = self.typed.get(name, "")
        if not text:
            return None
        with_unit = text if re.search(r"[A-Za-z]", text) else f"{text} {self.unit}"
        try:
            kg = mass_kg(with_unit)
        except ValueError:
            self.problems[name] = f"{text[:30]!r} is no weight: write a number such as 120 or 54.5"
            return None
        if kg < 0.0 and self.way is not None and self.way.movement != "correction":
            self.problems[name] = f"{text} is below 0"
            return None
        return kg

    def _with_weight(self, entry: StockEntry, corrected: StockEntry | None) -> StockEntry:
        net_kg, scale_kg = self._kg("net"), self._kg("scale")
        if entry.movement == "correction":
            return self._with_change(entry, corrected, net_kg)
        if entry.movement not in STATE_WEIGHTS:
            return entry
        if self.typed["net"] and self.typed.get("scale"):
            self.problems["net"] = "one of the two: on the scale, or the gas alone"
            return entry
        if scale_kg is not None:
            net_kg, note = self._off_the_scale(entry, scale_kg)
            entry = replace(entry, note=f"{entry.note}{' ' if entry.note else ''}{note}")
        if net_kg is None:
            if entry.movement != "returned_part_used" and not {"net", "scale", "tare", "count"} & self.problems.keys():
                self.problems["scale" if "scale" in self.typed else "net"] = "a weight is needed"
            return entry
        self._check_most(entry, net_kg)
        return _stating(entry, entry.movement, net_kg)

    def _with_change(self, entry: StockEntry, corrected: StockEntry | None, change_kg: float | None) -> StockEntry:
        if change_kg is not None and corrected is not None:
            if corrected.movement not in STATE_WEIGHTS:
                self.problems["net"] = f"entry {corrected.number} states no weight"
                return entry
            return _stating(entry, corrected.movement, change_kg)
        if entry.by_state is None and change_kg is None and "net" not in self.problems:
            self.problems["full"] = "say by how many, or by what weight, the entry was wrong"
        return entry

    def _off_the_scale(self, entry: StockEntry, scale_kg: float) -> tuple[float | None, str]:
        """Gas on the scale [kg], and the arithmetic as a note; None where the cylinders cannot be taken off."""
        kind = kind_of(self.kinds, entry.kind)
        stamped_kg = self._kg("tare")
        tare_kg = kind.tare_kg if stamped_kg is None else stamped_kg
        if tare_kg is None or entry.count is None:
            if entry.count is not None:
                self.problems.setdefault("tare", "what one weighs without gas is not known: it is stamped on it")
            return None, ""
        stock = self.stock.get(entry.kind)
        if entry.movement == "weighed" and stock is not None and entry.count != stock.in_use and self._is_last(entry):
            self.problems["count"] = (
                f"by the ledger {stock.in_use} {'is' if stock.in_use == 1 else 'are'} in use: weigh all of them, or "
                "enter first what was put in use or taken off"
            )
        off_kg = entry.count * tare_kg
        sum_text = f"{entry.count} x {_weight(tare_kg, self.unit)}{'' if stamped_kg is None else ' as stamped'}"
        if scale_kg < off_kg - SCALE_NOISE_KG:
            self.problems["scale"] = (
                f"less than the cylinders weigh without gas: {sum_text} = {_weight(off_kg, self.unit)}"
            )
            return None, ""
        net_kg = max(0.0, scale_kg - off_kg)
        return net_kg, f"On the scale {_weight(scale_kg, self.unit)}, less {sum_text}: {_weight(net_kg, self.unit)}."

    def _is_last(self, entry: StockEntry) -> bool:
        return all(one.at_utc <= entry.at_utc for one in self.ledger if one.kind == entry.kind)

    def _check_most(self, entry: StockEntry, net_kg: float) -> None:
        """Said here in the unit that was typed; the ledger refuses it too."""
        contents_kg = kind_of(self.kinds, entry.kind).contents_kg
        stock = self.stock.get(entry.kind)
        count = entry.count
        if entry.movement == "weighed" and count is None and stock is not None and self._is_last(entry):
            count = stock.in_use
        if entry.movement == "used" or contents_kg is None or count is None:
            return
        if net_kg > count * contents_kg * OVER_NOMINAL:
            holds = f"{count} of {_weight(contents_kg, self.unit)} can hold" if count else "can be: none are in use"
            where = "scale" if self.typed.get("scale") else "net"
            self.problems.setdefault(where, f"{_weight(net_kg, self.unit)} of gas is more than {holds}")
