"""Keep this computer from falling asleep while it talks to a car."""

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

_LONGEST_WORDS = 160
_NO_DESKTOP = "DBUS_SESSION_BUS_ADDRESS"
_NO_DESKTOP_WORDS = "no desktop session is running here that could be asked for it"
_RAISED = re.compile(r"""\w+\((?P<quote>['"])(?P<words>.*)(?P=quote),?\)""", re.DOTALL)
_CAUSE = "failed with message:"

KeepAwake = Callable[[], Any]


def ask_system_to_stay_awake() -> Any:
    """A context of wakepy that keeps the system running; the screen may go dark."""
    from wakepy import keep  # noqa: PLC0415 - slow to import, and needed once a session

    return keep.running(on_fail="pass")


@contextmanager
def stay_awake(begin: KeepAwake = ask_system_to_stay_awake) -> Iterator[str]:
    """Keep the system awake inside the context.

    Yields:
        why that does not work; an empty text where it does. It never raises of itself.
    """
    with ExitStack() as stack:
        try:
            mode = stack.enter_context(begin())
            why = "" if mode.active else _explain(mode)
        except Exception as error:  # noqa: BLE001 - a courtesy must not end the session
            why = _shorten(f"asking the system for it failed: {type(error).__name__}, {error}")
        yield why


def _explain(mode: Any) -> str:
    """The first reason that says more than that a method is for another system."""
    reasons = [
        str(each.failure_reason)
        for each in mode.result.list_methods()
        if "supported platforms" not in str(each.failure_reason)
    ]
    return _put_plainly((reasons or ["no way is known on this system"])[0])


def _put_plainly(reason: str) -> str:
    """What the library gives as a reason may be an exception as a programmer sees it."""
    if _NO_DESKTOP in reason:
        return _NO_DESKTOP_WORDS
    raised = _RAISED.fullmatch(reason.strip())
    words = raised["words"] if raised else reason
    return _shorten(words.partition(_CAUSE)[2] or words)


def _shorten(words: str) -> str:
    text = " ".join(words.split())
    return text if len(text) <= _LONGEST_WORDS else text[:_LONGEST_WORDS] + "..."
