"""A place on the optical ring, and whether the ring holds."""

from donorfit.errors import InputError
from donorfit.network import (
    RingReport,
    insert_node,
    judge_ring,
    list_ring_order,
    locate_break,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.network import OpticalRing

SHORTEST_NEW_HOP_M = 2.0


def check_ring(case: Case) -> Answer:
    """A line where the module needs the ring; a finding where the ring seems broken now."""
    ring = case.pack.ring
    if ring is None:
        return Answer(lines=(_say_no_ring(),) if case.module.on_ring else ())
    try:
        order = list_ring_order(ring)
        findings = _list_break(case, order)
        lines = (_judge(case, ring, order),) if case.module.on_ring else ()
    except InputError as error:
        reason = f"the pack's ring cannot be worked out: {error.why}"
        return Answer(lines=(_line(Verdict.UNKNOWN, reason),) if case.module.on_ring else ())
    return Answer(lines=lines, findings=findings)


def _judge(case: Case, ring: OpticalRing, order: tuple[UnitId, ...]) -> FitLine:
    unit = case.unit.id
    if unit in order:
        report = judge_ring(ring)
        place = order.index(unit)
    else:
        place = min(case.unit.ring_position or len(order), len(order))
        after = order[place - 1]
        old = next(hop for hop in ring.hops if hop.source == after)
        length = max(old.length_m, SHORTEST_NEW_HOP_M)
        report = judge_ring(
            insert_node(ring, unit, after=after, length_in_m=length, length_out_m=length)
        )
    evidence = _list_margins(report)
    if not report.holds:
        dark = [each for each in report.hops if each.margin_db < 0]
        names = ", ".join(f"{each.hop.source} to {each.hop.target}" for each in dark)
        reason = f"too little light arrives on {names}"
        return _line(Verdict.AFTER_CHANGE, reason, "shorter fibre or fewer connectors", evidence)
    if unit in order and case.answers(unit):
        reason = f"it has its place, lowest margin {report.lowest_margin_db:.1f} dB"
        return _line(Verdict.MET, reason, "", evidence)
    behind, ahead = report.order[place - 1], report.order[(place + 1) % len(report.order)]
    change = (
        f"open the ring between {case.title(behind)} and {case.title(ahead)}, add the node, and "
        f"add it to the list of nodes that {case.title(ring.master)} expects"
    )
    reason = (
        f"one more node; every node sends on its own light, lowest margin "
        f"{report.lowest_margin_db:.1f} dB (unverified power window)"
    )
    return _line(Verdict.AFTER_CHANGE, reason, change, evidence)


def _list_margins(report: RingReport) -> tuple[str, ...]:
    return tuple(
        f"{each.hop.source} to {each.hop.target}: {each.margin_db:.1f} dB, {each.verdict}"
        for each in report.hops
    )


def _list_break(case: Case, order: tuple[UnitId, ...]) -> tuple[Finding, ...]:
    """A ring that is broken now: the master answers and nodes known to be fitted do not."""
    expected = [unit for unit in order if case.answers(unit) is not None and _belongs(case, unit)]
    if not expected or expected[0] != order[0] or not case.answers(order[0]):
        return ()
    heard = [unit for unit in expected[1:] if case.answers(unit)]
    found = locate_break(expected, heard)
    if not found.silent:
        return ()
    return (
        Finding(
            id="ring-may-be-broken",
            severity=Severity.WARNING,
            what=f"The optical ring may be broken: {found.reason}.",
            where=case.pack.ring.name if case.pack.ring else "",
            why="units that belong on the ring do not answer, its master does",
            evidence=tuple(f"silent: {case.title(unit)}" for unit in found.silent),
            next_step="look for light at these places before a node is added",
        ),
    )


def _belongs(case: Case, unit: UnitId) -> bool:
    known = case.pack.find_unit(unit)
    option = known.present_option if known is not None else None
    return option is None or option in case.survey.options


def _say_no_ring() -> FitLine:
    return _line(Verdict.IMPOSSIBLE, "the family has no optical ring")


def _line(
    verdict: Verdict, reason: str, change: str = "", evidence: tuple[str, ...] = ()
) -> FitLine:
    return FitLine(
        subject=Subject.RING,
        title="place on the optical ring",
        verdict=verdict,
        reason=reason,
        change=change,
        evidence=evidence,
    )
