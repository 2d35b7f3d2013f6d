"""Change record: what was done to the car, step by step."""

from dataclasses import dataclass, field
from enum import Enum

from donorfit.records.growth import ADDED_LATER


class StepState(Enum):
    """What became of a step.

    ``NOT_BEGUN``: it was to begin, and nothing that changes the unit could be sent. The unit did
    not say no: taking the work up again may well do it.
    """

    DONE = "done"
    ALREADY = "already there"
    REFUSED = "refused"
    DIFFERS = "neither old nor new"
    UNCERTAIN = "not known"
    NOT_REACHED = "not reached"
    NOT_BEGUN = "not begun"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """One step of the plan, what became of it, and the evidence.

    Attributes:
        step: id of the step.
        unit: unit it was done to.
        what: the deed.
        state: what became of it.
        detail: the evidence in words.
        looked_again: how often the unit was read once more.
        held: bytes read last where they are neither the old nor the new ones; else empty.
    """

    step: str
    unit: str
    what: str
    state: StepState
    detail: str = ""
    looked_again: int = 0
    held: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyReading:
    """Supply as a unit reported it right before a step."""

    step: str
    volts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRecord:
    """What was done to the car.

    Attributes:
        plan_digest: the plan that was carried out.
        preparation_digest: the preparation it relied on.
        vin: the car.
        steps: one result a step of the plan.
        finished: whether every step is done.
        changed: units that hold something new now.
        stop_reason: why it stopped; empty where it finished.
        supply: supply as it was read before the steps, in the order of reading.
    """

    plan_digest: str
    preparation_digest: str
    vin: str
    steps: tuple[StepResult, ...]
    finished: bool
    changed: tuple[str, ...]
    stop_reason: str = ""
    supply: tuple[SupplyReading, ...] = field(default=(), metadata=ADDED_LATER)
