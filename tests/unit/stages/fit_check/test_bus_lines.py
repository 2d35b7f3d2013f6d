"""Terminating resistors, stub, LIN slots and diagnostic addresses in the fit check."""

from dataclasses import replace

import pytest

from donorfit.records.fit_report import Verdict
from donorfit.stages.fit_check import fit_check
from donorfit.vehicle.lin import LinCluster, LinNode
from donorfit.vehicle.network import NetworkKind


@pytest.fixture
def case(invented):
    """The pack with facts on its line and its module."""
    module = invented.pack.find_module("tow_2")
    unit = invented.pack.find_unit(module.unit)

    def make(network=None, module_facts=None, unit_facts=None, bench=None):
        networks = tuple(
            replace(each, **(network or {})) if each.name == unit.network else each
            for each in invented.pack.networks
        )
        modules = tuple(
            replace(each, **(module_facts or {})) if each.id == "tow_2" else each
            for each in invented.pack.modules
        )
        units = tuple(
            replace(each, **unit_facts[each.id]) if each.id in (unit_facts or {}) else each
            for each in invented.pack.units
        )
        pack = replace(invented.pack, networks=networks, modules=modules, units=units)
        return fit_check(pack, invented.host, "tow_2", bench)

    return make


@pytest.fixture
def ends(invented):
    unit = invented.pack.find_unit(invented.pack.find_module("tow_2").unit)
    others = [each.id for each in invented.pack.units if each.id != unit.id]
    answering = [each for each in others if invented.host.find_unit(each) is not None]
    return tuple((answering + others)[:2]), unit.id


def find_line(report):
    return next((each for each in report.lines if "terminating resistors" in each.title), None)


def list_ids(report) -> set[str]:
    return {each.id for each in report.findings}


def test_nothing_is_said_where_the_pack_says_nothing(case) -> None:
    report = case()
    assert find_line(report) is None
    assert not list_ids(report) & {"termination-changes", "stub-too-long", "lin-doubt"}


def test_two_resistors_stay_two(case, ends) -> None:
    report = case({"terminated_by": ends[0]}, {"terminates": False})
    assert find_line(report).verdict is Verdict.MET
    assert "measure 60 ohm" in find_line(report).reason


def test_a_third_resistor_and_a_lost_one(case, ends) -> None:
    report = case({"terminated_by": ends[0]}, {"terminates": True})
    assert find_line(report).verdict is Verdict.AFTER_CHANGE
    assert "40 ohm" in find_line(report).reason
    assert "termination-changes" in list_ids(report)
    lost = case({"terminated_by": (ends[0][0], ends[1])}, {"terminates": False})
    assert "120 ohm" in find_line(lost).reason


def test_what_nobody_knows_is_unknown(case, ends) -> None:
    line = find_line(case({"terminated_by": ends[0]}))
    assert line.verdict is Verdict.UNKNOWN
    assert "measure the module alone" in line.change


@pytest.mark.parametrize(("length", "said"), [(0.2, False), (1.5, True), (50, True)])
def test_a_long_stub(case, length, said) -> None:
    report = case({"bit_rate": 500_000}, {"stub_m": length})
    assert ("stub-too-long" in list_ids(report)) is said


def test_a_lin_bus_with_one_address_twice(case) -> None:
    nodes = (LinNode(name="a", node_address=3), LinNode(name="b", node_address=3))
    lin = {
        "kind": NetworkKind.LIN,
        "bit_rate": 19_200,
        "messages": (),
        "lin": LinCluster(protocol="2.1", nodes=nodes),
    }
    assert "lin-doubt" in list_ids(case(lin))


def test_addresses(case, invented) -> None:
    unit = invented.pack.find_unit(invented.pack.find_module("tow_2").unit)
    other = next(
        each
        for each in invented.pack.units
        if each.id != unit.id
        and (read := invented.host.find_unit(each.id)) is not None
        and read.answered
    )
    clash = case(unit_facts={unit.id: {"address": other.address}})
    assert "diagnostic-address-clash" in list_ids(clash)
    bench = invented.bench
    strange = replace(bench, units=tuple(replace(u, address=other.address) for u in bench.units))
    report = case(bench=strange)
    (finding,) = [f for f in report.findings if f.id == "diagnostic-address-differs"]
    assert finding.severity.value == "blocking"


def test_a_classic_module_among_flexible_frames(case, invented) -> None:
    unit = invented.pack.find_unit(invented.pack.find_module("tow_2").unit)
    network = next(each for each in invented.pack.networks if each.name == unit.network)
    others = tuple(
        replace(m, can_fd=unit.id not in (*m.senders, *m.receivers)) for m in network.messages
    )
    assert any(each.can_fd for each in others)
    assert "flexible-frames-on-the-bus" in list_ids(case({"messages": others}))
    every = tuple(replace(m, can_fd=True) for m in network.messages)
    assert "flexible-frames-on-the-bus" not in list_ids(case({"messages": every}))
    assert "flexible-frames-on-the-bus" not in list_ids(case())
