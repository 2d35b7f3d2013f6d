"""What a person has said for the newest plan, and when, for whoever looks at the job."""

from dataclasses import dataclass

from donorfit.job.going_on import list_renewals
from donorfit.job.host_notes import list_changes
from donorfit.job.store import JobStore, decode_stored
from donorfit.records.preparation import Preparation, WakeCheck
from donorfit.records.renewal import Renewal


@dataclass(frozen=True, slots=True, kw_only=True)
class GivenLine:
    """Answers and measured values of one moment.

    Attributes:
        at: ISO 8601 time with offset.
        subject: what they were given for.
        words: what was said and measured.
    """

    at: str
    subject: str
    words: str


def list_given(store: JobStore) -> tuple[GivenLine, ...]:
    """Answers for the newest preparation and its plan, and this computer's power, oldest first."""
    lines = []
    stored = store.find_latest("preparation")
    if stored is not None:
        preparation = decode_stored(stored, Preparation)
        lines.append(_word_preparation(preparation))
        lines += map(_word_renewal, list_renewals(store, preparation.plan_digest))
    lines += [
        GivenLine(at=each.at, subject="this computer", words=each.words)
        for each in list_changes(store)
    ]
    return tuple(sorted(lines, key=lambda line: line.at))


def _word_preparation(preparation: Preparation) -> GivenLine:
    cautions = ", ".join(preparation.cautions_confirmed)
    parts = [f"cautions understood: {cautions}"] if cautions else []
    parts += _word_measured(
        preparation.wake_checks, preparation.supply_volts, preparation.support_current_a
    )
    return GivenLine(at=preparation.prepared_at, subject="preparation", words="; ".join(parts))


def _word_renewal(renewal: Renewal) -> GivenLine:
    why = f"earlier answers {renewal.too_old}" if renewal.too_old else "earlier answers count"
    answers = ", ".join(f"{each.question} {each.choice}" for each in renewal.answers)
    parts = [why, f"given again: {answers}"] if answers else [why]
    parts += _word_measured(renewal.wake_checks, renewal.supply_volts, renewal.support_current_a)
    parts += [each.what for each in renewal.findings]
    subject = "going on" if renewal.ready else "not going on"
    return GivenLine(at=renewal.looked_at, subject=subject, words="; ".join(parts))


def _word_measured(
    checks: tuple[WakeCheck, ...], volts: float | None, support_a: float | None
) -> list[str]:
    met = ", ".join(each.id for each in checks if each.met)
    parts = [f"the car stays awake by: {met}"] if met else []
    parts += [f"NOT met: {each.text} {each.shown_by}" for each in checks if not each.met]
    if volts is not None:
        parts.append(f"supply measured at {volts:.2f} V")
    if support_a is not None:
        parts.append(f"support of {support_a:g} A stated")
    return parts
