"""What the person has decided about a plan, and what only the person knows."""

from collections.abc import Iterable
from dataclasses import dataclass

from donorfit.errors import InputError
from donorfit.vehicle.identity import BuildMonth, OptionName


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChoices:
    """Decisions and facts from the person; the defaults decide nothing.

    Attributes:
        answers: question ids and answers.
        wanted: further options to be declared.
        unwanted: options not to be declared.
        costs: what changing an option costs, where it differs from the default.
        month_fixed: the declared build month must stay.
        repair: which of the cheapest repairs of the option list is taken, 0 the cheapest.
        donor_options: option list of the donor car; None where it is not known.
        donor_month: build month of the donor car; None where it is not known.
        wire_length_m: length of the wires to be run.
        support_current_a: current that the supply can hold, where it limits what may be done at
            the same time; None where it is not said.
    """

    answers: tuple[tuple[str, str], ...] = ()
    wanted: tuple[OptionName, ...] = ()
    unwanted: tuple[OptionName, ...] = ()
    costs: tuple[tuple[OptionName, int], ...] = ()
    month_fixed: bool = False
    repair: int = 0
    donor_options: tuple[OptionName, ...] | None = None
    donor_month: BuildMonth | None = None
    wire_length_m: float = 2.0
    support_current_a: float | None = None

    def refuse_unasked(self, asked: Iterable[str]) -> None:
        """Say which answers are to questions that the plan does not ask.

        Raises:
            InputError: there are such answers.
        """
        known = tuple(asked)
        unasked = [id_ for id_, _ in self.answers if id_ not in known]
        if unasked:
            raise InputError(
                what=f"The plan does not ask {', '.join(map(repr, unasked))}.",
                where="--choose",
                why=f"It asks: {', '.join(known) or 'nothing'}.",
                next_step="Leave these out, or name the questions as the plan does.",
            )

    def find_answer(self, question: str) -> str:
        """The answer given to a question; empty where none is."""
        return next((answer for id_, answer in self.answers if id_ == question), "")
