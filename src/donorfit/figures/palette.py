"""Colours with fixed roles, for a light and a dark page, and the style that switches them.

The five role colours come from a search for sets that stay apart for people who see two primary
colours only, with limited chroma; the tests compute contrast and distance anew. No role is told
by its colour alone: each picture adds a shape, a hatch, a dash or a word.
"""

from dataclasses import dataclass
from enum import Enum


class Role(Enum):
    """What a colour stands for, everywhere the same."""

    NEUTRAL = "neutral"
    DERIVED = "derived"
    OWNER = "owner"
    WEAK = "weak"
    BLOCKED = "blocked"


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours of one page as ``#RRGGBB``.

    Attributes:
        page: the ground.
        panel: ground of boxes.
        ink: text.
        soft: text of less weight, still readable.
        line: rules and frames.
        neutral: things that are just there.
        derived: what follows from the option list.
        owner: what the owner set.
        weak: what needs attention.
        blocked: what cannot be.
    """

    page: str
    panel: str
    ink: str
    soft: str
    line: str
    neutral: str
    derived: str
    owner: str
    weak: str
    blocked: str

    def get(self, role: Role) -> str:
        """Colour of a role."""
        colour: str = getattr(self, role.value)
        return colour


LIGHT = Palette(
    page="#FFFFFF",
    panel="#F3F2F6",
    ink="#17151F",
    soft="#4F4B5E",
    line="#8A8696",
    neutral="#261B60",
    derived="#0196FE",
    owner="#989410",
    weak="#E36E91",
    blocked="#4C1500",
)
DARK = Palette(
    page="#14131A",
    panel="#211F2A",
    ink="#F2F0F7",
    soft="#BDB8CC",
    line="#7B768A",
    neutral="#6674DF",
    derived="#03F4FF",
    owner="#937700",
    weak="#BC3269",
    blocked="#EAF3AC",
)
SURFACES = ("page", "panel", "ink", "soft", "line")


def compute_contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1..21 (WCAG 2.2, definition of relative luminance)."""
    lighter, darker = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def linearise(colour: str) -> tuple[float, float, float]:
    """Red, green and blue of ``#RRGGBB`` as linear light, 0..1 (IEC 61966-2-1, sRGB)."""
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return (_to_linear(red), _to_linear(green), _to_linear(blue))


def _to_linear(value: float) -> float:
    small = 0.04045
    return value / 12.92 if value <= small else float(((value + 0.055) / 1.055) ** 2.4)


def _luminance(colour: str) -> float:
    red, green, blue = linearise(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def write_style(palette: Palette, scope: str = "svg.picture") -> str:
    """Style rules that give all pictures inside ``scope`` the colours of a palette."""
    names = (*SURFACES, *(role.value for role in Role))
    rules = []
    for name in names:
        colour = getattr(palette, name)
        rules.append(f"{scope} .f-{name}{{fill:{colour}}}{scope} .s-{name}{{stroke:{colour}}}")
    return "".join(rules)
