"""Whether this computer's own power will last: mains, battery, or not to be known."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from donorfit.errors import SafetyError, StoppedError
from donorfit.job.progress import Person

LOWEST_PERCENT = 30
"""Charge below which nothing is begun on battery; common practice, no source."""
YES, NO, GO_ON, STOP = "yes", "no", "go-on", "stop"
_MINUTE_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class HostPower:
    """What the system says.

    Attributes:
        mains: whether it runs on mains; None where that cannot be found out.
        percent: charge of its battery; None where no battery is seen.
        seconds_left: how long the battery lasts, as the system reckons; None where not said.
    """

    mains: bool | None = None
    percent: float | None = None
    seconds_left: float | None = None

    @property
    def words(self) -> str:
        """One phrase for people."""
        charge = "" if self.percent is None else f", battery at {self.percent:.0f} %"
        if self.mains:
            return f"on mains{charge}"
        if self.mains is None and self.percent is None:
            return "not known: the system reports no battery"
        if self.mains is None:
            return f"not known whether on mains{charge}"
        left = ""
        if self.seconds_left is not None:
            left = f", about {self.seconds_left / _MINUTE_S:.0f} min left"
        return f"on battery{charge}{left}"


PowerReader = Callable[[], HostPower]


def read_host_power() -> HostPower:
    """Ask the system through psutil; whatever goes wrong there means "not known"."""
    try:
        import psutil  # noqa: PLC0415 - slow to import, and needed once a session

        battery: Any = psutil.sensors_battery()
    except Exception:  # noqa: BLE001 - drivers of some systems raise what they like
        return HostPower()
    if battery is None:
        return HostPower()
    seconds = battery.secsleft
    return HostPower(
        mains=None if battery.power_plugged is None else bool(battery.power_plugged),
        percent=float(battery.percent),
        # psutil gives negative numbers for "unlimited" and "unknown"
        seconds_left=float(seconds) if seconds is not None and seconds >= 0 else None,
    )


def is_running_low(power: HostPower) -> bool:
    """Whether it is on battery, as far as is known, and near its end."""
    return not power.mains and power.percent is not None and power.percent < LOWEST_PERCENT


def require_lasting_power(power: HostPower, person: Person) -> str:
    """Make sure that this computer will not go out in the middle of a change; say how it is known.

    Raises:
        SafetyError: it runs on a battery that is low, or the person says no.
        StoppedError: only a person can say, and nobody is there.
    """
    if power.mains:
        return power.words
    if is_running_low(power):
        raise SafetyError(
            what="This computer may go out before the end.",
            where="this computer",
            why=f"It is {power.words}; at least {LOWEST_PERCENT} % are needed without mains.",
            next_step="Connect it to mains, then give the same command again.",
        )
    if power.mains is False:
        question = "host-battery"
        text = f"This computer is {power.words}. Connect it to mains, or go on all the same?"
        good, choices = GO_ON, (GO_ON, STOP)
    else:
        question = "host-mains"
        text = (
            f"Power of this computer: {power.words}. Is it on mains, or sure to run until the "
            "session is over?"
        )
        good, choices = YES, (YES, NO)
    answer = person.answer(question, text, choices)
    if answer is None:
        raise StoppedError(
            what="A question is open and nobody is there to answer it.",
            where=question,
            why=text,
            next_step=f"Give the answer with --answer {question}={good} "
            f"(choices: {', '.join(choices)}).",
        )
    if answer != good:
        raise SafetyError(
            what="This computer may go out before the end.",
            where="this computer",
            why=f"The answer to {question} was {answer!r}.",
            next_step="Connect it to mains, then give the same command again.",
        )
    return f"{power.words}; the person says: {answer}"
