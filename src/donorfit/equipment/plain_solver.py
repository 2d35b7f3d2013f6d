"""A small exact SAT solver of our own, for machines where python-sat has no wheel.

Conflict-driven clause learning with two watched literals, learnt clauses of the first unique
implication point, activity order, saved phases and Luby restarts. It answers what the port
:class:`donorfit.equipment.sat.SatSolver` asks, some hundred times slower than Glucose: enough for
packs of a few thousand options. Source: Een and Soerensson, An extensible SAT-solver, SAT 2003
(from memory).
"""

import heapq
from collections.abc import Callable, Collection, Iterable, Sequence

_DECAY = 1 / 0.95
_LARGEST_ACTIVITY = 1e100
_RESTART_UNIT = 64


class OutOfTimeError(Exception):
    """The budget of a search is used up."""


class PlainSolver:
    """Clauses are lists whose first two literals are watched; literals are signed numbers."""

    def __init__(self) -> None:
        self._watches: dict[int, list[list[int]]] = {}
        self._values: dict[int, bool] = {}
        self._levels: dict[int, int] = {}
        self._reasons: dict[int, list[int] | None] = {}
        self._phases: dict[int, bool] = {}
        self._activity: dict[int, float] = {}
        self._step = 1.0
        self._heap: list[tuple[float, int]] = []
        self._trail: list[int] = []
        self._marks: list[int] = []
        self._head = 0
        self._consistent = True
        self._core: list[int] = []
        self._model: list[int] = []
        self._top = 0
        self._is_late: Callable[[], bool] | None = None

    def add(self, clause: Sequence[int]) -> None:
        """Add a clause; the solver goes back to its root."""
        self._undo(0)
        for literal in clause:
            self._know(abs(literal))
        literals = [each for each in dict.fromkeys(clause) if self._get(each) is not False]
        if any(self._get(each) or -each in literals for each in literals):
            return
        if not literals:
            self._consistent = False
        elif len(literals) == 1:
            self._assign(literals[0], None)
            self._consistent &= self._propagate() is None
        else:
            self._watch(literals)

    def _know(self, variable: int) -> None:
        if variable not in self._activity:
            self._activity[variable] = 0.0
            self._watches[variable], self._watches[-variable] = [], []
            heapq.heappush(self._heap, (0.0, variable))
            self._top = max(self._top, variable)

    def _watch(self, literals: list[int]) -> None:
        self._watches[literals[0]].append(literals)
        self._watches[literals[1]].append(literals)

    def _get(self, literal: int) -> bool | None:
        value = self._values.get(abs(literal))
        return value if value is None or literal > 0 else not value

    def _assign(self, literal: int, reason: list[int] | None) -> None:
        variable = abs(literal)
        self._values[variable] = literal > 0
        self._levels[variable] = len(self._marks)
        self._reasons[variable] = reason
        self._trail.append(literal)

    def _undo(self, level: int) -> None:
        if len(self._marks) <= level:
            return
        start = self._marks[level]
        for literal in self._trail[start:]:
            variable = abs(literal)
            self._phases[variable] = literal > 0
            del self._values[variable], self._levels[variable], self._reasons[variable]
            heapq.heappush(self._heap, (-self._activity[variable], variable))
        del self._trail[start:], self._marks[level:]
        self._head = len(self._trail)

    def _propagate(self) -> list[int] | None:
        """Follow all units; give the clause that failed, if one did."""
        while self._head < len(self._trail):
            false = -self._trail[self._head]
            self._head += 1
            waiting = self._watches[false]
            self._watches[false] = kept = []
            for place, clause in enumerate(waiting):
                if clause[0] == false:
                    clause[0], clause[1] = clause[1], false
                first = self._get(clause[0])
                if first or not self._rewatch(clause):
                    kept.append(clause)
                    if first is False:
                        kept += waiting[place + 1 :]
                        return clause
                    if first is None:
                        self._assign(clause[0], clause)
        return None

    def _rewatch(self, clause: list[int]) -> bool:
        """Watch another literal in place of the second one; False where all others are false."""
        for other in range(2, len(clause)):
            if self._get(clause[other]) is not False:
                clause[1], clause[other] = clause[other], clause[1]
                self._watches[clause[1]].append(clause)
                return True
        return False

    def _bump(self, variable: int) -> None:
        self._activity[variable] += self._step
        if self._activity[variable] > _LARGEST_ACTIVITY:
            for each in self._activity:
                self._activity[each] /= _LARGEST_ACTIVITY
            self._step /= _LARGEST_ACTIVITY
        if variable not in self._values:
            heapq.heappush(self._heap, (-self._activity[variable], variable))

    def _learn(self, conflict: list[int]) -> tuple[list[int], int]:
        """Clause of the first unique implication point, and the level to go back to."""
        level, seen, open_count = len(self._marks), set[int](), 0
        learnt: list[int] = []
        clause, place, skip = conflict, len(self._trail), 0
        while True:
            for literal in clause:
                variable = abs(literal)
                if literal == skip or variable in seen or not self._levels[variable]:
                    continue
                seen.add(variable)
                self._bump(variable)
                if self._levels[variable] == level:
                    open_count += 1
                else:
                    learnt.append(literal)
            place -= 1
            while abs(self._trail[place]) not in seen:
                place -= 1
            skip = self._trail[place]
            open_count -= 1
            if not open_count:
                break
            clause = self._reasons[abs(skip)] or []
        learnt.sort(key=lambda literal: -self._levels[abs(literal)])
        back = self._levels[abs(learnt[0])] if learnt else 0
        return [-skip, *learnt], back

    def _decide(self) -> int:
        while self._heap:
            _, variable = heapq.heappop(self._heap)
            if variable not in self._values:
                return variable if self._phases.get(variable, False) else -variable
        return next(
            (v if self._phases.get(v) else -v for v in self._activity if v not in self._values), 0
        )

    def solve(self, assumptions: Collection[int] = ()) -> bool:
        """Whether the clauses hold together with the assumptions."""
        self._undo(0)
        assumptions = list(assumptions)
        self._core, self._model = [], []
        for literal in assumptions:
            self._know(abs(literal))
        round_number = 1
        while self._consistent:
            answer = self._search(assumptions, _RESTART_UNIT * _luby(round_number))
            if answer is not None:
                return answer
            if self._is_late is not None and self._is_late():
                raise OutOfTimeError
            round_number += 1
        return False

    def _search(self, assumptions: Sequence[int], budget: int) -> bool | None:
        while True:
            conflict = self._propagate()
            if conflict is not None:
                budget -= 1
                if not self._marks:
                    self._consistent = False
                    return False
                learnt, back = self._learn(conflict)
                self._undo(back)
                if len(learnt) > 1:
                    self._watch(learnt)
                self._assign(learnt[0], learnt)
                self._step *= _DECAY
                continue
            if budget <= 0:
                self._undo(0)
                return None
            literal = self._next_decision(assumptions)
            if literal is None:
                return False
            if not literal:
                self._model = [
                    v if self._values.get(v, False) else -v for v in range(1, self._top + 1)
                ]
                return True
            self._marks.append(len(self._trail))
            self._assign(literal, None)

    def _next_decision(self, assumptions: Sequence[int]) -> int | None:
        """The next assumption or choice; 0 where all is settled, None where one is refuted."""
        while len(self._marks) < len(assumptions):
            literal = assumptions[len(self._marks)]
            value = self._get(literal)
            if value is None:
                return literal
            if not value:
                self._core = self._explain(literal, set(assumptions))
                return None
            self._marks.append(len(self._trail))
        return self._decide()

    def _explain(self, literal: int, assumptions: set[int]) -> list[int]:
        """Assumptions that refute an assumption."""
        seen, core = {abs(literal)}, [literal]
        for each in reversed(self._trail):
            variable = abs(each)
            if variable not in seen or not self._levels[variable]:
                continue
            reason = self._reasons[variable]
            if reason is None:
                if each in assumptions and each not in core:
                    core.append(each)
            else:
                seen.update(abs(other) for other in reason)
        return core

    def get_model(self) -> Sequence[int]:
        """After a yes: literals, the one of variable ``v`` at place ``v - 1``."""
        return self._model

    def get_core(self) -> list[int]:
        """After a no: assumptions that cannot hold together."""
        return self._core

    def propagate(self, assumptions: Sequence[int]) -> tuple[bool, list[int]]:
        """What follows by unit propagation alone, and whether it is free of contradiction."""
        self._undo(0)
        if not self._consistent:
            return False, []
        for literal in assumptions:
            self._know(abs(literal))
            value = self._get(literal)
            if value is None:
                self._marks.append(len(self._trail))
                self._assign(literal, None)
                if self._propagate() is None:
                    continue
            elif value:
                continue
            found = list(self._trail)
            self._undo(0)
            return False, found
        found = list(self._trail)
        self._undo(0)
        return True, found

    def set_phases(self, literals: Iterable[int]) -> None:
        """Values that are tried first."""
        for literal in literals:
            self._phases[abs(literal)] = literal > 0

    def stop_when(self, is_late: Callable[[], bool]) -> None:
        """From now on raise OutOfTimeError where this says so in the middle of a search."""
        self._is_late = is_late

    def close(self) -> None:
        """Nothing to give back."""


def _luby(place: int) -> int:
    """Member of the sequence 1 1 2 1 1 2 4 1 1 2 1 1 2 4 8 ..."""
    size = 1
    while size < place + 1:
        size *= 2
    while size - 1 != place:
        size //= 2
        if place > size - 1:
            place -= size - 1
        while size // 2 - 1 >= place and size > 1:
            size //= 2
    return size // 2
