"""Run the demonstration and draw what it prints, shortened, as ``docs/pictures/demo.svg``.

    python docs/pictures/draw_demo.py

Nothing is typed by hand: every line stands in the output of ``donorfit demo --fast``; most lines
are left out, and a long one ends in three dots.
"""

import html
import re
import subprocess
import sys
import tempfile
from pathlib import Path

OUT = Path(__file__).with_name("demo.svg")
COLUMNS = 92
CHARACTER_PX, LINE_PX, MARGIN_PX = 7.25, 17, 18
PAPER, INK, HEAD, GOOD, WARN = "#FBFAF7", "#1D1B26", "#261B60", "#14603C", "#8A3B00"

# What is shown of each chapter: lines that match, at most so many.
CHAPTERS = {
    1: (r"^Requirements|^  ~ .*\((options|build month|connector)\)|^  It does not", 7),
    2: (r"^Survey|^  VIN|^  tow_control ", 4),
    3: (r"^  \d+ values|^  options|^  build month|^Control units|^Fault codes|^  warning", 7),
    5: (r"^  build month|^  options|^  [+-] (add|take)|^Fields of|owner changed stay", 18),
    6: (r"^Preparation|^  supply|^Kept awake|^Backups:|^Identities", 6),
    7: (r"^  [+!] \w+: (?!reset|clear)|^  ! conn|^stopped|^Applied|^  steps", 22),
    8: (r"^Proof|read back |^Fault codes|unrelated: ", 5),
    9: (r"^wrote", 3),
}


def run_demo() -> list[str]:
    """Output and progress of one demonstration, in the order in which they came."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "donorfit", "demo", "--fast", "--out", "demo-out"]
        done = subprocess.run(  # noqa: S603 - our own program
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=folder, check=True
        )
    return done.stdout.decode("utf-8").splitlines()


def split_chapters(lines: list[str]) -> dict[int, list[str]]:
    """Lines of each chapter by its number; the first one is its heading."""
    chapters: dict[int, list[str]] = {}
    number = 0
    for line in lines:
        heading = re.match(r"(\d+)\. ", line)
        if heading:
            number = int(heading[1])
        if number and not re.match(r"[=-]{20}", line):
            chapters.setdefault(number, []).append(line)
    return chapters


def shorten(lines: list[str], pattern: str, most: int) -> list[str]:
    """Heading, then the first lines that match."""
    kept = [line for line in lines[1:] if re.search(pattern, line)][:most]
    return [lines[0], *(each if len(each) <= COLUMNS else f"{each[:89]}..." for each in kept)]


def choose_colour(line: str) -> str:
    """Headings, changes and warnings are told apart; the words say the same without it."""
    if re.match(r"\d+\. ", line):
        return HEAD
    if line.startswith("  + "):
        return GOOD
    return WARN if line.startswith(("  ! ", "  warning", "stopped")) else INK


def draw(lines: list[str]) -> str:
    """The lines as one SVG picture."""
    width = round(2 * MARGIN_PX + COLUMNS * CHARACTER_PX)
    height = 2 * MARGIN_PX + len(lines) * LINE_PX
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img">',
        "<title>What donorfit demo prints, shortened: check, survey, plan, apply, proof</title>",
        f'<rect width="{width}" height="{height}" rx="4" fill="{PAPER}" stroke="{HEAD}"/>',
        '<g font-family="DejaVu Sans Mono, Consolas, Menlo, monospace" font-size="12">',
    ]
    for place, line in enumerate(lines):
        weight = ' font-weight="bold"' if re.match(r"\d+\. ", line) else ""
        parts.append(
            f'<text x="{MARGIN_PX}" y="{MARGIN_PX + (place + 0.75) * LINE_PX:g}" '
            f'fill="{choose_colour(line)}"{weight} xml:space="preserve">{html.escape(line)}</text>'
        )
    return "\n".join([*parts, "</g>", "</svg>", ""])


def main() -> None:
    """Run, shorten, draw."""
    chapters = split_chapters(run_demo())
    lines: list[str] = []
    for number, (pattern, most) in CHAPTERS.items():
        lines += [*([""] if lines else []), *shorten(chapters[number], pattern, most)]
    OUT.write_text(draw(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
