"""Find repairs of an option list in order of cost, loading only the rules that a repair touches.

Every option keeps its declared value until some loaded rule speaks against it. The cheapest change
that satisfies the loaded rules costs no more than the cheapest repair; where it breaks no other
rule either, it *is* the cheapest repair. Otherwise the broken rules are loaded and the search goes
on where it was. Later repairs must not contain an earlier one, so each one is minimal.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.core_guided import CoreGuidedSearch
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.lazy_rules import LazyRules
from donorfit.equipment.plain_solver import OutOfTimeError
from donorfit.equipment.rule_clauses import list_all_clauses
from donorfit.equipment.sat import make_solver
from donorfit.equipment.whole_list import get_whole_list_check

SMALL_BASE = 1_500
"""Options up to which all rules are loaded at once."""

MOST_ROUNDS = 100
"""Rounds of loading after which the rest of the rules is loaded at once."""

__all__ = ["MonthRange", "OutOfTimeError", "Problem", "RepairSearch", "Solution"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthRange:
    """What may be done with the build month.

    Attributes:
        segment: segment of the declared month.
        wishes: for each limit what it costs to end up on its other side; empty where the month
            is fixed.
        free: whether no month is declared.
    """

    segment: int
    wishes: tuple[int, ...] = ()
    free: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A list to be repaired, in places of the columns.

    Attributes:
        declared: options that are declared.
        fixed: hard facts: option and whether it must be on.
        costs: cost of flipping each option, whole numbers from 1 on.
        structure: options that only give structure: flipped silently, for next to nothing.
        month: what may be done with the build month.
        plain: use our own solver even where python-sat is installed.
        load_all: load every rule at once; None leaves that to the size of the rule base.
    """

    declared: Sequence[int]
    fixed: Mapping[int, bool]
    costs: Sequence[int]
    structure: frozenset[int] = frozenset()
    month: MonthRange = MonthRange(segment=0)
    plain: bool = False
    load_all: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """One minimal repair.

    Attributes:
        flips: options that change, those that only give structure included.
        segment: segment of build months it ends in.
        cost: what its flips and its month cost.
    """

    flips: tuple[int, ...]
    segment: int
    cost: int


class RepairSearch:
    """One search over one problem; solutions come one by one, cheapest first."""

    def __init__(
        self,
        compiled: Compiled,
        problem: Problem,
        is_late: Callable[[], bool] | None = None,
    ) -> None:
        self.compiled = compiled
        self.problem = problem
        self._whole = get_whole_list_check(compiled)
        bits = self._whole.make_bits(problem.declared)
        for option, value in problem.fixed.items():
            bits[option] = value
        self._bits = bits
        raw = bytes(bits)
        self._raw = raw
        self._local: dict[int, int] = {}
        self._next_local = 1
        self._next_global = compiled.top + 1
        self.rules = LazyRules(compiled, raw, self._take_global)
        self._solver = make_solver(plain=problem.plain)
        self._late = is_late
        if is_late is not None:
            self._solver.stop_when(is_late)
        self.search = CoreGuidedSearch(
            self._solver, self._take_local, self._release, self._is_late
        )
        self._scale = len(problem.structure) + 1
        self._options: dict[int, int] = {}
        self._changeable: dict[int, int] = {}
        self._broken: dict[int, list[Handle]] = {}
        self._loaded: set[Clause] = set()
        self._rounds = 0
        self._complete = False
        self._prepare()

    def _is_late(self) -> bool:
        return self._late is not None and self._late()

    def _take_local(self) -> int:
        self._next_local += 1
        return self._next_local - 1

    def _take_global(self) -> int:
        self._next_global += 1
        return self._next_global - 1

    def _release(self, literal: int) -> None:
        """A wish was given up: its option may flip from now on."""
        option = self._options.get(abs(literal))
        if option is not None:
            self._changeable[option] = abs(literal)

    def _map(self, literal: int) -> int:
        variable = abs(literal)
        local = self._local.get(variable)
        if local is None:
            local = self._local[variable] = self._take_local()
            if variable <= self.compiled.count:
                self._meet_option(variable - 1, local)
        return local if literal > 0 else -local

    def _meet_option(self, option: int, local: int) -> None:
        """A rule that mentions an option is loaded for the first time."""
        value = self.problem.fixed.get(option)
        if value is not None:
            self._solver.add([local if value else -local])
            return
        self._options[local] = option
        cost = 1 if option in self.problem.structure else self.problem.costs[option] * self._scale
        self.search.wish(local if self._raw[option] else -local, cost)

    def _prepare(self) -> None:
        compiled, month = self.compiled, self.problem.month
        load_all = self.problem.load_all
        if compiled.count <= SMALL_BASE if load_all is None else load_all:
            self._load_all()
        for clause in compiled.background:
            self._load(clause)
        for place, variable in enumerate(compiled.months):
            local = self._map(variable)
            self._solver.add((local, -local))  # so that every model has a value for it
            literal = local if place < month.segment else -local
            if month.wishes:
                self.search.wish(literal, month.wishes[place] * self._scale)
            elif not month.free:
                self._solver.add([literal])
        for rule in compiled.cross:
            if rule.free:
                for clause in rule.clauses:
                    self._load((*clause, *rule.guard))

    def _load_all(self) -> None:
        """Load every rule; from now on no list that is found can break one."""
        clauses, top = list_all_clauses(self.compiled)
        self._next_global = max(self._next_global, top + 1)
        alike = not self._local
        if alike:
            self._local = {variable: variable for variable in range(1, top + 1)}
            self._next_local = top + 1
            for option in range(self.compiled.count):
                self._meet_option(option, option + 1)
        load = self._solver.add if alike else self._load  # alike: nothing to translate
        for clause in clauses:
            load(clause)
        self._complete = True

    def _load(self, clause: Clause) -> None:
        self._solver.add([self._map(literal) for literal in clause])

    def find_broken(self, segment: int) -> list[Handle]:
        """Rules that the list with its hard facts breaks in a segment; found once each."""
        found = self._broken.get(segment)
        if found is None:
            found = self._broken[segment] = self._whole.find_broken(self._bits, segment)
        return found

    def list_solutions(self) -> Iterator[Solution]:
        """All minimal repairs, cheapest first.

        Raises:
            OutOfTimeError: time is up; what came before is proven.
        """
        while True:
            if not self.search.solve():
                return
            model = self._solver.get_model()
            flips = {
                option: None
                for option, local in self._changeable.items()
                if (model[local - 1] > 0) != bool(self._raw[option])
            }
            segment = self._read_segment(model)
            if not self._complete and self._load_broken(flips, segment):
                continue
            yield self._make_solution(flips, segment)
            if not self._block(flips, segment):
                return

    def _load_broken(self, flips: dict[int, None], segment: int) -> bool:
        """Load what the list that was found breaks; whether it breaks anything.

        Raises:
            OutOfTimeError: time is up.
        """
        handles = dict.fromkeys(self.find_broken(segment))
        handles.update(self.rules.list_touched(flips))
        broken = self.rules.list_broken(handles, flips, segment)
        if not broken:
            return False
        if self._is_late():
            raise OutOfTimeError
        self._rounds += 1
        if self._rounds > MOST_ROUNDS:
            self._load_all()
            return True
        for clause in broken:
            if clause not in self._loaded:
                self._loaded.add(clause)
                self._load(clause)
        return True

    def _read_segment(self, model: Sequence[int]) -> int:
        if not self.compiled.limits:
            return 0
        return sum(model[self._local[variable] - 1] > 0 for variable in self.compiled.months)

    def _make_solution(self, flips: dict[int, None], segment: int) -> Solution:
        problem = self.problem
        cost = sum(problem.costs[o] for o in flips if o not in problem.structure)
        if problem.month.wishes:
            low, high = sorted((segment, problem.month.segment))
            cost += sum(problem.month.wishes[low:high])
        return Solution(flips=tuple(flips), segment=segment, cost=cost)

    def _block(self, flips: dict[int, None], segment: int) -> bool:
        """Forbid this repair and all that contain it; False where it changes nothing."""
        month = self.problem.month
        clause = [
            self._changeable[option] if self._raw[option] else -self._changeable[option]
            for option in flips
            if option not in self.problem.structure
        ]
        if month.wishes and segment != month.segment:
            variables = self.compiled.months
            if segment > month.segment:
                clause.append(-self._local[variables[segment - 1]])
            else:
                clause.append(self._local[variables[segment]])
        if not clause:
            return False
        self._solver.add(clause)
        return True

    def list_loaded(self) -> tuple[Clause, ...] | None:
        """Clauses that the search needed so far; None where all rules were loaded."""
        return None if self._complete else tuple(self._loaded)

    def close(self) -> None:
        """Give the solver's memory back."""
        self._solver.close()
