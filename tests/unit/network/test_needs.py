"""Needed signals against networks."""

from dataclasses import replace

import pytest

from donorfit.network import SignalVerdict, check_signals
from donorfit.vehicle.donor import NeededSignal

NEED = NeededSignal(
    network="can_body", message="Lights", signal="TurnLeft", longest_gap_ms=100, effect="dark"
)


def judge(*networks: object, expected: tuple[object, ...] = ()):
    (answer,) = check_signals([NEED], networks, expected=expected)
    return answer


@pytest.mark.parametrize(
    ("place", "message_name", "signal_name", "cycle", "verdict"),
    [
        ("can_body", "Lights", "TurnLeft", 20, SignalVerdict.PRESENT),
        ("can_body", "Lights", "TurnLeft", 100, SignalVerdict.PRESENT),
        ("can_body", "Lights", "TurnLeft", 101, SignalVerdict.TOO_SLOW),
        ("can_body", "Lights", "TurnLeft", None, SignalVerdict.ON_EVENTS),
        ("can_body", "Lamps", "TurnLeft", 20, SignalVerdict.ELSEWHERE),
        ("can_comfort", "Lights", "TurnLeft", 20, SignalVerdict.ELSEWHERE),
        ("can_body", "Lights", "Other", 20, SignalVerdict.OTHER_LAYOUT),
        ("can_body", "Lamps", "Other", 20, SignalVerdict.MISSING),
        ("can_comfort", "Lamps", "Other", 20, SignalVerdict.UNKNOWN),
    ],
)
def test_verdicts(signal, message, network, place, message_name, signal_name, cycle, verdict):  # noqa: PLR0917
    there = network(
        message(message_name, 0x100, cycle, signals=(signal(signal_name),)), name=place
    )
    answer = judge(there)
    assert answer.verdict is verdict
    assert bool(answer.effect) is (verdict is not SignalVerdict.PRESENT)
    assert answer.effect in ("", "dark")
    assert bool(answer.remedy) is (verdict is not SignalVerdict.PRESENT)
    assert answer.reason


@pytest.mark.parametrize(
    ("cycle", "said"), [(20, ""), (None, "on events only"), (500, "every 500 ms where 100 ms")]
)
def test_a_signal_sent_elsewhere_tells_its_rhythm(signal, message, network, cycle, said):
    there = network(message("Lamps", 1, cycle, signals=(signal("TurnLeft"),)), name="can_body")
    answer = judge(there)
    assert answer.verdict is SignalVerdict.ELSEWHERE
    assert said in answer.reason
    assert ("where" in answer.reason) is (cycle == 500)


def test_of_several_places_the_fastest_one_is_named(signal, message, network):
    slow, fast, event = (
        message(name, place, cycle, signals=(signal("TurnLeft"),))
        for place, (name, cycle) in enumerate((("Slow", 500), ("Fast", 20), ("Event", None)), 1)
    )
    assert judge(network(event, slow, fast, name="can_body")).message == "Fast"


def test_a_signal_sent_elsewhere_is_compared_with_what_the_module_reads(signal, message, network):
    own = network(message("Lights", 2, signals=(signal("TurnLeft", factor=0.5),)), name="can_body")
    there = network(message("Lamps", 1, 20, signals=(signal("TurnLeft"),)), name="can_body")
    assert judge(there, expected=(own,)).differences == ("scale 1 instead of 0.5",)


def test_one_answer_a_need_in_order(signal, message, network):
    there = network(message("Lights", 1, signals=(signal("TurnLeft"),)), name="can_body")
    second = replace(NEED, signal="TurnRight")
    answers = check_signals([second, NEED], [there])
    assert [answer.need for answer in answers] == [second, NEED]
    assert [answer.verdict.value for answer in answers] == ["other layout", "present"]


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"first_bit": 8}, "first bit 0 instead of 8"),
        ({"bit_length": 4}, "length in bits 8 instead of 4"),
        ({"big_endian": True}, "byte order little endian instead of big endian"),
        ({"signed": True}, "sign unsigned instead of signed"),
        ({"factor": 0.5}, "scale 1 instead of 0.5"),
        ({"offset": -40.0}, "offset 0 instead of -40"),
        ({"unit": "m"}, "unit none instead of m"),
        ({"choices": ((1, "on"),)}, "1 means off instead of on"),
    ],
)
def test_each_difference_of_layout_is_named(signal, message, network, facts, words):
    host = network(
        message("Lights", 1, signals=(signal("TurnLeft", choices=((1, "off"),)),)), name="can_body"
    )
    own = network(
        message(
            "Lights", 1, signals=(signal("TurnLeft", **({"choices": ((1, "off"),)} | facts)),)
        ),
        name="can_body",
    )
    answer = judge(host, expected=(own,))
    assert answer.verdict is SignalVerdict.OTHER_LAYOUT
    assert answer.differences == (words,)
    assert judge(host, expected=(host,)).verdict is SignalVerdict.PRESENT


def test_another_identifier_is_another_layout(signal, message, network):
    host = network(message("Lights", 1, signals=(signal("TurnLeft"),)), name="can_body")
    own = network(message("Lights", 2, signals=(signal("TurnLeft"),)), name="can_body")
    assert judge(host, expected=(own,)).differences == ("identifier 0x1 instead of 0x2",)


def test_a_protected_message_says_so(signal, message, network):
    host = network(
        message("Lamps", 1, signals=(signal("TurnLeft"),), end_to_end="AUTOSAR E2E Profile2"),
        name="can_body",
    )
    assert judge(host).protection == "AUTOSAR E2E Profile2"
    own = network(
        message("Lights", 2, signals=(signal("TurnLeft"),), end_to_end="AUTOSAR E2E Profile5"),
        name="can_body",
    )
    assert "have to make AUTOSAR E2E Profile5" in judge(host, expected=(own,)).remedy


def test_what_needs_a_key_has_no_remedy_by_a_gateway(signal, message, network):
    plain = network(message("Lamps", 1, signals=(signal("TurnLeft"),)), name="can_body")
    keyed = network(
        message("Lights", 2, signals=(signal("TurnLeft"),), secured=True), name="can_body"
    )
    assert judge(plain, expected=(keyed,)).remedy.startswith("none by a gateway")
    there = replace(keyed, messages=(replace(keyed.messages[0], name="Lamps"),))
    answer = judge(there)
    assert "authenticator" in answer.protection
    assert "key" in answer.remedy


def test_what_is_missing_is_looked_for_by_meaning(signal, message, network):
    own = network(
        message("Lights", 2, signals=(signal("TurnLeft"), signal("Level", first_bit=8))),
        name="can_body",
    )
    host = network(
        message("Lamps", 7, signals=(signal("left_turn_lamp"), signal("door"))), name="can_body"
    )
    answer = judge(host, expected=(own,))
    assert answer.verdict is SignalVerdict.MISSING
    assert answer.nearest[0].startswith("can_body/Lamps/left_turn_lamp (0.")
    assert judge(host).nearest == ()
    assert judge(own, expected=(own,)).nearest == ()
