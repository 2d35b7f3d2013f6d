"""A unit that is still at work, in words."""

import pytest

from donorfit.diagnostics.exchange import _tell_pending


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
