"""Hand-over: the record for the owner, and the recipe for the next car."""

from dataclasses import dataclass, field

from donorfit.records.change_record import ChangeRecord
from donorfit.records.fit_report import FitReport
from donorfit.records.growth import ADDED_LATER
from donorfit.records.host_note import HostNote
from donorfit.records.plan import Plan
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.renewal import Renewal
from donorfit.records.survey import Survey
from donorfit.vehicle.identity import BuildMonth, DataIdentifier, OptionName, UnitId


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNote:
    """What the pack says of one field that a plan names.

    Attributes:
        unit: the control unit.
        identifier: data identifier of the record.
        field: name of the field.
        bytes_used: places of the bytes that hold the field, counted from 0.
        words: raw values that occur, and how a person reads them.
    """

    unit: UnitId
    identifier: DataIdentifier
    field: str
    bytes_used: tuple[int, ...]
    words: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RingMargin:
    """One hop of the optical ring as it is after the work.

    Attributes:
        source: node that sends.
        target: node that receives.
        margin_db: light that is left; None where it is not known.
        added: whether the module has part in this hop.
    """

    source: UnitId
    target: UnitId
    margin_db: float | None
    added: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What a person calls the things that the records name.

    Attributes:
        options: option and title.
        units: control unit and title.
        fields: fields that a plan names.
    """

    options: tuple[tuple[OptionName, str], ...] = ()
    units: tuple[tuple[UnitId, str], ...] = ()
    fields: tuple[FieldNote, ...] = ()


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
        digests: name and digest of every record in the chain, of the unmasked records.
        names: titles from the pack, for people.
        ring: hops of the optical ring where the module sits on it; otherwise empty.
        masked: whether VIN and serial numbers are hidden.
        renewals: what was asked and measured where the work had stopped and went on.
        host_notes: power of the computer that the work was done with.
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
    names: Names = Names()
    ring: tuple[RingMargin, ...] = ()
    masked: bool = False
    renewals: tuple[Renewal, ...] = field(default=(), metadata=ADDED_LATER)
    host_notes: tuple[HostNote, ...] = field(default=(), metadata=ADDED_LATER)
