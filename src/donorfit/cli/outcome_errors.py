"""Errors, and so exit codes, for records that say that something did not go well."""

from donorfit.cli.columns import count
from donorfit.errors import (
    DonorfitError,
    LinkError,
    RefusedError,
    SafetyError,
    StoppedError,
    VerifyError,
)
from donorfit.records.change_record import ChangeRecord, StepState
from donorfit.records.finding import Severity
from donorfit.records.preparation import Preparation
from donorfit.records.proof import FaultVerdict, Proof
from donorfit.records.survey import Survey

_SHOWN_REASONS = 3


def raise_for_survey(survey: Survey) -> None:
    """Raise where nothing can be made of what was read.

    Raises:
        LinkError: no control unit answered.
        SafetyError: with every blocking finding.
    """
    state = "Nothing was changed in the car; what was read is kept in the job file."
    if not any(unit.answered for unit in survey.units):
        reasons = dict.fromkeys(each for unit in survey.units for each in unit.refusals)
        raise LinkError(
            what="No control unit answered.",
            why="; ".join(list(reasons)[:_SHOWN_REASONS]),
            state=state,
            next_step="See that ignition, supply and address are right, then survey again.",
        )
    blocking = [each for each in survey.findings if each.severity is Severity.BLOCKING]
    if blocking:
        raise SafetyError(
            what="Nothing can be planned on this survey.",
            why="; ".join(each.what for each in blocking),
            state=state,
            next_step=blocking[0].next_step,
        )


_BAD = frozenset((FaultVerdict.NEW, FaultVerdict.STILL_THERE))
_BAD_CODES = "fault codes are new or should be gone"


def raise_for_preparation(preparation: Preparation) -> None:
    """Raise where the car is not ready.

    Raises:
        SafetyError: with every blocking finding.
    """
    if preparation.ready:
        return
    blocking = [each.what for each in preparation.findings if each.severity is Severity.BLOCKING]
    raise SafetyError(
        what="The car is not ready for the plan.",
        why="; ".join(blocking),
        state="Nothing was changed in the car; what was read is kept in the job file.",
        next_step="Mend this, then prepare again.",
    )


def raise_for_change(change: ChangeRecord) -> None:
    """Raise where the plan was not carried out to its end.

    Raises:
        VerifyError: a unit holds neither old nor new.
        RefusedError: a unit said no.
        StoppedError: it stopped for another reason.
    """
    if change.finished:
        return
    states = {step.state for step in change.steps}
    kind: type[DonorfitError] = StoppedError
    if StepState.DIFFERS in states:
        kind = VerifyError
    elif StepState.REFUSED in states:
        kind = RefusedError
    changed = ", ".join(change.changed) or "no unit"
    raise kind(
        what="The plan was not carried out to its end.",
        why=change.stop_reason,
        state=f"Holding something new now: {changed}. Every step's state stands above.",
        next_step="donorfit resume JOB to go on, donorfit undo JOB to go back.",
    )


def raise_for_proof(proof: Proof) -> None:
    """Raise where the result is not proved.

    Raises:
        VerifyError: something differs, or a fault code stands that should be gone.
    """
    if proof.proved:
        return
    differing = sum(not each.equal for each in proof.read_backs)
    codes = sum(each.verdict in _BAD for each in proof.faults)
    refuted = [each.text for each in proof.checks if each.answer == "no"]
    by_hand = count(len(refuted), "check by hand is not so", "checks by hand are not so")
    parts = (
        (differing, count(differing, "value differs", "values differ")),
        (codes, count(codes, "fault code is new or should be gone", _BAD_CODES)),
        (len(refuted), by_hand),
    )
    blocking = [each.what for each in proof.findings if each.severity is Severity.BLOCKING]
    raise VerifyError(
        what="The result is not proved.",
        where=", ".join(words for number, words in parts if number),
        why="; ".join([*blocking, *refuted]),
        state="Nothing was written by this stage.",
        next_step="Mend what stands above and prove again: donorfit prove JOB; or go back: "
        "donorfit undo JOB.",
    )
