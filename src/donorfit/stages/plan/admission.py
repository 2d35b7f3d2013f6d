"""Whether a plan may be made at all: pack, survey, report and bench belong together."""

from collections.abc import Iterator
from dataclasses import replace

from donorfit.errors import InputError, NotPossibleError, SafetyError
from donorfit.records.encoding import compute_digest
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitReport, Verdict
from donorfit.records.plan import OpenQuestion
from donorfit.records.survey import Survey, SurveyKind
from donorfit.stages.plan.choices import PlanChoices
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.vin import describe_vin_mistake

DONOR_VIN_QUESTION = "donor-vin"
LEAVE_VIN = "leave it as it is, its origin is shown"
STOP = "stop"
_NO_VIN = "\0\xff ."


def read_vin(text: str) -> str:
    """A unit's VIN without filling; empty where the unit is neutral."""
    return text.strip(_NO_VIN)


def check_chain(
    pack: Pack, survey: Survey, report: FitReport, bench: Survey | None
) -> DonorModule:
    """Refuse records that do not belong together; return the donor module.

    Raises:
        InputError: the module is not in the pack, or a survey is of the wrong kind.
        SafetyError: a record was made with another pack, for another survey, or for another car.
        NotPossibleError: the fit report says that the module cannot work.
    """
    module = pack.find_module(report.module)
    if module is None:
        raise InputError(
            what=f"The pack has no module {report.module!r}.",
            where=f"pack {pack.id}",
            why=f"It has {', '.join(each.id for each in pack.modules) or 'none'}.",
            next_step="Make the fit check with this pack.",
        )
    if survey.kind is SurveyKind.BENCH:
        raise InputError(
            what="The survey is of a module on the bench, not of a car.",
            next_step="Give the car's survey first and the module's as the bench survey.",
        )
    if bench is not None and bench.kind is not SurveyKind.BENCH:
        raise InputError(
            what="The bench survey is not of a module on the bench.",
            next_step="Read the module alone on the bench, or plan without a bench survey.",
        )
    for mistake in _list_mismatches(pack, survey, report, bench):
        raise SafetyError(
            what=mistake,
            why="A plan made from records that do not belong together would write wrong bytes.",
            next_step="Make a new survey and a new fit check with this pack.",
        )
    _check_vin(pack, survey)
    if report.verdict is Verdict.IMPOSSIBLE:
        lines = [each for each in report.lines if each.verdict is Verdict.IMPOSSIBLE]
        raise NotPossibleError(
            what=f"{module.title} cannot work in this car.",
            where=survey.vin,
            why="; ".join(f"{each.title}: {each.reason}" for each in lines) or "see the report",
            next_step="Settle these points and make the fit check again.",
        )
    return module


def _list_mismatches(
    pack: Pack, survey: Survey, report: FitReport, bench: Survey | None
) -> Iterator[str]:
    if survey.pack_digest != pack.digest:
        yield f"The survey was made with another pack or another version of {pack.id!r}."
    if report.pack_digest != pack.digest:
        yield f"The fit report was made with another pack or another version of {pack.id!r}."
    if report.survey_digest != compute_digest(survey):
        yield "The fit report was made from another survey."
    if bench is not None and bench.pack_digest != pack.digest:
        yield "The bench survey was made with another pack."
    if bench is not None and report.bench_digest not in ("", compute_digest(bench)):
        yield "The fit report was made from another bench survey."


def _check_vin(pack: Pack, survey: Survey) -> None:
    if survey.kind is SurveyKind.DECLARED and not survey.vin:
        return
    mistake = describe_vin_mistake(survey.vin)
    if mistake:
        raise SafetyError(
            what=f"The car's VIN {survey.vin!r} cannot be right: {mistake}.",
            why="A plan is tied to one car by its VIN.",
            next_step="Survey the car again, or correct the declared survey.",
        )
    if pack.wmi and not survey.vin.startswith(pack.wmi):
        raise SafetyError(
            what=f"The car {survey.vin} is not of the family that the pack describes.",
            where=f"pack {pack.id}",
            why=f"VINs of {pack.title} begin with {' or '.join(pack.wmi)}.",
            next_step="Use the pack of this car's family.",
        )


def add_bench_reading(survey: Survey, bench: Survey | None, module: DonorModule) -> Survey:
    """The car's survey with the module as read on the bench, where it did not answer in the car.

    A plan from it shows what will be written; it is blocked until the module answers in the car.
    """
    own = survey.find_unit(module.unit)
    read = None if bench is None else bench.find_unit(module.unit)
    if read is None or not read.answered or (own is not None and own.answered):
        return survey
    others = tuple(each for each in survey.units if each.unit != module.unit)
    return replace(survey, units=(*others, read))


def find_foreign_vin(module: DonorModule, survey: Survey, bench: Survey | None) -> str:
    """The other car's VIN that the module still carries; empty where it carries none."""
    reads = [each.find_unit(module.unit) for each in (bench, survey) if each is not None]
    vins = [read_vin(each.vin) for each in reads if each is not None and each.answered]
    return next((each for each in vins if each and each != survey.vin), "")


def ask_about_vin(
    module: DonorModule, foreign: str, choices: PlanChoices
) -> tuple[OpenQuestion | None, Finding | None]:
    """Another car's VIN in the module: a question with a legal note, never something to write."""
    if not foreign:
        return None, None
    answer = choices.find_answer(DONOR_VIN_QUESTION)
    options = (LEAVE_VIN, STOP)
    if answer and answer not in options:
        raise InputError(
            what=f"{answer!r} is no answer to the question {DONOR_VIN_QUESTION!r}.",
            why=f"The answers are {', '.join(map(repr, options))}.",
            next_step="Answer the question again.",
        )
    question = OpenQuestion(
        id=DONOR_VIN_QUESTION,
        text=f"{module.title} carries the VIN of another car, {foreign}. Rules on used parts and "
        "on identification marks may apply where the car is registered. It is never overwritten "
        "here; a licensed service can make the module neutral. Where does it come from?",
        choices=options,
        chosen=answer,
    )
    finding = Finding(
        id="module-carries-other-vin",
        severity=Severity.BLOCKING if answer == STOP else Severity.WARNING,
        what=f"{module.title} carries the VIN of another car.",
        where=module.unit,
        why="It was not made neutral.",
        evidence=(foreign,),
        next_step="Have it made neutral by a licensed service and keep the proof of origin.",
    )
    return question, finding


def list_survey_doubts(survey: Survey) -> tuple[Finding, ...]:
    """A declared survey can be planned from, but not applied."""
    if survey.kind is not SurveyKind.DECLARED:
        return ()
    return (
        Finding(
            id="survey-declared",
            severity=Severity.BLOCKING,
            what="The plan rests on what was declared, not on what was read.",
            why="Bytes that were not read cannot be kept or restored.",
            next_step="Survey the car itself and plan again before anything is written.",
        ),
    )
