"""Services 0x34, 0x38, 0x36, 0x37: take software.

A quarter of a block's time erases, a tenth checks, the rest is spread over its bytes.
"""

import zlib
from dataclasses import replace

from donorfit.diagnostics.file_transfer import (
    FileAnswer,
    FileMode,
    decode_file_request,
    encode_file_answer,
)
from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.transfer import (
    decode_download_request,
    decode_transfer_request,
    encode_download_answer,
    encode_exit_answer,
    encode_transfer_answer,
    next_counter,
)
from donorfit.simulator.scenario import BlockTruth, SegmentTruth
from donorfit.simulator.state import Transfer, Work
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step

ERASE_SHARE = 0.25
CHECK_SHARE = 0.1
WRITE_SHARE = 1.0 - ERASE_SHARE - CHECK_SHARE
CRC_BYTES = 4


def judge_access(request: Request, block: BlockTruth) -> Nrc | None:
    """Why a block may not be touched now; None where it may."""
    if request.unit.session != block.session:
        return Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
    if block.security_level and request.unit.unlocked_level != block.security_level:
        return Nrc.SECURITY_ACCESS_DENIED
    return None


def plan_work(request: Request, seconds: float) -> tuple[Work, float]:
    """Heavy work from now on, and its seconds at the car's pace."""
    work_s = seconds * request.pace
    return Work(until_s=request.now_s + work_s, heavy=True), work_s


def find_piece(request: Request, place: tuple[int, int]) -> tuple[int, int] | None:
    """Block and piece at an address with a size in memory."""
    return next(
        (
            (block, piece)
            for block, truth in enumerate(request.truth.blocks)
            if not truth.file_path
            for piece, segment in enumerate(truth.pieces)
            if segment.place == place
        ),
        None,
    )


def serve_request_download(request: Request) -> ServiceAnswer:
    """0x34: a known place and size is erased; from here on the unit has no application."""
    wish = decode_download_request(request.pdu)
    found = find_piece(request, (wish.memory_address, wish.memory_size))
    if found is None or wish.data_format != request.truth.blocks[found[0]].data_format:
        return Nrc.REQUEST_OUT_OF_RANGE
    block = request.truth.blocks[found[0]]
    refused = judge_access(request, block) or request.judge_supply()
    if refused is not None:
        return refused
    unit = request.unit
    work, work_s = Work(until_s=request.now_s), 0.0
    if not block.routine_erase:
        share = ERASE_SHARE * block.pieces[found[1]].size_bytes / block.size_bytes
        work, work_s = plan_work(request, block.seconds * share)
        unit = replace(unit, flash=unit.flash.erase(*found), application=False)
    elif found not in unit.flash.erased:
        return Nrc.UPLOAD_DOWNLOAD_NOT_ACCEPTED
    transfer = Transfer(block=found[0], piece=found[1])
    return Step(
        unit=replace(unit, transfer=transfer, routine_result=None, work=work),
        answer=encode_download_answer(request.truth.max_block_length),
        work_s=work_s,
    )


def serve_request_file(request: Request) -> ServiceAnswer:
    """0x38: a known file comes anew, or goes on where it was cut off."""
    wish = decode_file_request(request.pdu)
    place = next(
        (at for at, each in enumerate(request.truth.blocks) if each.file_path == wish.path), -1
    )
    if place < 0:
        return Nrc.REQUEST_OUT_OF_RANGE
    block = request.truth.blocks[place]
    sizes = (block.pieces[0].place[1], block.size_bytes)
    if (wish.unpacked_bytes, wish.packed_bytes) != sizes or wish.data_format != block.data_format:
        return Nrc.REQUEST_OUT_OF_RANGE
    refused = judge_access(request, block) or request.judge_supply()
    if refused is not None:
        return refused
    unit, partial = request.unit, request.unit.flash.partial
    transfer = Transfer(block=place)
    work, work_s = Work(until_s=request.now_s), 0.0
    if wish.mode == FileMode.RESUME:
        if not block.resumable or partial is None or partial[0] != place:
            return Nrc.REQUEST_OUT_OF_RANGE
        transfer = replace(transfer, received_bytes=partial[1], crc32=partial[2])
    else:
        work, work_s = plan_work(request, block.seconds * ERASE_SHARE)
        unit = replace(unit, flash=unit.flash.erase(place, 0), application=False)
    answer = FileAnswer(
        longest_bytes=request.truth.max_block_length,
        data_format=wish.data_format,
        position=transfer.received_bytes,
    )
    return Step(
        unit=replace(unit, transfer=transfer, routine_result=None, work=work),
        answer=encode_file_answer(wish.mode, answer),
        work_s=work_s,
    )


def _find_truth(request: Request, transfer: Transfer) -> tuple[BlockTruth, SegmentTruth]:
    block = request.truth.blocks[transfer.block]
    return block, block.pieces[transfer.piece]


def serve_transfer_data(request: Request) -> ServiceAnswer:  # noqa: PLR0911 - one line a check
    """0x36: the next block counter is written; the last one again is only acknowledged."""
    counter, data = decode_transfer_request(request.pdu)
    transfer = request.unit.transfer
    if transfer is None or transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    block, piece = _find_truth(request, transfer)
    if next_counter(counter) == transfer.next_counter and transfer.received_bytes:
        return Step(unit=request.unit, answer=encode_transfer_answer(counter))
    if counter != transfer.next_counter:
        return Nrc.WRONG_BLOCK_SEQUENCE_COUNTER
    if not data or len(request.pdu) > request.truth.max_block_length:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer.received_bytes + len(data) > piece.size_bytes:
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
    work, work_s = plan_work(request, block.seconds * share)
    unit = replace(request.unit, transfer=transfer, work=work)
    if block.resumable:
        partial = (transfer.block, transfer.received_bytes, transfer.crc32)
        unit = replace(unit, flash=replace(unit.flash, partial=partial))
    return Step(unit=unit, answer=encode_transfer_answer(counter), work_s=work_s)


def serve_transfer_exit(request: Request) -> ServiceAnswer:
    """0x37: only after the whole piece, with its CRC-32 where the unit wants one."""
    transfer = request.unit.transfer
    record = request.pdu[1:]
    wants_crc = transfer is not None and request.truth.blocks[transfer.block].exit_crc
    if len(record) != (CRC_BYTES if wants_crc else 0):
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer is None or transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    if transfer.received_bytes != _find_truth(request, transfer)[1].size_bytes:
        return Nrc.REQUEST_SEQUENCE_ERROR
    crc32 = transfer.crc32.to_bytes(CRC_BYTES, "big")
    if wants_crc and record != crc32:
        return Nrc.GENERAL_PROGRAMMING_FAILURE
    flash = request.unit.flash.write(transfer.block, transfer.piece, transfer.crc32)
    unit = replace(request.unit, transfer=replace(transfer, exited=True), flash=flash)
    return Step(unit=unit, answer=encode_exit_answer(crc32 if wants_crc else b""))
