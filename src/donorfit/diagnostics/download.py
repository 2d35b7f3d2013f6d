"""The talk that downloads software: piece by piece erase, 0x34 or 0x38, 0x36, 0x37, then checks.

A transfer is never taken up again across a lost session: what a unit holds of it then is not
known. Only a unit that offers it by 0x38 with mode 0x06 says itself where to go on. A transfer
that the unit breaks off is ended, the unit is looked at, and everything is begun again from the
first erasing on, a bounded number of times.
"""

from dataclasses import dataclass, replace

from donorfit.diagnostics.access import Closed
from donorfit.diagnostics.blocks import ask_once, send_blocks
from donorfit.diagnostics.carrying import Carried, ask_with_access
from donorfit.diagnostics.conversation import Answered, Download, NotSent, Refused, Unknown
from donorfit.diagnostics.exchange import Negative, Nothing, Positive, Reply, ask
from donorfit.diagnostics.file_transfer import (
    FileAnswer,
    FileMode,
    FileRequest,
    decode_file_answer,
    encode_file_request,
)
from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.negative_response import Nrc, describe_negative_response
from donorfit.diagnostics.supply_hold import hold_for_supply
from donorfit.diagnostics.talk import NoteKind, Talk, Tell
from donorfit.diagnostics.transfer import (
    BLOCK_OVERHEAD_BYTES,
    DownloadRequest,
    compute_digest,
    decode_download_answer,
    encode_download_request,
    encode_exit_request,
    encode_memory_range,
)
from donorfit.diagnostics.uds import (
    ACTIVE_SESSION_IDENTIFIER,
    Routine,
    RoutineAction,
    decode_routine_answer,
    encode_read_request,
    encode_routine_request,
)
from donorfit.diagnostics.unit_state import UnitState
from donorfit.records.counted import count
from donorfit.vehicle.software import CheckScope, EraseRecord, SegmentPlace

_BROKEN_OFF = frozenset(
    (
        Nrc.UPLOAD_DOWNLOAD_NOT_ACCEPTED,
        Nrc.TRANSFER_DATA_SUSPENDED,
        Nrc.GENERAL_PROGRAMMING_FAILURE,
        Nrc.WRONG_BLOCK_SEQUENCE_COUNTER,
        Nrc.REQUEST_SEQUENCE_ERROR,
        Nrc.SECURITY_ACCESS_DENIED,
        Nrc.SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION,
        Nrc.SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION,
    )
)
"""A transfer that ends with one of these cannot go on, but may be begun again."""


MEASURES_ITSELF = (
    "this unit measures the supply itself: it is asked before each piece and cannot be asked "
    "within one, so keep an eye on a voltmeter"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ended:
    """A download that is over; ``again`` where the unit broke it off and may take it anew."""

    outcome: Carried
    again: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """One piece on its way.

    Attributes:
        place: where it goes.
        data: its bytes.
        before: bytes of the pieces that were written before it, in this try.
        erased: whether something may be erased already, in this try or an earlier one.
    """

    place: SegmentPlace
    data: bytes
    before: int
    erased: bool


def carry_download(unit: UnitState, download: Download, max_pdu_bytes: int) -> Talk[Carried]:
    """Carry one download to its outcome.

    Nothing but the transfer is sent to the unit between 0x34 and 0x37, save that its tester is
    there while the supply is waited for. A failure is told with its phase. The unit's memory is
    incomplete from the first erasing on until the check agrees; a check that disagrees is told as
    NRC 0x72, generalProgrammingFailure.
    """
    total = sum(each.size_bytes for each in download.places)
    if total != len(download.data):
        why = f"the pieces have {count(total, 'byte')}, the software {len(download.data)}"
        return NotSent(why=why)
    restarts = unit.policy.download_restarts
    resume = download.resume and download.procedure.resumable
    for number in range(restarts + 1):
        ended = yield from _bring(unit, download, max_pdu_bytes, resume=resume, erased=number > 0)
        if not ended.again or number == restarts:
            return ended.outcome
        stopped = yield from _end_transfer(unit)
        if stopped is not None:
            return stopped
        resume = False
        text = f"the transfer is begun again from the erasing on, {number + 1} of {restarts}"
        yield Tell(kind=NoteKind.BEGUN_AGAIN, text=text)
    raise AssertionError  # the last turn returns


def _end_transfer(unit: UnitState) -> Talk[Carried | None]:
    """End what the unit broke off, and see that it still answers, before anything is erased."""
    reply = yield from ask_once(unit, encode_exit_request())
    if isinstance(reply, Nothing) and reply.gone:
        return Unknown(why=reply.why)
    look = encode_read_request(ACTIVE_SESSION_IDENTIFIER)
    reply = yield from ask(unit, look, repeats=unit.policy.reading_repeats)
    if isinstance(reply, Nothing):
        return Unknown(why=f"after the transfer was broken off: {reply.why}")
    # whatever session and security were, they are opened anew before anything is erased again
    unit.forget_session()
    return None


def _bring(
    unit: UnitState, download: Download, max_pdu_bytes: int, *, resume: bool, erased: bool
) -> Talk[_Ended]:
    procedure = download.procedure
    at = 0
    for place in download.places:
        data = download.data[at : at + place.size_bytes]
        piece = _Piece(place=place, data=data, before=at, erased=erased or at > 0)
        ended = yield from _bring_piece(unit, download, piece, max_pdu_bytes, resume=resume)
        if ended is None and procedure.check_scope is CheckScope.SEGMENT:
            ended = yield from _check(unit, download, data)
        if ended is not None:
            return ended
        at += place.size_bytes
    if procedure.check_scope is CheckScope.ALL:
        ended = yield from _check(unit, download, download.data)
        if ended is not None:
            return ended
    if procedure.routine_dependencies:
        routine = Routine(action=RoutineAction.START, identifier=procedure.routine_dependencies)
        ended = yield from _run(unit, download, routine, "dependency check (0x31)")
        if ended is not None:
            return ended
    return _Ended(outcome=Answered(pdu=b""))


def _bring_piece(
    unit: UnitState, download: Download, piece: _Piece, max_pdu_bytes: int, *, resume: bool
) -> Talk[_Ended | None]:
    itself = download.watch is not None and download.watch.address == download.address
    if itself and not piece.before:
        yield Tell(kind=NoteKind.SUPPLY, text=MEASURES_ITSELF)
    held = yield from hold_for_supply(unit, download.watch, itself=itself)
    if held is not None:
        return (yield from _fail("before the erasing", held, erased=piece.erased))
    if download.procedure.routine_erase and not resume:
        ended = yield from _erase(unit, download, piece)
        if ended is not None:
            return ended
        piece = replace(piece, erased=True)
    opened = yield from _open_transfer(unit, download, piece, resume=resume)
    if isinstance(opened, _Ended):
        return opened
    longest = min(opened.longest_bytes, max_pdu_bytes, unit.policy.largest_block_bytes)
    if opened.position > len(piece.data):
        why = f"it wants to go on at byte {opened.position} of {len(piece.data)}"
        yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=why)
        return _Ended(outcome=Unknown(why=why))
    if opened.position:
        text = f"it holds {opened.position} of {count(len(piece.data), 'byte')} and goes on there"
        yield Tell(kind=NoteKind.BEGUN_AGAIN, text=text)
    reply = yield from send_blocks(
        unit,
        download,
        start=piece.before + opened.position,
        end=piece.before + len(piece.data),
        size=longest - BLOCK_OVERHEAD_BYTES,
    )
    if not isinstance(reply, Positive):
        return (yield from _fail("transfer data (0x36)", reply, erased=True))
    return (yield from _exit(unit, download, piece))


def _erase(unit: UnitState, download: Download, piece: _Piece) -> Talk[_Ended | None]:
    procedure = download.procedure
    whole = procedure.erase_record is EraseRecord.ADDRESS_AND_SIZE
    record = encode_memory_range(_describe_place(download, piece)) if whole else b""
    routine = Routine(
        action=RoutineAction.START, identifier=procedure.routine_erase, record=record
    )
    return (yield from _run(unit, download, routine, "erase (0x31)", piece))


def _describe_place(download: Download, piece: _Piece) -> DownloadRequest:
    return DownloadRequest(
        memory_address=piece.place.address,
        memory_size=piece.place.memory_bytes,
        data_format=download.procedure.data_format,
        address_bytes=download.procedure.address_bytes,
        size_bytes=download.procedure.length_bytes,
    )


def _open_transfer(
    unit: UnitState, download: Download, piece: _Piece, *, resume: bool
) -> Talk[_Ended | FileAnswer]:
    """0x34 or 0x38; a unit that refuses to resume is given the whole file."""
    path = download.procedure.file_path
    modes = [FileMode.RESUME, FileMode.REPLACE] if resume else [FileMode.REPLACE]
    request = b""
    for mode in modes if path else modes[-1:]:
        if path:
            request = encode_file_request(_describe_file(download, piece, mode))
            phase = "request file transfer (0x38)"
        else:
            request = encode_download_request(_describe_place(download, piece))
            phase = "request download (0x34)"
        reply = yield from _ask(unit, request, download, piece)
        if mode is FileMode.RESUME and isinstance(reply, Negative):
            shown = describe_negative_response(reply.code)
            yield Tell(
                kind=NoteKind.BEGUN_AGAIN, text=f"it does not resume ({shown}): from the start"
            )
            continue
        if not isinstance(reply, Positive):
            return (yield from _fail(phase, reply, erased=piece.erased))
        try:
            if path:
                return decode_file_answer(reply.pdu, mode)
            return FileAnswer(longest_bytes=decode_download_answer(reply.pdu))
        except MalformedError as error:
            yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=error.what)
            return _Ended(outcome=Unknown(why=error.what))
    raise AssertionError  # replace is not skipped


def _describe_file(download: Download, piece: _Piece, mode: FileMode) -> FileRequest:
    return FileRequest(
        mode=mode,
        path=download.procedure.file_path,
        data_format=download.procedure.data_format,
        unpacked_bytes=piece.place.memory_bytes,
        packed_bytes=piece.place.size_bytes,
    )


def _exit(unit: UnitState, download: Download, piece: _Piece) -> Talk[_Ended | None]:
    """0x37, with a digest where the unit wants one; an answer in the same form has to be equal."""
    digest = compute_digest(download.procedure.exit_digest, piece.data)
    reply = yield from ask_once(unit, encode_exit_request(digest))
    if not isinstance(reply, Positive):
        return (yield from _fail("request transfer exit (0x37)", reply, erased=True))
    told = reply.pdu[1:]
    if digest and len(told) == len(digest) and told != digest:
        text = f"request transfer exit (0x37): the unit has {told.hex(' ').upper()}"
        return (yield from _disagree(text))
    return None


def _check(unit: UnitState, download: Download, data: bytes) -> Talk[_Ended | None]:
    if not download.routine_check:
        return None
    routine = Routine(
        action=RoutineAction.START,
        identifier=download.routine_check,
        record=compute_digest(download.procedure.check_digest, data),
    )
    return (yield from _run(unit, download, routine, "check routine (0x31)"))


def _run(
    unit: UnitState,
    download: Download,
    routine: Routine,
    phase: str,
    piece: _Piece | None = None,
) -> Talk[_Ended | None]:
    """Start a routine and judge its status record; with a piece it comes before its transfer."""
    request = encode_routine_request(routine)
    reply = yield from _ask(unit, request, download, piece)
    if not isinstance(reply, Positive):
        return (yield from _fail(phase, reply, erased=piece is None or piece.erased))
    try:
        status = decode_routine_answer(reply.pdu).record
    except MalformedError as error:
        yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=error.what)
        return _Ended(outcome=Unknown(why=error.what))
    if status.startswith(download.procedure.good_status):
        return None
    shown = status.hex(" ").upper() or "none"
    return (yield from _disagree(f"{phase}: the unit disagrees, status record {shown}"))


def _ask(
    unit: UnitState, request: bytes, download: Download, piece: _Piece | None
) -> Talk[Reply | Closed]:
    """Ask; access is opened before the first piece only.

    A session that is gone later on took the transfer with it: entering it again would go on with
    pieces of which nothing is known.
    """
    if piece is None or piece.before or (piece.erased and unit.session == download.access.session):
        return (yield from ask(unit, request, repeats=0, changing=True))
    return (yield from ask_with_access(unit, request, download.access, changing=True))


def _disagree(text: str) -> Talk[_Ended]:
    yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=text)
    return _Ended(outcome=Refused(code=Nrc.GENERAL_PROGRAMMING_FAILURE, erased=True))


def _fail(phase: str, reply: Reply | Closed, *, erased: bool) -> Talk[_Ended]:
    """Tell the phase; once something is erased a request that was not sent leaves memory open."""
    outcome: Carried
    again = False
    match reply:
        case Closed(outcome=Refused(code=code)):
            outcome = Refused(code=code, erased=erased)
            why = describe_negative_response(code)
            again = erased and code in _BROKEN_OFF
        case Negative(code=code, begun=begun):
            # What was begun, or failed while memory was written, has not left it as it was.
            failed = begun or code == Nrc.GENERAL_PROGRAMMING_FAILURE
            outcome = Refused(code=code, erased=erased or failed)
            why = describe_negative_response(code)
            again = erased and code in _BROKEN_OFF
        case Closed(outcome=NotSent(why=why)):
            outcome = _not_sent(f"{phase}: {why}", erased=erased)
        case Nothing(why=why, left=left):
            outcome = _not_sent(f"{phase}: {why}", erased=erased or left)
        case _:
            why = "no answer"
            outcome = Unknown(why=phase)
    yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=f"{phase}: {why}")
    return _Ended(outcome=outcome, again=again)


def _not_sent(why: str, *, erased: bool) -> NotSent | Unknown:
    return Unknown(why=why) if erased else NotSent(why=why)
