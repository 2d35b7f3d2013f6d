"""A journal in memory: for rehearsals without a car and for tests."""

import json
from typing import Any

from donorfit.diagnostics.conversation import Outcome
from donorfit.edge.journal.fold import fold_entries
from donorfit.job.journal import PastAsk, outcome_to_plain


class MemoryRun:
    """Keeps the entries of one run in a list (see :class:`donorfit.job.journal.RunJournal`)."""

    def __init__(self, entries: list[tuple[Any, ...]] | None = None) -> None:
        self.entries: list[tuple[Any, ...]] = [] if entries is None else entries

    def read_past(self) -> dict[str, tuple[PastAsk, ...]]:
        """Asks that still count, by strand."""
        return fold_entries(self.entries, where="memory")

    def write_cut(self, strand: str, number: int) -> None:
        """Say that asks from a number on no longer count."""
        self.entries.append(("cut", strand, number, 1, "", None))

    def write_intent(self, strand: str, past: PastAsk, what: str) -> None:
        """Write what is about to be asked."""
        del what
        self.entries.append(("intent", strand, past.number, int(past.binding), past.digest, None))

    def write_outcome(self, strand: str, number: int, outcome: Outcome, *, binding: bool) -> None:
        """Write what came of it."""
        text = json.dumps(outcome_to_plain(outcome), sort_keys=True)
        self.entries.append(("outcome", strand, number, int(binding), "", text))
