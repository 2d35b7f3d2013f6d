"""Entries of one run, folded into the asks that still count."""

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from donorfit.errors import JournalError
from donorfit.job.journal import PastAsk, outcome_from_plain


def fold_entries(rows: Iterable[tuple[Any, ...]], *, where: str) -> dict[str, tuple[PastAsk, ...]]:
    """Fold (kind, strand, number, binding, digest, outcome) rows in the order of writing.

    A cut takes back all asks of its strand from its number on; an outcome belongs to the intent of
    the same strand and number.

    Raises:
        JournalError: an outcome without its intent, or one that cannot be read.
    """
    strands: dict[str, dict[int, PastAsk]] = {}
    for kind, strand, number, binding, digest, outcome in rows:
        asks = strands.setdefault(strand, {})
        if kind == "cut":
            strands[strand] = {each: ask for each, ask in asks.items() if each < number}
        elif kind == "intent":
            asks[number] = PastAsk(
                number=number, digest=digest, binding=bool(binding), outcome=None
            )
        else:
            try:
                asks[number] = replace(
                    asks[number], outcome=outcome_from_plain(json.loads(outcome))
                )
            except (KeyError, ValueError, TypeError) as error:
                raise JournalError(
                    what="The journal in the job file is damaged.",
                    where=f"{where}, {strand}, ask {number}",
                    why=str(error),
                    next_step="Use a copy of the job file made earlier.",
                ) from error
    return {
        strand: tuple(asks[number] for number in sorted(asks)) for strand, asks in strands.items()
    }
