"""Program one unit: prove that the software fits, download it, reset, look at the version.

Nothing is sent that changes the unit before its hardware number and its software version were read
and found in what the pack says of the block, and the bytes are as many as it says.

Where a unit gets several blocks in a row, each is a step of its own. What the unit reports says
how far the row has come: a step whose software a later step of the row has replaced is not
repeated, and none is sent to a unit whose software its block may not replace.
"""

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from donorfit.diagnostics.conversation import (
    Answered,
    Download,
    NotSent,
    Outcome,
    Refused,
    SupplyWatch,
)
from donorfit.diagnostics.readings import Missing, explain_missing, read_text
from donorfit.records.change_record import StepState
from donorfit.records.counted import count
from donorfit.records.plan import Step
from donorfit.stages.apply.deeds import MOST_TRIES, StepOutcome, make_access, restart
from donorfit.vehicle.control_unit import (
    HARDWARE_IDENTIFIER,
    SOFTWARE_IDENTIFIER,
    ControlUnit,
    SoftwareBlock,
)
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import Pack

MOST_UNSENT = 2
"""Tries, in one run, of a download that was not even begun; the step stays open after them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What one download needs."""

    unit: ControlUnit
    step: Step
    block: SoftwareBlock
    data: bytes
    watch: SupplyWatch | None
    row: tuple[Step, ...]
    all_begun: frozenset[str]

    @property
    def later(self) -> tuple[Step, ...]:
        """The downloads after this one."""
        return self.row[self.row.index(self.step) + 1 :] if self.step in self.row else ()

    @property
    def known(self) -> frozenset[str]:
        """Versions that the unit has before, between and after the downloads of its row."""
        rows = (self.step, *self.row)
        return frozenset(
            version for each in rows for version in (each.software_before, each.software_after)
        )


def make_watch(pack: Pack) -> SupplyWatch | None:
    """Where the supply is read while a download goes on; None where the pack does not say."""
    window = pack.supply
    unit = pack.find_unit(UnitId(window.unit)) if window else None
    if window is None or unit is None:
        return None
    return SupplyWatch(
        unit=unit.id,
        address=unit.address,
        identifier=window.identifier,
        volts_per_bit=window.volts_per_bit,
        lowest_volts=window.lowest_volts,
        highest_volts=window.highest_volts,
    )


def program(
    unit: ControlUnit,
    step: Step,
    data: bytes,
    *,
    begun: bool,
    watch: SupplyWatch | None = None,
    row: tuple[Step, ...] = (),
    all_begun: frozenset[str] = frozenset(),
) -> Generator[Any, Any, StepOutcome]:
    """Bring one block into a unit; a broken download is begun again.

    Args:
        unit: the unit.
        step: the step, whose software file and digest name the block.
        data: the block's pieces, one after the other.
        begun: whether an earlier run may have left the unit in its boot loader.
        watch: supply to be watched between the blocks.
        row: all downloads that the plan has for the unit, in order; empty where it is the only
            one.
        all_begun: ids of all downloads in which an earlier run may have left a unit.
    """
    block = _find_block(unit, step)
    if block is None or len(data) != block.size_bytes:
        said = "the pack has no such block" if block is None else _compare_sizes(block, data)
        return StepOutcome(state=StepState.REFUSED, detail=f"{said}; nothing was sent")
    job = _Job(
        unit=unit, step=step, block=block, data=data, watch=watch, row=row, all_begun=all_begun
    )
    return (yield from _try(job, started=begun))


def _find_block(unit: ControlUnit, step: Step) -> SoftwareBlock | None:
    return next(
        (
            each
            for each in unit.software_blocks
            if each.file == step.software_file
            and each.sha256 == step.software_sha256
            and str(each.version) == step.software_after
        ),
        None,
    )


def _compare_sizes(block: SoftwareBlock, data: bytes) -> str:
    return f"the software has {count(len(data), 'byte')}, the pack says {block.size_bytes}"


def _try(job: _Job, *, started: bool) -> Generator[Any, Any, StepOutcome]:
    why = ""
    unsent = 0
    for tries in range(MOST_TRIES):
        version = yield from read_text(job.unit, SOFTWARE_IDENTIFIER, "read software version")
        if version == job.step.software_after:
            state = StepState.DONE if started else StepState.ALREADY
            return StepOutcome(state=state, detail=f"reports {version}", looks=max(tries - 1, 0))
        ended = yield from _judge_before_sending(job, version, tries, started=started)
        if ended is not None:
            return ended
        outcome: Outcome = yield _make_download(job, resume=started)
        if isinstance(outcome, Refused):
            return _describe_refusal(outcome, tries, started=started)
        why = "" if isinstance(outcome, Answered) else explain_missing(outcome).why
        if isinstance(outcome, NotSent) and not started:
            unsent += 1
            if unsent == MOST_UNSENT:
                detail = f"nothing was erased: {why}"
                return StepOutcome(state=StepState.NOT_BEGUN, detail=detail, looks=tries)
            continue
        started = True
        yield from restart(job.unit, job.step)
    return StepOutcome(
        state=StepState.UNCERTAIN if started else StepState.REFUSED,
        detail=f"version {job.step.software_after} was not reported after {MOST_TRIES} tries. "
        f"{why}",
        looks=MOST_TRIES,
    )


def _judge_before_sending(
    job: _Job, version: str | Missing, tries: int, *, started: bool
) -> Generator[Any, Any, StepOutcome | None]:
    """How the step ends without a download, or without a further one; None where one is sent.

    What the unit runs counts before every try: where this is resumed, the journal may be a copy
    that is older than the car.
    """
    needless = _say_passed(job, version)
    if not tries:
        needless = needless or _say_why_needless(job, version, started=started)
    if needless:
        return StepOutcome(state=StepState.ALREADY, detail=needless, looks=tries)
    if not tries or not started:
        return (yield from _judge_fit(job, version, started=started))
    reason = _say_not_over(job, version, started=started)
    return StepOutcome(state=StepState.REFUSED, detail=reason, looks=tries) if reason else None


def _say_passed(job: _Job, version: str | Missing) -> str:
    """That the unit is further on in its row; empty where it is not."""
    if any(version == each.software_after for each in job.later):
        return f"reports {version}, which a later download of the row brings"
    return ""


def _say_not_over(job: _Job, version: str | Missing, *, started: bool) -> str:
    """Why the block may not go over what the unit runs; empty where it may."""
    allowed = {str(each) for each in job.block.replaces}
    if not allowed or version in allowed or (started and version not in job.known):
        return ""
    shown = ", ".join(sorted(allowed))
    return f"it may replace {shown}, the unit has {version}; nothing was sent"


def _say_why_needless(job: _Job, version: str | Missing, *, started: bool) -> str:
    """Why nothing has to be sent though the unit has another version; empty where it has to."""
    if job.step.only_if_begun and version in job.known:
        return f"reports {version}: no download was begun"
    if not started and version not in job.known:
        later = next((each for each in job.later if each.id in job.all_begun), None)
        if later is not None:
            return f"the download of {later.software_after} over it was begun"
    return ""


def _judge_fit(
    job: _Job, version: str | Missing, *, started: bool
) -> Generator[Any, Any, StepOutcome | None]:
    """Why the software does not fit this unit; None where it does.

    A unit in its boot loader may report another version, or none, and need not know its hardware
    number; where it says one, that counts. One that reports a version of the row, though it was
    expected in its boot loader, runs that software.
    """
    step, block = job.step, job.block
    if not started and isinstance(version, Missing) and not version.answered:
        detail = f"it does not say its software version: {version.why}; nothing was sent"
        return StepOutcome(state=StepState.NOT_BEGUN, detail=detail)
    if not started and version != step.software_before:
        said = version.why if isinstance(version, Missing) else version
        return StepOutcome(
            state=StepState.DIFFERS,
            detail=f"reports {said!r} instead of {step.software_before!r}; nothing was sent",
        )
    reason = _say_not_over(job, version, started=started)
    if reason:
        return StepOutcome(state=StepState.REFUSED, detail=reason)
    hardware = yield from read_text(job.unit, HARDWARE_IDENTIFIER, "read hardware number")
    if isinstance(hardware, Missing):
        if started and hardware.answered:
            return None
        said = f"it does not say its hardware number: {hardware.why}"
    elif hardware in block.hardware:
        return None
    else:
        said = f"the software is for hardware {', '.join(block.hardware)}, this is {hardware}"
    state = StepState.UNCERTAIN if started else StepState.REFUSED
    if not started and isinstance(hardware, Missing) and not hardware.answered:
        state = StepState.NOT_BEGUN
    return StepOutcome(state=state, detail=f"{said}; nothing was sent")


def _make_download(job: _Job, *, resume: bool) -> Download:
    step = job.step
    return Download(
        unit=step.unit,
        address=step.address,
        memory_address=step.memory_address,
        data=job.data,
        routine_check=step.routine_check,
        what=step.what,
        access=make_access(step),
        procedure=job.block.procedure,
        watch=job.watch,
        resume=resume,
    )


def _describe_refusal(outcome: Refused, tries: int, *, started: bool) -> StepOutcome:
    why = explain_missing(outcome).why
    if not outcome.erased and not started:
        return StepOutcome(
            state=StepState.REFUSED, detail=f"{why}; nothing was erased", looks=tries
        )
    return StepOutcome(
        state=StepState.UNCERTAIN,
        detail=f"{why}; the unit may be in its boot loader: resume to begin again",
        looks=tries,
    )
