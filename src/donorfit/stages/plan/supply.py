"""The supply over the steps of a plan, and the finding where none can hold."""

from donorfit.electrical import forecast_supply
from donorfit.records.finding import Finding, Severity
from donorfit.records.plan import Step, SupplyForecast
from donorfit.vehicle.pack import Pack


def forecast(
    pack: Pack, steps: tuple[Step, ...]
) -> tuple[SupplyForecast | None, tuple[Finding, ...]]:
    """Forecast the supply; None where the pack says nothing of it or nothing is done."""
    if pack.supply is None or not steps:
        return None, ()
    found = forecast_supply(
        steps=steps, window=pack.supply, unit_path_ohm=pack.supply.path_milliohm / 1000
    )
    if found.holds:
        return found, ()
    return found, (
        Finding(
            id="supply-cannot-hold",
            severity=Severity.BLOCKING,
            what="No supply keeps the voltage inside the window over the whole session.",
            where="supply",
            why=f"Predicted minimum {found.lowest_volts:.2f} V, window "
            f"{found.window_low_volts:.1f} to {found.window_high_volts:.1f} V.",
            evidence=(found.source,),
            next_step="Charge the battery first, or check the pack's supply figures.",
        ),
    )
