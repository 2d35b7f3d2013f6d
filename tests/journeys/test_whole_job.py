"""Whole jobs through the command line, against the simulated car in a second process."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.journey, pytest.mark.timeout(180)]

ANSWERS = ["--answer", "caution-*=understood", "--answer", "awake-*=yes"]


def read_json(out):
    return json.loads(out)


def get_digest(donorfit, job):
    code, out, _ = donorfit("apply", job, "--json", "--car", "127.0.0.1:1")
    assert code == 0
    return read_json(out)["digest"]


def test_the_demo_tells_its_story_and_leaves_job_and_record(tmp_path):
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "donorfit", "demo", "--fast", "--out", str(out)],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        timeout=150,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    names = {path.suffix for path in out.iterdir()}
    assert {".donorfit", ".html", ".pdf", ".json"} <= names
    assert "busy" in done.stderr
    assert "The connection to the car was lost" in done.stderr
    assert "unrelated" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_a_job_goes_forward_is_proved_and_goes_back(donorfit, planned, reach, tmp_path):
    code, out, err = donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach, "--json")
    assert code == 0, err
    preparation = read_json(out)
    assert preparation["ready"]
    backups = {(each["unit"], each["identifier"]): each["data"] for each in preparation["backups"]}
    digest = get_digest(donorfit, planned)
    code, out, err = donorfit("apply", planned, "--write", digest, *reach, "--json")
    assert code == 0, err
    assert read_json(out)["finished"]
    code, out, err = donorfit("prove", planned, "--answer", "check-*=yes", *reach, "--json")
    assert code == 0, err
    proof = read_json(out)
    assert proof["proved"]
    assert all(each["equal"] for each in proof["read_backs"])
    verdicts = [each["verdict"] for each in proof["faults"]]
    assert "gone" in verdicts
    assert verdicts.count("was there before, unrelated") == 1
    assert not {"new", "still there, should be gone"} & set(verdicts)
    code, out, err = donorfit("record", planned, "--out", tmp_path / "a")
    assert code == 0, err
    donorfit("record", planned, "--out", tmp_path / "b")
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name

    code, out, err = donorfit("undo", planned, *reach, "--json")
    assert code == 0, err
    undo = read_json(out)
    assert undo["purpose"] == "undo"
    code, out, err = donorfit(
        "undo",
        planned,
        "--write",
        undo["digest"],
        "--support-amps",
        50,
        *ANSWERS,
        *reach,
        "--json",
    )
    assert code == 0, err
    code, out, err = donorfit("prove", planned, *reach, "--json")
    assert code == 0, err
    assert read_json(out)["proved"]
    first = (tmp_path / "a" / f"{planned.stem}-record.html").read_bytes()
    code, out, err = donorfit("record", planned, "--out", tmp_path / "a")
    assert code == 0, err
    assert "recipe" not in out
    page = (tmp_path / "a" / f"{planned.stem}-taken-back.html").read_text("utf-8")
    summary = page[: page.index('id="cautions"')]
    assert "This record is of the way back" in summary
    assert "The new software stays" in summary
    assert (tmp_path / "a" / f"{planned.stem}-record.html").read_bytes() == first
    assert "Next: nothing" in donorfit("status", planned)[1]
    code, _, err = donorfit("undo", planned)
    assert code == 40, err

    code, out, err = donorfit("survey", planned, *reach, "--json")
    assert code == 0, err
    after = {
        (unit["unit"], record["identifier"]): record["data"]
        for unit in read_json(out)["units"]
        for record in unit["records"]
    }
    for place, data in backups.items():
        if place in after:
            assert after[place] == data, place


def test_resuming_never_carries_out_a_plan_that_nobody_confirmed(donorfit, planned, reach):
    """The way back is planned and prepared while apply is cut: only undo --write may take it."""
    donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach)
    digest = get_digest(donorfit, planned)
    code, _, err = donorfit("apply", planned, "--write", digest, *reach, "--reconnects", 0)
    assert code == 45, err
    code, out, _ = donorfit("undo", planned, "--json")
    assert code == 0
    back = read_json(out)["digest"]
    _, out, _ = donorfit("status", planned)
    assert f"of the plan {digest[:12]}" in out
    assert f"donorfit undo JOB --car HOST:PORT --write {back[:12]} to go back" in out
    code, _, err = donorfit("apply", planned, "--write", digest, *reach)
    assert code == 40
    assert f"donorfit undo JOB --write {back[:12]}. To go on" in err
    code, _, err = donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach)
    assert code == 0, err
    code, out, err = donorfit("resume", planned, *reach, "--json")
    assert code == 0, err
    assert read_json(out)["plan_digest"] == digest


def test_a_stopped_job_that_was_prepared_again_goes_back_to_the_first_bytes(
    donorfit, planned, reach
):
    _, out, _ = donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach, "--json")
    first = {
        (each["unit"], each["identifier"]): each["data"] for each in read_json(out)["backups"]
    }
    digest = get_digest(donorfit, planned)
    code, _, err = donorfit("apply", planned, "--write", digest, *reach, "--reconnects", 0)
    assert code == 45, err
    _, out, err = donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach, "--json")
    again = {
        (each["unit"], each["identifier"]): each["data"] for each in read_json(out)["backups"]
    }
    assert first != again
    code, _, err = donorfit("apply", planned, "--write", digest, *reach)
    assert code == 0, err
    code, out, err = donorfit("undo", planned, "--json")
    assert code == 0, err
    back = {
        (step["unit"], step["identifier"]): step["after"]
        for step in read_json(out)["steps"]
        if step["kind"].startswith("write")
    }
    assert back == first


def test_apply_is_a_dry_run_without_write(donorfit, planned, reach, tmp_path):
    code, out, _ = donorfit("apply", planned, *reach)
    assert code == 0
    assert "nothing was sent" in out


@pytest.mark.parametrize("digest", ["", "abc", "0" * 64])
def test_another_digest_writes_nothing(donorfit, planned, reach, digest):
    donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach)
    code, _, err = donorfit("apply", planned, "--write", digest, *reach)
    assert code == 40
    assert "digest" in err


def test_apply_without_a_preparation_is_refused(donorfit, planned, reach):
    digest = get_digest(donorfit, planned)
    code, _, err = donorfit("apply", planned, "--write", digest, *reach)
    assert code == 40
    assert "preparation" in err


def test_an_unconfirmed_caution_stops_and_can_be_resumed(donorfit, planned, reach):
    code, _, err = donorfit("prepare", planned, "--support-amps", 50, *reach)
    assert code == 45
    assert re.search(r"--answer caution-\S+=understood", err)
    code, _, err = donorfit("resume", planned, "--support-amps", 50, *ANSWERS, *reach)
    assert code == 0, err
    code, out, _ = donorfit("status", planned)
    assert code == 0
    assert "apply" in out


def test_a_weak_supply_is_refused(donorfit, planned, reach):
    code, _, err = donorfit("prepare", planned, "--support-amps", 1, *ANSWERS, *reach)
    assert code == 40
    assert "supply" in err


def test_a_capture_never_overwrites_a_job(donorfit, planned, reach):
    code, _, err = donorfit("survey", planned, *reach, "--capture", planned)
    assert code == 10
    assert "no capture file" in err
    assert donorfit("status", planned)[0] == 0


def test_another_car_is_refused(donorfit, planned, demo_data, tmp_path):
    from donorfit.edge.served_car import serve_car

    text = (demo_data / "car.toml").read_text("utf-8")
    vin = re.search(r'vin = "(ZZ9\w{14})"', text)[1]
    other = tmp_path / "other.toml"
    other.write_text(text.replace(vin, vin[:-1] + ("1" if vin[-1] != "1" else "2")), "utf-8")
    with serve_car(other, fast=True) as address:
        code, _, err = donorfit("prepare", planned, "--car", address, "--no-input", *ANSWERS)
    assert code == 40
    assert "nother car" in err


def test_a_declared_survey_is_checked_without_a_car(donorfit, demo_data):
    code, out, err = donorfit(
        "check",
        "--declared", demo_data / "declared.toml",
        "--pack", demo_data / "pack",
        "--module", "tow_control_2",
        "--json",
    )  # fmt: skip
    assert code in {0, 3}, err
    report = read_json(out)
    assert report["verdict"] in {"met after a change", "unknown", "not possible"}
    assert not report["as_it_stands"]
    assert report["lines"]


def test_the_masked_record_holds_no_identity(donorfit, planned, reach, tmp_path):
    donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach)
    donorfit("apply", planned, "--write", get_digest(donorfit, planned), *reach)
    code, out, _ = donorfit("survey", planned, *reach, "--json")
    vin = read_json(out)["vin"]
    # The newer survey above does not take the place of the one that the plan rests on.
    code, _, err = donorfit("record", planned, "--out", tmp_path / "m", "--mask")
    assert code == 0, err
    for path in Path(tmp_path / "m").iterdir():
        assert vin.encode() not in path.read_bytes(), path.name


def test_a_session_can_be_captured(donorfit, demo_data, car, tmp_path):
    capture = tmp_path / "session.pcapng"
    code, out, err = donorfit(
        "survey", tmp_path / "job.donorfit", "--pack", demo_data / "pack",
        "--car", car, "--no-input", "-q", "--json", "--capture", capture,
    )  # fmt: skip
    assert code == 0, err
    data = capture.read_bytes()
    assert data.startswith(b"\x0a\x0d\x0d\x0a")  # section header block of pcapng
    assert read_json(out)["vin"].encode() in data


def test_another_cars_module_is_a_question_and_never_overwritten(donorfit, demo_data, tmp_path):
    from donorfit.edge.served_car import serve_car

    job = tmp_path / "job.donorfit"
    with serve_car(demo_data / "bench_other_vin.toml", fast=True) as bench:
        donorfit(
            "survey", job, "--pack", demo_data / "pack", "--bench", "tow_control_2",
            "--car", bench, "--no-input", "-q",
        )  # fmt: skip
    with serve_car(demo_data / "car.toml", fast=True) as host:
        reach = ["--car", host, "--no-input", "-q", "--fast"]
        donorfit("survey", job, *reach)
        donorfit("check", job, "--module", "tow_control_2")
        code, out, err = donorfit("plan", job, "--json")
        assert code == 0, err
        plan = read_json(out)
        question = next(each for each in plan["questions"] if each["id"] == "donor-vin")
        assert not question["chosen"]
        assert "donor-vin" in {each["id"] for each in plan["cautions"]}
        assert all(step["identifier"] != 0xF190 for step in plan["steps"])
        code, _, err = donorfit("prepare", job, "--support-amps", 50, *ANSWERS, *reach)
        assert code == 40
        assert "open question" in err
        code, out, err = donorfit("plan", job, "--choose", "donor-vin=stop", "--json")
        assert code == 0, err
        assert "blocking" in {each["severity"] for each in read_json(out)["findings"]}
