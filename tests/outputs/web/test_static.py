"""The files of the page: contrast, flashing, no code from elsewhere, and what they weigh."""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[3] / "daemon" / "watchedpot" / "outputs" / "web" / "static"
STYLE = (FOLDER / "style.css").read_text()
SCRIPTS = sorted(FOLDER.glob("*.js"))
LATER = {"cell.js", "findings.js", "zone.js", "suspects.js", "entries.js", "trend.js"}
"""Loaded only where they are wanted."""

TEXT, GRAPHIC = 4.5, 3.0
"""Least contrast of text and of what must be seen to understand (WCAG 2.1, 1.4.3 and 1.4.11)."""

PAIRS = [
    *((TEXT, "ink", ground) for ground in ("ground", "panel", "slot", "chip")),
    *((TEXT, "quiet", ground) for ground in ("ground", "panel")),
    (TEXT, "quiet", "flow"),
    (TEXT, "chip", "ink"),
    (TEXT, "panel", "ink"),
    *((TEXT, f"on-{hue}", hue) for hue in ("critical", "high", "medium", "low")),
    *((GRAPHIC, "rail", ground) for ground in ("ground", "panel", "chip", "slot", "flow")),
    *((GRAPHIC, "ink", ground) for ground in ("hatch", "slot", "flow", "ground", "panel")),
]
"""Least contrast, and what is drawn on what. A priority's sign has an outline in ink."""


def properties(scheme: str) -> dict[str, str]:
    """The custom properties of a colour scheme: those of the dark one stand over the others."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE, re.DOTALL)
    found: dict[str, str] = {}
    for block in blocks[:1] if scheme == "light" else blocks:
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))
    return found


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` [1].

    Source: WCAG 2.1, definition of relative luminance.
    """
    linear = []
    for at in (1, 3, 5):
        share = int(colour[at : at + 2], 16) / 255.0
        linear.append(share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4)
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours [1].

    Source: WCAG 2.1, definition of contrast ratio.
    """
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # By the formula of WCAG 2.1, worked out independently; black on white is its own example.
        ("#000000", "#ffffff", 21.0),
        ("#767676", "#ffffff", 4.54),
        ("#777777", "#ffffff", 4.48),
        ("#949494", "#ffffff", 3.03),
        ("#595959", "#d3d3d3", 4.68),
        ("#b00020", "#d3d3d3", 4.89),
        ("#ffbf00", "#d3d3d3", 1.10),
    ],
)
def test_contrast_as_published(one: str, other: str, ratio: float) -> None:
    """The ratio is that of the guideline."""
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("least", "front", "back"), PAIRS)
def test_contrast_of_the_style_sheet(scheme: str, least: float, front: str, back: str) -> None:
    """Text and graphics stand out against what they are drawn on, by day and by night."""
    colours = properties(scheme)
    assert contrast(colours[front], colours[back]) >= least


def test_both_schemes_are_read() -> None:
    """The dark scheme has every colour that is not the same in both."""
    light, dark = properties("light"), properties("dark")
    assert light.keys() == dark.keys()
    same = {name for name in light if light[name] == dark[name]}
    hues = {"critical", "high", "medium", "low"}
    assert same == hues | {f"on-{hue}" for hue in hues}


def test_every_colour_is_a_property() -> None:
    """No colour stands elsewhere in the style sheet, but for the veil behind a dialog."""
    rest = re.sub(r":root \{.*?\}", "", STYLE, flags=re.DOTALL)
    assert re.findall(r"#[0-9a-f]{3,8}\b(?![^{]*\{)|rgb\([^)]*\)|hsl\([^)]*\)", rest) == [
        "rgb(40 40 38 / 0.55)"
    ]


def test_hues_only_for_alarms() -> None:
    """What is no hue of a priority is grey: its channels differ by little."""
    hues = {"critical", "high", "medium", "low"}
    for scheme in ("light", "dark"):
        for name, colour in properties(scheme).items():
            channels = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
            saturation = 1 - min(channels) / max(channels)
            assert (saturation > 0.25) is (name in hues), name


def test_nothing_flashes_faster_than_2_hz() -> None:
    """There is one animation, it flashes once in its period, and that is 1.5 Hz."""
    uses = re.findall(r"animation: (\w+) ([\d.]+)s steps\(1, end\) infinite", STYLE)
    others = re.findall(r"(?:animation|transition)[\w-]*: (?!none)(.*?);", STYLE)
    assert len(uses) == len(others) == 1
    (name, period), *_ = uses
    frames = re.search(rf"@keyframes {name} \{{(.*?)\n\}}", STYLE, re.DOTALL)
    assert frames is not None
    assert [float(one) for one in re.findall(r"opacity: ([\d.]+)", frames[1])] == [1.0, 0.12]
    assert 1.4 <= 1 / float(period) <= 2.0


def test_no_motion_for_whom_wants_none() -> None:
    """The animation ends where less motion is asked for."""
    block = STYLE.partition("prefers-reduced-motion: reduce")[2][:80]
    assert "animation: none" in block


def test_nothing_inline() -> None:
    """No script and no style stands in the page itself: the strict policy forbids both."""
    page = (FOLDER / "index.html").read_text()
    assert re.findall(r"<style|\sstyle=|\son\w+=|javascript:", page) == []
    assert re.findall(r"<script(?![^>]*\ssrc=)", page) == []
    assert page.count("<script") == 1


@pytest.mark.parametrize("path", [*SCRIPTS, *FOLDER.glob("*.html"), FOLDER / "style.css"])
def test_nothing_from_elsewhere(path: Path) -> None:
    """No address of another machine is in any file, but for the name of the SVG language."""
    addresses = set(re.findall(r"https?:[^\"'\s]*|url\((?!#)[^)]*\)", path.read_text()))
    addresses -= {"http://www.w3.org/2000/svg", "url(#${id})"}
    assert addresses == set()


@pytest.mark.parametrize("path", SCRIPTS)
def test_text_never_becomes_markup_or_code(path: Path) -> None:
    """No call is in any script that reads a text as markup or runs it."""
    forbidden = (
        r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function"
        r"|setAttribute\(.style|createContextualFragment|DOMParser|localStorage|document\.cookie"
    )
    assert re.findall(forbidden, path.read_text()) == []


def imported(name: str) -> set[str]:
    """What a script imports at once."""
    text = (FOLDER / name).read_text()
    return set(re.findall(r'^(?:import|export) .*? from "\./([\w.]+)";', text, re.MULTILINE))


def test_every_script_is_used_and_the_first_view_is_light() -> None:
    """The first view needs less than 80 kB of files, what is told of the cells not counted."""
    needed, waiting = set(), {"app.js"}
    while waiting:
        name = waiting.pop()
        needed.add(name)
        waiting |= imported(name) - needed
    assert needed.isdisjoint(LATER)
    assert needed | LATER == {path.name for path in SCRIPTS}
    files = [*needed, "index.html", "style.css", "icon.svg"]
    assert sum((FOLDER / name).stat().st_size for name in files) < 80_000


@pytest.mark.parametrize(
    ("constant", "name"),
    [("LIBRARY_HASH", "uplot.iife.min.js"), ("SHEET_HASH", "uplot.min.css")],
)
def test_chart_library_is_the_one_that_is_named(constant: str, name: str) -> None:
    """The installed files are those whose sum the page tells the browser to insist on.

    The sums are those of release 1.6.31 of the library itself, as its authors publish it.
    """
    package = importlib.util.find_spec("youplot")
    assert package is not None
    assert package.submodule_search_locations
    path = Path(package.submodule_search_locations[0]) / "vendor" / name
    digest = base64.b64encode(hashlib.sha384(path.read_bytes()).digest()).decode()
    told = re.search(rf'{constant} = "(.*?)"', (FOLDER / "trend.js").read_text())
    assert told is not None
    assert told[1] == f"sha384-{digest}"


def test_safety_line() -> None:
    """Every view says that this is no safety device, and what comes first."""
    footer = (FOLDER / "index.html").read_text().partition("<footer>")[2].partition("</footer>")[0]
    said = " ".join(footer.split())
    for word in ("no safety device", "Hot surfaces", "pressure", "vapours", "safety data sheet"):
        assert word in said
    assert "qualified people" in said
