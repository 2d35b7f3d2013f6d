"""All rules of a base in solvers that are kept, for questions that come again and again.

Every value that all possible lists share is found in three parts: first what follows step by step;
then, on the skeleton, models that disagree with as many of the open values as they can, until only
values are left that no model disagrees with (after Janota, Lynce and Marques-Silva, AI
Communications 28, 2015); last what follows from these.
"""

from collections.abc import Iterable, Sequence
from functools import lru_cache

from donorfit.equipment.compiled import Compiled
from donorfit.equipment.rule_clauses import list_all_clauses
from donorfit.equipment.sat import SatSolver, make_solver
from donorfit.equipment.skeleton import Skeleton, make_skeleton

MOST_MODELS = 4_000
"""Models that are kept for later questions."""

MOST_FULL_QUESTIONS = 8
"""Questions that are put to all rules before the skeleton is made; it costs as much as a dozen."""


class Warm:
    """Solvers over all rules and over the skeleton; questions are assumptions.

    Attributes:
        compiled: the rules.
        solver: solver over all rules that searches. A second one only follows: what a solver has
            learnt for good, or was given as a clause of one literal, it no longer tells.
        units: literals that hold in every list.
    """

    def __init__(self, compiled: Compiled, *, plain: bool = False) -> None:
        self.compiled = compiled
        self._plain = plain
        clauses: list[Sequence[int]] = []
        units: list[int] = []
        for clause in list_all_clauses(compiled)[0]:
            if len(clause) == 1:
                units.append(clause[0])
            else:
                clauses.append(clause)
        self._clauses = clauses
        self._follower: SatSolver | None = None
        self.solver: SatSolver = make_solver(clauses, plain=plain)
        self.solver.add((max(1, compiled.top), -max(1, compiled.top)))  # models reach that far
        self.units = units
        self._skeleton: Skeleton | None = None
        self._inner: SatSolver | None = None
        self._always: list[int] | None = None
        self._pool: list[int] = []
        self._questions = 0

    @property
    def skeleton(self) -> Skeleton:
        """The skeleton, made when it is first asked for."""
        if self._skeleton is None:
            self._skeleton = make_skeleton(self.compiled)
        return self._skeleton

    @property
    def inner(self) -> SatSolver:
        """Solver over the skeleton."""
        if self._inner is None:
            self._inner = make_solver(self.skeleton.clauses, plain=self._plain)
            self._inner.add((max(1, self.skeleton.top), -max(1, self.skeleton.top)))
        return self._inner

    def follow(self, facts: Sequence[int]) -> list[int] | None:
        """What follows step by step; None where that runs into a contradiction."""
        if self._follower is None:
            self._follower = make_solver(self._clauses, plain=self._plain)
        ok, found = self._follower.propagate([*self.units, *facts])
        return found if ok else None

    def follow_known(self, facts: Sequence[int]) -> list[int] | None:
        """Like :meth:`follow`, with what is known to hold always once a complete answer was given.

        That makes the quick answer to a click nearly complete, at the same cost.
        """
        return self.follow([*facts, *(self._always or ())])

    def holds(self, facts: Sequence[int]) -> bool:
        """Whether some possible list agrees with the facts."""
        return self.solver.solve([*self.units, *facts])

    def solve(self, assumptions: Sequence[int]) -> bool:
        """Like :meth:`holds`; a yes comes from the skeleton once that is worth its making.

        A no always comes from all rules, so that there is a core; a no is found early anyway.
        """
        self._questions += 1
        skeleton = self._skeleton
        if skeleton is None and self._questions > MOST_FULL_QUESTIONS:
            skeleton = self.skeleton
        if skeleton is not None and self._agrees(skeleton, assumptions):
            return True
        return self.holds(assumptions)

    def _agrees(self, skeleton: Skeleton, facts: Sequence[int]) -> bool:
        """Whether the skeleton agrees; what is outside it is decided step by step."""
        known: Iterable[int] = facts
        if not all(abs(literal) in skeleton.variables for literal in facts):
            found = self.follow(facts)
            if found is None:
                return False
            known = found
        return self.inner.solve([*skeleton.units, *skeleton.project(known)])

    def get_core(self) -> list[int]:
        """After a no: the facts that cannot hold together."""
        units = set(self.units)
        return [literal for literal in self.solver.get_core() if literal not in units]

    def find_forced(self, facts: Sequence[int]) -> list[int] | None:
        """All values of options that follow from the facts, the facts themselves included.

        Returns:
            The literals; None where no list agrees with the facts.
        """
        if self._always is None:
            self._always = []
            self._always = self._search(self.follow([]) or []) or []
        known = [*facts, *self._always]
        found = self.follow(known)
        if found is None:
            return None
        extra = self._search(found)
        if extra is None:
            return None
        if extra:
            found = self.follow([*known, *extra])
        if found is None:
            return None
        count = self.compiled.count
        return [literal for literal in found if abs(literal) <= count]

    def _search(self, found: Sequence[int]) -> list[int] | None:
        """On the skeleton: values that follow beyond those found already."""
        skeleton, solver = self.skeleton, self.inner
        assumed = [*skeleton.units, *skeleton.project(found)]
        if not solver.solve(assumed):
            return None
        decided = {abs(literal) for literal in assumed}
        model = solver.get_model()
        open_ones = {model[v - 1] for v in skeleton.watched if v not in decided}
        self._ask_pool(assumed, open_ones)
        forced: list[int] = []
        while open_ones:
            solver.set_phases([-literal for literal in open_ones])
            literal = next(iter(open_ones))
            if solver.solve([*assumed, -literal]):
                model = solver.get_model()
                open_ones.intersection_update(model)
                self._remember(model)
                continue
            assumed.append(literal)
            _, more = solver.propagate(assumed)
            fresh = open_ones.intersection(more) | {literal}
            open_ones -= fresh
            forced += fresh
        return self._expand(forced)

    def _remember(self, model: Sequence[int]) -> None:
        """Keep a model as one large number, a bit for each option that is watched."""
        if len(self._pool) < MOST_MODELS:
            bits = "".join("1" if model[v - 1] > 0 else "0" for v in self.skeleton.watched)
            self._pool.append(int(bits, 2) if bits else 0)

    def _ask_pool(self, assumed: Sequence[int], open_ones: set[int]) -> None:
        """Clear away what models of earlier questions that agree with the facts disagree with."""
        places = self.skeleton.places
        on = off = 0
        for literal in assumed:
            bit = places.get(abs(literal), 0)
            if literal > 0:
                on |= bit
            else:
                off |= bit
        always_on = always_off = -1
        for model in self._pool:
            if model & on == on and not model & off:
                always_on &= model
                always_off &= ~model
        cleared = [
            literal
            for literal in open_ones
            if not places[abs(literal)] & (always_on if literal > 0 else always_off)
        ]
        open_ones.difference_update(cleared)

    def _expand(self, forced: Sequence[int]) -> list[int]:
        """Values in terms of options; a stand-in that must be on says nothing of each option."""
        skeleton = self.skeleton
        found: list[int] = []
        for literal in forced:
            options = skeleton.stand_ins.get(abs(literal))
            if options is None:
                option = skeleton.options[abs(literal)]
                found.append(option + 1 if literal > 0 else -option - 1)
            elif literal < 0:
                found += [-option - 1 for option in options]
            elif len(options) == 1:
                found.append(options[0] + 1)
        return found


@lru_cache(maxsize=2)
def get_warm(compiled: Compiled) -> Warm:
    """The solvers of a rule base; made once."""
    return Warm(compiled)


def as_literals(options: Iterable[int], *, on: bool) -> list[int]:
    """Literals of options that are on or off."""
    return [option + 1 if on else -option - 1 for option in options]
