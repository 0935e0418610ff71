"""Colours of the pages: contrast, and apart for eyes that lack one kind of cone.

Contrast is that of the WCAG 2.2 (relative luminance, 4.5 for text and 3 for marks). Dichromats are
simulated by the matrices of Machado, Oliveira and Fernandes 2009 (IEEE TVCG 15, 1291-1298) at full
severity, in linear RGB; distances are CIE76 in Lab (D65), formulas from CIE 15. Matrices from
memory, checked by that grey stays grey and that red and green of one lightness fall together.
"""

from __future__ import annotations

import re
from itertools import combinations

import numpy as np
import pytest

from rallymill.report import files, overlay, raster

PROTAN = np.array([
    [0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
    [-0.003882, -0.048116, 1.051998],
])  # fmt: skip
DEUTAN = np.array([
    [0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
    [-0.011820, 0.042940, 0.968881],
])  # fmt: skip
EYES = {"all cones": np.eye(3), "protanopia": PROTAN, "deuteranopia": DEUTAN}
APART = 18.0
"""Lab distance at which two small marks are told apart at a glance (common practice, no source)."""


def _palettes() -> dict[str, dict[str, str]]:
    def tokens(text: str) -> dict[str, str]:
        found = re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", text)
        return {
            name: f"#{''.join(2 * c for c in h[1:])}" if len(h) == 4 else h for name, h in found
        }

    css = files.asset("style.css")
    light, rest = css.split("@media (prefers-color-scheme: dark)", 1)
    printed = files.asset("print.css")
    first = tokens(light)
    return {
        "light": first, "dark": first | tokens(rest.split("}\n}", 1)[0]),
        "print": first | tokens(printed),
    }


PALETTES = _palettes()


def _linear(colour: str) -> np.ndarray:
    value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    high, low = sorted(
        (float(_linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def lab(linear: np.ndarray) -> np.ndarray:
    to_xyz = np.array([
        [0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ])  # fmt: skip
    xyz = to_xyz @ np.clip(linear, 0, 1) / [0.95047, 1.0, 1.08883]
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one: str, other: str, eye: str) -> float:
    seen = [lab(EYES[eye] @ _linear(c)) for c in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_the_instruments_work() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for eye in ("protanopia", "deuteranopia"):
        grey = EYES[eye] @ _linear("#808080")
        assert np.allclose(grey, _linear("#808080"), atol=2e-3)
        # A red and a green that only their own hue tells apart come close for such eyes.
        assert distance("#b05a3c", "#7d7a3c", eye) < 0.5 * distance("#b05a3c", "#7d7a3c",
                                                                    "all cones")


@pytest.mark.parametrize("scheme", PALETTES)
def test_text_can_be_read(scheme: str) -> None:
    palette = PALETTES[scheme]
    for text in ("ink", "soft", "link"):
        for ground in ("paper", "card", "now"):
            assert contrast(palette[text], palette[ground]) >= 4.5, (text, ground)
    for kind in ("fault", "credit", "note"):
        assert contrast(palette["on-flag"], palette[kind]) >= 4.5, kind
    for ground in ("court", "surround"):
        assert contrast(palette["ink"], palette[ground]) >= 4.5, ground
        assert contrast(palette["fault"], palette[ground]) >= 4.5, ground


@pytest.mark.parametrize("scheme", PALETTES)
def test_marks_stand_out_from_the_court(scheme: str) -> None:
    palette = PALETTES[scheme]
    for mark in ("a", "b", "fault", "credit", "note", "line"):
        assert contrast(palette[mark], palette["court"]) >= 3.0, mark
    assert contrast(palette["bar"], palette["card"]) >= 1.9


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("scheme", PALETTES)
def test_pens_and_flags_are_apart_for_every_eye(scheme: str, eye: str) -> None:
    palette = PALETTES[scheme]
    for group in (("a", "b"), ("fault", "credit", "note")):
        for one, other in combinations(group, 2):
            assert distance(palette[one], palette[other], eye) >= APART, (one, other)


@pytest.mark.parametrize("eye", EYES)
def test_the_film_uses_pens_that_are_apart_too(eye: str) -> None:
    def hexed(bgr: tuple[int, int, int]) -> str:
        return f"#{bgr[2]:02x}{bgr[1]:02x}{bgr[0]:02x}"

    for slots in (overlay.SLOTS, raster.SLOTS):
        assert distance(hexed(slots["a"]), hexed(slots["b"]), eye) >= APART
