"""The simulated car: requests and the time in, answers out."""

from dataclasses import dataclass, replace
from enum import Enum

from donorfit.diagnostics.negative_response import Nrc, encode_negative_response
from donorfit.diagnostics.pdu import Reply
from donorfit.simulator.advance import (
    advance,
    begin_car,
    begin_operation_cycle,
    finish_work,
    measure_volts,
    notice_supply,
)
from donorfit.simulator.disturbances import meet
from donorfit.simulator.saved_memory import Plain, load_memory, save_memory
from donorfit.simulator.scenario import Disturbance, DisturbanceKind, Scenario, WhenAbsent
from donorfit.simulator.session_services import hold_session, restart
from donorfit.simulator.state import EMPTY_FLASH, CarState, Dip, Flash, StoreRecord, UnitState
from donorfit.simulator.unit import UnitAnswer, respond
from donorfit.simulator.unit_request import Request
from donorfit.vehicle.identity import Address, DataIdentifier, FaultCode, UnitId

PENDING_SHARE = 0.9
"""A unit says that it is still working after this share of P2, then of P2*."""
_SUPPRESSED_TESTER_PRESENT = b"\x3e\x80"
_UNSAID_TO_ALL = frozenset(
    (
        Nrc.SERVICE_NOT_SUPPORTED,
        Nrc.SUB_FUNCTION_NOT_SUPPORTED,
        Nrc.REQUEST_OUT_OF_RANGE,
        Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION,
        Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION,
    )
)
"""Refusals that a unit keeps to itself where the request went to all (ISO 14229-1, 7.5)."""


class Reach(Enum):
    """What the gateway says about a target address."""

    REACHABLE = "reachable"
    UNREACHABLE = "unreachable"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectionDrop(Reply):
    """No answer: the gateway drops the connection, and refuses new ones for a while."""

    refuse_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitMemory:
    """What one unit holds, for tests.

    Attributes:
        records: bytes under each identifier that is stored, in order.
        software: version that it runs or was last given.
        application: false while it stays in its boot loader.
        session: active session.
        faults: fault code and status byte, in the unit's order.
        flash: what stands in the memory for software while a download is not finished.
    """

    records: tuple[tuple[DataIdentifier, bytes], ...]
    software: str
    application: bool
    session: int
    faults: tuple[tuple[FaultCode, int], ...]
    flash: Flash = EMPTY_FLASH

    def __getitem__(self, identifier: int) -> bytes:
        """Bytes under an identifier; KeyError where none are stored."""
        return dict(self.records)[DataIdentifier(identifier)]


class SimulatedCar:
    """One simulated car; time comes in with each call and only moves forward.

    Attributes:
        scenario: what the car is.
    """

    def __init__(
        self, scenario: Scenario, *, fast: bool = False, saved: Plain | None = None
    ) -> None:
        """Build the car.

        Args:
            scenario: what it is.
            fast: no realistic durations: erasing, writing, resets and tests take no time.
            saved: memory of an earlier run, out of :meth:`save`.

        Raises:
            InputError: the saved memory is not of this scenario, or damaged.
        """
        self.scenario = scenario
        self._pace = 0.0 if fast else 1.0
        self._saved = saved
        self._state: CarState | None = None
        if saved is not None:
            load_memory(scenario, begin_car(scenario, now_s=0.0, pace=self._pace), saved)

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """Answers to one request, in order of time; several units may answer a functional one."""
        self._advance(now_s)
        if not pdu:
            return ()
        to_all = target == self.scenario.functional_address
        replies: list[Reply] = []
        for place, truth in enumerate(self.scenario.units):
            if truth.fitted and (to_all or truth.address == target):
                replies += self._ask(place, pdu, now_s, to_all=to_all)
        return tuple(sorted(replies, key=lambda reply: reply.after_s))

    def reach(self, target: Address) -> Reach:
        """Whether a request to an address gets anywhere."""
        if target == self.scenario.functional_address:
            return Reach.REACHABLE
        truth = next((each for each in self.scenario.units if each.address == target), None)
        if truth is None:
            return Reach.UNKNOWN
        silent = self.scenario.when_absent is WhenAbsent.SILENT
        return Reach.REACHABLE if truth.fitted or silent else Reach.UNREACHABLE

    def memory(self, unit: UnitId | str) -> UnitMemory:
        """What a unit holds; KeyError for a unit that the scenario does not have."""
        place = self.scenario.find_unit(UnitId(unit))
        if place < 0:
            raise KeyError(unit)
        state = self._advance(None).units[place]
        faults = zip(self.scenario.units[place].faults, state.faults, strict=True)
        return UnitMemory(
            records=state.memory,
            software=state.software,
            application=state.application,
            session=state.session,
            faults=tuple((truth.code, fault.status) for truth, fault in faults),
            flash=state.flash,
        )

    def measure_volts(self, now_s: float) -> float:
        """Supply at the units."""
        return measure_volts(self.scenario, self._advance(now_s))

    def cycle_ignition(self, now_s: float) -> None:
        """Switch the ignition off and on: every unit starts anew."""
        self._advance(now_s)
        for place in range(len(self.scenario.units)):
            self._restart(place, now_s)

    def save(self, now_s: float) -> Plain:
        """What a car keeps without supply, as plain values for a file."""
        return save_memory(self.scenario, self._advance(now_s), now_s)

    def _advance(self, now_s: float | None) -> CarState:
        if self._state is None:
            start_s = now_s or 0.0
            state = begin_car(self.scenario, now_s=start_s, pace=self._pace)
            if self._saved is not None:
                state = load_memory(self.scenario, state, self._saved)
                for place in range(len(state.units)):
                    state = begin_operation_cycle(
                        self.scenario, state, place, now_s=start_s, pace=self._pace
                    )
            self._state = state
        if now_s is not None:
            self._state = advance(self.scenario, self._state, now_s, pace=self._pace)
        return self._state

    def _put(self, place: int, unit: UnitState) -> None:
        self._state = self._advance(None).put_unit(place, unit)

    def _restart(self, place: int, now_s: float) -> None:
        truth = self.scenario.units[place]
        away_until_s = now_s + truth.reset_s * self._pace
        self._put(place, restart(self._advance(None).units[place], away_until_s=away_until_s))
        self._begin_operation_cycle(place, now_s)

    def _begin_operation_cycle(self, place: int, now_s: float) -> None:
        self._state = begin_operation_cycle(
            self.scenario, self._advance(None), place, now_s=now_s, pace=self._pace
        )

    def _ask(self, place: int, pdu: bytes, now_s: float, *, to_all: bool) -> tuple[Reply, ...]:
        unit = self._advance(None).units[place]
        if unit.away_until_s > now_s:
            return ()
        if unit.work is not None:
            if pdu == _SUPPRESSED_TESTER_PRESENT:
                return ()
            return self._refuse(place, pdu, Nrc.BUSY_REPEAT_REQUEST)
        truth = self.scenario.units[place]
        self._state, disturbance = meet(self.scenario, self._advance(None), truth.id, pdu)
        if disturbance is None:
            return self._carry_out(place, pdu, now_s, to_all=to_all)
        return self._disturb(place, pdu, now_s, disturbance)

    def _disturb(  # noqa: PLR0911 - one line a kind
        self, place: int, pdu: bytes, now_s: float, disturbance: Disturbance
    ) -> tuple[Reply, ...]:
        """One request that meets a disturbance; see the format's table."""
        match disturbance.kind:
            case DisturbanceKind.BUSY:
                return self._refuse(place, pdu, Nrc.BUSY_REPEAT_REQUEST)
            case DisturbanceKind.REFUSE:
                return self._refuse(place, pdu, disturbance.code)
            case DisturbanceKind.PENDING:
                return self._carry_out(place, pdu, now_s, at_least_s=disturbance.seconds)
            case DisturbanceKind.LATE_ANSWER:
                replies = self._carry_out(place, pdu, now_s)
                return tuple(
                    replace(each, after_s=each.after_s + disturbance.seconds)
                    for each in replies[-1:]
                )
            case DisturbanceKind.SUPPLY_DIP:
                dip = Dip(volts=disturbance.volts, until_s=now_s + disturbance.seconds)
                self._state = notice_supply(self.scenario, replace(self._advance(None), dip=dip))
                return self._carry_out(place, pdu, now_s)
            case DisturbanceKind.STORE_DIFFERENTLY:
                replies = self._carry_out(place, pdu, now_s)
                self._spoil(place, disturbance, now_s)
                return replies
            case DisturbanceKind.SILENCE | DisturbanceKind.DROP_CONNECTION | DisturbanceKind.RESET:
                return self._lose_answer(place, pdu, now_s, disturbance)

    def _lose_answer(
        self, place: int, pdu: bytes, now_s: float, disturbance: Disturbance
    ) -> tuple[Reply, ...]:
        if disturbance.executed:
            self._carry_out(place, pdu, now_s)
        if disturbance.kind is DisturbanceKind.RESET:
            truth, unit = self.scenario.units[place], self._advance(None).units[place]
            self._put(place, finish_work(truth, unit))
            self._restart(place, now_s)
        if disturbance.kind is not DisturbanceKind.DROP_CONNECTION:
            return ()
        return (
            ConnectionDrop(
                # not at once, even in a fast car: what was sent before still arrives
                after_s=self.scenario.timing.answer_s,
                source=self.scenario.units[place].address,
                pdu=b"",
                refuse_s=disturbance.refuse_s,
            ),
        )

    def _spoil(self, place: int, disturbance: Disturbance, now_s: float) -> None:
        unit = self._advance(None).units[place]
        effect = unit.work.effect if unit.work is not None else None
        if isinstance(effect, StoreRecord) and disturbance.byte < len(effect.content):
            content = bytearray(effect.content)
            content[disturbance.byte] = disturbance.value
            spoilt = replace(effect, content=bytes(content))
            work = None if unit.work is None else replace(unit.work, effect=spoilt)
            self._put(place, replace(unit, work=work))
            self._advance(now_s)

    def _refuse(self, place: int, pdu: bytes, code: int) -> tuple[Reply, ...]:
        source = self.scenario.units[place].address
        after_s = self.scenario.timing.answer_s * self._pace
        refusal = encode_negative_response(pdu[0], code)
        return (Reply(after_s=after_s, source=source, pdu=refusal),)

    def _carry_out(
        self,
        place: int,
        pdu: bytes,
        now_s: float,
        *,
        to_all: bool = False,
        at_least_s: float = 0.0,
    ) -> tuple[Reply, ...]:
        state = self._advance(None)
        request = Request(
            truth=self.scenario.units[place],
            unit=state.units[place],
            pdu=pdu,
            timing=self.scenario.timing,
            volts=measure_volts(self.scenario, state),
            now_s=now_s,
            pace=self._pace,
        )
        answer = respond(request)
        work_s = max(answer.work_s, at_least_s)
        unit = answer.unit
        if unit.work is not None:
            unit = replace(unit, work=replace(unit.work, until_s=now_s + work_s))
        timing = self.scenario.timing
        self._put(place, hold_session(unit, from_s=now_s + work_s, s3_s=timing.s3_s))
        if unit.away_until_s > request.unit.away_until_s:
            self._begin_operation_cycle(place, now_s)
        if work_s <= 0:
            self._advance(now_s)
        if to_all and answer.refusal in _UNSAID_TO_ALL:
            return ()
        return self._time_answer(place, answer, work_s)

    def _time_answer(self, place: int, answer: UnitAnswer, work_s: float) -> tuple[Reply, ...]:
        """The answer after its time, response pending before it where it takes longer than P2."""
        source = self.scenario.units[place].address
        timing = self.scenario.timing
        service = answer.pdu[1] if answer.refusal is not None else answer.pdu[0] - 0x40
        pending = encode_negative_response(
            service, Nrc.REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING
        )
        replies: list[Reply] = []
        after_s = PENDING_SHARE * timing.p2_ms / 1000
        while work_s > after_s:
            replies.append(Reply(after_s=after_s, source=source, pdu=pending))
            after_s += PENDING_SHARE * timing.p2_star_ms / 1000
        if answer.suppressed and not replies:
            return ()
        last_s = max(work_s, timing.answer_s * self._pace)
        return (*replies, Reply(after_s=last_s, source=source, pdu=answer.pdu))
