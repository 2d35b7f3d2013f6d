"""The rules that hold before a plan is carried out, or carried on."""

from donorfit.errors import SafetyError
from donorfit.job.store import JobStore
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Severity
from donorfit.records.plan import Plan, StepKind
from donorfit.records.preparation import Preparation
from donorfit.stages.prepare import WRITES
from donorfit.vehicle.pack import Pack

_BLOCKING = Severity.BLOCKING


def require_ready(pack: Pack, store: JobStore, plan: Plan, preparation: Preparation) -> None:
    """Every rule that has to hold before the first write; no option turns one off.

    Raises:
        SafetyError: with every rule that does not.
    """
    reasons = [finding.what for finding in plan.findings if finding.severity is _BLOCKING]
    reasons += [f"open question: {each.text}" for each in plan.questions if not each.chosen]
    if preparation.plan_digest != compute_digest(plan):
        reasons.append("the preparation was made for another plan")
    if not preparation.ready:
        reasons += [each.what for each in preparation.findings if each.severity is _BLOCKING]
    reasons += _list_missing_backups(store, plan, preparation)
    unit_names = {step.unit for step in plan.steps if step.kind is not StepKind.CLEAR_FAULTS}
    reasons += [
        f"{unit.title} belongs to the {unit.system.value} system and is never written"
        for unit in pack.units
        if unit.id in unit_names and unit.system.read_only
    ]
    if reasons:
        raise SafetyError(
            what="The plan may not be applied.",
            why="; ".join(reasons),
            next_step="Mend this, then: donorfit prepare JOB",
        )


def _list_missing_backups(store: JobStore, plan: Plan, preparation: Preparation) -> list[str]:
    backups = {(each.unit, each.identifier): each for each in preparation.backups}
    reasons = []
    for step in plan.steps:
        if step.kind not in WRITES:
            continue
        backup = backups.get((step.unit, step.identifier))
        if backup is None:
            reasons.append(f"{step.unit} {step.identifier:04X} has no backup")
        elif store.read_backup(backup.sha256) != backup.data:
            reasons.append(f"the backup of {step.unit} {step.identifier:04X} is damaged")
    return reasons
