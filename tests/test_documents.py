"""The README shows what the demo prints, and the documents name what there is."""

import importlib.util
import re
from pathlib import Path

import pytest

from frostshift_service.settings import PREFIX, Settings

ROOT = Path(__file__).parents[1]


def text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_readme_shows_the_sheet_that_the_demo_prints(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("playwright", reason="the pictures' maker imports it")
    spec = importlib.util.spec_from_file_location("make_pictures", ROOT / "fixtures" / "demo" / "make_pictures.py")
    assert spec is not None
    assert spec.loader is not None
    pictures = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(pictures)
    printed = pictures.sheet_of_the_readme()
    assert printed == text("fixtures/demo/pictures/sheet.txt"), "run fixtures/demo/make_pictures.py"
    assert f"```text\n{printed}```" in text("README.md")


def test_readme_shows_pictures_that_are_there() -> None:
    shown = re.findall(r"!\[[^]]+\]\(([^)]+)\)", text("README.md"))
    assert len(shown) == 4
    assert all((ROOT / name).is_file() for name in shown)


def test_every_setting_is_named_for_developers() -> None:
    developers = text("DEVELOPERS.md")
    assert [name for name in Settings.model_fields if PREFIX + name.upper() not in developers] == []


@pytest.mark.parametrize("package", ["rules/frostshift_rules", "service/frostshift_service"])
def test_the_map_names_every_module(package: str) -> None:
    developers = text("DEVELOPERS.md")
    modules = [path.name for path in (ROOT / package).glob("*.py") if path.name != "__init__.py"]
    folders = [f"{path.parent.name}/" for path in (ROOT / package).glob("*/__init__.py")]
    assert [name for name in modules + folders if name not in developers] == []
