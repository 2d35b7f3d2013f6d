"""American wire gauge: diameter and area of a solid copper wire.

Source: ASTM B258, ``d = 0.127 mm * 92^((36 - n) / 39)``.
"""

import math

THICKEST, THINNEST = 0, 30


def find_diameter_mm(gauge: int) -> float:
    """Diameter of a gauge."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def find_area_mm2(gauge: int) -> float:
    """Cross-section of a gauge."""
    return math.pi / 4 * find_diameter_mm(gauge) ** 2


def choose_gauge(cross_section_mm2: float) -> int | None:
    """Thinnest gauge that is no thinner than a cross-section; None where none is listed.

    A gauge may be up to 0.5 % below, since both are rounded.
    """
    fitting = [
        gauge
        for gauge in range(THICKEST, THINNEST + 1)
        if find_area_mm2(gauge) >= 0.995 * cross_section_mm2
    ]
    return max(fitting, default=None)
