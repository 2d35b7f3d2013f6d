"""The table of the equipment benchmark, printed and drawn."""

import math
import os
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One ratio: ours, the peer's, both in milliseconds, and the bound of their quotient."""

    what: str
    ours: float
    peer: float
    bound: float | None
    note: str = ""

    @property
    def ratio(self) -> float:
        """Ours divided by the peer's."""
        return self.ours / self.peer

    @property
    def broken(self) -> bool:
        """Whether the bound is broken."""
        return self.bound is not None and self.ratio > self.bound


ONE, DECADE = 560, 110
"""Where a ratio of one stands, and how far a factor of ten reaches."""


def draw(lines: list[Line]) -> str:
    """Bars of the ratios on a logarithmic scale, the bound as a tick."""
    height = 70 + 26 * len(lines)
    title = (
        "Processor time of donorfit divided by that of the peer; a tick is the bound, red a bound"
        " that is broken"
    )
    rows = [
        f'<rect width="840" height="{height}" fill="#ffffff"/>',
        f'<text x="10" y="22" font-weight="bold">{title}</text>',
    ]
    for power, label in ((-3, "1/1000"), (-2, "1/100"), (-1, "1/10"), (0, "1"), (1, "10")):
        x = ONE + DECADE * power
        rows.append(f'<line x1="{x}" x2="{x}" y1="52" y2="{height - 8}" stroke="#dddddd"/>')
        rows.append(f'<text x="{x}" y="46" text-anchor="middle" fill="#555555">{label}</text>')
    for number, line in enumerate(lines):
        y = 66 + 26 * number
        place = ONE + DECADE * max(-3.0, min(1.5, math.log10(line.ratio)))
        colour = "#b03a2e" if line.broken else "#1f6f78"
        left, width = min(place, ONE), abs(place - ONE)
        rows.append(
            f'<rect x="{left:.0f}" y="{y - 7}" width="{width:.0f}" height="14" fill="{colour}"/>'
        )
        rows.append(f'<text x="10" y="{y + 5}">{line.what}</text>')
        if line.bound:
            at = ONE + DECADE * math.log10(line.bound)
            rows.append(
                f'<line x1="{at:.0f}" x2="{at:.0f}" y1="{y - 10}" y2="{y + 10}" stroke="#333333"'
                ' stroke-width="2"/>'
            )
        rows.append(f'<text x="770" y="{y + 5}">{line.ratio:.3f}</text>')
    body = "\n".join(rows)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="840" height="{height}"'
        f' font-family="sans-serif" font-size="12">\n{body}\n</svg>\n'
    )


def show(lines: list[Line]) -> None:
    """Print the table."""
    if hasattr(os, "getloadavg"):
        print(f"load average {', '.join(f'{each:.1f}' for each in os.getloadavg())}")
    print(f"{'what':52}{'ours ms':>10}{'peer ms':>10}{'ratio':>9}{'bound':>9}")
    for line in lines:
        bound = f"{line.bound:9.3f}" if line.bound is not None else " " * 9
        mark = "  BROKEN" if line.broken else ""
        print(f"{line.what:52}{line.ours:10.2f}{line.peer:10.2f}{line.ratio:9.3f}{bound}{mark}")
        if line.note:
            print(f"    {line.note}")
