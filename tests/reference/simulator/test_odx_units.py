"""Units imported from ODX and served over DoIP; odxtools encodes the requests, decodes the answers.

One data set was written by others (the example of the odxtools project, MIT); a second one is
built here, so that the check also runs where the first is absent.
"""

import socket
import zipfile
from pathlib import Path

import pytest

from donorfit.edge.packs.odx_files import import_odx
from donorfit.errors import InputError
from donorfit.simulator.described import DescribedCar

odxtools = pytest.importorskip("odxtools")
pytestmark = pytest.mark.reference


class DoipTalk:
    """A minimal DoIP client of its own: activation, then one request after the other."""

    def __init__(self, port: int) -> None:
        self.sock = socket.create_connection(("127.0.0.1", port), 10)
        self.file = self.sock.makefile("rb")
        self.send(5, bytes.fromhex("0e800000000000"))
        assert self.receive()[1][4] == 0x10

    def send(self, kind: int, payload: bytes) -> None:
        self.sock.sendall(
            b"\x02\xfd" + kind.to_bytes(2, "big") + len(payload).to_bytes(4, "big") + payload
        )

    def receive(self) -> tuple[int, bytes]:
        header = self.file.read(8)
        return int.from_bytes(header[2:4], "big"), self.file.read(
            int.from_bytes(header[4:], "big")
        )

    def ask(self, target: int, pdu: bytes) -> bytes:
        self.send(0x8001, b"\x0e\x80" + target.to_bytes(2, "big") + pdu)
        assert self.receive()[0] == 0x8002
        return self.receive()[1][4:]

    def close(self) -> None:
        self.file.close()
        self.sock.close()


@pytest.fixture
def somersault(shared_data: Path) -> Path:
    path = shared_data / "odx" / "somersault.pdx"
    if not path.is_file():
        pytest.skip("needs ../shared/data/odx/somersault.pdx")
    return path


def test_somersault_over_doip(somersault: Path, serve):
    database = odxtools.load_pdx_file(str(somersault))  # its parts are only weakly held
    lazy = database.ecus.somersault_lazy
    talk = DoipTalk(serve(somersault))

    def ask(name: str, **values):
        service = getattr(lazy.services, name)
        request = bytes(service.encode_request(**values))
        (message,) = lazy.decode_response(talk.ask(0x1001, request), request)
        return message.coding_object.short_name, message.param_dict

    try:
        assert ask("tester_present") == ("tester_present", {"sid": 0x7E, "status": 0})
        assert ask("session_start", bribe=0x55)[0] == "session"
        kind, values = ask("do_forward_flips", forward_soberness_check=0x12, num_flips=5)
        assert (kind, values["num_flips_done"]) == ("grudging_forward", 5)
        assert ask("report_status")[0] == "status_report"
        # already out of bed: the session cannot be started a second time
        kind, values = ask("session_start", bribe=0)
        assert (kind, values["rq_sid"]) == ("general_negative_response", 0x10)
        assert ask("session_stop")[0] == "session"
        assert ask("session_start", bribe=0)[0] == "session"
        assert talk.ask(0x1001, b"\x27\x01") == b"\x7f\x27\x11"
        assert talk.ask(0x1001, b"\x22\x01") == b"\x7f\x22\x31"
        assert talk.ask(0x1001, b"\x22") == b"\x7f\x22\x13"
    finally:
        talk.close()


def test_every_service_of_somersault_is_imported_or_named(somersault: Path):
    described = import_odx(somersault)
    database = odxtools.load_pdx_file(str(somersault))
    for layer, unit in zip(database.ecus, described.units, strict=True):
        served = {service.name for service in unit.services}
        named = {note.partition(":")[0].partition(".")[2] for note in described.notes}
        assert {service.short_name for service in layer.services} == served | named
        assert named == {"schroedinger"}  # its request has no fixed first byte


OWN_DATA_SET = """<?xml version="1.0" encoding="UTF-8"?>
<ODX MODEL-VERSION="2.2.0">
 <DIAG-LAYER-CONTAINER ID="own"><SHORT-NAME>own</SHORT-NAME>
  <BASE-VARIANTS><BASE-VARIANT ID="own.bv"><SHORT-NAME>seat_heater</SHORT-NAME>
   <DIAG-DATA-DICTIONARY-SPEC><DATA-OBJECT-PROPS>
    <DATA-OBJECT-PROP ID="own.level"><SHORT-NAME>level</SHORT-NAME>
     <COMPU-METHOD><CATEGORY>LINEAR</CATEGORY><COMPU-INTERNAL-TO-PHYS><COMPU-SCALES><COMPU-SCALE>
      <LOWER-LIMIT>2</LOWER-LIMIT><UPPER-LIMIT>20</UPPER-LIMIT>
      <COMPU-RATIONAL-COEFFS><COMPU-NUMERATOR><V>-10</V><V>5</V></COMPU-NUMERATOR></COMPU-RATIONAL-COEFFS>
     </COMPU-SCALE></COMPU-SCALES></COMPU-INTERNAL-TO-PHYS></COMPU-METHOD>
     <DIAG-CODED-TYPE BASE-DATA-TYPE="A_UINT32" xsi:type="STANDARD-LENGTH-TYPE"
       xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"><BIT-LENGTH>8</BIT-LENGTH></DIAG-CODED-TYPE>
     <PHYSICAL-TYPE BASE-DATA-TYPE="A_INT32"/></DATA-OBJECT-PROP>
   </DATA-OBJECT-PROPS></DIAG-DATA-DICTIONARY-SPEC>
   <DIAG-COMMS><DIAG-SERVICE ID="own.heat"><SHORT-NAME>heat</SHORT-NAME>
     <REQUEST-REF ID-REF="own.heat.rq"/>
     <POS-RESPONSE-REFS><POS-RESPONSE-REF ID-REF="own.heat.pr"/></POS-RESPONSE-REFS>
    </DIAG-SERVICE></DIAG-COMMS>
   <REQUESTS><REQUEST ID="own.heat.rq"><SHORT-NAME>heat_rq</SHORT-NAME><PARAMS>
     {sid}{value}</PARAMS></REQUEST></REQUESTS>
   <POS-RESPONSES><POS-RESPONSE ID="own.heat.pr"><SHORT-NAME>heat_pr</SHORT-NAME><PARAMS>
     {answer_sid}
     <PARAM xsi:type="MATCHING-REQUEST-PARAM" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
      <SHORT-NAME>echo</SHORT-NAME><BYTE-POSITION>1</BYTE-POSITION>
      <REQUEST-BYTE-POS>1</REQUEST-BYTE-POS><BYTE-LENGTH>1</BYTE-LENGTH></PARAM>
     {answer_value}</PARAMS></POS-RESPONSE></POS-RESPONSES>
  </BASE-VARIANT></BASE-VARIANTS>
  <ECU-VARIANTS><ECU-VARIANT ID="own.ev"><SHORT-NAME>seat_heater_left</SHORT-NAME>
   <PARENT-REFS><PARENT-REF ID-REF="own.bv" xsi:type="BASE-VARIANT-REF"
     xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"/></PARENT-REFS></ECU-VARIANT></ECU-VARIANTS>
 </DIAG-LAYER-CONTAINER>
</ODX>
"""


def constant(name: str, value: int) -> str:
    return (
        '<PARAM xsi:type="CODED-CONST" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'
        f"<SHORT-NAME>{name}</SHORT-NAME><BYTE-POSITION>0</BYTE-POSITION><CODED-VALUE>{value}</CODED-VALUE>"
        '<DIAG-CODED-TYPE BASE-DATA-TYPE="A_UINT32" xsi:type="STANDARD-LENGTH-TYPE"><BIT-LENGTH>8</BIT-LENGTH>'
        "</DIAG-CODED-TYPE></PARAM>"
    )


def value(name: str, place: int) -> str:
    return (
        '<PARAM xsi:type="VALUE" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">'
        f"<SHORT-NAME>{name}</SHORT-NAME><BYTE-POSITION>{place}</BYTE-POSITION>"
        '<DOP-REF ID-REF="own.level"/></PARAM>'
    )


@pytest.fixture
def own_data_set(tmp_path: Path) -> Path:
    path = tmp_path / "own.odx-d"
    path.write_text(
        OWN_DATA_SET.format(
            sid=constant("sid", 0xB1), value=value("wanted", 1),
            answer_sid=constant("sid", 0xF1), answer_value=value("now", 2),
        )
    )  # fmt: skip
    return path


def test_own_data_set_over_doip(own_data_set: Path, serve):
    database = odxtools.load_odx_file(str(own_data_set))
    (layer,) = database.ecus
    talk = DoipTalk(serve(own_data_set))
    try:
        for level in (0, 40, 90):
            request = bytes(layer.services.heat.encode_request(wanted=level))
            assert request == bytes((0xB1, level // 5 + 2))  # worked by hand: 5 * raw - 10
            answer = talk.ask(0x1001, request)
            (message,) = layer.decode_response(answer, request)
            assert message.coding_object.short_name == "heat_pr"
            # the lowest value that the description allows is raw 2, which is 0
            assert message.param_dict["now"] == 0
            assert answer[1] == request[1]
        assert talk.ask(0x1001, b"\xb1") == b"\x7f\xb1\x13"
    finally:
        talk.close()


def test_a_layer_is_addressed_from_the_first_free_number(own_data_set: Path):
    described = import_odx(own_data_set)
    assert [(unit.id, unit.address) for unit in described.units] == [("seat_heater_left", 0x1001)]
    assert DescribedCar(described).handle(0x1001, b"\xb1\x05", 0.0)[0].pdu == b"\xf1\x05\x02"


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "cannot be used"),
        (b"<ODX", "cannot be used"),
        (b"<ODX MODEL-VERSION='2.2.0'/>", "cannot be used"),
        (b"PK\x03\x04 broken", "cannot be used"),
        (b'<!DOCTYPE x [<!ENTITY a "aaaa">]><ODX/>', "entities of its own"),
    ],
)
def test_files_that_are_no_odx(tmp_path: Path, raw: bytes, words: str):
    path = tmp_path / "bad.pdx"
    path.write_bytes(raw)
    with pytest.raises(InputError) as caught:
        import_odx(path)
    assert words in str(caught.value)
    assert str(path) in caught.value.where


def test_a_container_that_unpacks_too_far(tmp_path: Path, monkeypatch):
    from donorfit.edge.packs import odx_files

    path = tmp_path / "big.pdx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as container:
        container.writestr("a.odx-d", b"\0" * 2_000_000)
    monkeypatch.setattr(odx_files, "MAX_UNPACKED_BYTES", 1_000_000)
    with pytest.raises(InputError) as caught:
        import_odx(path)
    assert "2000000 bytes" in caught.value.why


def test_without_the_extra_the_way_to_get_it_is_said(own_data_set: Path, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "odxtools", None)
    with pytest.raises(InputError, match="extra 'odx'"):
        import_odx(own_data_set)
