"""CAN adapters that python-can finds, asked in a process of its own with a time limit.

Finding adapters loads the drivers of every maker; they may hang, print, or take the process down,
and none of that may reach a person.
"""

import importlib.util
import json
import subprocess
import sys
from dataclasses import dataclass

LONGEST_S = 20.0
_NOT_ADAPTERS = frozenset(("virtual", "udp_multicast"))
"""Kinds that exist on every computer and lead to no car."""
_PROGRAM = """\
import json, logging
logging.disable(logging.CRITICAL)
import can
found = can.detect_available_configs()
try:
    set_up = can.util.load_config()
    found.insert(0, {"interface": set_up["interface"], "channel": set_up["channel"]})
except Exception:
    pass
print(json.dumps([[str(each["interface"]), str(each["channel"])] for each in found]))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Adapter:
    """One adapter, in python-can's words."""

    interface: str
    channel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterSearch:
    """What was found, or why nothing can be said.

    Attributes:
        adapters: adapters that could lead to a car.
        problem: why the search failed; empty where it did not.
        is_absent: whether it failed because the extra is not installed.
    """

    adapters: tuple[Adapter, ...] = ()
    problem: str = ""
    is_absent: bool = False


def find_adapters(*, program: str = _PROGRAM, longest_s: float = LONGEST_S) -> AdapterSearch:
    """Ask python-can; never raises."""
    if importlib.util.find_spec("can") is None:
        problem = "python-can is not installed; it comes with the extra can"
        return AdapterSearch(problem=problem, is_absent=True)
    try:
        done = subprocess.run(  # noqa: S603 - our own program
            [sys.executable, "-c", program],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            text=True,
            timeout=longest_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return AdapterSearch(problem=f"a driver did not answer within {longest_s:g} s")
    except OSError as error:
        return AdapterSearch(problem=f"the search could not be started: {error.strerror}")
    try:
        pairs = json.loads(done.stdout.strip().splitlines()[-1])
        adapters = tuple(Adapter(interface=kind, channel=channel) for kind, channel in pairs)
    except (ValueError, IndexError, TypeError):
        said = (done.stderr.strip().splitlines() or ["nothing"])[-1]
        return AdapterSearch(problem=f"a driver broke the search off ({said[:120]})")
    return AdapterSearch(
        # what python-can's own settings name comes first, and may be found once more
        adapters=tuple(
            each for each in dict.fromkeys(adapters) if each.interface not in _NOT_ADAPTERS
        )
    )
