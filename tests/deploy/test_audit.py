"""The audit of what is pinned never passes in silence; reports are in the tool's own form (pip-audit 2.10)."""

import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest

PATH = Path(__file__).resolve().parents[2] / "deploy" / "audit.py"
SPEC = importlib.util.spec_from_file_location("audit", PATH)
assert SPEC is not None
assert SPEC.loader is not None
audit: Any = importlib.util.module_from_spec(SPEC)
__import__("sys").modules["audit"] = audit  # dataclasses look their module up
SPEC.loader.exec_module(audit)

GOOD = {"name": "idna", "version": "3.10", "vulns": []}
BAD = {
    "name": "jinja2",
    "version": "3.1.0",
    "vulns": [{"id": "PYSEC-0-1", "fix_versions": ["3.1.9"], "aliases": [], "description": "x"}],
}
SKIPPED = {"name": "uvicorn", "skip_reason": "Dependency not found on PyPI and could not be audited: uvicorn (0.54.0)"}


@pytest.mark.parametrize(
    ("packages", "said", "code"),
    [
        ([GOOD, GOOD], "Audited: no weakness is known of 2 packages.", 0),
        ([GOOD, SKIPPED], "AUDITED IN PART: nothing known of 1 packages; 1 it does not know.", 0),
        ([SKIPPED, SKIPPED], "NOT AUDITED: the database knows none of the 2 packages.", 0),
        ([], "NOT AUDITED: the database knows none of the 0 packages.", 0),
        ([SKIPPED, BAD], "Known weaknesses in what is pinned:\njinja2 3.1.0: PYSEC-0-1, mended in 3.1.9", 1),
    ],
)
def test_what_is_said(packages: list[Any], said: str, code: int) -> None:
    report = json.dumps({"dependencies": packages, "fixes": []})
    assert audit.verdict(audit.read_report(report)) == (said, code)


def test_the_run_of_all_checks_asks() -> None:
    assert "deploy/audit.py" in (PATH.parents[1] / ".ci" / "run").read_text()
