"""Values that no network can have are told with their line, in every format."""

import pytest

from donorfit.edge.networks.value_checks import MOST_MESSAGES
from donorfit.edge.packs.network_files import read_network_bytes
from donorfit.errors import InputError

DBC = """VERSION ""

BU_: a

BO_ 1 One: {length} a
 SG_ S : 0|{bits}@1+ ({factor},0) [0|1] "" a

BA_DEF_ BO_ "GenMsgCycleTime" INT -10 10000;
BA_DEF_DEF_ "GenMsgCycleTime" {cycle};
"""
KCD = """<?xml version="1.0"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">
  <Node id="1" name="body"/>
  <Bus name="b" baudrate="{rate}">
    <Message id="0x100" length="{length}" name="Lights" interval="{cycle}">
      <Producer><NodeRef id="1"/></Producer>
      <Signal name="Left" offset="0" length="{bits}"><Value slope="{factor}" intercept="0"/></Signal>
    </Message>
  </Bus>
</NetworkDefinition>
"""
LDF = """LIN_description_file;
LIN_protocol_version = "2.2";
LIN_language_version = "2.2";
LIN_speed = {rate} kbps;
Nodes {{ Master: M, 5 ms, 0.1 ms; Slaves: S; }}
Signals {{ Request: {bits}, 0, M, S; Answer: 8, 0, S, M; }}
Frames {{
  Ask: 0x01, M, {length} {{ Request, 0; }}
  Tell: 0x02, S, 1 {{ Answer, 0; }}
}}
Node_attributes {{
  S {{ LIN_protocol = "2.2"; configured_NAD = 0x01; product_id = 0x1, 0x1; response_error = Answer;
      P2_min = 50 ms; ST_min = 0 ms; configurable_frames {{ Ask; Tell; }} }}
}}
Schedule_tables {{
  normal {{ Tell delay 10 ms; Ask delay {delay} ms; }}
}}
"""
USUAL = {"length": 8, "bits": 8, "factor": 1, "cycle": 20, "rate": 125_000, "delay": 10}


def read(text: str, ending: str, **facts: object):
    usual = USUAL | ({"rate": 19.2} if ending == "ldf" else {})
    return read_network_bytes(text.format(**(usual | facts)).encode(), file=f"x.{ending}")


@pytest.mark.parametrize(("text", "ending"), [(DBC, "dbc"), (KCD, "kcd"), (LDF, "ldf")])
def test_the_usual_values_are_read(text, ending) -> None:
    assert read(text, ending).messages_loaded >= 1


@pytest.mark.parametrize(
    ("text", "ending", "facts", "line"),
    [
        (DBC, "dbc", {"length": -8}, 5),
        (DBC, "dbc", {"bits": -8}, 6),
        (DBC, "dbc", {"bits": 0}, 6),
        (DBC, "dbc", {"factor": "NaN"}, 6),
        (DBC, "dbc", {"factor": "1e999"}, 6),
        (DBC, "dbc", {"cycle": -5}, 5),
        (KCD, "kcd", {"factor": "nan"}, 7),
        (KCD, "kcd", {"length": -8}, 5),
        (KCD, "kcd", {"bits": -8}, 7),
        (KCD, "kcd", {"cycle": -20}, 5),
        (KCD, "kcd", {"rate": 0}, 4),
        (KCD, "kcd", {"rate": -5}, 4),
        (LDF, "ldf", {"rate": 0}, 4),
        (LDF, "ldf", {"bits": -4}, 6),
        (LDF, "ldf", {"length": 9}, 8),
        (LDF, "ldf", {"length": -1}, 8),
        (LDF, "ldf", {"delay": -10}, 16),
        (LDF, "ldf", {"delay": 0}, 16),
    ],
)
def test_impossible_values_are_told_with_their_line(text, ending, facts, line) -> None:
    with pytest.raises(InputError) as caught:
        read(text, ending, **facts)
    assert [(each.file, each.line) for each in caught.value.mistakes] == [(f"x.{ending}", line)]


def test_a_file_with_far_too_many_messages() -> None:
    """A million messages would keep the reader busy for minutes; counted first, then refused."""
    heads = "".join(f"BO_ {0x80000000 + n} M{n}: 8 a\n" for n in range(MOST_MESSAGES + 5))
    with pytest.raises(InputError) as caught:
        read_network_bytes(f'VERSION ""\n\nBU_: a\n\n{heads}'.encode(), file="x.dbc")
    (mistake,) = caught.value.mistakes
    assert mistake.line == 5 + MOST_MESSAGES
