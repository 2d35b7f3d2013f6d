"""Disturbances: each once, at its request."""

from dataclasses import replace
from itertools import pairwise

import pytest

from donorfit.simulator.car import ConnectionDrop
from donorfit.simulator.scenario import Disturbance, DisturbanceKind
from donorfit.vehicle.identity import UnitId

BODY, GATEWAY = 0x1040, 0x1010
WRITE = "2e06010010a000fd"


def disturb(kind: DisturbanceKind, **more) -> Disturbance:
    return Disturbance(unit=UnitId("body"), service=0x2E, kind=kind, **more)


@pytest.fixture
def meet(disturbed):
    """An asker in the extended session of the body unit, before the disturbed write."""

    def build(kind: DisturbanceKind, **more):
        asker = disturbed(disturb(kind, **more))
        asker.ask(BODY, "1003")
        return asker

    return build


def test_busy_for_some_requests(meet):
    asker = meet(DisturbanceKind.BUSY, times=2)
    assert [asker.ask(BODY, WRITE) for _ in range(3)] == ["7f2e21", "7f2e21", "6e0601"]


def test_only_the_nth_matching_request(meet):
    asker = meet(DisturbanceKind.REFUSE, code=0x72, occurrence=2, identifier=0x0601)
    answers = [asker.ask(BODY, pdu) for pdu in ("2e06020102", WRITE, WRITE, WRITE)]
    assert answers == ["7f2e31", "6e0601", "7f2e72", "6e0601"]


def test_pending(meet):
    replies = meet(DisturbanceKind.PENDING, seconds=12.0).replies(BODY, WRITE)
    assert [reply.pdu.hex() for reply in replies] == ["7f2e78"] * 3 + ["6e0601"]
    times = [0.0, *(reply.after_s for reply in replies)]
    assert times[-1] == 12.0
    assert times[1] <= 0.05
    gaps = [later - earlier for earlier, later in pairwise(times[1:])]
    assert all(gap <= 5.0 for gap in gaps)


@pytest.mark.parametrize(("executed", "stored"), [(False, "0010a000"), (True, "0020a000")])
def test_silence(meet, executed, stored):
    asker = meet(DisturbanceKind.SILENCE, executed=executed)
    assert asker.replies(BODY, "2e0601" + "0020a000" + checksum("0020a000")) == ()
    asker.wait(3.0)
    asker.ask(BODY, "3e00")
    assert asker.car.memory("body")[0x0601].hex().startswith(stored)


def test_late_answer(meet):
    replies = meet(DisturbanceKind.LATE_ANSWER, seconds=3.0).replies(BODY, WRITE)
    assert [(reply.pdu.hex(), reply.after_s) for reply in replies] == [("6e0601", 5.0)]


def test_drop_connection(meet):
    asker = meet(DisturbanceKind.DROP_CONNECTION, refuse_s=2.0, executed=True)
    assert asker.replies(BODY, WRITE) == (
        ConnectionDrop(after_s=0.005, source=BODY, pdu=b"", refuse_s=2.0),
    )


@pytest.mark.parametrize("executed", [False, True])
def test_reset(meet, scenario, executed):
    asker = meet(DisturbanceKind.RESET, executed=executed)
    new = "2e0601" + "0020a000" + checksum("0020a000")
    assert asker.replies(BODY, new) == ()
    assert asker.ask(BODY, "3e00") == ""
    asker.wait(3.1)
    assert asker.ask(BODY, "22f186") == "62f18601"
    stored = asker.car.memory("body")[0x0601].hex()
    assert stored.startswith("0020" if executed else "0010")


def checksum(covered: str) -> str:
    value = 0xFF
    for byte in bytes.fromhex(covered):
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ (0x1D if value & 0x80 else 0)) & 0xFF
    return f"{value ^ 0xFF:02x}"


def test_stored_differently(meet):
    asker = meet(DisturbanceKind.STORE_DIFFERENTLY, byte=3, value=0x77)
    assert asker.ask(BODY, WRITE) == "6e0601"
    assert asker.ask(BODY, "220601") == "6206010010a077fd"
    assert asker.ask(BODY, "1003")[:2] == "50"
    assert asker.ask(BODY, WRITE) == "6e0601"
    assert asker.ask(BODY, "220601") == "6206010010a000fd"


def test_supply_dip(meet):
    asker = meet(DisturbanceKind.SUPPLY_DIP, volts=7.0, seconds=1.0)
    assert asker.ask(BODY, WRITE) == "7f2e93"
    asker.wait(1.1)
    assert asker.ask(BODY, WRITE) == "6e0601"


def test_a_disturbance_without_identifier_and_one_on_a_sub_function(scenario, build_asker):
    each = Disturbance(
        unit=UnitId("gateway"), service=0x10, identifier=3, kind=DisturbanceKind.REFUSE, code=0x22
    )
    asker = build_asker(replace(scenario, disturbances=(each,)))
    assert asker.ask(GATEWAY, "1001").startswith("50")
    assert asker.ask(GATEWAY, "1003") == "7f1022"
    assert asker.ask(GATEWAY, "1003").startswith("50")
