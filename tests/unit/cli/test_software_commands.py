"""What `donorfit software show` prints, and that its lines for a pack make a pack."""

import json
from hashlib import sha256
from pathlib import Path

import bincopy
import pytest
from click.testing import CliRunner

from donorfit.cli.root import run
from donorfit.cli.software import software_group
from donorfit.edge.packs.pack_reader import load_pack, read_software_image

DEMO = Path("src/donorfit/demo/pack")


def write_hex(path: Path, *pieces: tuple[int, bytes]) -> Path:
    out = bincopy.BinFile()
    for address, data in pieces:
        out.add_binary(data, address)
    path.write_text(out.as_ihex())
    return path


def show(*arguments: object) -> str:
    result = CliRunner().invoke(
        software_group, ["show", *map(str, arguments)], catch_exceptions=False
    )
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def two(tmp_path: Path) -> Path:
    return write_hex(tmp_path / "two.hex", (0x4_0000, b"a" * 40), (0x4_8000, b"b" * 8))


def test_pieces_in_words(two):
    lines = show(two).splitlines()
    assert lines[0].endswith("two.hex: Intel HEX, 160 bytes")
    assert lines[1] == f"  SHA-256 {sha256(two.read_bytes()).hexdigest()}"
    assert lines[4].split()[:4] == ["1", "0x00040000", "0x00040027", "40"]
    assert lines[5] == "         32728 bytes are left out"
    assert lines[7] == "  48 bytes in 2 pieces"


def test_pieces_as_json(two):
    plain = json.loads(show(two, "--json"))
    assert plain["schema"] == "donorfit software show 1"
    assert plain["bytes"] == 48
    assert [each["first_address"] for each in plain["segments"]] == [0x4_0000, 0x4_8000]
    assert plain["segments"][0]["sha256"] == sha256(b"a" * 40).hexdigest()
    assert "fits" not in plain
    document = Path("docs/software.md").read_text("utf-8")
    assert all(f"`{key}`" in document for key in plain if key != "schema")
    assert all(f"`{key}`" in document for key in plain["segments"][0])


def test_a_plain_file_says_no_address(tmp_path):
    path = tmp_path / "plain.bin"
    path.write_bytes(b"abc")
    assert "not said" in show(path)
    assert json.loads(show(path, "--json"))["segments"][0]["first_address"] is None
    assert "0x8000000000" in show(path, "--address", "0x8000000000")


def test_what_it_fits(repository, two):
    pack = repository / DEMO
    file = next((pack / "software").glob("*.hex"))
    said = show(file, "--pack", pack)
    assert "fits tow_control (Towing control unit), hardware MTC-270, MTC-271" in said
    assert "has room" not in said
    other = show(two, "--pack", pack)
    assert "no control unit of the pack is programmed with this file" in other
    assert "has room at these addresses, which alone says little: tow_control" in other
    plain = json.loads(show(two, "--pack", pack, "--json"))
    assert (plain["fits"], [each["unit"] for each in plain["room"]]) == ([], ["tow_control"])


def test_the_lines_for_a_pack_make_a_pack(tmp_path, repository, two):
    import shutil

    pack = tmp_path / "pack"
    shutil.copytree(repository / DEMO, pack)
    shutil.copy(two, pack / "software" / "two.hex")
    units = pack / "units" / "towing.toml"
    text = units.read_text("utf-8")
    lines = show(two, "--toml")
    lines = lines.replace('version = ""  ', 'version = "9.1"').replace(
        "hardware = []", 'hardware = ["MTC-270"]'
    )
    units.write_text(text.replace("[[unit.record]]", lines + "\n[[unit.record]]", 1), "utf-8")
    unit = load_pack(pack, thorough=True).pack.find_unit("tow_control")
    block = next(each for each in unit.software_blocks if str(each.version) == "9.1")
    assert read_software_image(pack, block).data == b"a" * 40 + b"b" * 8


@pytest.mark.parametrize(
    ("arguments", "code", "part"),
    [
        (("absent.hex",), 10, "No such file"),
        ((".",), 10, "it is no file"),
        (("FILE", "--address", "zz"), 2, "no number such as 0x40000"),
        (("FILE", "--format", "elf"), 2, "is not one of"),
        (("FILE", "--pack", "absent"), 10, "absent"),
        (("FILE", "--format", "s-record"), 10, "it is no record"),
        (("FILE", "--format", "odx-f"), 10, "ParseError"),
    ],
)
def test_rubbish(two, capsys, arguments, code, part):
    given = [str(two) if each == "FILE" else each for each in arguments]
    assert run(["software", "show", *given]) == code
    out, err = capsys.readouterr()
    assert part in err
    assert "Traceback" not in out + err


def test_a_file_name_cannot_speak_to_the_terminal(tmp_path):
    path = write_hex(tmp_path / "a\x1b[31m.hex", (0, b"x"))
    assert "\x1b" not in show(path)
