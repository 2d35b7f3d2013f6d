"""Service 0x31: erase, check, and take into use what was transferred."""

from dataclasses import replace

from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import Nrc
from donorfit.diagnostics.transfer import decode_download_request
from donorfit.diagnostics.uds import (
    Routine,
    RoutineAction,
    Session,
    decode_routine_request,
    encode_routine_answer,
)
from donorfit.simulator.download_services import (
    CHECK_SHARE,
    CRC_BYTES,
    ERASE_SHARE,
    find_piece,
    judge_access,
    plan_work,
)
from donorfit.simulator.scenario import BlockTruth
from donorfit.simulator.state import AcceptBlock, UnitState, Work
from donorfit.simulator.unit_request import Request, ServiceAnswer, Step

CHECK_GOOD = 0
CHECK_BAD = 1


def serve_routine(request: Request) -> ServiceAnswer:
    """0x31: start a routine of some block, or ask for the result of a check."""
    routine = decode_routine_request(request.pdu)
    known = [each for each in request.truth.blocks if routine.identifier in _list_routines(each)]
    if not known:
        return Nrc.REQUEST_OUT_OF_RANGE
    if request.unit.session != known[0].session:
        default = request.unit.session == Session.DEFAULT
        return (
            Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION
            if default
            else Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION
        )
    refused = judge_access(request, known[0])
    if refused is not None:
        return refused
    if routine.action == RoutineAction.START:
        return _start(request, routine, known[0])
    if routine.action == RoutineAction.REQUEST_RESULTS:
        return _show_result(request, routine)
    return Nrc.SUB_FUNCTION_NOT_SUPPORTED


def _list_routines(block: BlockTruth) -> set[int]:
    return {block.routine_check, block.routine_erase, block.routine_dependencies} - {0}


def _start(request: Request, routine: Routine, known: BlockTruth) -> ServiceAnswer:
    if routine.identifier == known.routine_erase:
        return _erase(request, routine)
    if routine.identifier == known.routine_dependencies:
        return _take_into_use(request, routine)
    return _start_check(request, routine)


def _erase(request: Request, routine: Routine) -> ServiceAnswer:
    """Address and size as in 0x34, or nothing for the first block with this routine."""
    blocks = request.truth.blocks
    pieces: tuple[int, ...]
    if routine.record:
        try:
            wish = decode_download_request(b"\x34\x00" + routine.record)
        except MalformedError:
            return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
        found = find_piece(request, (wish.memory_address, wish.memory_size))
        if found is None:
            return Nrc.REQUEST_OUT_OF_RANGE
        place, pieces = found[0], found[1:]
    else:
        place = next(
            at for at, each in enumerate(blocks) if each.routine_erase == routine.identifier
        )
        pieces = tuple(range(len(blocks[place].pieces)))
    refused = request.judge_supply()
    if refused is not None:
        return refused
    size = sum(blocks[place].pieces[piece].size_bytes for piece in pieces)
    share = ERASE_SHARE * size / blocks[place].size_bytes
    work, work_s = plan_work(request, blocks[place].seconds * share)
    flash = request.unit.flash.erase(place, *pieces)
    unit = replace(request.unit, application=False, transfer=None, flash=flash, work=work)
    return _answer(unit, routine, CHECK_GOOD, work_s)


def _start_check(request: Request, routine: Routine) -> ServiceAnswer:
    transfer = request.unit.transfer
    if len(routine.record) != CRC_BYTES:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    if transfer is None or not transfer.exited:
        return Nrc.REQUEST_SEQUENCE_ERROR
    block = request.truth.blocks[transfer.block]
    if block.routine_check != routine.identifier:
        return Nrc.REQUEST_SEQUENCE_ERROR
    given = int.from_bytes(routine.record, "big")
    flash = request.unit.flash
    right = tuple((transfer.block, place, piece.crc32) for place, piece in enumerate(block.pieces))
    if block.check_each:
        good = given == transfer.crc32 == block.pieces[transfer.piece].crc32
        share = CHECK_SHARE * block.pieces[transfer.piece].size_bytes / block.size_bytes
    else:
        good = given == block.crc32 and set(right) <= set(flash.written)
        share = CHECK_SHARE
    work, work_s = plan_work(request, block.seconds * share)
    whole = good and set(right) <= set(flash.written)
    if whole and block.routine_dependencies:
        flash = replace(flash, checked=transfer.block)
    elif whole:
        work = replace(work, effect=AcceptBlock(block=transfer.block))
    unit = replace(request.unit, transfer=None, work=work, flash=flash)
    return _answer(unit, routine, CHECK_GOOD if good else CHECK_BAD, work_s)


def _take_into_use(request: Request, routine: Routine) -> ServiceAnswer:
    """The dependency check: what passed its check becomes the application."""
    if routine.record:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    checked = request.unit.flash.checked
    good = checked >= 0 and (
        request.truth.blocks[checked].routine_dependencies == routine.identifier
    )
    unit = request.unit
    if good:
        effect = AcceptBlock(block=checked)
        unit = replace(unit, work=Work(until_s=request.now_s, effect=effect))
    return _answer(unit, routine, CHECK_GOOD if good else CHECK_BAD)


def _answer(unit: UnitState, routine: Routine, status: int, work_s: float = 0.0) -> Step:
    answer = encode_routine_answer(replace(routine, record=bytes((status,))))
    result = (routine.identifier, status)
    return Step(unit=replace(unit, routine_result=result), answer=answer, work_s=work_s)


def _show_result(request: Request, routine: Routine) -> ServiceAnswer:
    if routine.record:
        return Nrc.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT
    result = request.unit.routine_result
    if result is None or result[0] != routine.identifier:
        return Nrc.REQUEST_SEQUENCE_ERROR
    answer = encode_routine_answer(replace(routine, record=bytes((result[1],))))
    return Step(unit=request.unit, answer=answer)
