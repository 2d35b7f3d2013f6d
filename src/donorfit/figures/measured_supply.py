"""Supply as it was measured, put where the forecast has the same moment."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from donorfit.records.change_record import ChangeRecord
from donorfit.records.plan import Plan, SupplyForecast
from donorfit.records.preparation import Preparation
from donorfit.records.proof import Proof

NOTICEABLE_VOLTS = 0.1
"""What the forecast is good for (its own check against a simulation)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredVolts:
    """One reading.

    Attributes:
        minute: where the forecast has the same moment, over the stretched time.
        volts: what the unit reported.
        when: before the work, before which step, or after the work.
        forecast_volts: forecast with support at that moment; None where there is none.
    """

    minute: float
    volts: float
    when: str
    forecast_volts: float | None


def place_measured(
    plan: Plan, preparation: Preparation, change: ChangeRecord | None, proof: Proof | None
) -> tuple[MeasuredVolts, ...]:
    """Put every reading of a job where the forecast has the same moment.

    Records hold no clock time of a reading, so one before a step stands at the beginning of the
    step's round, several of one round evenly over it: what is compared is the same point of the
    work, not of the day.
    """
    supply = plan.supply
    if supply is None:
        return ()
    spans = _list_spans(plan, supply)
    end = max([supply.minutes, *(point[0] for point in supply.points)])
    found: list[tuple[float, float, str]] = []
    if preparation.supply_volts is not None:
        found.append((0.0, preparation.supply_volts, "before the work"))
    readings = change.supply if change is not None else ()
    of_span: dict[tuple[float, float], list[int]] = {}
    for place, each in enumerate(readings):
        of_span.setdefault(spans.get(each.step, (0.0, 0.0)), []).append(place)
    for (start, stop), places in of_span.items():
        for turn, place in enumerate(places):
            minute = start + (stop - start) * turn / len(places)
            found.append((minute, readings[place].volts, f"before {readings[place].step}"))
    if proof is not None and proof.supply_volts is not None:
        found.append((end, proof.supply_volts, "after the work"))
    return tuple(
        MeasuredVolts(
            minute=minute,
            volts=volts,
            when=when,
            forecast_volts=find_forecast(supply, minute),
        )
        for minute, volts, when in sorted(found, key=lambda each: each[0])
    )


def _list_spans(plan: Plan, supply: SupplyForecast) -> dict[str, tuple[float, float]]:
    """Beginning and end of every step in the forecast's minutes; it has two points a round."""
    numbers = [each.number for each in plan.order.rounds] if plan.order is not None else []
    place = {number: position for position, number in enumerate(numbers)}
    spans = {}
    for position, step in enumerate(plan.steps):
        turn = 2 * place.get(step.round, position)
        if turn + 1 < len(supply.points):
            spans[step.id] = (supply.points[turn][0], supply.points[turn + 1][0])
    return spans


def find_forecast(supply: SupplyForecast, minute: float) -> float | None:
    """Voltage with support that is forecast for a minute; None where there are no points."""
    points = supply.points
    if not points:
        return None
    place = min(bisect_right(points, minute, key=lambda point: point[0]), len(points) - 1)
    later, earlier = points[place], points[max(0, place - 1)]
    span = later[0] - earlier[0]
    share = min(1.0, max(0.0, (minute - earlier[0]) / span)) if span > 0 else 1.0
    return earlier[2] + (later[2] - earlier[2]) * share


def write_measured_finding(measured: Sequence[MeasuredVolts], supply: SupplyForecast) -> str:
    """How the readings compare with the forecast and the window; empty where there are none."""
    if not measured:
        return ""
    volts = [each.volts for each in measured]
    outside = [
        each
        for each in measured
        if not supply.window_low_volts <= each.volts <= supply.window_high_volts
    ]
    below = [
        each
        for each in measured
        if each.forecast_volts is not None and each.volts < each.forecast_volts - NOTICEABLE_VOLTS
    ]
    times = "once" if len(volts) == 1 else f"{len(volts)} times"
    parts = [f"Measured {times}: {min(volts):.2f} to {max(volts):.2f} V"]
    parts.append(f"{len(outside)} outside the window" if outside else "none outside the window")
    if below:
        worst = min(below, key=lambda each: each.volts - (each.forecast_volts or 0.0))
        parts.append(
            f"{len(below)} more than {NOTICEABLE_VOLTS:g} V below the forecast, the worst "
            f"{worst.when}, {worst.volts:.2f} V instead of {worst.forecast_volts or 0.0:.2f} V: "
            "the supply held less than was planned with"
        )
    else:
        parts.append(f"none more than {NOTICEABLE_VOLTS:g} V below the forecast")
    return "; ".join(parts) + "."
