"""Fuses: the fuse protects the wire, and both tests must pass.

Source of the rule: two trade pages (a fuse is not loaded beyond about 75 % of its rating for long;
its rating does not exceed what the thinnest wire behind it carries). Time-current limits of
ISO 8820-3 were not found in an open text and are not used.
"""

from dataclasses import dataclass

STANDARD_FUSES_A: tuple[float, ...] = (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40)
"""Blade fuse ratings (trade page; 35 and 40 A from memory)."""
CONTINUOUS_SHARE = 0.75
"""Share of its rating that a fuse carries for long; 0.80 is also seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FuseChoice:
    """A fuse for one wire, or why there is none.

    Attributes:
        rating_a: the fuse; 0 where none passes both tests.
        load_share: continuous current over the rating.
        wire_rating_a: what the thinnest wire carries.
        reason: both tests in words.
    """

    rating_a: float
    load_share: float
    wire_rating_a: float
    reason: str

    @property
    def found(self) -> bool:
        """Whether a fuse passes both tests."""
        return self.rating_a > 0


def choose_fuse(
    current_a: float, wire_rating_a: float, *, continuous_share: float = CONTINUOUS_SHARE
) -> FuseChoice:
    """Smallest standard fuse with ``current <= share * rating`` and ``rating <= wire``."""
    big_enough = next(
        (fuse for fuse in STANDARD_FUSES_A if current_a <= continuous_share * fuse + 1e-9), 0.0
    )
    wanted = f"{current_a:g} A is at most {continuous_share:.0%} of its rating"
    if not big_enough:
        why = f"no standard fuse up to {STANDARD_FUSES_A[-1]:g} A is large enough: {wanted} fails"
        return FuseChoice(rating_a=0, load_share=0, wire_rating_a=wire_rating_a, reason=why)
    share = current_a / big_enough
    if big_enough > wire_rating_a:
        why = f"{wanted} asks for {big_enough:g} A, but the wire carries {wire_rating_a:g} A"
        return FuseChoice(rating_a=0, load_share=share, wire_rating_a=wire_rating_a, reason=why)
    why = f"{wanted}, and {big_enough:g} A is at most the wire's {wire_rating_a:g} A"
    return FuseChoice(
        rating_a=float(big_enough), load_share=share, wire_rating_a=wire_rating_a, reason=why
    )
