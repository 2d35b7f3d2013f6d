"""Read rules from DIMACS CNF with option names in comments (``c 12 name`` or ``c 12 => name``).

Source of the format: Satisfiability: Suggested Format, DIMACS 1993; names as the open collections
of product-line rules write them.
"""

import re

from donorfit.equipment.columns import Columns
from donorfit.equipment.mistakes import Notes
from donorfit.vehicle.rules import FALSE, NOT, OR, CrossRule, RuleBase

MOST_VARIABLES = 2_000_000
NO_TREE = -2
_NAME = re.compile(r"c\s+(\d+)\$?\s+(?:=>\s*)?(\S.*)")
_HEAD = re.compile(r"p\s+cnf\s+(\d+)\s+(\d+)")


def read_dimacs(text: str, *, file: str) -> RuleBase:
    """Read a DIMACS text; options without a name are called ``v`` and their number.

    Raises:
        InputError: with all mistakes found, each with its line.
    """
    notes = Notes(file)
    reader = _Reader(notes)
    for number, line in enumerate(text.splitlines(), 1):
        reader.take(number, line.strip())
    reader.finish()
    notes.raise_if_any()
    return _freeze(reader, file, notes)


class _Reader:
    def __init__(self, notes: Notes) -> None:
        self._notes = notes
        self.count = 0
        self._clauses_due = -1
        self.names: dict[int, tuple[str, int]] = {}
        self.clauses: list[tuple[int, list[int]]] = []
        self._current: list[int] = []
        self._start = 0

    def take(self, number: int, line: str) -> None:
        if not line or line == "%":
            return
        if line.startswith("c"):
            match = _NAME.fullmatch(line)
            if match is not None:
                self.names[int(match[1])] = (match[2].strip(), number)
        elif line.startswith("p"):
            self._take_head(number, line)
        else:
            self._take_numbers(number, line)

    def _take_head(self, number: int, line: str) -> None:
        match = _HEAD.fullmatch(line)
        if match is None or self._clauses_due >= 0:
            what = f"{line[:40]!r} is no head"
            self._notes.add(number, 0, what, "write p cnf and two numbers once")
            return
        self.count, self._clauses_due = int(match[1]), int(match[2])
        if self.count > MOST_VARIABLES:
            self._notes.add(number, 0, f"{self.count} variables", f"at most {MOST_VARIABLES}")

    def _take_numbers(self, number: int, line: str) -> None:
        if self._clauses_due < 0:
            self._notes.add(number, 0, "a clause before the head", "write p cnf first")
            self._clauses_due = 0
        for word in line.split():
            try:
                literal = int(word)
            except ValueError:
                column = line.index(word) + 1
                self._notes.add(number, column, f"{word!r} is no number", "correct it")
                return
            if abs(literal) > self.count:
                self._notes.add(
                    number, 0, f"variable {abs(literal)} of {self.count}", "correct the head"
                )
                return
            if literal:
                self._start = self._start or number
                self._current.append(literal)
            else:
                self.clauses.append((self._start or number, self._current))
                self._current, self._start = [], 0

    def finish(self) -> None:
        if self._current:
            self._notes.add(self._start, 0, "the last clause has no 0 at its end", "add it")
        if self._clauses_due < 0:
            self._notes.add(0, 0, "there is no head", "write p cnf and two numbers")
        elif self._clauses_due != len(self.clauses):
            self._notes.warn(
                0,
                "clause count",
                f"the head promises {self._clauses_due} clauses, {len(self.clauses)} are there",
            )


def _freeze(reader: _Reader, file: str, notes: Notes) -> RuleBase:
    columns = Columns(file)
    taken: dict[str, int] = {}
    for variable in range(1, reader.count + 1):
        name, line = reader.names.get(variable, (f"v{variable}", 0))
        if name in taken:
            notes.add(
                line, 0, f"the option {name!r} stands twice, first as {taken[name]}", "rename one"
            )
        taken[name] = variable
        columns.add_option(name, line, NO_TREE, -1)
    notes.raise_if_any()
    numbers: dict[int, int] = {}
    for line, clause in reader.clauses:
        numbers[line] = numbers.get(line, 0) + 1
        formula: list[int] = []
        for place, literal in enumerate(clause):
            formula += [literal - 1] if literal > 0 else [-literal - 1, NOT]
            formula += [OR] if place else []
        shown = " | ".join(
            columns.names[literal - 1] if literal > 0 else f"!{columns.names[-literal - 1]}"
            for literal in clause
        )
        suffix = "" if numbers[line] == 1 else f".{numbers[line]}"
        columns.rules.append(
            CrossRule(
                id=f"r{line}{suffix}",
                file=file,
                line=line,
                formula=tuple(formula) or (FALSE,),
                text=shown or "false",
            )
        )
    columns.warnings += notes.warnings
    return columns.freeze()
