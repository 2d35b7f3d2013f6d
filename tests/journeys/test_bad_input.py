"""Bad input gets an error of the one tree, its exit code, and never a traceback."""

import contextlib
import json
import os
import socket
import threading

import pytest

pytestmark = [pytest.mark.journey, pytest.mark.timeout(120)]

CONTENTS = {
    "empty": b"",
    "binary": os.urandom(3000),
    "not UTF-8": b'title = "\xff\xfe"\n',
    "truncated": b'[car]\nvin = "ZZ9',
    "other TOML": b"[something]\nelse = 1\n",
    "deep": b"a = " + b"[" * 5000 + b"]" * 5000,
}


def check_error(code, err, allowed):
    assert code in allowed, err
    assert "Traceback" not in err
    assert "internal error" not in err
    assert "next:" in err or " - " in err


@pytest.fixture(params=CONTENTS)
def bad_file(request, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_bytes(CONTENTS[request.param])
    return path


def test_a_bad_file_as_job(donorfit, bad_file):
    for command in (["status", bad_file], ["plan", bad_file], ["record", bad_file]):
        code, _, err = donorfit(*command)
        check_error(code, err, {50})


def test_a_bad_file_as_pack(donorfit, bad_file, tmp_path):
    code, _, err = donorfit("pack", "check", bad_file)
    check_error(code, err, {10})
    (tmp_path / "pack").mkdir()
    (tmp_path / "pack" / "pack.toml").write_bytes(bad_file.read_bytes())
    code, _, err = donorfit("pack", "check", tmp_path / "pack")
    check_error(code, err, {10})


def test_a_bad_file_as_declared_survey(donorfit, bad_file, demo_data):
    code, _, err = donorfit(
        "check", "--declared", bad_file, "--pack", demo_data / "pack", "--module", "tow_control_2"
    )
    check_error(code, err, {10})


def test_a_bad_file_as_scenario(donorfit, bad_file):
    code, _, err = donorfit("simulate", bad_file)
    check_error(code, err, {10})


def test_a_bad_file_as_rules_and_as_request(donorfit, bad_file, demo_data):
    code, _, err = donorfit("options", "check", bad_file, bad_file)
    check_error(code, err, {10})


def test_a_bad_file_as_key_source(donorfit, bad_file, demo_data, tmp_path):
    code, _, err = donorfit(
        "survey",
        tmp_path / "j",
        "--pack",
        demo_data / "pack",
        "--car",
        "127.0.0.1:1",
        "--keys",
        bad_file,
    )
    check_error(code, err, {10})


@pytest.mark.parametrize("what", ["missing", "folder"])
def test_a_missing_file_everywhere(donorfit, tmp_path, demo_data, what):
    path = tmp_path / "nothing" if what == "missing" else tmp_path
    for command, allowed in (
        (["status", path], {50}),
        (["pack", "check", path], {10}),
        (["simulate", path], {10}),
        (
            [
                "check",
                "--declared",
                path,
                "--pack",
                demo_data / "pack",
                "--module",
                "tow_control_2",
            ],
            {10},
        ),
    ):
        code, _, err = donorfit(*command)
        check_error(code, err, allowed)


def test_a_hundred_megabytes_are_refused(donorfit, tmp_path, demo_data):
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.seek(100 * 1024 * 1024)
        file.write(b"x")
    for command, allowed in (
        (["status", path], {50}),
        (["pack", "check", path], {10}),
        (["simulate", path], {10}),
        (
            [
                "check",
                "--declared",
                path,
                "--pack",
                demo_data / "pack",
                "--module",
                "tow_control_2",
            ],
            {10},
        ),
    ):
        code, _, err = donorfit(*command)
        check_error(code, err, allowed)


def test_an_unknown_module_is_told(donorfit, demo_data):
    code, _, err = donorfit(
        "check",
        "--declared",
        demo_data / "declared.toml",
        "--pack",
        demo_data / "pack",
        "--module",
        "tow_kontrol",
    )
    check_error(code, err, {10, 40})


@contextlib.contextmanager
def serve(answer):
    """A TCP server that greets every caller with some bytes, or with none and silence."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        callers = []

        def accept():
            with contextlib.suppress(OSError):
                while True:
                    caller, _ = server.accept()
                    callers.append(caller)
                    if answer is not None:
                        caller.recv(1024)
                        caller.sendall(answer)
                        caller.close()

        threading.Thread(target=accept, daemon=True).start()
        yield f"127.0.0.1:{server.getsockname()[1]}"
        for caller in callers:
            caller.close()


def survey(donorfit, tmp_path, demo_data, address):
    return donorfit(
        "survey", tmp_path / "j", "--pack", demo_data / "pack", "--car", address, "--no-input"
    )


def test_a_port_with_nothing_behind_it(donorfit, tmp_path, demo_data):
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    code, _, err = survey(donorfit, tmp_path, demo_data, f"127.0.0.1:{port}")
    check_error(code, err, {20})


def test_a_web_server_behind_the_port(donorfit, tmp_path, demo_data):
    with serve(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n") as address:
        code, _, err = survey(donorfit, tmp_path, demo_data, address)
    check_error(code, err, {20, 25})


def test_a_server_that_never_answers(donorfit, tmp_path, demo_data):
    with serve(None) as address:
        code, _, err = survey(donorfit, tmp_path, demo_data, address)
    check_error(code, err, {20, 25})


@pytest.mark.parametrize("address", ["", ":", "host:port", "127.0.0.1:0", "127.0.0.1:99999"])
def test_an_address_that_is_none(donorfit, tmp_path, demo_data, address):
    code, _, err = survey(donorfit, tmp_path, demo_data, address)
    check_error(code, err, {10, 20})


def test_the_same_job_opened_twice(donorfit, planned):
    from donorfit.assemble import open_store

    with open_store(planned, create=False):
        import subprocess
        import sys

        plan, status = (
            subprocess.run(
                [sys.executable, "-m", "donorfit", command, str(planned)],
                capture_output=True,
                text=True,
                check=False,
            )
            for command in ("plan", "status")
        )
    check_error(plan.returncode, plan.stderr, {50})
    assert "open in another" in plan.stderr
    # Looking is always allowed, and takes nothing from the one that works.
    assert (status.returncode, status.stderr) == (0, "")


def test_a_changed_pack_is_told(donorfit, planned, demo_data, tmp_path):
    import shutil

    pack = tmp_path / "pack"
    shutil.copytree(demo_data / "pack", pack)
    text = (pack / "pack.toml").read_text("utf-8")
    (pack / "pack.toml").write_text(text + "\n# another\n", "utf-8")
    code, _, err = donorfit("check", planned, "--pack", pack, "--module", "tow_control_2")
    check_error(code, err, {50})
    assert "pack" in err


def test_a_module_on_the_bench_that_is_taken_for_a_car_is_told(donorfit, tmp_path, demo_data):
    from donorfit.edge.served_car import serve_car

    job = tmp_path / "job.donorfit"
    with serve_car(demo_data / "bench.toml", fast=True) as address:
        reach = ["--car", address, "--keys", demo_data / "keys.py", "--no-input", "--fast", "-q"]
        code, out, err = donorfit("survey", job, "--pack", demo_data / "pack", *reach)
        assert code == 40
        assert "looks like a module alone on the bench" in " ".join(out.split())
        # What many units have in common is said once.
        assert out.count("unknown target address") == 1
        assert "next: For the module: donorfit survey JOB --bench tow_control_2." in err
        code, out, _ = donorfit("survey", job, "--bench", "tow_control_2", *reach)
        assert code == 0
        assert "looks like" not in out


def test_answers_that_nobody_asked_for_are_told(donorfit, planned, reach, tmp_path, demo_data):
    code, _, err = donorfit("plan", planned, "--choose", "nonsense=1")
    check_error(code, err, {10})
    assert "does not ask 'nonsense'" in err
    code, _, err = donorfit("prepare", planned, "--answer", "caution-typo=understood", *reach)
    check_error(code, err, {45})
    assert "caution-typo was not asked" in err
    # a folder that is missing is no other program at work
    job = tmp_path / "missing" / "new.donorfit"
    code, _, err = donorfit("survey", job, "--pack", demo_data / "pack", *reach)
    check_error(code, err, {50})
    assert "at work" not in err


def test_a_check_by_hand_that_is_not_so_is_named(donorfit, planned, reach):
    answers = ["--answer", "caution-*=understood", "--answer", "awake-*=yes"]
    assert donorfit("prepare", planned, "--support-amps", 50, *answers, *reach)[0] == 0
    digest = json.loads(donorfit("apply", planned, "--json")[1])["digest"]
    assert donorfit("apply", planned, "--write", digest, *reach)[0] == 0
    code, _, err = donorfit("prove", planned, "--answer", "check-*=no", *reach)
    check_error(code, err, {60})
    assert "7 checks by hand are not so" in err
    assert "values differ" not in err
    assert "donorfit prove JOB" in err


def test_keys_that_nobody_gives_are_told_before_and_after(donorfit, planned, reach):
    answers = ["--answer", "caution-*=understood", "--answer", "awake-*=yes"]
    assert donorfit("prepare", planned, "--support-amps", 50, *answers, *reach)[0] == 0
    digest = json.loads(donorfit("apply", planned, "--json")[1])["digest"]
    place = reach.index("--keys")
    keyless = [*reach[:place], *reach[place + 2 :]]
    keyless = [each for each in keyless if each not in {"-q", "--quiet"}]
    _, _, err = donorfit("apply", planned, "--write", digest, *keyless)
    said = " ".join(err.split())
    assert "keys are wanted by body, gateway, lighting, tow_control, and there is no" in said
    assert "not sent (no key source gave a key for security level 1 (--keys FILE))" in said
    assert "no answer" not in said.partition("The plan was not carried out")[0]


def test_where_nothing_is_unfinished_resuming_says_what_comes_next(donorfit, planned, reach):
    code, out, _ = donorfit("resume", planned, *reach)
    assert code == 0
    assert "Nothing is unfinished. Next: donorfit prepare JOB" in " ".join(out.split())
    code, out, _ = donorfit("resume", planned, "--json", *reach)
    assert code == 0
    assert json.loads(out)["schema"] == "donorfit/job-status/1"
