"""Services 0x34, 0x36, 0x37 and 0x31: take software and check it.

A quarter of a block's time erases, a tenth checks, the rest is spread over its bytes.
"""

import zlib
from dataclasses import replace

from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.transfer import (
    decode_download_request,
    decode_transfer_request,
    encode_download_answer,
    encode_exit_answer,
    encode_transfer_answer,
    next_counter,
)
from donorfit.diagnostics.uds import (
    NO_COMPRESSION_NO_ENCRYPTION,
    Routine,
    RoutineAction,
    Session,
    decode_routine_request,
    encode_routine_answer,
)
from donorfit.simulator.scenario import BlockTruth
from donorfit.simulator.state import AcceptBlock, Transfer, Work
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step

ERASE_SHARE = 0.25
CHECK_SHARE = 0.1
WRITE_SHARE = 1.0 - ERASE_SHARE - CHECK_SHARE
CHECK_GOOD = 0
CHECK_BAD = 1
_CRC_BYTES = 4


def _judge_access(request: Request, block: BlockTruth) -> Nrc | None:
    if request.unit.session != block.session:
        return Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
    if block.security_level and request.unit.unlocked_level != block.security_level:
        return Nrc.SECURITY_ACCESS_DENIED
    return None


def _work(request: Request, seconds: float) -> tuple[Work, float]:
    work_s = seconds * request.pace
    return Work(until_s=request.now_s + work_s, heavy=True), work_s


def serve_request_download(request: Request) -> ServiceAnswer:
    """0x34: a known place and size is erased; from here on the unit has no application."""
    wish = decode_download_request(request.pdu)
    place = next(
        (
            place
            for place, block in enumerate(request.truth.blocks)
            if (block.memory_address, block.size_bytes) == (wish.memory_address, wish.memory_size)
        ),
        -1,
    )
    if place < 0 or wish.data_format != NO_COMPRESSION_NO_ENCRYPTION:
        return Nrc.REQUEST_OUT_OF_RANGE
    block = request.truth.blocks[place]
    refused = _judge_access(request, block) or request.judge_supply()
    if refused is not None:
        return refused
    work, work_s = _work(request, block.seconds * ERASE_SHARE)
    unit = replace(
        request.unit, application=False, transfer=Transfer(block=place), routine_result=None
    )
    return Step(
        unit=replace(unit, work=work),
        answer=encode_download_answer(request.truth.max_block_length),
        work_s=work_s,
    )


def serve_transfer_data(request: Request) -> ServiceAnswer:  # noqa: PLR0911 - one line a check
    """0x36: the next block counter is written; the last one again is only acknowledged."""
    counter, data = decode_transfer_request(request.pdu)
    transfer = request.unit.transfer
    if transfer is None or transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    block = request.truth.blocks[transfer.block]
    if next_counter(counter) == transfer.next_counter and transfer.received_bytes:
        return Step(unit=request.unit, answer=encode_transfer_answer(counter))
    if counter != transfer.next_counter:
        return Nrc.WRONG_BLOCK_SEQUENCE_COUNTER
    if not data or len(request.pdu) > request.truth.max_block_length:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer.received_bytes + len(data) > block.size_bytes:
        return Nrc.TRANSFER_DATA_SUSPENDED
    refused = request.judge_supply()
    if refused is not None:
        return refused
    transfer = replace(
        transfer,
        received_bytes=transfer.received_bytes + len(data),
        crc32=zlib.crc32(data, transfer.crc32),
        next_counter=next_counter(counter),
    )
    share = WRITE_SHARE * len(data) / block.size_bytes
    work, work_s = _work(request, block.seconds * share)
    return Step(
        unit=replace(request.unit, transfer=transfer, work=work),
        answer=encode_transfer_answer(counter),
        work_s=work_s,
    )


def serve_transfer_exit(request: Request) -> ServiceAnswer:
    """0x37: only after the whole block."""
    transfer = request.unit.transfer
    if len(request.pdu) != 1:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer is None or transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    if transfer.received_bytes != request.truth.blocks[transfer.block].size_bytes:
        return Nrc.REQUEST_SEQUENCE_ERROR
    unit = replace(request.unit, transfer=replace(transfer, exited=True))
    return Step(unit=unit, answer=encode_exit_answer())


def serve_routine(request: Request) -> ServiceAnswer:
    """0x31: start the check of a transferred block, or ask for its result."""
    routine = decode_routine_request(request.pdu)
    blocks = request.truth.blocks
    known = [each for each in blocks if each.routine_check == routine.identifier]
    if not known:
        return Nrc.REQUEST_OUT_OF_RANGE
    if request.unit.session != known[0].session:
        default = request.unit.session == Session.DEFAULT
        return (
            Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
            if default
            else Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION
        )
    refused = _judge_access(request, known[0])
    if refused is not None:
        return refused
    if routine.action == RoutineAction.START:
        return _start_check(request, routine)
    if routine.action == RoutineAction.REQUEST_RESULTS:
        return _show_result(request, routine)
    return Nrc.SUB_FUNCTION_NOT_SUPPORTED


def _start_check(request: Request, routine: Routine) -> ServiceAnswer:
    transfer = request.unit.transfer
    if len(routine.record) != _CRC_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer is None or not transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    block = request.truth.blocks[transfer.block]
    if block.routine_check != routine.identifier:
        return Nrc.REQUEST_SEQUENCE_ERROR
    given = int.from_bytes(routine.record, "big")
    good = transfer.crc32 == given == block.crc32
    status = CHECK_GOOD if good else CHECK_BAD
    work, work_s = _work(request, block.seconds * CHECK_SHARE)
    if good:
        work = replace(work, effect=AcceptBlock(block=transfer.block))
    unit = replace(
        request.unit, transfer=None, work=work, routine_result=(routine.identifier, status)
    )
    answer = encode_routine_answer(replace(routine, record=bytes((status,))))
    return Step(unit=unit, answer=answer, work_s=work_s)


def _show_result(request: Request, routine: Routine) -> ServiceAnswer:
    if routine.record:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    result = request.unit.routine_result
    if result is None or result[0] != routine.identifier:
        return Nrc.REQUEST_SEQUENCE_ERROR
    answer = encode_routine_answer(replace(routine, record=bytes((result[1],))))
    return Step(unit=request.unit, answer=answer)
