"""Findings: what the program has to say about the car."""

from dataclasses import dataclass
from enum import Enum


class Severity(Enum):
    """How much a finding matters."""

    NOTE = "note"
    WARNING = "warning"
    BLOCKING = "blocking"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to say: what, where, why, the evidence, what to do.

    Attributes:
        id: stable kind of finding, words with hyphens.
        severity: how much it matters.
        what: the finding in one sentence.
        where: unit, identifier, option, file.
        why: the reason.
        evidence: bytes, rules, readings it rests on.
        next_step: what to do.
    """

    id: str
    severity: Severity
    what: str
    where: str = ""
    why: str = ""
    evidence: tuple[str, ...] = ()
    next_step: str = ""
