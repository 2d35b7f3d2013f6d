"""A session of loads with a supply beside the battery, as ``--support`` judges it."""

from dataclasses import replace

from donorfit.electrical import judge_support
from donorfit.records.plan import Step, StepKind
from donorfit.vehicle.identity import Address, DataIdentifier, UnitId
from donorfit.vehicle.pack import SupplyWindow

WINDOW = SupplyWindow(
    lowest_volts=12.0,
    highest_volts=15.0,
    unit=UnitId("u"),
    identifier=DataIdentifier(0xD010),
    volts_per_bit=0.001,
    base_current_a=1.0,
    battery_ah=70.0,
)


def judge_exactly(loads, battery, support_a=0.0):
    """Lowest voltage at the posts and last charge; the charge begins where the battery says."""
    steps = [
        Step(
            id=f"s{number}",
            kind=StepKind.PROGRAM,
            unit=UnitId("u"),
            address=Address(1),
            network="n",
            what="load",
            seconds=seconds,
            current_a=current,
        )
        for number, (seconds, current) in enumerate(loads)
    ]
    found = judge_support(
        support_a,
        steps=steps,
        window=WINDOW,
        battery=replace(battery, charge_spread=0.0),
        stretch=1.0,
        set_volts=13.5,
    )
    return found.lowest_volts, found.last_charge
