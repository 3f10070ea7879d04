"""The look, as DEVELOPERS.md has it: few sizes, few distances, and inks that can be read in bad light."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

STATIC = Path(__file__).resolve().parents[3] / "service" / "frostshift_service" / "static"
SCREEN = (STATIC / "app.css").read_text(encoding="utf-8")
INKS = ("ink", "quiet", "link", "heat", "raised", "measure")


def inks(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", css))


LIGHT = inks(SCREEN.split("@media", 1)[0])
DARK = inks(SCREEN.split("prefers-color-scheme: dark", 1)[1].split("forced-colors", 1)[0])


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    """Examples of WCAG's own understanding documents: black on white, and the grey that just meets AA."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize(("ink", "ground", "colours"), list(product(INKS, ("paper", "wash"), (LIGHT, DARK))))
def test_every_ink_can_be_read_on_every_ground(ink: str, ground: str, colours: dict[str, str]) -> None:
    assert contrast(colours[ink], colours[ground]) >= 7.0


def test_a_dark_room_does_not_glare() -> None:
    assert set(DARK) == set(LIGHT)
    assert luminance(DARK["paper"]) < 0.02
    assert max(luminance(colour) for colour in DARK.values()) < 0.75
    assert contrast(DARK["ink"], DARK["paper"]) < 15.0


def test_only_the_sizes_and_distances_of_the_list() -> None:
    rules = SCREEN.split("prefers-reduced-motion", 1)[1]
    assert set(re.findall(r"font-size: ([^;}]+)", rules)) == {
        f"var(--size-{s})" for s in ("small", "text", "large", "title")
    }
    for prop, value in re.findall(r"(?:^|[;{ ])((?:margin|padding|gap)[a-z-]*): ?([^;}]+)", rules):
        assert not re.search(r"\d(rem|px)", value), (prop, value)
    assert re.findall(r"#[0-9a-f]{3,6}\b", rules) == []


WHITE_IN_THE_DARK = {"crew.css": [".code-box"]}
"""A camera reads the squares of a poster's code dark on light alone."""


def on_screen(css: str) -> str:
    """A style sheet without its comments and its blocks for paper."""
    css = re.sub(r"/\*.*?\*/", "", css, flags=re.S)
    return re.sub(r"@media print \{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", css)


@pytest.mark.parametrize("path", sorted(STATIC.glob("*.css")), ids=lambda path: path.name)
def test_no_colour_but_those_that_turn_in_the_dark(path: Path) -> None:
    if path.name == "print.css":
        assert "@media" not in path.read_text(encoding="utf-8")  # all of it is for paper, as base.html says
        return
    rules = on_screen(path.read_text(encoding="utf-8"))
    if path.name == "app.css":
        rules = rules.split("prefers-reduced-motion", 1)[1]
    own = [
        selector.strip()
        for selector, body in re.findall(r"([^{}]+)\{([^{}]*)\}", rules)
        if re.search(r"#[0-9a-fA-F]{3,8}\b|\b(?:rgb|hsl)a?\(|\b(?:white|black)\b(?!-)", body)
    ]
    assert own == WHITE_IN_THE_DARK.get(path.name, [])


def test_what_is_for_paper_alone_may_be_black() -> None:
    css = "a { color: #fff; }\n@media print {\n  b { color: #000; }\n  i { color: #000; }\n}\np { color: #111; }"
    assert re.findall("#[0-9a-f]{3}", on_screen(css)) == ["#fff", "#111"]


def test_every_shape_of_a_call_is_drawn_and_differs_from_the_others() -> None:
    parts = (STATIC.parent / "templates" / "_parts.html").read_text(encoding="utf-8")
    drawn = dict(
        re.findall(r'{% (?:el)?if name == "([a-z_]+)" %}\n(.*?)(?={% el)', parts.split("{% endmacro %}", 1)[0], re.S)
    )
    assert set(drawn) == {
        "ring",
        "peak",
        "two_peaks",
        "gauge",
        "chevron",
        "drop",
        "roof",
        "bar",
    }  # and dashes for all else
    assert len({re.sub(r"\s+", " ", shape) for shape in drawn.values()}) == len(drawn)


def test_the_files_of_a_page_are_light() -> None:
    """Beside the HTML of a sheet, which is some 32 kB for the demo: all of it stays under 200 kB on a bad line."""
    own = sum((STATIC / name).stat().st_size for name in ("app.css", "print.css", "live.js", "mark.svg"))
    assert own < 50_000
