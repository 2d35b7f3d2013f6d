"""Say why each option of a repair changes.

A repair is minimal, so taking back any one of its changes breaks a rule: that rule is the reason.
Reasons are laid out from what was asked and fitted outwards.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from donorfit.equipment.compiled import Compiled, Handle
from donorfit.equipment.formula_clauses import Clause
from donorfit.equipment.lazy_rules import LazyRules
from donorfit.equipment.sentences import join_names, refer, say_option
from donorfit.vehicle.rules import GroupKind, RuleReference


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why one option changes.

    Attributes:
        sentence: in words.
        rule: the rule; None for what was asked or is fitted.
        because_of: options that cause it.
        cause: the fact at the beginning of the chain.
        forced: whether the rule leaves no other way.
        rank: place in the order of causes.
    """

    sentence: str
    rule: RuleReference | None
    because_of: tuple[int, ...]
    cause: str
    forced: bool
    rank: int


@dataclass(frozen=True, slots=True)
class _Candidate:
    handle: Handle
    clause: Clause
    others: tuple[int, ...]


class ReasonFinder:
    """Finds the reasons of one repair.

    Args:
        compiled: the rules.
        bits: the list before, with hard facts already set.
        flips: options that change, beside the hard facts.
        facts: hard facts that differ from the declared list, and what they are called.
        segment: segment of build months of the repair.
        fixed: all hard facts.
    """

    def __init__(
        self,
        compiled: Compiled,
        bits: bytes,
        *,
        flips: tuple[int, ...],
        facts: Mapping[int, str],
        segment: int,
        fixed: Collection[int] = (),
    ) -> None:
        self._compiled = compiled
        self._fixed = fixed
        self._flips = dict.fromkeys(flips)
        self._facts = facts
        self._segment = segment
        self._lazy = LazyRules(compiled, bits, self._take, once=False)
        self._present = set(flips)
        self._changes = self._lazy.count_changes(flips)
        self._bits = bits
        self._next = compiled.top
        self.reasons: dict[int, Reason] = {}

    def _take(self) -> int:
        self._next += 1
        return self._next

    def is_on(self, option: int) -> bool:
        """Value after the repair."""
        return bool(self._bits[option]) != (option in self._flips)

    def find(self) -> dict[int, Reason]:
        """The reason of every flip, causes before what they cause."""
        candidates = {option: self._list_candidates(option) for option in self._flips}
        missing: dict[int, list[int]] = {}
        users: dict[int, list[tuple[int, int]]] = {}
        for option, options in candidates.items():
            missing[option] = []
            for place, candidate in enumerate(options):
                flipped = [other for other in candidate.others if other in self._flips]
                missing[option].append(len(flipped))
                for other in flipped:
                    users.setdefault(other, []).append((option, place))
        order = {option: place for place, option in enumerate(candidates)}
        waiting = dict.fromkeys(candidates)
        ready = [option for option in waiting if 0 in missing[option]]
        while waiting:
            chosen: list[tuple[int, _Candidate | None]] = [
                (option, candidates[option][missing[option].index(0)]) for option in ready
            ]
            if not chosen:
                option = next(iter(waiting))
                chosen = [(option, candidates[option][0] if candidates[option] else None)]
            fresh: set[int] = set()
            for option, reason in chosen:
                del waiting[option]
                self.reasons[option] = self._word(option, reason)
                for other, place in users.get(option, ()):
                    missing[other][place] -= 1
                    if not missing[other][place]:
                        fresh.add(other)
            ready = sorted(fresh & waiting.keys(), key=order.__getitem__)
        return self.reasons

    def _list_candidates(self, option: int) -> list[_Candidate]:
        """Rules that break when this one change is taken back."""
        present, changes = self._present, self._changes
        group, change = self._compiled.rules.group_of[option], -1 if self._bits[option] else 1
        present.discard(option)
        changes[group] -= change
        found: list[_Candidate] = []
        for handle in self._lazy.list_touched((option,)) | self._list_back(option):
            for clause in self._lazy.list_blame(handle, present, self._segment, changes):
                variables = {abs(literal) - 1 for literal in clause}
                if option in variables:
                    others = tuple(
                        o for o in variables if o != option and o < self._compiled.count
                    )
                    found.append(_Candidate(handle, clause, others))
        present.add(option)
        changes[group] += change
        found.sort(key=self._rate)
        return found

    def _list_back(self, option: int) -> dict[Handle, None]:
        """Rules that the option takes part in at its old value."""
        rules = self._compiled.rules
        found: dict[Handle, None] = {}
        if self._bits[option]:
            if rules.parents[option] >= 0:
                found["parent", option] = None
            if option in self._compiled.windows:
                found["window", option] = None
        for group in self._compiled.groups_of.get(option, ()):
            found["group", group] = None
            if not self._bits[option]:
                found.update((("parent", m), None) for m in rules.group_members[group])
        return found

    def _rate(self, candidate: _Candidate) -> tuple[int, int]:
        """Rules of facts first, then rules with few options."""
        touches = any(option in self._facts for option in candidate.others)
        return (0 if touches else 1, len(candidate.others))

    def _word(self, option: int, candidate: _Candidate | None) -> Reason:
        rank = len(self.reasons)
        if candidate is None:
            return Reason(
                sentence="it belongs to the cheapest way",
                rule=None,
                because_of=(),
                cause="",
                forced=False,
                rank=rank,
            )
        rule = refer(self._compiled, self._name(candidate, option))
        changed = [o for o in candidate.others if o in self._flips or o in self._facts]
        because = tuple(changed or candidate.others[:2])
        cause = next((self.reasons[o].cause for o in changed if o in self.reasons), "")
        cause = next((self._facts[o] for o in changed if o in self._facts), cause)
        return Reason(
            sentence=self._say(candidate, option),
            rule=rule,
            because_of=because,
            cause=cause or "the list as declared",
            forced=all(o in self._flips or o in self._fixed for o in candidate.others),
            rank=rank,
        )

    def _name(self, candidate: _Candidate, option: int) -> Handle:
        """A mandatory group is named by its member."""
        kind, place = candidate.handle
        rules = self._compiled.rules
        if kind == "group" and rules.group_kinds[place] is GroupKind.MANDATORY:
            member = option if rules.group_of[option] == place else candidate.others[0]
            if member in rules.group_members[place]:
                return ("member", member)
        return candidate.handle

    def _say(self, candidate: _Candidate, option: int) -> str:
        rules = self._compiled.rules
        name = say_option(rules, option)
        on = [say_option(rules, o) for o in candidate.others if self.is_on(o)]
        off = [say_option(rules, o) for o in candidate.others if not self.is_on(o)]
        kind = candidate.handle[0]
        turned_on = self.is_on(option)
        if kind == "window":
            return f"{name} does not exist in this build month"
        if kind == "parent" and on:
            return f"{name} carries {on[0]}, which belongs to it"
        if kind == "parent":
            return f"{name} belongs to {off[0]}, which goes off"
        return _say_way(name, on, off, turned_on=turned_on)


def _say_way(name: str, on: list[str], off: list[str], *, turned_on: bool) -> str:
    stays = "must be on" if turned_on else "must go off"
    if on and off:
        verb = "is" if len(off) == 1 else "are"
        return (
            f"{name} {stays} because {join_names(on, 'and')} {'is' if len(on) == 1 else 'are'} on"
            f" and {join_names(off, 'and')} {verb} off"
        )
    if on:
        verb = "needs" if len(on) == 1 else "need"
        if turned_on:
            return f"{join_names(on, 'and')} {verb} {name}"
        return f"{name} cannot stand beside {join_names(on, 'and')}"
    if off:
        verb = "is" if len(off) == 1 else "are"
        return f"{name} {stays} because {join_names(off, 'and')} {verb} off"
    return f"{name} {stays}"
