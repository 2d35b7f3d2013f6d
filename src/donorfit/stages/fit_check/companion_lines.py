"""Other units that the module needs in the car."""

from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.stages.fit_check.software import judge_software
from donorfit.vehicle.donor import Companion


def check_companions(case: Case) -> Answer:
    """Is every companion there, does it answer, is its software new enough."""
    lines = []
    for companion in case.module.companions:
        lines.append(_judge_presence(case, companion))
        if companion.software_from is not None and case.answers(companion.unit) is not False:
            lines.append(_judge_software(case, companion))
    return Answer(lines=tuple(lines))


def _judge_presence(case: Case, companion: Companion) -> FitLine:
    unit = case.pack.find_unit(companion.unit)
    title = f"{case.title(companion.unit)} in the car"
    declared = (
        unit is None or unit.present_option is None or unit.present_option in case.survey.options
    )
    match case.answers(companion.unit):
        case True:
            known = "it answers" if case.read_from_car else "it is declared as being there"
            verdict, reason, change = Verdict.MET, known, ""
        case None if unit is not None and unit.present_option in case.survey.not_fitted:
            verdict, reason = Verdict.AFTER_CHANGE, f"it is not fitted; {companion.reason}"
            change = f"fit {unit.title}"
        case None:
            verdict, change = Verdict.UNKNOWN, "survey the car"
            reason = f"nobody asked it; without it {companion.reason}"
        case _ if declared:
            verdict, change = Verdict.UNKNOWN, "wake the car and survey it again"
            reason = f"it belongs in this car but does not answer; without it {companion.reason}"
        case _:
            verdict, reason = Verdict.AFTER_CHANGE, f"it is not in this car; {companion.reason}"
            change = f"fit {case.title(companion.unit)}"
    return FitLine(
        subject=Subject.COMPANION, title=title, verdict=verdict, reason=reason, change=change
    )


def _judge_software(case: Case, companion: Companion) -> FitLine:
    unit, needed = case.pack.find_unit(companion.unit), companion.software_from
    title = f"software of {case.title(companion.unit)}, {needed} or newer"
    read = case.survey.find_unit(companion.unit)
    if unit is None or needed is None or read is None:
        return FitLine(
            subject=Subject.SOFTWARE,
            title=title,
            verdict=Verdict.UNKNOWN,
            reason="it was not read",
            change="survey the car",
        )
    return judge_software(
        case, unit, title=title, stated=read.software, hardware=read.hardware, needed=needed
    )
