"""Collect the mistakes of one rule file, so that they are reported together."""

from dataclasses import dataclass, field

from donorfit.errors import InputError, Mistake
from donorfit.vehicle.rules import RuleWarning

MOST_MISTAKES = 100


@dataclass(slots=True)
class Notes:
    """Mistakes and warnings found while one file is read.

    Attributes:
        file: name of the file as the user gave it.
        mistakes: found so far, at most :data:`MOST_MISTAKES`; ``left_out`` counts the others.
        warnings: what is not understood but can be left out.
        left_out: mistakes beyond the ceiling.
        source: the lines of the file, for columns.
    """

    file: str
    mistakes: list[Mistake] = field(default_factory=list)
    warnings: list[RuleWarning] = field(default_factory=list)
    left_out: int = 0
    source: list[str] = field(default_factory=list)

    def add(self, line: int, column: int, what: str, next_step: str) -> None:
        """Note one mistake.

        Columns count from 1 behind the white space of the line; 0 stands for the whole line.
        """
        if len(self.mistakes) >= MOST_MISTAKES:
            self.left_out += 1
            return
        column = self._shift(line, column)
        place = f"column {column}: {what}" if column else what
        self.mistakes.append(Mistake(file=self.file, line=line, what=place, next_step=next_step))

    def _shift(self, line: int, column: int) -> int:
        """Column in the whole line; 0 where a joined line ends before it."""
        if not column or not 0 < line <= len(self.source):
            return column
        raw = self.source[line - 1]
        column += len(raw) - len(raw.lstrip())
        return column if column <= len(raw) + 1 else 0

    def warn(self, line: int, kind: str, what: str) -> None:
        """Note something that is left out."""
        self.warnings.append(RuleWarning(kind=kind, file=self.file, line=line, what=what))

    def raise_if_any(self) -> None:
        """Raise InputError with all mistakes where there are any."""
        if not self.mistakes:
            return
        found = sorted(self.mistakes, key=lambda mistake: mistake.line)
        total = len(found) + self.left_out
        more = f" ({self.left_out} more are not listed)" if self.left_out else ""
        raise InputError(
            what=f"{self.file} cannot be read as rules: {total} mistake{'s' * (total != 1)}{more}",
            mistakes=found,
            where=f"{found[0].file}:{found[0].line}" if found[0].line else found[0].file,
            why="the text does not follow the Universal Variability Language (UVL)",
            next_step="correct the lines below and read the file again",
        )
