"""The one loop: write the intent, send, write the outcome, tell.

Resuming is replaying: outcomes that the journal holds are told again to a fresh conversation, and
an intent without an outcome comes back as :class:`Unknown`, so that the conversation looks before
it writes. Readings after the last binding ask of a strand are not replayed but made afresh, since
the car may have been touched in between.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Protocol

from donorfit.diagnostics.conversation import (
    Answered,
    Ask,
    Chosen,
    Download,
    Effect,
    Exchange,
    Mark,
    MarkKind,
    Noted,
    NotSent,
    Outcome,
    Pause,
    Paused,
    Question,
    Refused,
    Strand,
    Together,
    Unknown,
)
from donorfit.errors import DonorfitError, JournalError, LinkError, StoppedError
from donorfit.job.journal import (
    PastAsk,
    RunJournal,
    compute_ask_digest,
    describe_ask,
    describe_place,
    is_binding,
)
from donorfit.job.progress import Happening, Listener, Person, Progress

_STEP_MARKS = {MarkKind.OPENED: Happening.STEP_OPENED, MarkKind.CLOSED: Happening.STEP_CLOSED}
READ_TRIES = 3
"""How often a reading is carried where the link breaks under it."""


class Courier(Protocol):
    """Carries one ask to the car; one per connection."""

    @property
    def lost(self) -> str | None:
        """Why the connection is lost; None while it is there."""

    async def carry(self, ask: Exchange | Download) -> Answered | Refused | NotSent | Unknown:
        """Carry one ask; never raises for what a car does."""
        ...

    async def close(self) -> None:
        """Close the connection."""
        ...


class Connection(Protocol):
    """Makes couriers: the first one, and new ones after a lost link, each on the same car."""

    async def connect(self) -> Courier:
        """Connect and make sure that it is the same car.

        Raises:
            LinkError: nobody answers.
            SafetyError: another car answers.
        """
        ...


class Loop:
    """Carries one conversation to the car.

    Attributes:
        stop_asked: set by the shell when the person wants to stop; the loop then ends before the
            next ask that may change something.
        stop_why: why, where it is not the person's own wish.
    """

    def __init__(
        self,
        *,
        journal: RunJournal,
        connection: Connection,
        person: Person,
        listener: Listener,
        sleep: Callable[[float], Awaitable[None]],
        reconnects: int = 3,
    ) -> None:
        self._journal = journal
        self._connection = connection
        self._person = person
        self._tell = listener
        self._sleep = sleep
        self._reconnects_left = reconnects
        self._courier: Courier | None = None
        self._connecting = asyncio.Lock()
        self._past: dict[str, dict[int, PastAsk]] = {}
        self._in_step: set[str] = set()
        self._doubts: dict[str, Exchange | Download | None] = {}
        self._round = ""
        self._first_error: Exception | None = None
        self.stop_asked = False
        self.stop_why = ""

    async def run(self, name: str, strand: Strand) -> Any:
        """Drive a conversation to its result.

        Raises:
            DonorfitError: the job cannot go on; what is known so far is in the journal.
        """
        self._past = self._load_past()
        try:
            return await self._drive(name, strand)
        finally:
            if self._courier is not None:
                await self._courier.close()

    def _load_past(self) -> dict[str, dict[int, PastAsk]]:
        kept: dict[str, dict[int, PastAsk]] = {}
        for strand, asks in self._journal.read_past().items():
            last = max((ask.number for ask in asks if ask.binding), default=-1)
            if any(ask.number > last for ask in asks):
                self._journal.write_cut(strand, last + 1)
            kept[strand] = {ask.number: ask for ask in asks if ask.number <= last}
        return kept

    async def _drive(self, name: str, strand: Strand) -> Any:
        number = 0
        reply: Any = None
        while True:
            try:
                ask = strand.send(reply)
            except StopIteration as stop:
                return stop.value
            if isinstance(ask, Together):
                reply = await self._drive_together(name, ask)
            else:
                reply = await self._handle(name, number, ask)
                number += 1

    async def _drive_together(self, name: str, together: Together) -> tuple[Any, ...]:
        """Run strands side by side to their ends.

        Where one cannot go on, the others are not torn away: each ends its step and stops before
        its next one, so that no unit is left in the middle of a change. Only what ends the whole
        program at once ends them at once.
        """
        tasks = [
            asyncio.create_task(self._drive_child(f"{name}/{child}", strand))
            for child, strand in together.strands
        ]
        pending = set(tasks)
        try:
            while pending:
                done, pending = await asyncio.wait(pending, return_when=asyncio.FIRST_EXCEPTION)
                for task in done:
                    error = task.exception()
                    if error is not None and not isinstance(error, Exception):
                        raise error
        finally:
            for task in pending:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
        errors = [each for task in tasks if isinstance(each := task.exception(), Exception)]
        if errors:
            raise self._choose_error(errors) from ExceptionGroup(name, errors)
        return tuple(task.result() for task in tasks)

    async def _drive_child(self, name: str, strand: Strand) -> Any:
        try:
            return await self._drive(name, strand)
        except Exception as error:
            self._first_error = self._first_error or error
            raise

    def _choose_error(self, errors: list[Exception]) -> Exception:
        """The error that says most: our own before others, the one that stopped the others."""
        ours = [each for each in errors if isinstance(each, DonorfitError)]
        first = next((each for each in errors if each is self._first_error), None)
        return first if first in ours else next(iter(ours), errors[0])

    async def _handle(self, strand: str, number: int, ask: Ask) -> Outcome:
        past = self._past.get(strand, {}).get(number)
        if past is None and self._must_stop(strand, ask):
            raise StoppedError(
                what="Stopped before the next change."
                if self.stop_why
                else "Stopped where you asked, before the next change.",
                where=describe_place(ask),
                why=self.stop_why,
                state="Everything written so far is in the job file.",
                next_step="donorfit resume JOB",
            )
        self._follow_step(strand, ask)
        if past is not None:
            outcome = self._replay(strand, past, ask)
            self._remember_doubt(strand, ask, outcome)
            if isinstance(ask, Mark):
                self._tell_step(ask, replayed=True)
            return outcome
        binding = is_binding(ask)
        intent = PastAsk(
            number=number, digest=compute_ask_digest(ask), binding=binding, outcome=None
        )
        if self._round and not isinstance(ask, Mark):
            # A round that is only replayed is not told again.
            self._tell(Progress(happening=Happening.ROUND, what=self._round))
            self._round = ""
        self._journal.write_intent(strand, intent, describe_ask(ask))
        outcome = await self._make(ask)
        self._journal.write_outcome(strand, number, outcome, binding=binding)
        self._remember_doubt(strand, ask, outcome)
        if isinstance(ask, Mark):
            self._tell_step(ask, replayed=False)
            if ask.kind is MarkKind.CLOSED:
                self._tell_settled(strand)
        return outcome

    def _tell_step(self, mark: Mark, *, replayed: bool) -> None:
        kind = _STEP_MARKS.get(mark.kind)
        if kind is not None:
            self._tell(Progress(happening=kind, unit=mark.unit, what=mark.what, replayed=replayed))

    def _remember_doubt(self, strand: str, ask: Ask, outcome: Outcome) -> None:
        """Keep in mind a change without an answer, until one answers or its step is closed."""
        if isinstance(ask, Exchange | Download) and is_binding(ask):
            self._doubts[strand] = ask if isinstance(outcome, Unknown | NotSent) else None

    def _tell_settled(self, strand: str) -> None:
        """Say of a change that was never answered that its step is closed all the same."""
        ask = self._doubts.pop(strand, None)
        if ask is not None:
            self._tell(
                Progress(
                    happening=Happening.ANSWERED,
                    unit=ask.unit,
                    what=f"{ask.what}: no answer, but read back as planned",
                    binding=True,
                )
            )

    def _must_stop(self, strand: str, ask: Ask) -> bool:
        """Whether a strand stops here: before a step, or before a change that is in none."""
        if not self.stop_asked and self._first_error is None:
            return False
        if isinstance(ask, Mark):
            return ask.kind is MarkKind.OPENED and ask.safe
        return is_binding(ask) and strand not in self._in_step

    def _follow_step(self, strand: str, ask: Ask) -> None:
        if isinstance(ask, Mark) and ask.kind is MarkKind.OPENED:
            self._in_step.add(strand)
        elif isinstance(ask, Mark):
            self._in_step.discard(strand)

    def _replay(self, strand: str, past: PastAsk, ask: Ask) -> Outcome:
        if past.digest != compute_ask_digest(ask):
            raise JournalError(
                what="The journal of this run does not fit this program.",
                where=f"{strand}, ask {past.number}: {describe_ask(ask)}",
                why="A resumed conversation asked something else than the journal holds.",
                next_step="Resume with the version of donorfit that began the run.",
            )
        if past.outcome is not None:
            return past.outcome
        if isinstance(ask, Mark):
            return self._settle(strand, past, Noted())
        unknown = Unknown(why="the run ended before an answer was written down")
        if isinstance(ask, Question):
            return self._settle(strand, past, self._answer(ask))
        self._tell(Progress(happening=Happening.REPLAYED, unit=_unit_of(ask), what=ask_what(ask)))
        return self._settle(strand, past, unknown)

    def _settle(self, strand: str, past: PastAsk, outcome: Outcome) -> Outcome:
        self._journal.write_outcome(strand, past.number, outcome, binding=past.binding)
        return outcome

    async def _make(self, ask: Ask) -> Outcome:
        match ask:
            case Question():
                return self._answer(ask)
            case Pause():
                self._tell(Progress(happening=Happening.WAITING, what=ask.why))
                await self._sleep(ask.seconds)
                return Paused()
            case Mark():
                if ask.kind is MarkKind.ROUND:
                    self._round = ask.what
                return Noted()
            case Exchange() | Download():
                return await self._carry(ask)

    def _answer(self, question: Question) -> Outcome:
        self._tell(Progress(happening=Happening.QUESTION, what=question.text))
        choice = self._person.answer(question.id, question.text, question.choices)
        if choice is None:
            raise StoppedError(
                what="A question is open and nobody is there to answer it.",
                where=question.id,
                why=question.text,
                state="Everything done so far is in the job file.",
                next_step=f"Give the answer with --answer {question.id}={question.choices[0]} "
                f"(choices: {', '.join(question.choices)}), then donorfit resume JOB.",
            )
        return Chosen(choice=choice)

    async def _carry(self, ask: Exchange | Download) -> Outcome:
        reading = isinstance(ask, Exchange) and ask.effect is Effect.READING
        for tries_left in range(READ_TRIES if reading else 1, 0, -1):
            courier = await self._get_courier()
            self._tell_ask(ask, Happening.ASKED)
            outcome = await courier.carry(ask)
            self._tell_outcome(ask, outcome)
            answered = isinstance(outcome, Answered | Refused)
            if answered or courier.lost is None or not reading or tries_left == 1:
                return outcome
        raise AssertionError  # the last turn returns

    async def _get_courier(self) -> Courier:
        async with self._connecting:
            if self._courier is not None and self._courier.lost is None:
                return self._courier
            if self._first_error is not None:
                # Another strand has said already that it cannot be had, or had back.
                raise StoppedError(
                    what="There is no connection to the car.",
                    why=(self._courier.lost if self._courier else None) or "",
                    state="Everything sent so far is in the job file.",
                    next_step="donorfit resume JOB",
                )
            if self._courier is None:
                self._courier = await self._connection.connect()
                return self._courier
            return await self._reconnect(self._courier)

    async def _reconnect(self, old: Courier) -> Courier:
        self._tell(Progress(happening=Happening.LINK_LOST, detail=old.lost or ""))
        await old.close()
        wait_s = 0.5
        reason: LinkError | None = None
        while self._reconnects_left > 0:
            self._reconnects_left -= 1
            await self._sleep(wait_s)
            wait_s *= 2
            try:
                self._courier = await self._connection.connect()
            except LinkError as error:
                reason = error
                continue
            self._tell(Progress(happening=Happening.RECONNECTED))
            return self._courier
        raise StoppedError(
            what="The connection to the car was lost.",
            why=old.lost or "",
            where=reason.where if reason else "",
            state="Everything sent so far is in the job file; what has no answer is marked "
            "as not known and will be read back before anything else is written.",
            next_step="Check cable, ignition and supply, then: donorfit resume JOB",
        )

    def _tell_ask(self, ask: Exchange | Download, happening: Happening, detail: str = "") -> None:
        self._tell(
            Progress(
                happening=happening,
                unit=ask.unit,
                what=ask.what,
                detail=detail,
                binding=is_binding(ask),
            )
        )

    def _tell_outcome(self, ask: Exchange | Download, outcome: Outcome) -> None:
        match outcome:
            case Answered():
                self._tell_ask(ask, Happening.ANSWERED)
            case Refused():
                self._tell_ask(ask, Happening.REFUSED, f"{outcome.code:02X}")
            case NotSent():
                self._tell_ask(ask, Happening.NOT_SENT, outcome.why)
            case Unknown():
                self._tell_ask(ask, Happening.NO_ANSWER, outcome.why)
            case Chosen() | Paused() | Noted():
                pass


def ask_what(ask: Ask) -> str:
    """The deed of an ask."""
    return ask.what if isinstance(ask, Exchange | Download) else describe_ask(ask)


def _unit_of(ask: Ask) -> str:
    return ask.unit if isinstance(ask, Exchange | Download) else ""
