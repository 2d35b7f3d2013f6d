"""Progress as lines on the error stream: changes always, readings as one counting line."""

import sys
from typing import TextIO

from donorfit.cli.columns import clean
from donorfit.diagnostics.negative_response import explain_negative_response
from donorfit.job.progress import Happening, Progress

_PLAIN = {
    Happening.WAITING: "waiting",
    Happening.LINK_LOST: "connection lost",
    Happening.RECONNECTED: "connected again, same car",
    Happening.REPLAYED: "no outcome on record, so it is looked at first",
    Happening.NO_ANSWER: "no answer",
}
_LONG_S = 120
_ENDS = frozenset((Happening.ANSWERED, Happening.REFUSED, Happening.NO_ANSWER))
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

    def __call__(self, progress: Progress) -> None:
        """Take one piece of progress."""
        if self._quiet:
            return
        line = self._word(progress)
        if progress.happening in _ENDS and progress.binding:
            self._downloads.pop(progress.unit, None)
        if line:
            self._write_line(line)
        elif progress.happening is Happening.ANSWERED:
            self._count()

    def finish(self) -> None:
        """End the counting line; say how much was read."""
        if self._readings and not self._quiet:
            self._write_line(f"  {self._readings} values read")
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
                self._stream.write(f"\r\x1b[2K    {line}")
                self._stream.flush()
                self._counting = True
                return ""
            case Happening.NO_ANSWER if not progress.binding:
                return ""
            case Happening.ROUND:
                return f"  {clean(progress.what)}"
            case Happening.NOTE | Happening.BUSY | Happening.PENDING:
                return f"  ! {clean(who)}"
            case happening if happening in _WORTH_A_LINE:
                detail = f" ({clean(progress.detail)})" if progress.detail else ""
                return f"  ! {clean(who) + ': ' if who else ''}{_PLAIN[happening]}{detail}"
            case _:
                return ""

    def _count(self) -> None:
        self._readings += 1
        if self._live:
            self._stream.write(f"\r\x1b[2K  {self._readings} values read")
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
