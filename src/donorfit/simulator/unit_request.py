"""What every service of a unit gets, and what it gives back."""

from collections.abc import Callable
from dataclasses import dataclass

from donorfit.diagnostics.negative_response import Nrc
from donorfit.simulator.scenario import Timing, UnitTruth
from donorfit.simulator.state import UnitState
from donorfit.vehicle.identity import DataIdentifier


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One request as its unit sees it.

    Attributes:
        truth: what the unit is.
        unit: how it stands.
        pdu: the request from the service identifier on, never empty.
        timing: times of the car.
        volts: supply at the unit.
        now_s: the time.
        pace: factor on all durations; 0 where the car is to be fast.
    """

    truth: UnitTruth
    unit: UnitState
    pdu: bytes
    timing: Timing
    volts: float
    now_s: float
    pace: float

    def judge_supply(self) -> Nrc | None:
        """Why the supply forbids a change; None where it holds."""
        if self.volts < self.truth.lowest_volts:
            return Nrc.VOLTAGE_TOO_LOW
        return Nrc.VOLTAGE_TOO_HIGH if self.volts > self.truth.highest_volts else None

    def list_levels(self) -> dict[int, frozenset[int]]:
        """Security levels of the unit and the sessions in which each can be opened."""
        keeper = self.truth.keeper
        needs = [(each.security_level, each.session) for each in self.truth.records]
        needs += [(each.security_level, each.session) for each in self.truth.blocks]
        needs += [(keeper.security_level, keeper.session)] if keeper else []
        levels = {level for level, _ in needs if level}
        return {
            level: frozenset(session for other, session in needs if other == level)
            for level in levels
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The unit after a request, its positive answer, and how long it works on it."""

    unit: UnitState
    answer: bytes
    work_s: float = 0.0


ServiceAnswer = Step | Nrc
Serve = Callable[[Request], ServiceAnswer]

WritableRecord = tuple[DataIdentifier, int, int]
"""Identifier, session and security level of something that can be written."""
