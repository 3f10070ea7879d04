"""The coverage list that ships is the one made from the tables' headers."""

from __future__ import annotations

from pathlib import Path

from frostshift_rules.coverage import coverage_text
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS
from frostshift_rules.tables import code_table_ids

README = Path(__file__).parents[2] / "rules" / "README.md"


def test_the_list_is_made_from_the_tables() -> None:
    # `frostshift tables --coverage > rules/README.md`
    assert README.read_text(encoding="utf-8") == coverage_text()


def test_every_table_is_in_it_with_what_was_checked_and_what_is_left_out() -> None:
    sections = coverage_text().split("\n## ")[1:]
    for table_id in (*code_table_ids(), *HYDROGEN_CONTROLS, "electrodes", "operations", "people"):
        of_table = [section for section in sections if f"- Id: `{table_id}`" in section]
        assert len(of_table) == 1
        for heading in ("- Clause: ", "- Basis: ", "- Checked against:\n  - ", "- Left out:\n  - "):
            assert heading in of_table[0]
