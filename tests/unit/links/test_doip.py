"""The DoIP link against a small gateway on loopback: activation, wrong peers, odd gateways.

Codes and rules: ISO 13400-2 as three independent implementations have them (tests/reference/link).
"""

from __future__ import annotations

import asyncio
import time

import pytest
from plain_car import PlainCar
from small_gateway import GATEWAY, Gateway

from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    encode_message,
)
from donorfit.diagnostics.pdu import Direction, LinkLost
from donorfit.edge.clock import RealClock
from donorfit.edge.links.doip import DoipLink
from donorfit.edge.links.doip_errors import (
    ActivationDeniedError,
    GatewayHungUpError,
    GatewaySilentError,
    GatewayUnreachableError,
    NoDoipError,
)
from donorfit.job.ports import LinkLostError, SendRefusedError, SendUnconfirmedError
from donorfit.vehicle.identity import Address

UNIT = Address(0x1071)
CLOCK = RealClock()


def with_gateway(body, *, opens=True, wait_s=2.0, tester=0x0E80, **knobs):
    """Run the body with a gateway and a link to it, opened unless told otherwise."""

    async def main():
        gateway = Gateway(PlainCar(), **knobs)
        port = await gateway.start()
        link = DoipLink("127.0.0.1", CLOCK, port=port, tester=Address(tester))
        try:
            if opens:
                await link.open(CLOCK.now() + wait_s)
            return await body(gateway, link)
        finally:
            await link.close()
            await gateway.stop()

    return asyncio.run(main())


async def until(condition):
    async with asyncio.timeout(2):
        while not condition():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.002)


def says(data: bytes):
    """A peer that says this to whatever comes and does nothing else."""

    async def raw(gateway, writer, received):
        writer.write(data)
        return True

    return raw


async def swallow(gateway, writer, received):
    return True


async def hang_up(gateway, writer, received):
    writer.close()
    return True


def test_open_learns_the_gateways_address() -> None:
    async def body(gateway, link):
        assert link.info.gateway == GATEWAY

    with_gateway(body)


@pytest.mark.parametrize("code", [0x00, 0x02, 0x04, 0x05, 0x06, 0x07, 0x11, 0x33, 0xE1])
def test_denied_activation_says_its_code_and_what_to_do(code: int) -> None:
    async def body(gateway, link):
        with pytest.raises(ActivationDeniedError) as caught:
            await link.open(CLOCK.now() + 2)
        text = str(caught.value)
        assert f"0x{code:02X}" in text
        assert "next: " in text
        assert gateway.activations == 1

    with_gateway(body, opens=False, activation_codes=[code])


@pytest.mark.parametrize("code", [0x01, 0x03])
def test_a_connection_that_is_still_registered_is_waited_for(code: int) -> None:
    async def body(gateway, link):
        await link.open(CLOCK.now() + 3)
        assert gateway.activations == 2

    with_gateway(body, opens=False, activation_codes=[code])


def test_a_connection_that_stays_registered_is_an_error_in_time() -> None:
    async def body(gateway, link):
        began = time.monotonic()
        with pytest.raises(ActivationDeniedError, match="routing"):
            await link.open(CLOCK.now() + 1.5)
        assert time.monotonic() - began < 1.6

    with_gateway(body, opens=False, activation_codes=[3] * 9)


def test_a_web_server_is_recognised_as_no_gateway() -> None:
    async def body(gateway, link):
        with pytest.raises(NoDoipError) as caught:
            await link.open(CLOCK.now() + 2)
        assert "HTTP/1.1 400" in caught.value.why

    with_gateway(body, opens=False, raw=says(b"HTTP/1.1 400 Bad Request\r\n\r\n"))


def test_rubbish_and_wrong_inverse_are_recognised_as_no_gateway() -> None:
    for data in (bytes(range(64)), b"\x02\xfe\x00\x06\x00\x00\x00\x09" + bytes(9)):

        async def body(gateway, link):
            with pytest.raises(NoDoipError):
                await link.open(CLOCK.now() + 2)

        with_gateway(body, opens=False, raw=says(data))


def test_silence_ends_at_the_deadline() -> None:
    async def body(gateway, link):
        began = time.monotonic()
        with pytest.raises(GatewaySilentError):
            await link.open(CLOCK.now() + 0.3)
        assert time.monotonic() - began < 0.6

    with_gateway(body, opens=False, raw=swallow)


def test_a_peer_that_hangs_up_is_told_at_once() -> None:
    async def body(gateway, link):
        with pytest.raises(GatewayHungUpError, match="ended the connection"):
            await link.open(CLOCK.now() + 2)

    with_gateway(body, opens=False, raw=hang_up)


def test_nobody_listens() -> None:
    async def main():
        gateway = Gateway(PlainCar())
        port = await gateway.start()
        await gateway.stop()
        with pytest.raises(GatewayUnreachableError, match=f"127.0.0.1:{port}"):
            await DoipLink("127.0.0.1", CLOCK, port=port).open(CLOCK.now() + 2)

    asyncio.run(main())


def test_a_host_that_never_accepts_ends_at_the_deadline() -> None:
    async def main():
        # A listening socket whose queue is full takes no further connection.
        server = await asyncio.start_server(lambda r, w: None, "127.0.0.1", 0, start_serving=False)
        port = server.sockets[0].getsockname()[1]
        link = DoipLink("127.0.0.1", CLOCK, port=port)
        began = time.monotonic()
        with pytest.raises((GatewayUnreachableError, GatewaySilentError)):
            await link.open(CLOCK.now() + 0.3)
        assert time.monotonic() - began < 0.8
        server.close()

    asyncio.run(main())


def test_another_edition_of_the_standard_is_followed() -> None:
    async def body(gateway, link):
        await link.open(CLOCK.now() + 2)
        heard = []
        link.attach(UNIT, heard.append)
        await link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 1)
        await until(lambda: heard)

    with_gateway(body, opens=False, required_version=3)


def test_alive_check_is_answered_at_once_while_idle() -> None:
    async def body(gateway, link):
        loop = asyncio.get_running_loop()
        began = loop.time()
        gateway.ask_alive()
        await until(lambda: gateway.alive_answers)
        assert gateway.alive_answers[0] - began < 0.2

    with_gateway(body)


def test_answer_before_acknowledgement_counts_as_both() -> None:
    async def body(gateway, link):
        heard = []
        link.attach(UNIT, heard.append)
        for number in range(3):
            await link.send(UNIT, bytes((0x22, 0, number)), CLOCK.now() + 1)
            await until(lambda count=number + 1: len(heard) == count)
        await asyncio.sleep(0.1)
        assert [pdu.data[2] for pdu in heard] == [0, 1, 2]
        assert link.unused_frames == 0

    with_gateway(body, answer_before_acknowledge=True)


def test_split_and_coalesced_frames_are_cut_right() -> None:
    async def body(gateway, link):
        heard = []
        link.attach(UNIT, heard.append)
        await link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 1)
        await until(lambda: heard)
        gateway.piece_bytes = 0
        one = encode_message(
            DiagnosticMessage(source=UNIT, target=Address(0x0E80), pdu=b"\x62\x00\x01")
        )
        gateway.writers[0].write(one * 5 + encode_message(AliveCheckRequest()))
        await until(lambda: len(heard) == 6 and gateway.alive_answers)

    with_gateway(body, piece_bytes=3)


def test_frames_for_others_are_counted_and_not_delivered() -> None:
    async def body(gateway, link):
        heard = []
        link.attach(None, heard.append)
        foreign = DiagnosticMessage(source=UNIT, target=Address(0x0E81), pdu=b"\x62\x00\x01")
        unknown_type = b"\x02\xfd\x12\x34\x00\x00\x00\x02\xaa\xbb"
        gateway.writers[0].write(encode_message(foreign) + unknown_type)
        await until(lambda: link.unused_frames == 2)
        assert heard == []

    with_gateway(body)


@pytest.mark.parametrize("code", [0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x55])
def test_a_negative_acknowledgement_refuses_the_request(code: int) -> None:
    async def refuse(gateway, writer, received):
        if b"\x80\x01" not in received[:4]:
            return False
        nack = DiagnosticNegativeAcknowledge(source=UNIT, target=Address(0x0E80), code=code)
        writer.write(encode_message(nack))
        return True

    async def body(gateway, link):
        with pytest.raises(SendRefusedError, match=f"0x{code:02X}"):
            await link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 1)

    with_gateway(body, raw=refuse)


def test_no_acknowledgement_from_a_living_gateway_is_unconfirmed() -> None:
    async def body(gateway, link):
        gateway.car.units = ()
        sending = asyncio.ensure_future(link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 0.3))
        await asyncio.sleep(0.05)
        gateway.ask_alive()
        with pytest.raises(SendUnconfirmedError):
            await sending

    with_gateway(body, acknowledge=False)


def test_a_half_open_connection_is_lost_when_the_acknowledgement_stays_out() -> None:
    async def body(gateway, link):
        lost = []
        link.attach(None, lost.append)
        gateway.raw = swallow
        with pytest.raises(LinkLostError, match="fallen silent"):
            await link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 0.2)
        assert [type(each) for each in lost] == [LinkLost]

    with_gateway(body)


@pytest.mark.parametrize("how", ["reset", "hang_up"])
def test_reset_and_fin_are_noticed_at_once(how: str) -> None:
    async def body(gateway, link):
        lost = []
        link.attach(None, lost.append)
        gateway.raw = swallow
        sending = asyncio.ensure_future(link.send(UNIT, b"\x22\xf1\x90", CLOCK.now() + 5))
        await asyncio.sleep(0.02)
        began = time.monotonic()
        getattr(gateway, how)()
        with pytest.raises(LinkLostError):
            await sending
        assert time.monotonic() - began < 0.5
        assert len(lost) == 1

    with_gateway(body)


@pytest.mark.parametrize("data", [b"\x02\xfe" + bytes(20), b"\x00" * 9])
def test_stray_bytes_end_the_connection_at_once(data: bytes) -> None:
    async def body(gateway, link):
        lost = []
        link.attach(None, lost.append)
        gateway.writers[0].write(data)
        await until(lambda: lost)
        assert "broke the protocol" in lost[0].reason

    with_gateway(body)


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"\x02\xfe" + bytes(20), id="no header"),
        pytest.param(bytes.fromhex("02FD 7777 00000002 ABCD"), id="a type that nobody knows"),
        pytest.param(bytes.fromhex("02FD 8001 00000010 1071"), id="half a message"),
    ],
)
def test_a_trace_holds_every_byte_that_came(data: bytes) -> None:
    async def body(gateway, link):
        traced = []
        link.trace(
            lambda each: traced.append(each.data) if each.direction is Direction.RECEIVED else None
        )
        gateway.writers[0].write(data)
        await until(lambda: traced)
        assert b"".join(traced) == data

    with_gateway(body)


def test_an_oversized_frame_is_skipped_without_keeping_it() -> None:
    async def body(gateway, link):
        heard = []
        link.attach(UNIT, heard.append)
        size = 3 << 20
        head = b"\x02\xfd\x80\x01" + size.to_bytes(4, "big")
        gateway.writers[0].write(head + bytes(size))
        gateway.writers[0].write(
            encode_message(DiagnosticMessage(source=UNIT, target=Address(0x0E80), pdu=b"\x7e\x00"))
        )
        await until(lambda: heard)
        assert link.unused_frames == 1

    with_gateway(body)


def test_an_idle_connection_is_kept_with_alive_check_responses() -> None:
    async def body(gateway, link):
        async with asyncio.timeout(4):
            while not gateway.alive_answers:  # noqa: ASYNC110 - what is waited for has no event
                await asyncio.sleep(0.05)

    with_gateway(body)
