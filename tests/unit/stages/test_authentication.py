"""Units that ask for authentication (service 0x29) are recognised and explained early."""

import pytest

from donorfit.diagnostics.conversation import Answered, Refused, Together, Unknown
from donorfit.diagnostics.negative_response import Nrc, explain_negative_response
from donorfit.diagnostics.readings import ask_authentication
from donorfit.edge.packs.pack_reader import read_pack
from donorfit.records.finding import Severity
from donorfit.stages.survey import survey_car

VIN = b"ZZ9MRE1A3L0004217"


def drive(strand, answer):
    reply = None
    while True:
        try:
            ask = strand.send(reply)
        except StopIteration as stop:
            return stop.value
        if isinstance(ask, Together):
            reply = tuple(drive(each, answer) for _, each in ask.strands)
        else:
            reply = answer(ask)


@pytest.fixture(scope="module")
def pack(repository):
    return read_pack(repository / "src/donorfit/demo/pack")


def survey(pack, code):
    """A car whose lighting unit refuses all but its VIN with this code."""

    def answer(ask):
        if ask.pdu[1:] == b"\xf1\x90":
            return Answered(pdu=b"\x62\xf1\x90" + VIN)
        return Refused(code=code if ask.unit == "lighting" else Nrc.REQUEST_OUT_OF_RANGE)

    return drive(survey_car(pack, "2026-01-01T00:00:00+00:00"), answer)


@pytest.mark.parametrize("code", [0x34, 0x38, 0x50, 0x5D])
def test_the_survey_names_the_unit_and_says_what_it_means(pack, code):
    found = [each for each in survey(pack, code).findings if each.id == "authentication-wanted"]
    ((finding),) = found
    assert finding.where == "lighting"
    assert finding.severity is Severity.WARNING
    assert "0x29" in finding.why
    assert "defeats none" in finding.why


@pytest.mark.parametrize("code", [0x33, 0x35, 0x31, 0x5E])
def test_other_refusals_are_no_authentication(pack, code):
    read = survey(pack, code)
    assert not [each for each in read.findings if each.id == "authentication-wanted"]
    assert not any(each.wants_authentication for each in read.units)


@pytest.mark.parametrize(
    ("outcome", "knows"),
    [
        (Answered(pdu=bytes.fromhex("690802")), True),
        (Refused(code=Nrc.AUTHENTICATION_REQUIRED), True),
        (Refused(code=Nrc.SERVICE_NOT_SUPPORTED), False),
        (Refused(code=Nrc.SUB_FUNCTION_NOT_SUPPORTED), False),
        (Unknown(why="silence"), False),
    ],
)
def test_a_unit_is_asked_whether_it_knows_it(pack, outcome, knows):
    asked = []

    def answer(ask):
        asked.append((ask.pdu, ask.effect.value))
        return outcome

    assert drive(ask_authentication(pack.units[0]), answer) is knows
    # sub-function 0x08, authenticationConfiguration: the one that changes nothing
    assert asked == [(b"\x29\x08", "reading")]


def test_the_code_is_explained_wherever_it_is_shown():
    assert explain_negative_response(0x34).startswith("NRC 0x34 authenticationRequired: ")
    assert explain_negative_response(0x33) == "NRC 0x33 securityAccessDenied"
