"""Whether the records that a way back is planned from belong together."""

import hashlib

from donorfit.errors import SafetyError
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan
from donorfit.records.preparation import Preparation
from donorfit.vehicle.pack import Pack


def check_chain(pack: Pack, plan: Plan, preparation: Preparation, change: ChangeRecord) -> None:
    """Make sure that records are of one job, and that its backups are whole.

    Raises:
        SafetyError: they are not, or a backup is damaged.
    """
    plan_digest = compute_digest(plan)
    mistakes = [
        text
        for wrong, text in (
            (plan.pack_digest != pack.digest, "The plan was made with another pack."),
            (preparation.plan_digest != plan_digest, "The preparation is of another plan."),
            (change.plan_digest != plan_digest, "The change record is of another plan."),
            (
                change.preparation_digest != compute_digest(preparation),
                "The change record is of another preparation.",
            ),
            (
                len({plan.vin, preparation.vin, change.vin}) != 1,
                "Plan, preparation and change record are of different cars.",
            ),
        )
        if wrong
    ]
    mistakes += [
        f"The backup of {each.unit} 0x{each.identifier:04X} is damaged: its digest differs."
        for each in preparation.backups
        if hashlib.sha256(each.data).hexdigest() != each.sha256
    ]
    if mistakes:
        raise SafetyError(
            what="The records of this job do not belong together, so nothing can be restored.",
            where=plan.vin,
            why=" ".join(mistakes),
            next_step="Use the records of one job, as they were written.",
        )
