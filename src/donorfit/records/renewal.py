"""Renewal: what was asked and measured once more before work that had stopped went on."""

from dataclasses import dataclass

from donorfit.records.finding import Finding
from donorfit.records.preparation import WakeCheck

UNDERSTOOD, YES = "understood", "yes"
AGREED = frozenset((UNDERSTOOD, YES))
"""Answers to questions of the preparation that let the work go on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenAnswer:
    """What the person said to a question of the preparation that was asked again."""

    question: str
    text: str
    choice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """Why work that had stopped could go on, or not.

    Attributes:
        plan_digest: the plan that was carried on.
        preparation_digest: the preparation that it relies on.
        vin: the car.
        looked_at: ISO 8601 with offset; the answers were given then.
        too_old: why the earlier answers did not count any more; empty where they did.
        answers: answers that were given anew.
        wake_checks: conditions that were read or asked again.
        supply_volts: supply measured before the first change of this part of the work.
        support_current_a: current that the person's supply can hold; None where not said.
        ready: whether the work may go on.
        findings: why not, and what else.
    """

    plan_digest: str
    preparation_digest: str
    vin: str
    looked_at: str
    too_old: str
    answers: tuple[GivenAnswer, ...]
    wake_checks: tuple[WakeCheck, ...]
    supply_volts: float | None
    support_current_a: float | None
    ready: bool
    findings: tuple[Finding, ...] = ()

    @property
    def is_agreed(self) -> bool:
        """Whether the person agreed to everything that was asked again."""
        return all(each.choice in AGREED for each in self.answers)
