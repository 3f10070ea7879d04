"""What a rule table and the job's welding procedure ask of a joint."""

from __future__ import annotations

from dataclasses import dataclass

from frostshift_rules.tables import Basis


@dataclass(frozen=True, slots=True)
class Ask:
    """One figure that was asked for, and by whom.

    Attributes:
        what: `row`, `procedure` or `cold_steel`.
        minimum_c: [°C].
        table_id: rule table; empty for a procedure.
        row: which row, for people: `category B, over 38 thru 65 mm`.
        clause: of the standard.
        basis: how sure our figure is.
        note: how it came about, one sentence.
    """

    what: str
    minimum_c: float
    table_id: str
    row: str
    clause: str
    basis: Basis
    note: str


@dataclass(frozen=True, slots=True)
class Requirement:
    """What is asked of a joint, whatever its steel temperature; `minimum_at` adds the cold-steel rule.

    Attributes:
        minimum_c: before the cold-steel rule [°C]; None: unknown, see `unknown`.
        maximum_c: highest preheat and interpass temperature [°C]; None: none stated.
        maximum_source: where the maximum comes from; empty for none.
        extent_mm: must be warm on every side of the weld and through the thickness [mm]; None: unknown.
        cold_below_c: steel colder than this needs `cold_floor_c` at least [°C].
        cold_floor_c: [°C].
        literal_cold: False where the printed footnote, read literally, would not raise this row.
        category: for people, such as `B`; empty where unknown.
        asks: every figure that was looked up, the deciding one first.
        unknown: why the minimum is unknown; empty where it is known.
        not_accepted: True where the deciding figures rest on rows that the site has to accept first.
        notes: further sentences for people.
    """

    minimum_c: float | None
    maximum_c: float | None
    maximum_source: str
    extent_mm: float | None
    cold_below_c: float
    cold_floor_c: float
    literal_cold: bool
    category: str
    asks: tuple[Ask, ...]
    unknown: tuple[str, ...]
    not_accepted: bool
    notes: tuple[str, ...]
