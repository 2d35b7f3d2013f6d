"""The person at the terminal."""

import signal
import sys

import click
import pytest

from donorfit.cli.person import TerminalPerson
from donorfit.errors import InputError, StoppedError

CHOICES = ("yes", "no")


@pytest.fixture
def person(monkeypatch):
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    return TerminalPerson({"awake-*": "yes"}, may_ask=True)


def test_answers_given_beforehand_are_taken(person):
    assert person.answer("awake-key", "Is it so?", CHOICES) == "yes"
    with pytest.raises(InputError, match="no answer"):
        person.answer("awake-key", "Is it so?", ("left", "right"))


def test_nobody_is_asked_where_nobody_is_there():
    assert TerminalPerson({}, may_ask=False).answer("x", "Is it so?", CHOICES) is None


@pytest.mark.parametrize("way_out", [KeyboardInterrupt, click.Abort, EOFError])
def test_leaving_a_question_stops_at_a_known_point(person, monkeypatch, way_out):
    def leave(*_, **__):
        raise way_out

    monkeypatch.setattr(click, "prompt", leave)
    with pytest.raises(StoppedError, match="at a question") as caught:
        person.answer("caution-1", "Is it so?", CHOICES)
    assert caught.value.where == "caution-1"


def test_one_press_is_enough_at_a_question_and_afterwards_it_is_as_before(person, monkeypatch):
    """Elsewhere the first press only asks to stop at the next safe point."""
    pressed = []
    before = signal.signal(signal.SIGINT, lambda *_: pressed.append(1))

    def press(*_, **__):
        signal.raise_signal(signal.SIGINT)
        return "yes"

    monkeypatch.setattr(click, "prompt", press)
    try:
        with pytest.raises(StoppedError):
            person.answer("caution-1", "Is it so?", CHOICES)
        assert pressed == []
        signal.raise_signal(signal.SIGINT)
        assert pressed == [1]
    finally:
        signal.signal(signal.SIGINT, before)
