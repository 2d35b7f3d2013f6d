"""The talk that reads the supply in one unit while another one's download waits."""

from dataclasses import replace
from types import MappingProxyType

from donorfit.diagnostics.conversation import SupplyWatch
from donorfit.diagnostics.exchange import Negative, Nothing, Positive, ask
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import describe_negative_response
from donorfit.diagnostics.talk import Supply, Talk
from donorfit.diagnostics.uds import decode_read_answer, encode_read_request
from donorfit.diagnostics.unit_state import UnitState
from donorfit.records.counted import count

LONGEST_S = 1.5
"""Longest wait for a unit that asks for patience: the download's own session lasts 5 s (S3)."""
_NO_CAPS: MappingProxyType[int, float] = MappingProxyType({})
_SUPPLY_BYTES = 2


def look_at_supply(unit: UnitState, watch: SupplyWatch) -> Talk[Supply]:
    """Read the supply once; a reading that takes long is given up."""
    policy = unit.policy
    unit.policy = replace(
        policy, pending_cap_s=_NO_CAPS, pending_cap_other_s=LONGEST_S, busy_tries=2, fence_tries=1
    )
    try:
        reply = yield from ask(unit, encode_read_request(watch.identifier), repeats=0)
    finally:
        unit.policy = policy
    match reply:
        case Nothing(why=why):
            return Supply(volts=None, why=why)
        case Negative(code=code):
            return Supply(volts=None, why=describe_negative_response(code))
        case Positive(pdu=pdu):
            return _decode(pdu, watch)


def _decode(pdu: bytes, watch: SupplyWatch) -> Supply:
    try:
        value = decode_read_answer(pdu, watch.identifier)
    except MalformedError as error:
        return Supply(volts=None, why=error.what)
    if len(value) != _SUPPLY_BYTES:
        return Supply(volts=None, why=f"{count(len(value), 'byte')} instead of {_SUPPLY_BYTES}")
    return Supply(volts=int.from_bytes(value, "big") * watch.volts_per_bit)
