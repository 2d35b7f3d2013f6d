"""Commands that read, judge and record: survey, check, plan, record, status."""

from pathlib import Path
from typing import Any

import click

from donorfit.assemble import FACT_VIN, read_wall_clock, run_async
from donorfit.cli.number_types import FiniteRange, WholeRange
from donorfit.cli.outcome_errors import raise_for_survey
from donorfit.cli.person import parse_answers
from donorfit.cli.plan_wording import word_plan
from donorfit.cli.session import (
    CarOptions,
    car_options,
    job_argument,
    json_option,
    open_job,
    pack_option,
    show,
)
from donorfit.cli.status_wording import word_status
from donorfit.cli.wording import word_fit_report, word_survey
from donorfit.edge.journal.job_copy import open_copy
from donorfit.edge.journal.work_notes import read_at_work
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.edge.packs.survey_files import read_declared_survey
from donorfit.edge.record_files import write_record_files
from donorfit.errors import InputError
from donorfit.figures.naming import gather_names
from donorfit.job.status import describe_status
from donorfit.records.fit_report import Verdict
from donorfit.stages.fit_check import fit_check
from donorfit.stages.plan import PlanChoices
from donorfit.vehicle.identity import OptionName

NOT_POSSIBLE = 3


@click.command("survey")
@job_argument
@pack_option
@click.option("--bench", "module", metavar="MODULE", help="Read this donor module on the bench.")
@json_option
@car_options
def survey_command(
    job_path: Path, pack_path: Path | None, module: str | None, *, as_json: bool, **car: Any
) -> None:
    """Read everything that matters from the car at --car into the job file JOB.

    With --bench MODULE, what answers at --car is the donor module alone.
    """
    with open_job(
        job_path, pack_path, create=True, car=CarOptions(**car), any_car=module is not None
    ) as (job, store):
        if module is None:
            survey = run_async(job.survey())
            store.set_fact(FACT_VIN, survey.vin)
        else:
            survey = run_async(job.survey_module(module))
    show(survey, word_survey(survey), as_json=as_json)
    raise_for_survey(survey)


@click.command("check")
@click.argument("job_path", metavar="[JOB]", required=False, type=click.Path(path_type=Path))
@pack_option
@click.option("--module", required=True, help="Donor module's id in the pack.")
@click.option(
    "--declared",
    "declared_path",
    type=click.Path(path_type=Path),
    help="A survey typed in a TOML file, where there is no car yet.",
)
@json_option
def check_command(
    job_path: Path | None,
    pack_path: Path | None,
    module: str,
    declared_path: Path | None,
    *,
    as_json: bool,
) -> int:
    """Say requirement by requirement whether MODULE can work in the car.

    With JOB, the job's survey is judged and the report kept. Without, give --declared and --pack.
    Exit code 3 says that it is not possible.
    """
    if job_path is None:
        if declared_path is None or pack_path is None:
            raise InputError(
                what="There is nothing to check.",
                next_step="Name a JOB, or give both --declared FILE and --pack PATH.",
            )
        pack = read_pack(pack_path)
        report = fit_check(pack, read_declared_survey(declared_path, pack), module)
    else:
        with open_job(job_path, pack_path, create=declared_path is not None) as (job, _):
            if declared_path is not None:
                job.take_survey(read_declared_survey(declared_path, job.pack))
            report = job.check(module)
    show(report, word_fit_report(report), as_json=as_json)
    return NOT_POSSIBLE if report.verdict is Verdict.IMPOSSIBLE else 0


@click.command("plan")
@job_argument
@click.option(
    "--choose", "answers", multiple=True, metavar="ID=CHOICE", help="Decide an open question."
)
@click.option("--want", "wanted", multiple=True, help="One more option to be declared.")
@click.option("--refuse", "unwanted", multiple=True, help="An option not to be declared.")
@click.option("--keep-month", "month_fixed", is_flag=True, help="The build month must stay.")
@click.option(
    "--repair",
    type=WholeRange(0, 9),
    default=0,
    show_default=True,
    help="Which of the cheapest repairs of the option list to take.",
)
@click.option(
    "--wire-length",
    "wire_length_m",
    type=FiniteRange(0.1, 30),
    default=2.0,
    show_default=True,
    help="Length of the wires to be run, in metres.",
)
@click.option(
    "--support-amps",
    "support_current_a",
    type=FiniteRange(0.1, 1000),
    help="Continuous current of your supply: no more is done side by side than it holds.",
)
@json_option
def plan_command(
    job_path: Path,
    answers: tuple[str, ...],
    wanted: tuple[str, ...],
    unwanted: tuple[str, ...],
    *,
    as_json: bool,
    **decisions: Any,
) -> None:
    """Plan the retrofit from the job's survey and fit report; nothing is sent to the car."""
    choices = PlanChoices(
        answers=tuple(parse_answers(answers, "--choose").items()),
        wanted=tuple(OptionName(name) for name in wanted),
        unwanted=tuple(OptionName(name) for name in unwanted),
        **decisions,
    )
    with open_job(job_path) as (job, _):
        plan = job.plan(choices)
        names = gather_names(job.pack, edits=plan.edits)
    show(plan, word_plan(plan, names), as_json=as_json)


@click.command("record")
@job_argument
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    default=Path(),
    help="Folder to write into.  [default: here]",
)
@click.option("--mask", is_flag=True, help="Hide the identity of car, module and units.")
@json_option
def record_command(job_path: Path, folder: Path, *, mask: bool, as_json: bool) -> None:
    """Write the hand-over record: HTML, PDF where typst is installed, and the recipe as JSON."""
    with open_job(job_path) as (job, _):
        handover = job.hand_over(mask=mask)
    written, missing = write_record_files(handover, folder, stem=job_path.stem)
    lines = [f"wrote {path}" for path in written]
    lines += [f"no PDF: {missing}"] if missing else []
    show(handover, lines, as_json=as_json)


@click.command("status")
@job_argument
@json_option
def status_command(job_path: Path, *, as_json: bool) -> None:
    """Say where a job stands: its records, unfinished runs, what is not known, what comes next.

    It only looks, also while another program works on the job, and takes nothing from it.
    """
    with open_copy(job_path, read_wall_clock) as store:
        pasts = {run.run: store.read_run(run.run) for run in store.list_runs()}
        status = describe_status(store, pasts, read_at_work(store, job_path))
    show(status, word_status(status), as_json=as_json)
