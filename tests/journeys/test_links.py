"""Cars over CAN, cars that are looked for, two programs on one car, and captures in words."""

import asyncio
import json
import subprocess
import sys
import threading

import pytest

from donorfit.edge.host.power import HostPower
from donorfit.edge.links.places import DoipPlace

pytestmark = [pytest.mark.journey, pytest.mark.timeout(300)]

MODULE = "tow_control_2"
VIN = "ZZ9MRE1A3L0004217"
PREPARED = ["--answer", "caution-*=understood", "--answer", "awake-*=yes", "--support-amps", "50"]


@pytest.fixture
def bus(tmp_path, demo_data):
    """A simulated car in another process, on a CAN bus between programs."""
    pytest.importorskip("isotp")
    ready = tmp_path / "ready"
    command = [sys.executable, "-m", "donorfit", "simulate", demo_data / "car.toml", "--fast"]
    command += ["--can", "loopback:127.0.0.1:0", "--ready-file", ready]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        line = process.stdout.readline()
        assert line.startswith(b"listening on loopback:127.0.0.1:"), line
        yield ready.read_text().strip()
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


def run_whole_job(donorfit, job, demo_data, reach):
    """Forward, proved and recorded; then back, proved and recorded."""

    def do(*arguments):
        code, out, err = donorfit(*arguments)
        assert code == 0, (arguments, err)
        return out

    def prove_and_record(*answers):
        proof = json.loads(do("prove", job, *answers, *reach, "--json"))
        assert proof["proved"]
        assert all(each["equal"] for each in proof["read_backs"])
        return do("record", job, "--out", job.parent)

    do("survey", job, "--pack", demo_data / "pack", *reach)
    do("check", job, "--module", MODULE)
    do("plan", job)
    do("prepare", job, *PREPARED, *reach)
    digest = json.loads(do("apply", job, "--json"))["digest"]
    change = json.loads(do("apply", job, "--write", digest, *reach, "--json"))
    assert change["finished"]
    assert "-record.html" in prove_and_record("--answer", "check-*=yes")
    digest = json.loads(do("undo", job, "--json"))["digest"]
    change = json.loads(do("undo", job, "--write", digest, *PREPARED, *reach, "--json"))
    assert change["finished"]
    assert "-taken-back.html" in prove_and_record()


def test_a_whole_job_over_can_between_two_processes(donorfit, tmp_path, demo_data, bus):
    job, capture = tmp_path / "job.donorfit", tmp_path / "prove.pcapng"
    reach = ["--can", bus, "--keys", demo_data / "keys.py", "--no-input", "--fast", "-q"]
    run_whole_job(donorfit, job, demo_data, [*reach, "--capture", capture])
    code, out, err = donorfit("trace", "--job", job, "--unit", "tow_control")
    assert code == 0, err
    assert "tester > tow_control" in out
    assert "CAN 18DA71F1" in out
    assert "done, read data: F189 software version" in out or "done, read fault codes" in out
    assert "not read" not in out


def test_a_whole_job_over_can_in_one_process(donorfit, tmp_path, demo_data):
    pytest.importorskip("can")
    from donorfit.edge.links.can_entity import CanEntity
    from donorfit.edge.links.can_port import open_bus
    from donorfit.edge.packs.scenario_files import read_scenario
    from donorfit.simulator.car import SimulatedCar

    scenario = read_scenario(demo_data / "car.toml")
    units = tuple((each.address, each.can) for each in scenario.units)
    started, loop = threading.Event(), asyncio.new_event_loop()
    stop = asyncio.Event()

    async def serve():
        entity = CanEntity(SimulatedCar(scenario, fast=True), open_bus("virtual", "job"), units)
        await entity.open()
        started.set()
        await stop.wait()
        await entity.close()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    try:
        assert started.wait(20)
        reach = ["--can", "virtual:job", "--keys", demo_data / "keys.py"]
        reach += ["--no-input", "--fast", "-q"]
        run_whole_job(donorfit, tmp_path / "job.donorfit", demo_data, reach)
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)
        loop.close()


def test_a_bus_that_is_not_there(donorfit, tmp_path, demo_data):
    pytest.importorskip("isotp")
    job = tmp_path / "job.donorfit"
    made = ["survey", job, "--pack", demo_data / "pack"]
    code, _, err = donorfit(*made, "--can", "loopback:127.0.0.1:1")
    assert code == 20, err
    assert "cannot be joined" in err
    assert not job.exists()
    assert donorfit(*made)[0] == 10
    assert donorfit(*made, "--can", "rubbish")[0] == 10
    code, _, err = donorfit("simulate", demo_data / "car.toml", "--can", "socketcan:can0")
    assert code == 10
    assert "real car" in err


def test_a_car_is_found_and_named_by_its_vin(donorfit, tmp_path, demo_data, car):
    code, out, err = donorfit("find", "--at", car, "--json")
    assert code == 0, err
    ((found),) = json.loads(out)["cars"]
    assert found["vin"] == VIN
    job = tmp_path / "job.donorfit"
    made = ["survey", job, "--pack", demo_data / "pack", "--fast", "-q", "--json"]
    code, out, err = donorfit(*made, "--car", VIN, "--at", car)
    assert code == 0, err
    assert json.loads(out)["vin"] == VIN
    code, out, err = donorfit(*made, "--car", "find", "--at", car, "--no-input")
    assert code == 0, err
    code, _, err = donorfit("find", "--at", car, "--vin", "ZZ9MRE1A3L0009999", "--wait", "0.3")
    assert code == 20
    assert "nothing came within 0.3 s" in err


HOLD = """
import sys
from pathlib import Path
from donorfit.assemble import make_claims, open_store
with open_store(Path(sys.argv[2]), create=True) as store:
    make_claims(store.path).claim(sys.argv[1])
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_second_program_on_the_same_car_or_job_is_told(donorfit, tmp_path, demo_data, car):
    job, held = tmp_path / "second.donorfit", tmp_path / "first.donorfit"
    made = ["survey", job, "--pack", demo_data / "pack", "--car", car, "--fast", "-q"]
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, car, held], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as first:
        assert first.stdout.readline() == b"held\n"
        code, _, err = donorfit(*made)
        assert code == 40, err
        assert f"process {first.pid}" in err
        assert str(held) in err
        # nothing is left behind of a job that could not begin
        assert sorted(each.name for each in tmp_path.glob("second*")) == []
        # the same job, too: its file is locked, and the claim says by whom
        code, _, err = donorfit("plan", held)
        assert code == 50, err
        assert f"process {first.pid}" in err
        first.kill()
    code, _, err = donorfit(*made)
    assert code == 0, err


@pytest.fixture
def as_if_real(monkeypatch):
    """The loopback car taken for one that could be harmed."""
    monkeypatch.setattr(DoipPlace, "on_this_computer", property(lambda _: False))


def test_this_computers_power_is_asked_before_anything_is_written(
    donorfit, planned, reach, as_if_real, monkeypatch
):
    power = HostPower()
    monkeypatch.setattr("donorfit.assemble.read_host_power", lambda: power)
    prepare = ["prepare", planned, *PREPARED, *reach]
    code, _, err = donorfit(*prepare)
    assert code == 45, err
    assert "--answer host-mains=yes" in err
    assert donorfit(*prepare, "--answer", "host-mains=no")[0] == 40
    code, _, err = donorfit(*prepare, "--answer", "host-mains=yes")
    assert code == 0, err
    power = HostPower(mains=False, percent=12.0)
    code, _, err = donorfit(*prepare, "--answer", "host-*=go-on")
    assert code == 40
    assert "12 %" in err


def test_a_capture_in_words_and_rubbish(donorfit, tmp_path, demo_data, car):
    job, capture = tmp_path / "job.donorfit", tmp_path / "c.pcapng"
    made = ["survey", job, "--pack", demo_data / "pack", "--car", car, "--fast", "-q"]
    assert donorfit(*made, "--capture", capture)[0] == 0
    code, out, err = donorfit("trace", capture, "--job", job, "--service", "19", "--json")
    assert code == 0, err
    told = json.loads(out)
    assert told["unread"] == {}
    assert {each["service"] for each in told["events"]} == {0x19}
    units = {each["source"] for each in told["events"]} - {"tester 0E80"}
    assert {"gateway", "tow_control"} <= units
    # a second session in the same file is added to it
    code, _, err = donorfit(*made, "--capture", capture)
    assert code == 0, err
    both = json.loads(donorfit("trace", "--job", job, "--service", "19", "--json")[1])
    assert both["unread"] == {}
    assert both["events"][: len(told["events"])] == told["events"]
    assert len(both["events"]) == 2 * len(told["events"])
    # a cut file gives what came before, and says so
    whole = capture.read_bytes()
    capture.write_bytes(whole[: len(whole) // 2 | 1])  # blocks are of whole 4 bytes
    code, out, _ = donorfit("trace", capture)
    assert code == 0
    assert "1 not read: the file ends in the middle of" in out
    for arguments in (
        ["trace", demo_data / "car.toml"],
        ["trace", tmp_path / "nothing"],
        ["trace"],
        ["trace", capture, "--unit", "nobody"],
        ["trace", capture, "--service", "xy"],
        ["find", "--vin", "short"],
        ["find", "--eid", "xy"],
        ["find", "--broadcast", "nonsense0"],
        ["find", "--at", "a b"],
    ):
        code, _, err = donorfit(*arguments)
        assert code == 10, (arguments, err)
        assert "Traceback" not in err
