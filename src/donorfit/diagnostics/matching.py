"""Which message answers which request: by service and by what an answer repeats.

UDS has no message numbers, so this is all there is; what it cannot tell apart is kept out by the
fence (see ``exchange``).
"""

from enum import Enum

from donorfit.diagnostics.negative_response import NEGATIVE_RESPONSE, decode_negative_response
from donorfit.diagnostics.policy import EchoRule, Policy
from donorfit.diagnostics.uds import POSITIVE_OFFSET, SUPPRESS_POSITIVE_RESPONSE, Service

_REPEATS_NOTHING = EchoRule()
_WITH_SUB_FUNCTION = frozenset(service for service in Service if service.has_sub_function)


class Match(Enum):
    """What a message is to a request."""

    POSITIVE = "its positive answer"
    NEGATIVE = "a negative response to it"
    OTHER = "something else"


class Expectation:
    """What the answer to one request looks like; made once per request.

    Attributes:
        service: service identifier of the request.
        silent: whether the request forbids a positive answer (suppress bit).
        key: service and repeated bytes; requests with the same key cannot be told apart by
            their answers.
    """

    __slots__ = ("_rule", "key", "service", "silent")

    def __init__(self, pdu: bytes, policy: Policy) -> None:
        self.service = pdu[0]
        self._rule = policy.echo.get(self.service, _REPEATS_NOTHING)
        echo = pdu[1 : 1 + self._rule.length_bytes]
        self.silent = (
            self.service in _WITH_SUB_FUNCTION
            and len(pdu) > 1
            and bool(pdu[1] & SUPPRESS_POSITIVE_RESPONSE)
        )
        if self._rule.sub_function and echo:
            echo = bytes((echo[0] & ~SUPPRESS_POSITIVE_RESPONSE,)) + echo[1:]
        self.key = bytes(((self.service + POSITIVE_OFFSET) & 0xFF,)) + echo

    def match(self, pdu: bytes) -> Match:
        """What this message is to the request."""
        if pdu.startswith(self.key):
            return Match.POSITIVE
        if pdu and pdu[0] == NEGATIVE_RESPONSE:
            negative = decode_negative_response(pdu)
            if negative is not None and negative.service == self.service:
                return Match.NEGATIVE
            return Match.OTHER
        if not self._rule.strict and pdu and self.key.startswith(pdu):
            return Match.POSITIVE
        return Match.OTHER
