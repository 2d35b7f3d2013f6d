"""Random rule bases with everything the reader knows, and their encoding for CP-SAT.

CP-SAT (OR-tools) is a solver of another family: constraint propagation with lazy clause generation
and linear relaxation, no MaxSAT. Nothing here uses the project's code: the rules are written as
UVL for the one side and posted as linear and Boolean constraints for the other.
"""

import random
from dataclasses import dataclass, field
from typing import Any

from ortools.sat.python import cp_model

MONTHS = ("2020-12", "2021-01", "2021-02", "2021-03", "2021-04")
LIMITS = MONTHS[1:]
KINDS = ("optional", "mandatory", "or", "alternative", "[1..2]", "[2..3]", "[0..1]", "[2..*]")
LARGEST = 9
OPERATORS = ("<", "<=", ">", ">=", "==", "!=")
OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<", "==": "!=", "!=": "=="}


@dataclass
class Model:
    """Options ``o0 ...`` in a tree; formulas are nested tuples.

    Attributes:
        parents: parent of each option.
        groups: parent, kind, members.
        rules: formula, first month, month after the last; empty texts for no limit.
        windows: the same limits for options.
        weights: attribute ``weight`` of some options.
        typed: whole-number options.
    """

    parents: list[int] = field(default_factory=lambda: [-1])
    groups: list[tuple[int, str, list[int]]] = field(default_factory=list)
    rules: list[tuple[Any, str, str]] = field(default_factory=list)
    windows: dict[int, tuple[str, str]] = field(default_factory=dict)
    weights: dict[int, int] = field(default_factory=dict)
    typed: set[int] = field(default_factory=set)

    def write(self) -> str:
        lines = ["features"]
        self._write_option(0, 1, lines)
        lines.append("constraints")
        for formula, start, end in self.rules:
            guards = [f"build_month >= {start.replace('-', '')}"] if start else []
            guards += [f"build_month < {end.replace('-', '')}"] if end else []
            text = write(formula)
            lines.append(f"\t{' & '.join(guards)} => ({text})" if guards else f"\t{text}")
        return "\n".join(lines) + "\n"

    def _write_option(self, option: int, depth: int, lines: list[str]) -> None:
        start, end = self.windows.get(option, ("", ""))
        said = [f"valid_from '{start}'"] if start else []
        said += [f"valid_before '{end}'"] if end else []
        said += [f"weight {self.weights[option]}"] if option in self.weights else []
        kind = "Integer " if option in self.typed else ""
        text = f"{kind}o{option}" + (f" {{{', '.join(said)}}}" if said else "")
        lines.append("\t" * depth + text)
        if not option:
            lines.append("\t" * (depth + 1) + "optional")
            lines.append("\t" * (depth + 2) + "Integer build_month")
        for parent, kind, members in self.groups:
            if parent == option:
                lines.append("\t" * (depth + 1) + kind)
                for member in members:
                    self._write_option(member, depth + 2, lines)

    def list_below(self, option: int) -> list[int]:
        """An option and all below it."""
        found = [option]
        for each in range(option + 1, len(self.parents)):
            if self.parents[each] in found:
                found.append(each)
        return found


def write(formula: Any) -> str:
    match formula:
        case int():
            return f"o{formula}"
        case ("!", inner):
            return f"!({write(inner)})"
        case ("number", option, sign, bound):
            return f"o{option} {sign} {bound}"
        case ("sum", root, sign, bound):
            return f"sum({f'o{root}, ' if root else ''}weight) {sign} {bound}"
        case (sign, left, right):
            return f"({write(left)}) {sign} ({write(right)})"
    raise TypeError(formula)


def make_model(rng: random.Random, largest: int = 14) -> Model:
    """A random model; some have no possible list."""
    model = Model()
    count = rng.randint(1, largest)
    while len(model.parents) < count:
        parent = rng.randrange(len(model.parents))
        size = rng.randint(1, 4)
        kind = rng.choice([k for k in KINDS if not k.startswith("[2") or size >= 3])
        members = list(range(len(model.parents), len(model.parents) + size))
        model.parents += [parent] * size
        model.groups.append((parent, kind, members))
    options = range(len(model.parents))
    model.weights = {o: rng.randint(-2, 6) for o in options if rng.random() < 0.4}
    model.typed = {o for o in options[1:] if rng.random() < 0.1}
    model.rules = [(make_formula(rng, model), *make_limits(rng)) for _ in range(rng.randint(0, 7))]
    spans = ((o, make_limits(rng)) for o in options[1:] if rng.random() < 0.15)
    model.windows = {o: span for o, span in spans if any(span)}
    return model


def make_limits(rng: random.Random) -> tuple[str, str]:
    start, end = rng.choice(("", "", *LIMITS)), rng.choice(("", "", *LIMITS))
    return (start, "") if start and end and start >= end else (start, end)


def make_formula(rng: random.Random, model: Model, depth: int = 3) -> Any:
    draw = rng.random()
    if draw < 0.08 and model.weights:
        root = rng.randrange(len(model.parents))
        root = root if any(o in model.weights for o in model.list_below(root)) else 0
        return ("sum", root, rng.choice(OPERATORS), rng.randint(-1, 8))
    if draw < 0.2 and model.typed:
        option = rng.choice(sorted(model.typed))
        return ("number", option, rng.choice(OPERATORS), rng.randint(-2, LARGEST - 2))
    if depth == 0 or draw < 0.45:
        return rng.randrange(len(model.parents))
    if draw < 0.6:
        return ("!", make_formula(rng, model, depth - 1))
    sign = rng.choice(("&", "|", "=>", "=>", "<=>"))
    return (sign, make_formula(rng, model, depth - 1), make_formula(rng, model, depth - 1))


class Posted:
    """A model as constraints of CP-SAT.

    Attributes:
        cp: the constraints.
        on: one Boolean an option.
        months: one Boolean a month; exactly one is true.
    """

    def __init__(self, model: Model) -> None:
        self.cp = cp_model.CpModel()
        self.on = [self.cp.new_bool_var(f"o{o}") for o in range(len(model.parents))]
        self.months = [self.cp.new_bool_var(month) for month in MONTHS]
        self._model = model
        self._numbers = {o: self.cp.new_int_var(-LARGEST, LARGEST, f"n{o}") for o in model.typed}
        self.cp.add_exactly_one(self.months)
        self.cp.add(self.on[0] == 1)
        for option, parent in enumerate(model.parents[1:], 1):
            self.cp.add_implication(self.on[option], self.on[parent])
        for parent, kind, members in model.groups:
            low, high = count_members(kind, len(members))
            total = sum(self.on[m] for m in members)
            self.cp.add(total >= low).only_enforce_if(self.on[parent])
            self.cp.add(total <= high).only_enforce_if(self.on[parent])
        for formula, start, end in model.rules:
            truth = self._post(formula)
            for month in self._list_months(start, end):
                self.cp.add_implication(month, truth)
        for option, (start, end) in model.windows.items():
            inside = self._list_months(start, end)
            for month in self.months:
                if month not in inside:
                    self.cp.add_implication(month, ~self.on[option])

    def _list_months(self, start: str, end: str) -> list[Any]:
        return [
            variable
            for month, variable in zip(MONTHS, self.months, strict=True)
            if (not start or month >= start) and (not end or month < end)
        ]

    def _post(self, formula: Any) -> Any:
        match formula:
            case int():
                return self.on[formula]
            case ("!", inner):
                return ~self._post(inner)
            case ("number", option, sign, bound):
                return self._compare(self._numbers[option], sign, bound)
            case ("sum", root, sign, bound):
                model = self._model
                members = [o for o in model.list_below(root) if o in model.weights]
                return self._compare(
                    sum(model.weights[o] * self.on[o] for o in members), sign, bound
                )
            case (sign, left, right):
                return self._join(sign, self._post(left), self._post(right))
        raise TypeError(formula)

    def _join(self, sign: str, left: Any, right: Any) -> Any:
        truth = self.cp.new_bool_var("")
        if sign == "<=>":
            self.cp.add(left == right).only_enforce_if(truth)
            self.cp.add(left != right).only_enforce_if(~truth)
        elif sign == "&":
            self.cp.add_bool_and(left, right).only_enforce_if(truth)
            self.cp.add_bool_or(~left, ~right).only_enforce_if(~truth)
        else:
            left = ~left if sign == "=>" else left
            self.cp.add_bool_or(left, right).only_enforce_if(truth)
            self.cp.add_bool_and(~left, ~right).only_enforce_if(~truth)
        return truth

    def _compare(self, total: Any, sign: str, bound: int) -> Any:
        truth = self.cp.new_bool_var("")
        self.cp.add(compare(total, sign, bound)).only_enforce_if(truth)
        self.cp.add(compare(total, OPPOSITE[sign], bound)).only_enforce_if(~truth)
        return truth

    def solve(self, facts: Any = ()) -> cp_model.CpSolver | None:
        """A solution that agrees with some literals; None where there is none."""
        self.cp.clear_assumptions()
        if facts:
            self.cp.add_assumptions(list(facts))
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.cp_model_presolve = False
        status = solver.solve(self.cp)
        assert status in {cp_model.OPTIMAL, cp_model.INFEASIBLE}, solver.status_name(status)
        return solver if status == cp_model.OPTIMAL else None


def compare(total: Any, sign: str, bound: int) -> Any:
    match sign:
        case "<":
            return total < bound
        case "<=":
            return total <= bound
        case ">":
            return total > bound
        case ">=":
            return total >= bound
        case "==":
            return total == bound
    return total != bound


def count_members(kind: str, size: int) -> tuple[int, int]:
    words = {
        "optional": (0, size),
        "mandatory": (size, size),
        "or": (1, size),
        "alternative": (1, 1),
    }
    if kind in words:
        return words[kind]
    low, high = kind.strip("[]").split("..")
    return int(low), size if high == "*" else int(high)


@dataclass
class Task:
    """A list to be repaired: options on, hard facts, costs, month and what moving it costs."""

    on: frozenset[int]
    hard: dict[int, bool]
    costs: list[int]
    month: int
    month_cost: int


def make_task(rng: random.Random, model: Model) -> Task:
    options = range(len(model.parents))
    return Task(
        on=frozenset(o for o in options if rng.random() < 0.5),
        hard={o: rng.random() < 0.6 for o in options if rng.random() < 0.15},
        costs=[rng.randint(1, 9) for _ in options],
        month=rng.randrange(len(MONTHS)),
        month_cost=rng.choice((0, 1, 4)),
    )


def list_repairs(model: Model, task: Task, top: int) -> list[int]:
    """Costs of the cheapest minimal repairs; a month cost of 0 keeps the month."""
    posted = Posted(model)
    cp, on = posted.cp, posted.on
    for option, value in task.hard.items():
        cp.add(on[option] == int(value))
    free = [o for o in range(len(on)) if o not in task.hard]
    flips = {o: ~on[o] if o in task.on else on[o] for o in free}
    if not task.month_cost:
        cp.add(posted.months[task.month] == 1)
    moves = [abs(m - task.month) * task.month_cost for m in range(len(MONTHS))]
    cost = sum(task.costs[o] * flips[o] for o in free)
    cp.minimize(cost + sum(c * m for c, m in zip(moves, posted.months, strict=True)))
    found: list[int] = []
    while len(found) < top and (solver := posted.solve()) is not None:
        found.append(round(solver.objective_value))
        flipped = [o for o in free if solver.boolean_value(flips[o])]
        month = next(m for m, each in enumerate(posted.months) if solver.boolean_value(each))
        away = [
            each
            for m, each in enumerate(posted.months)
            if (m > month if month < task.month else m < month) and month != task.month
        ]
        clause = [~flips[o] for o in flipped] + away
        if not clause:
            break
        cp.add_bool_or(clause)
    return found


def find_cheapest_by_month(model: Model, task: Task) -> list[int | None]:
    """Cost of the cheapest change of options in each month; None where there is none."""
    return [
        next(iter(list_repairs(model, Task(task.on, task.hard, task.costs, m, 0), 1)), None)
        for m in range(len(MONTHS))
    ]


def find_core_and_dead(model: Model) -> tuple[set[int], set[int]] | None:
    """Options that are on in every list of every month, and in none; None without any list."""
    posted = Posted(model)
    if posted.solve() is None:
        return None
    options = range(len(model.parents))
    core = {o for o in options if posted.solve([~posted.on[o]]) is None}
    return core, {o for o in options if posted.solve([posted.on[o]]) is None}
