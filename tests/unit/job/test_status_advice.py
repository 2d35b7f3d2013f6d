"""What status says comes next is not refused."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from test_status import PLAN, PREPARATION, look

from donorfit.edge.journal.job_file import JobFile
from donorfit.records.change_record import ChangeRecord
from donorfit.records.encoding import compute_digest, encode
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import OpenQuestion, PlanPurpose
from donorfit.records.proof import Proof

FORBIDDEN = replace(
    PLAN, findings=(Finding(id="x", severity=Severity.BLOCKING, what="It must not be."),)
)
OPEN = replace(PLAN, questions=(OpenQuestion(id="q", text="Which?", choices=("a", "b")),))


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (PLAN, f"donorfit apply JOB --car HOST:PORT --write {compute_digest(PLAN)[:12]}"),
        (FORBIDDEN, "donorfit survey JOB"),
        (OPEN, "donorfit plan JOB --choose"),
    ],
)
def test_a_plan_that_may_not_be_applied_is_mended_first(tmp_path, plan, said) -> None:
    prepared = replace(PREPARATION, plan_digest=compute_digest(plan), ready=True)
    with JobFile.create(tmp_path / "job", lambda: "2026-01-01T00:00:00+00:00") as store:
        for kind, data in (
            ("survey", b"{}"),
            ("fit report", b"{}"),
            ("plan", encode(plan)),
            ("preparation", encode(prepared)),
        ):
            store.add_record(kind, data)
        assert look(store).next_step.startswith(said)


@pytest.mark.parametrize("recorded", [False, True])
@pytest.mark.parametrize("purpose", PlanPurpose)
def test_what_is_not_proved_is_not_done(tmp_path, purpose, recorded) -> None:
    plan = replace(PLAN, purpose=purpose)
    change = ChangeRecord(
        plan_digest=compute_digest(plan),
        preparation_digest=compute_digest(PREPARATION),
        vin=PLAN.vin,
        steps=(),
        finished=True,
        changed=(),
    )
    proof = Proof(
        plan_digest=change.plan_digest,
        change_digest=compute_digest(change),
        vin=PLAN.vin,
        proved_at="2026-01-01T00:00:00+00:00",
        read_backs=(),
        faults=(),
        checks=(),
        proved=False,
    )
    prepared = replace(PREPARATION, plan_digest=change.plan_digest, ready=True)
    with JobFile.create(tmp_path / "job", lambda: "2026-01-01T00:00:00+00:00") as store:
        for kind, data in (
            ("survey", b"{}"),
            ("fit report", b"{}"),
            ("plan", encode(plan)),
            ("preparation", encode(prepared)),
            ("change", encode(change)),
            ("proof", encode(proof)),
            *([("hand-over", b"{}")] if recorded else []),
        ):
            store.add_record(kind, data)
        said = look(store).next_step
    assert said.startswith("donorfit prove JOB --car HOST:PORT")
    assert ("donorfit undo JOB" in said) is (purpose is PlanPurpose.RETROFIT)
