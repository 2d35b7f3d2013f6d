"""The talk that sends the blocks of one transfer (0x36), and asks within it."""

from typing import TypeGuard

from donorfit.diagnostics.conversation import Download
from donorfit.diagnostics.exchange import Negative, Nothing, Positive, Reply, converse
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.negative_response import Nrc, describe_negative_response
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.supply_hold import hold_for_supply
from donorfit.diagnostics.talk import Gone, NoteKind, Rest, Talk, Tell
from donorfit.diagnostics.transfer import FIRST_BLOCK, encode_transfer_request, next_counter
from donorfit.diagnostics.uds import encode_tester_present
from donorfit.diagnostics.unit_state import UnitState

NOTES_A_DOWNLOAD = 100
_SUPPLY = frozenset((Nrc.VOLTAGE_TOO_HIGH, Nrc.VOLTAGE_TOO_LOW))
_KEEP_ALIVE = encode_tester_present(suppress=True)


def send_blocks(
    unit: UnitState, download: Download, *, start: int, end: int, size: int
) -> Talk[Reply]:
    """Send the bytes of a download from start to end in blocks of this size."""
    counter = FIRST_BLOCK
    data, total = download.data, len(download.data)
    told_every = max(size, total // NOTES_A_DOWNLOAD)
    told = start
    reply: Reply = Positive(pdu=b"")
    yield Tell(kind=NoteKind.PROGRESS, text="downloading", done=start, total=total)
    for at in range(start, end, size):
        if download.watch is not None:
            held = yield from hold_for_supply(unit, download.watch)
            if held is not None:
                return held
        done = min(at + size, end)
        block = encode_transfer_request(counter, data[at:done])
        reply = yield from ask_once(unit, block, repeats=unit.policy.block_repeats)
        if isinstance(reply, Negative):
            reply = yield from _send_again_later(unit, block, reply)
        if not isinstance(reply, Positive):
            where = f"block counter 0x{counter:02X} at byte {at} of {total}"
            yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=where, done=at, total=total)
            return reply
        if done - told >= told_every or done == end:
            told = done
            yield Tell(kind=NoteKind.PROGRESS, text="downloading", done=done, total=total)
        counter = next_counter(counter)
    return reply


def _is_short_of_supply(reply: Reply) -> TypeGuard[Negative]:
    return isinstance(reply, Negative) and not reply.begun and reply.code in _SUPPLY


def _send_again_later(unit: UnitState, block: bytes, refused: Negative) -> Talk[Reply]:
    """A block that the unit refused for its supply alone, until it takes it or patience ends."""
    policy = unit.policy
    if not _is_short_of_supply(refused) or policy.supply_patience_s <= 0:
        return refused
    waited_s = 0.0
    text = f"{describe_negative_response(refused.code)}: waiting between two blocks"
    yield Tell(kind=NoteKind.SUPPLY, text=text)
    reply: Reply = refused
    while _is_short_of_supply(reply) and waited_s < policy.supply_patience_s:
        rested = yield Rest(seconds=policy.supply_pause_s)
        if isinstance(rested, Gone):
            return Nothing(why=rested.why, left=True, gone=True)
        kept = yield from converse(unit, _KEEP_ALIVE, Expectation(_KEEP_ALIVE, policy))
        if isinstance(kept, Nothing) and kept.gone:
            return kept
        waited_s += policy.supply_pause_s
        reply = yield from ask_once(unit, block, repeats=policy.block_repeats)
    return reply


def ask_once(unit: UnitState, pdu: bytes, *, repeats: int = 0) -> Talk[Reply]:
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
