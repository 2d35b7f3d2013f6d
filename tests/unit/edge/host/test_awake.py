"""Keeping the computer awake never ends a session."""

from contextlib import contextmanager

import pytest

from donorfit.edge.host.awake import stay_awake


class Method:
    def __init__(self, reason):
        self.failure_reason = reason


class Result:
    def list_methods(self):
        return [Method("x is not supported on LINUX. The supported platforms are: MACOS"),
                Method("no session bus\n is running")]  # fmt: skip


class Mode:
    def __init__(self, *reasons, active):
        self.active = active
        self.result = Result()
        if reasons:
            self.result.list_methods = lambda: [Method(each) for each in reasons]


def test_it_is_held_for_as_long_as_the_context():
    deeds = []

    @contextmanager
    def begin():
        deeds.append("begin")
        yield Mode(active=True)
        deeds.append("end")

    with stay_awake(begin) as why:
        assert why == ""
        assert deeds == ["begin"]
    assert deeds == ["begin", "end"]


def test_a_failure_is_told_by_its_reason():
    @contextmanager
    def begin():
        yield Mode(active=False)

    with stay_awake(begin) as why:
        assert why == "no session bus is running"


NO_BUS = (
    "DBusCallError('DBus call failed with message: The environment variable "
    "DBUS_SESSION_BUS_ADDRESS is not set! To use it, see elsewhere')"
)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (
            NO_BUS,
            "no desktop session is running here that could be asked for it",
        ),
        (
            "DBusCallError(\"DBus call of method 'Inhibit' failed with message: not\n allowed\")",
            "not allowed",
        ),
        ("RuntimeError('no such service')", "no such service"),
        ("no such service (yet)", "no such service (yet)"),
    ],
)
def test_an_exception_is_put_in_plain_words(reason, words):
    @contextmanager
    def begin():
        yield Mode(reason, active=False)

    with stay_awake(begin) as why:
        assert why == words


def test_even_a_broken_library_only_gives_a_reason():
    with stay_awake(lambda: {}["broken"]) as why:
        assert "broken" in why


def test_an_error_inside_passes_through():
    with pytest.raises(ZeroDivisionError), stay_awake(lambda: {}["broken"]):
        _ = 1 / 0
