"""What is known of the computer that the work was done with: its power, its sleep."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class HostNote:
    """One thing that was read or said about this computer.

    Attributes:
        at: ISO 8601 time with offset.
        words: what, and who says so.
    """

    at: str
    words: str
