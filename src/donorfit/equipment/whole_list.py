"""Judge a whole option list against all rules at once: the exact set of broken rules."""

from collections import Counter
from collections.abc import Iterable
from functools import lru_cache
from itertools import compress, count
from typing import TYPE_CHECKING

from donorfit.equipment.compiled import ROOT, Compiled, Handle

if TYPE_CHECKING:
    from donorfit.equipment.whole_list_arrays import ListArrays

MOST_PLAIN_CHECKS = 8
"""Checks of one rule base that are made without arrays; a single question asks for fewer."""


class WholeListCheck:
    """The rules of one rule base, for checks of whole lists.

    The first few checks need nothing but Python: importing numpy would take longer than all of
    them together. Afterwards arrays are laid out.

    Attributes:
        compiled: the rules.
    """

    def __init__(self, compiled: Compiled) -> None:
        self.compiled = compiled
        self._checks = 0
        self._arrays: ListArrays | None = None

    def make_bits(self, places: Iterable[int]) -> bytearray:
        """One byte an option, 1 where it is on, and a last one, always 1, for "no parent"."""
        bits = bytearray(self.compiled.count + 1)
        bits[-1] = 1
        for place in places:
            bits[place] = 1
        return bits

    def find_broken(self, bits: bytearray, segment: int) -> list[Handle]:
        """Every rule that the list breaks in a segment of build months."""
        if self._arrays is not None:
            return self._arrays.find_broken(bits, segment)
        self._checks += 1
        if self._checks > MOST_PLAIN_CHECKS:
            self.lay_out_arrays()
        return find_broken_plainly(self.compiled, bits, segment)

    def lay_out_arrays(self) -> None:
        """Make each later check several times as fast, at the price of some dozens of them."""
        from donorfit.equipment.whole_list_arrays import ListArrays  # noqa: PLC0415 - numpy

        self._arrays = ListArrays(self.compiled)


def find_broken_plainly(compiled: Compiled, bits: bytearray, segment: int) -> list[Handle]:
    """Every rule that a list breaks in a segment of build months, without arrays.

    Args:
        compiled: the rules.
        bits: as :meth:`WholeListCheck.make_bits` makes them.
        segment: segment of build months.
    """
    rules = compiled.rules
    broken: list[Handle] = []
    if compiled.root >= 0 and not bits[compiled.root]:
        broken.append(ROOT)
    parents, group_of = rules.parents, rules.group_of
    on = list(compress(count(), bits[:-1]))
    broken += [("parent", o) for o in on if parents[o] >= 0 and not bits[parents[o]]]
    members = Counter(map(group_of.__getitem__, on))
    for group, parent in enumerate(rules.group_parents):
        if bits[parent] and rules.group_members[group]:
            low, high = compiled.get_limits(group)
            if not low <= members[group] <= high:
                broken.append(("group", group))
    broken += [
        ("rule", place)
        for place, rule in enumerate(compiled.cross)
        if not rule.free and not compiled.judge_rule(rule, lambda o: bool(bits[o]), segment)
    ]
    broken += [
        ("window", option)
        for option, (start, before) in compiled.windows.items()
        if bits[option] and not start <= segment < before
    ]
    return broken


@lru_cache(maxsize=4)
def get_whole_list_check(compiled: Compiled) -> WholeListCheck:
    """The check of a rule base; made once."""
    return WholeListCheck(compiled)
