"""Apply: carry out a plan step by step, looking before every write and after it.

A step ends in a known state or the stage stops and says so. A changing request whose outcome is
unknown is never simply sent again: the unit is read first, and only where it still holds the old
bytes is the step tried once more.
"""

from donorfit.stages.apply.run import apply

__all__ = ["apply"]
