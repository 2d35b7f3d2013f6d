"""Hand over: every record of one job put together for the owner, and a recipe for the next car."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, TypeVar

from donorfit.errors import InputError, Mistake, SafetyError
from donorfit.figures.naming import gather_names, list_bytes_used
from donorfit.network import bypass_node, judge_ring
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest
from donorfit.records.fit_report import FitReport
from donorfit.records.handover import Handover, Recipe, RingMargin
from donorfit.records.host_note import HostNote
from donorfit.records.plan import FieldVerdict, Plan, PlanPurpose, StepKind
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.renewal import Renewal
from donorfit.records.survey import Survey
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import DataIdentifier, OptionName, UnitId
from donorfit.vehicle.layout import FieldKind
from donorfit.vehicle.pack import Pack

HIDDEN = "hidden"
_SHORTEST_SECRET = 6
_MASK_BYTE = 0x2A

T = TypeVar("T")


def hand_over(  # noqa: PLR0917 - the records of the chain, in its order
    pack: Pack,
    survey: Survey,
    bench: Survey | None,
    report: FitReport,
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
    *,
    renewals: tuple[Renewal, ...] = (),
    host_notes: tuple[HostNote, ...] = (),
    mask: bool = False,
) -> Handover:
    """Put one job's records together.

    Args:
        pack: the pack they were made with.
        survey: the car before.
        bench: the module before; None where it was not read.
        report: fit report.
        plan: plan that was carried out, retrofit or undo.
        preparation: preparation for that plan.
        change: what was done.
        proof: what was shown; None where nothing was proved yet.
        renewals: what was asked and measured where the work had stopped and went on.
        host_notes: power of the computer that the work was done with.
        mask: hide VIN, serial numbers and per-car values in everything that is returned.

    Raises:
        SafetyError: the records are of different cars.
        InputError: a record was not made from the others; all such links are named.
    """
    _refuse_other_cars(survey, plan, preparation, change, proof)
    _refuse_broken_chain(
        pack=pack,
        survey=survey,
        bench=bench,
        report=report,
        plan=plan,
        preparation=preparation,
        change=change,
        proof=proof,
    )
    records = {
        "survey": survey,
        "bench survey": bench,
        "fit report": report,
        "plan": plan,
        "preparation": preparation,
        "change record": change,
        "proof": proof,
        **{f"renewal {number}": each for number, each in enumerate(renewals, start=1)},
    }
    secrets = _gather_secrets(pack, survey, bench, preparation)
    shown = _Hider(secrets) if mask else _show
    plan_shown = shown(plan)
    module = pack.find_module(plan.module)
    title = module.title if module is not None else plan.module
    return Handover(
        title=_write_title(title, pack, plan, change),
        pack_title=pack.title,
        module_title=title,
        survey=shown(survey),
        bench=shown(bench),
        report=shown(report),
        plan=plan_shown,
        preparation=shown(preparation),
        change=shown(change),
        proof=shown(proof),
        renewals=shown(renewals),
        host_notes=host_notes,
        recipe=make_recipe(pack, plan, proof, secrets),
        digests=_list_digests(pack, records),
        names=gather_names(pack, options=_list_options(survey, plan), edits=plan_shown.edits),
        ring=_judge_ring(pack, survey, module),
        masked=mask,
    )


def _list_digests(pack: Pack, records: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    made = ((name, compute_digest(record)) for name, record in records.items() if record)
    return (("pack", pack.digest), *made)


def _list_options(survey: Survey, plan: Plan) -> set[OptionName]:
    """Options that the record names."""
    changed = (each.option for each in plan.option_changes)
    return {*survey.options, *plan.options_before, *plan.options_after, *changed}


def _judge_ring(pack: Pack, survey: Survey, module: DonorModule | None) -> tuple[RingMargin, ...]:
    """Margins of the ring as it is after the work; empty where the module is not on it.

    Nodes that the car does not have are bridged.
    """
    if pack.ring is None or module is None or not module.on_ring:
        return ()
    ring = pack.ring
    silent = {unit.unit for unit in survey.units if not unit.answered} - {module.unit, ring.master}
    for unit in [hop.source for hop in ring.hops if hop.source in silent]:
        ring = bypass_node(ring, unit)
    return tuple(
        RingMargin(
            source=each.hop.source,
            target=each.hop.target,
            margin_db=each.margin_db,
            added=module.unit in {each.hop.source, each.hop.target},
        )
        for each in judge_ring(ring).hops
    )


def _show(record: T) -> T:
    return record


def _write_title(title: str, pack: Pack, plan: Plan, change: ChangeRecord) -> str:
    undo = plan.purpose is PlanPurpose.UNDO
    # The month before the work, which the way back brings again.
    built = plan.month_after if undo else plan.month_before
    car = f"{pack.title}, built {built}" if built else pack.title
    if undo:
        return f"{title}: work on {car} taken back"
    deed = "fitted into" if change.finished else "begun, not finished, in"
    return f"{title} {deed} {car}"


def _refuse_other_cars(
    survey: Survey,
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
) -> None:
    seen = {
        "survey": survey.vin,
        "plan": plan.vin,
        "preparation": preparation.vin,
        "change record": change.vin,
    }
    if proof is not None:
        seen["proof"] = proof.vin
    if len(set(seen.values())) > 1:
        raise SafetyError(
            what="these records are of different cars",
            where="; ".join(f"{name}: VIN {vin or 'not known'}" for name, vin in seen.items()),
            why="a record that mixes two cars would vouch for work that was not done",
            next_step="hand over the records of one job together",
        )


def _refuse_broken_chain(
    *,
    pack: Pack,
    survey: Survey,
    bench: Survey | None,
    report: FitReport,
    plan: Plan,
    preparation: Preparation,
    change: ChangeRecord,
    proof: Proof | None,
) -> None:
    survey_digest, plan_digest = compute_digest(survey), compute_digest(plan)
    bench_digest = "" if bench is None else compute_digest(bench)
    links = [
        ("survey", "pack", survey.pack_digest, pack.digest),
        ("fit report", "pack", report.pack_digest, pack.digest),
        ("fit report", "survey", report.survey_digest, survey_digest),
        ("fit report", "bench survey", report.bench_digest, bench_digest),
        ("plan", "pack", plan.pack_digest, pack.digest),
        ("plan", "survey", plan.survey_digest, survey_digest),
        ("preparation", "plan", preparation.plan_digest, plan_digest),
        ("change record", "plan", change.plan_digest, plan_digest),
        (
            "change record",
            "preparation",
            change.preparation_digest,
            compute_digest(preparation),
        ),
    ]
    if bench is not None:
        links.append(("bench survey", "pack", bench.pack_digest, pack.digest))
    if plan.purpose is PlanPurpose.RETROFIT:
        links.append(("plan", "fit report", plan.report_digest, compute_digest(report)))
    if proof is not None:
        links.append(("proof", "plan", proof.plan_digest, plan_digest))
        links.append(("proof", "change record", proof.change_digest, compute_digest(change)))
    mistakes = [
        _describe_link(*link) for link in links if link[2] != link[3]
    ] + _list_other_mistakes(report, plan, change)
    if mistakes:
        raise InputError(
            what="these records do not belong to one job",
            mistakes=mistakes,
            why="each record carries the digest of those it was made from, and they differ",
            next_step="hand over the records of one job together, unchanged",
        )


def _describe_link(name: str, source: str, carried: str, given: str) -> Mistake:
    return Mistake(
        file=name,
        line=0,
        what=f"it was made from another {source}: it carries {carried[:12] or 'no digest'}, "
        f"the {source} given is {given[:12] or 'none'}",
        next_step=f"give the {source} that this {name} was made from",
    )


def _list_other_mistakes(report: FitReport, plan: Plan, change: ChangeRecord) -> list[Mistake]:
    mistakes = []
    if report.module != plan.module:
        mistakes.append(
            Mistake(
                file="plan",
                line=0,
                what=f"it is for {plan.module!r}, the fit report for {report.module!r}",
                next_step="give the plan and the fit report of the same module",
            )
        )
    known = {step.id for step in plan.steps}
    mistakes += [
        Mistake(
            file="change record",
            line=0,
            what=f"it holds step {result.step!r}, which the plan does not have",
            next_step="give the change record of this plan",
        )
        for result in change.steps
        if result.step not in known
    ]
    return mistakes


def make_recipe(
    pack: Pack, plan: Plan, proof: Proof | None, secrets: "Secrets | None" = None
) -> Recipe:
    """The same job without identity; ``secrets`` are taken out of the deeds' wording too."""
    hide = _Hider(secrets or Secrets())
    per_car = {place for place, _ in hide.secrets.per_car_fields}
    changed = tuple(
        (edit.unit, edit.record, field.name, field.base, field.target)
        for edit in plan.edits
        for field in edit.fields
        if field.base != field.target
        and field.verdict is not FieldVerdict.RECOMPUTED
        and (edit.unit, edit.identifier, field.name) not in per_car
    )
    return Recipe(
        pack=pack.id,
        pack_digest=pack.digest,
        module=plan.module,
        month_before=plan.month_before,
        month_after=plan.month_after,
        options_added=tuple(each.option for each in plan.option_changes if each.declared),
        options_removed=tuple(each.option for each in plan.option_changes if not each.declared),
        fields=changed,
        software=tuple(
            (unit, plan.list_downloads(unit)[-1].software_after)
            for unit in dict.fromkeys(
                step.unit for step in plan.steps if step.kind is StepKind.PROGRAM
            )
        ),
        steps=tuple(hide(f"{step.unit}: {step.what}") for step in plan.steps),
        proved=proof is not None and proof.proved,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Secrets:
    """What tells this car from any other.

    Attributes:
        texts: VINs and serial numbers that were read.
        per_car_fields: unit, identifier and field of per-car values, with the bytes they lie in.
    """

    texts: tuple[str, ...] = ()
    per_car_fields: tuple[tuple[tuple[UnitId, DataIdentifier, str], tuple[int, ...]], ...] = ()


def _gather_secrets(
    pack: Pack, survey: Survey, bench: Survey | None, preparation: Preparation
) -> Secrets:
    texts = {survey.vin, *(each.serial for each in preparation.identities)}
    for each in (survey, bench) if bench is not None else (survey,):
        texts.update((each.vin, *(unit.vin for unit in each.units)))
        texts.update(unit.serial for unit in each.units)
    return Secrets(
        texts=tuple(sorted(text for text in texts if len(text) >= _SHORTEST_SECRET)),
        per_car_fields=tuple(
            ((unit.id, record.identifier, field.name), list_bytes_used(field))
            for unit in pack.units
            for record in unit.records
            for layout in record.layouts
            for field in layout.fields
            if field.kind is FieldKind.PER_CAR
        ),
    )


class _Hider:
    """Rebuilds a record without what tells this car from any other."""

    def __init__(self, secrets: Secrets) -> None:
        self.secrets = secrets
        forms = [form for text in secrets.texts for form in _list_forms(text)]
        forms.sort(key=len, reverse=True)
        self._pattern = (
            re.compile("|".join(map(re.escape, forms)), re.IGNORECASE) if forms else None
        )
        self._bytes = [text.encode() for text in secrets.texts]
        self._fields = {place for place, _ in secrets.per_car_fields}
        self._places: dict[tuple[str, int], set[int]] = {}
        for (unit, identifier, _), used in secrets.per_car_fields:
            self._places.setdefault((unit, identifier), set()).update(used)

    def __call__(self, record: T) -> T:
        """The same record, hidden."""
        hidden: T = self._hide(record, "", -1)
        return hidden

    def _hide(self, value: Any, unit: str, identifier: int) -> Any:
        if isinstance(value, str):
            return self._pattern.sub(HIDDEN, value) if self._pattern else value
        if isinstance(value, bytes):
            return self._hide_bytes(value, unit, identifier)
        if isinstance(value, tuple):
            return tuple(self._hide(each, unit, identifier) for each in value)
        if is_dataclass(value) and not isinstance(value, type):
            return self._hide_fields(value, unit, identifier)
        return value

    def _hide_fields(self, value: Any, unit: str, identifier: int) -> Any:
        unit = getattr(value, "unit", unit)
        identifier = getattr(value, "identifier", identifier)
        changed: dict[str, Any] = {}
        for field in fields(value):
            old = getattr(value, field.name)
            if field.name in {"vin", "serial"}:
                changed[field.name] = HIDDEN if old else old
            elif field.name == "identities" and isinstance(value, Plan):
                changed[field.name] = tuple((name, HIDDEN) for name, _ in old)
            else:
                changed[field.name] = self._hide(old, unit, identifier)
        if (unit, identifier, changed.get("name")) in self._fields:
            changed.update(current=None, result=None)
        return replace(value, **changed)

    def _hide_bytes(self, data: bytes, unit: str, identifier: int) -> bytes:
        masked = bytearray(data)
        for place in self._places.get((unit, identifier), ()):
            if place < len(masked):
                masked[place] = _MASK_BYTE
        for secret in self._bytes:
            at = masked.find(secret)
            while at >= 0:
                masked[at : at + len(secret)] = bytes([_MASK_BYTE]) * len(secret)
                at = masked.find(secret)
        return bytes(masked)


def _list_forms(text: str) -> Iterable[str]:
    """The text itself and the ways its bytes are written in hex; matched in any case."""
    yield text
    yield text.encode().hex()
    yield text.encode().hex(" ")
