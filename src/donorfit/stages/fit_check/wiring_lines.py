"""Connector, pins and the module's own feed."""

from donorfit.electrical import (
    PinMatch,
    SleepVerdict,
    compare_by_rule,
    compare_sleep,
    match_pins,
    size_wire,
)
from donorfit.records.counted import choose, count
from donorfit.records.finding import Finding, Severity
from donorfit.records.fit_report import FitLine, Subject, Verdict
from donorfit.stages.fit_check.case import Answer, Case
from donorfit.vehicle.network import Connector, PinFunction

FEED_LENGTH_M = 5.0
_SUPPLIES = frozenset((PinFunction.SUPPLY, PinFunction.SWITCHED_SUPPLY))


def check_wiring(case: Case) -> Answer:
    """Lines for the connector, the feed, the session's supply, and the sleeping car."""
    match, connector, findings = _judge_connector(case)
    session = _judge_session(case)
    sleep, sleep_findings = _judge_sleep(case)
    lines = (connector, _judge_feed(case, match), session, sleep)
    return Answer(
        lines=tuple(line for line in lines if line is not None),
        findings=(*findings, *sleep_findings),
    )


def _find(case: Case, name: str) -> Connector | None:
    return next((each for each in case.pack.connectors if each.id == name), None)


def _judge_connector(case: Case) -> tuple[PinMatch | None, FitLine, tuple[Finding, ...]]:
    title = f"connector {case.module.connector}" if case.module.connector else "connector"
    own = _find(case, case.module.connector)
    if own is None:
        reason = "the pack does not describe the module's connector"
        return None, _line(title, Verdict.UNKNOWN, reason), ()
    if not case.module.host_connector:
        used = [each for each in own.cavities if each.function is not PinFunction.UNUSED]
        reason = "the host's harness has no connector for it"
        change = f"run its wires ({len(used)})"
        return None, _line(title, Verdict.AFTER_CHANGE, reason, change), ()
    host = _find(case, case.module.host_connector)
    if host is None:
        reason = f"the pack does not describe {case.module.host_connector}"
        return None, _line(title, Verdict.UNKNOWN, reason), ()
    match = match_pins(host, own)
    if match.straight:
        reason = f"it plugs into {host.title} and every cavity agrees"
        return match, _line(title, Verdict.MET, reason), ()
    return match, _say_wires(match, host, title), match.dangers


def _say_wires(match: PinMatch, host: Connector, title: str) -> FitLine:
    moved = [wire for wire in match.wires if not wire.same_place]
    parts = [
        f"it {'plugs' if match.plugs_in else 'does not plug'} into {host.title}",
        f"{len(moved)} of {count(len(match.wires), 'cavity', 'cavities')} "
        f"{choose(len(moved), 'sits', 'sit')} elsewhere"
        if moved
        else "",
        f"{len(match.missing)} without a partner" if match.missing else "",
        f"{len(match.dangers)} would be wrong if it were plugged in" if match.dangers else "",
    ]
    change = f"an adapter ({count(len(match.wires), 'wire')})"
    if match.missing:
        change = f"{change} and new runs ({count(len(match.missing), 'wire')})"
    return FitLine(
        subject=Subject.CONNECTOR,
        title=title,
        verdict=Verdict.AFTER_CHANGE,
        reason=", ".join(part for part in parts if part),
        change=change,
        evidence=tuple(
            f"{match.host}:{wire.host.number} to {match.module}:{wire.module.number} "
            f"{wire.module.function.value} {wire.module.detail}".rstrip()
            for wire in match.wires
        ),
    )


def _judge_feed(case: Case, match: PinMatch | None) -> FitLine:
    current = case.module.supply_current_a
    title = f"feed of the module, {current:g} A"
    if current <= 0:
        return _feed(title, Verdict.UNKNOWN, "the pack does not say what the module takes")
    feeds = [each for each in match.wires if each.host.function in _SUPPLIES] if match else []
    stated = sum(wire.host.current_a for wire in feeds)
    strong = all(wire.host.current_a >= max(wire.module.current_a, 0.01) for wire in feeds)
    if feeds and strong and stated >= current:
        return _feed(title, Verdict.MET, f"the host's wires are made for {stated:g} A")
    wire = size_wire(current, FEED_LENGTH_M)
    if not wire.found:
        reason = f"no listed wire of {FEED_LENGTH_M:g} m does: {wire.reason}"
        return _feed(title, Verdict.UNKNOWN, reason)
    why = (
        f"the host's wires are made for {stated:g} A"
        if stated
        else "nothing is known of a feed in the host's harness"
    )
    change = (
        f"run {wire.cross_section_mm2:g} mm2 with a {wire.fuse.rating_a:g} A fuse near its source"
    )
    return _feed(title, Verdict.AFTER_CHANGE, why, change, (wire.reason,))


def _judge_session(case: Case) -> FitLine | None:
    window, volts = case.pack.supply, case.survey.supply_volts
    if window is None:
        return None
    title = f"supply during the work, {window.lowest_volts:g} to {window.highest_volts:g} V"
    if volts is None:
        return _feed(title, Verdict.UNKNOWN, "it was not measured", "measure it when preparing")
    if window.lowest_volts <= volts <= window.highest_volts:
        return _feed(title, Verdict.MET, f"{volts:.1f} V were read")
    change = "connect a supply that holds its current; the plan says how much"
    return _feed(title, Verdict.AFTER_CHANGE, f"{volts:.1f} V were read", change)


def _judge_sleep(case: Case) -> tuple[FitLine | None, tuple[Finding, ...]]:
    """Days that the parked car keeps enough charge, before and after; None where not known."""
    window, added_ma = case.pack.supply, case.module.sleep_current_ma
    if window is None or added_ma <= 0 or window.sleep_current_ma <= 0:
        return None, ()
    before_ma, capacity_ah = window.sleep_current_ma, window.battery_ah
    after_ma = before_ma + added_ma
    found = compare_sleep(before_ma=before_ma, after_ma=after_ma, capacity_ah=capacity_ah)
    rules = compare_by_rule(before_ma=before_ma, after_ma=after_ma, capacity_ah=capacity_ah)
    days = sorted(each.comparison.after.days for each in rules)
    line = _feed(
        f"sleep current, {added_ma:g} mA more",
        Verdict.MET,
        f"parked, the car keeps enough charge for {found.after.days:.0f} instead of "
        f"{found.before.days:.0f} days, {days[0]:.0f} to {days[-1]:.0f} by the rule one trusts",
        evidence=tuple(
            f"{each.comparison.before.days:.1f} to {each.comparison.after.days:.1f} days: "
            f"{each.rule} ({each.source})"
            for each in rules
        ),
    )
    if found.after.verdict is SleepVerdict.USUAL:
        return line, ()
    return line, (
        Finding(
            id="sleep-current-high",
            severity=Severity.WARNING,
            what=f"The sleeping car would take {after_ma:g} mA.",
            where=case.module.unit,
            why=f"above {found.after.limit_ma:g} mA: {found.after.verdict.value}",
            next_step="measure before and after, once the networks sleep",
        ),
    )


def _feed(
    title: str, verdict: Verdict, reason: str, change: str = "", evidence: tuple[str, ...] = ()
) -> FitLine:
    return FitLine(
        subject=Subject.SUPPLY,
        title=title,
        verdict=verdict,
        reason=reason,
        change=change,
        evidence=evidence,
    )


def _line(title: str, verdict: Verdict, reason: str, change: str = "") -> FitLine:
    return FitLine(
        subject=Subject.CONNECTOR, title=title, verdict=verdict, reason=reason, change=change
    )
