"""Fuses: the fuse protects the wire, and both tests must pass.

Source of the rule: two trade pages (a fuse is not loaded beyond about 75 % of its rating for long;
its rating does not exceed what the thinnest wire behind it carries). Time-current limits of
ISO 8820-3 were not found in an open text: they stand here from memory, are shown, and decide
nothing.
"""

from dataclasses import dataclass

from donorfit.errors import InputError

STANDARD_FUSES_A: tuple[float, ...] = (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40)
"""Blade fuse ratings (trade page; 35 and 40 A from memory)."""
CONTINUOUS_SHARE = 0.75
"""Share of its rating that a fuse carries for long; 0.80 is also seen."""
OPENING_S: tuple[tuple[float, float, float], ...] = (
    (1.10, 360_000.0, float("inf")),
    (1.35, 0.75, 600.0),
    (2.00, 0.15, 5.0),
    (3.50, 0.08, 0.5),
    (6.00, 0.0, 0.1),
)
"""Share of the rating, and the shortest and longest seconds until a blade fuse opens: ISO 8820-3,
from memory, unverified."""


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
    """Smallest standard fuse with ``current <= share * rating`` and ``rating <= wire``.

    Raises:
        InputError: a share outside 0.1..1, a current or a wire that is no number or negative.
    """
    checks = (
        (0.1 <= continuous_share <= 1, f"a share of {continuous_share} is not in 0.1..1"),  # noqa: PLR2004
        (0 <= current_a < float("inf"), f"a current of {current_a} A is none"),
        (0 <= wire_rating_a < float("inf"), f"a wire for {wire_rating_a} A is none"),
    )
    mistakes = [text for right, text in checks if not right]
    if mistakes:
        raise InputError(
            what="no fuse can be chosen",
            where="fuse",
            why="; ".join(mistakes),
            next_step="correct the figures",
        )
    big_enough = next(
        (fuse for fuse in STANDARD_FUSES_A if current_a <= continuous_share * fuse + 1e-9), 0.0
    )
    wanted = f"{current_a:g} A is at most {continuous_share:.0%} of its rating"
    if not big_enough:
        why = f"no standard fuse up to {STANDARD_FUSES_A[-1]:g} A is large enough: {wanted} fails"
        return FuseChoice(rating_a=0, load_share=0, wire_rating_a=wire_rating_a, reason=why)
    share = current_a / big_enough
    if big_enough > wire_rating_a:
        why = f"{wanted} asks for {big_enough:g} A, but the wire carries {wire_rating_a:.4g} A"
        return FuseChoice(rating_a=0, load_share=share, wire_rating_a=wire_rating_a, reason=why)
    why = f"{wanted}, and {big_enough:g} A is at most the wire's {wire_rating_a:.4g} A"
    return FuseChoice(
        rating_a=float(big_enough), load_share=share, wire_rating_a=wire_rating_a, reason=why
    )
