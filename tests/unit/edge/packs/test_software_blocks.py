"""Software of a pack: every file opened, its pieces those that the pack names."""

from hashlib import sha256
from pathlib import Path

import bincopy
import pytest
from small_pack import FILES, SOFTWARE

from donorfit.edge.packs.pack_reader import load_pack, read_software_image
from donorfit.errors import InputError
from donorfit.vehicle.software import Digest, SegmentPlace, SoftwareFormat

TWO = (
    "segments = [{ address = 0x100, size_bytes = 1000 }, { address = 0x2000, size_bytes = 24 }]\n"
)


def write_hex(*pieces: tuple[int, bytes]) -> bytes:
    out = bincopy.BinFile()
    for address, data in pieces:
        out.add_binary(data, address)
    return str(out.as_ihex()).encode()


def write_pack(make_pack, data: bytes, more: str) -> Path:
    path = make_pack()
    (path / "software" / "hook.bin").write_bytes(data)
    units = (path / "units.toml").read_text()
    was = sha256(SOFTWARE).hexdigest()
    assert was in units
    units = units.replace(was, sha256(data).hexdigest())
    units = units.replace("seconds = 5\n", f"seconds = 5\n{more}")
    (path / "units.toml").write_text(units)
    return path


def refuse(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_pack(path, thorough=True)
    return str(caught.value)


HEX = 'format = "intel-hex"\n'


def test_pieces_of_a_hex_file(make_pack):
    data = write_hex((0x100, SOFTWARE[:1000]), (0x2000, SOFTWARE[1000:]))
    path = write_pack(make_pack, data, HEX + TWO)
    block = load_pack(path, thorough=True).pack.units[1].software_blocks[0]
    assert block.format is SoftwareFormat.INTEL_HEX
    assert block.places == (
        SegmentPlace(address=0x100, size_bytes=1000),
        SegmentPlace(address=0x2000, size_bytes=24),
    )
    image = read_software_image(path, block)
    assert image.data == SOFTWARE
    assert image.sha256 == block.sha256 == sha256(data).hexdigest()


def test_other_pieces_than_the_pack_says(make_pack):
    data = write_hex((0x100, SOFTWARE[:1000]), (0x3000, SOFTWARE[1000:]))
    path = write_pack(make_pack, data, HEX + TWO)
    said = refuse(path)
    assert "the file has 2 pieces, at 0x100 (1000), 0x3000 (24), the pack says others" in said
    block = load_pack(path).pack.units[1].software_blocks[0]
    with pytest.raises(InputError, match="other pieces"):
        read_software_image(path, block)


def test_a_broken_line_is_told_with_its_place(make_pack):
    lines = write_hex((0x100, SOFTWARE)).splitlines(keepends=True)
    lines[3] = lines[3][:-3] + b"00\n"
    said = refuse(write_pack(make_pack, b"".join(lines), HEX))
    assert "software/hook.bin:4: the checksum of the line is 00" in said


def test_a_plain_file_is_cut_into_its_pieces(make_pack):
    path = write_pack(make_pack, SOFTWARE, TWO)
    block = load_pack(path, thorough=True).pack.units[1].software_blocks[0]
    image = read_software_image(path, block)
    assert [(each.address, each.data) for each in image.segments] == [
        (0x100, SOFTWARE[:1000]),
        (0x2000, SOFTWARE[1000:]),
    ]


def test_the_procedure_is_taken_over(make_pack):
    more = (
        'data_format = 0x11\naddress_bytes = 3\nlength_bytes = 2\nroutine_erase = 0xFF00\n'
        'exit_digest = "crc32"\ncheck_digest = "sha256"\ngood_status = "01 02"\n'
        'routine_dependencies = 0xFF01\nreplaces = ["1.0"]\n'
    )  # fmt: skip
    path = write_pack(make_pack, SOFTWARE, more)
    block = load_pack(path).pack.units[1].software_blocks[0]
    procedure = block.procedure
    assert (procedure.data_format, procedure.address_bytes, procedure.length_bytes) == (0x11, 3, 2)
    assert (procedure.routine_erase, procedure.routine_dependencies) == (0xFF00, 0xFF01)
    assert (procedure.exit_digest, procedure.check_digest) == (Digest.CRC32, Digest.SHA256)
    assert procedure.good_status == b"\1\2"
    assert [str(each) for each in block.replaces] == ["1.0"]


def test_a_block_that_nothing_checks_is_a_warning(make_pack):
    path = make_pack()
    units = (path / "units.toml").read_text()
    (path / "units.toml").write_text(units.replace("routine_check = 0x0202\n", ""))
    said = [each.what for each in load_pack(path).warnings]
    assert any("nothing lets the unit compare" in each for each in said)


def test_the_small_pack_has_one_block():
    assert FILES["units.toml"].count("[[unit.software]]") == 1
