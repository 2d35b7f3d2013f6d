"""Services 0x10, 0x11, 0x3E and 0x27: session, reset, tester present, security access.

The demo key is :func:`compute_demo_key`; it is made to be computed by everybody.
"""

import hashlib
import zlib
from dataclasses import replace

from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.uds import (
    SUPPRESS_POSITIVE_RESPONSE,
    ResetType,
    Session,
    SessionTiming,
    encode_key_answer,
    encode_reset_answer,
    encode_seed_answer,
    encode_session_answer,
    encode_tester_present_answer,
)
from donorfit.simulator.state import NEVER_S, UnitState
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step

SEED_BYTES = 4
_SHORT_REQUEST_BYTES = 2
_LOWEST_LEVEL = 1


def compute_demo_key(seed: bytes, level: int, secret: bytes) -> bytes:
    """Key of the simulated car: CRC-32 over seed, odd level and secret, four bytes big endian."""
    return zlib.crc32(seed + bytes((level,)) + secret).to_bytes(SEED_BYTES, "big")


def serve_session(request: Request) -> ServiceAnswer:
    """0x10: every change of session, also into the same one, locks the unit again."""
    if len(request.pdu) != _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    session = request.pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    offered = {Session.DEFAULT}
    if request.unit.application:
        offered.add(Session.EXTENDED)
    if request.truth.blocks:
        offered.add(Session.PROGRAMMING)
    if session not in offered:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    timing = SessionTiming(
        p2_s=request.timing.p2_ms / 1000, p2_star_s=request.timing.p2_star_ms / 1000
    )
    return Step(
        unit=replace(request.unit.fall_back(), session=session),
        answer=encode_session_answer(session, timing),
    )


def serve_reset(request: Request) -> ServiceAnswer:
    """0x11: the unit answers, then it is away for its time; whoever carries time restarts it."""
    if len(request.pdu) != _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    kind = request.pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    if kind not in set(ResetType):
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    away_until_s = request.now_s + request.truth.reset_s * request.pace
    return Step(
        unit=restart(request.unit, away_until_s=away_until_s), answer=encode_reset_answer(kind)
    )


def restart(unit: UnitState, *, away_until_s: float) -> UnitState:
    """The unit as a reset leaves it: unfinished work is lost, memory and lock-out stay."""
    return replace(unit.fall_back(), work=None, away_until_s=away_until_s)


def serve_tester_present(request: Request) -> ServiceAnswer:
    """0x3E: keeps the session."""
    if len(request.pdu) != _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if request.pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    return Step(unit=request.unit, answer=encode_tester_present_answer())


def serve_security(request: Request) -> ServiceAnswer:
    """0x27: an odd level asks for a seed, the even one after it brings the key."""
    if len(request.pdu) < _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    sub_function = request.pdu[1] & ~SUPPRESS_POSITIVE_RESPONSE
    level = sub_function if sub_function % 2 else sub_function - 1
    sessions = request.list_levels().get(level)
    if sessions is None or level < _LOWEST_LEVEL:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED
    if request.unit.session not in sessions:
        return Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION
    return _give_seed(request, level) if sub_function % 2 else _take_key(request, level)


def _give_seed(request: Request, level: int) -> ServiceAnswer:
    unit = request.unit
    if len(request.pdu) != _SHORT_REQUEST_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if unit.locked_until_s > request.now_s:
        return Nrc.REQUIRED_TIME_DELAY_NOT_EXPIRED
    if unit.unlocked_level == level:
        return Step(unit=unit, answer=encode_seed_answer(level, bytes(SEED_BYTES)))
    source = f"{request.truth.id} {level} {unit.seeds_given}".encode()
    seed = hashlib.sha256(source).digest()[:SEED_BYTES]
    seed = seed if any(seed) else b"\x01" * SEED_BYTES  # all zero would say "open already"
    unit = replace(unit, seed_level=level, seed=seed, seeds_given=unit.seeds_given + 1)
    return Step(unit=unit, answer=encode_seed_answer(level, seed))


def _take_key(request: Request, level: int) -> ServiceAnswer:
    unit, security = request.unit, request.truth.security
    if unit.seed_level != level or not unit.seed:
        return Nrc.REQUEST_SEQUENCE_ERROR
    if len(request.pdu) != _SHORT_REQUEST_BYTES + SEED_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if request.pdu[2:] != compute_demo_key(unit.seed, level, security.secret):
        return Nrc.INVALID_KEY
    unit = replace(unit, seed=b"", seed_level=0, wrong_keys=0, unlocked_level=level)
    return Step(unit=unit, answer=encode_key_answer(level))


def count_wrong_key(request: Request) -> tuple[UnitState, Nrc]:
    """The unit after a wrong key, and what it answers: 0x35, or 0x36 with a lock-out."""
    unit, security = request.unit, request.truth.security
    wrong_keys = unit.wrong_keys + 1
    unit = replace(unit, seed=b"", seed_level=0, wrong_keys=wrong_keys)
    if wrong_keys < security.attempts:
        return unit, Nrc.INVALID_KEY
    locked_until_s = request.now_s + security.delay_s
    unit = replace(unit, wrong_keys=0, locked_until_s=locked_until_s)
    return unit, Nrc.EXCEED_NUMBER_OF_ATTEMPTS


def hold_session(unit: UnitState, *, from_s: float, s3_s: float) -> UnitState:
    """The unit with its session held for S3 from a time on; the default session needs none."""
    until_s = NEVER_S if unit.session == Session.DEFAULT else from_s + s3_s
    return replace(unit, session_until_s=until_s)
