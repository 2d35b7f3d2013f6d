"""Random small rule bases, written as UVL and judged by counting everything out."""

import itertools
import operator
from dataclasses import dataclass, field
from typing import Any

from hypothesis import strategies as st

MONTHS = ("2020-12", "2021-01", "2021-02", "2021-03", "2021-04")
LIMITS = MONTHS[1:]
KINDS = ("optional", "mandatory", "or", "alternative", "[1..2]", "[2..2]", "[0..1]", "[0..2]")


@dataclass
class Model:
    """A tree of options ``o0 ...`` with groups and rules; judged without the project's code."""

    parents: list[int] = field(default_factory=list)
    groups: list[tuple[int, str, list[int]]] = field(default_factory=list)
    rules: list[tuple[Any, str, str]] = field(default_factory=list)
    windows: dict[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        return [f"o{place}" for place in range(len(self.parents))]

    def write(self) -> str:
        lines = ["features"]
        self._write_option(0, 1, lines)
        lines.append("constraints")
        for expression, start, end in self.rules:
            guards = [f"build_month >= {start.replace('-', '')}"] if start else []
            guards += [f"build_month < {end.replace('-', '')}"] if end else []
            text = write(expression)
            lines.append(f"\t{' & '.join(guards)} => ({text})" if guards else f"\t{text}")
        return "\n".join(lines) + "\n"

    def _write_option(self, option: int, depth: int, lines: list[str]) -> None:
        start, end = self.windows.get(option, ("", ""))
        limits = [f"valid_from '{start}'"] if start else []
        limits += [f"valid_before '{end}'"] if end else []
        lines.append("\t" * depth + f"o{option}" + (f" {{{', '.join(limits)}}}" if limits else ""))
        if not option:
            lines.append("\t" * (depth + 1) + "optional")
            lines.append("\t" * (depth + 2) + "Integer build_month")
        for parent, kind, members in self.groups:
            if parent == option:
                lines.append("\t" * (depth + 1) + kind)
                for member in members:
                    self._write_option(member, depth + 2, lines)

    def holds(self, on: frozenset[int], month: str) -> bool:
        if 0 not in on or any(self.parents[o] not in on for o in on if o):
            return False
        for parent, kind, members in self.groups:
            if parent in on and not group_holds(kind, len(members), len(on & set(members))):
                return False
        for option, (start, end) in self.windows.items():
            if option in on and not ((not start or month >= start) and (not end or month < end)):
                return False
        return all(
            judge(expression, on)
            for expression, start, end in self.rules
            if (not start or month >= start) and (not end or month < end)
        )

    def list_lists(self, month: str) -> list[frozenset[int]]:
        places = range(len(self.parents))
        return [
            frozenset(on)
            for size in range(len(self.parents) + 1)
            for on in itertools.combinations(places, size)
            if self.holds(frozenset(on), month)
        ]


def group_holds(kind: str, size: int, count: int) -> bool:
    match kind:
        case "optional":
            return True
        case "mandatory":
            return count == size
        case "or":
            return count >= 1
        case "alternative":
            return count == 1
    low, high = map(int, kind.strip("[]").split(".."))
    return low <= count <= high


def count_least(kind: str, size: int) -> int:
    words = {"optional": 0, "mandatory": size, "or": 1, "alternative": 1}
    return words[kind] if kind in words else int(kind[1])


JOINS = {
    "&": operator.and_,
    "|": operator.or_,
    "=>": lambda a, b: (not a) or b,
    "<=>": operator.eq,
}


def judge(expression: Any, on: frozenset[int]) -> bool:
    if isinstance(expression, int):
        return expression in on
    if expression[0] == "!":
        return not judge(expression[1], on)
    return JOINS[expression[0]](judge(expression[1], on), judge(expression[2], on))


def write(expression: Any) -> str:
    if isinstance(expression, int):
        return f"o{expression}"
    if expression[0] == "!":
        return f"!({write(expression[1])})"
    return f"({write(expression[1])}) {expression[0]} ({write(expression[2])})"


@st.composite
def models(draw: st.DrawFn, *, largest: int = 7, months: bool = True) -> Model:
    model = Model(parents=[-1])
    count = draw(st.integers(1, largest))
    while len(model.parents) < count:
        parent = draw(st.integers(0, len(model.parents) - 1))
        size = draw(st.integers(1, 3))
        kinds = [k for k in KINDS if not k.startswith("[2") or size >= 2]
        kind = draw(st.sampled_from(kinds))
        members = list(range(len(model.parents), len(model.parents) + size))
        model.parents += [parent] * size
        model.groups.append((parent, kind, members))
    leaf = st.integers(0, len(model.parents) - 1)
    expressions = st.recursive(
        leaf,
        lambda inner: st.one_of(
            st.tuples(st.just("!"), inner), st.tuples(st.sampled_from(list(JOINS)), inner, inner)
        ),
        max_leaves=5,
    )
    limits = st.sampled_from(("", *LIMITS)) if months else st.just("")
    for _ in range(draw(st.integers(0, 4))):
        start, end = draw(limits), draw(limits)
        if start and end and start >= end:
            end = ""
        model.rules.append((draw(expressions), start, end))
    for option in range(1, len(model.parents)):
        if months and draw(st.integers(0, 5)) == 0:
            start, end = draw(limits), draw(limits)
            if start and end and start >= end:
                end = ""
            if start or end:
                model.windows[option] = (start, end)
    return model
