"""Processes of this computer, told apart also where a number was given out again."""

import os
import socket
from dataclasses import dataclass

_SAME_START_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessMark:
    """One process.

    Attributes:
        number: its number.
        started_s: when it began, in seconds of the wall clock.
        since_boot_s: when it began, in seconds after the computer did. Systems reckon one of the
            two from the other, so that a wall clock that was set moves one of them; never both.
    """

    number: int
    started_s: float
    since_boot_s: float


def read_process(number: int) -> ProcessMark | None:
    """The process of a number; None where there is none."""
    import psutil  # noqa: PLC0415 - slow to import, and needed once a session

    try:
        booted_s = float(psutil.boot_time())
        started_s = float(psutil.Process(number).create_time())
    except psutil.NoSuchProcess:
        return None
    except psutil.Error:
        # It is there, and will not say more.
        return ProcessMark(number=number, started_s=0.0, since_boot_s=0.0)
    return ProcessMark(number=number, started_s=started_s, since_boot_s=started_s - booted_s)


def read_own_process() -> ProcessMark:
    """This process."""
    number = os.getpid()
    return read_process(number) or ProcessMark(number=number, started_s=0.0, since_boot_s=0.0)


def is_running(mark: ProcessMark) -> bool:
    """Whether that process is there and is still the same; in doubt it is."""
    now = read_process(mark.number)
    return now is not None and is_same(mark, now)


def is_same(mark: ProcessMark, now: ProcessMark) -> bool:
    """Whether what has a number now is what had it then; in doubt it is."""
    if not now.started_s or not mark.started_s:
        return True
    return (
        abs(now.started_s - mark.started_s) < _SAME_START_S
        or abs(now.since_boot_s - mark.since_boot_s) < _SAME_START_S
    )


def read_host_name() -> str:
    """Name of this computer."""
    return socket.gethostname()
