"""Counted things in words, for every text that a person reads."""


def count(number: int, one: str, many: str = "") -> str:
    """``1 unit`` or ``2 units``; ``many`` where it is not made with an s."""
    return f"{number} {choose(number, one, many)}"


def choose(number: int, one: str, many: str = "") -> str:
    """``unit`` or ``units``: the word alone, such as a verb that goes with a number."""
    return one if number == 1 else many or f"{one}s"
