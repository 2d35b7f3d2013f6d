"""The talk that downloads one block of software: 0x34, 0x36 over and over, 0x37, then a check."""

from donorfit.diagnostics.access import Closed
from donorfit.diagnostics.carrying import Carried, ask_with_access
from donorfit.diagnostics.conversation import (
    Answered,
    Download,
    NotSent,
    Refused,
    Unknown,
)
from donorfit.diagnostics.exchange import Negative, Nothing, Positive, Reply, converse
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.negative_response import Nrc, describe_negative_response
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.talk import Gone, NoteKind, Rest, Talk, Tell
from donorfit.diagnostics.transfer import (
    BLOCK_OVERHEAD_BYTES,
    FIRST_BLOCK,
    DownloadRequest,
    decode_download_answer,
    encode_check_record,
    encode_download_request,
    encode_exit_request,
    encode_transfer_request,
    next_counter,
)
from donorfit.diagnostics.uds import (
    Routine,
    RoutineAction,
    decode_routine_answer,
    encode_routine_request,
)
from donorfit.diagnostics.unit_state import UnitState

NOTES_A_DOWNLOAD = 100


def carry_download(unit: UnitState, download: Download, max_pdu_bytes: int) -> Talk[Carried]:
    """Carry one download to its outcome.

    Nothing but the transfer is sent to the unit meanwhile. A failure is told with its phase. The
    unit's memory is incomplete from the answer to 0x34 on until the check agrees; a check that
    disagrees is told as NRC 0x72, generalProgrammingFailure.
    """
    data = download.data
    request = encode_download_request(
        DownloadRequest(memory_address=download.memory_address, memory_size=len(data))
    )
    reply = yield from ask_with_access(unit, request, download.access, changing=True)
    if not isinstance(reply, Positive):
        return (yield from _fail("request download (0x34)", reply, begun=False))
    try:
        longest = decode_download_answer(reply.pdu)
    except MalformedError as error:
        yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=error.what)
        return Unknown(why=error.what)
    longest = min(longest, max_pdu_bytes, unit.policy.largest_block_bytes)
    reply = yield from _transfer(unit, data, longest - BLOCK_OVERHEAD_BYTES)
    if not isinstance(reply, Positive):
        return (yield from _fail("transfer data (0x36)", reply, begun=True))
    exit_request = encode_exit_request()
    reply = yield from _ask_once(unit, exit_request)
    if not isinstance(reply, Positive):
        return (yield from _fail("request transfer exit (0x37)", reply, begun=True))
    return (yield from _check(unit, download))


def _transfer(unit: UnitState, data: bytes, size: int) -> Talk[Reply]:
    counter = FIRST_BLOCK
    total = len(data)
    told_every = max(size, total // NOTES_A_DOWNLOAD)
    told = 0
    reply: Reply = Positive(pdu=b"")
    for start in range(0, total, size):
        block = encode_transfer_request(counter, data[start : start + size])
        reply = yield from _ask_once(unit, block, repeats=unit.policy.block_repeats)
        if not isinstance(reply, Positive):
            where = f"block counter 0x{counter:02X} at byte {start} of {total}"
            yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=where, done=start, total=total)
            return reply
        done = min(start + size, total)
        if done - told >= told_every or done == total:
            told = done
            yield Tell(kind=NoteKind.PROGRESS, text="downloading", done=done, total=total)
        counter = next_counter(counter)
    return reply


def _ask_once(unit: UnitState, pdu: bytes, *, repeats: int = 0) -> Talk[Reply]:
    """Ask without a fence, since nothing else may be sent within a transfer.

    A block that is repeated has the same counter, so that the unit acknowledges it without
    writing it twice, and a late first answer says the same as the second.
    """
    expectation = Expectation(pdu, unit.policy)
    pause_s = unit.policy.busy_first_s
    busy = 0
    while True:
        reply = yield from converse(unit, pdu, expectation)
        if isinstance(reply, Nothing) and repeats and not reply.gone:
            repeats -= 1
            yield Tell(kind=NoteKind.REPEATED, text=f"{pdu[:2].hex(' ').upper()} once more")
        elif (
            isinstance(reply, Negative)
            and not reply.begun
            and unit.policy.reactions.get(reply.code) is Reaction.BACK_OFF
            and busy < unit.policy.busy_tries
        ):
            busy += 1
            yield Tell(kind=NoteKind.BUSY, text=f"busy, asked again in {pause_s * 1000:.0f} ms")
            rested = yield Rest(seconds=pause_s)
            if isinstance(rested, Gone):
                return Nothing(why=rested.why, left=True, gone=True)
            pause_s = min(pause_s * 2, unit.policy.busy_longest_s)
        else:
            return reply


def _check(unit: UnitState, download: Download) -> Talk[Carried]:
    routine = Routine(
        action=RoutineAction.START,
        identifier=download.routine_check,
        record=encode_check_record(download.data),
    )
    request = encode_routine_request(routine)
    reply = yield from ask_with_access(unit, request, download.access, changing=True)
    if not isinstance(reply, Positive):
        return (yield from _fail("check routine (0x31)", reply, begun=True))
    try:
        status = decode_routine_answer(reply.pdu).record
    except MalformedError as error:
        yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=error.what)
        return Unknown(why=error.what)
    if status[:1] == b"\x00":
        return Answered(pdu=b"")
    shown = status.hex(" ").upper() or "none"
    text = f"check routine (0x31): the unit disagrees with the CRC-32, status record {shown}"
    yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=text)
    return Refused(code=Nrc.GENERAL_PROGRAMMING_FAILURE)


def _fail(phase: str, reply: Reply | Closed, *, begun: bool) -> Talk[Carried]:
    """Tell the phase; once 0x34 was answered a request that was not sent leaves memory open."""
    outcome: Carried
    match reply:
        case Closed(outcome=Refused(code=code)) | Negative(code=code):
            outcome = Refused(code=code)
            why = describe_negative_response(code)
        case Closed(outcome=NotSent(why=why)):
            outcome = _not_sent(f"{phase}: {why}", begun=begun)
        case Nothing(why=why, left=left):
            outcome = _not_sent(f"{phase}: {why}", begun=begun or left)
        case _:
            why = "no answer"
            outcome = Unknown(why=phase)
    yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=f"{phase}: {why}")
    return outcome


def _not_sent(why: str, *, begun: bool) -> NotSent | Unknown:
    return Unknown(why=why) if begun else NotSent(why=why)
