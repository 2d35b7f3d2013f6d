"""Watches the computer during a session: that it was not asleep or stopped, and its power."""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass

from donorfit.edge.host.power import PowerReader, is_running_low

TICK_S = 1.0
POWER_EVERY_S = 20.0
SESSION_LASTS_S = 5.0
"""S3 of a control unit: a session without requests ends after it (ISO 14229-2)."""


def read_boot_clock() -> float:
    """Seconds since the computer started, those asleep included where the system counts them."""
    # On Linux only CLOCK_BOOTTIME goes on in sleep; on macOS CLOCK_MONOTONIC does, which is not
    # what time.monotonic reads there; on Windows time.monotonic itself does.
    clock = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))
    return time.monotonic() if clock is None else time.clock_gettime(clock)


@dataclass(frozen=True, slots=True, kw_only=True)
class HostWatch:
    """What the watch needs, and whom it tells.

    Attributes:
        tell: takes one sentence for people.
        stop: asks the session to stop before its next change, with the reason.
        read_power: reads mains and battery.
        running_clock: monotonic seconds that may leave out those asleep.
        boot_clock: monotonic seconds that count those asleep where the system can.
    """

    tell: Callable[[str], None]
    stop: Callable[[str], None]
    read_power: PowerReader
    running_clock: Callable[[], float] = time.monotonic
    boot_clock: Callable[[], float] = read_boot_clock

    async def run(self) -> None:
        """Watch until cancelled."""
        running_s, boot_s = self.running_clock(), self.boot_clock()
        power_at_s = running_s + POWER_EVERY_S
        on_mains = self.read_power().mains
        while True:
            await asyncio.sleep(TICK_S)
            was_running_s, was_boot_s = running_s, boot_s
            running_s, boot_s = self.running_clock(), self.boot_clock()
            self._judge_gap(running_s - was_running_s, boot_s - was_boot_s)
            if running_s >= power_at_s:
                power_at_s = running_s + POWER_EVERY_S
                on_mains = self._judge_power(on_mains)

    def _judge_gap(self, ran_s: float, passed_s: float) -> None:
        gap_s = max(ran_s, passed_s) - TICK_S
        if gap_s < SESSION_LASTS_S:
            return
        deed = "was asleep" if passed_s - ran_s > TICK_S else "slept or held this program up"
        self.tell(
            f"this computer {deed} for {gap_s:.0f} s: control units end a session after "
            f"{SESSION_LASTS_S:.0f} s without a request, so sessions are entered again, and a "
            "change without an answer is read back before anything else is written"
        )

    def _judge_power(self, was_on_mains: bool | None) -> bool | None:  # noqa: FBT001 - three values
        power = self.read_power()
        if was_on_mains and power.mains is False:
            self.tell(f"mains was lost: this computer is {power.words} now")
        if is_running_low(power):
            self.stop(f"this computer is {power.words}")
        return power.mains
