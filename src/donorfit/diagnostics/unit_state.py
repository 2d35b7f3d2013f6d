"""What is known of one unit while it is talked to."""

from donorfit.diagnostics.malformed import MalformedError
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.policy import Policy
from donorfit.diagnostics.uds import (
    Service,
    Session,
    SessionTiming,
    decode_session_answer,
)

_CHANGES_SESSION = frozenset(
    (Service.DIAGNOSTIC_SESSION_CONTROL, Service.ECU_RESET, Service.SECURITY_ACCESS)
)


class UnitState:
    """Session, security and doubts of one unit; changes as answers come.

    Attributes:
        policy: waiting times and rules.
        transit_s: what the link adds to the unit's own answering time.
        session: session that the unit is in as far as known; None where it is not known.
        level: security level that is open; 0 for none.
        timing: P2 and P2* of that session.
        dirty: an answer stayed out, so that a late one may still come.
        unreachable: the last fence found nobody.
        fences_out: ``3E 00`` that were sent and not answered yet.
        rejected_levels: security levels for which no further key is sent.
    """

    __slots__ = (
        "_heard",
        "_last_key",
        "_last_refused",
        "dirty",
        "fences_out",
        "level",
        "policy",
        "rejected_levels",
        "session",
        "timing",
        "transit_s",
        "unreachable",
    )

    def __init__(self, policy: Policy, transit_s: float) -> None:
        self.policy = policy
        self.transit_s = transit_s
        self.session: int | None = None
        self.level = 0
        self.timing = policy.timing
        self.dirty = False
        self.unreachable = False
        self.fences_out = 0
        self.rejected_levels: set[int] = set()
        self._heard = False
        self._last_key = b""
        self._last_refused = -1

    @property
    def first_wait_s(self) -> float:
        """Longest wait for the first answer, link included."""
        return self.timing.p2_s + self.transit_s

    @property
    def next_wait_s(self) -> float:
        """Longest wait after a response pending, link included."""
        return self.timing.p2_star_s + self.transit_s

    @property
    def needs_keep_alive(self) -> bool:
        """Whether the session would end by itself."""
        return self.session is not None and self.session != Session.DEFAULT

    def forget_session(self) -> None:
        """Nothing is known of session and security any more."""
        self.session = None
        self.level = 0

    def can_be_confused(self, expectation: Expectation, *, changing: bool) -> bool:
        """Whether an answer to an earlier request could pass for the answer to this one.

        That is a second copy of the answer before and, where nothing has been heard of the unit
        yet, an answer to what was sent before the link was lost and opened again.
        """
        return expectation.key == self._last_key or (
            changing and (not self._heard or expectation.service == self._last_refused)
        )

    def take_positive(self, request: bytes, answer: bytes, expectation: Expectation) -> None:
        """Learn from a positive answer what session and security are now."""
        self._heard = self._heard or bool(answer)
        self._last_key, self._last_refused = expectation.key, -1
        if expectation.service not in _CHANGES_SESSION:
            return
        if expectation.service == Service.DIAGNOSTIC_SESSION_CONTROL and len(request) > 1:
            self.session = request[1] & 0x7F
            self.level = 0
            self.timing = self._bound(answer)
        elif expectation.service == Service.ECU_RESET:
            self.session = Session.DEFAULT
            self.level = 0
            self.timing = self.policy.timing
        elif expectation.service == Service.SECURITY_ACCESS and request[1] % 2 == 0:
            self.level = request[1] - 1

    def take_negative(self, expectation: Expectation) -> None:
        """Remember what was refused last."""
        self._heard = True
        self._last_key, self._last_refused = b"", expectation.service

    def take_fence(self) -> None:
        """All that was sent before has been answered or never will be."""
        self.dirty = False
        self.unreachable = False
        self._heard = True
        self._last_key, self._last_refused = b"", -1

    def _bound(self, answer: bytes) -> SessionTiming:
        try:
            told = decode_session_answer(answer)
        except MalformedError:
            return self.policy.timing
        return SessionTiming(
            p2_s=min(told.p2_s or self.policy.timing.p2_s, self.policy.longest_p2_s),
            p2_star_s=min(
                told.p2_star_s or self.policy.timing.p2_star_s, self.policy.longest_p2_star_s
            ),
        )
