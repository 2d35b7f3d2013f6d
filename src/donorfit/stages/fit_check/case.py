"""What one fit check looks at, and small answers."""

from dataclasses import dataclass
from difflib import get_close_matches

from donorfit.errors import InputError
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine
from donorfit.records.survey import Survey, SurveyKind, UnitSurvey
from donorfit.vehicle.control_unit import ControlUnit
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.identity import SoftwareVersion, UnitId
from donorfit.vehicle.pack import Pack


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Lines and findings of one part of the check."""

    lines: tuple[FitLine, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One module, one car, one pack.

    Attributes:
        pack: the car family.
        survey: the host car.
        module: the donor module.
        unit: the control unit that it becomes.
        own: the module as read: on the bench, or in the car where it is fitted already; None where
            it was not read.
        findings: doubts about the records themselves.
    """

    pack: Pack
    survey: Survey
    module: DonorModule
    unit: ControlUnit
    own: UnitSurvey | None
    findings: tuple[Finding, ...]

    @property
    def read_from_car(self) -> bool:
        """Whether the host was read, not declared."""
        return self.survey.kind is SurveyKind.CAR

    def title(self, unit: UnitId) -> str:
        """What a person calls a unit."""
        found = self.pack.find_unit(unit)
        return found.title if found is not None else unit

    def answers(self, unit: UnitId) -> bool | None:
        """Whether a unit answers in the host; None where nobody asked it."""
        read = self.survey.find_unit(unit)
        return None if read is None else read.answered


def make_case(pack: Pack, survey: Survey, module_id: str, bench: Survey | None) -> Case:
    """Find what the ids mean and refuse records that are not what they should be.

    Raises:
        InputError: see :func:`donorfit.stages.fit_check.fit_check`.
    """
    module = pack.find_module(module_id)
    if module is None:
        raise _refuse_module(pack, module_id)
    unit = pack.find_unit(module.unit)
    if unit is None:
        raise InputError(
            what=f"Module {module_id!r} becomes unit {module.unit!r}, which the pack lacks.",
            where=f"pack {pack.id}",
            next_step="Check the pack.",
        )
    _check_kinds(pack, survey, bench)
    return Case(
        pack=pack,
        survey=survey,
        module=module,
        unit=unit,
        own=_find_own(module, survey, bench),
        findings=tuple(_list_doubts(pack, survey, module, bench)),
    )


def parse_version(text: str) -> SoftwareVersion | None:
    """A version as a unit says it; None where it is none."""
    try:
        return SoftwareVersion.parse(text)
    except ValueError:
        return None


def _refuse_module(pack: Pack, module_id: str) -> InputError:
    known = [each.id for each in pack.modules]
    near = get_close_matches(module_id, known, n=3)
    return InputError(
        what=f"The pack has no donor module {module_id!r}.",
        where=f"pack {pack.id}",
        why=f"It has {', '.join(known[:20]) or 'none'}.",
        next_step=f"Did you mean {' or '.join(near)}?" if near else "Name one of these.",
    )


def _check_kinds(pack: Pack, survey: Survey, bench: Survey | None) -> None:
    if survey.kind is SurveyKind.BENCH:
        raise InputError(
            what="The survey is of a module on the bench, not of a car.",
            where="survey",
            next_step="Give the car's survey, and this one as the bench survey.",
        )
    if bench is not None and bench.kind is SurveyKind.CAR:
        raise InputError(
            what="The bench survey is of a car, not of a module on the bench.",
            where="bench survey",
            next_step="Read the module alone.",
        )
    for name, each in (("survey", survey), ("bench survey", bench)):
        if each is not None and each.pack != pack.id:
            raise InputError(
                what=f"The {name} was made with pack {each.pack!r}, not with {pack.id!r}.",
                where=name,
                next_step="Use the pack that it was made with.",
            )


def _find_own(module: DonorModule, survey: Survey, bench: Survey | None) -> UnitSurvey | None:
    for each in (bench, survey):
        read = each.find_unit(module.unit) if each is not None else None
        if read is not None and read.answered:
            return read
    return None


def _list_doubts(
    pack: Pack, survey: Survey, module: DonorModule, bench: Survey | None
) -> list[Finding]:
    doubts = []
    for name, each in (("survey", survey), ("bench survey", bench)):
        if each is not None and each.pack_digest not in ("", pack.digest):
            doubts.append(
                Finding(
                    id="pack-changed",
                    severity=Severity.WARNING,
                    what=f"The {name} was made with another version of the pack.",
                    where=name,
                    why="what the bytes mean may have changed",
                    next_step="survey again before a plan is made",
                )
            )
    if bench is not None and bench.find_unit(module.unit) is None:
        doubts.append(
            Finding(
                id="bench-other-unit",
                severity=Severity.WARNING,
                what=f"The bench survey holds nothing about {module.unit}.",
                where="bench survey",
                why=f"it holds {', '.join(each.unit for each in bench.units) or 'no unit'}",
                next_step="read the module itself on the bench",
            )
        )
    month = survey.month
    if month is not None and not pack.family_from <= month < pack.family_before:
        doubts.append(
            Finding(
                id="month-outside-family",
                severity=Severity.WARNING,
                what=f"The declared build month {month} lies outside the family.",
                where="build month",
                why=f"{pack.title} was built from {pack.family_from}, before {pack.family_before}",
                next_step="check the month, or the choice of pack",
            )
        )
    return doubts
