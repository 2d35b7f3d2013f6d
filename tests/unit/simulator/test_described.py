"""Units whose services come as data."""

import pytest

from donorfit.simulator.car import Reach
from donorfit.simulator.described import (
    DescribedCar,
    DescribedService,
    DescribedUnit,
    DescribedUnits,
)

UNIT = DescribedUnit(
    id="sleeper",
    address=0x1001,
    charts=(("day", "asleep", True),),
    services=(
        DescribedService(
            name="wake", request=b"\x10\x03", mask=b"\xff\xff", longest_bytes=2, answer=b"\x50\x03",
            moves=(("day", "asleep", "awake"),),
        ),
        DescribedService(
            name="jump", request=b"\xba\x00", mask=b"\xff\x00", longest_bytes=2, answer=b"\xfa\x00\x07",
            echoes=((1, 1),), needs=(("day", "awake"),), refusal=b"\x7f\xba\x22",
        ),
        DescribedService(name="mute", request=b"\x22\x01\x02", mask=b"\xff\xff\xff", longest_bytes=3, answer=b""),
        DescribedService(name="alive", request=b"\x3e\x00", mask=b"\xff\xff", longest_bytes=2, answer=b"\x7e\x00"),
    ),
)  # fmt: skip


@pytest.fixture
def car():
    return DescribedCar(DescribedUnits(title="one", units=(UNIT,)))


def ask(car, request_hex, now_s=0.0, target=0x1001):
    return [reply.pdu.hex() for reply in car.handle(target, bytes.fromhex(request_hex), now_s)]


def test_state_opens_a_service_and_falls_back(car):
    assert ask(car, "ba05") == ["7fba22"]
    assert ask(car, "1003") == ["5003"]
    assert car.read_states("sleeper") == {"day": "awake"}
    assert ask(car, "ba05", 4.0) == ["fa0507"]
    assert ask(car, "ba05", 10.0) == ["7fba22"]


@pytest.mark.parametrize(
    ("request_hex", "answers"),
    [
        ("", []),
        ("3e80", []),
        ("3e00", ["7e00"]),
        ("1002", ["7f1012"]),
        ("100300", ["7f1013"]),
        ("27", ["7f2711"]),
        ("220103", ["7f2231"]),
        ("220102", ["7f2231"]),
    ],
)
def test_answers(car, request_hex, answers):
    assert ask(car, request_hex) == answers


def test_addresses(car):
    assert car.reach(0x1001) is Reach.REACHABLE
    assert car.reach(0x1002) is Reach.UNKNOWN
    assert ask(car, "3e00", target=0xE400) == ["7e00"]
    assert ask(car, "27", target=0xE400) == []
