"""Fit report: requirement by requirement, whether a module can work in a car."""

from dataclasses import dataclass
from enum import Enum

from donorfit.records.finding import Finding


class Verdict(Enum):
    """What a requirement comes to."""

    MET = "met"
    AFTER_CHANGE = "met after a change"
    IMPOSSIBLE = "not possible"
    UNKNOWN = "unknown"


class Subject(Enum):
    """What a requirement is about."""

    OPTIONS = "options"
    BUILD_MONTH = "build month"
    IDENTITY = "identity"
    HARDWARE = "hardware"
    SOFTWARE = "software"
    COMPANION = "companion unit"
    SIGNAL = "signal"
    NETWORK = "network"
    CONNECTOR = "connector"
    SUPPLY = "supply"
    RING = "optical ring"
    SAFETY = "safety"


@dataclass(frozen=True, slots=True, kw_only=True)
class FitLine:
    """One requirement.

    Attributes:
        subject: what it is about.
        title: the requirement in a few words.
        verdict: what it comes to.
        reason: why.
        change: what would have to change; empty where nothing.
        evidence: what it rests on.
    """

    subject: Subject
    title: str
    verdict: Verdict
    reason: str
    change: str = ""
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FitReport:
    """The answer to "can this module work in this car".

    Attributes:
        pack_digest: digest of the pack.
        survey_digest: digest of the car's survey.
        bench_digest: digest of the module's own survey; empty where there is none.
        module: donor module's id.
        verdict: the worst of the lines.
        as_it_stands: whether it works with nothing changed.
        lines: one a requirement.
        findings: what else has to be said.
    """

    pack_digest: str
    survey_digest: str
    bench_digest: str
    module: str
    verdict: Verdict
    as_it_stands: bool
    lines: tuple[FitLine, ...]
    findings: tuple[Finding, ...] = ()
