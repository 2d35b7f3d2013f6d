"""ODX-F containers: what is said is taken, what is left open is refused with its reason."""

import sys
import zlib

import pytest
from odx_flash_text import (
    EXPECTED,
    HEX,
    block,
    checksum,
    element,
    extern_data,
    flash,
    flash_data,
    pack,
    segment,
    session,
)

from donorfit.edge.software.read_software import read_software_bytes
from donorfit.edge.software.reading import UnusableSoftwareError
from donorfit.errors import InputError
from donorfit.vehicle.software import SoftwareFormat

ONE = session("update", "main")


def read(data: bytes, name: str = ""):
    return read_software_bytes(data, file="unit.pdx", session=name)


def pieces(data: bytes, name: str = ""):
    return [(each.address, each.data) for each in read(data, name).image.segments]


def mistakes(data: bytes, name: str = ""):
    with pytest.raises(UnusableSoftwareError) as caught:
        read(data, name)
    return "\n".join(each.what for each in caught.value.mistakes)


def test_a_block_without_segments_is_its_whole_data():
    reading = read(flash(ONE, block("main")))
    assert reading.format is SoftwareFormat.ODX_F
    assert pieces(flash(ONE, block("main"))) == [(0x1000, bytes(range(16))), (0x1020, b"\xaa\xbb")]


def test_segments_cut_out_and_the_offset_moves():
    offset = (
        '<TARGET-ADDR-OFFSET xsi:type="POS-OFFSET"><POSITIVE-OFFSET>00020000'
        "</POSITIVE-OFFSET></TARGET-ADDR-OFFSET>"
    )
    cut = segment("a", 0x1004, 4) + segment("b", 0x1020, 2)
    assert pieces(flash(ONE, block("main", cut, offset))) == [
        (0x2_1004, bytes((4, 5, 6, 7))),
        (0x2_1020, b"\xaa\xbb"),
    ]
    back = (
        offset.replace("POSITIVE", "NEGATIVE")
        .replace("POS", "NEG")
        .replace("00020000", "00001000")
    )
    assert pieces(flash(ONE, block("main", cut, back)))[0][0] == 4


@pytest.mark.parametrize("end", [0x100F, 0x1010])
def test_an_end_address_counts_where_the_data_end_there(end):
    last = element("SOURCE-END-ADDRESS", f"{end:08X}")
    assert pieces(flash(ONE, block("main", segment("a", 0x1008, None, last)))) == [
        (0x1008, bytes(range(8, 16)))
    ]


def test_an_end_address_in_the_midst_is_not_guessed():
    last = element("SOURCE-END-ADDRESS", "0000100B")
    said = mistakes(flash(ONE, block("main", segment("a", 0x1008, None, last))))
    assert "do not end where the data end, at 0x0000100F" in said


def test_extern_data_from_the_container():
    records = b"S10710000102030402DE\nS9030000FC\n".replace(b"02DE", b"04DE")
    body = bytes((7, 0x10, 0, 1, 2, 3, 4))
    records = f"S1{body.hex().upper()}{~sum(body) & 0xFF:02X}\nS9030000FC\n".encode()
    odx = flash(ONE, block("main"), extern_data("main.srec"))
    assert pieces(pack(odx, main_dot_srec=records)) == [(0x1000, b"\1\2\3\4")]
    assert "'main.srec' is not in the container" in mistakes(pack(odx))


def test_binary_data_with_one_segment():
    data = flash_data("00 01 02\n03", "BINARY")
    assert pieces(flash(ONE, block("main", segment("a", 0x400, 4)), data)) == [
        (0x400, bytes(range(4)))
    ]
    for cut, part in (
        (segment("a", 0x400, 5), "says 5 bytes, the data have 4"),
        ("", "binary data with 0 segments"),
        (segment("a", 0x400, 2) + segment("b", 0x500, 2), "binary data with 2 segments"),
    ):
        assert part in mistakes(flash(ONE, block("main", cut), data))
    assert "hexadecimal digits" in mistakes(
        flash(ONE, block("main", segment("a", 0x400, 4)), flash_data("xyz", "BINARY"))
    )


def test_packed_data_keep_their_size_in_the_unit_and_their_method():
    method = '<ENCRYPT-COMPRESS-METHOD TYPE="A_BYTEFIELD">10</ENCRYPT-COMPRESS-METHOD>'
    rest = element("COMPRESSED-SIZE", 4) + method
    reading = read(
        flash(
            ONE,
            block("main", segment("a", 0x400, 100, rest)),
            flash_data("00 01 02 03", "BINARY"),
        )
    )
    (piece,) = reading.image.segments
    assert (piece.data, piece.unpacked_bytes, piece.place.memory_bytes) == (
        bytes(range(4)), 100, 100,
    )  # fmt: skip
    assert reading.data_format == 0x10


def test_sessions_are_chosen_by_name():
    two = flash(ONE + session("other", "small"), block("main") + block("small", segment("a", 0x1020, 2)))  # fmt: skip
    assert "2 sessions: update, other" in mistakes(two)
    assert pieces(two, "other") == [(0x1020, b"\xaa\xbb")]
    assert "no programming session 'third'; its sessions: update, other" in mistakes(two, "third")


def test_idents_and_notes_are_shown():
    security = (
        '<SECURITYS><SECURITY><SECURITY-METHOD TYPE="A_ASCIISTRING">invented</SECURITY-METHOD>'
        '<FW-CHECKSUM TYPE="A_BYTEFIELD">01020304</FW-CHECKSUM></SECURITY></SECURITYS>'
    )
    own = (
        '<OWN-IDENTS><OWN-IDENT ID="oi"><SHORT-NAME>version</SHORT-NAME>'
        '<IDENT-VALUE TYPE="A_ASCIISTRING">2.4.0</IDENT-VALUE></OWN-IDENT></OWN-IDENTS>'
    )
    reading = read(
        flash(session("update", "main", rest=EXPECTED), block("main", rest=own + security))
    )
    assert reading.idents == (("hardware_number", ("MTC-270", "0A 0B")),)
    assert "main: is version 2.4.0" in reading.notes
    assert "main: checksum 01 02 03 04, for the unit to judge" in reading.notes
    assert "main: security method invented, for the unit to judge" in reading.notes


CRC = f"{zlib.crc32(bytes(range(16))):08X}"


def test_a_checksum_by_crc_32_is_compared():
    good = flash(session("update", "main", rest=checksum(CRC)), block("main"))
    assert "checksum 'one' agrees" in read(good).notes
    bad = flash(session("update", "main", rest=checksum("01020304")), block("main"))
    assert f"checksum 'one' is 01020304, the bytes make {CRC}" in mistakes(bad)
    other = flash(session("update", "main", rest=checksum("00", alg="own")), block("main"))
    assert "checksum 'one' (own) is not compared" in read(other).notes
    hole = flash(session("update", "main", rest=checksum(CRC, end=0x1021)), block("main"))
    assert "checksum 'one' covers bytes that are not in the file, it is not compared" in read(hole).notes  # fmt: skip


@pytest.mark.parametrize(
    ("odx", "part"),
    [
        (flash(ONE, block("main", kind="BOOT")), "replaces the boot loader"),
        (
            flash(ONE, block("main", rest='<FILTERS><FILTER xsi:type="SIZEDEF-FILTER"><FILTER-START>00</FILTER-START><FILTER-SIZE>1</FILTER-SIZE></FILTER></FILTERS>')),
            "has filters",
        ),
        (flash(ONE, block("main", segment("a", 0x1000) + segment("b", 0x1008, 4))), "overlap"),
        (flash(ONE, block("main", segment("a", 0x5000))), "no bytes at 0x00005000"),
        (flash(ONE, block("main"), flash_data("x", "USER-DEFINED")), "is not open"),
        (flash(ONE, block("main"), flash_data(HEX.replace("68", "69"))), "checksum of the line"),
        (flash(ONE, block("other")), "KeyError"),
        (flash("", block("main")), "it has no session"),
        (b"<?xml version='1.0'?><ODX", "ParseError"),
        (b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'c'>]><a/>", "entities of its own"),
        (b"PK\x03\x04 and nothing more", "cannot be unpacked"),
    ],
)  # fmt: skip
def test_what_is_refused(odx, part):
    assert part in mistakes(odx)


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "odxtools", None)
    monkeypatch.setitem(sys.modules, "odxtools.database", None)
    with pytest.raises(InputError, match="extra 'odx'") as caught:
        read(flash(ONE, block("main")))
    assert "pip install 'donorfit[odx]'" in caught.value.next_step


def test_an_odxtools_without_flash_containers_is_told(monkeypatch):
    import odxtools.database

    class Older:
        def __init__(self, **_: object) -> None:
            pass

    monkeypatch.setattr(odxtools.database, "Database", Older)
    with pytest.raises(InputError, match="does not read ODX-F"):
        read(flash(ONE, block("main")))
