"""A hand-over as a document: which sections it has, in which order."""

from donorfit.edge.documents.answer_sections import make_answers
from donorfit.edge.documents.content import Document
from donorfit.edge.documents.job_sections import (
    make_configuration,
    make_fit,
    make_options,
    make_summary,
)
from donorfit.edge.documents.proof_sections import (
    make_chain,
    make_checks,
    make_faults,
    make_findings,
    make_recipe_section,
    make_units,
    make_way_back,
)
from donorfit.edge.documents.work_sections import (
    make_cautions,
    make_ring,
    make_software,
    make_steps,
    make_supply,
    make_wires,
)
from donorfit.records.handover import Handover

_MAKERS = (
    make_summary,
    make_cautions,
    make_answers,
    make_fit,
    make_options,
    make_configuration,
    make_software,
    make_steps,
    make_supply,
    make_faults,
    make_checks,
    make_wires,
    make_ring,
    make_way_back,
    make_findings,
    make_units,
    make_chain,
    make_recipe_section,
)


def compose(handover: Handover) -> Document:
    """Put the document together; equal records give equal documents."""
    made_at = find_latest_time(handover)
    day = made_at[:10] or "no stated day"
    vin = handover.plan.vin or "VIN not known"
    return Document(
        title=handover.title,
        subtitle=f"Hand-over record for {vin}, {day}",
        made_at=made_at,
        sections=tuple(
            make(handover) for make in _MAKERS if make is not make_ring or handover.ring
        ),
    )


def find_latest_time(handover: Handover) -> str:
    """The time of the last record that has one: the document's own time, so that it is fixed."""
    if handover.proof is not None and handover.proof.proved_at:
        return handover.proof.proved_at
    return handover.preparation.prepared_at or handover.survey.taken_at
