"""Small electrical values for tests."""

from collections.abc import Callable

import pytest

from donorfit.records.plan import Step, StepKind
from donorfit.vehicle.network import Cavity, Connector, PinFunction
from donorfit.vehicle.pack import SupplyWindow


def make_step(seconds: float, current_a: float) -> Step:
    return Step(
        id="s01",
        kind=StepKind.PROGRAM,
        unit="gateway",
        address=0x1010,
        network="can",
        what="load",
        seconds=seconds,
        current_a=current_a,
    )


def make_window(
    lowest: float = 12.0, highest: float = 14.5, battery_ah: float = 70
) -> SupplyWindow:
    return SupplyWindow(
        lowest_volts=lowest,
        highest_volts=highest,
        unit="charger",
        identifier=0x0100,
        volts_per_bit=0.1,
        base_current_a=8.0,
        battery_ah=battery_ah,
    )


def make_connector(
    name: str, *cavities: tuple[int, str, str, float], shape: str = "s"
) -> Connector:
    return Connector(
        id=name,
        title=name,
        shape=shape,
        cavities=tuple(
            Cavity(number=number, function=PinFunction(function), detail=detail, current_a=current)
            for number, function, detail, current in cavities
        ),
    )


@pytest.fixture
def step() -> Callable[..., Step]:
    return make_step


@pytest.fixture
def window() -> Callable[..., SupplyWindow]:
    return make_window


@pytest.fixture
def connector() -> Callable[..., Connector]:
    return make_connector
