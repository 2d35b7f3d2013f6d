"""The person at the terminal: answers given beforehand, else a prompt, else nobody."""

import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import click

from donorfit.cli.columns import fold
from donorfit.errors import InputError, StoppedError


def parse_answers(texts: Iterable[str], option: str = "--answer") -> dict[str, str]:
    """Read ``ID=CHOICE`` texts.

    Raises:
        InputError: a text of another form.
    """
    answers = {}
    for text in texts:
        name, separator, choice = text.partition("=")
        if not separator or not name or not choice:
            raise InputError(
                what=f"{text!r} is no answer.",
                where=option,
                why="An answer is written ID=CHOICE.",
                next_step="Name the question as it is asked, then one of its choices, such as "
                f"{option} awake-ignition=yes",
            )
        answers[name.strip()] = choice.strip()
    return answers


@contextmanager
def _interrupt_at_once() -> Iterator[None]:
    """Let the first Ctrl+C end a question: while one is asked nothing else goes on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class TerminalPerson:
    """Answers from the command line first; an id may end in ``*`` to answer several alike."""

    def __init__(self, answers: dict[str, str], *, may_ask: bool) -> None:
        self._answers = answers
        self._asked: set[str] = set()
        self._may_ask = may_ask and sys.stdin.isatty()

    @property
    def may_ask(self) -> bool:
        """Whether somebody is there to be asked."""
        return self._may_ask

    def list_unasked(self) -> tuple[str, ...]:
        """Questions that were answered beforehand by their whole id, and never asked."""
        given = (each for each in self._answers if not each.endswith("*"))
        return tuple(each for each in given if each not in self._asked)

    def answer(self, question_id: str, text: str, choices: tuple[str, ...]) -> str | None:
        """One of the choices; None where nobody is there."""
        self._asked.add(question_id)
        given = self._find(question_id)
        if given is not None:
            if given not in choices:
                raise InputError(
                    what=f"{given!r} is no answer to {question_id}.",
                    where="--answer",
                    why=f"The choices are: {', '.join(choices)}.",
                    next_step="Give one of them.",
                )
            return given
        if not self._may_ask:
            return None
        click.echo("\n".join(("", *fold(text))), err=True)
        try:
            with _interrupt_at_once():
                return str(click.prompt("  answer", type=click.Choice(list(choices)), err=True))
        except (click.Abort, KeyboardInterrupt, EOFError) as left:
            click.echo(err=True)
            raise StoppedError(
                what="Stopped at a question, which is asked again next time.",
                where=question_id,
                state="Everything done so far is in the job file; nothing was under way.",
                next_step="donorfit resume JOB, or the same command again.",
            ) from left

    def _find(self, question_id: str) -> str | None:
        if question_id in self._answers:
            return self._answers[question_id]
        for pattern, choice in self._answers.items():
            if pattern.endswith("*") and question_id.startswith(pattern[:-1]):
                return choice
        return None
