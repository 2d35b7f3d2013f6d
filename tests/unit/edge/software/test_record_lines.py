"""Intel HEX and S-record: every mistake with its line, nothing guessed."""

import pytest

from donorfit.edge.software.read_software import guess_format, read_software_bytes
from donorfit.edge.software.reading import UnusableSoftwareError
from donorfit.errors import InputError
from donorfit.vehicle.software import SoftwareFormat

END = ":00000001FF\n"


def intel(*records: tuple[int, int, bytes]) -> str:
    lines = []
    for kind, offset, data in records:
        raw = bytes((len(data),)) + offset.to_bytes(2, "big") + bytes((kind,)) + data
        lines.append(f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}\n")
    return "".join(lines)


def motorola(*records: tuple[str, int, bytes]) -> str:
    lines = []
    for kind, address, data in records:
        width = {"0": 2, "1": 2, "5": 2, "9": 2, "2": 3, "6": 3, "8": 3}.get(kind, 4)
        raw = bytes((width + len(data) + 1,)) + address.to_bytes(width, "big") + data
        lines.append(f"S{kind}{raw.hex().upper()}{~sum(raw) & 0xFF:02X}\n")
    return "".join(lines)


def read(text: str, **rest):
    return read_software_bytes(text.encode("latin-1"), file="unit.hex", **rest)


def pieces(text: str, **rest):
    return [(each.address, each.data) for each in read(text, **rest).image.segments]


def mistakes(text: str, **rest):
    with pytest.raises(UnusableSoftwareError) as caught:
        read(text, **rest)
    assert caught.value.exit_code == 10
    return [(each.line, each.what) for each in caught.value.mistakes]


def test_lines_in_any_order_become_pieces_by_address():
    text = intel(
        (0, 0x10, b"ef"), (4, 0, b"\x00\x02"), (0, 4, b"xy"), (4, 0, b"\0\0"), (0, 0xE, b"cd")
    )
    assert pieces(text + END) == [(0xE, b"cdef"), (0x2_0004, b"xy")]


def test_segment_and_linear_bases_replace_each_other():
    text = intel(
        (2, 0, b"\x12\x34"), (0, 5, b"a"), (4, 0, b"\x00\x01"), (0, 5, b"b"), (2, 0, b"\0\0"),
        (0, 5, b"c"),
    )  # fmt: skip
    assert pieces(text + END) == [(5, b"c"), (0x1_0005, b"b"), (0x1_2345, b"a")]


def test_the_highest_32_bit_address():
    top = intel((4, 0, b"\xff\xff"), (0, 0xFFFF, b"z"))
    assert pieces(top + END) == [(0xFFFF_FFFF, b"z")]
    over = intel((4, 0, b"\xff\xff"), (0, 0xFFFF, b"zz"))
    assert mistakes(over + END)[0][1] == "the line runs past the end of 32-bit addresses"


def test_a_line_that_wraps_in_its_64_kib_segment_is_not_guessed():
    found = mistakes(intel((2, 0, b"\x10\x00"), (0, 0xFFFF, b"zz")) + END)
    assert found[0][0] == 2
    assert "64 KiB" in found[0][1]


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_system(ends):
    text = intel((0, 0, b"ab"), (0, 2, b"cd")) + END
    assert pieces(text.replace("\n", ends)) == [(0, b"abcd")]


def test_every_mistake_is_told_with_its_line():
    good = intel((0, 0, b"abcd"))
    text = (
        good[:-3] + "00\n"  # checksum
        + "\n  \n"
        + ":0400\n"  # too short
        + "hello\n"
        + intel((7, 0, b""))
        + intel((4, 0, b"\x01"))
        + intel((0, 8, b"x"))
        + intel((0, 6, b"abcd"))  # overlaps the line before
    )  # fmt: skip
    found = mistakes(text)
    assert [line for line, _ in found] == [1, 4, 5, 6, 7, 0, 9]
    said = "\n".join(what for _, what in found)
    for part in (
        "checksum of the line is 00, its bytes make 72",
        "no record: 'hello'",
        "type 07 is not known",
        "type 04 with 1 byte",
        "(:00000001FF) is missing, it may be cut off",
        "bytes from 0x00000008 on were already given by the lines that begin in line 9",
    ):
        assert part in said


def test_what_follows_the_end_is_a_mistake():
    assert mistakes(END + intel((0, 0, b"a")))[0] == (
        2,
        "something follows the line 1 that ends the file",
    )


def test_many_mistakes_are_counted():
    with pytest.raises(UnusableSoftwareError) as caught:
        read(":zz\n" * 1000, format=SoftwareFormat.INTEL_HEX)
    assert len(caught.value.mistakes) == 20
    assert "1001 mistakes, the first 20 are listed" in str(caught.value)


@pytest.mark.parametrize("text", [END, motorola(("0", 0, b"x"), ("9", 0, b""))])
def test_a_file_without_bytes_is_no_software(text):
    assert mistakes(text)


def test_s_records_of_all_widths_with_header_and_count():
    text = motorola(
        ("0", 0, b"head"), ("1", 0xFFFE, b"ab"), ("2", 0xFF_FFFF, b"c"), ("3", 0x10_0000_00, b"d"),
        ("5", 3, b""), ("7", 0x40, b""),
    )  # fmt: skip
    reading = read(text)
    assert reading.format is SoftwareFormat.S_RECORD
    assert [(each.address, each.data) for each in reading.image.segments] == [
        (0xFFFE, b"ab"), (0xFF_FFFF, b"c"), (0x1000_0000, b"d"),
    ]  # fmt: skip
    assert reading.notes == (
        "header 'head'",
        "start address 0x00000040, not used",
        "lines with addresses of 16, 24, 32 bits",
    )


@pytest.mark.parametrize(
    ("records", "part"),
    [
        ([("1", 0xFFFF, b"ab"), ("9", 0, b"")], "past the end of 16-bit"),
        ([("2", 0xFF_FFFF, b"ab"), ("8", 0, b"")], "past the end of 24-bit"),
        ([("3", 0xFFFF_FFFF, b"ab"), ("7", 0, b"")], "past the end of 32-bit"),
        ([("1", 0, b"a"), ("5", 2, b""), ("9", 0, b"")], "1 line of data came before"),
        ([("1", 0, b"a")], "may be cut off"),
        ([("1", 0, b"a"), ("0", 1, b"b"), ("9", 0, b"")], "a header in the midst"),
        ([("1", 0, b"ab"), ("1", 1, b"b"), ("9", 0, b"")], "already given"),
    ],
)
def test_s_record_mistakes(records, part):
    assert part in mistakes(motorola(*records))[0][1]


def test_a_count_at_the_end_stands_for_the_last_line():
    counted = motorola(("1", 0, b"a"), ("5", 1, b""))
    assert pieces(counted) == [(0, b"a")]
    assert "cut off" in mistakes(counted + motorola(("1", 1, b"b")))[0][1]


def test_s4_is_not_known():
    assert mistakes("S1040000617A\nS40400006100\nS9030000FC\n")[1][0] == 2


def test_a_line_with_blanks_inside_is_no_record():
    line = intel((0, 0, b"abcd")).strip()
    assert "no record" in mistakes(f"{line}\n:04 000400 65666768 00\n{END}")[0][1]


def test_formats_by_their_first_bytes():
    assert guess_format(b"\r\n:0000000100") is SoftwareFormat.INTEL_HEX
    assert guess_format(b"S00600004844521B") is SoftwareFormat.S_RECORD
    assert guess_format(b"<?xml version='1.0'?>") is SoftwareFormat.ODX_F
    assert guess_format(b"PK\x03\x04") is SoftwareFormat.ODX_F
    assert guess_format(b":::: no") is SoftwareFormat.BINARY


def test_a_plain_file_goes_where_it_is_told():
    plain = read_software_bytes(b":abc", file="f", address=0xFF_FFFF_FFFC)
    assert plain.has_address
    assert plain.image.segments[0].address == 0xFF_FFFF_FFFC
    assert not read_software_bytes(b":abc", file="f").has_address
    for address in (0xFF_FFFF_FFFD, -1):
        with pytest.raises(InputError, match="five bytes"):
            try:
                read_software_bytes(b":abc", file="f", address=address)
            except InputError as error:
                raise InputError(what=str(error)) from error


def test_empty():
    with pytest.raises(UnusableSoftwareError, match="1 mistake"):
        read_software_bytes(b"", file="f")
