"""What no order of the tasks that are left can be shorter than."""

from donorfit.ordering.kinds import Block, Counts


def bound_length(block: Block, left: Counts) -> int:
    """The greatest of a few lower bounds on the length of all rounds that are yet to come.

    One lane's tasks run one after the other. All lanes together do at most so much at a time: so
    many lanes, so much current, so much load. Tasks that each need more than half of a limit never
    run side by side. Tasks that wait for each other run in a row.
    """
    lanes: dict[str, int] = {}
    alone = total = charge = bytes_ = heavy = loud = 0
    for kind, count in zip(block.kinds, left, strict=True):
        length = count * kind.length
        if kind.alone:
            alone += length
            continue
        lanes[kind.lane] = lanes.get(kind.lane, 0) + length
        total += length
        # A task above the limit runs by itself and then takes all of it.
        charge += length * min(kind.current, block.current)
        bytes_ += length * min(kind.load, block.load)
        heavy += length if 2 * kind.current > block.current else 0
        loud += length if 2 * kind.load > block.load else 0
    most = max(
        max(lanes.values(), default=0),
        _divide(total, block.lanes),
        _divide(charge, block.current),
        _divide(bytes_, block.load),
        heavy,
        loud,
    )
    return max(alone + most, _find_longest_chain(block, left))


def _divide(sum_: int, by: int) -> int:
    return -(-sum_ // by) if by else 0


def _find_longest_chain(block: Block, left: Counts) -> int:
    heads: list[int] = []
    for kind, count in zip(block.kinds, left, strict=True):
        before = max((heads[place] for place in kind.after), default=0)
        heads.append(before + (kind.length if count else 0))
    return max(heads, default=0)
