"""One entry of the stock ledger: what it can say by itself, whatever ledger it comes into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, get_args

Movement = Literal[
    "opening",
    "ordered",
    "cancelled",
    "delivered",
    "connected",
    "emptied",
    "returned_empty",
    "returned_full",
    "returned_part_used",
    "weighed",
    "used",
    "correction",
]
State = Literal["full", "in_use", "empty"]
Changes = tuple[int, int, int]
"""What is done to full, in use and empty, in cylinders."""

MOVEMENTS: Final[tuple[Movement, ...]] = get_args(Movement)
STATES: Final[tuple[State, ...]] = get_args(State)

MOST_CYLINDERS: Final = 10_000
"""In one entry; ours, so that a slip is noticed."""
MOST_KG: Final = 100_000.0
"""In one entry [kg]; the same."""
MOST_NAME: Final = 60
MOST_NOTE: Final = 1000

_ALLOWED: Final[Mapping[Movement, tuple[frozenset[str], frozenset[str]]]] = {
    "opening": (frozenset({"by_state"}), frozenset()),
    "ordered": (frozenset({"count", "order_no"}), frozenset()),
    "cancelled": (frozenset({"count", "order_no"}), frozenset()),
    "delivered": (frozenset({"count"}), frozenset({"order_no"})),
    "connected": (frozenset({"count"}), frozenset()),
    "emptied": (frozenset({"count"}), frozenset()),
    "returned_empty": (frozenset({"count"}), frozenset()),
    "returned_full": (frozenset({"count"}), frozenset()),
    "returned_part_used": (frozenset({"count"}), frozenset({"residual_kg"})),
    "weighed": (frozenset({"left_kg"}), frozenset()),
    "used": (frozenset({"used_kg"}), frozenset()),
    "correction": (frozenset({"corrects"}), frozenset({"by_state", "left_kg", "used_kg", "residual_kg"})),
}
"""What each movement needs and what it may say besides."""
AMOUNTS: Final[Mapping[str, Movement]] = {
    "left_kg": "weighed",
    "used_kg": "used",
    "residual_kg": "returned_part_used",
}
"""Amounts of gas, and the movement that states each."""
_EFFECT: Final[Mapping[Movement, Changes]] = {
    "delivered": (1, 0, 0),
    "connected": (-1, 1, 0),
    "emptied": (0, -1, 1),
    "returned_empty": (0, 0, -1),
    "returned_full": (-1, 0, 0),
    "returned_part_used": (0, -1, 0),
}
"""What one cylinder of a movement does to full, in use and empty."""


class LedgerError(ValueError):
    """The ledger refuses an entry; the message is for people.

    Attributes:
        entry: number of the entry.
        field: of it.
        value: as it was given.
        limit: what is asked for.
    """

    def __init__(self, entry: StockEntry, field: str, value: object, limit: str) -> None:
        self.entry, self.field, self.value, self.limit = entry.number, field, said(value), limit
        super().__init__(f"entry {self.entry} ({entry.movement}, {entry.kind}): {field} is {self.value}, {limit}")


@dataclass(frozen=True, slots=True)
class ByState:
    """Whole cylinders by state: counts of an opening, signed changes of a correction."""

    full: int = 0
    in_use: int = 0
    empty: int = 0

    @property
    def total(self) -> int:
        """Of all three."""
        return self.full + self.in_use + self.empty


@dataclass(frozen=True, slots=True)
class StockEntry:
    """One line of the ledger. What does not belong to its movement is None, or empty.

    Attributes:
        kind: id of the cylinders, such as `propane-100` or a site's own.
        movement: `opening` (the first of its kind, says what was there), `ordered`, `cancelled` (the rest of an order
            will not come), `delivered` (full), `connected` (full to in use), `emptied` (in use to empty),
            `returned_empty`, `returned_full`, `returned_part_used` (from use), `weighed`, `used` (gas burned, from a
            report of heating), `correction`.
        at_utc: when it happened, aware; may lie before that of earlier entries, not before the opening.
        by: who says so.
        note: free text; the reason of a correction.
        count: whole cylinders that were moved or ordered, 1 or more.
        by_state: of an opening, and signed of a correction.
        order_no: order that is made, cancelled or delivered on; empty: delivered without an order.
        left_kg: net gas left in all cylinders of the kind that are in use [kg].
        used_kg: gas burned [kg].
        residual_kg: net gas in the cylinders that went back part-used, all together [kg]; None: not known.
        corrects: number of the entry that a correction is for; `left_kg`, `used_kg`, `residual_kg` of a correction
            are signed changes to the amount that entry states.
        number: its place in the ledger, from 1 on; 0: it is in none yet.
    """

    kind: str
    movement: Movement
    at_utc: datetime
    by: str
    note: str = ""
    count: int | None = None
    by_state: ByState | None = None
    order_no: str = ""
    left_kg: float | None = None
    used_kg: float | None = None
    residual_kg: float | None = None
    corrects: int | None = None
    number: int = 0


def check_entry(entry: StockEntry) -> None:
    """What can be said of an entry without the others.

    Raises:
        LedgerError: a field that is missing, does not belong to the movement or cannot be.
    """
    if entry.movement not in MOVEMENTS:
        raise LedgerError(entry, "movement", entry.movement, f"expected one of {', '.join(MOVEMENTS)}")
    if entry.at_utc.utcoffset() is None:
        raise LedgerError(entry, "at_utc", entry.at_utc, "a time zone is needed")
    for name in ("kind", "by"):
        _check_name(entry, name, least=1)
    _check_name(entry, "order_no", least=0)
    if len(entry.note) > MOST_NOTE or not all(letter.isprintable() or letter in "\r\n\t" for letter in entry.note):
        raise LedgerError(entry, "note", entry.note, f"at most {MOST_NOTE} printable letters are allowed")
    _check_fields(entry)
    if entry.count is not None:
        _check_whole(entry, "count", entry.count, 1)
    if entry.by_state is not None:
        least = 0 if entry.movement == "opening" else -MOST_CYLINDERS
        for state in STATES:
            _check_whole(entry, state, getattr(entry.by_state, state), least)
    for name in AMOUNTS:
        _check_amount(entry, name, getattr(entry, name))
    if entry.movement == "correction":
        _check_correction(entry)


def _check_name(entry: StockEntry, name: str, least: int) -> None:
    value: str = getattr(entry, name)
    if not least <= len(value) <= MOST_NAME or not value.isprintable() or value != value.strip():
        raise LedgerError(entry, name, value, f"{least} to {MOST_NAME} printable letters are needed")


def _check_fields(entry: StockEntry) -> None:
    needed, besides = _ALLOWED[entry.movement]
    for name in ("count", "by_state", "order_no", *AMOUNTS, "corrects"):
        value = getattr(entry, name)
        there = value is not None and value != ""
        if name in needed and not there:
            raise LedgerError(entry, name, "missing", f"{entry.movement} needs it")
        if there and name not in needed | besides:
            raise LedgerError(entry, name, value, f"{entry.movement} has none")


def _check_whole(entry: StockEntry, name: str, value: int, least: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= MOST_CYLINDERS:
        raise LedgerError(entry, name, value, f"{least} to {MOST_CYLINDERS} whole cylinders are possible")


def _check_amount(entry: StockEntry, name: str, value_kg: float | None) -> None:
    if value_kg is None:
        return
    least_kg = -MOST_KG if entry.movement == "correction" else 0.0
    if not least_kg <= value_kg <= MOST_KG:  # also refuses NaN
        raise LedgerError(entry, name, value_kg, f"{least_kg:g} to {MOST_KG:g} kg is possible")


def _check_correction(entry: StockEntry) -> None:
    if not entry.note:
        raise LedgerError(entry, "note", "empty", "a correction needs its reason")
    changes = [*changes_of(entry), *(getattr(entry, name) or 0.0 for name in AMOUNTS)]
    if not any(changes):
        raise LedgerError(entry, "by_state", "without a change", "a correction needs one")


def times_moved(movement: Movement, change: Changes) -> int | None:
    """How many cylinders of a movement make this change, below 0: so many fewer; None: it is no such change."""
    effect = _EFFECT.get(movement)
    if effect is None:
        return None
    times = sum(one * to for one, to in zip(effect, change, strict=True)) // sum(map(abs, effect))
    return times if tuple(one * times for one in effect) == change else None


def changes_of(entry: StockEntry) -> Changes:
    """What an entry by itself does to full, in use and empty."""
    if entry.by_state is not None:
        return entry.by_state.full, entry.by_state.in_use, entry.by_state.empty
    count = entry.count or 0
    full, in_use, empty = _EFFECT.get(entry.movement, (0, 0, 0))
    return full * count, in_use * count, empty * count


def said(value: object) -> str:
    """A value as an error says it."""
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes")
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= MOST_NAME else f"{text[:MOST_NAME]}..."
