"""Orders made by simple rules: where the search begins, and what it has to beat."""

from collections.abc import Callable

from donorfit.ordering.kinds import Block, Counts, Kind, is_allowed, may_begin, measure

_Rank = Callable[[Kind, int], tuple[int, ...]]

_RANKS: tuple[_Rank, ...] = (
    lambda kind, lane: (-lane, -kind.length),
    lambda kind, lane: (-kind.current, -lane),
    lambda kind, lane: (-kind.length, -lane),
    lambda kind, lane: (-kind.load, -kind.length, lane),
    lambda kind, lane: (kind.current, -lane, -kind.length),
)


def make_first_orders(block: Block) -> list[list[Counts]]:
    """A few orders of all tasks of a block, each allowed."""
    return [
        merge_rounds(block, _make_order(block, rank, stretch=stretch))
        for rank in _RANKS
        for stretch in (False, True)
    ]


def _make_order(block: Block, rank: _Rank, *, stretch: bool) -> list[Counts]:
    left = block.all_tasks
    rounds = []
    while any(left):
        taken = _fill_round(block, left, rank, stretch=stretch)
        rounds.append(taken)
        left = subtract(left, taken)
    return rounds


def _fill_round(block: Block, left: Counts, rank: _Rank, *, stretch: bool) -> Counts:
    """Take what is allowed by rank; without stretching, nothing outlasts the first task."""
    lanes: dict[str, int] = {}
    for kind, count in zip(block.kinds, left, strict=True):
        lanes[kind.lane] = lanes.get(kind.lane, 0) + count * kind.length
    order = sorted(
        range(len(left)), key=lambda at: (*rank(block.kinds[at], lanes[block.kinds[at].lane]), at)
    )
    taken = tuple(0 for _ in left)
    longest = 0
    grown = True
    while grown:
        grown = False
        for at in order:
            more = add_one(taken, at)
            if taken[at] == left[at] or not may_begin(block, block.kinds[at], left, taken):
                continue
            if not is_allowed(block, left, more):
                continue
            length = measure(block, more).length
            if longest and not stretch and length > longest:
                continue
            taken, longest, grown = more, max(longest, length), True
            break
    return taken


def merge_rounds(block: Block, rounds: list[Counts]) -> list[Counts]:
    """Put rounds together where that is allowed; it never makes the order longer."""
    left = block.all_tasks
    merged: list[Counts] = []
    for taken in rounds:
        if merged:
            before = tuple(a + b for a, b in zip(left, merged[-1], strict=True))
            both = tuple(a + b for a, b in zip(merged[-1], taken, strict=True))
            if is_allowed(block, before, both):
                merged[-1] = both
                left = subtract(left, taken)
                continue
        merged.append(taken)
        left = subtract(left, taken)
    return merged


def measure_order(block: Block, rounds: list[Counts]) -> int:
    """Length of all rounds together."""
    return sum(measure(block, taken).length for taken in rounds)


def subtract(left: Counts, taken: Counts) -> Counts:
    """What is left after a round."""
    return tuple(a - b for a, b in zip(left, taken, strict=True))


def add_one(taken: Counts, at: int) -> Counts:
    """One task of a kind more."""
    return (*taken[:at], taken[at] + 1, *taken[at + 1 :])
