"""Whole-list checks with arrays, where these have their corners."""

from donorfit.equipment import read_uvl
from donorfit.equipment.compiled import compile_rules
from donorfit.equipment.whole_list import WholeListCheck, find_broken_plainly

RULES = """features
    A
        optional
            B {weight 2}
            C {weight 3}
constraints
    B => sum(weight) > 9
    sum(weight) < 0
    B | C
    C & !C
"""


def test_rules_that_never_hold_are_broken_with_arrays_too() -> None:
    compiled = compile_rules(read_uvl(RULES, file="a.uvl"))
    whole = WholeListCheck(compiled)
    whole.lay_out_arrays()
    expected = {(0,): [1, 2, 3], (0, 1): [0, 1, 3], (0, 2): [1, 3], (0, 1, 2): [0, 1, 3]}
    for on, rules in expected.items():
        bits = whole.make_bits(on)
        assert whole.find_broken(bits, 0) == [("rule", place) for place in rules]
        assert whole.find_broken(bits, 0) == find_broken_plainly(compiled, bits, 0)
