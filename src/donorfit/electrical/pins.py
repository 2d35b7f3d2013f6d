"""Pair the cavities of a host connector with those of a module's connector.

Both connectors are described as the unit that is plugged in sees them: ``optical in`` is where the
light enters the unit. Cavities are paired by function and detail as an exact assignment: as many
as possible, then the best agreeing ones, then those that keep their number.
"""

from dataclasses import dataclass

from donorfit.electrical.assignment import assign
from donorfit.records.finding import Finding, Severity
from donorfit.vehicle.network import Cavity, Connector, PinFunction

MOST_CAVITIES = 400
_ENERGISED = frozenset((PinFunction.SUPPLY, PinFunction.SWITCHED_SUPPLY, PinFunction.OUTPUT))
_SUPPLIES = frozenset((PinFunction.SUPPLY, PinFunction.SWITCHED_SUPPLY))
_OPTICAL = frozenset((PinFunction.OPTICAL_IN, PinFunction.OPTICAL_OUT))
_NO_PAIR = 1_000_000
_DETAIL_UNKNOWN = 2_000
_TOO_THIN = 1_000
_OTHER_NUMBER = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PinWire:
    """One wire of an adapter: host cavity to module cavity."""

    host: Cavity
    module: Cavity
    note: str = ""

    @property
    def same_place(self) -> bool:
        """Whether both cavities have the same number."""
        return self.host.number == self.module.number

    @property
    def too_weak(self) -> bool:
        """Whether the host's wire is made for less than the module takes."""
        return _is_too_weak(self.host, self.module)


@dataclass(frozen=True, slots=True, kw_only=True)
class PinMatch:
    """Two connectors compared.

    Attributes:
        host: id of the host's connector.
        module: id of the module's connector.
        plugs_in: whether the shapes fit each other.
        wires: pairs, in order of the module's cavity numbers; no cavity is in two of them.
        missing: cavities that the module uses and the host has no partner for.
        spare: cavities of the host that nothing uses.
        dangers: what would happen if the plug were simply put in, and other doubts.
    """

    host: str
    module: str
    plugs_in: bool
    wires: tuple[PinWire, ...]
    missing: tuple[Cavity, ...]
    spare: tuple[Cavity, ...]
    dangers: tuple[Finding, ...]

    @property
    def straight(self) -> bool:
        """Whether the plug can simply be put in: all cavities agree in place and function."""
        return (
            self.plugs_in
            and not self.missing
            and not self.dangers
            and all(wire.same_place for wire in self.wires)
        )


def match_pins(host: Connector, module: Connector) -> PinMatch:
    """Pair the cavities of two connectors and say what a straight plug would do.

    Never raises for doubtful connectors: doubled cavity numbers and over-long connectors become
    findings.
    """
    dangers = [*_list_doubled(host), *_list_doubled(module)]
    needed = [each for each in _tidy(module) if each.function is not PinFunction.UNUSED]
    offered = [each for each in _tidy(host) if each.function is not PinFunction.UNUSED]
    costs = [[_cost(there, here) for there in offered] for here in needed]
    partners = assign(costs, unpaired=_NO_PAIR)
    wires = tuple(
        PinWire(host=offered[place], module=here, note=_note(offered[place], here))
        for here, place in zip(needed, partners, strict=True)
        if place is not None
    )
    used = {place for place in partners if place is not None}
    if _fits(host, module):
        dangers += _list_dangers(host, module)
    return PinMatch(
        host=host.id,
        module=module.id,
        plugs_in=_fits(host, module),
        wires=wires,
        missing=tuple(here for here, place in zip(needed, partners, strict=True) if place is None),
        spare=tuple(each for place, each in enumerate(offered) if place not in used),
        dangers=tuple(dangers),
    )


def _fits(host: Connector, module: Connector) -> bool:
    return bool(host.shape) and host.shape == module.shape


def _tidy(connector: Connector) -> list[Cavity]:
    """Cavities by number, the first of each number, within the bound."""
    first: dict[int, Cavity] = {}
    for cavity in connector.cavities[:MOST_CAVITIES]:
        first.setdefault(cavity.number, cavity)
    return [first[number] for number in sorted(first)]


def _cost(host: Cavity, module: Cavity) -> int:
    """Cost of pairing; ``_NO_PAIR`` where the two must not meet."""
    if host.function is not module.function:
        return _NO_PAIR
    cost = 0
    if host.detail != module.detail:
        if host.detail and module.detail:
            return _NO_PAIR
        cost += _DETAIL_UNKNOWN
    if _is_too_weak(host, module):
        cost += _TOO_THIN
    return cost + (_OTHER_NUMBER if host.number != module.number else 0)


def _note(host: Cavity, module: Cavity) -> str:
    notes = []
    if host.detail != module.detail:
        notes.append("one side does not say which one: check before connecting")
    if _is_too_weak(host, module):
        notes.append(f"{_say_weak(host, module)}: run a new one")
    return "; ".join(notes)


def _is_too_weak(host: Cavity, module: Cavity) -> bool:
    return 0 < host.current_a < module.current_a


def _say_weak(host: Cavity, module: Cavity) -> str:
    return (
        f"the host's wire is made for {host.current_a:g} A, the module takes "
        f"{module.current_a:g} A"
    )


def _list_doubled(connector: Connector) -> list[Finding]:
    numbers = [cavity.number for cavity in connector.cavities]
    doubled = sorted({number for number in numbers if numbers.count(number) > 1})
    findings = [
        Finding(
            id="cavity-twice",
            severity=Severity.WARNING,
            what=f"cavity {number} stands twice in connector {connector.id}",
            where=f"{connector.id}:{number}",
            why="the first entry is used, the others are not",
            next_step="correct the pack",
        )
        for number in doubled[:MOST_CAVITIES]
    ]
    if len(numbers) > MOST_CAVITIES:
        findings.append(
            Finding(
                id="connector-too-long",
                severity=Severity.WARNING,
                what=f"connector {connector.id} has {len(numbers)} cavities",
                where=connector.id,
                why=f"only the first {MOST_CAVITIES} are compared",
                next_step="split the connector by housing",
            )
        )
    return findings


def _list_dangers(host: Connector, module: Connector) -> list[Finding]:
    """What meets what where the plug is put in as it is."""
    partners = {cavity.number: cavity for cavity in _tidy(host)}
    found = []
    for here in _tidy(module):
        there = partners.get(here.number)
        if there is None or PinFunction.UNUSED in (there.function, here.function):
            continue
        danger = _judge_contact(there, here)
        if danger is not None:
            severity, why = danger
            found.append(
                Finding(
                    id="plug-fits-pins-differ",
                    severity=severity,
                    what=f"the plug fits, but cavity {here.number} carries "
                    f"{_describe(there)} and the module expects {_describe(here)}",
                    where=f"{host.id}:{there.number} on {module.id}:{here.number}",
                    why=why,
                    next_step="do not plug in; use the wires listed, one by one",
                )
            )
    return found


def _describe(cavity: Cavity) -> str:
    current = f"of {cavity.current_a:g} A" if cavity.current_a > 0 else ""
    return " ".join(filter(None, (cavity.function.value, cavity.detail, current)))


def _judge_contact(host: Cavity, module: Cavity) -> tuple[Severity, str] | None:
    """What happens where two cavities meet; None where they agree."""
    if host.function is module.function:
        if host.detail and module.detail and host.detail != module.detail:
            return Severity.WARNING, "the function is the same, the network or signal is not"
        if _is_too_weak(host, module):
            return Severity.WARNING, _say_weak(host, module)
        if host.detail != module.detail:
            return Severity.WARNING, "one side does not say which network or signal it is"
        return None
    pair = {host.function, module.function}
    energised = host.function in _ENERGISED
    judgements = (
        (pair & _OPTICAL, Severity.WARNING, "light and copper, or in and out, do not meet"),
        (pair <= _SUPPLIES, Severity.WARNING, "the module would be fed at the wrong times"),
        (
            energised and module.function is PinFunction.GROUND,
            Severity.BLOCKING,
            "the host's supply would be shorted through the module",
        ),
        (energised, Severity.BLOCKING, "supply would reach a pin that is not made for it"),
        (
            module.function in _SUPPLIES and host.function is PinFunction.GROUND,
            Severity.BLOCKING,
            "the module would get ground where it expects supply",
        ),
        (
            module.function is PinFunction.OUTPUT,
            Severity.BLOCKING,
            "the module would drive a line that is not its own",
        ),
        (PinFunction.GROUND in pair, Severity.BLOCKING, "a line would be held at ground"),
    )
    for applies, severity, why in judgements:
        if applies:
            return severity, why
    return Severity.WARNING, "the lines are not the same"
