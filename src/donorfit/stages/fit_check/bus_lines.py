"""The line itself: terminating resistors, stub, LIN slots, diagnostic addresses."""

from collections.abc import Iterator

from donorfit.network.addresses import find_address_clashes
from donorfit.network.lin_fit import check_lin
from donorfit.network.termination import (
    LINE_LIMITS,
    ResistorPlan,
    StubVerdict,
    judge_stub,
    plan_resistors,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Case
from donorfit.vehicle.network import Network, NetworkKind


def judge_line(case: Case) -> tuple[FitLine, ...]:
    """A line on the terminating resistors where the pack says who holds them."""
    network = _find_network(case)
    plan = _plan_resistors(case, network)
    if network is None or plan is None:
        return ()
    title = f"terminating resistors of {network.name}"
    if case.module.terminates is None and case.unit.id not in network.terminated_by:
        reason = f"{len(network.terminated_by)} now; nobody knows whether the module holds one"
        line = FitLine(
            subject=Subject.NETWORK,
            title=title,
            verdict=Verdict.UNKNOWN,
            reason=reason,
            change="measure the module alone between its two bus pins: 120 ohm or some 30 kohm",
        )
        return (line,)
    verdict = Verdict.MET if plan.right else Verdict.AFTER_CHANGE
    # A right number is a hand check of the plan as well: the meter has the last word.
    reason = f"{plan.why}; {plan.next_step}" if plan.right else plan.why
    change = "" if plan.right else plan.next_step
    return (
        FitLine(
            subject=Subject.NETWORK, title=title, verdict=verdict, reason=reason, change=change
        ),
    )


def list_line_findings(case: Case) -> Iterator[Finding]:
    """Doubts about resistors, the stub, and a LIN bus."""
    network = _find_network(case)
    if network is None:
        return
    plan = _plan_resistors(case, network)
    known = case.module.terminates is not None
    if plan is not None and known and not plan.right:
        yield Finding(
            id="termination-changes",
            severity=Severity.WARNING,
            what=f"{network.name} would not end in two terminating resistors.",
            where=network.name,
            why=plan.why,
            next_step=f"{plan.next_step}; measure with the supply off",
        )
    yield from _list_stub_findings(case, network)
    yield from _list_format_findings(case, network)
    if network.kind is NetworkKind.LIN and network.bit_rate > 0:
        for doubt in check_lin(network).doubts:
            yield Finding(
                id="lin-doubt",
                severity=Severity.WARNING,
                what=f"{doubt.kind.value.capitalize()}: {doubt.subject}.",
                where=network.name,
                why=doubt.why,
                next_step=doubt.next_step,
            )


def list_address_findings(case: Case) -> Iterator[Finding]:
    """Diagnostic addresses that would be held twice, and messages on diagnostic identifiers."""
    here = [unit for unit in case.pack.units if unit.id == case.unit.id or case.answers(unit.id)]
    for clash in find_address_clashes(here, case.pack.networks):
        yield Finding(
            id="diagnostic-address-clash",
            severity=Severity.WARNING,
            what=f"{clash.kind.value.capitalize()}.",
            where=f"{clash.number:#x}",
            why=clash.why,
            next_step="read both alone before they are connected together",
        )
    own = case.own
    if own is None or not own.address or own.address == case.unit.address:
        return
    other = next((unit for unit in here if unit.address == own.address), None)
    taken = f"; {case.title(other.id)} answers there in this car" if other is not None else ""
    yield Finding(
        id="diagnostic-address-differs",
        severity=Severity.BLOCKING if other is not None else Severity.WARNING,
        what="The module answers at another diagnostic address than the pack says.",
        where=case.unit.id,
        why=f"{own.address:#06x} instead of {case.unit.address:#06x}{taken}",
        next_step="find out which variant of the module this is before it is connected",
    )


def _list_stub_findings(case: Case, network: Network) -> Iterator[Finding]:
    length, rate = case.module.stub_m, network.bit_rate
    if network.kind is not NetworkKind.CAN or length is None:
        return
    if not 0 < rate <= LINE_LIMITS[-1].bit_rate:
        return
    answer = judge_stub(rate, length)
    if answer.verdict is not StubVerdict.FITS:
        yield Finding(
            id="stub-too-long",
            severity=Severity.WARNING,
            what=f"The wires from {network.name} to the module make a long stub.",
            where=network.name,
            why=f"{answer.why}; public pages differ, the strict figure is for 500 kbit/s and up",
            next_step="lead the bus past the module instead: in and out again",
        )


def _list_format_findings(case: Case, network: Network) -> Iterator[Finding]:
    """CAN FD frames on the bus, and a module of which only classic frames are described."""
    if not any(each.can_fd for each in network.messages):
        return
    name = case.unit.id.casefold()
    own = [m for m in network.messages if name in {each.casefold() for each in m.senders}]
    heard = [m for m in network.messages if name in {each.casefold() for each in m.receivers}]
    if any(each.can_fd for each in (*own, *heard)):
        return
    yield Finding(
        id="flexible-frames-on-the-bus",
        severity=Severity.WARNING,
        what=f"{network.name} carries CAN FD frames; nothing says that the module bears them.",
        where=network.name,
        why="a controller of classic CAN answers every CAN FD frame with an error (ISO 11898-1)",
        next_step="find out which kind of CAN controller the module has before it is connected",
    )


def _find_network(case: Case) -> Network | None:
    name = case.unit.network
    return next((each for each in case.pack.networks if each.name == name), None)


def _plan_resistors(case: Case, network: Network | None) -> ResistorPlan | None:
    if network is None or network.kind is not NetworkKind.CAN or not network.terminated_by:
        return None
    # A unit that the pack counts among the ends and that the car has, gives its place up.
    ends = [
        unit
        for unit in network.terminated_by
        if unit == case.unit.id or case.answers(unit) is not False
    ]
    replaced = case.unit.id in ends
    own = case.module.terminates
    return plan_resistors(
        len(ends), replaces_one=replaced, module_has_one=replaced if own is None else own
    )
