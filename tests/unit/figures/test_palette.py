"""Colours: enough contrast on their ground, and apart for people who see two primaries only."""

from itertools import combinations

import numpy as np
import pytest

from donorfit.figures.palette import (
    DARK,
    LIGHT,
    SURFACES,
    Palette,
    Role,
    compute_contrast,
    linearise,
    write_style,
)

# Linear-RGB matrices of the three dichromacies in the form of Machado, Oliveira and Fernandes
# (2009), severity 1.0; values from memory.
DICHROMACIES = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
# sRGB to CIE XYZ, D65 (IEC 61966-2-1)
TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def compute_lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB."""
    ratio = TO_XYZ @ np.clip(linear, 0, 1) / WHITE
    curve = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array(
        [116 * curve[1] - 16, 500 * (curve[0] - curve[1]), 200 * (curve[1] - curve[2])]
    )


def compute_distance(first: str, second: str, matrix: np.ndarray) -> float:
    """CIE76 distance as seen through a matrix on linear light."""
    labs = [compute_lab(matrix @ np.array(linearise(each))) for each in (first, second)]
    return float(np.linalg.norm(labs[0] - labs[1]))


def test_contrast_of_known_pairs() -> None:
    """WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54:1."""
    assert compute_contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert compute_contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_roles_stand_out_from_page_and_panel(palette: Palette) -> None:
    """WCAG 2.2, 1.4.11: 3:1 for parts of a picture."""
    for role in Role:
        assert compute_contrast(palette.get(role), palette.page) >= 3.0, role
    for role in (Role.NEUTRAL, Role.BLOCKED):  # the only ones that are drawn on a panel
        assert compute_contrast(palette.get(role), palette.panel) >= 3.0, role
    assert compute_contrast(palette.line, palette.page) >= 3.0


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_is_readable(palette: Palette) -> None:
    """WCAG 2.2, 1.4.3: 4.5:1 for text."""
    for ground in (palette.page, palette.panel):
        assert compute_contrast(palette.ink, ground) >= 7.0
        assert compute_contrast(palette.soft, ground) >= 4.5


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("sight", ["usual", *DICHROMACIES])
def test_roles_stay_apart(palette: Palette, sight: str) -> None:
    """At least 25 apart in CIE76 for every pair; the well-known six colours fall to 16."""
    matrix = np.array(DICHROMACIES.get(sight, np.eye(3)))
    for first, second in combinations(Role, 2):
        distance = compute_distance(palette.get(first), palette.get(second), matrix)
        assert distance >= 25.0, (first, second, distance)


def test_the_check_itself_finds_a_poor_palette() -> None:
    """Red and green of equal lightness run together for deutan sight."""
    matrix = np.array(DICHROMACIES["deutan"])
    assert compute_distance("#C0392B", "#6E7B1F", matrix) < 25.0


def test_the_style_covers_every_class() -> None:
    style = write_style(DARK)
    for name in (*SURFACES, *(role.value for role in Role)):
        assert f".f-{name}{{fill:{getattr(DARK, name)}}}" in style
        assert f".s-{name}{{stroke:{getattr(DARK, name)}}}" in style
