"""A unit that is still at work, in words."""

import pytest

from donorfit.diagnostics.exchange import _await_pending, _tell_pending
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.policy import Policy
from donorfit.diagnostics.talk import Heard, Listen, Tell
from donorfit.diagnostics.unit_state import UnitState


@pytest.mark.parametrize(
    ("count", "waited_s", "words"),
    [
        (1, 0.0, "service 2E is still at work (0x78, once)"),
        (1, 0.049, "service 2E is still at work (0x78, once)"),
        (1, 0.3, "service 2E is still at work after 0.3 s (0x78, once)"),
        (3, 9.81, "service 2E is still at work after 9.8 s (0x78, 3 times)"),
    ],
)
def test_no_wait_is_told_that_was_none(count, waited_s, words):
    assert _tell_pending(0x2E, count, waited_s).text == words


@pytest.mark.parametrize(("pdu", "told"), [("36 01 AA", 1), ("2E 01 00 AA", 2)])
def test_a_block_is_told_from_its_second_time_on(pdu, told):
    """Each block of a download asks for time once where a unit writes it; progress says enough."""
    request, policy = bytes.fromhex(pdu), Policy()
    pending = bytes((0x7F, request[0], 0x78))
    heard = [pending, bytes((request[0] + 0x40,)) + request[1:3]]
    talk = _await_pending(
        UnitState(policy, 0.1), request, Expectation(request, policy), began_s=0.0, heard_s=0.04
    )
    seen, step = [], next(talk)
    try:
        while True:
            if isinstance(step, Tell):
                seen.append(step)
                step = talk.send(None)
            else:
                assert isinstance(step, Listen)
                step = talk.send(Heard(pdu=heard.pop(0), at_s=1.0))
    except StopIteration:
        assert not heard
    assert len(seen) == told
