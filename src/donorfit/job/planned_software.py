"""The software that a plan brings in, each file proved before anything is erased."""

from collections.abc import Callable

from donorfit.errors import SafetyError
from donorfit.records.plan import Plan, StepKind
from donorfit.vehicle.software import SoftwareImage


def load_planned_software(
    plan: Plan, load_software: Callable[[str], SoftwareImage]
) -> dict[str, bytes]:
    """Bytes of every software file of a plan.

    Args:
        plan: the plan.
        load_software: gives what a software file of the pack holds.

    Raises:
        SafetyError: a file is not the one that was planned.
    """
    software = {}
    for step in plan.steps:
        if step.kind is not StepKind.PROGRAM:
            continue
        image = load_software(step.software_file)
        digest = image.sha256
        if digest != step.software_sha256:
            raise SafetyError(
                what=f"The software file {step.software_file} is not the one that was planned.",
                where=step.software_file,
                why=f"SHA-256 {digest[:16]}... instead of {step.software_sha256[:16]}...",
                next_step="Use the pack that the plan was made with.",
            )
        software[step.software_file] = image.data
    return software
