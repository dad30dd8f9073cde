"""The colours of the pages: text against what it stands on, and marks against theirs, as WCAG 2.2 computes contrast."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

from aggregator.web.pages import HERE

TEXT = 4.5  # WCAG 2.2, 1.4.3 Contrast (Minimum), level AA
PARTS = 3.0  # WCAG 2.2, 1.4.11 Non-text Contrast, level AA
GROUNDS = ("ground", "card", "field", "quiet")
WORDS = ("text", "soft", "link", "critical", "high", "medium", "low", "doubt")


def properties(dark: bool) -> dict[str, str]:
    """The custom properties that are colours, as a browser in this scheme has them."""
    sheet = Path(HERE / "static" / "style.css").read_text(encoding="utf-8")
    roots = re.findall(r":root\s*{(.*?)}", sheet, re.DOTALL)
    assert len(roots) == 2, "one for light, one that dark lays over it"
    found: dict[str, str] = {}
    for block in roots[: 1 + dark]:
        found |= re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{6})\s*;", block)
    return found


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, definition of that name."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of that name."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_is_computed_as_published() -> None:
    """WCAG 2.2 says that ratios go from 1 to 21; 4.54 of #767676 on white is a value often quoted (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#336699", "#336699") == pytest.approx(1)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_words_can_be_read_on_everything_that_they_stand_on(dark: bool) -> None:
    colours = properties(dark)
    pairs = [*product(WORDS, GROUNDS), ("on", "critical"), ("ground", "text")]
    faint = {pair: ratio for pair in pairs if (ratio := contrast(colours[pair[0]], colours[pair[1]])) < TEXT}
    assert faint == {}


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_edges_of_what_can_be_used_and_trends_can_be_seen(dark: bool) -> None:
    colours = properties(dark)
    parts = product(("good-line", "link"), GROUNDS)
    faint = {pair: ratio for pair in parts if (ratio := contrast(colours[pair[0]], colours[pair[1]])) < PARTS}
    assert faint == {}
