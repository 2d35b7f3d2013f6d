"""The talk that sends the blocks of one transfer (0x36), and asks within it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeGuard

from donorfit.diagnostics.conversation import Download
from donorfit.diagnostics.exchange import (
    Negative,
    Nothing,
    Positive,
    Reply,
    await_answer,
    converse,
)
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.negative_response import Nrc, describe_negative_response
from donorfit.diagnostics.policy import Reaction
from donorfit.diagnostics.supply_hold import hold_for_supply
from donorfit.diagnostics.talk import (
    Failed,
    Foreseen,
    Gone,
    NoteKind,
    Rest,
    Stream,
    Streamed,
    Taken,
    Talk,
    Tell,
)
from donorfit.diagnostics.transfer import (
    FIRST_BLOCK,
    LAST_COUNTER,
    encode_transfer_answer,
    encode_transfer_request,
)
from donorfit.diagnostics.uds import encode_tester_present
from donorfit.diagnostics.unit_state import UnitState

NOTES_A_DOWNLOAD = 100
MOST_IN_VAIN = 3
"""A unit whose answers are never as foreseen is asked block by block after so many."""
_SUPPLY = frozenset((Nrc.VOLTAGE_TOO_HIGH, Nrc.VOLTAGE_TOO_LOW))
_KEEP_ALIVE = encode_tester_present(suppress=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """The blocks of one transfer, numbered from 0."""

    data: bytes
    start: int
    end: int
    size: int

    @property
    def count(self) -> int:
        return -((self.start - self.end) // self.size)

    def find_start(self, number: int) -> int:
        """First byte of this block, and so the bytes that are done before it."""
        return min(self.start + number * self.size, self.end)

    def encode(self, number: int) -> bytes:
        """The request that brings this block."""
        at = self.start + number * self.size
        counter = (FIRST_BLOCK + number) & LAST_COUNTER
        return encode_transfer_request(counter, self.data[at : min(at + self.size, self.end)])

    def foresee(self, number: int) -> Iterator[Foreseen]:
        """All from this one on, each with the answer that lets the next one follow."""
        for each in range(number, self.count):
            request = self.encode(each)
            yield Foreseen(request, encode_transfer_answer(request[1]))


def send_blocks(
    unit: UnitState, download: Download, *, start: int, end: int, size: int
) -> Talk[Reply]:
    """Send the bytes of a download from start to end in blocks of this size.

    Blocks follow each other without a word as long as the unit takes each one plainly. What it
    says otherwise, or does not say, is judged block by block.
    """
    blocks = _Blocks(data=download.data, start=start, end=end, size=size)
    total = len(download.data)
    told_every = max(size, total // NOTES_A_DOWNLOAD)
    told = start
    number = in_vain = 0
    reply: Reply = Positive(pdu=b"")
    yield Tell(kind=NoteKind.PROGRESS, text="downloading", done=start, total=total)
    while number < blocks.count:
        if download.watch is not None and download.watch.address != download.address:
            held = yield from hold_for_supply(unit, download.watch)
            if held is not None:
                return held
        taken: Taken | Failed | None = None
        streamed = 0
        if in_vain < MOST_IN_VAIN:
            streamed, taken = yield from _stream(unit, blocks, number)
            in_vain = 0 if streamed else in_vain + 1
            number += streamed
        if taken is not None or not streamed:
            reply = yield from _send_block(unit, blocks.encode(number), taken)
            if not isinstance(reply, Positive):
                at = blocks.find_start(number)
                where = f"block {number + 1} of {blocks.count}, at byte {at} of {total}"
                yield Tell(kind=NoteKind.DOWNLOAD_FAILED, text=where, done=at, total=total)
                return reply
            number += 1
        done = blocks.find_start(number)
        if done - told >= told_every or done == end:
            told = done
            yield Tell(kind=NoteKind.PROGRESS, text="downloading", done=done, total=total)
    return reply


def _stream(
    unit: UnitState, blocks: _Blocks, number: int
) -> Talk[tuple[int, Taken | Failed | None]]:
    """How many blocks from this one on were taken plainly, and what became of the next one."""
    exchanges = blocks.foresee(number)
    event = yield Stream(exchanges, unit.first_wait_s, unit.policy.stream_s)
    assert isinstance(event, Streamed)  # noqa: S101 - the driver's contract
    if event.answered:
        last = blocks.encode(number + event.answered - 1)
        answer = encode_transfer_answer(last[1])
        unit.take_positive(last, answer, Expectation(last, unit.policy))
    return event.answered, event.last


def _send_block(unit: UnitState, block: bytes, taken: Taken | Failed | None) -> Talk[Reply]:
    """One block, which the link may have been given already."""
    reply = yield from ask_once(unit, block, repeats=unit.policy.block_repeats, taken=taken)
    if isinstance(reply, Negative):
        reply = yield from _send_again_later(unit, block, reply)
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


def ask_once(
    unit: UnitState, pdu: bytes, *, repeats: int = 0, taken: Taken | Failed | None = None
) -> Talk[Reply]:
    """Ask without a fence, since nothing else may be sent within a transfer.

    A request that the link was given already is not sent again at first: ``taken`` says what
    became of it.

    A block that is repeated has the same counter, so that the unit acknowledges it without
    writing it twice, and a late first answer says the same as the second.
    """
    expectation = Expectation(pdu, unit.policy)
    pause_s = unit.policy.busy_first_s
    busy = 0
    while True:
        if taken is None:
            reply = yield from converse(unit, pdu, expectation)
        else:
            reply = yield from await_answer(unit, pdu, expectation, taken)
            taken = None
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
