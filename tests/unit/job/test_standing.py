"""What stands in the car after runs of any plans: a pile that undo takes off from the top."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from toys import make_plan, make_preparation

from donorfit.edge.journal.job_file import JobFile
from donorfit.job.standing import find_change_of, list_runs_of, list_standing
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.plan import PlanPurpose

FIRST = make_plan()
SECOND = replace(FIRST, month_reason="planned anew")


class Pile:
    """A job file, and the runs that somebody makes on it."""

    def __init__(self, file: JobFile) -> None:
        self.file = file
        self._made = 0

    def begin(self, plan, *, ended=True, finished=True):
        """A preparation of its own and one run; the digest of the preparation."""
        self._made += 1
        preparation = replace(make_preparation(plan), prepared_at=f"{self._made}")
        digest = compute_digest(preparation)
        self.file.add_record("plan", encode(plan))
        self.file.add_record("preparation", encode(preparation))
        run = self.file.begin_run("apply", f"{compute_digest(plan)} {digest}")
        if ended:
            change = ChangeRecord(
                plan_digest=compute_digest(plan),
                preparation_digest=digest,
                vin=plan.vin,
                steps=(),
                finished=finished,
                changed=(),
            )
            self.file.add_record("change", encode(change))
            run.end()
        return digest

    def undo(self, preparation_digest, *, ended=True, finished=True):
        plan = replace(
            FIRST, purpose=PlanPurpose.UNDO, preparation_digest=preparation_digest, steps=()
        )
        self.begin(plan, ended=ended, finished=finished)
        return plan

    def list(self):
        names = {compute_digest(FIRST): "first", compute_digest(SECOND): "second"}
        return [names[each.plan_digest] for each in list_standing(self.file)]


@pytest.fixture
def pile(tmp_path):
    with JobFile.create(tmp_path / "job", lambda: "2026-01-01T00:00:00+00:00") as file:
        yield Pile(file)


def test_what_was_begun_last_lies_on_top_and_is_taken_off_first(pile) -> None:
    assert pile.list() == []
    pile.begin(FIRST, finished=False)
    second = pile.begin(SECOND)
    assert pile.list() == ["first", "second"]
    pile.undo(second)
    assert pile.list() == ["first"]


def test_a_plan_without_steps_leaves_nothing_to_take_off(pile) -> None:
    pile.begin(FIRST)
    pile.begin(replace(SECOND, steps=()))
    assert pile.list() == ["first"]


@pytest.mark.parametrize(("ended", "finished"), [(False, False), (True, False)])
def test_a_way_back_that_has_not_come_to_its_end_takes_nothing_off(pile, ended, finished) -> None:
    pile.undo(pile.begin(FIRST), ended=ended, finished=finished)
    assert pile.list() == ["first"]


def test_what_was_taken_off_and_begun_again_stands_again(pile) -> None:
    before = pile.begin(FIRST, ended=False)
    pile.undo(before)
    assert pile.list() == []
    assert list_runs_of(pile.file, FIRST, compute_digest(FIRST)) == ()
    again = pile.begin(FIRST)
    (standing,) = list_standing(pile.file)
    # The cut run from before it was taken back says nothing any more.
    assert not standing.cut
    assert [run.context.split()[1] for run in standing.runs] == [again]


def test_a_run_that_was_cut_shows_though_a_later_one_has_ended(pile) -> None:
    pile.begin(FIRST, ended=False)
    pile.begin(FIRST)
    (standing,) = list_standing(pile.file)
    assert standing.cut
    assert len(standing.runs) == 2


def test_a_record_is_found_behind_those_of_other_plans(pile) -> None:
    first = pile.begin(FIRST, finished=False)
    pile.undo(first, finished=False)
    runs = list_runs_of(pile.file, FIRST, compute_digest(FIRST))
    assert find_change_of(pile.file, runs).preparation_digest == first
    assert find_change_of(pile.file, ()) is None


def test_runs_of_a_way_back_are_its_own(pile) -> None:
    undo = pile.undo(pile.begin(FIRST), finished=False)
    runs = list_runs_of(pile.file, undo, compute_digest(undo))
    assert [run.context.split()[0] for run in runs] == [compute_digest(undo)]


def test_a_job_file_that_kept_no_runs_goes_by_its_change_records(pile, tmp_path) -> None:
    digest = pile.begin(FIRST)
    with JobFile.create(tmp_path / "older", lambda: "2026-01-01T00:00:00+00:00") as older:
        for each in pile.file.list_records():
            older.add_record(each.kind, each.data)
        (standing,) = list_standing(older)
    assert standing.preparation_digest == digest
    assert not standing.cut
