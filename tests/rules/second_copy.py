"""A second copy of every rule table that ships, so that a slip in one place is seen beside the other.

No reference: what the tables are held to is in `fixtures/published`. After a wanted change write the copy anew and look
at every line of its diff against the standard, as if it were typed a second time:

    python tests/rules/second_copy.py
"""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Final

from frostshift_rules.electrodes import electrode_table
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, load_hydrogen_control
from frostshift_rules.operations import operations
from frostshift_rules.people import people_table
from frostshift_rules.tables import CODE_TABLES, load_code_table

FOLDER: Final = Path(__file__).parents[2] / "fixtures" / "second_copy"


def plain(value: object) -> object:
    """A table's value as JSON, sets in order; an open end is null."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, frozenset):
        return sorted(map(str, value))
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, float) and math.isinf(value):
        return None
    return value


def tables() -> dict[str, object]:
    """Every table that decides something, by id."""
    return {
        **{table_id: load_code_table(table_id) for table_id in CODE_TABLES},
        **{control_id: load_hydrogen_control(control_id) for control_id in HYDROGEN_CONTROLS},
        "electrodes": electrode_table(),
        "operations": operations(),
        "people": people_table(),
    }


def text_of(table: object) -> str:
    """The copy as it is kept."""
    return json.dumps(plain(table), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for table_id, table in tables().items():
        (FOLDER / f"{table_id}.json").write_text(text_of(table), encoding="utf-8")
