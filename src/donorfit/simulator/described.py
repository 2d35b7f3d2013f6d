"""Control units whose services come as data, such as those imported from an ODX data set.

A service is a pattern over the request bytes and the bytes of its answer; the unit knows nothing
else. Where the description has state charts, services need states and change them.
"""

from dataclasses import dataclass

from donorfit.diagnostics.negative_response import Nrc, encode_negative_response
from donorfit.diagnostics.pdu import Reply
from donorfit.diagnostics.uds import (
    POSITIVE_OFFSET,
    SUPPRESS_POSITIVE_RESPONSE,
    Service,
)
from donorfit.simulator.car import Reach
from donorfit.vehicle.identity import Address, UnitId

FUNCTIONAL_ADDRESS = Address(0xE400)
S3_S = 5.0
_ANSWER_S = 0.005
_WITH_SUB_FUNCTION = frozenset(each for each in Service if each.has_sub_function)


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribedService:
    """One service of a described unit.

    Attributes:
        name: as in the description.
        request: bytes of a request, with any values of its parameters.
        mask: bits of those bytes that have to agree; same length.
        longest_bytes: longest request that still is this service.
        answer: positive answer; empty where the description has none.
        echoes: pairs of place in the answer, place in the request: bytes that are repeated.
        refusal: negative answer where a needed state is missing; empty for 0x22.
        needs: pairs of chart and state; of each chart that is named one state has to be active.
        moves: chart, state before and state after.
    """

    name: str
    request: bytes
    mask: bytes
    longest_bytes: int
    answer: bytes
    echoes: tuple[tuple[int, int], ...] = ()
    refusal: bytes = b""
    needs: tuple[tuple[str, str], ...] = ()
    moves: tuple[tuple[str, str, str], ...] = ()

    def matches(self, pdu: bytes) -> bool:
        """Whether a request is this service, whatever its parameters' values."""
        if not len(self.request) <= len(pdu) <= self.longest_bytes:
            return False
        return all(
            asked & mask == own & mask
            for asked, own, mask in zip(pdu, self.request, self.mask, strict=False)
        )

    def answer_to(self, pdu: bytes) -> bytes:
        """The positive answer with the repeated bytes put in."""
        answer = bytearray(self.answer)
        for place, source in self.echoes:
            if place < len(answer) and source < len(pdu):
                answer[place] = pdu[source]
        return bytes(answer)


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribedUnit:
    """A control unit by its services; the first that matches answers.

    Attributes:
        id: name.
        address: logical address.
        services: its services.
        charts: state charts: name, first state, and whether it falls back there as a session does.
    """

    id: UnitId
    address: Address
    services: tuple[DescribedService, ...]
    charts: tuple[tuple[str, str, bool], ...] = ()

    def begin(self) -> dict[str, str]:
        """The first state of each chart."""
        return {chart: first for chart, first, _ in self.charts}


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribedUnits:
    """What a data set describes.

    Attributes:
        title: name of the data set.
        units: the control units, at least one.
        notes: what was in the data set and could not be used.
    """

    title: str
    units: tuple[DescribedUnit, ...]
    notes: tuple[str, ...] = ()


class DescribedCar:
    """Serves described units; time comes in with each call."""

    def __init__(self, described: DescribedUnits) -> None:
        self.described = described
        self._states = {unit.id: unit.begin() for unit in described.units}
        self._asked_s = dict.fromkeys(self._states, 0.0)

    def reach(self, target: Address) -> Reach:
        """Whether a request to an address gets anywhere."""
        known = {unit.address for unit in self.described.units} | {FUNCTIONAL_ADDRESS}
        return Reach.REACHABLE if target in known else Reach.UNKNOWN

    def handle(self, target: Address, pdu: bytes, now_s: float) -> tuple[Reply, ...]:
        """Answers to one request."""
        if not pdu:
            return ()
        to_all = target == FUNCTIONAL_ADDRESS
        replies: list[Reply] = []
        for unit in self.described.units:
            if to_all or unit.address == target:
                answer = self._ask(unit, pdu, now_s)
                if answer and not (to_all and answer[0] != pdu[0] + POSITIVE_OFFSET):
                    replies.append(Reply(after_s=_ANSWER_S, source=unit.address, pdu=answer))
        return tuple(replies)

    def read_states(self, unit: UnitId) -> dict[str, str]:
        """The active state of each chart of a unit."""
        return dict(self._states[unit])

    def _ask(self, unit: DescribedUnit, pdu: bytes, now_s: float) -> bytes:
        states = self._states[unit.id]
        if now_s - self._asked_s[unit.id] > S3_S:
            states.update({chart: first for chart, first, session in unit.charts if session})
        self._asked_s[unit.id] = now_s
        quiet = _is_quiet(pdu)
        plain = bytes((pdu[0], pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE)) + pdu[2:] if quiet else pdu
        service = next(
            (each for each in unit.services if each.matches(pdu) or each.matches(plain)), None
        )
        if service is None:
            return encode_negative_response(pdu[0], _judge_unknown(unit, pdu))
        if not _are_met(service, states):
            return service.refusal or encode_negative_response(pdu[0], Nrc.CONDITIONS_NOT_CORRECT)
        if not service.answer:
            return encode_negative_response(pdu[0], Nrc.REQUEST_OUT_OF_RANGE)
        before = dict(states)
        for chart, source, target in reversed(service.moves):
            # where a description gives several ways from one state, the first one is gone
            if before.get(chart) == source:
                states[chart] = target
        quiet = quiet and not service.matches(pdu)
        return b"" if quiet else service.answer_to(pdu)


def _are_met(service: DescribedService, states: dict[str, str]) -> bool:
    charts = {chart for chart, _ in service.needs}
    return all((chart, states.get(chart, "")) in service.needs for chart in charts)


def _is_quiet(pdu: bytes) -> bool:
    return (
        len(pdu) > 1 and pdu[0] in _WITH_SUB_FUNCTION and bool(pdu[1] & SUPPRESS_POSITIVE_RESPONSE)
    )


def _judge_unknown(unit: DescribedUnit, pdu: bytes) -> Nrc:
    """Why no service matches: none of that number, another length, or other values."""
    same = [each for each in unit.services if each.request[0] == pdu[0]]
    if not same:
        return Nrc.SERVICE_NOT_SUPPORTED
    if not any(len(each.request) <= len(pdu) <= each.longest_bytes for each in same):
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if pdu[0] in _WITH_SUB_FUNCTION:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    return Nrc.REQUEST_OUT_OF_RANGE
