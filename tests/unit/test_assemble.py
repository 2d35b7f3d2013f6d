"""The connection to a car: losses on the way are told, a watch ends with it, stops have reasons."""

import asyncio

import pytest

from donorfit.assemble import Interrupts, WatchedCourier, record_host_power
from donorfit.edge.host.power import HostPower
from donorfit.edge.host.watch import HostWatch
from donorfit.edge.links.places import CanPlace, DoipPlace
from donorfit.errors import StoppedError


class Carrier:
    lost = None

    def __init__(self):
        self.closed = 0

    async def close(self):
        self.closed += 1


def test_the_watch_ends_with_the_connection_and_losses_are_told_once():
    async def main():
        told = []
        watch = HostWatch(tell=told.append, stop=told.append, read_power=HostPower)
        carrier = Carrier()
        courier = WatchedCourier(carrier, watch, lambda: told.append("lost"))
        await asyncio.sleep(0)
        await courier.close()
        await asyncio.sleep(0)
        await courier.close()
        assert told == ["lost"]
        assert carrier.closed == 2
        assert len(asyncio.all_tasks()) == 1

    asyncio.run(main())


class Loop:
    stop_asked = False
    stop_why = ""


def test_a_reason_of_our_own_stops_before_the_next_change():
    interrupts, loop = Interrupts(), Loop()
    interrupts.ask_to_stop("nothing runs yet")
    interrupts.watch(loop)
    interrupts.ask_to_stop("the battery is low")
    interrupts.ask_to_stop("again")
    assert loop.stop_asked
    assert loop.stop_why == "the battery is low"
    with pytest.raises(KeyboardInterrupt):
        interrupts()


class Store:
    def __init__(self):
        self.facts = {}

    def read_fact(self, name):
        return self.facts.get(name, "")

    def set_fact(self, name, value):
        self.facts[name] = value


class Nobody:
    def answer(self, question_id, text, choices):
        return None


def test_how_power_is_known_is_kept_in_the_job(monkeypatch):
    power = HostPower(mains=True, percent=80.0)
    monkeypatch.setattr("donorfit.assemble.read_host_power", lambda: power)
    store = Store()
    for place in (DoipPlace(host="127.0.0.1"), DoipPlace(host="192.0.2.1")):
        record_host_power(store, place, Nobody())
    assert "simulated" in store.facts["host power"]
    assert "on mains, battery at 80 %" in store.facts["host power"]
    power = HostPower()
    with pytest.raises(StoppedError):
        record_host_power(store, CanPlace(interface="socketcan", channel="can0"), Nobody())
