"""The simulated car's answers as two independent libraries read them: udsoncan and py-uds."""

import warnings
import zlib

import pytest

from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.session_services import compute_demo_key

pytestmark = pytest.mark.reference

GATEWAY, BODY, TOW = 0x1010, 0x1040, 0x1071
BLOCK = bytes((place * 7 + 3) & 0xFF for place in range(1000))


class Talk:
    """Asks the car and keeps every request with its last answer."""

    def __init__(self, car: SimulatedCar) -> None:
        self.car = car
        self.now_s = 0.0
        self.exchanges: list[tuple[bytes, bytes]] = []

    def ask(self, target: int, pdu: bytes) -> bytes:
        self.now_s += 0.01
        answer = self.car.handle(target, pdu, self.now_s)[-1].pdu
        self.exchanges.append((pdu, answer))
        return answer


@pytest.fixture
def talk(small_car: SimulatedCar) -> Talk:
    """A whole conversation: read, write, unlock, download, check, clear, reset, and refusals."""
    talk = Talk(small_car)
    for target, text in (
        (GATEWAY, "1003"), (GATEWAY, "3e00"), (GATEWAY, "22f190"), (GATEWAY, "22f186f189"),
        (GATEWAY, "1902ff"), (GATEWAY, "190a"), (GATEWAY, "1901ff"), (GATEWAY, "2e100100"),
        (GATEWAY, "22abcd"), (GATEWAY, "14ffffff"), (BODY, "1003"), (BODY, "2e06010010a000fd"),
        (BODY, "85"), (BODY, "1044"), (TOW, "1002"), (TOW, "3601"),
    ):  # fmt: skip
        talk.ask(target, bytes.fromhex(text))
    seed = talk.ask(TOW, b"\x27\x01")[2:]
    talk.ask(TOW, b"\x27\x02" + compute_demo_key(seed, 1, b"DEMO"))
    talk.ask(TOW, bytes.fromhex("3400440001000000" + "0003e8"))
    for counter, at in enumerate(range(0, 1000, 250), 1):
        talk.ask(TOW, bytes((0x36, counter)) + BLOCK[at : at + 250])
    talk.ask(TOW, b"\x37")
    talk.ask(TOW, b"\x31\x01\x02\x02" + zlib.crc32(BLOCK).to_bytes(4, "big"))
    talk.ask(TOW, b"\x31\x03\x02\x02")
    talk.ask(TOW, b"\x11\x01")
    return talk


def test_py_uds_decodes_every_answer(talk: Talk):
    translator = pytest.importorskip("uds.translator").BASE_TRANSLATOR
    from uds.addressing import AddressingType
    from uds.message import UdsMessage

    fields = {}
    for _, answer in talk.exchanges:
        message = UdsMessage(payload=answer, addressing_type=AddressingType.PHYSICAL)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it has no labels for our own identifiers
            decoded = {each["name"]: each["raw_value"] for each in translator.decode(message)}
        assert decoded["RSID"] == answer[0]
        fields.setdefault(answer[0], decoded)
    assert set(fields) == {
        0x50,
        0x51,
        0x54,
        0x59,
        0x62,
        0x67,
        0x6E,
        0x71,
        0x74,
        0x76,
        0x77,
        0x7E,
        0x7F,
    }
    assert fields[0x74]["maxNumberOfBlockLength"] == 0x0102
    assert fields[0x50]["sessionParameterRecord"] == 0x003201F4
    assert fields[0x71]["routineStatus"] == (0,)


def test_udsoncan_takes_every_answer_as_valid(talk: Talk):
    udsoncan = pytest.importorskip("udsoncan")
    for request, answer in talk.exchanges:
        response = udsoncan.Response.from_payload(answer)
        assert response.valid, (request.hex(), answer.hex(), response.invalid_reason)
        assert response.positive is (answer[0] != 0x7F)
        assert response.service.request_id() == request[0]


def test_udsoncan_reads_the_same_values(small_car: SimulatedCar):
    """Through udsoncan's client over a connection of its own that asks the car."""
    udsoncan = pytest.importorskip("udsoncan")
    from udsoncan.client import Client
    from udsoncan.connections import BaseConnection

    class InMemory(BaseConnection):
        """udsoncan's connection to one unit; every request is 10 ms after the last."""

        def __init__(self, target: int) -> None:
            super().__init__("in memory")
            self.target, self.now_s, self.waiting = target, 0.0, []

        def open(self):
            return self

        def close(self):
            pass

        def is_open(self):
            return True

        def empty_rxqueue(self):
            self.waiting.clear()

        def specific_send(self, payload, timeout=None):
            self.now_s += 0.01
            self.waiting += [
                each.pdu for each in small_car.handle(self.target, bytes(payload), self.now_s)
            ]

        def specific_wait_frame(self, timeout=2):
            if not self.waiting:
                raise udsoncan.exceptions.TimeoutException
            return self.waiting.pop(0)

    config = {
        "data_identifiers": {0xF190: udsoncan.AsciiCodec(17), 0x0700: ">3s"},
        "security_algo": lambda level, seed, params: compute_demo_key(seed, level, b"DEMO"),
        "request_timeout": 2,
    }
    with Client(InMemory(GATEWAY), config=config) as client:
        assert (
            client.read_data_by_identifier(0xF190).service_data.values[0xF190]
            == "ZZ9AA11A8LA000001"
        )
        faults = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
        assert [(each.id_iso(), each.status.get_byte_as_int()) for each in faults] == [
            ("U1123-00", 0x2F),
            ("B1000-00", 0x28),
        ]
        assert faults[0].status.confirmed
        assert not faults[1].status.test_failed
        client.clear_dtc()
    with Client(InMemory(TOW), config=config) as client:
        timing = client.change_session(3).service_data
        assert (timing.p2_server_max, timing.p2_star_server_max) == (0.05, 5.0)
        client.unlock_security_access(3)
        client.write_data_by_identifier(0x0700, (b"\0\1\7",))
        assert small_car.memory("tow_control")[0x0700] == b"\0\1\7"
        with pytest.raises(udsoncan.exceptions.NegativeResponseException) as caught:
            client.start_routine(0x9999)
        assert caught.value.response.code_name == "RequestOutOfRange"
