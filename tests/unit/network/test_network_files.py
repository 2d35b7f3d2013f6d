"""Reading network descriptions: what is loaded, repaired, left out, refused."""

from pathlib import Path

import pytest

from donorfit.edge.packs.network_files import read_network_bytes, read_network_file
from donorfit.errors import InputError
from donorfit.vehicle.network import NetworkKind

DBC = """VERSION ""

BU_: body lamp

BO_ 256 Lights: 8 body
 SG_ TurnLeft : 0|1@1+ (1,0) [0|1] "" lamp
 SG_ Level m1 : 15|12@0- (0.5,-40) [-40|60] "degC"  lamp
 SG_ Which M : 24|4@1+ (1,0) [0|15] "" lamp

BO_ 2147484160 Far: 4 lamp
 SG_ Count : 0|8@1+ (1,0) [0|255] "" body

CM_ "BO_ 1 NotAMessage: 8 body
BO_ 2 NeitherThis: 8 body";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 20;
VAL_ 256 TurnLeft 1 "on" 0 "off" ;
"""

LDF = """LIN_description_file;
LIN_protocol_version = "2.2";
LIN_language_version = "2.2";
LIN_speed = 19.2 kbps;
Nodes { Master: M, 5 ms, 0.1 ms; Slaves: S; }
Signals { Request: 4, 0, M, S; Answer: 8, 0, S, M; }
Frames {
  Ask: 0x01, M, 1 { Request, 2; } // Fake: 0x09, M, 1 { Request, 0; }
  Tell: 0x02, S, 1 { Answer, 0; }
}
Node_attributes {
  S { LIN_protocol = "2.2"; configured_NAD = 0x01; product_id = 0x1, 0x1; response_error = Answer;
      P2_min = 50 ms; ST_min = 0 ms; configurable_frames { Ask; Tell; } }
}
Schedule_tables { normal { Ask delay 10 ms; Tell delay 10 ms; Ask delay 10 ms; } }
"""


def read(text: str, file: str = "car.dbc", **facts: object):
    return read_network_bytes(text.encode(), file=file, **facts)


def test_what_a_dbc_says_is_in_the_values() -> None:
    reading = read(DBC, name="can_body", bit_rate=125_000)
    (network,) = reading.networks
    assert (network.name, network.kind, network.bit_rate) == ("can_body", NetworkKind.CAN, 125_000)
    lights, far = network.messages
    assert (lights.frame_id, lights.extended, lights.cycle_ms) == (256, False, 20)
    assert (lights.senders, lights.receivers) == (("body",), ("lamp",))
    assert (far.frame_id, far.extended, far.cycle_ms) == (0x200, True, None)
    turn, level, which = (
        next(s for s in lights.signals if s.name == name)
        for name in ("TurnLeft", "Level", "Which")
    )
    assert turn.choices == ((0, "off"), (1, "on"))
    assert (level.first_bit, level.bit_length, level.big_endian, level.signed) == (
        15,
        12,
        True,
        True,
    )
    assert (level.factor, level.offset, level.unit) == (0.5, -40.0, "degC")
    assert (level.multiplexed, level.multiplexer, level.multiplexer_values) == (
        True,
        "Which",
        (1,),
    )
    assert not which.multiplexed


def test_messages_in_comments_are_not_counted() -> None:
    reading = read(DBC)
    assert (reading.messages_in_text, reading.messages_loaded) == (2, 2)
    assert reading.repairs == reading.left_out == ()


def test_a_number_without_its_extended_bit_is_repaired_with_its_line() -> None:
    text = DBC.replace("2147484160", "200000").replace(
        "VAL_ 256", 'VAL_ 200000 Count 1 "one" ;\nVAL_ 256'
    )
    reading = read(text)
    far = reading.networks[0].messages[1]
    assert (far.frame_id, far.extended) == (200000, True)
    assert far.signals[0].choices == ((1, "one"),)
    assert [repair.line for repair in reading.repairs] == [10]


def test_an_entry_about_nothing_is_left_out_and_said() -> None:
    reading = read(DBC + 'VAL_ 999 Ghost 1 "yes" ;\n')
    assert reading.messages_loaded == 2
    assert [(each.line, "Ghost" in each.what) for each in reading.repairs] == [(19, True)]


def test_overlapping_signals_are_read_as_written_and_said() -> None:
    text = DBC.replace(" SG_ Which M : 24|4", " SG_ Which M : 0|4")
    reading = read(text)
    assert [repair.line for repair in reading.repairs] in ([6], [8])
    assert "overlapping" in reading.repairs[0].what


def test_two_messages_with_one_number_are_both_kept_and_said() -> None:
    text = DBC.replace("BO_ 2147484160", "BO_ 256")
    reading = read(text)
    assert [message.name for message in reading.networks[0].messages] == ["Lights", "Far"]
    assert any("share number 0x100" in repair.what for repair in reading.repairs)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (DBC.replace("BO_ 256 Lights: 8 body", "BO_ 256 Lights 8 body"), 5),
        (DBC.replace("BO_ 256 Lights", "BO_ 4294967295 Lights"), 5),
    ],
)
def test_a_broken_dbc_is_refused_with_its_line(text: str, line: int) -> None:
    with pytest.raises(InputError) as caught:
        read(text)
    assert [(each.file, each.line) for each in caught.value.mistakes] == [("car.dbc", line)]


def test_bytes_outside_the_encoding_are_said() -> None:
    data = DBC.replace('"degC"', '"\x81C"').encode("latin-1")
    reading = read_network_bytes(data, file="car.dbc")
    assert [repair.line for repair in reading.repairs] == [7]


def test_a_byte_order_mark_is_taken() -> None:
    assert read_network_bytes(b"\xef\xbb\xbf" + DBC.encode(), file="x.dbc").messages_loaded == 2


def test_lin_cycles_follow_from_the_schedule() -> None:
    reading = read(LDF, "lamp.ldf")
    (network,) = reading.networks
    assert (network.kind, network.bit_rate) == (NetworkKind.LIN, 19_200)
    assert (reading.messages_in_text, reading.messages_loaded) == (2, 2)
    assert [(m.name, m.cycle_ms) for m in network.messages] == [("Ask", 15), ("Tell", 30)]
    assert network.messages[0].signals[0].first_bit == 2
    assert network.messages[0].receivers == ("S",)


def test_a_broken_ldf_is_refused_with_its_line() -> None:
    with pytest.raises(InputError) as caught:
        read(LDF.replace("Frames {", "Frames {{"), "lamp.ldf")
    assert caught.value.mistakes[0].line == 7


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("<NetworkDefinition><Bus></NetworkDefinition>", "mismatched tag"),
        ('<!DOCTYPE x [<!ENTITY a "aaaa">]>\n<x>&a;</x>', "declares entities"),
        ("", "no element found"),
    ],
)
def test_bad_xml_is_refused(text: str, why: str) -> None:
    with pytest.raises(InputError) as caught:
        read(text, "car.kcd")
    assert why in caught.value.mistakes[0].what


def test_files_that_cannot_be_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_network_file(tmp_path / "nobody.dbc")
    with pytest.raises(InputError) as caught:
        read("", "car.docx")
    assert "dbc, kcd, sym, arxml, ldf" in caught.value.mistakes[0].what
    path = tmp_path / "big.dbc"
    path.write_text(DBC)
    assert read_network_file(path).messages_loaded == 2
    monkeypatch.setattr("donorfit.edge.packs.network_files.LARGEST_FILE_BYTES", 10)
    with pytest.raises(InputError, match="cannot be read"):
        read_network_file(path)


def test_a_description_without_messages_is_no_mistake() -> None:
    reading = read('VERSION ""\n\nBU_: a\n')
    assert (reading.messages_in_text, reading.messages_loaded) == (0, 0)
