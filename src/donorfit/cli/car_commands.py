"""Commands that talk to the car after the plan: prepare, apply, prove, undo, resume."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from donorfit.assemble import FACT_VIN, load_software, run_async
from donorfit.cli.columns import fold
from donorfit.cli.number_types import FiniteRange
from donorfit.cli.outcome_errors import (
    raise_for_change,
    raise_for_preparation,
    raise_for_proof,
    raise_for_survey,
)
from donorfit.cli.plan_wording import word_plan
from donorfit.cli.session import (
    CarOptions,
    car_options,
    job_argument,
    json_option,
    open_job,
    show,
)
from donorfit.cli.wording import word_change_record, word_preparation, word_proof, word_survey
from donorfit.edge.journal.job_file import JobFile
from donorfit.errors import SafetyError
from donorfit.figures.naming import gather_names
from donorfit.job.job import PLAN, PREPARATION, SHORTEST_CONFIRMATION, Job, confirm_digest
from donorfit.job.status import describe_status
from donorfit.job.unfinished import find_unfinished
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest
from donorfit.records.plan import Plan, PlanPurpose
from donorfit.records.preparation import Preparation

if TYPE_CHECKING:
    from donorfit.records.proof import Proof
    from donorfit.records.survey import Survey

support_option = click.option(
    "--support-amps",
    "support_current_a",
    type=FiniteRange(min=0, max=1000),
    help="Continuous current of the supply that supports the battery.",
)


@click.command("prepare")
@job_argument
@support_option
@json_option
@car_options
def prepare_command(
    job_path: Path, support_current_a: float | None, *, as_json: bool, **car: Any
) -> None:
    """Back up all that the plan touches, prove supply and identities, confirm the cautions.

    Only reads from the car.
    """
    with open_job(job_path, car=CarOptions(**car), writes=True) as (job, _):
        preparation: Preparation = run_async(job.prepare(support_current_a))
    show(preparation, word_preparation(preparation), as_json=as_json)
    raise_for_preparation(preparation)


@click.command("apply")
@job_argument
@click.option(
    "--write",
    "digest",
    metavar="DIGEST",
    help="Really write: the plan's digest (12 digits or more).",
)
@json_option
@car_options
def apply_command(job_path: Path, digest: str | None, *, as_json: bool, **car: Any) -> None:
    """Carry out the plan. Without --write it only shows what would be done."""
    if digest is None:
        with open_job(job_path) as (job, _):
            _show_dry_run(job, job.require(PLAN, Plan), as_json=as_json)
        return
    with open_job(job_path, car=CarOptions(**car), writes=True) as (job, store):
        plan = job.require(PLAN, Plan)
        _warn_of_keys(plan, car["keys_path"])
        change = _apply(job, store, digest)
    show(change, word_change_record(change, plan.purpose), as_json=as_json)
    raise_for_change(change)


def _warn_of_keys(plan: Plan, keys_path: Path | None) -> None:
    """Say before anything is sent that units will ask for keys and there is no source of them."""
    units = sorted({step.unit for step in plan.steps if step.security_level})
    if units and keys_path is None:
        text = (
            f"! keys are wanted by {', '.join(units)}, and there is no source of them: --keys FILE"
        )
        click.echo("\n".join(fold(text, first="  ", rest="    ")), err=True)


def _apply(
    job: Job, store: JobFile, digest: str, support_current_a: float | None = None
) -> ChangeRecord:
    change: ChangeRecord = run_async(
        job.apply(digest, lambda file: load_software(store, job.pack, file), support_current_a)
    )
    return change


def _show_dry_run(job: Job, plan: Plan, *, as_json: bool) -> None:
    digest = compute_digest(plan)[:SHORTEST_CONFIRMATION]
    lines = word_plan(plan, gather_names(job.pack, edits=plan.edits))
    lines += ["", f"Dry run: nothing was sent. To carry it out: --write {digest}"]
    show(plan, lines, as_json=as_json)


@click.command("prove")
@job_argument
@json_option
@car_options
def prove_command(job_path: Path, *, as_json: bool, **car: Any) -> None:
    """Read everything back, compare fault codes before and after, ask for the checks by hand."""
    with open_job(job_path, car=CarOptions(**car)) as (job, _):
        proof: Proof = run_async(job.prove())
    show(proof, word_proof(proof), as_json=as_json)
    raise_for_proof(proof)


@click.command("undo")
@job_argument
@click.option(
    "--write", "digest", metavar="DIGEST", help="Carry the way back out: its plan's digest."
)
@support_option
@json_option
@car_options
def undo_command(
    job_path: Path,
    digest: str | None,
    support_current_a: float | None,
    *,
    as_json: bool,
    **car: Any,
) -> None:
    """Go back: first plan the restoring of every backup, then, with --write, carry it out."""
    if digest is None:
        with open_job(job_path) as (job, _):
            _show_dry_run(job, job.plan_undo(), as_json=as_json)
        return
    with open_job(job_path, car=CarOptions(**car), writes=True) as (job, store):
        plan = job.require(PLAN, Plan)
        if plan.purpose is not PlanPurpose.UNDO:
            raise SafetyError(
                what="There is no plan for the way back yet.",
                next_step="donorfit undo JOB, read it, then give its digest.",
            )
        # A digest of another plan is refused before anything is sent.
        confirm_digest(plan, digest)
        _warn_of_keys(plan, car["keys_path"])
        preparation: Preparation = run_async(job.prepare(support_current_a))
        raise_for_preparation(preparation)
        change = _apply(job, store, digest)
    show(change, word_change_record(change, plan.purpose), as_json=as_json)
    raise_for_change(change)


@click.command("resume")
@job_argument
@support_option
@json_option
@car_options
def resume_command(
    job_path: Path, support_current_a: float | None, *, as_json: bool, **car: Any
) -> None:
    """Take up the stage that was stopped: what is on record is replayed, the rest is looked at.

    Writes go on only with the plan that was confirmed, also where another one was made since.
    """
    with open_job(job_path, car=CarOptions(**car), writes=_resumes_writing) as (job, store):
        unfinished = find_unfinished(store)
        if unfinished.plan_digest:
            job.take_up(unfinished.plan_digest, unfinished.preparation_digest)
            _warn_of_keys(job.require(PLAN, Plan), car["keys_path"])
        _resume(job, store, unfinished.stage, support_current_a, as_json=as_json)


def _resumes_writing(store: JobFile) -> bool:
    return find_unfinished(store).stage == "apply"


def _resume(
    job: Job, store: JobFile, stage: str, support_current_a: float | None, *, as_json: bool
) -> None:
    match stage:
        case "survey":
            survey: Survey = run_async(job.survey())
            store.set_fact(FACT_VIN, survey.vin)
            show(survey, word_survey(survey), as_json=as_json)
            raise_for_survey(survey)
        case "prepare":
            preparation = run_async(job.prepare(support_current_a))
            show(preparation, word_preparation(preparation), as_json=as_json)
            raise_for_preparation(preparation)
        case "apply":
            job.require(PREPARATION, Preparation)
            plan = job.require(PLAN, Plan)
            change = _apply(job, store, compute_digest(plan), support_current_a)
            show(change, word_change_record(change, plan.purpose), as_json=as_json)
            raise_for_change(change)
        case "prove":
            proof = run_async(job.prove())
            show(proof, word_proof(proof), as_json=as_json)
            raise_for_proof(proof)
        case "bench survey":
            raise SafetyError(
                what="The bench survey was stopped.",
                next_step="Read the module again: donorfit survey JOB --bench MODULE",
            )
        case _:
            status = describe_status(store, {}, None)
            lines = fold(f"Nothing is unfinished. Next: {status.next_step}", rest="  ")
            show(status, lines, as_json=as_json)
