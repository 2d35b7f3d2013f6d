"""Count how many of some literals are true, as far as anybody asks.

Source: Bailleux and Boufkhad, Efficient CNF encoding of Boolean cardinality constraints, CP 2003;
grown on demand as in Martins and others, Incremental cardinality constraints, CP 2014.
"""

from collections.abc import Callable, Sequence


class Totalizer:
    """Outputs ``o_k`` that are forced true where ``k`` or more inputs are true.

    Attributes:
        size: number of inputs.
    """

    def __init__(
        self,
        inputs: Sequence[int],
        take_variable: Callable[[], int],
        add: Callable[[Sequence[int]], None],
    ) -> None:
        self.size = len(inputs)
        self._take = take_variable
        self._add = add
        layer = [_Node([literal], None) for literal in inputs]
        self._nodes: list[_Node] = []
        while len(layer) > 1:
            joined = [_Node([], (layer[i], layer[i + 1])) for i in range(0, len(layer) - 1, 2)]
            self._nodes += joined
            layer = joined + layer[len(layer) - len(layer) % 2 :]
        self._root = layer[0]

    def get_output(self, count: int) -> int:
        """Literal that is true where at least ``count`` inputs are true."""
        if len(self._root.outputs) < count:
            for node in self._nodes:
                self._grow(node, count)
            self._nodes = [node for node in self._nodes if len(node.outputs) < node.size]
        return self._root.outputs[count - 1]

    def _grow(self, node: "_Node", count: int) -> None:
        if node.below is None:
            return
        left, right = (child.outputs for child in node.below)
        known, count = len(node.outputs), min(count, node.size)
        if known >= count:
            return
        outputs, add = node.outputs, self._add
        outputs += [self._take() for _ in range(count - known)]
        for i in range(min(len(left), count) + 1):
            for j in range(max(0, known + 1 - i), min(len(right), count - i) + 1):
                clause = [outputs[i + j - 1]]
                if i:
                    clause.append(-left[i - 1])
                if j:
                    clause.append(-right[j - 1])
                add(clause)
        if known:
            add((-outputs[known], outputs[known - 1]))


class _Node:
    __slots__ = ("below", "outputs", "size")

    def __init__(self, outputs: list[int], below: "tuple[_Node, _Node] | None") -> None:
        self.outputs = outputs
        self.below = below
        self.size: int = 1 if below is None else below[0].size + below[1].size
