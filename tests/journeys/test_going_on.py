"""Work that stopped goes on: what is asked again, measured again, and where that is shown."""

import json
from contextlib import nullcontext
from datetime import datetime, timedelta

import pytest

from donorfit.edge.host.power import HostPower
from donorfit.edge.links.places import DoipPlace
from donorfit.edge.served_car import serve_car

pytestmark = [pytest.mark.journey, pytest.mark.timeout(300)]

ANSWERS = ["--answer", "caution-*=understood", "--answer", "awake-*=yes"]
CHANGING = {0x11, 0x14, 0x2E, 0x2F, 0x31, 0x34, 0x36, 0x37}


class Later:
    """The wall clock of the program, which a test sets forward."""

    def __init__(self):
        self.by = timedelta()

    def __call__(self):
        return (datetime.now().astimezone() + self.by).isoformat(timespec="seconds")


@pytest.fixture
def later(monkeypatch):
    clock = Later()
    monkeypatch.setattr("donorfit.assemble.read_wall_clock", clock)
    monkeypatch.setattr("donorfit.cli.session.read_wall_clock", clock)
    return clock


@pytest.fixture
def prepared(donorfit, planned, reach, later):
    """A prepared job, and the digest of its plan."""
    code, _, err = donorfit("prepare", planned, "--support-amps", 50, *ANSWERS, *reach)
    assert code == 0, err
    return planned, json.loads(donorfit("apply", planned, "--json")[1])["digest"]


@pytest.fixture
def stopped(donorfit, prepared, reach):
    """A job whose apply lost its link; the demonstration's car sees to that."""
    job, digest = prepared
    code, _, err = donorfit("apply", job, "--write", digest, *reach, "--reconnects", 0)
    assert code == 45, err
    return job


def read_status(donorfit, job):
    return json.loads(donorfit("status", job, "--json")[1])


def list_sent(donorfit, capture):
    """Services that were sent to units, as the capture holds them."""
    told = json.loads(donorfit("trace", capture, "--json")[1])
    return {each["service"] for each in told["events"] if each["source"].startswith("tester")}


def test_in_the_same_sitting_nothing_is_asked_but_the_supply_is_measured(
    donorfit, stopped, reach, later, tmp_path
):
    later.by = timedelta(hours=3, minutes=50)
    code, _, err = donorfit("resume", stopped, *reach)
    assert code == 0, err
    status = read_status(donorfit, stopped)
    (line,) = [each for each in status["given"] if each["subject"] == "going on"]
    assert "earlier answers count" in line["words"]
    assert "supply measured at 13.60 V; support of 50 A stated" in line["words"]
    code, _, err = donorfit("record", stopped, "--out", tmp_path)
    assert code == 0, err
    page = (tmp_path / f"{stopped.stem}-record.html").read_text("utf-8")
    assert "After stop 1 the work went on" in page


def test_answers_of_another_day_are_asked_again_all_at_once(
    donorfit, stopped, reach, later, tmp_path
):
    later.by = timedelta(hours=26)
    before = read_status(donorfit, stopped)
    capture = tmp_path / "nothing.pcapng"
    some = ["--answer", "caution-*=understood", "--capture", capture]
    code, _, err = donorfit("resume", stopped, *some, *reach)
    assert code == 45, err
    assert "26 h 0" in err
    assert "--support-amps AMPERES" in err
    assert "--answer awake-belt=yes --answer awake-key=yes" in err
    assert "caution-" not in err  # what was given is not missing
    assert list_sent(donorfit, capture) == set()
    assert read_status(donorfit, stopped)["records"] == before["records"]

    code, _, err = donorfit("resume", stopped, *reach)
    assert "--answer caution-approval=understood" in err
    code, _, err = donorfit("resume", stopped, *ANSWERS, "--support-amps", 40, *reach)
    assert code == 0, err
    given = read_status(donorfit, stopped)["given"]
    (line,) = [each for each in given if each["subject"] == "going on"]
    assert "given again: caution-approval understood" in line["words"]
    assert "awake-key yes" in line["words"]
    assert "support of 40 A stated" in line["words"]
    assert line["at"] > given[0]["at"]
    donorfit("record", stopped, "--out", tmp_path)
    page = (tmp_path / f"{stopped.stem}-record.html").read_text("utf-8")
    assert "earlier answers of 20" in page


@pytest.fixture
def low_car(demo_data, tmp_path):
    """The same car with an empty battery and nothing to support it; its HOST:PORT."""
    text = (demo_data / "car.toml").read_text("utf-8")
    text = text.replace("charge_percent = 85.0", "charge_percent = 5.0")
    low = tmp_path / "low.toml"
    low.write_text(text.replace("support_limit_a = 50.0", "support_limit_a = 0.0"), "utf-8")
    with serve_car(low, fast=True) as address:
        yield address


def test_what_is_no_longer_so_changes_nothing(donorfit, stopped, reach, later, low_car):
    later.by = timedelta(days=3)
    capture = stopped.parent / "look.pcapng"
    for given, said in (
        (["--answer", "caution-approval=stop"], "A caution is not confirmed"),
        (["--answer", "awake-key=no"], "The car may fall asleep"),
        (["--support-amps", 1], "The supply will not hold: 1 A"),
    ):
        support = [] if "--support-amps" in given else ["--support-amps", 50]
        made = ["resume", stopped, *given, *ANSWERS, *support, *reach, "--capture", capture]
        code, _, err = donorfit(*made)
        assert code == 40, err
        assert said in err
    other = ["--car", low_car, *reach[2:], "--capture", capture]
    code, _, err = donorfit("resume", stopped, *ANSWERS, "--support-amps", 50, *other)
    assert code == 40, err
    assert "The supply is at 1" in err
    assert "Nothing was changed since the work stopped" in err
    sent = list_sent(donorfit, capture)
    assert 0x22 in sent
    assert not sent & CHANGING
    lines = [each["subject"] for each in read_status(donorfit, stopped)["given"]]
    assert lines.count("not going on") == 4
    # the supply has come back, and what was answered a moment ago counts
    code, _, err = donorfit("resume", stopped, *reach)
    assert code == 0, err


def test_a_preparation_of_another_day_begins_nothing(donorfit, prepared, reach, later, tmp_path):
    job, digest = prepared
    later.by = timedelta(hours=5)
    capture = tmp_path / "nothing.pcapng"
    made = ["apply", job, "--write", digest, *reach, "--capture", capture]
    code, _, err = donorfit(*made)
    assert code == 40, err
    assert "too old" in err
    assert "donorfit prepare JOB" in err
    assert list_sent(donorfit, capture) == set()


def test_answers_of_a_preparing_that_was_cut_another_day_are_not_taken(
    donorfit, planned, reach, later
):
    some = ["--answer", "caution-*=understood", "--support-amps", 50]
    assert donorfit("prepare", planned, *some, *reach)[0] == 45
    later.by = timedelta(hours=1)
    code, _, err = donorfit("prepare", planned, "--support-amps", 50, *reach)
    assert code == 45
    assert "--answer awake-" in err  # the cautions of an hour ago count
    later.by = timedelta(hours=6)
    code, _, err = donorfit("prepare", planned, "--support-amps", 50, *reach)
    assert code == 45
    assert "--answer caution-" in err


def test_power_is_asked_before_changes_only_and_shown(
    donorfit, stopped, reach, tmp_path, monkeypatch
):
    monkeypatch.setattr(DoipPlace, "on_this_computer", property(lambda _: False))
    monkeypatch.setattr("donorfit.assemble.read_host_power", HostPower)
    monkeypatch.setattr("donorfit.cli.session.stay_awake", lambda: nullcontext("no way known"))
    code, _, err = donorfit("resume", stopped, *reach)
    assert code == 45, err
    assert "--answer host-mains=yes" in err
    code, _, err = donorfit("resume", stopped, *reach, "--answer", "host-mains=yes")
    assert code == 0, err
    # proving reads only, also where it is taken up
    assert donorfit("prove", stopped, *reach)[0] == 45
    code, _, err = donorfit("resume", stopped, *reach, "--answer", "check-*=yes")
    assert code == 0, err
    words = "not known: the system reports no battery; the person says: yes"
    given = [each["words"] for each in read_status(donorfit, stopped)["given"]]
    assert words in given
    assert "it could not be kept awake: no way known" in given
    _, out, _ = donorfit("status", stopped)
    assert "this computer:" in out
    donorfit("record", stopped, "--out", tmp_path)
    assert words in (tmp_path / f"{stopped.stem}-record.html").read_text("utf-8")
