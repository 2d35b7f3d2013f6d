"""Progress on a terminal: a download says how far, how fast, how long yet."""

import io

import pytest

from donorfit.cli.progress_lines import ProgressLines, word_rate
from donorfit.job.progress import Happening, Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def at(**more) -> Progress:
    return Progress(happening=Happening.BYTES, unit="tow", what="downloading", **more)


@pytest.mark.parametrize(
    ("rate", "left", "words"),
    [
        (0.0, 0.0, ""),
        (1234.0, 0.2, ", 1.2 kB/s, 0 s left"),
        (28_400.0, 119.4, ", 28.4 kB/s, 119 s left"),
        (28_400.0, 121.0, ", 28.4 kB/s, 3 min left"),
        (900.0, 3600.0, ", 0.9 kB/s, 60 min left"),
    ],
)
def test_rate_in_words(rate, left, words):
    assert word_rate(at(fraction=0.5, bytes_per_s=rate, left_s=left)) == words


def test_a_download_on_a_terminal():
    terminal = Terminal()
    ProgressLines(terminal)(at(fraction=0.25, bytes_per_s=1000.0, left_s=30.0))
    assert terminal.getvalue().endswith("    tow: downloading  25%, 1.0 kB/s, 30 s left")


def test_a_pause_for_the_supply_is_a_line_everywhere():
    out = io.StringIO()
    note = Progress(happening=Happening.NOTE, unit="tow", what="the supply is at 11.2 V")
    ProgressLines(out)(note)
    ProgressLines(out)(at(fraction=0.25))
    assert out.getvalue() == "  ! tow: the supply is at 11.2 V\n"


def test_downloads_side_by_side_share_the_line_and_leave_it_when_they_end():
    terminal = Terminal()
    lines = ProgressLines(terminal)
    lines(at(fraction=0.25))
    camera = Progress(happening=Happening.BYTES, unit="camera", what="downloading", fraction=0.5)
    lines(camera)
    assert terminal.getvalue().endswith("    tow 25% | camera 50%")
    lines(Progress(happening=Happening.ANSWERED, unit="tow", what="done", binding=True))
    lines(camera)
    assert terminal.getvalue().endswith("    camera: downloading  50%")


def test_a_round_is_a_line():
    out = io.StringIO()
    ProgressLines(out)(Progress(happening=Happening.ROUND, what="round 2 of 3: a, b"))
    assert out.getvalue() == "  round 2 of 3: a, b\n"
