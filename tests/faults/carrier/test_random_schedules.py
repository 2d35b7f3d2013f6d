"""Random faults against a unit that tells the truth: nothing is confirmed that did not happen.

The unit keeps every write it carried out. Whatever the link does: a write is carried out at most
once, a confirmed one exactly once, a refused or unsent one never.
"""

from __future__ import annotations

import random

import pytest
from scripted_car import ADDRESS, PLAIN, UNLOCKED, Bench, download, h, read, write

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.diagnostics.pdu import Reply
from donorfit.edge.links.faulty import FaultKind, LinkFault

KEY = b"\xaa\xbb"
KINDS = [kind for kind in FaultKind if kind is not FaultKind.CORRUPT_ANSWER]


class TruthfulUnit:
    """Answers in order, sometimes slowly, sometimes not, and forgets its session at random."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.session = 1
        self.unlocked = False
        self.carried_out: list[bytes] = []
        self.values: dict[bytes, bytes] = {}
        self.keys = 0
        self.free_at_s = 0.0
        self.blocks: list[bytes] | None = None
        self.counter = 0

    def handle(self, target, pdu, now_s):
        if self.dice.random() < 0.03:
            self.session, self.unlocked, self.blocks = 1, False, None
        if self.dice.random() < 0.05 and pdu[0] != 0x3E:
            answers = [h("7F") + pdu[:1] + b"\x21"]
        else:
            answers = self.answer(pdu)
        if self.dice.random() < 0.1 and answers:
            answers = [h("7F") + pdu[:1] + b"\x78", *answers]
        replies = []
        for answer in answers:
            slow = self.dice.random()
            work_s = 0.3 if slow < 0.05 else 0.07 if slow < 0.1 else 0.002
            self.free_at_s = max(self.free_at_s, now_s) + work_s
            replies.append(Reply(after_s=self.free_at_s - now_s, source=target, pdu=answer))
        return tuple(replies)

    def answer(self, pdu):
        match pdu[0]:
            case 0x3E:
                return [] if pdu[1] & 0x80 else [h("7E00")]
            case 0x10:
                self.session, self.unlocked, self.blocks = pdu[1], False, None
                return [b"\x50" + pdu[1:2] + h("003201F4")]
            case 0x27 if pdu[1] % 2:
                return [h("6701") + (b"\x00\x00" if self.unlocked else b"\x12\x34")]
            case 0x27:
                self.keys += 1
                self.unlocked = pdu[2:] == KEY
                return [h("6702")] if self.unlocked else [h("7F2735")]
            case 0x22:
                return [b"\x62" + pdu[1:3] + self.values.get(pdu[1:3], b"\x00")]
            case 0x2E if self.session == 1:
                return [h("7F2E7F")]
            case 0x2E if not self.unlocked:
                return [h("7F2E33")]
            case 0x2E if self.dice.random() < 0.1:
                return [h("7F2E72")]
            case 0x2E:
                self.carried_out.append(pdu)
                self.values[pdu[1:3]] = pdu[3:]
                return [b"\x6e" + pdu[1:3]]
            case _:
                return self.answer_transfer(pdu)

    def answer_transfer(self, pdu):
        match pdu[0]:
            case 0x34 if self.unlocked:
                self.blocks, self.counter = [], 0
                return [h("74200012")]
            case 0x36 if self.blocks is not None and pdu[1] == self.counter and self.blocks:
                return [b"\x76" + pdu[1:2]]
            case 0x36 if self.blocks is not None and pdu[1] == (self.counter + 1) & 0xFF:
                self.counter = pdu[1]
                self.blocks.append(pdu[2:])
                return [b"\x76" + pdu[1:2]]
            case 0x36:
                return [h("7F3673")]
            case 0x37 if self.blocks is not None:
                return [b"\x77"]
            case 0x31 if self.blocks is not None:
                return [b"\x71" + pdu[1:4] + b"\x00"]
            case _:
                return [bytes((0x7F, pdu[0], 0x24 if pdu[0] != 0x34 else 0x33))]


def make_faults(dice: random.Random) -> tuple[LinkFault, ...]:
    return tuple(
        LinkFault(
            kind=dice.choice(KINDS),
            beginning=dice.choice([b"", b"\x2e", b"\x22", b"\x36", b"\x27", b"\x3e"]),
            occurrence=dice.randrange(1, 6),
            seconds=dice.choice([0.01, 0.04, 0.2, 1.0]),
            data=dice.choice([h("62FFFF"), h("7F3622"), b""]),
            position=dice.randrange(3),
        )
        for _ in range(dice.randrange(1, 6))
    )


def run_schedule(seed: int) -> None:
    dice = random.Random(seed)
    unit = TruthfulUnit(dice)
    bench = Bench(unit, faults=make_faults(dice))
    asks = []
    for number in range(8):
        # Often the same identifier twice in a row: the case that echoes cannot tell apart.
        identifier = dice.choice([0x0100, 0x0100, 0x0101])
        if dice.random() < 0.3:
            asks.append(read(identifier, access=dice.choice([PLAIN, UNLOCKED])))
        else:
            asks.append(write(f"2E {identifier:04X} {number:02X}", access=UNLOCKED))
    ask_download = download(80, access=UNLOCKED)
    asks.append(ask_download)

    async def body(carrier):
        for ask in asks:
            before = list(unit.carried_out)
            held = unit.values.get(ask.pdu[1:3], b"\x00") if ask is not ask_download else b""
            outcome = await carrier.carry(ask)
            check(unit, ask, outcome, before, held)

    bench.drive(body)
    assert len(unit.carried_out) == len(set(unit.carried_out)), "a write was carried out twice"


def check(unit, ask, outcome, before, held) -> None:
    assert isinstance(outcome, Answered | Refused | NotSent | Unknown)
    if not hasattr(ask, "pdu"):
        if isinstance(outcome, Answered):
            assert b"".join(unit.blocks or ()) == ask.data
        return
    if ask.pdu[0] == 0x22:
        if isinstance(outcome, Answered) and outcome.pdu:
            assert outcome.pdu == b"\x62" + ask.pdu[1:3] + held
        return
    times = unit.carried_out.count(ask.pdu)
    match outcome:
        case Answered():
            assert times == 1
        case Refused() | NotSent():
            assert times == 0
        case Unknown():
            assert times <= 1
    assert unit.carried_out[: len(before)] == before


@pytest.mark.parametrize("part", range(8))
def test_no_false_confirmation_in_random_schedules(part: int) -> None:
    for seed in range(part * 100, part * 100 + 100):
        try:
            run_schedule(seed)
        except AssertionError as error:
            message = f"schedule {seed}: {error}"
            raise AssertionError(message) from error


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_no_false_confirmation_in_ten_thousand_schedules() -> None:
    for seed in range(1000, 11_000):
        run_schedule(seed)


def test_the_unit_itself_is_honest() -> None:
    """Without faults every write of the schedule happens once, so the checks can fail."""
    unit = TruthfulUnit(random.Random(1))
    unit.dice.random = lambda: 0.5
    outcomes, _ = Bench(unit).run(write("2E 01 00 01", access=UNLOCKED), read(0x0100))
    assert outcomes == [Answered(pdu=h("6E0100")), Answered(pdu=h("62010001"))]
    assert unit.carried_out == [h("2E010001")]
    assert ADDRESS == 0x1071
