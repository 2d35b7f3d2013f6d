"""What this computer has for the work: packages, adapters, networks, disk, power, clock.

Nothing here talks to a car. What cannot be known is said to be not known.
"""

import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import donorfit
from donorfit.edge.host.awake import stay_awake
from donorfit.edge.host.can_adapters import AdapterSearch, find_adapters
from donorfit.edge.host.network_interfaces import NetworkInterface, list_network_interfaces
from donorfit.edge.host.packages import PackageState, list_packages
from donorfit.edge.host.power import HostPower, is_running_low, read_host_power
from donorfit.edge.host.state_folder import find_state_folder

LEAST_PYTHON = (3, 11)
LEAST_FREE_BYTES = 200 << 20
"""Room for a job file, its log, a capture and a record; ours."""
_COARSE_CLOCK_S = 0.005
_DAY_S = 86_400.0
_MEBIBYTE = 1 << 20


class State(Enum):
    """How one thing stands."""

    GOOD = "good"
    ABSENT = "absent"
    DOUBTFUL = "doubtful"
    BAD = "bad"
    NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One thing that was looked at.

    Attributes:
        area: what it belongs to.
        subject: what was looked at.
        state: how it stands; only BAD keeps every job from working.
        words: what was found.
        next_step: what to do; empty where nothing is to be done.
    """

    area: str
    subject: str
    state: State
    words: str
    next_step: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Where the answers come from; tests put others in their place."""

    packages: Callable[[], tuple[PackageState, ...]] = list_packages
    adapters: Callable[[], AdapterSearch] = find_adapters
    interfaces: Callable[[], tuple[NetworkInterface, ...]] = list_network_interfaces
    power: Callable[[], HostPower] = read_host_power
    state_folder: Callable[[], Path] = find_state_folder
    keep_awake: Callable[[], str] | None = None
    wall_clock: Callable[[], float] = time.time
    free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free


def check_computer(sources: Sources) -> tuple[Checked, ...]:
    """Look at everything, in the order in which it is shown."""
    return (
        _check_python(),
        *_check_packages(sources.packages()),
        *_check_adapters(sources.adapters()),
        *_check_networks(sources.interfaces()),
        *_check_folders(sources),
        _check_power(sources.power()),
        _check_awake(sources.keep_awake or _try_to_stay_awake),
        *_check_clocks(sources.wall_clock()),
    )


def _check_python() -> Checked:
    version = ".".join(map(str, sys.version_info[:3]))
    good = sys.version_info >= LEAST_PYTHON
    return Checked(
        area="program",
        subject="Python",
        state=State.GOOD if good else State.BAD,
        words=f"{version} on {platform.system()} {platform.release()}, {platform.machine()}; "
        f"donorfit {donorfit.__version__}",
        next_step="" if good else "Install Python 3.11 or newer.",
    )


def _check_packages(packages: tuple[PackageState, ...]) -> list[Checked]:
    checked = []
    for extra in dict.fromkeys(each.extra for each in packages):
        mine = [each for each in packages if each.extra == extra]
        missing = [each for each in mine if not each.version]
        words = ", ".join(f"{each.name} {each.version or 'missing'}" for each in mine)
        if extra:
            state = State.ABSENT if missing else State.GOOD
            next_step = f"Where it is needed: install donorfit[{extra}]." if missing else ""
            purpose = f" ({mine[0].purpose})" if mine[0].purpose else ""
            checked.append(
                Checked(
                    area="extras",
                    subject=extra,
                    state=state,
                    words=words + purpose,
                    next_step=next_step,
                )
            )
            continue
        needed = [each for each in missing if not each.replaced_by]
        checked += [
            Checked(
                area="program",
                subject="packages",
                state=State.BAD if needed else State.GOOD,
                words=words,
                next_step="Install donorfit anew; it brings its packages." if needed else "",
            ),
            *(
                Checked(
                    area="program",
                    subject=each.purpose,
                    state=State.GOOD if each.version else State.DOUBTFUL,
                    words=f"{each.name} {each.version}" if each.version else each.replaced_by,
                )
                for each in mine
                if each.replaced_by
            ),
        ]
    return checked


def _check_adapters(search: AdapterSearch) -> list[Checked]:
    if search.problem:
        state = State.ABSENT if search.is_absent else State.NOT_KNOWN
        return [Checked(area="CAN", subject="adapters", state=state, words=search.problem)]
    found = [
        Checked(
            area="CAN",
            subject=f"{each.interface}:{each.channel}",
            state=State.GOOD,
            words=f"python-can says that it is there; --can {each.interface}:{each.channel}",
        )
        for each in search.adapters
    ]
    return found or [
        Checked(
            area="CAN",
            subject="adapters",
            state=State.ABSENT,
            words="python-can finds none; not every kind of adapter can be found unasked",
            next_step="If one is connected, name it: --can INTERFACE:CHANNEL@BITRATE.",
        )
    ]


def _check_networks(interfaces: tuple[NetworkInterface, ...]) -> list[Checked]:
    checked = [
        Checked(
            area="network",
            subject=each.name,
            state=State.GOOD if each.up else State.ABSENT,
            words=f"{each.address}, {'up' if each.up else 'down'}"
            + (f"; ask everybody there: find --broadcast {each.name}" if each.broadcast else ""),
        )
        for each in interfaces
    ]
    return checked or [
        Checked(
            area="network",
            subject="interfaces",
            state=State.ABSENT,
            words="none has an IPv4 address, so no car can be reached over DoIP",
            next_step="Connect the cable and switch the ignition on.",
        )
    ]


def _check_folders(sources: Sources) -> list[Checked]:
    folder = sources.state_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(b"donorfit")
        problem = ""
    except OSError as error:
        problem = error.strerror or str(error)
    checked = [
        Checked(
            area="storage",
            subject="state folder",
            state=State.DOUBTFUL if problem else State.GOOD,
            words=f"{folder}: {problem or 'can be written'}",
            next_step="Without it two programs on one car are not noticed here."
            if problem
            else "",
        )
    ]
    for place in dict.fromkeys((Path.cwd(), folder if folder.exists() else Path.cwd())):
        try:
            free = sources.free_bytes(place)
        except OSError as error:
            words = f"{place}: {error.strerror or error}"
            checked.append(
                Checked(area="storage", subject="free", state=State.NOT_KNOWN, words=words)
            )
            continue
        scarce = free < LEAST_FREE_BYTES
        checked.append(
            Checked(
                area="storage",
                subject="free",
                state=State.BAD if scarce else State.GOOD,
                words=f"{place}: {free / _MEBIBYTE:,.0f} MiB",
                next_step="Free some space before a job begins." if scarce else "",
            )
        )
    return checked


def _check_power(power: HostPower) -> Checked:
    if is_running_low(power):
        state, next_step = State.DOUBTFUL, "Connect it to mains; nothing is written like this."
    elif power.mains:
        state, next_step = State.GOOD, ""
    elif power.mains is None:
        state, next_step = State.NOT_KNOWN, "Before anything is written you are asked: host-mains."
    else:
        state, next_step = State.DOUBTFUL, "Connect it to mains before anything is written."
    return Checked(
        area="power", subject="mains", state=state, words=power.words, next_step=next_step
    )


def _try_to_stay_awake() -> str:
    with stay_awake() as why:
        return why


def _check_awake(keep_awake: Callable[[], str]) -> Checked:
    why = keep_awake()
    return Checked(
        area="power",
        subject="stay awake",
        state=State.DOUBTFUL if why else State.GOOD,
        words=f"cannot be kept awake: {why}" if why else "can be kept awake during a session",
        next_step="Switch its sleep off in the system's settings." if why else "",
    )


def _check_clocks(wall_s: float) -> list[Checked]:
    written_s = Path(donorfit.__file__).stat().st_mtime
    early = wall_s < written_s - _DAY_S
    moment = time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime(wall_s))
    resolution_s = time.get_clock_info("monotonic").resolution
    coarse = resolution_s > _COARSE_CLOCK_S
    return [
        Checked(
            area="clock",
            subject="date",
            state=State.DOUBTFUL if early else State.GOOD,
            words=f"{moment} UTC, "
            + (
                "which is before this program was installed"
                if early
                else "which can be; whether it is right cannot be known here"
            ),
            next_step="Set the clock: records carry its time." if early else "",
        ),
        Checked(
            area="clock",
            subject="steps",
            state=State.DOUBTFUL if coarse else State.GOOD,
            words=f"{resolution_s * 1000:.3g} ms"
            + ("; short separation times on CAN become that long" if coarse else ""),
        ),
    ]
