"""What a repair costs at least, without a search."""

from donorfit.equipment import RepairRequest, Structure, read_uvl, repair

RULES = """features
	car
		optional
			a
			b
			c
			d
			e
constraints
	a => b
	a => c
	d => e
"""


def test_broken_rules_are_paid_once() -> None:
    """Two rules want ``a`` away or something more each; ``d`` and ``e`` stand apart."""
    rules = read_uvl(RULES, file="small.uvl")
    costs = (("a", 5.0), ("b", 3.0), ("c", 4.0), ("d", 2.0), ("e", 7.0))
    request = RepairRequest(
        declared=("car", "a", "d"), structure=Structure.DECLARED, costs=costs, month=None
    )
    whole = repair(rules, request)
    cut = repair(rules, request, is_late=lambda: True)
    assert whole.repairs[0].cost == 5 + 2
    assert cut.seconds_used_up
    assert not cut.proved
    # 3 for the first rule takes 3 off the price of a; 2 are left for the second; d costs 2.
    assert cut.lower_bound == 3 + 2 + 2
