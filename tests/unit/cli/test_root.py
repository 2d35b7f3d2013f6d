"""The last door of the command line."""

import pytest

from donorfit.cli.root import run


@pytest.mark.parametrize(("name", "code"), [("psutil", 10), ("donorfit.edge.clock", 1)])
def test_a_missing_package_is_told_as_such_and_our_own_as_a_bug(monkeypatch, capsys, name, code):
    def fail(*_arguments):
        why = f"No module named {name!r}"
        raise ModuleNotFoundError(why, name=name)

    monkeypatch.setattr("importlib.import_module", fail)
    assert run(["doctor"]) == code
    said = capsys.readouterr().err
    assert ("The package psutil is not installed" in said) is (code == 10)
    assert "Traceback" not in said


def test_ctrl_c_twice_says_where_things_stand(monkeypatch, capsys):
    def stop(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr("importlib.import_module", stop)
    assert run(["doctor"]) == 130
    assert "donorfit resume JOB" in capsys.readouterr().err
