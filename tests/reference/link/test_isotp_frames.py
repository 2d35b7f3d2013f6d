"""ISO-TP frames against py-uds (MIT), which segments and reads without a bus.

Our link's core is can-isotp, so the check is another implementation, and only through our link.
"""

from __future__ import annotations

import asyncio

import pytest

pytest.importorskip("isotp")
pytest.importorskip("uds.can")

from donorfit.edge.clock import RealClock
from donorfit.edge.links.can_port import CanFrame
from donorfit.edge.links.isotp import IsotpLink
from donorfit.edge.links.isotp_addresses import CanAddress
from donorfit.vehicle.identity import Address

pytestmark = pytest.mark.reference

UNIT = Address(0x1071)


class Port:
    name = "test bus"

    def __init__(self, address):
        self.sent = []
        self.address = address

    def listen(self, on_frame, on_lost):
        self.on_frame = on_frame

    def send(self, frame):
        self.sent.append(frame.data)
        at = 0 if self.address.target_extension is None else 1
        if frame.data[at] >> 4 == 1:
            prefix = b"" if at == 0 else bytes((self.address.source_extension,))
            flow = CanFrame(identifier=self.address.response, data=prefix + b"\x30\x00\x00")
            asyncio.get_running_loop().call_soon(self.on_frame, flow)

    async def close(self):
        pass


def frames_of_ours(message, address):
    async def main():
        port = Port(address)
        clock = RealClock()
        link = IsotpLink(port, (address,), clock, longest_message=10_000)
        await link.open(clock.now() + 1)
        await link.send(UNIT, message, clock.now() + 10)
        await link.close()
        return port.sent

    return asyncio.run(main())


def frames_of_theirs(message, addressing_format, **extension):
    from uds.addressing import AddressingType
    from uds.can import CanAddressingFormat, CanAddressingInformation
    from uds.can.segmenter import CanSegmenter
    from uds.message import UdsMessage

    information = CanAddressingInformation(
        addressing_format=getattr(CanAddressingFormat, addressing_format),
        rx_physical_params={"can_id": 0x708, **extension},
        tx_physical_params={"can_id": 0x700, **extension},
        rx_functional_params={"can_id": 0x7DE, **extension},
        tx_functional_params={"can_id": 0x7DF, **extension},
    )
    segmenter = CanSegmenter(
        addressing_information=information, dlc=8, use_data_optimization=False
    )
    segmenter.filler_byte = 0xCC
    message = UdsMessage(payload=list(message), addressing_type=AddressingType.PHYSICAL)
    return [bytes(packet.raw_frame_data) for packet in segmenter.segmentation(message)]


@pytest.mark.parametrize("length", [1, 6, 7, 8, 13, 14, 20, 100, 255, 4095, 4096, 5000])
def test_normal_addressing_gives_the_frames_of_py_uds(length: int) -> None:
    message = bytes((n * 7) & 0xFF for n in range(length))
    address = CanAddress(unit=UNIT, request=0x700, response=0x708)
    assert frames_of_ours(message, address) == frames_of_theirs(message, "NORMAL_ADDRESSING")


@pytest.mark.parametrize("length", [1, 6, 7, 20, 300])
def test_extended_addressing_gives_the_frames_of_py_uds(length: int) -> None:
    message = bytes((n * 7) & 0xFF for n in range(length))
    address = CanAddress(
        unit=UNIT, request=0x700, response=0x708, target_extension=0x71, source_extension=0x71
    )
    theirs = frames_of_theirs(message, "EXTENDED_ADDRESSING", target_address=0x71)
    assert frames_of_ours(message, address) == theirs
