"""Whatever is in a file: it is read, or refused as input; nothing else escapes."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from donorfit.edge.networks.reading import NetworkReading
from donorfit.edge.packs.network_files import read_network_bytes
from donorfit.errors import InputError
from donorfit.network.asc_text import OtherBaseError, read_asc
from donorfit.network.candump_text import read_candump

DBC = b"""VERSION ""

BU_: body lamp

BO_ 256 Lights: 8 body
 SG_ TurnLeft : 0|1@1+ (1,0) [0|1] "" lamp
 SG_ Level m1 : 15|12@0- (0.5,-40) [-40|60] "degC" lamp
 SG_ Which M : 24|4@1+ (1,0) [0|15] "" lamp

CM_ SG_ 256 TurnLeft "which side";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 20;
VAL_ 256 TurnLeft 1 "on" 0 "off" ;
"""

LDF = b"""LIN_description_file;
LIN_protocol_version = "2.2";
LIN_language_version = "2.2";
LIN_speed = 19.2 kbps;
Nodes { Master: M, 5 ms, 0.1 ms; Slaves: S; }
Signals { Request: 4, 0, M, S; Answer: 8, 0, S, M; }
Frames {
  Ask: 0x01, M, 1 { Request, 2; }
  Tell: 0x02, S, 1 { Answer, 0; }
}
Node_attributes {
  S { LIN_protocol = "2.2"; configured_NAD = 0x01; product_id = 0x1, 0x1; response_error = Answer;
      P2_min = 50 ms; ST_min = 0 ms; configurable_frames { Ask; Tell; } }
}
Schedule_tables { normal { Ask delay 10 ms; Tell delay 10 ms; Ask delay 10 ms; } }
"""

KCD = b"""<?xml version="1.0"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Node id="1" name="body"/>
  <Bus name="b" baudrate="125000">
    <Message id="0x100" length="8" name="Lights" interval="20">
      <Producer><NodeRef id="1"/></Producer>
      <Signal name="TurnLeft" offset="0" length="1"/>
    </Message>
  </Bus>
</NetworkDefinition>
"""

SYM = b"""FormatVersion=6.0 // Do not edit this line!
Title="x"

{ENUMS}
Enum=Side(0="off", 1="on")

{SIGNALS}
Sig=TurnLeft unsigned 1 /e:Side

{SENDRECEIVE}

[Lights]
ID=100h
Len=8
CycleTime=20
Sig=TurnLeft 0
"""

FILES = {"x.dbc": DBC, "x.ldf": LDF, "x.kcd": KCD, "x.sym": SYM}

changes = st.lists(
    st.tuples(
        st.integers(0, 2000),
        st.sampled_from(["drop", "double", "put"]),
        st.binary(min_size=1, max_size=3)
        | st.sampled_from([b'"', b"{", b";", b"-1", b"99999999999"]),
    ),
    max_size=4,
)


def change(data: bytes, edits: list[tuple[int, str, bytes]]) -> bytes:
    for place, deed, text in edits:
        at = place % (len(data) + 1)
        if deed == "drop":
            data = data[:at] + data[at + 7 :]
        elif deed == "double":
            data = data[:at] + data[max(0, at - 40) :]
        else:
            data = data[:at] + text + data[at:]
    return data


def read_or_refuse(data: bytes, name: str) -> NetworkReading | InputError:
    try:
        return read_network_bytes(data, file=name)
    except InputError as error:
        return error


def test_the_untouched_files_are_read() -> None:
    for name, data in FILES.items():
        reading = read_network_bytes(data, file=name)
        assert reading.messages_loaded == reading.messages_in_text > 0, name


@settings(max_examples=80)
@given(st.sampled_from(sorted(FILES)), changes)
def test_a_damaged_description_is_read_or_refused(name, edits) -> None:
    reading = read_or_refuse(change(FILES[name], edits), name)
    if isinstance(reading, InputError):
        assert reading.mistakes
        assert all(mistake.what and mistake.file == name for mistake in reading.mistakes)
        return
    assert reading.messages_loaded == reading.messages_in_text or reading.left_out


@settings(max_examples=40)
@given(st.binary(max_size=400))
def test_any_bytes(data) -> None:
    for name in (*FILES, "x.arxml"):
        reading = read_or_refuse(data, name)
        assert not isinstance(reading, InputError) or reading.mistakes


frame_lines = st.lists(
    st.tuples(
        st.integers(0, 10**15),
        st.booleans(),
        st.integers(0, 0x1FFFFFFF),
        st.binary(max_size=8),
        st.sampled_from(["", " R", " T"]),
    ),
    max_size=30,
)


@given(frame_lines, changes)
def test_records_are_counted_to_the_last_line(rows, edits) -> None:
    text = "".join(
        f"({micro / 1e6:.6f}) can0 {number if extended else number & 0x7FF:0{8 if extended else 3}X}"
        f"#{data.hex().upper()}{tail}\n"
        for micro, extended, number, data, tail in rows
    ).encode()
    reading = read_candump(text)
    assert len(reading.frames.ids) == len(rows)
    for place, (micro, extended, number, data, _) in enumerate(rows):
        assert reading.frames.times_s[place] == float(f"{micro / 1e6:.6f}")
        assert reading.frames.ids[place] == (number if extended else number & 0x7FF)
        assert bool(reading.frames.extended[place]) is extended
        assert bytes(reading.frames.payload[place, : reading.frames.lengths[place]]) == data
    damaged = read_candump(change(text, edits))
    assert len(damaged.frames.ids) + sum(each.number for each in damaged.left_out) == damaged.lines
    assert all(math.isfinite(each) or math.isnan(each) for each in damaged.frames.times_s)


@given(frame_lines, changes)
def test_asc_records_are_counted_to_the_last_line(rows, edits) -> None:
    head = "date Fri Jul 10 06:17:32.200 2015\nbase hex  timestamps absolute\n"
    text = (
        head.encode()
        + "".join(
            f"{micro % 10**10 / 1e6:9.6f} 1  "
            f"{f'{number:X}x' if extended else f'{number & 0x7FF:X}':<15} Rx   d {len(data)}"
            f"{''.join(f' {byte:02X}' for byte in data)}\n"
            for micro, extended, number, data, _ in rows
        ).encode()
    )
    reading = read_asc(text)
    assert len(reading.frames.ids) == len(rows)
    for place, (micro, extended, number, data, _) in enumerate(rows):
        assert reading.frames.times_s[place] == float(f"{micro % 10**10 / 1e6:.6f}")
        assert reading.frames.ids[place] == (number if extended else number & 0x7FF)
        assert bytes(reading.frames.payload[place, : reading.frames.lengths[place]]) == data
    try:
        damaged = read_asc(change(text, edits))
    except OtherBaseError:
        return
    assert len(damaged.frames.ids) + sum(each.number for each in damaged.left_out) == damaged.lines
