"""Keep this computer from falling asleep while it talks to a car."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

_LONGEST_WORDS = 160

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
            why = f"{type(error).__name__}: {error}"
        yield why


def _explain(mode: Any) -> str:
    """The first reason that says more than that a method is for another system."""
    reasons = [
        str(each.failure_reason)
        for each in mode.result.list_methods()
        if "supported platforms" not in str(each.failure_reason)
    ]
    text = " ".join((reasons or ["no way is known on this system"])[0].split())
    return text if len(text) <= _LONGEST_WORDS else text[:_LONGEST_WORDS] + "..."
