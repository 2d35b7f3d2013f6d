"""Does every message that a module needs reach it, and what does the module do to the networks."""

from donorfit.network.bus_load import (
    LoadComparison,
    LoadReport,
    ResponseTime,
    analyse_load,
    compare_load,
)
from donorfit.network.collisions import Collision, CollisionKind, find_collisions
from donorfit.network.frame_bits import compute_plain_bits, compute_worst_bits
from donorfit.network.needs import SignalCheck, SignalVerdict, check_signals
from donorfit.network.ring import (
    HopMargin,
    RingBudget,
    RingReport,
    bypass_node,
    insert_node,
    judge_ring,
    list_ring_order,
)
from donorfit.network.ring_break import RingBreak, compare_expected, locate_break

__all__ = [
    "Collision",
    "CollisionKind",
    "HopMargin",
    "LoadComparison",
    "LoadReport",
    "ResponseTime",
    "RingBreak",
    "RingBudget",
    "RingReport",
    "SignalCheck",
    "SignalVerdict",
    "analyse_load",
    "bypass_node",
    "check_signals",
    "compare_expected",
    "compare_load",
    "compute_plain_bits",
    "compute_worst_bits",
    "find_collisions",
    "insert_node",
    "judge_ring",
    "list_ring_order",
    "locate_break",
]
