"""Hand-over: the record for the owner, and the recipe for the next car."""

from dataclasses import dataclass

from donorfit.records.change_record import ChangeRecord
from donorfit.records.fit_report import FitReport
from donorfit.records.plan import Plan
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.survey import Survey
from donorfit.vehicle.identity import BuildMonth, OptionName


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """The same job without identity: no VIN, no serial number.

    Attributes:
        pack: id of the pack.
        pack_digest: digest of the pack.
        module: donor module.
        month_before: declared build month of the car it was made on.
        month_after: build month declared afterwards.
        options_added: options that were declared.
        options_removed: options that were taken out.
        fields: unit, record, field, base, target of every derived field that changed.
        software: unit and version programmed.
        steps: the deeds in order, in words.
        proved: whether the result was proved.
    """

    pack: str
    pack_digest: str
    module: str
    month_before: BuildMonth | None
    month_after: BuildMonth | None
    options_added: tuple[OptionName, ...]
    options_removed: tuple[OptionName, ...]
    fields: tuple[tuple[str, str, str, int | None, int | None], ...]
    software: tuple[tuple[str, str], ...]
    steps: tuple[str, ...]
    proved: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """Everything about one job, for the owner.

    Attributes:
        title: what was fitted into what.
        pack_title: car family.
        module_title: donor module.
        survey: the car before.
        bench: the module before; None where it was not read.
        report: fit report.
        plan: plan.
        preparation: preparation; backups are listed by digest in the document.
        change: what was done.
        proof: what was shown; None where nothing was proved yet.
        recipe: the job without identity.
        digests: name and digest of every record in the chain.
    """

    title: str
    pack_title: str
    module_title: str
    survey: Survey
    bench: Survey | None
    report: FitReport
    plan: Plan
    preparation: Preparation
    change: ChangeRecord
    proof: Proof | None
    recipe: Recipe
    digests: tuple[tuple[str, str], ...]
