"""What comes after what: work that may go on side by side, and software that replaces software.

The session is a row of *rounds*. In a round a few *lanes* run side by side, one for each network;
the next round begins when the last lane has ended. Real durations are never the planned ones, so a
round is only allowed where any interleaving of its lanes keeps every limit: what counts is the sum
of each lane's highest current and load.
"""

from donorfit.ordering.software_ways import SoftwareWays, find_ways_back, find_ways_up
from donorfit.ordering.solve import order_tasks
from donorfit.ordering.tasks import Lane, Limits, Order, Round, Task

__all__ = [
    "Lane",
    "Limits",
    "Order",
    "Round",
    "SoftwareWays",
    "Task",
    "find_ways_back",
    "find_ways_up",
    "order_tasks",
]
