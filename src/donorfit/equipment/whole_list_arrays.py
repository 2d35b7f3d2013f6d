"""Judge a whole option list against all rules at once, with arrays.

Each check takes a fifth of the time of the one in plain Python, but importing numpy and laying the
arrays out takes as long as some dozens of those.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from donorfit.equipment.compiled import ROOT, Compiled, Handle


class ListArrays:
    """Arrays over all rules; each check walks over them once.

    Attributes:
        compiled: the rules.
        slow: rules across the tree that are judged one by one, those without typed options.
    """

    def __init__(self, compiled: Compiled) -> None:
        self.compiled = compiled
        rules, count = compiled.rules, compiled.count
        parents = np.array(rules.parents, dtype=np.intp)
        parents[parents < 0] = count
        self._parents = parents
        self._root = compiled.root
        filled = [g for g, members in enumerate(rules.group_members) if members]
        self._groups = np.array(filled, dtype=np.int32)
        self._members = _flatten([rules.group_members[g] for g in filled])
        sizes = [len(rules.group_members[g]) for g in filled]
        self._starts = np.cumsum([0, *sizes[:-1]], dtype=np.int64) if filled else None
        self._group_parents = np.array([rules.group_parents[g] for g in filled], dtype=np.intp)
        limits = [compiled.get_limits(g) for g in filled]
        self._lows = np.array([low for low, _ in limits], dtype=np.int32)
        self._highs = np.array([high for _, high in limits], dtype=np.int32)
        self._make_clauses()
        self._make_windows()

    def _make_clauses(self) -> None:
        cross = self.compiled.cross
        # a clause without literals, of a rule that never holds, has no place in a segmented array
        plain = [(at, rule) for at, rule in enumerate(cross) if rule.plain and all(rule.clauses)]
        fast = {place for place, _ in plain}
        self.slow = [at for at, rule in enumerate(cross) if at not in fast and not rule.free]
        owners = [place for place, rule in plain for _ in rule.clauses]
        clauses = [clause for _, rule in plain for clause in rule.clauses]
        literals = _flatten(clauses)
        self._variables = np.abs(literals) - 1
        self._signs = (literals > 0).astype(np.uint8)
        sizes = [len(clause) for clause in clauses]
        self._clause_starts = np.cumsum([0, *sizes[:-1]], dtype=np.int64) if clauses else None
        self._owners = np.array(owners, dtype=np.int32)
        self._from = np.array([cross[o].segments[0] for o in owners], dtype=np.int32)
        self._before = np.array([cross[o].segments[1] for o in owners], dtype=np.int32)
        self._limited = any(cross[o].guard for o in owners)

    def _make_windows(self) -> None:
        windows = self.compiled.windows
        self._window_options = np.array(list(windows), dtype=np.int32)
        self._window_from = np.array([w[0] for w in windows.values()], dtype=np.int32)
        self._window_before = np.array([w[1] for w in windows.values()], dtype=np.int32)

    def find_broken(self, raw: bytearray, segment: int) -> list[Handle]:
        """Every rule that the list breaks in a segment of build months."""
        bits = np.frombuffer(raw, dtype=np.uint8)
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

    def _find_broken_rules(self, bits: npt.NDArray[np.uint8], segment: int) -> list[Handle]:
        places: list[int] = []
        if self._clause_starts is not None:
            agree = bits[self._variables] == self._signs
            failed = ~np.logical_or.reduceat(agree, self._clause_starts)
            if self._limited:
                failed &= (self._from <= segment) & (segment < self._before)
            places += dict.fromkeys(self._owners[failed].tolist())
        compiled = self.compiled
        broken = [
            place
            for place in self.slow
            if not compiled.judge_rule(compiled.cross[place], lambda o: bool(bits[o]), segment)
        ]
        return [("rule", place) for place in (sorted(places + broken) if broken else places)]


def _flatten(rows: list[Any]) -> Any:
    return np.array([each for row in rows for each in row], dtype=np.intp)
