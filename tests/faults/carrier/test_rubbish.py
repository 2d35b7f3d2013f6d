"""A car that answers anything at all: an outcome every time, in bounded time, and no exception."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted_car import ADDRESS, PROGRAMMING, UNLOCKED, Bench, Script, download, read, write

from donorfit.diagnostics.conversation import Answered, NotSent, Refused, Unknown
from donorfit.diagnostics.pdu import Arriving

BYTE = st.integers(0, 255)
ANSWERS = st.one_of(
    st.binary(max_size=6),
    st.builds(lambda service, code: bytes((0x7F, service, code)), BYTE, BYTE),
    st.builds(
        lambda code: bytes((0x7F, 0x2E, code)),
        st.sampled_from([0x21, 0x33, 0x35, 0x36, 0x37, 0x78, 0x7E, 0x7F]),
    ),
    st.sampled_from([b"", b"\x7f", b"\x50", b"\x67\x01", b"\x67", b"\x74", b"\x74\x20\x00\x03"]),
)


@given(
    st.lists(
        st.lists(st.tuples(st.sampled_from([0.001, 0.04, 0.2, 3.0]), ANSWERS), max_size=3),
        max_size=12,
    )
)
def test_any_answers_end_in_an_outcome(answers) -> None:
    entries = [("", [(at, data.hex()) for at, data in each]) for each in answers]
    car = Script(entries)
    outcomes, took_s = Bench(car).run(
        read(), write(access=UNLOCKED), download(40, access=PROGRAMMING), read()
    )
    assert all(isinstance(each, Answered | Refused | NotSent | Unknown) for each in outcomes)
    # At most: the caps of the services, fences and a security delay.
    assert took_s < 2000


@pytest.mark.parametrize("ask", [read(), write(access=UNLOCKED)])
def test_messages_that_only_ever_begin_to_arrive_end_too(ask) -> None:
    bench = Bench(Script([("", [])] * 99))

    async def begin_for_ever():
        while True:
            bench.memory._sinks.deliver(Arriving(ADDRESS, 1.0))
            await bench.clock.sleep(0.5)

    async def body(carrier):
        beginning = asyncio.get_running_loop().create_task(begin_for_ever())
        try:
            async with asyncio.timeout(20_000):
                return await carrier.carry(ask)
        finally:
            beginning.cancel()

    assert isinstance(bench.drive(body), NotSent | Unknown)
