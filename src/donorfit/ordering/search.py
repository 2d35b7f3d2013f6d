"""Branch and bound over rounds: the shortest order of one block, with its proof.

Without a clock: the search ends when it has looked at everything that could be shorter, or at so
many partial rounds as it was allowed, and then it says what it has proved.
"""

from dataclasses import dataclass, field

from donorfit.ordering.bounds import bound_length
from donorfit.ordering.first_orders import (
    add_one,
    make_first_orders,
    measure_order,
    merge_rounds,
    subtract,
)
from donorfit.ordering.kinds import Block, Counts, is_allowed, may_begin, measure

MOST_ROUNDS_A_NODE = 3000
"""Rounds that one node lists at most; a node that has more leaves the proof open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The best order of a block; ``bound`` is its length where that is proved the shortest."""

    rounds: tuple[Counts, ...]
    length: int
    bound: int
    looked_at: int


def search(block: Block, budget: int) -> Found:
    """Find the shortest order of a block."""
    root = bound_length(block, block.all_tasks)
    best = min(make_first_orders(block), key=lambda each: (measure_order(block, each), len(each)))
    state = _Search(block=block, budget=budget, best=best, length=measure_order(block, best))
    if state.length > root:
        state.visit(block.all_tasks, [], 0)
    # Where the search was cut short, putting rounds together can still make the order shorter.
    rounds = merge_rounds(block, state.best)
    length = measure_order(block, rounds)
    return Found(
        rounds=tuple(rounds),
        length=length,
        bound=min(root if state.open else length, length),
        looked_at=state.looked_at,
    )


@dataclass(slots=True, kw_only=True)
class _Search:
    """The search under way.

    Attributes:
        best: shortest order so far.
        length: its length.
        looked_at: partial rounds so far.
        open: whether something was left out, so that nothing is proved.
        seen: least length at which a rest was reached.
    """

    block: Block
    budget: int
    best: list[Counts]
    length: int
    looked_at: int = 0
    open: bool = False
    seen: dict[Counts, int] = field(default_factory=dict)

    def visit(self, left: Counts, rounds: list[Counts], length: int) -> None:
        """Try every round that can come next, the fullest first."""
        if not any(left):
            if length < self.length:
                self.best, self.length = list(rounds), length
            return
        if self.seen.get(left, length + 1) <= length:
            return
        self.seen[left] = length
        if length + bound_length(self.block, left) >= self.length:
            return
        for taken in self._list_rounds(left, self.length - length):
            longer = length + measure(self.block, taken).length
            rest = subtract(left, taken)
            if longer + bound_length(self.block, rest) < self.length:
                rounds.append(taken)
                self.visit(rest, rounds, longer)
                rounds.pop()

    def _list_rounds(self, left: Counts, room: int) -> list[Counts]:
        """Rounds to which nothing can be added for free; what must run alone goes at once.

        A task that must run alone costs the same wherever it stands, and begun at once it holds up
        nothing. A round that could take one more task without growing is never better than the
        one that takes it. Where nothing waits for anything, rounds may change places, so that
        the first task that is left may be asked to be in this one.
        """
        block = self.block
        none = tuple(0 for _ in left)
        for at, kind in enumerate(block.kinds):
            if kind.alone and left[at] and may_begin(block, kind, left, none):
                return [add_one(none, at)]
        listing = _Listing(search=self, left=left, room=room, first=-1)
        if block.is_free:
            listing.first = next(at for at, count in enumerate(left) if count)
        listing.extend(0, none)
        return sorted(listing.found, key=self._rank)

    def _rank(self, taken: Counts) -> tuple[float, Counts]:
        work = sum(
            count * kind.length for kind, count in zip(self.block.kinds, taken, strict=True)
        )
        return -work / max(1, measure(self.block, taken).length), tuple(-each for each in taken)


@dataclass(slots=True, kw_only=True)
class _Listing:
    """Lists the rounds that can come next, kind by kind, as many of each as possible first."""

    search: _Search
    left: Counts
    room: int
    first: int
    found: list[Counts] = field(default_factory=list)

    def extend(self, at: int, taken: Counts) -> None:
        """Decide how many of the kinds from a place on are taken."""
        search = self.search
        if search.looked_at >= search.budget or len(self.found) >= MOST_ROUNDS_A_NODE:
            search.open = True
            return
        search.looked_at += 1
        if at == len(taken):
            if any(taken) and not self._can_grow(taken):
                self.found.append(taken)
            return
        kind = search.block.kinds[at]
        most = 0 if kind.alone or not self._fits(at, taken) else self.left[at]
        for count in range(most, (1 if at == self.first else 0) - 1, -1):
            more = (*taken[:at], count, *taken[at + 1 :])
            if not count or measure(search.block, more).length < self.room:
                self.extend(at + 1, more)

    def _fits(self, at: int, taken: Counts) -> bool:
        return bool(self.left[at]) and is_allowed(self.search.block, self.left, add_one(taken, at))

    def _can_grow(self, taken: Counts) -> bool:
        block = self.search.block
        length = measure(block, taken).length
        return any(
            taken[at] < self.left[at]
            and not kind.alone
            and is_allowed(block, self.left, more := add_one(taken, at))
            and measure(block, more).length <= length
            for at, kind in enumerate(block.kinds)
        )
