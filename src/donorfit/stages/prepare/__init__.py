"""Prepare: make the car ready for a plan; only reads and asks. And look again before going on."""

from donorfit.stages.prepare.again import (
    GoingOn,
    list_by_hand,
    list_questions,
    look_again,
    needs_support,
    take_by_hand,
)
from donorfit.stages.prepare.run import WRITES, prepare

__all__ = [
    "WRITES",
    "GoingOn",
    "list_by_hand",
    "list_questions",
    "look_again",
    "needs_support",
    "prepare",
    "take_by_hand",
]
