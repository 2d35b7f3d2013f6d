"""Progress as lines on the error stream: changes always, readings as one counting line."""

import sys
from shutil import get_terminal_size
from typing import TextIO

from donorfit.cli.columns import clean, count
from donorfit.diagnostics.negative_response import explain_negative_response
from donorfit.job.progress import Happening, Progress, SessionPlace

_PLAIN = {
    Happening.WAITING: "waiting",
    Happening.LINK_LOST: "connection lost",
    Happening.RECONNECTED: "connected again, same car",
    Happening.REPLAYED: "no outcome on record, so it is looked at first",
    Happening.NO_ANSWER: "no answer",
    Happening.NOT_SENT: "not sent",
}
_LONG_S = 120
_SHORT_S = 10
_STEP_S = 5
_ENDS = frozenset((Happening.ANSWERED, Happening.REFUSED, Happening.NO_ANSWER, Happening.NOT_SENT))
_WORTH_A_LINE = frozenset(_PLAIN) - {Happening.WAITING}


class ProgressLines:
    """Writes progress; on a terminal the readings share one line that counts."""

    def __init__(self, stream: TextIO | None = None, *, quiet: bool = False) -> None:
        self._stream = stream or sys.stderr
        self._quiet = quiet
        self._live = self._stream.isatty()
        self._readings = 0
        self._counting = False
        self._downloads: dict[str, str] = {}
        self._place = ""

    def __call__(self, progress: Progress) -> None:
        """Take one piece of progress."""
        if self._quiet:
            return
        self._place = word_place(progress.session) if progress.session else ""
        line = self._word(progress)
        if progress.happening in _ENDS and progress.binding:
            self._downloads.pop(progress.unit, None)
        if line:
            self._write_line(line)
        elif progress.happening is Happening.ANSWERED:
            self._readings += 1
            self._count()
        elif progress.happening is Happening.STEP_OPENED and not progress.replayed:
            self._count()

    def finish(self) -> None:
        """End the counting line; say how much was read."""
        if self._readings and not self._quiet:
            self._write_line(f"  {count(self._readings, 'value')} read")
        self._readings = 0

    def _word(self, progress: Progress) -> str:  # noqa: PLR0911 - one return a case
        who = f"{progress.unit}: {progress.what}" if progress.unit else progress.what
        match progress.happening:
            case Happening.ANSWERED:
                return f"  + {clean(who)}" if progress.binding else ""
            case Happening.REFUSED if progress.binding:
                reason = explain_negative_response(int(progress.detail, 16))
                return f"  x {clean(who)}: refused, {reason}"
            case Happening.BYTES:
                if progress.fraction is None or not self._live:
                    return ""
                done = f"{progress.fraction:4.0%}{word_rate(progress)}"
                self._downloads[progress.unit] = f"{clean(progress.unit)}{done}"
                line = f"{clean(who)} {done}"
                if len(self._downloads) > 1:
                    # One terminal line holds one download in full, or several by their units.
                    line = " | ".join(self._downloads.values())
                self._run_on(f"    {line}{f'; {self._place}' if self._place else ''}")
                return ""
            case Happening.NO_ANSWER | Happening.NOT_SENT if not progress.binding:
                return ""
            case Happening.ROUND:
                left = progress.session and word_left(progress.session.left_s)
                return f"  {clean(progress.what)}{f'; about {left} left' if left else ''}"
            case Happening.NOTE | Happening.BUSY | Happening.PENDING:
                return f"  ! {clean(who)}"
            case happening if happening in _WORTH_A_LINE:
                detail = f" ({clean(progress.detail)})" if progress.detail else ""
                return f"  ! {clean(who) + ': ' if who else ''}{_PLAIN[happening]}{detail}"
            case _:
                return ""

    def _count(self) -> None:
        said = [f"{count(self._readings, 'value')} read", *([self._place] if self._place else [])]
        self._run_on(f"  {'; '.join(said)}")

    def _run_on(self, line: str) -> None:
        """Show the line that is written over again; cut to what a terminal can take back."""
        if self._live:
            width = get_terminal_size().columns - 1
            self._stream.write(f"\r\x1b[2K{line[:width]}")
            self._stream.flush()
            self._counting = True

    def _write_line(self, line: str) -> None:
        if self._counting:
            self._stream.write("\r\x1b[2K")
            self._counting = False
        self._stream.write(line + "\n")
        self._stream.flush()


def word_rate(progress: Progress) -> str:
    """How fast a download goes and how long it will take yet; empty where that is not known."""
    if not progress.bytes_per_s:
        return ""
    left = max(round(progress.left_s), 0)
    time = f"{left} s" if left < _LONG_S else f"{-(-left // 60)} min"
    return f", {progress.bytes_per_s / 1000:.1f} kB/s, {time} left"


def word_place(place: SessionPlace) -> str:
    """How far a session is and how long it will take yet."""
    if place.steps_done >= place.steps:
        return f"all {count(place.steps, 'step')} done"
    done = f"{place.steps_done} of {count(place.steps, 'step')} done"
    return f"{done}, about {word_left(place.left_s)} left"


def word_left(seconds: float) -> str:
    """A time that is only foreseen, no finer than it can be."""
    if seconds < _SHORT_S:
        return "10 s"
    if seconds < _LONG_S:
        return f"{-(-seconds // _STEP_S) * _STEP_S:.0f} s"
    minutes = int(-(-seconds // 60))
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"  # noqa: PLR2004
