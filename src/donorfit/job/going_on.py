"""Work that had stopped goes on: what was said before counts for a time, the car is looked at.

The same time counts for a first apply: what was prepared longer ago than that is prepared anew.
"""

from collections.abc import Callable, Generator
from datetime import datetime
from typing import Any

from donorfit.diagnostics.conversation import Question, Together
from donorfit.errors import SafetyError, StoppedError
from donorfit.job.progress import Person
from donorfit.job.store import JobStore, decode_stored
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.finding import Severity
from donorfit.records.plan import Plan
from donorfit.records.preparation import Preparation
from donorfit.records.renewal import GivenAnswer, Renewal
from donorfit.stages.prepare import (
    GoingOn,
    list_by_hand,
    list_questions,
    look_again,
    needs_support,
    take_by_hand,
)
from donorfit.vehicle.pack import Pack

RENEWAL = "renewal"
LOOK = "look again"
ANSWERS_COUNT_S = 4 * 3600.0
"""How long answers, and a preparation, count: about one sitting at a car; ours, no source."""
_CLOCK_SLACK_S = 300.0
_MINUTE_S, _HOUR_S, _DAY_S = 60.0, 3600.0, 86_400.0


def say_too_old(given_at: str, now: str) -> str:
    """Why what was said or read at a time does not count any more; empty where it does.

    Args:
        given_at: ISO 8601 time with offset.
        now: the same.
    """
    try:
        passed_s = (datetime.fromisoformat(now) - datetime.fromisoformat(given_at)).total_seconds()
    except (ValueError, TypeError):
        return f"when that was cannot be told ({given_at or 'no time'})"
    if passed_s < -_CLOCK_SLACK_S:
        return f"of {given_at}, which lies ahead of this computer's clock ({now})"
    if passed_s <= ANSWERS_COUNT_S:
        return ""
    return f"of {given_at}, {_word_time(passed_s)} ago, and {ANSWERS_COUNT_S / _HOUR_S:g} h count"


def _word_time(seconds: float) -> str:
    if seconds >= 2 * _DAY_S:
        return f"{seconds / _DAY_S:.0f} days"
    hours, minutes = divmod(int(seconds // _MINUTE_S), 60)
    return f"{hours} h {minutes:02} min"


def list_renewals(store: JobStore, plan_digest: str) -> tuple[Renewal, ...]:
    """Every renewal of a plan, oldest first."""
    found = (decode_stored(each, Renewal) for each in store.list_records() if each.kind == RENEWAL)
    return tuple(each for each in found if each.plan_digest == plan_digest)


def find_beginning(store: JobStore, context: str, now: str, stage: str = "prepare") -> str:
    """From when a stage counts that asks a person and is run now: a preparation, or a proof.

    One that was cut and is taken up counts from its beginning, since its answers are replayed.
    Where they are too old, the cut one is ended, so that everything is asked anew.

    Args:
        store: the job file.
        context: digest of the plan that is prepared, or of the change that is proved.
        now: ISO 8601 time with offset.
        stage: the stage.
    """
    cut = [
        run
        for run in store.list_runs()
        if (run.stage, run.context, run.ended_at) == (stage, context, "")
    ]
    if not cut:
        return now
    if say_too_old(cut[-1].begun_at, now):
        store.begin_run(stage, context).end()
        return now
    return cut[-1].begun_at


def begin_or_go_on(
    store: JobStore,
    person: Person,
    strand: Generator[Any, Any, Any],
    *,
    pack: Pack,
    plan: Plan,
    preparation: Preparation,
    now: str,
    support_current_a: float | None,
) -> Generator[Any, Any, Any]:
    """The strand of apply, behind a look at the car where the plan was begun before.

    Args:
        store: the job file.
        person: answers questions.
        strand: the conversation that carries the plan out.
        pack: the car family.
        plan: what is carried out.
        preparation: the preparation that it relies on.
        now: ISO 8601 time with offset.
        support_current_a: what the supply holds now; None: as was said before.

    Raises:
        SafetyError: it is begun for the first time, with a preparation that is too old.
        StoppedError: it goes on, and answers have to be given again.
    """
    context = f"{compute_digest(plan)} {compute_digest(preparation)}"
    if any((run.stage, run.context) == ("apply", context) for run in store.list_runs()):
        going_on = _choose_going_on(
            store, person, pack, plan, preparation, now=now, support_current_a=support_current_a
        )
        look = look_again(pack, plan, preparation, going_on)
        return _look_first(
            strand, look, person, lambda renewal: store.add_record(RENEWAL, encode(renewal))
        )
    too_old = say_too_old(preparation.prepared_at, now)
    if too_old:
        raise SafetyError(
            what="The preparation is too old to begin with.",
            why=f"It is {too_old}; car, supply and answers may have changed since.",
            state="Nothing was sent to the car.",
            next_step="donorfit prepare JOB, then give the same command again.",
        )
    return strand


def _choose_going_on(
    store: JobStore,
    person: Person,
    pack: Pack,
    plan: Plan,
    preparation: Preparation,
    *,
    now: str,
    support_current_a: float | None,
) -> GoingOn:
    """With which answers the work goes on; the person is asked where the earlier ones are old.

    Raises:
        StoppedError: answers are missing; all of them are named.
    """
    digest = compute_digest(preparation)
    renewals = [
        each
        for each in list_renewals(store, compute_digest(plan))
        if each.preparation_digest == digest and each.is_agreed
    ]
    # Answers count also where a low supply, for instance, kept the work from going on then.
    asked = [each for each in renewals if each.too_old]
    given_at = asked[-1].looked_at if asked else preparation.prepared_at
    too_old = say_too_old(given_at, now)
    if too_old:
        answers = _ask_again(person, pack, plan, too_old, support_current_a)
    else:
        answers = ()
        last_a = renewals[-1].support_current_a if renewals else preparation.support_current_a
        support_current_a = last_a if support_current_a is None else support_current_a
    return GoingOn(at=now, too_old=too_old, answers=answers, support_current_a=support_current_a)


def _ask_again(
    person: Person, pack: Pack, plan: Plan, too_old: str, support_current_a: float | None
) -> tuple[GivenAnswer, ...]:
    answers: list[GivenAnswer] = []
    options: list[str] = []
    questions = list_questions(pack, plan)
    if needs_support(plan) and support_current_a is None:
        options.append("--support-amps AMPERES")
        if getattr(person, "may_ask", False):
            # Nobody is asked ten questions to be told at the end to begin anew.
            questions = ()
    for each in questions:
        choice = person.answer(each.id, each.text, each.choices)
        if choice is None:
            options.append(f"--answer {each.id}={each.choices[0]}")
        else:
            answers.append(GivenAnswer(question=each.id, text=each.text, choice=choice))
    if options:
        named = [each.split("=")[0].removeprefix("--answer ") for each in options]
        raise StoppedError(
            what="Answers have to be given again before the work goes on.",
            where=", ".join(each.split(" ")[0] for each in named),
            why=f"The earlier ones are {too_old}.",
            state="Nothing was sent to the car.",
            next_step=f"Where they are still so: donorfit resume JOB {' '.join(options)}",
        )
    return tuple(answers)


def _ask_by_hand(person: Person, questions: tuple[Question, ...]) -> tuple[GivenAnswer, ...]:
    answers = []
    missing = []
    for each in questions:
        choice = person.answer(each.id, each.text, each.choices)
        if choice is None:
            missing.append(each)
        else:
            answers.append(GivenAnswer(question=each.id, text=each.text, choice=choice))
    if missing:
        options = " ".join(f"--answer {each.id}=yes" for each in missing)
        raise StoppedError(
            what="A unit in its boot loader cannot say what has to be known, so a person has to.",
            where=", ".join(each.id for each in missing),
            why=" ".join(each.text for each in missing),
            state="Nothing was sent that changes the car.",
            next_step=f"Look, and where it is so: donorfit resume JOB {options}",
        )
    return tuple(answers)


def _look_first(
    strand: Generator[Any, Any, Any],
    look: Generator[Any, Any, Renewal],
    person: Person,
    keep: Callable[[Renewal], object],
) -> Generator[Any, Any, Any]:
    """Look at the car, keep what was seen, and only then go on with the strand.

    The look is a strand of its own, so that the numbers of what is replayed do not move. What
    units in their boot loaders do not say the person is asked outside of it, each time anew.

    Raises:
        SafetyError: something has ceased to hold; nothing was sent that changes the car.
        StoppedError: nobody says what a unit does not.
    """
    (renewal,) = yield Together(((LOOK, look),))
    renewal = take_by_hand(renewal, _ask_by_hand(person, list_by_hand(renewal)))
    keep(renewal)
    if not renewal.ready:
        strand.close()
        blocking = [each for each in renewal.findings if each.severity is Severity.BLOCKING]
        raise SafetyError(
            what="The work may not go on as things are.",
            where=", ".join(each.where for each in blocking if each.where),
            why="; ".join(f"{each.what} {each.why}".strip() for each in blocking),
            state="Nothing was changed since the work stopped; it can still be resumed or undone.",
            next_step="Mend this, then: donorfit resume JOB",
        )
    return (yield from strand)
