"""Collect the mistakes and warnings of a whole pack, so that they are reported together."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import islice

from donorfit.errors import InputError, Mistake

MOST_MISTAKES = 200
"""Mistakes that are listed; further ones are only counted."""
LARGEST_DIFFERENCE = 3
LONGEST_WORD = 100
MOST_WORDS = 5_000
"""Bounds of the search for the nearest word: many mistakes in a large family stay quick."""


@dataclass(slots=True)
class PackNotes:
    """What is wrong or doubtful in one pack; the only mutable thing while it is read.

    Attributes:
        mistakes: found so far, at most :data:`MOST_MISTAKES`.
        left_out: mistakes beyond that.
        warnings: what does not stop the pack from being used.
    """

    mistakes: list[Mistake] = field(default_factory=list)
    left_out: int = 0
    warnings: list[Mistake] = field(default_factory=list)

    def add(self, file: str, line: int, what: str, next_step: str) -> None:
        """Note one mistake; line 0 stands for the whole file."""
        self.extend((Mistake(file=file, line=line, what=what, next_step=next_step),))

    def extend(self, mistakes: Iterable[Mistake]) -> None:
        """Take over mistakes that another reader found."""
        for mistake in mistakes:
            if len(self.mistakes) < MOST_MISTAKES:
                self.mistakes.append(mistake)
            else:
                self.left_out += 1

    def warn(self, file: str, line: int, what: str, next_step: str) -> None:
        """Note a doubt that does not stop the pack from being used."""
        self.warnings.append(Mistake(file=file, line=line, what=what, next_step=next_step))

    def raise_if_any(self, name: str, kind: str = "pack") -> None:
        """Raise InputError with all mistakes, in order of file and line, where there are any."""
        if not self.mistakes:
            return
        found = sorted(self.mistakes, key=lambda each: (each.file, each.line))
        total = len(found) + self.left_out
        more = f", the first {len(found)} are listed" if self.left_out else ""
        raise InputError(
            what=f"{name} cannot be used as a {kind}: {total} mistake{'s' * (total != 1)}{more}",
            mistakes=found,
            where=f"{found[0].file}:{found[0].line}" if found[0].line else found[0].file,
            next_step="correct the places below and run the check again",
        )


def suggest(wrong: str, known: Iterable[str]) -> str:
    """Name the nearest known word as a next step; a plain hint where none is near."""
    alike = (each for each in known if abs(len(each) - len(wrong)) <= LARGEST_DIFFERENCE)
    near = get_close_matches(wrong[:LONGEST_WORD], list(islice(alike, MOST_WORDS)), n=1)
    return f"did you mean {near[0]!r}?" if near else "correct the name or add what it names"
