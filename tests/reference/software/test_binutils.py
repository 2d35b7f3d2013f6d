"""Files that others wrote: GNU objcopy (binutils) and bincopy, read with our readers."""

import random
import shutil
import subprocess
from pathlib import Path

import bincopy
import pytest

from donorfit.edge.software.read_software import read_software_file
from donorfit.vehicle.software import SoftwareFormat

pytestmark = pytest.mark.reference


@pytest.fixture
def convert(tmp_path):
    """Objcopy: plain bytes at an address into a text format."""
    program = shutil.which("objcopy")
    if program is None:
        pytest.skip("needs objcopy of GNU binutils")

    def run(data: bytes, address: int, target: str) -> Path:
        plain, out = tmp_path / "plain.bin", tmp_path / "out.txt"
        plain.write_bytes(data)
        change = f"--change-addresses={address:#x}"
        subprocess.run([program, "-I", "binary", "-O", target, change, plain, out], check=True)
        return out

    return run


@pytest.mark.parametrize(
    ("target", "kind", "limit"),
    [
        ("ihex", SoftwareFormat.INTEL_HEX, 1 << 32),
        ("srec", SoftwareFormat.S_RECORD, 1 << 32),
        ("srec", SoftwareFormat.S_RECORD, 1 << 16),
    ],
)
@pytest.mark.parametrize("seed", range(6))
def test_objcopy(convert, target, kind, limit, seed):
    dice = random.Random(seed)
    data = dice.randbytes(dice.choice((1, 15, 16, 17, 4096, 70_000 if limit > 1 << 20 else 999)))
    # objcopy takes addresses of more than 31 bits for negative ones in Intel HEX
    address = dice.randrange(min(limit, 1 << 31) - len(data))
    reading = read_software_file(convert(data, address, target))
    assert reading.format is kind
    assert [(each.address, each.data) for each in reading.image.segments] == [(address, data)]


@pytest.mark.parametrize("seed", range(20))
def test_bincopy_with_gaps(tmp_path, seed):
    dice = random.Random(seed)
    wanted = bincopy.BinFile()
    address = dice.randrange(1 << 20)
    for _ in range(dice.randrange(1, 6)):
        wanted.add_binary(dice.randbytes(dice.randrange(1, 5000)), address)
        address += 5000 + dice.randrange(1, 1 << 18)
    for text in (wanted.as_ihex(), wanted.as_srec(), wanted.as_srec(address_length_bits=24)):
        out = tmp_path / "out.txt"
        out.write_text(text)
        image = read_software_file(out).image
        assert [(each.address, each.data) for each in image.segments] == [
            (each.address, bytes(each.data)) for each in wanted.segments
        ]
