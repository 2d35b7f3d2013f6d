"""Signals that the module needs, and what it does to its network."""

from dataclasses import replace

from donorfit.network import (
    CollisionKind,
    SignalCheck,
    SignalVerdict,
    check_signals,
    compare_load,
    find_collisions,
)
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.bus_lines import (
    judge_line,
    list_address_findings,
    list_line_findings,
)
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.network import Message, Network, NetworkKind

_VERDICTS = {
    SignalVerdict.PRESENT: Verdict.MET,
    SignalVerdict.ELSEWHERE: Verdict.AFTER_CHANGE,
    SignalVerdict.OTHER_LAYOUT: Verdict.IMPOSSIBLE,
    SignalVerdict.TOO_SLOW: Verdict.IMPOSSIBLE,
    SignalVerdict.ON_EVENTS: Verdict.UNKNOWN,
    SignalVerdict.MISSING: Verdict.IMPOSSIBLE,
    SignalVerdict.UNKNOWN: Verdict.UNKNOWN,
}


def check_networks(case: Case) -> Answer:
    """One line a needed signal, one for the network that the module sits on."""
    checks = check_signals(case.module.signals, case.pack.networks)
    lines = [_judge_signal(case, each) for each in checks]
    line, findings = _judge_network(case)
    return Answer(
        lines=(*lines, line, *judge_line(case)),
        findings=(*findings, *list_line_findings(case), *list_address_findings(case)),
    )


def _judge_signal(case: Case, found: SignalCheck) -> FitLine:
    need = found.need
    title = f"{need.signal} on {need.network}"
    evidence = tuple(
        each
        for each in (
            f"{found.network}/{found.message}" if found.message else "",
            f"protected by {found.protection}" if found.protection else "",
            *found.differences,
        )
        if each
    )
    verdict, reason, change = _VERDICTS[found.verdict], found.reason, found.remedy
    absent = _list_absent_senders(case, found)
    if found.verdict is SignalVerdict.PRESENT and absent:
        verdict = Verdict.AFTER_CHANGE
        reason = f"{need.message} is sent by {', '.join(absent)}, not found in this car"
        change = f"fit {' or '.join(absent)}, or wake it and survey again"
    effect = "" if verdict is Verdict.MET else f"; otherwise: {need.effect}"
    return FitLine(
        subject=Subject.SIGNAL,
        title=title,
        verdict=verdict,
        reason=f"{reason}{effect}",
        change=change,
        evidence=evidence,
    )


def _list_absent_senders(case: Case, found: SignalCheck) -> list[str]:
    """Senders by title where every one of them is known to be silent; else nothing."""
    units = [_find_sender(case, name) for name in found.senders]
    if not units or any(unit is None or case.answers(unit) is not False for unit in units):
        return []
    return [case.title(unit) for unit in units if unit is not None]


def _find_sender(case: Case, name: str) -> UnitId | None:
    """Unit that a network description calls by this name."""
    wanted = name.casefold()
    return next((unit.id for unit in case.pack.units if unit.id.casefold() == wanted), None)


def _judge_network(case: Case) -> tuple[FitLine, tuple[Finding, ...]]:
    name = case.unit.network
    title = f"network {name}"
    network = next((each for each in case.pack.networks if each.name == name), None)
    if network is None:
        return _line(title, Verdict.UNKNOWN, "the pack does not describe it"), ()
    silent = _judge_silence(case, network)
    if silent is not None:
        return silent, ()
    own = [message for message in network.messages if _is_own(case, message)]
    without = replace(
        network, messages=tuple(each for each in network.messages if each not in own)
    )
    findings = _list_collisions(without, own)
    if network.kind is not NetworkKind.CAN or not network.bit_rate or not own:
        reason = "it is in the car" if not own else "its load is not worked out"
        return _line(title, Verdict.MET, reason), findings
    loads = compare_load(without, own)
    reason = (
        f"load {loads.before.worst_load:.1%} without and {loads.after.worst_load:.1%} with the "
        f"module, every frame stuffed as badly as can be"
    )
    if loads.first_late is None:
        return _line(title, Verdict.MET, reason), findings
    late = loads.first_late
    finding = Finding(
        id="message-may-be-late",
        severity=Severity.WARNING,
        what=f"Message {late.message} may come late once the module sends too.",
        where=name,
        why="in the worst case it is not through before the next one is due",
        evidence=(reason,),
        next_step="record the network with the module fitted",
    )
    return _line(title, Verdict.UNKNOWN, f"{reason}; {late.message} may be late"), (
        *findings,
        finding,
    )


def _judge_silence(case: Case, network: Network) -> FitLine | None:
    """A line where no unit on the network answered; None where one did or nobody asked."""
    others = [u.id for u in case.pack.units if u.network == network.name and u.id != case.unit.id]
    asked = [unit for unit in others if case.answers(unit) is not None]
    if not asked or any(case.answers(unit) for unit in asked):
        return None
    reason = f"no unit on it answers ({', '.join(case.title(unit) for unit in asked)})"
    return _line(f"network {network.name}", Verdict.UNKNOWN, reason)


def _is_own(case: Case, message: Message) -> bool:
    return any(sender.casefold() == case.unit.id.casefold() for sender in message.senders)


def _list_collisions(network: Network, own: list[Message]) -> tuple[Finding, ...]:
    return tuple(
        Finding(
            id="identifier-collision",
            severity=Severity.BLOCKING,
            what=f"{each.first} and {each.second} use the same identifier {each.frame_id:#x}.",
            where=network.name,
            why=each.why,
            next_step="find out which unit sends it in this car before anything is connected",
        )
        for each in find_collisions(network, own)
        if each.kind is not CollisionKind.SAME_MESSAGE
    )


def _line(title: str, verdict: Verdict, reason: str) -> FitLine:
    return FitLine(subject=Subject.NETWORK, title=title, verdict=verdict, reason=reason)
