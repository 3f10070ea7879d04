"""The stock ledger of gas cylinders: entries in, counts out.

Nothing in the ledger is edited or removed; a mistake is put right by a further entry. Cylinders of one kind are full,
in use or empty, and every movement takes whole ones from one state to another, to the site or off it.

Counts follow the order in which entries were made, also where an entry says that it happened earlier: times are
rough and typed in at the end of a shift, while the order of entries is certain. So a new entry can never turn one that
was accepted into a wrong one. Gas left in use follows the time at which things happened: a weighing holds all that
happened before it, whenever that was typed in. A correction that is the movement it corrects, so many times more or
less, or that is of an opening, changes what that entry moved, at its time; any other happens at its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

from frostshift_rules.gas_left import OVER_NOMINAL, GasLeft
from frostshift_rules.stock_entry import (
    AMOUNTS,
    STATES,
    Changes,
    LedgerError,
    Movement,
    State,
    StockEntry,
    changes_of,
    check_entry,
    said,
    times_moved,
)
from frostshift_rules.workload import Range

ProblemName = Literal["used_beyond", "found_beyond", "over_contents", "contents_unknown"]

AHEAD: Final = timedelta(minutes=5)
"""A clock may be ahead of ours by this."""
SCALE_KG: Final = 0.5
"""More gas than expected is named from here on for each cylinder in use [kg]: a scale on site reads no finer (ours)."""


@dataclass(frozen=True, slots=True)
class OrderLine:
    """Cylinders of one kind on one order.

    Attributes:
        order_no: number of the order.
        kind: of the cylinders.
        ordered_utc: when it was made first.
        ordered: cylinders ordered on it.
        cancelled: of these, those that will not come.
        delivered: those that came, corrections counted in.
        placed: when how many were ordered on it, one after the other.
    """

    order_no: str
    kind: str
    ordered_utc: datetime
    ordered: int
    cancelled: int = 0
    delivered: int = 0
    placed: tuple[tuple[datetime, int], ...] = ()

    @property
    def open_parts(self) -> tuple[tuple[datetime, int], ...]:
        """When how many of those that are still to come were ordered: what came or was cancelled was the oldest."""
        done, parts = self.cancelled + self.delivered, []
        for at, count in sorted(self.placed):
            left = max(0, count - done)
            done = max(0, done - count)
            if left > 0:
                parts.append((at, left))
        return tuple(parts)

    @property
    def open(self) -> int:
        """Cylinders that are still to come."""
        return self.ordered - self.cancelled - self.delivered


@dataclass(frozen=True, slots=True)
class StockProblem:
    """Something in the ledger that does not fit together.

    Attributes:
        name: `used_beyond` (more was used or returned than there was), `found_beyond` (the last weighing found more
            gas than there could be), `over_contents` (by the times of the entries more would be left than the
            cylinders in use hold), `contents_unknown` (how much gas one holds is not known).
        kg: by how much [kg]; None where that is not said.
        text: a sentence for people.
    """

    name: ProblemName
    kg: float | None
    text: str


@dataclass(frozen=True, slots=True)
class KindStock:
    """What there is of one kind.

    Attributes:
        kind: id of the cylinders.
        opened_utc: time of the opening.
        full, in_use, empty: cylinders on site.
        open_orders: lines with cylinders that are still to come, the oldest first.
        contents_kg: gas in a full one [kg]; None: not known.
        left_kg: gas left in those in use [kg], low = likely = high where it is known; None: the contents are not known.
        used_kg: gas reported as used so far [kg].
        residual_kg: gas that went back in part-used cylinders so far, as far as it was stated [kg].
        found_kg: gas that weighings found beyond what there could be, all together [kg].
        beyond_kg: gas used or returned beyond what there was, since the last weighing [kg].
        weighed_number, weighed_utc: entry and time of the last weighing, by time; None: never weighed.
        problems: what does not fit together.
    """

    kind: str
    opened_utc: datetime
    full: int
    in_use: int
    empty: int
    open_orders: tuple[OrderLine, ...]
    contents_kg: float | None
    left_kg: Range | None
    used_kg: float
    residual_kg: float
    found_kg: float
    beyond_kg: float
    weighed_number: int | None
    weighed_utc: datetime | None
    problems: tuple[StockProblem, ...]

    @property
    def on_site(self) -> int:
        """Cylinders on site in any state."""
        return self.full + self.in_use + self.empty

    @property
    def on_order(self) -> int:
        """Cylinders that are still to come."""
        return sum(line.open for line in self.open_orders)

    @property
    def full_kg(self) -> float | None:
        """Gas in the full ones [kg]."""
        return None if self.contents_kg is None else self.full * self.contents_kg


def stock_of(entries: Iterable[StockEntry], contents_kg: Mapping[str, float | None]) -> dict[str, KindStock]:
    """Count a ledger.

    Args:
        entries: all of a site, in the order of their numbers.
        contents_kg: gas in a full cylinder of each kind [kg]; None, or a kind that is not there: not known.

    Returns:
        What there is by kind, in the order in which the kinds were opened.

    Raises:
        LedgerError: an entry that cannot follow those before it.
    """
    ledger = _replayed(entries)
    return {kind: _kind_stock(account, contents_kg.get(kind), ledger) for kind, account in ledger.kinds.items()}


def order_lines(entries: Iterable[StockEntry]) -> tuple[OrderLine, ...]:
    """Every order line of a ledger, closed ones too, in the order in which they were made; errors as `stock_of`."""
    return tuple(_replayed(entries).lines.values())


def with_entry(
    entries: Sequence[StockEntry], entry: StockEntry, contents_kg: Mapping[str, float | None], *, now: datetime
) -> tuple[StockEntry, ...]:
    """A ledger with one more entry, numbered after the last; texts are stripped and the time is turned into UTC.

    Args:
        entries: the ledger as it is, in the order of its numbers.
        entry: the new one; its number does not matter.
        contents_kg: gas in a full cylinder by kind [kg], None: not known. Only a kind that is there can be opened.
        now: aware.

    Raises:
        LedgerError: the entry cannot follow; names entry, field, value and limit.
    """
    number = entries[-1].number + 1 if entries else 1
    entry = replace(
        entry,
        kind=entry.kind.strip(),
        by=entry.by.strip(),
        note=entry.note.strip(),
        order_no=entry.order_no.strip(),
        number=number,
    )
    ledger = _replayed(entries)
    check_entry(entry)
    entry = replace(entry, at_utc=entry.at_utc.astimezone(UTC))
    if entry.at_utc > now + AHEAD:
        raise LedgerError(entry, "at_utc", entry.at_utc, f"now it is {said(now.astimezone(UTC))}")
    if entry.movement == "opening" and entry.kind not in contents_kg:
        raise LedgerError(entry, "kind", entry.kind, f"known are {', '.join(sorted(contents_kg)) or 'none'}")
    ledger.take(entry)
    _check_contents(ledger, entry, contents_kg.get(entry.kind))
    return (*entries, entry)


# Counting -------------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Account:
    """One kind while it is counted."""

    kind: str
    opened_utc: datetime
    counts: dict[State, int] = field(default_factory=lambda: dict.fromkeys(STATES, 0))
    entries: list[StockEntry] = field(default_factory=list)


@dataclass(slots=True)
class _Ledger:
    """A ledger while it is counted.

    Attributes:
        kinds: by id.
        lines: order lines by kind and number of the order.
        by_number: the entries so far.
        amounts: gas that each entry states, corrections counted in [kg].
        moved: what each entry moves, corrections counted in where they change its count, and with them otherwise.
    """

    kinds: dict[str, _Account] = field(default_factory=dict)
    lines: dict[tuple[str, str], OrderLine] = field(default_factory=dict)
    by_number: dict[int, StockEntry] = field(default_factory=dict)
    amounts: dict[int, float] = field(default_factory=dict)
    moved: dict[int, Changes] = field(default_factory=dict)

    def take(self, entry: StockEntry) -> None:
        """Count one more entry, which was checked by itself.

        Raises:
            LedgerError: it cannot follow; the ledger is of no more use then.
        """
        if entry.number <= max(self.by_number, default=0):
            raise LedgerError(entry, "number", entry.number, f"more than {max(self.by_number)} is needed")
        account = self._account(entry)
        self.moved[entry.number] = changes_of(entry)
        if entry.movement == "correction":
            self._correct(entry)
        elif entry.order_no:
            self._order(entry)
        for state, change in zip(STATES, changes_of(entry), strict=True):
            have = account.counts[state]
            if have + change < 0:
                by_state = entry.by_state is not None
                raise LedgerError(
                    entry,
                    state if by_state else "count",
                    change if by_state else -change,
                    f"{have} {'is' if have == 1 else 'are'} {state.replace('_', ' ')}",
                )
            account.counts[state] = have + change
        for name, movement in AMOUNTS.items():
            if entry.movement == movement and getattr(entry, name) is not None:
                self.amounts[entry.number] = getattr(entry, name)
        account.entries.append(entry)
        self.by_number[entry.number] = entry

    def _account(self, entry: StockEntry) -> _Account:
        account = self.kinds.get(entry.kind)
        if entry.movement == "opening":
            if account is not None:
                raise LedgerError(entry, "movement", "opening", "the kind is open already: a correction is needed")
            account = self.kinds[entry.kind] = _Account(entry.kind, entry.at_utc)
        elif account is None:
            limit = "which has no opening yet: say first what is there, 0 where there is none"
            raise LedgerError(entry, "kind", entry.kind, limit)
        if entry.at_utc < account.opened_utc:
            raise LedgerError(entry, "at_utc", entry.at_utc, f"the opening was {said(account.opened_utc)}")
        return account

    def _order(self, entry: StockEntry) -> None:
        count = entry.count or 0
        key = (entry.kind, entry.order_no)
        line = self.lines.get(key)
        if entry.movement == "ordered":
            line = OrderLine(entry.order_no, entry.kind, entry.at_utc, 0) if line is None else line
            placed = (*line.placed, (entry.at_utc, count))
            self.lines[key] = replace(line, ordered=line.ordered + count, placed=placed)
            return
        if line is None:
            known = [one.order_no for one in self.lines.values() if one.kind == entry.kind]
            limit = f"orders of this kind are {', '.join(known) or 'none'}"
            raise LedgerError(entry, "order_no", entry.order_no, limit)
        if count > line.open:
            raise LedgerError(entry, "count", count, f"{line.open} are open on order {line.order_no}")
        done = "delivered" if entry.movement == "delivered" else "cancelled"
        self.lines[key] = replace(line, **{done: getattr(line, done) + count})

    def _correct(self, entry: StockEntry) -> None:
        corrected = self.by_number.get(entry.corrects or 0)
        if corrected is None:
            raise LedgerError(entry, "corrects", entry.corrects, "there is no such entry")
        if corrected.kind != entry.kind:
            raise LedgerError(entry, "corrects", entry.corrects, f"that entry is of {corrected.kind}")
        if corrected.movement in ("ordered", "cancelled"):
            limit = f"that entry is {corrected.movement}: order more or cancel instead"
            raise LedgerError(entry, "corrects", entry.corrects, limit)
        if entry.by_state is not None and self.root(entry).movement in ("used", "weighed"):
            limit = f"entry {corrected.number} moved no cylinder, and a correction of it moves none"
            raise LedgerError(entry, "by_state", "some", limit)
        for name, movement in AMOUNTS.items():
            change_kg = getattr(entry, name)
            if change_kg is not None:
                self._correct_amount(entry, corrected, name, movement, change_kg)
        if entry.by_state is not None:
            self._correct_moved(entry, self.root(entry))
        line = self.lines.get((entry.kind, self.root(entry).order_no))
        if line is not None and entry.by_state is not None:
            self._correct_delivered(entry, line, entry.by_state.total)

    def _correct_amount(
        self, entry: StockEntry, corrected: StockEntry, name: str, movement: Movement, change_kg: float
    ) -> None:
        if corrected.movement != movement or corrected.number not in self.amounts:
            raise LedgerError(entry, name, change_kg, f"entry {corrected.number} states none")
        was_kg = self.amounts[corrected.number]
        if was_kg + change_kg < 0.0:
            raise LedgerError(entry, name, change_kg, f"entry {corrected.number} states {was_kg:g}")
        self.amounts[corrected.number] = was_kg + change_kg

    def _correct_moved(self, entry: StockEntry, root: StockEntry) -> None:
        """Count a correction into what it is for, where it changes nothing but its count."""
        change = changes_of(entry)
        if root.movement != "opening" and times_moved(root.movement, change) is None:
            return
        full, in_use, empty = (was + more for was, more in zip(self.moved[root.number], change, strict=True))
        both = (full, in_use, empty)
        if (min(both) if root.movement == "opening" else times_moved(root.movement, both) or 0) < 0:
            raise LedgerError(entry, "corrects", entry.corrects, "it would leave less than none of that entry")
        self.moved[root.number], self.moved[entry.number] = both, (0, 0, 0)

    def _correct_delivered(self, entry: StockEntry, line: OrderLine, change: int) -> None:
        if not 0 <= line.delivered + change <= line.ordered - line.cancelled:
            limit = f"{line.delivered} are delivered and {line.open} open on order {line.order_no}"
            raise LedgerError(entry, "by_state", f"{change:+d}", limit)
        self.lines[(line.kind, line.order_no)] = replace(line, delivered=line.delivered + change)

    def root(self, entry: StockEntry) -> StockEntry:
        """What a correction, or a correction of a correction, is for in the end; any other entry itself."""
        while entry.corrects is not None:
            entry = self.by_number[entry.corrects]
        return entry

    def by_time(self, account: _Account) -> list[StockEntry]:
        """The entries of a kind in the order in which things happened; those of one time as they were entered."""
        return sorted(account.entries, key=lambda entry: (entry.at_utc, entry.number))


def _replayed(entries: Iterable[StockEntry]) -> _Ledger:
    ledger = _Ledger()
    for entry in entries:
        check_entry(entry)
        ledger.take(entry)
    return ledger


# Gas ------------------------------------------------------------------------------------------------------------------


def _kind_stock(account: _Account, contents_kg: float | None, ledger: _Ledger) -> KindStock:
    by_time = ledger.by_time(account)
    weighings = [entry for entry in by_time if entry.movement == "weighed"]
    gas = None if contents_kg is None else _gas_left(by_time, contents_kg, ledger)
    counts = account.counts
    return KindStock(
        kind=account.kind,
        opened_utc=account.opened_utc,
        full=counts["full"],
        in_use=counts["in_use"],
        empty=counts["empty"],
        open_orders=tuple(line for line in ledger.lines.values() if line.kind == account.kind and line.open > 0),
        contents_kg=contents_kg,
        left_kg=None if gas is None else gas.range_kg(),
        used_kg=_sum_kg(by_time, "used", ledger),
        residual_kg=_sum_kg(by_time, "returned_part_used", ledger),
        found_kg=0.0 if gas is None else gas.found_kg,
        beyond_kg=0.0 if gas is None else gas.beyond_kg,
        weighed_number=weighings[-1].number if weighings else None,
        weighed_utc=weighings[-1].at_utc if weighings else None,
        problems=_problems(account.kind, gas, weighings[-1].number if weighings else None),
    )


def _gas_left(by_time: Iterable[StockEntry], contents_kg: float, ledger: _Ledger) -> GasLeft:
    gas = GasLeft(contents_kg)
    for entry in by_time:
        _tell(gas, entry.movement, ledger.moved[entry.number], ledger.amounts.get(entry.number))
    return gas


def _tell(gas: GasLeft, movement: Movement, moved: Changes, amount_kg: float | None) -> None:
    """Tell the book of the gas in use what an entry did to it."""
    into_use = moved[1]
    if movement == "weighed" and amount_kg is not None:
        gas.weighed(amount_kg)
    elif movement == "used" and amount_kg is not None:
        gas.used(amount_kg)
    elif movement == "connected":
        gas.connected(into_use)
    elif movement == "returned_part_used" and amount_kg is not None:
        gas.returned(-into_use, amount_kg)
    elif into_use > 0:
        gas.unweighed(into_use)
    elif into_use < 0:
        gas.taken_off(-into_use)


def _sum_kg(entries: Iterable[StockEntry], movement: Movement, ledger: _Ledger) -> float:
    return math.fsum(ledger.amounts.get(entry.number, 0.0) for entry in entries if entry.movement == movement)


def _problems(kind: str, gas: GasLeft | None, weighed: int | None) -> tuple[StockProblem, ...]:
    if gas is None:
        text = f"How much gas a full {kind} holds is not known, and so not what is left in those in use."
        return (StockProblem("contents_unknown", None, text),)
    since = "the opening" if weighed is None else f"weighing {weighed}"
    found = []
    if gas.beyond_kg > 0.0:
        text = (
            f"{gas.beyond_kg:.1f} kg more gas of {kind} was used or returned since {since} than there was in the "
            "cylinders in use: weigh them, or correct what was reported."
        )
        found.append(StockProblem("used_beyond", gas.beyond_kg, text))
    if gas.last_found_kg > SCALE_KG * max(gas.in_use, 1):
        text = (
            f"Weighing {weighed} found {gas.last_found_kg:.1f} kg more gas of {kind} than there could be: less was "
            "used than reported, or a cylinder in use is not in the ledger."
        )
        found.append(StockProblem("found_beyond", gas.last_found_kg, text))
    if gas.over_kg > 0.0 and gas.in_use > 0:
        text = (
            f"By the times of the entries {gas.over_kg:.1f} kg more gas of {kind} would be left than the cylinders in "
            "use hold: weigh them."
        )
        found.append(StockProblem("over_contents", gas.over_kg, text))
    return tuple(found)


# Limits of a new entry ------------------------------------------------------------------------------------------------


def _check_contents(ledger: _Ledger, entry: StockEntry, contents_kg: float | None) -> None:
    """No more gas than the cylinders hold.

    Asked of a new entry only: what a full one holds may be put right later, and the ledger must still be read then.
    """
    stated = ledger.root(entry)
    if contents_kg is None or stated.movement not in ("weighed", "returned_part_used"):
        return
    name = "left_kg" if stated.movement == "weighed" else "residual_kg"
    if getattr(entry, name) is None:
        return
    cylinders = -ledger.moved[stated.number][1]
    if stated.movement == "weighed":
        cylinders = _in_use_at(ledger, stated)
        if cylinders < 1:
            raise LedgerError(entry, name, getattr(entry, name), "none were in use at that time")
    most_kg = cylinders * contents_kg * OVER_NOMINAL
    if ledger.amounts[stated.number] > most_kg:
        limit = f"at most {most_kg:.1f} kg can be in {cylinders} of {contents_kg:.1f} kg"
        raise LedgerError(entry, name, getattr(entry, name), limit)


def _in_use_at(ledger: _Ledger, moment: StockEntry) -> int:
    in_use = 0
    for entry in ledger.by_time(ledger.kinds[moment.kind]):
        in_use += ledger.moved[entry.number][1]
        if entry.number == moment.number:
            break
    return in_use
