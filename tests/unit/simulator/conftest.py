"""A small simulated car and somebody who asks it, in virtual time."""

from dataclasses import replace
from pathlib import Path

import pytest

from donorfit.diagnostics.pdu import Reply
from donorfit.edge.packs.scenario_files import read_scenario
from donorfit.simulator.car import SimulatedCar
from donorfit.simulator.scenario import Disturbance, Scenario
from donorfit.simulator.session_services import compute_demo_key
from donorfit.vehicle.identity import Address

GATEWAY, BODY, TOW, CAMERA = 0x1010, 0x1040, 0x1071, 0x1080
SMALL_CAR = Path("tests/data/scenarios/small_car.toml")


class Asker:
    """Asks a car one request after the other; the time goes on with each answer."""

    def __init__(self, scenario: Scenario, *, fast: bool = False) -> None:
        self.car = SimulatedCar(scenario, fast=fast)
        self.now_s = 100.0

    def replies(self, target: int, request: str) -> tuple[Reply, ...]:
        """All replies, without waiting for them."""
        return self.car.handle(Address(target), bytes.fromhex(request), self.now_s)

    def ask(self, target: int, request: str) -> str:
        """The last answer in hex, waited for; empty where there is none."""
        replies = self.replies(target, request)
        if not replies:
            return ""
        self.now_s += replies[-1].after_s + 0.001
        return replies[-1].pdu.hex()

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def unlock(self, target: int, level: int, session: int = 3) -> None:
        assert self.ask(target, f"10{session:02x}").startswith("50")
        seed = self.ask(target, f"27{level:02x}")
        assert seed.startswith(f"67{level:02x}")
        key = compute_demo_key(bytes.fromhex(seed[4:]), level, b"DEMO")
        assert self.ask(target, f"27{level + 1:02x}{key.hex()}") == f"67{level + 1:02x}"


@pytest.fixture(scope="session")
def scenario(repository: Path) -> Scenario:
    return read_scenario(repository / SMALL_CAR)


@pytest.fixture
def build_asker() -> type[Asker]:
    """Builds somebody who asks a car of another scenario."""
    return Asker


@pytest.fixture
def asker(scenario: Scenario) -> Asker:
    return Asker(scenario)


@pytest.fixture
def disturbed(scenario: Scenario):
    """An asker whose car has one disturbance."""

    def build(disturbance: Disturbance) -> Asker:
        return Asker(replace(scenario, disturbances=(disturbance,)))

    return build
