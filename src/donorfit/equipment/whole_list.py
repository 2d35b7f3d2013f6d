"""Judge a whole option list against all rules at once, with arrays.

What is found is the exact set of broken rules, as handles: ``("root",)``, ``("parent", option)``,
``("group", group)``, ``("rule", place in cross)``, ``("window", option)``.
"""

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from donorfit.equipment.compiled import Compiled

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Bits = npt.NDArray[np.uint8]

Handle = tuple[str, int]
ROOT: Handle = ("root", 0)


class WholeListCheck:
    """Arrays over all rules; each check walks over them once.

    Attributes:
        compiled: the rules.
        slow: rules across the tree that are judged one by one, those without typed options.
    """

    def __init__(self, compiled: Compiled) -> None:
        import numpy as np  # noqa: PLC0415 - takes 90 ms; only reasoning needs it

        self._np = np
        self.compiled = compiled
        rules, count = compiled.rules, compiled.count
        parents = np.array(rules.parents, dtype=np.int32)
        parents[parents < 0] = count
        self._parents = parents
        self._root = compiled.root
        filled = [g for g, members in enumerate(rules.group_members) if members]
        self._groups = np.array(filled, dtype=np.int32)
        self._members = _flatten(np, [rules.group_members[g] for g in filled])
        sizes = [len(rules.group_members[g]) for g in filled]
        self._starts = np.cumsum([0, *sizes[:-1]], dtype=np.int64) if filled else None
        self._group_parents = np.array([rules.group_parents[g] for g in filled], dtype=np.int32)
        limits = [compiled.get_limits(g) for g in filled]
        self._lows = np.array([low for low, _ in limits], dtype=np.int32)
        self._highs = np.array([high for _, high in limits], dtype=np.int32)
        self._make_clauses()
        self._make_windows()

    def _make_clauses(self) -> None:
        np, cross = self._np, self.compiled.cross
        plain = [(place, rule) for place, rule in enumerate(cross) if rule.plain]
        self.slow = [place for place, rule in enumerate(cross) if not rule.plain and not rule.free]
        owners = [place for place, rule in plain for _ in rule.clauses]
        clauses = [clause for _, rule in plain for clause in rule.clauses]
        literals = _flatten(np, clauses)
        self._variables = np.abs(literals) - 1
        self._signs = (literals > 0).astype(np.uint8)
        sizes = [len(clause) for clause in clauses]
        self._clause_starts = np.cumsum([0, *sizes[:-1]], dtype=np.int64) if clauses else None
        self._owners = np.array(owners, dtype=np.int32)
        self._from = np.array([cross[o].segments[0] for o in owners], dtype=np.int32)
        self._before = np.array([cross[o].segments[1] for o in owners], dtype=np.int32)
        self._limited = any(cross[o].guard for o in owners)

    def _make_windows(self) -> None:
        np, windows = self._np, self.compiled.windows
        self._window_options = np.array(list(windows), dtype=np.int32)
        self._window_from = np.array([w[0] for w in windows.values()], dtype=np.int32)
        self._window_before = np.array([w[1] for w in windows.values()], dtype=np.int32)

    def make_bits(self, places: "list[int] | tuple[int, ...]") -> "Bits":
        """An array with a one for each option that is on, and a last one for "no parent"."""
        bits = self._np.zeros(self.compiled.count + 1, dtype=self._np.uint8)
        bits[-1] = 1
        if places:
            bits[places] = 1
        return bits

    def find_broken(self, bits: "Bits", segment: int) -> list[Handle]:
        """Every rule that the list breaks in a segment of build months."""
        np = self._np
        on = bits[:-1]
        broken: list[Handle] = []
        if self._root >= 0 and not bits[self._root]:
            broken.append(ROOT)
        orphans = np.flatnonzero(on > bits[self._parents])
        broken += [("parent", option) for option in orphans.tolist()]
        if self._starts is not None:
            counts = np.add.reduceat(bits[self._members], self._starts, dtype=np.int32)
            wrong = (counts < self._lows) | (counts > self._highs)
            wrong &= bits[self._group_parents].astype(bool)
            broken += [("group", group) for group in self._groups[wrong].tolist()]
        broken += self._find_broken_rules(bits, segment)
        if len(self._window_options):
            outside = (segment < self._window_from) | (segment >= self._window_before)
            late = outside & bits[self._window_options].astype(bool)
            broken += [("window", option) for option in self._window_options[late].tolist()]
        return broken

    def _find_broken_rules(self, bits: "Bits", segment: int) -> list[Handle]:
        np = self._np
        broken: list[Handle] = []
        if self._clause_starts is not None:
            agree = bits[self._variables] == self._signs
            failed = ~np.logical_or.reduceat(agree, self._clause_starts)
            if self._limited:
                failed &= (self._from <= segment) & (segment < self._before)
            broken += [("rule", place) for place in dict.fromkeys(self._owners[failed].tolist())]
        compiled = self.compiled
        for place in self.slow:
            if not compiled.judge_rule(compiled.cross[place], lambda o: bool(bits[o]), segment):
                broken.append(("rule", place))
        return broken


def _flatten(np: Any, rows: list[Any]) -> Any:
    return np.array([each for row in rows for each in row], dtype=np.int32)


@lru_cache(maxsize=4)
def get_whole_list_check(compiled: Compiled) -> WholeListCheck:
    """The arrays of a rule base; made once."""
    return WholeListCheck(compiled)
