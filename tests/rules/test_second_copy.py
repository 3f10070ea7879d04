"""No figure, name, clause or basis of a rule table changes in one place alone."""

from __future__ import annotations

import pytest

from .second_copy import FOLDER, tables, text_of


@pytest.mark.parametrize("table_id", tables())
def test_the_table_is_its_second_copy(table_id: str) -> None:
    same = text_of(tables()[table_id]) == (FOLDER / f"{table_id}.json").read_text(encoding="utf-8")
    assert same, f"{table_id} differs from its second copy; see tests/rules/second_copy.py"


def test_no_copy_is_left_over() -> None:
    assert {path.stem for path in FOLDER.iterdir()} == set(tables())
