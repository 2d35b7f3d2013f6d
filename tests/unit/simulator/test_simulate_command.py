"""``donorfit simulate`` in a process of its own."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from donorfit.cli.simulate import simulate_command
from donorfit.errors import InputError

windows = pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGTERM to end cleanly")


def start(repository: Path, *arguments: str) -> subprocess.Popen:
    scenario = repository / "tests/data/scenarios/small_car.toml"
    return subprocess.Popen(
        [sys.executable, "-m", "donorfit", "simulate", str(scenario), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def talk(port: int, *pdus: str) -> list[bytes]:
    """Ask the gateway; the answers without the acknowledges."""
    answers = []
    with socket.create_connection(("127.0.0.1", port), 10) as sock, sock.makefile("rb") as file:
        sock.sendall(bytes.fromhex("02fd0005000000070e800000000000"))
        file.read(17)
        for pdu in pdus:
            data = bytes.fromhex(pdu)
            sock.sendall(bytes.fromhex(f"02fd8001{len(data) + 4:08x}0e801010") + data)
            file.read(13)
            header = file.read(8)
            answers.append(file.read(int.from_bytes(header[4:], "big"))[4:])
    return answers


@windows
@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_serves_until_a_signal_and_goes_on_from_its_state(repository, tmp_path, ending):
    state, ready = tmp_path / "state.json", tmp_path / "ready"
    options = ("--fast", "--state", str(state), "--ready-file", str(ready))
    for request, answer in (("14ffffff", "54"), ("3e00", "7e00")):
        process = start(repository, *options)
        try:
            line = process.stdout.readline()
            assert line.startswith("listening on 127.0.0.1:")
            place = line.split()[2]
            assert ready.read_text() == place + "\n"
            assert talk(int(place.partition(":")[2]), request) == [bytes.fromhex(answer)]
        finally:
            process.send_signal(ending)
        assert process.wait(20) == 0
        assert process.stderr.read() == ""
    saved = json.loads(state.read_text())
    assert saved["title"] == "small car"
    # the stored old code was cleared in the first run and did not come back
    assert saved["units"]["gateway"]["faults"][2][0] & 0x28 == 0


@windows
def test_memory_survives_a_kill(repository, tmp_path):
    state, ready = tmp_path / "state.json", tmp_path / "ready"
    process = start(repository, "--fast", "--state", str(state), "--ready-file", str(ready))
    place = process.stdout.readline().split()[2]
    talk(int(place.partition(":")[2]), "14900000")
    time.sleep(1.5)
    process.kill()
    process.wait(20)
    assert json.loads(state.read_text())["units"]["gateway"]["faults"][2][0] & 0x28 == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.toml"], "cannot be read"),
        (["tests/data/scenarios/small_car.toml", "--host", "0.0.0.0"], "other computers"),  # noqa: S104
        (["tests/data/scenarios/small_car.toml", "--host", "example"], "other computers"),
        (["tests/data/scenarios/small_car.toml", "--ready-file", "no/folder/ready"], "ready file"),
        (["tests/data/scenarios/small_car.toml", "--state", "tests"], "directory"),
        (["tests/unit/simulator/conftest.py.pdx"], "cannot be used"),
        (["x.pdx", "--state", "y"], "has no memory"),
    ],
)
def test_refusals(repository, monkeypatch, arguments, words):
    monkeypatch.chdir(repository)
    result = CliRunner().invoke(simulate_command, arguments)
    said = f"{result.output}{result.exception}"
    assert words in said
    assert isinstance(result.exception, InputError | SystemExit)
