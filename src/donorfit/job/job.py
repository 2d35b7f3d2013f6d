"""One job: its records in order, and the stages that make them."""

from collections.abc import Callable
from typing import Any, TypeVar

from donorfit.errors import JournalError, MisuseError, SafetyError
from donorfit.job.claims import find_begun, list_closed, list_touched
from donorfit.job.earlier_runs import (
    doubt_begun,
    forbid_over_begun_download,
    keep_earlier,
    presume_change,
    tell_what_stays,
    warn_of_begun,
)
from donorfit.job.going_on import begin_or_go_on, find_beginning, list_renewals
from donorfit.job.host_notes import list_changes
from donorfit.job.journal import PastAsk
from donorfit.job.planned_software import load_planned_software
from donorfit.job.readiness import require_ready
from donorfit.job.runner import CarAccess, run_stage
from donorfit.job.standing import (
    find_change_before,
    find_change_of,
    list_runs_of,
    list_standing,
)
from donorfit.job.store import JobStore, StoredRun, decode_stored
from donorfit.job.unfinished import list_open_runs
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.fit_report import FitReport
from donorfit.records.handover import Handover
from donorfit.records.plan import Plan, PlanPurpose
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof
from donorfit.records.survey import Survey
from donorfit.stages.apply.look_again import Claims, apply_again
from donorfit.stages.fit_check import fit_check
from donorfit.stages.hand_over import hand_over
from donorfit.stages.plan import PlanChoices, make_plan, make_undo_plan
from donorfit.stages.prepare import prepare
from donorfit.stages.prove import prove
from donorfit.stages.survey import survey_bench, survey_car
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.software import SoftwareImage

T = TypeVar("T")

SURVEY, BENCH, REPORT, PLAN = "survey", "bench", "fit report", "plan"
PREPARATION, CHANGE, PROOF, HANDOVER = "preparation", "change", "proof", "hand-over"
SHORTEST_CONFIRMATION = 12
_COMMANDS = {
    SURVEY: "donorfit survey JOB",
    REPORT: "donorfit check JOB --module MODULE",
    PLAN: "donorfit plan JOB",
    PREPARATION: "donorfit prepare JOB",
    CHANGE: "donorfit apply JOB --write DIGEST",
    PROOF: "donorfit prove JOB",
}


class Job:
    """The stages of one job on one job file, in the order of the work."""

    def __init__(
        self,
        *,
        pack: Pack,
        store: JobStore,
        now: Callable[[], str],
        car: CarAccess | None = None,
    ) -> None:
        self.pack = pack
        self.store = store
        self._now = now
        self._car = car

    def find(self, kind: str, of: type[T]) -> T | None:
        """The newest record of a kind; None where there is none yet."""
        stored = self.store.find_latest(kind)
        return None if stored is None else decode_stored(stored, of)

    def require(self, kind: str, of: type[T]) -> T:
        """The newest record of a kind.

        Raises:
            SafetyError: there is none yet.
        """
        record = self.find(kind, of)
        if record is None:
            raise SafetyError(
                what=f"This job has no {kind} yet.",
                why="Every stage reads what the one before it left.",
                next_step=_COMMANDS.get(kind, ""),
            )
        return record

    def require_made_from(self, kind: str, of: type[T], digest: str) -> T:
        """The record of a kind that another one was made from, by its digest; else the newest.

        A later survey, for instance, must not take the place of the one that a plan rests on.
        """
        stored = next(
            (
                each
                for each in self.store.list_records()
                if each.kind == kind and each.digest == digest
            ),
            None,
        )
        return self.require(kind, of) if stored is None else decode_stored(stored, of)

    def take_up(self, plan_digest: str, preparation_digest: str) -> None:
        """Make the plan and the preparation of a stopped run the newest again.

        What was planned since was never confirmed, so that no resumed run may carry it out.

        Raises:
            JournalError: the job file does not hold them.
            SafetyError: they may not be carried out any more; nothing is changed then.
        """
        records = self.store.list_records()
        again = []
        for kind, digest in ((PLAN, plan_digest), (PREPARATION, preparation_digest)):
            stored = [each for each in records if each.kind == kind]
            wanted = next((each for each in stored if each.digest == digest), None)
            if wanted is None:
                raise JournalError(
                    what=f"The {kind} of the stopped run is not in the job file.",
                    where=f"{kind} {digest[:SHORTEST_CONFIRMATION]}",
                    why="Only what was confirmed may be carried on.",
                    next_step="Survey the car and plan again.",
                )
            again.append((wanted, stored[-1].digest == digest))
        (plan, _), (preparation, _) = again
        require_ready(
            self.pack,
            self.store,
            decode_stored(plan, Plan),
            decode_stored(preparation, Preparation),
        )
        for wanted, newest in again:
            if not newest:
                self.store.add_record(wanted.kind, wanted.data)

    def _keep(self, kind: str, record: T) -> T:
        self.store.add_record(kind, encode(record))
        return record

    async def _run(
        self,
        stage: str,
        context: str,
        strand: Any,
        keep: Callable[[Any, frozenset[str]], None] | None = None,
        plan: Plan | None = None,
    ) -> Any:
        if self._car is None:
            raise MisuseError(what=f"The stage {stage} needs a car, and none was given.")
        if self._car.session is not None:
            self._car.session.begin(stage, self.pack, plan)
        return await run_stage(self.store, self._car, stage, context, strand, keep=keep)

    # The stages

    async def survey(self) -> Survey:
        """Read the car."""
        survey: Survey = await self._run("survey", "car", survey_car(self.pack, self._now()))
        return self._keep(SURVEY, survey)

    async def survey_module(self, module: str) -> Survey:
        """Read a donor module alone on the bench.

        Raises:
            SafetyError: the pack has no such module.
        """
        donor = self.pack.find_module(module)
        unit = self.pack.find_unit(donor.unit) if donor else None
        if donor is None or unit is None:
            raise SafetyError(
                what=f"The pack has no donor module {module!r}.",
                why=f"It has: {', '.join(each.id for each in self.pack.modules) or 'none'}.",
                next_step="Name one of these with --module.",
            )
        strand = survey_bench(self.pack, unit, self._now())
        survey: Survey = await self._run("bench survey", module, strand)
        return self._keep(BENCH, survey)

    def take_survey(self, survey: Survey) -> Survey:
        """Keep a survey that was declared in a file."""
        return self._keep(SURVEY, survey)

    def check(self, module: str) -> FitReport:
        """Judge whether a module can work in this car."""
        survey = self.require(SURVEY, Survey)
        report = fit_check(self.pack, survey, module, self.find(BENCH, Survey))
        return self._keep(REPORT, report)

    def plan(self, choices: PlanChoices) -> Plan:
        """Plan the retrofit; ``choices`` are what the person has decided."""
        survey = self.require(SURVEY, Survey)
        plan = make_plan(
            self.pack,
            survey,
            self.require(REPORT, FitReport),
            self.find(BENCH, Survey),
            choices,
        )
        choices.refuse_unasked(each.id for each in plan.questions)
        standing = tuple(each.plan_digest for each in list_standing(self.store))
        begun = [self.require_made_from(PLAN, Plan, each) for each in standing]
        plan = forbid_over_begun_download(plan, survey, begun)
        return self._keep(PLAN, warn_of_begun(plan, standing))

    async def prepare(self, support_current_a: float | None) -> Preparation:
        """Back up, check identities and supply, see that the car stays awake."""
        plan = self.require(PLAN, Plan)
        digest = compute_digest(plan)
        prepared_at = find_beginning(self.store, digest, self._now())
        strand = prepare(self.pack, plan, prepared_at, support_current_a)
        preparation: Preparation = await self._run("prepare", digest, strand)
        for backup in preparation.backups:
            self.store.add_backup(backup.data)
        return self._keep(PREPARATION, preparation)

    async def apply(
        self,
        confirmation: str,
        load_software: Callable[[str], SoftwareImage],
        support_current_a: float | None = None,
    ) -> ChangeRecord:
        """Carry out the newest plan, or carry it on where it was begun.

        Args:
            confirmation: the plan's digest, or at least its first 12 digits.
            load_software: gives what a software file of the pack holds.
            support_current_a: what the supply holds now, where it goes on; None: as said before.

        Raises:
            SafetyError: a condition for writing does not hold.
            StoppedError: it goes on, and answers have to be given again.
        """
        plan = self.require(PLAN, Plan)
        preparation = self.require(PREPARATION, Preparation)
        confirm_digest(plan, confirmation)
        require_ready(self.pack, self.store, plan, preparation)
        software = load_planned_software(plan, load_software)
        context = f"{compute_digest(plan)} {compute_digest(preparation)}"
        runs = list_runs_of(self.store, plan, compute_digest(plan))
        earlier = find_change_before(self.store, runs)
        begun = find_begun(plan, earlier)
        claims = Claims(
            closed=list_closed(plan, begun, self._read_cut_run(context)),
            earlier=list_touched(earlier),
        )
        strand = apply_again(self.pack, plan, preparation, software, begun=begun, claims=claims)
        if self._car is not None:
            strand = begin_or_go_on(
                self.store,
                self._car.person,
                strand,
                pack=self.pack,
                plan=plan,
                preparation=preparation,
                now=self._now(),
                support_current_a=support_current_a,
            )
        await self._run("apply", context, strand, self._keep_change, plan)
        return self.require(CHANGE, ChangeRecord)

    def _read_cut_run(self, context: str) -> dict[str, tuple[PastAsk, ...]]:
        """What the run that is going to be taken up holds; nothing where a new one begins."""
        cut = [
            run
            for run in self.store.list_runs()
            if (run.stage, run.context, run.ended_at) == ("apply", context, "")
        ]
        return self.store.read_run(cut[-1].run) if cut else {}

    def _keep_change(self, change: ChangeRecord, strands: frozenset[str]) -> None:
        plan = self.require(PLAN, Plan)
        runs = list_runs_of(self.store, plan, compute_digest(plan))
        change = keep_earlier(change, find_change_of(self.store, runs), plan)
        self._keep(CHANGE, doubt_begun(change, plan, strands | self._list_asked(runs)))

    def _list_asked(self, runs: tuple[StoredRun, ...]) -> frozenset[str]:
        """Strands of runs that were cut in which something was asked that may have changed."""
        return frozenset(
            strand
            for run in runs
            if not run.ended_at
            for strand, asks in self.store.read_run(run.run).items()
            if any(ask.binding for ask in asks)
        )

    async def prove(self) -> Proof:
        """Read everything back and compare fault codes."""
        change = self.require(CHANGE, ChangeRecord)
        plan = self.require_made_from(PLAN, Plan, change.plan_digest)
        before = self.require_made_from(SURVEY, Survey, plan.survey_digest)
        digest, now = compute_digest(change), self._now()
        # Only for what it ends: the readings of a proof are always of now.
        find_beginning(self.store, digest, now, "prove")
        strand = prove(self.pack, plan, before, change, now)
        proof: Proof = await self._run("prove", digest, strand)
        return self._keep(PROOF, proof)

    def hand_over(self, *, mask: bool) -> Handover:
        """Put the records of the newest change together for the owner.

        Raises:
            SafetyError: nothing was changed yet, or a run was cut, so that no record says what the
                car holds now.
        """
        if any(run.stage == "apply" for run in list_open_runs(self.store)):
            raise SafetyError(
                what="A run that changes the car was cut, so no record says what the car holds.",
                next_step="donorfit resume JOB, or donorfit undo JOB; then the record.",
            )
        proof = self.find(PROOF, Proof)
        change = self.require(CHANGE, ChangeRecord)
        plan = self.require_made_from(PLAN, Plan, change.plan_digest)
        if proof is not None and proof.change_digest != compute_digest(change):
            proof = None
        handover = hand_over(
            self.pack,
            self.require_made_from(SURVEY, Survey, plan.survey_digest),
            self.find(BENCH, Survey),
            self.require_made_from(REPORT, FitReport, plan.report_digest),
            plan,
            self.require_made_from(PREPARATION, Preparation, change.preparation_digest),
            change,
            proof,
            renewals=list_renewals(self.store, change.plan_digest),
            host_notes=list_changes(self.store),
            mask=mask,
        )
        return self._keep(HANDOVER, handover)

    def plan_undo(self) -> Plan:
        """Plan the way back: restore every backup of the newest retrofit that stands in the car.

        Given again after it was carried out, it plans the way back of the one before, until
        nothing stands any more. Where nothing has happened since, the plan stays the same one.

        Raises:
            SafetyError: none was begun, or all were taken back.
        """
        standing = list_standing(self.store)
        if not standing:
            raise SafetyError(
                what="No change of this job is in the car, so there is nothing to take back.",
                next_step="donorfit status JOB says where the job stands.",
            )
        newest = standing[-1]
        plan = self.require_made_from(PLAN, Plan, newest.plan_digest)
        preparation = self.require_made_from(PREPARATION, Preparation, newest.preparation_digest)
        change = find_change_of(self.store, newest.runs)
        if change is None or newest.cut:
            change = presume_change(plan, preparation, change)
        undo = make_undo_plan(self.pack, plan, preparation, change)
        undo = tell_what_stays(undo, tuple(each.plan_digest for each in standing[:-1]))
        return undo if undo == self.find(PLAN, Plan) else self._keep(PLAN, undo)


def confirm_digest(plan: Plan, confirmation: str) -> None:
    """Check that the person means this very plan.

    Raises:
        SafetyError: another plan, or too few digits.
    """
    digest = compute_digest(plan)
    given = confirmation.strip().lower()
    if len(given) < SHORTEST_CONFIRMATION or not digest.startswith(given):
        shown = digest[:SHORTEST_CONFIRMATION]
        again = f"Read the plan again, then: --write {shown}"
        if plan.purpose is PlanPurpose.UNDO:
            again = (
                f"The newest plan is the way back: donorfit undo JOB --write {shown}. To go on "
                "with what was stopped: donorfit resume JOB"
            )
        raise SafetyError(
            what="The digest given is not that of the newest plan.",
            why=f"given {confirmation!r}, the plan is {shown}...",
            next_step=again,
        )
