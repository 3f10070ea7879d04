"""The README shows what the demo prints, and the documents name what there is."""

import importlib.util
import json
import math
import re
from pathlib import Path
from typing import Any

import pytest

from frostshift_service.case_file import CASE_KEYS, PART_KEYS, read_cases
from frostshift_service.settings import PREFIX, Settings
from frostshift_service.views.case import case_views, cases_json, cases_text

ROOT = Path(__file__).parents[1]


def text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["sheet", "gas", "notice"])
def test_readme_shows_what_the_demo_prints(name: str) -> None:
    pytest.importorskip("playwright", reason="the pictures' maker imports it")
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "fixtures" / "demo" / "make_pictures.py")
    assert spec is not None
    assert spec.loader is not None
    pictures = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(pictures)
    printed = getattr(pictures, f"{name}_of_the_readme")()
    # A bool: pytest's own comparison of long texts takes minutes.
    same = printed == text(f"fixtures/demo/pictures/{name}.txt")
    assert same, "run fixtures/demo/make_pictures.py"
    shown = f"```text\n{printed}```" in text("README.md")
    assert shown, f"put fixtures/demo/pictures/{name}.txt into README.md"


def test_readme_shows_pictures_that_are_there() -> None:
    shown = re.findall(r"!\[[^]]+\]\(([^)]+)\)", text("README.md"))
    assert len(shown) == 11
    assert all((ROOT / name).is_file() for name in shown)


def alike(one: Any, other: Any) -> bool:
    """The same JSON, but for the last digits of its numbers."""
    if isinstance(one, dict) and isinstance(other, dict):
        return list(one) == list(other) and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-6)
    return bool(one == other)


def test_readme_shows_a_case_and_what_the_command_answers() -> None:
    stated, readme = text("fixtures/cases/one_case.json"), text("README.md")
    answered = cases_text(case_views(read_cases(stated.encode())))
    asked, shown = f"```json\n{stated}```" in readme, f"```text\n{answered}\n```" in readme
    assert asked, "put fixtures/cases/one_case.json there"
    assert shown, "put what `frostshift case fixtures/cases/one_case.json` prints there"
    as_json = json.loads(cases_json(case_views(read_cases(stated.encode()))))
    kept = json.loads(text("fixtures/cases/one_case.answer.json"))
    same = alike(as_json, kept)
    assert same, "write what `frostshift case fixtures/cases/one_case.json --json` prints there"


def test_readme_names_every_key_of_a_case() -> None:
    _, _, section = text("README.md").partition("## Work one case")
    assert [key.name for key in (*CASE_KEYS, *PART_KEYS) if f"`{key.name}`" not in section] == []


def test_every_setting_is_named_for_developers() -> None:
    developers = text("DEVELOPERS.md")
    assert [name for name in Settings.model_fields if PREFIX + name.upper() not in developers] == []


@pytest.mark.parametrize("package", ["rules/frostshift_rules", "service/frostshift_service"])
def test_the_map_names_every_module(package: str) -> None:
    developers = text("DEVELOPERS.md")
    modules = [path.name for path in (ROOT / package).glob("*.py") if path.name != "__init__.py"]
    folders = [f"{path.parent.name}/" for path in (ROOT / package).glob("*/__init__.py")]
    assert [name for name in modules + folders if name not in developers] == []
