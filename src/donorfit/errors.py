"""One tree of errors: raised only when the job cannot go on.

Doubts and contradictions about the *car* are :class:`donorfit.records.finding.Finding` values. An
error says five things: what, where, why, the state now, and what to do next. Each class has one
exit code, listed in ``docs/errors.md``.
"""

from collections.abc import Sequence
from dataclasses import dataclass

NOTHING_CHANGED = "Nothing was changed in the car or in the job file."


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """One mistake in one file or entry: where it is, what it is, what to do.

    Attributes:
        file: name as the user gave it.
        line: counted from 1; 0 where the mistake is the whole file.
        what: the mistake in one sentence.
        next_step: what to do about it.
    """

    file: str
    line: int
    what: str
    next_step: str

    def __str__(self) -> str:
        """Write ``file:line: what - next``."""
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.what} - {self.next_step}"


class DonorfitError(Exception):
    """Root of the tree; raised only through its children.

    Attributes:
        what: what went wrong, one sentence.
        where: file and line, or step, unit, address and identifier.
        why: the reason, in the standard's words where there is one.
        state: what is changed and what is not.
        next_step: what to do, a command where there is one.
    """

    exit_code = 1
    title = "internal error"

    def __init__(
        self,
        *,
        what: str,
        where: str = "",
        why: str = "",
        state: str = NOTHING_CHANGED,
        next_step: str = "",
    ) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.why = why
        self.state = state
        self.next_step = next_step

    def __str__(self) -> str:
        """All five parts, one a line, empty ones left out."""
        parts = (
            ("", self.what),
            ("where: ", self.where),
            ("why: ", self.why),
            ("state: ", self.state),
            ("next: ", self.next_step),
        )
        return "\n".join(label + text for label, text in parts if text)


class InputError(DonorfitError):
    """A file or entry that we were given cannot be used."""

    exit_code = 10
    title = "input cannot be used"

    def __init__(
        self,
        *,
        what: str,
        mistakes: Sequence[Mistake] = (),
        where: str = "",
        why: str = "",
        state: str = NOTHING_CHANGED,
        next_step: str = "",
    ) -> None:
        super().__init__(what=what, where=where, why=why, state=state, next_step=next_step)
        self.mistakes = tuple(mistakes)

    def __str__(self) -> str:
        """The five parts, then every mistake on its own line."""
        return "\n".join([super().__str__(), *(f"  {mistake}" for mistake in self.mistakes)])


class NotPossibleError(DonorfitError):
    """What was asked cannot be done with this car as declared; the reasons are given."""

    exit_code = 3
    title = "not possible as declared"


class LinkError(DonorfitError):
    """The car or its gateway could not be reached, or was lost."""

    exit_code = 20
    title = "no link"


class PeerError(DonorfitError):
    """The other side broke the protocol."""

    exit_code = 25
    title = "the other side broke the protocol"


class RefusedError(DonorfitError):
    """A control unit said no."""

    exit_code = 30
    title = "refused by a control unit"


class SafetyError(DonorfitError):
    """We stopped by a rule of our own."""

    exit_code = 40
    title = "stopped by a safety rule"


class StoppedError(DonorfitError):
    """The job stopped at a known point and can be taken up again."""

    exit_code = 45
    title = "stopped, can be resumed"


class JournalError(DonorfitError):
    """The job file is missing, damaged, in use, not ours, or cannot be written."""

    exit_code = 50
    title = "job file cannot be used"


class VerifyError(DonorfitError):
    """What was read back is not what should be there."""

    exit_code = 60
    title = "read back differs"


class MisuseError(DonorfitError):
    """We used the protocol or the library wrongly: a bug of ours."""

    exit_code = 70
    title = "misuse"
