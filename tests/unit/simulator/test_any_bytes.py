"""Laws over any bytes: no crash, whole answers, and no change without session and security."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.simulator.car import SimulatedCar

TARGETS = (0x1010, 0x1040, 0x1071, 0x1080, 0xE400, 0x9999)
SERVICES = (0x10, 0x11, 0x14, 0x19, 0x22, 0x27, 0x2E, 0x31, 0x34, 0x36, 0x37, 0x3E)
CHANGING = (0x2E, 0x34, 0x36, 0x37, 0x31)
IDENTIFIERS = ("1001", "1002", "0601", "0602", "0700", "f190", "0202")

shaped = st.builds(
    lambda service, rest: bytes((service,)) + rest,
    st.sampled_from(SERVICES),
    st.binary(max_size=12),
)
aimed = st.builds(
    lambda service, identifier, rest: bytes((service,)) + bytes.fromhex(identifier) + rest,
    st.sampled_from((0x22, 0x2E, 0x31)),
    st.sampled_from(IDENTIFIERS),
    st.binary(max_size=45),
)
downloads = st.builds(
    lambda address, size: b"\x34\x00\x44" + address.to_bytes(4, "big") + size.to_bytes(4, "big"),
    st.sampled_from((0x10000, 0, 0xFFFFFFFF)),
    st.sampled_from((1000, 0, 999)),
)
requests = st.one_of(
    st.binary(max_size=20), shaped, aimed, downloads, st.sampled_from((b"\x10\x02", b"\x10\x03"))
)
steps = st.lists(st.tuples(st.sampled_from(TARGETS), requests, st.floats(0, 8)), max_size=30)


@pytest.fixture(scope="module")
def small_car(repository: Path):
    return read_scenario(repository / "tests/data/scenarios/small_car.toml")


@given(steps=steps, fast=st.booleans())
@settings(max_examples=200)
def test_any_requests_are_answered_whole(small_car, steps, fast):
    car = SimulatedCar(small_car, fast=fast)
    now_s = 0.0
    for target, pdu, wait_s in steps:
        now_s += wait_s
        for reply in car.handle(target, pdu, now_s):
            assert reply.after_s >= 0
            negative = reply.pdu[0] == 0x7F
            assert len(reply.pdu) == 3 if negative else reply.pdu[0] == pdu[0] + 0x40
            assert reply.pdu[1] == pdu[0] if negative else True


@given(steps=steps)
@settings(max_examples=200)
def test_nothing_is_stored_without_session_and_security(small_car, steps):
    """No step opens a level, and no write goes out in the extended session of an open unit."""
    car = SimulatedCar(small_car, fast=True)
    before = {unit.id: car.memory(unit.id) for unit in small_car.units}
    now_s = 0.0
    for target, pdu, wait_s in steps:
        if pdu[:1] == b"\x10" and target in {0x1040, 0x1071, 0xE400}:
            continue  # these units have records that only need a session
        now_s += wait_s
        car.handle(target, pdu, now_s)
    for unit in small_car.units:
        after = car.memory(unit.id)
        assert after.records == before[unit.id].records
        assert after.application
        assert after.software == before[unit.id].software


@given(steps=steps)
@settings(max_examples=50)
def test_the_same_requests_always_give_the_same_answers(small_car, steps):
    def run():
        car = SimulatedCar(small_car)
        now_s, replies = 0.0, []
        for target, pdu, wait_s in steps:
            now_s += wait_s
            replies.append(car.handle(target, pdu, now_s))
        return replies

    assert run() == run()
