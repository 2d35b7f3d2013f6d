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


def draw(lines: list[Line]) -> str:
    """Bars of the ratios on a logarithmic scale, the bound as a tick."""
    rows = []
    for number, line in enumerate(lines):
        y = 30 + 26 * number
        place = 520 + 110 * max(-3.0, min(1.5, math.log10(line.ratio)))
        colour = "#b03a2e" if line.broken else "#1f6f78"
        rows.append(f'<text x="10" y="{y + 5}">{line.what}</text>')
        left, width = min(place, 520), abs(place - 520)
        rows.append(
            f'<rect x="{left:.0f}" y="{y - 7}" width="{width:.0f}" height="14" fill="{colour}"/>'
        )
        if line.bound:
            at = 520 + 110 * math.log10(line.bound)
            rows.append(
                f'<line x1="{at:.0f}" x2="{at:.0f}" y1="{y - 10}" y2="{y + 10}" stroke="#333"/>'
            )
        rows.append(f'<text x="700" y="{y + 5}">{line.ratio:.3f}</text>')
    height = 40 + 26 * len(lines)
    body = "\n".join(rows)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="780" height="{height}"'
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
