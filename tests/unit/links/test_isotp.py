"""ISO-TP against a peer that a test plays frame by frame.

Published frames: Linux kernel documentation `iso15765-2.rst`; lengths and frame counts agree in
can-isotp, py-uds and scapy. Reserved STmin as 127 ms: py-uds reads it so.
"""

from __future__ import annotations

import asyncio
import time

import pytest

pytest.importorskip("isotp")


from donorfit.diagnostics.conversation import Answered, Effect, Exchange
from donorfit.diagnostics.pdu import Arriving, Pdu
from donorfit.edge.clock import RealClock
from donorfit.edge.links import isotp_channel
from donorfit.edge.links.can_port import BusFailedError, CanFrame, open_bus
from donorfit.edge.links.isotp import IsotpLink
from donorfit.edge.links.isotp_addresses import CanAddress
from donorfit.errors import InputError, MisuseError
from donorfit.job.carrier import Carrier
from donorfit.job.ports import LinkLostError, SendRefusedError
from donorfit.vehicle.identity import Address, UnitId

UNIT = Address(0x1071)
ADDRESS = CanAddress(unit=UNIT, request=0x700, response=0x708)
CLOCK = RealClock()


class Port:
    """A bus without a wire: keeps what was sent, and a test says what arrives."""

    name = "test bus"

    def __init__(self) -> None:
        self.sent = []
        self.react = lambda frame: None
        self.failing = False

    def listen(self, on_frame, on_lost):
        self.on_frame, self.on_lost = on_frame, on_lost

    def send(self, frame):
        if self.failing:
            raise BusFailedError(bus=self.name, reason="bus off")
        self.sent.append(frame)
        self.react(frame)

    def arrive(self, data: str, identifier=0x708, **options):
        self.on_frame(CanFrame(identifier=identifier, data=bytes.fromhex(data), **options))

    def answer_soon(self, data: str):
        asyncio.get_running_loop().call_soon(self.arrive, data)

    async def close(self):
        pass


def with_link(body, address=ADDRESS, **options):
    async def main():
        port = Port()
        link = IsotpLink(port, (address,), CLOCK, **options)
        await link.open(CLOCK.now() + 1)
        heard = []
        link.attach(UNIT, heard.append)
        try:
            return await body(link, port, heard)
        finally:
            await link.close()

    return asyncio.run(main())


def messages(heard):
    return [each.data for each in heard if isinstance(each, Pdu)]


@pytest.mark.parametrize(
    ("length", "first", "frames"),
    [
        (7, "07 00010203040506", 1),
        (8, "10 08 000102030405", 2),
        (20, "10 14 000102030405", 3),
        (4095, "1F FF 000102030405", 586),
        (4096, "10 00 00 00 10 00 0001", 586),
        (5000, "10 00 00 00 13 88 0001", 715),
    ],
)
def test_frames_have_the_published_form_and_number(length, first, frames) -> None:
    async def body(link, port, heard):
        port.react = lambda frame: port.answer_soon("300000") if frame.data[0] >> 4 == 1 else None
        await link.send(UNIT, bytes(n & 0xFF for n in range(length)), CLOCK.now() + 10)
        assert port.sent[0].data == bytes.fromhex(first)
        assert len(port.sent) == frames
        counters = [frame.data[0] for frame in port.sent[1:]]
        assert counters == [0x20 | (n + 1) & 0x0F for n in range(frames - 1)]

    with_link(body, longest_message=10_000)


def test_short_frames_are_padded() -> None:
    async def body(link, port, heard):
        await link.send(UNIT, b"\x3e\x00", CLOCK.now() + 1)
        assert port.sent[0].data == bytes.fromhex("02 3E00 CCCCCCCCCC")

    with_link(body)


def test_a_long_answer_is_asked_for_and_put_together() -> None:
    async def body(link, port, heard):
        port.arrive("10 14 000102030405")
        await asyncio.sleep(0)
        assert port.sent[0].data[:3] == bytes.fromhex("300000")
        assert isinstance(heard[0], Arriving)
        port.arrive("21 060708090A0B0C")
        await asyncio.sleep(0)
        port.arrive("22 0D0E0F10111213")
        await asyncio.sleep(0)
        assert messages(heard) == [bytes(range(20))]

    with_link(body)


def test_a_wrong_sequence_number_drops_the_message_and_is_told() -> None:
    async def body(link, port, heard):
        port.arrive("10 14 000102030405")
        await asyncio.sleep(0)
        port.arrive("22 060708090A0B0C")
        await asyncio.sleep(0)
        port.arrive("23 0D0E0F10111213")
        await asyncio.sleep(0)
        assert messages(heard) == []
        assert link.list_broken_messages()
        port.arrive("03 62F190")
        await asyncio.sleep(0)
        assert messages(heard) == [bytes.fromhex("62F190")]

    with_link(body)


def test_a_lost_consecutive_frame_ends_after_n_cr(monkeypatch) -> None:
    monkeypatch.setattr(isotp_channel, "FLOW_CONTROL_MS", 50)

    async def body(link, port, heard):
        port.arrive("10 14 000102030405")
        await asyncio.sleep(0)
        await asyncio.sleep(0.15)
        assert any("CONSECUTIVE" in reason.upper() for _, reason in link.list_broken_messages())
        assert messages(heard) == []

    with_link(body)


def test_flow_control_wait_is_waited_for() -> None:
    async def body(link, port, heard):
        waits = iter(["310000", "310000", "300000"])

        def react(frame):
            if frame.data[0] >> 4 == 1:
                loop = asyncio.get_running_loop()
                for number, data in enumerate(waits):
                    loop.call_later(0.01 * number, port.arrive, data)

        port.react = react
        await link.send(UNIT, bytes(20), CLOCK.now() + 2)
        assert len(port.sent) == 3

    with_link(body)


def test_overflow_refuses_the_request() -> None:
    async def body(link, port, heard):
        port.react = lambda frame: port.answer_soon("320000")
        with pytest.raises(SendRefusedError, match="passed on"):
            await link.send(UNIT, bytes(20), CLOCK.now() + 2)

    with_link(body)


def test_no_flow_control_refuses_the_request_after_n_bs(monkeypatch) -> None:
    monkeypatch.setattr(isotp_channel, "FLOW_CONTROL_MS", 80)

    async def body(link, port, heard):
        began = time.monotonic()
        with pytest.raises(SendRefusedError):
            await link.send(UNIT, bytes(20), CLOCK.now() + 2)
        assert 0.07 < time.monotonic() - began < 0.5
        # The channel is free again.
        await link.send(UNIT, b"\x3e\x00", CLOCK.now() + 1)

    with_link(body)


@pytest.mark.parametrize("stmin", ["80", "F0", "FA", "FF"])
def test_a_reserved_stmin_means_127_ms(stmin: str) -> None:
    async def body(link, port, heard):
        port.react = lambda frame: (
            port.answer_soon("3000" + stmin) if frame.data[0] >> 4 == 1 else None
        )
        began = time.monotonic()
        await link.send(UNIT, bytes(20), CLOCK.now() + 2)
        assert len(port.sent) == 3
        assert 0.12 < time.monotonic() - began < 0.6

    with_link(body)


def test_stmin_is_kept_between_frames() -> None:
    async def body(link, port, heard):
        times = []

        def react(frame):
            times.append(time.monotonic())
            if frame.data[0] >> 4 == 1:
                port.answer_soon("30000A")

        port.react = react
        await link.send(UNIT, bytes(6 + 7 * 5), CLOCK.now() + 2)
        assert len(times) == 6
        # Five consecutive frames, four gaps of 10 ms between them.
        assert times[-1] - times[0] >= 0.0399

    with_link(body)


def test_block_size_asks_for_flow_control_again() -> None:
    async def body(link, port, heard):
        asked = []

        def react(frame):
            consecutive = sum(each.data[0] >> 4 == 2 for each in port.sent)
            if frame.data[0] >> 4 == 1 or consecutive % 2 == 0:
                asked.append(consecutive)
                port.answer_soon("300200")

        port.react = react
        await link.send(UNIT, bytes(6 + 7 * 5), CLOCK.now() + 2)
        assert asked == [0, 2, 4]

    with_link(body)


def test_extended_addressing_has_the_target_in_the_first_byte() -> None:
    address = CanAddress(
        unit=UNIT, request=0x6F1, response=0x671, target_extension=0x71, source_extension=0xF1
    )

    async def body(link, port, heard):
        await link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 1)
        assert port.sent[0].data[:5] == bytes.fromhex("71 03 22F190")
        port.arrive("F2 03 62F190", identifier=0x671)
        await asyncio.sleep(0)
        assert messages(heard) == []
        port.arrive("F1 03 62F190", identifier=0x671)
        await asyncio.sleep(0)
        assert messages(heard) == [bytes.fromhex("62F190")]

    with_link(body, address)


def test_normal_fixed_addressing_has_both_addresses_in_29_bits() -> None:
    # ISO 15765-2: 0x18DA, target, source.
    address = CanAddress(unit=UNIT, request=0x18DA71F1, response=0x18DAF171, wide=True)

    async def body(link, port, heard):
        await link.send(UNIT, b"\x3e\x00", CLOCK.now() + 1)
        assert port.sent[0].identifier == 0x18DA71F1
        assert port.sent[0].wide
        port.arrive("02 7E00", identifier=0x18DAF171)
        await asyncio.sleep(0)
        assert messages(heard) == []
        port.arrive("02 7E00", identifier=0x18DAF171, wide=True)
        await asyncio.sleep(0)
        assert messages(heard) == [b"\x7e\x00"]

    with_link(body, address)


def test_can_fd_uses_frames_of_64_bytes() -> None:
    async def body(link, port, heard):
        port.react = lambda frame: port.answer_soon("300000") if frame.data[0] >> 4 == 1 else None
        await link.send(UNIT, bytes(62), CLOCK.now() + 1)
        await link.send(UNIT, bytes(200), CLOCK.now() + 1)
        assert port.sent[0].data[:2] == bytes.fromhex("00 3E")
        assert len(port.sent[1].data) == 64
        assert all(frame.flexible_rate for frame in port.sent)

    with_link(body, flexible_rate=True)


def test_bus_off_is_a_lost_link() -> None:
    async def body(link, port, heard):
        port.failing = True
        with pytest.raises(LinkLostError, match="bus off"):
            await link.send(UNIT, b"\x3e\x00", CLOCK.now() + 1)

    with_link(body)


def test_losing_the_adapter_ends_a_transfer_under_way() -> None:
    async def body(link, port, heard):
        sending = asyncio.ensure_future(link.send(UNIT, bytes(20), CLOCK.now() + 5))
        await asyncio.sleep(0.01)
        port.on_lost("unplugged")
        with pytest.raises(LinkLostError, match="unplugged"):
            await sending

    with_link(body)


def test_impossible_identifiers_are_an_input_error() -> None:
    same = CanAddress(unit=UNIT, request=0x700, response=0x700)
    with pytest.raises(InputError, match="0x1071"):
        IsotpLink(Port(), (same,), CLOCK)


def test_frames_of_others_are_counted() -> None:
    async def body(link, port, heard):
        port.arrive("02 7E00", identifier=0x123)
        await asyncio.sleep(0)
        assert link.unused_frames == 1
        assert heard == []

    with_link(body)


class NoKeys:
    def compute_key(self, unit, level, seed):
        return None


def test_an_answer_that_takes_longer_than_p2_to_arrive_still_counts() -> None:
    """P2 ends with the first frame of the answer (ISO 14229-2), not with the last."""

    async def body(link, port, heard):
        def react(frame):
            loop = asyncio.get_running_loop()
            if frame.data[1] == 0x22:
                loop.call_soon(port.arrive, "10 14 62F190" + "41" * 3)
            elif frame.data[0] >> 4 == 3:
                loop.call_later(0.2, port.arrive, "21" + "41" * 7)
                loop.call_later(0.4, port.arrive, "22" + "41" * 7)

        port.react = react
        carrier = Carrier(link, CLOCK, NoKeys())
        outcome = await carrier.carry(
            Exchange(
                unit=UnitId("unit"),
                address=UNIT,
                pdu=b"\x22\xf1\x90",
                effect=Effect.READING,
                what="read",
            )
        )
        assert outcome == Answered(pdu=b"\x62\xf1\x90" + b"A" * 17)
        await carrier.close()

    with_link(body)


def test_a_long_message_does_not_keep_the_loop_from_everything_else() -> None:
    async def body(link, port, heard):
        port.react = lambda frame: port.answer_soon("300000") if frame.data[0] >> 4 == 1 else None
        turns = 0

        async def count():
            nonlocal turns
            while True:
                turns += 1
                await asyncio.sleep(0)

        counting = asyncio.ensure_future(count())
        await link.send(UNIT, bytes(4095), CLOCK.now() + 10)
        counting.cancel()
        assert len(port.sent) == 586
        # Sent in one go it would be a handful of turns.
        assert turns > 50

    with_link(body)


def test_the_core_writes_nothing_to_the_terminal(capfd) -> None:
    async def body(link, port, heard):
        port.arrive("22 060708090A0B0C")
        await asyncio.sleep(0)
        assert link.list_broken_messages()

    with_link(body)
    assert capfd.readouterr().err == ""


def test_a_bus_has_one_reader_since_two_would_steal_from_each_other() -> None:
    async def main():
        bus = open_bus("virtual", "one reader")
        heard = []
        done = asyncio.Event()

        def take(frame):
            heard.append(frame)
            if len(heard) == 20:
                done.set()

        bus.listen(take, heard.append)
        with pytest.raises(MisuseError, match="reader already"):
            bus.listen(take, heard.append)
        other = open_bus("virtual", "one reader")
        for number in range(20):
            other.send(CanFrame(identifier=0x708, data=bytes((1, number))))
        async with asyncio.timeout(5):
            await done.wait()
        await bus.close()
        await other.close()
        assert [frame.data[1] for frame in heard] == list(range(20))

    asyncio.run(main())
