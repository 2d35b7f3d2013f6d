"""Progress on a terminal: a download says how far, how fast, how long yet."""

import io

import pytest

from donorfit.cli.progress_lines import ProgressLines, word_left, word_place, word_rate
from donorfit.job.progress import Happening, Progress, SessionPlace


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


PLACE = SessionPlace(steps_done=4, steps=25, left_s=83.0)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.2, "10 s"),
        (9.9, "10 s"),
        (10.0, "10 s"),
        (10.1, "15 s"),
        (83.0, "85 s"),
        (119.0, "120 s"),
        (121.0, "3 min"),
        (3599.0, "1 h 00 min"),
        (4000.0, "1 h 07 min"),
    ],
)
def test_a_foreseen_time_in_words(seconds, words):
    assert word_left(seconds) == words


def test_the_place_of_a_session_in_words():
    assert word_place(PLACE) == "4 of 25 steps done, about 85 s left"
    assert (
        word_place(SessionPlace(steps_done=0, steps=1, left_s=3))
        == "0 of 1 step done, about 10 s left"
    )
    assert word_place(SessionPlace(steps_done=3, steps=3, left_s=0)) == "all 3 steps done"


def test_the_whole_session_stands_in_the_running_line_of_a_terminal(monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    terminal = Terminal()
    lines = ProgressLines(terminal)
    lines(Progress(happening=Happening.ANSWERED, unit="tow", what="read", session=PLACE))
    assert terminal.getvalue().endswith("  1 value read; 4 of 25 steps done, about 85 s left")
    replayed = Progress(
        happening=Happening.STEP_OPENED, unit="tow", what="s05", session=PLACE, replayed=True
    )
    before = terminal.getvalue()
    lines(replayed)
    assert terminal.getvalue() == before  # flies past and says nothing of the place
    lines(Progress(happening=Happening.STEP_OPENED, unit="tow", what="s05", session=PLACE))
    assert "\n" not in terminal.getvalue()
    lines(at(fraction=0.25, bytes_per_s=1000.0, left_s=30.0, session=PLACE))
    assert terminal.getvalue().endswith(
        "    tow: downloading  25%, 1.0 kB/s, 30 s left; 4 of 25 steps done, about 85 s left"
    )


def test_the_running_line_is_never_wider_than_the_terminal(monkeypatch):
    """A longer one would break and could not be written over."""
    monkeypatch.setenv("COLUMNS", "40")
    terminal = Terminal()
    ProgressLines(terminal)(at(fraction=0.25, bytes_per_s=1000.0, left_s=30.0, session=PLACE))
    assert len(terminal.getvalue().rpartition("\x1b[2K")[2]) == 39


def test_elsewhere_the_rest_stands_in_the_rounds_line_and_nowhere_else():
    out = io.StringIO()
    lines = ProgressLines(out)
    lines(Progress(happening=Happening.STEP_OPENED, unit="tow", what="s05", session=PLACE))
    lines(Progress(happening=Happening.ROUND, what="round 2 of 3: a, b", session=PLACE))
    lines(at(fraction=0.25, session=PLACE))
    lines(Progress(happening=Happening.ANSWERED, unit="tow", what="read", session=PLACE))
    lines(Progress(happening=Happening.STEP_CLOSED, unit="tow", what="s05", session=PLACE))
    lines.finish()
    assert out.getvalue() == "  round 2 of 3: a, b; about 85 s left\n  1 value read\n"
