"""The talk that holds a download between two blocks while the supply is outside its window."""

from donorfit.diagnostics.conversation import SupplyWatch
from donorfit.diagnostics.exchange import Nothing, converse
from donorfit.diagnostics.matching import Expectation
from donorfit.diagnostics.supply_look import look_at_supply
from donorfit.diagnostics.talk import Gone, LookAtSupply, NoteKind, Rest, Supply, Talk, Tell
from donorfit.diagnostics.uds import encode_tester_present
from donorfit.diagnostics.unit_state import UnitState

_KEEP_ALIVE = encode_tester_present(suppress=True)


def judge_supply(watch: SupplyWatch, volts: float) -> str:
    """Why this supply is not good enough; empty where it is."""
    if watch.lowest_volts <= volts <= watch.highest_volts:
        return ""
    window = f"{watch.lowest_volts:.1f} to {watch.highest_volts:.1f} V"
    return f"the supply is at {volts:.2f} V, outside {window}"


def hold_for_supply(
    unit: UnitState, watch: SupplyWatch | None, *, itself: bool = False
) -> Talk[Nothing | None]:
    """Wait until the supply is good; None where it is, Nothing where it did not come back.

    A unit that measures the supply ``itself`` is asked itself, outside its transfer only.
    Called where nothing is under way: before an erase and between two blocks, never inside. A
    supply that cannot be read does not stop a download that runs, since what stands still does not
    get better; one that was seen to be bad has to be seen to be good again.
    """
    if watch is None:
        return None
    policy = unit.policy
    seen = yield from _look(unit, watch, policy.supply_every_s, itself=itself)
    reason = _judge(watch, seen)
    if not reason:
        return None
    yield Tell(kind=NoteKind.SUPPLY, text=f"{reason}: waiting between two blocks")
    waited_s = 0.0
    while waited_s < policy.supply_patience_s:
        gone = yield from _keep_waiting(unit)
        if gone is not None:
            return gone
        waited_s += policy.supply_pause_s
        seen = yield from _look(unit, watch, 0.0, itself=itself)
        if seen.volts is not None:
            reason = _judge(watch, seen)
            if not reason:
                yield Tell(kind=NoteKind.SUPPLY, text=f"{seen.volts:.2f} V, going on")
                return None
    why = f"{reason}, and for {waited_s:.0f} s it did not come back"
    return Nothing(why=why, left=False)


def _look(
    unit: UnitState, watch: SupplyWatch, not_older_s: float, *, itself: bool
) -> Talk[Supply]:
    if itself:
        return (yield from look_at_supply(unit, watch))
    seen = yield LookAtSupply(watch=watch, not_older_s=not_older_s)
    assert isinstance(seen, Supply)  # noqa: S101 - the driver's contract
    return seen


def _judge(watch: SupplyWatch, seen: Supply) -> str:
    return "" if seen.volts is None else judge_supply(watch, seen.volts)


def _keep_waiting(unit: UnitState) -> Talk[Nothing | None]:
    """One pause; the unit is told that its tester is there, so that its session lasts."""
    rested = yield Rest(seconds=unit.policy.supply_pause_s)
    if isinstance(rested, Gone):
        return Nothing(why=rested.why, left=False, gone=True)
    reply = yield from converse(unit, _KEEP_ALIVE, Expectation(_KEEP_ALIVE, unit.policy))
    return reply if isinstance(reply, Nothing) and reply.gone else None
