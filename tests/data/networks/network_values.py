"""Small network values for tests."""

from collections.abc import Callable

import pytest

from donorfit.vehicle.network import Message, Network, NetworkKind, OpticalRing, RingHop, Signal


def make_signal(name: str, **facts: object) -> Signal:
    usual = {
        "first_bit": 0,
        "bit_length": 8,
        "big_endian": False,
        "signed": False,
        "factor": 1.0,
        "offset": 0.0,
    }
    return Signal(name=name, **(usual | facts))


def make_message(name: str, number: int, cycle_ms: int | None = 10, **facts: object) -> Message:
    usual = {
        "extended": False,
        "length_bytes": 8,
        "senders": (name.lower(),),
        "receivers": (),
    }
    return Message(name=name, frame_id=number, cycle_ms=cycle_ms, **(usual | facts))


def make_network(*messages: Message, name: str = "can", bit_rate: int = 500_000) -> Network:
    return Network(name=name, kind=NetworkKind.CAN, bit_rate=bit_rate, messages=messages)


def make_ring(*hops: tuple[str, str, float, int, int]) -> OpticalRing:
    return OpticalRing(
        name="ring",
        master=hops[0][0],
        hops=tuple(
            RingHop(
                source=source,
                target=target,
                length_m=length,
                inline_connectors=connectors,
                sharp_bends=bends,
            )
            for source, target, length, connectors, bends in hops
        ),
    )


@pytest.fixture
def signal() -> Callable[..., Signal]:
    return make_signal


@pytest.fixture
def message() -> Callable[..., Message]:
    return make_message


@pytest.fixture
def network() -> Callable[..., Network]:
    return make_network


@pytest.fixture
def ring() -> Callable[..., OpticalRing]:
    return make_ring
