"""What the loop needs of a journal: intents and outcomes, found by strand and number."""

import hashlib
from dataclasses import dataclass
from typing import Any, Protocol

import rfc8785

from donorfit.diagnostics.conversation import (
    Answered,
    Ask,
    Chosen,
    Download,
    Effect,
    Exchange,
    Mark,
    MarkKind,
    Noted,
    NotSent,
    Outcome,
    Pause,
    Paused,
    Question,
    Refused,
    Unknown,
)
from donorfit.records.encoding import UnreadableRecordError, decode, to_plain

_OUTCOMES: dict[str, type[Outcome]] = {
    kind.__name__: kind for kind in (Answered, Refused, NotSent, Unknown, Chosen, Paused, Noted)
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PastAsk:
    """One ask of an earlier run of the same conversation.

    Attributes:
        number: place in its strand, from 0.
        digest: digest of the ask.
        binding: whether it may have changed something or holds a person's word, so that it must
            not be asked afresh.
        outcome: what came of it; None where the intent stands alone.
    """

    number: int
    digest: str
    binding: bool
    outcome: Outcome | None


class RunJournal(Protocol):
    """The journal of one run of one stage."""

    def read_past(self) -> dict[str, tuple[PastAsk, ...]]:
        """Asks of earlier runs that still count, by strand, in order of number."""
        ...

    def write_cut(self, strand: str, number: int) -> None:
        """Say that asks of a strand from a number on no longer count: they are made afresh."""
        ...

    def write_intent(self, strand: str, past: PastAsk, what: str) -> None:
        """Write, durably where the ask is binding, what is about to be asked.

        Raises:
            JournalError: it could not be written; the ask must not be made.
        """
        ...

    def write_outcome(self, strand: str, number: int, outcome: Outcome, *, binding: bool) -> None:
        """Write what came of it.

        Raises:
            JournalError: it could not be written.
        """
        ...


def is_binding(ask: Ask) -> bool:
    """Whether an ask may change something, holds a person's word, or closes what came before."""
    match ask:
        case Exchange():
            return ask.effect is Effect.CHANGING
        case Download() | Question():
            return True
        case Mark():
            return ask.kind is MarkKind.CLOSED
        case Pause():
            return False


def compute_ask_digest(ask: Ask) -> str:
    """SHA-256 of the ask; the data of a download counts by its own digest."""
    plain = to_plain(ask) | {"kind": type(ask).__name__}
    if isinstance(ask, Download):
        plain["data"] = hashlib.sha256(ask.data).hexdigest()
    return hashlib.sha256(rfc8785.dumps(plain)).hexdigest()


def describe_ask(ask: Ask) -> str:
    """An ask in a few words, for the journal and for people."""
    match ask:
        case Exchange() | Download():
            return f"{ask.unit}: {ask.what}"
        case Question():
            return ask.text
        case Mark():
            return f"{ask.unit}: {ask.what} {ask.kind.value}" if ask.unit else ask.what
        case Pause():
            return f"wait {ask.seconds:g} s: {ask.why}"


def describe_place(ask: Ask) -> str:
    """Where the work stops that stops before an ask."""
    if isinstance(ask, Mark) and ask.unit:
        return f"{ask.unit}: step {ask.what}"
    return describe_ask(ask)


def outcome_to_plain(outcome: Outcome) -> dict[str, object]:
    """An outcome as a dictionary with its kind."""
    return {"kind": type(outcome).__name__, **to_plain(outcome)}


def outcome_from_plain(plain: dict[str, Any]) -> Outcome:
    """Read an outcome back.

    Raises:
        ValueError: it is none.
    """
    values = dict(plain)
    kind = _OUTCOMES.get(str(values.pop("kind", "")))
    if kind is None:
        message = f"no outcome: {plain!r}"
        raise ValueError(message)
    try:
        return decode(rfc8785.dumps(values), kind)
    except UnreadableRecordError as error:
        message = f"no outcome: {plain!r}"
        raise ValueError(message) from error
