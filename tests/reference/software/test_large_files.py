"""Sixteen megabytes as text: read whole, in memory of a few times its size."""

import random
import tracemalloc

import bincopy
import pytest

from donorfit.edge.software.read_software import read_software_bytes


@pytest.mark.long
@pytest.mark.timeout(900)
def test_sixteen_megabytes():
    data = random.Random(16).randbytes(1 << 24)
    wanted = bincopy.BinFile()
    wanted.add_binary(data, 0x8000_0000)
    text = wanted.as_ihex().encode()
    tracemalloc.start()
    reading = read_software_bytes(text, file="large.hex")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert reading.image.data == data
    assert peak < 8 * len(text)
