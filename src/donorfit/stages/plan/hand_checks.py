"""Checks by hand after the work: the module's own, and what its bus and its current ask for."""

from collections.abc import Iterator

from donorfit.network.termination import RESISTOR_OHM, WANTED_RESISTORS
from donorfit.records.plan import PlannedCheck
from donorfit.vehicle.donor import DonorModule
from donorfit.vehicle.network import NetworkKind
from donorfit.vehicle.pack import Pack


def list_hand_checks(pack: Pack, module: DonorModule) -> tuple[PlannedCheck, ...]:
    """Checks of the pack first; one of ours is left out where the pack has its id."""
    own = tuple(PlannedCheck(id=each.id, text=each.text) for each in module.hand_checks)
    known = {each.id for each in own}
    ours = (*_check_line(pack, module), *_check_sleep(pack, module))
    return (*own, *(each for each in ours if each.id not in known))


def _check_line(pack: Pack, module: DonorModule) -> Iterator[PlannedCheck]:
    """The meter has the last word on the resistors, whatever the pack says of them.

    Asked only where the pack says what ends the bus: a fault-tolerant bus does not read 60 ohm.
    """
    unit = pack.find_unit(module.unit)
    name = unit.network if unit is not None else ""
    network = next((each for each in pack.networks if each.name == name), None)
    if network is None or network.kind is not NetworkKind.CAN or not network.terminated_by:
        return
    yield PlannedCheck(
        id="bus_ohm",
        text=(
            f"With everything connected, the supply off and the networks asleep, a meter between "
            f"both wires of {network.name} reads about {RESISTOR_OHM / WANTED_RESISTORS:.0f} ohm."
        ),
    )


def _check_sleep(pack: Pack, module: DonorModule) -> Iterator[PlannedCheck]:
    before_ma = pack.supply.sleep_current_ma if pack.supply is not None else 0
    if before_ma <= 0 or module.sleep_current_ma <= 0:
        return
    yield PlannedCheck(
        id="sleep_current",
        text=(
            f"Locked, and long enough for every network to sleep, the car takes no more than some "
            f"{before_ma + module.sleep_current_ma:g} mA ({before_ma:g} mA before the work)."
        ),
    )
