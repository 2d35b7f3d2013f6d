"""What has to come before what, and why: the steps of a plan as work that can be ordered.

All that is done to one unit in one turn is one piece of work, and the turns follow each other as
wholes. In a retrofit: the option list that counts, its copies, the records, the restarts, the
software, the fault codes. When it is taken back: the software, the records, the copies, the list
that counts, the restarts, the fault codes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from donorfit.ordering import Task
from donorfit.records.plan import PlanPurpose, Step, StepKind
from donorfit.vehicle.control_unit import KeeperRole
from donorfit.vehicle.identity import UnitId
from donorfit.vehicle.pack import GatewayTurn, Pack


class Turn(Enum):
    """Turns of a session; the value says why it comes only when the turn before it has ended."""

    MASTER = "the option list that counts is written by itself"
    COPIES = "the copies of the option list follow the list that counts"
    RECORDS = "configuration records are written where the option list stands"
    RESTARTS = (
        "nothing restarts before everything is written and read back, "
        "so that until then the car runs as before"
    )
    SOFTWARE = "software is changed only when all that a backup takes back is done and checked"
    CODES = "fault codes are cleared at the very end, so that what shows afterwards is new"


class BackTurn(Enum):
    """Turns of the way back, likewise."""

    SOFTWARE = "the old software comes first, since the old records belong to it"
    RECORDS = (
        "old records are restored once the units they belong to have their old software again, "
        "where it changed"
    )
    COPIES = "the copies of the option list are restored when the records are"
    MASTER = "the option list that counts is restored last"
    RESTARTS = "nothing restarts before everything is restored and read back"
    CODES = "fault codes are cleared at the very end, so that what shows afterwards is new"


AnyTurn = Turn | BackTurn


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What is done to one unit in one turn.

    Attributes:
        task: the same, to be ordered.
        turn: its turn.
        steps: its steps in order.
        alone_because: why nothing runs beside it; empty where something may.
    """

    task: Task
    turn: AnyTurn
    steps: tuple[Step, ...]
    alone_because: str


def list_work(
    pack: Pack, steps: Sequence[Step], purpose: PlanPurpose, base_current_a: float
) -> tuple[Work, ...]:
    """The steps as pieces of work, in the order of the steps."""
    groups: dict[tuple[AnyTurn, UnitId], list[Step]] = {}
    programmed: set[UnitId] = set()
    for step in steps:
        turn = _find_turn(pack, step, purpose, after_software=step.unit in programmed)
        groups.setdefault((turn, step.unit), []).append(step)
        if step.kind is StepKind.PROGRAM:
            programmed.add(step.unit)
    turns: list[AnyTurn] = list(Turn if purpose is PlanPurpose.RETROFIT else BackTurn)
    used = [turn for turn in turns if any(key[0] is turn for key in groups)]
    names = {key: f"{key[0].name.lower()} {key[1]}" for key in groups}
    work = []
    for (turn, unit), members in groups.items():
        place = used.index(turn)
        before = used[place - 1] if place else None
        after = [names[key] for key in groups if key[0] is before]
        after += [names[key] for key in groups if _is_gateway_between(pack, key, turn, unit)]
        alone = _say_why_alone(pack, turn, unit)
        task = Task(
            id=names[turn, unit],
            lane=members[0].network,
            seconds=sum(step.seconds for step in members),
            current_a=max(0.0, *(step.current_a - base_current_a for step in members)),
            bytes_per_s=max(_compute_load(pack, step) for step in members),
            alone=bool(alone),
            after=tuple(after),
        )
        work.append(Work(task=task, turn=turn, steps=tuple(members), alone_because=alone))
    return tuple(work)


def _find_turn(pack: Pack, step: Step, purpose: PlanPurpose, *, after_software: bool) -> AnyTurn:
    turns = Turn if purpose is PlanPurpose.RETROFIT else BackTurn
    if purpose is PlanPurpose.RETROFIT and after_software and step.kind in _CHANGES:
        return Turn.SOFTWARE
    if step.kind is StepKind.WRITE_OPTION_LIST:
        unit = pack.find_unit(step.unit)
        store = unit.option_list if unit else None
        is_copy = store is not None and store.role is KeeperRole.COPY
        return turns["COPIES" if is_copy else "MASTER"]
    return turns[_TURNS[step.kind]]


_TURNS = {
    StepKind.WRITE_RECORD: "RECORDS",
    StepKind.RESET: "RESTARTS",
    StepKind.PROGRAM: "SOFTWARE",
    StepKind.CLEAR_FAULTS: "CODES",
}
_CHANGES = frozenset((StepKind.WRITE_RECORD, StepKind.RESET))
_RESTARTING = frozenset(("RESTARTS", "SOFTWARE"))
_SUPPLY_IS_READ = frozenset(("MASTER", "COPIES", "RECORDS", "SOFTWARE"))


def _is_gateway(pack: Pack, unit: UnitId) -> bool:
    found = pack.find_unit(unit)
    return found is not None and found.address == pack.gateway


def _is_gateway_between(
    pack: Pack, key: tuple[AnyTurn, UnitId], turn: AnyTurn, unit: UnitId
) -> bool:
    """Whether other work of the same turn comes first because of the gateway's place."""
    if key[0] is not turn or key[1] == unit or turn.name not in _RESTARTING:
        return False
    gateway = GatewayTurn.LAST if pack.side_by_side is None else pack.side_by_side.gateway
    return _is_gateway(pack, unit if gateway is GatewayTurn.LAST else key[1])


def _say_why_alone(pack: Pack, turn: AnyTurn, unit: UnitId) -> str:
    if _is_gateway(pack, unit) and turn.name in _RESTARTING:
        return "every other unit is reached through the gateway, which restarts by itself"
    supply = pack.supply
    if supply is not None and unit == supply.unit and turn.name in _SUPPLY_IS_READ:
        return "it reports the supply, which is read before every other step"
    return ""


def _compute_load(pack: Pack, step: Step) -> float:
    """Average of what a step sends, in bytes a second; a restart and a clearing send nothing."""
    if step.kind is StepKind.PROGRAM:
        unit = pack.find_unit(step.unit)
        blocks = unit.software_blocks if unit else ()
        block = next((each for each in blocks if each.sha256 == step.software_sha256), None)
        return block.size_bytes / block.seconds if block and block.seconds > 0 else 0.0
    return len(step.after) / step.seconds if step.seconds > 0 else 0.0
