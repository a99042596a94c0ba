"""The page's colors by numbers: contrast of words, lines seen in sun, curves told apart by whoever sees fewer colors.

Contrast: WCAG 2.2, "relative luminance" and "contrast ratio". Fewer colors: G. M. Machado, M. M. Oliveira, L. A. F.
Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE TVCG 15 (2009), severity 1.0,
matrices from memory. Distance: CIE 1976 L*a*b*, D65 (ISO/CIE 11664-4, from memory).
"""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

BASE = (Path(__file__).parents[2] / "web" / "styles" / "base.css").read_text("utf-8")
SEEN = {
    "all": np.eye(3),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
}
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
GROUNDS = ("ground", "sheet", "stale-ground")


def colors(theme: str) -> dict[str, str]:
    """Return the custom properties of a theme that are colors."""
    head = ":root {" if theme == "light" else ':root[data-theme="dark"] {'
    block = BASE.split(head, 1)[1].split("}", 1)[0]
    return dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", block))


def linear(color: str) -> np.ndarray:
    """Return linear light of an sRGB color, shape (3,)."""
    c = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return WCAG's contrast ratio of two colors."""
    low, high = sorted(float(XYZ[1] @ linear(color)) for color in (one, other))
    return (high + 0.05) / (low + 0.05)


def distance(one: str, other: str, seen: np.ndarray) -> float:
    """Return how far apart two colors are in L*a*b* as somebody sees them."""

    def lab(color: str) -> np.ndarray:
        x = XYZ @ np.clip(seen @ linear(color), 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
        f = np.where(x > 216 / 24389, np.cbrt(x), (24389 / 27 * x + 16) / 116)
        return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])

    return float(np.linalg.norm(lab(one) - lab(other)))


def test_the_ruler_is_right() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # WCAG's well-known gray that just fails


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_words_and_lines_stand_out(theme: str) -> None:
    has = colors(theme)
    for ground in GROUNDS:
        for words in ("ink", "quiet"):
            assert contrast(has[words], has[ground]) >= 4.5, (words, ground)
        for words in ("warning-ink", "caution-ink", "good-ink"):
            assert contrast(has[words], has[ground]) >= 7.0, (words, ground)
    assert contrast(has["on-warning"], has["warning"]) >= 7.0 and contrast(has["on-caution"], has["caution"]) >= 7.0
    for ground in ("ground", "sheet"):
        assert contrast(has["edge"], has[ground]) >= 3.0, ground  # WCAG 2.2, 1.4.11
        assert contrast(has["line"], has[ground]) >= 2.3, ground  # common practice, no source: seen in sun
        assert contrast(has["grid"], has[ground]) >= 1.6, ground


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("seen", SEEN)
def test_curves_and_warnings_are_told_apart(theme: str, seen: str) -> None:
    has = colors(theme)
    curves = [has[f"series-{i}"] for i in (1, 2, 3, 4)]
    for one, other in combinations(curves, 2):
        assert distance(one, other, SEEN[seen]) >= 25.0, (one, other)
    assert all(contrast(curve, has["sheet"]) >= 3.0 for curve in curves)
    assert distance(has["warning-ink"], has["caution-ink"], SEEN[seen]) >= 20.0
    assert distance(has["warning"], has["caution"], SEEN[seen]) >= 20.0
