"""Whether this computer lasts: what is asked, what is refused, what is never asked."""

import psutil
import pytest

from donorfit.edge.host.power import (
    LOWEST_PERCENT,
    HostPower,
    is_running_low,
    read_host_power,
    require_lasting_power,
)
from donorfit.errors import SafetyError, StoppedError


class Person:
    def __init__(self, answer):
        self.given = answer
        self.asked = []

    def answer(self, question_id, text, choices):
        self.asked.append((question_id, text, choices))
        return self.given


def test_on_mains_nothing_is_asked():
    person = Person(None)
    assert "on mains" in require_lasting_power(HostPower(mains=True, percent=5.0), person)
    assert person.asked == []


@pytest.mark.parametrize(
    ("power", "question", "good", "bad"),
    [
        (HostPower(), "host-mains", "yes", "no"),
        (HostPower(percent=80.0), "host-mains", "yes", "no"),
        (
            HostPower(mains=False, percent=63.0, seconds_left=4800.0),
            "host-battery",
            "go-on",
            "stop",
        ),
    ],
)
def test_what_cannot_be_known_is_asked(power, question, good, bad):
    person = Person(good)
    assert good in require_lasting_power(power, person)
    ((asked, _, choices),) = person.asked
    assert asked == question
    assert set(choices) == {good, bad}
    with pytest.raises(SafetyError, match="may go out"):
        require_lasting_power(power, Person(bad))
    with pytest.raises(StoppedError) as stopped:
        require_lasting_power(power, Person(None))
    assert f"--answer {question}={good}" in str(stopped.value)


def test_a_battery_that_is_low_is_refused_without_asking():
    person = Person("go-on")
    with pytest.raises(SafetyError) as refused:
        require_lasting_power(HostPower(mains=False, percent=LOWEST_PERCENT - 1.0), person)
    assert person.asked == []
    assert f"{LOWEST_PERCENT} %" in str(refused.value)
    assert not is_running_low(HostPower(mains=False, percent=float(LOWEST_PERCENT)))


class Battery:
    def __init__(self, percent, secsleft, power_plugged):
        self.percent, self.secsleft, self.power_plugged = percent, secsleft, power_plugged


@pytest.mark.parametrize(
    ("battery", "expected"),
    [
        (None, HostPower()),
        (
            Battery(50, psutil.POWER_TIME_UNLIMITED, power_plugged=True),
            HostPower(mains=True, percent=50.0),
        ),
        (
            Battery(50, 3600, power_plugged=False),
            HostPower(mains=False, percent=50.0, seconds_left=3600.0),
        ),
        (Battery(50, psutil.POWER_TIME_UNKNOWN, None), HostPower(percent=50.0)),
    ],
)
def test_what_the_system_says_is_read(monkeypatch, battery, expected):
    monkeypatch.setattr(psutil, "sensors_battery", lambda: battery, raising=False)
    assert read_host_power() == expected


def test_a_driver_that_fails_means_not_known(monkeypatch):
    def fail():
        raise OSError(5, "no")

    monkeypatch.setattr(psutil, "sensors_battery", fail, raising=False)
    assert read_host_power() == HostPower()
