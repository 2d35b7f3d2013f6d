"""The development script, with its programs replaced, so that no network is needed."""

import ast
import importlib.util
import shutil
import sys
import threading
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture
def dev(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script, loaded afresh and working in a copy of the files that it reads."""
    shutil.copytree(repository / "requirements", tmp_path / "requirements")
    shutil.copy(repository / "pyproject.toml", tmp_path)
    spec = importlib.util.spec_from_file_location("dev_under_test", repository / "dev.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "PROJECT", tmp_path / "pyproject.toml")
    monkeypatch.setattr(module, "LOCKS", tmp_path / "requirements")
    monkeypatch.setattr(module, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(module, "PYTHON", tmp_path / ".venv" / "python")
    return module


@pytest.fixture
def installs(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, bool]]:
    """What was installed, as pairs of lock and whether everything was laid down again."""
    done: list[tuple[str, bool]] = []

    def make_venv() -> None:
        dev.VENV.mkdir(exist_ok=True)
        dev.PYTHON.touch()

    monkeypatch.setattr(dev, "make_venv", make_venv)
    monkeypatch.setattr(dev, "install", lambda lock, *, again: done.append((lock, again)))
    return done


@pytest.fixture
def commands(
    dev: ModuleType, installs: list[tuple[str, bool]], monkeypatch: pytest.MonkeyPatch
) -> list[list[str]]:
    """Programs that would have been run."""
    started: list[list[str]] = []

    def run(command: tuple[object, ...], **_: object) -> int:
        started.append([str(part) for part in command])
        return 0

    monkeypatch.setattr(dev, "run", run)
    return started


def break_install(dev: ModuleType, monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def install(_lock: str, *, again: bool) -> None:
        raise error

    monkeypatch.setattr(dev, "install", install)


def test_can_be_read_by_python_3_8(repository: Path) -> None:
    source = (repository / "dev.py").read_text(encoding="utf-8")
    ast.parse(source, feature_version=(3, 8))


def test_uses_the_standard_library_only(repository: Path) -> None:
    tree = ast.parse((repository / "dev.py").read_text(encoding="utf-8"))
    names = {
        name.partition(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [each.name for each in node.names]
        )
    }
    assert names
    assert names <= sys.stdlib_module_names


def test_old_python_gets_a_sentence(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(dev.sys, "version_info", (3, 9, 2))
    assert dev.main(["test"]) == 2
    said = capsys.readouterr().err
    assert "needs Python 3.11 or newer" in said
    assert "dev.py test" in said
    assert not dev.VENV.exists()


@pytest.mark.parametrize(("arguments", "code"), [([], 2), (["fly"], 2), (["--help"], 0)])
def test_usage_names_every_command(
    dev: ModuleType, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int
) -> None:
    assert dev.main(arguments) == code
    said = capsys.readouterr()
    text = said.out if code == 0 else said.err
    assert all(f"dev.py {name}" in text for name in dev.COMMANDS)


def test_second_set_up_does_nothing(dev: ModuleType, installs: list[tuple[str, bool]]) -> None:
    dev.set_up("dev")
    dev.set_up("dev")
    assert installs == [("dev", False)]


def test_dev_set_up_serves_the_demo_too(dev: ModuleType, installs: list[tuple[str, bool]]) -> None:
    dev.set_up("dev")
    dev.set_up("run")
    assert installs == [("dev", False)]


def test_run_set_up_does_not_serve_the_tests(
    dev: ModuleType, installs: list[tuple[str, bool]]
) -> None:
    dev.set_up("run")
    dev.set_up("dev")
    assert installs == [("run", False), ("dev", False)]


@pytest.mark.parametrize("name", ["pyproject.toml", "requirements/dev.txt"])
def test_changed_inputs_set_up_again(
    dev: ModuleType, installs: list[tuple[str, bool]], name: str
) -> None:
    dev.set_up("dev")
    with (dev.ROOT / name).open("a") as file:
        file.write("# changed\n")
    dev.set_up("dev")
    assert len(installs) == 2


def test_line_ends_of_the_checkout_do_not_matter(
    dev: ModuleType, installs: list[tuple[str, bool]]
) -> None:
    dev.set_up("dev")
    text = dev.PROJECT.read_bytes()
    dev.PROJECT.write_bytes(text.replace(b"\n", b"\r\n"))
    dev.set_up("dev")
    assert len(installs) == 1


def test_change_that_was_taken_back_is_set_up_again(
    dev: ModuleType, installs: list[tuple[str, bool]]
) -> None:
    text = dev.PROJECT.read_bytes()
    dev.set_up("run")
    dev.PROJECT.write_bytes(text + b"# changed\n")
    dev.set_up("dev")
    dev.PROJECT.write_bytes(text)
    dev.set_up("run")
    assert [lock for lock, _ in installs] == ["run", "dev", "run"]


def test_interrupted_set_up_is_laid_down_again(
    dev: ModuleType, installs: list[tuple[str, bool]], monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = dev.install
    break_install(dev, monkeypatch, KeyboardInterrupt())
    assert dev.main(["test"]) == 130
    assert not dev.is_ready("dev")
    monkeypatch.setattr(dev, "install", sound)
    dev.set_up("dev")
    dev.set_up("dev")
    assert installs == [("dev", True)]


def test_failed_set_up_says_so_and_is_tried_again(
    dev: ModuleType,
    installs: list[tuple[str, bool]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    sound = dev.install
    break_install(dev, monkeypatch, dev.SetupError("no network"))
    assert dev.main(["test"]) == 2
    assert "dev.py test: no network" in capsys.readouterr().err
    monkeypatch.setattr(dev, "install", sound)
    dev.set_up("dev")
    assert installs == [("dev", False)]


def test_two_set_ups_wait_for_each_other(dev: ModuleType) -> None:
    entered = threading.Event()

    def enter() -> None:
        with dev.one_at_a_time():
            entered.set()

    waiting = threading.Thread(target=enter)
    with dev.one_at_a_time():
        waiting.start()
        assert not entered.wait(0.2)
    waiting.join(10)
    assert entered.is_set()


def install_with(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch, *, failing: str
) -> list[list[str]]:
    """Install with programs that fail where their words hold a given one."""
    started: list[list[str]] = []

    def run_quietly(command: tuple[object, ...]) -> tuple[int, str]:
        started.append([str(part) for part in command])
        return int(failing in started[-1]), f"said by {started[-1][2]}"

    monkeypatch.setattr(dev, "run_quietly", run_quietly)
    dev.install("run", again=False)
    return started


def test_installs_by_uv_and_only_what_has_the_right_hash(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    started = install_with(dev, monkeypatch, failing="nothing")
    assert [command[2] for command in started] == ["pip", "uv", "uv"]
    assert all("--require-hashes" in command for command in started[:2])
    assert {"--no-deps", "--no-build-isolation"} <= set(started[2])


def test_installs_by_pip_where_uv_fails(dev: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    started = install_with(dev, monkeypatch, failing="uv")
    assert [command[2] for command in started] == ["pip", "uv", "pip", "pip"]
    assert "--require-hashes" in started[2]


def test_says_what_both_said_where_both_fail(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(dev.SetupError, match="said by pip"):
        install_with(dev, monkeypatch, failing="install")


def test_demo_passes_its_arguments_on(dev: ModuleType, commands: list[list[str]]) -> None:
    assert dev.main(["demo", "--fast", "--out", "x"]) == 0
    assert commands == [[str(dev.PYTHON), "-m", "donorfit", "demo", "--fast", "--out", "x"]]


@pytest.mark.parametrize(
    ("given", "passed"),
    [
        ([], ["-n", "auto", "--maxprocesses", "4"]),
        (["-k", "vin"], ["-k", "vin"]),
        (["--long", "tests/faults"], ["-m", "", "tests/faults"]),
    ],
)
def test_test_passes_its_arguments_on(
    dev: ModuleType, commands: list[list[str]], given: list[str], passed: list[str]
) -> None:
    assert dev.main(["test", *given]) == 0
    assert commands == [[str(dev.PYTHON), "-m", "pytest", *passed]]


def test_check_runs_every_step_and_fails_with_one(
    dev: ModuleType,
    installs: list[tuple[str, bool]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(
        dev, "run_quietly", lambda command: (int("format" in command), "file would change")
    )
    assert dev.main(["check"]) == 1
    said = capsys.readouterr().out
    assert said.count("ok ") == 4
    assert said.count("FAILED") == 1
    assert "file would change" in said
    assert "1 of 5 checks failed" in said


def test_bench_runs_what_is_named(dev: ModuleType, commands: list[list[str]]) -> None:
    folder = dev.ROOT / "benchmarks"
    folder.mkdir()
    for name in ("one", "two", "_shared"):
        (folder / f"{name}.py").touch()
    assert dev.main(["bench"]) == 0
    assert dev.main(["bench", "two"]) == 0
    assert [Path(command[1]).stem for command in commands] == ["one", "two", "two"]
    assert dev.main(["bench", "three"]) == 2


def test_lock_heads_every_file_with_its_inputs(
    dev: ModuleType, commands: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    for file in dev.LOCKS.glob("*.txt"):
        file.write_text("click==8.5.1 \\\n    --hash=sha256:00\n", encoding="utf-8")
    monkeypatch.setattr(dev, "run_quietly", lambda _: (0, ""))
    assert dev.main(["lock", "--upgrade"]) == 0
    compiled = [command for command in commands if "compile" in command]
    assert [Path(command[-2]).stem for command in compiled] == ["dev", "run", "installer"]
    assert all("--generate-hashes" in command for command in compiled)
    assert all(command[-1] == "--upgrade" for command in compiled)
    for file in dev.LOCKS.glob("*.txt"):
        assert f"\n# inputs: {dev.digest_inputs()}\nclick==8.5.1" in file.read_text()


def test_lock_fails_where_a_system_lacks_a_package(
    dev: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(
        dev,
        "run_quietly",
        lambda command: (int("aarch64-apple-darwin" in command), "no wheel of that"),
    )
    assert dev.report_missing_wheels() == 1
    said = capsys.readouterr().out
    assert said.count("no wheel of that") == len(dev.LOCK_PARTS)
    assert "dev cannot be installed on aarch64-apple-darwin" in said


@pytest.mark.parametrize(
    ("old", "new", "changes"),
    [("click>=", "click!=", True), ("uv==", "uv!=", True), ("line-length", "line-width", False)],
)
def test_lock_inputs_are_the_requirements(
    dev: ModuleType, old: str, new: str, *, changes: bool
) -> None:
    before = dev.digest_inputs()
    text = dev.PROJECT.read_text(encoding="utf-8")
    assert old in text
    dev.PROJECT.write_text(text.replace(old, new), encoding="utf-8")
    assert (dev.digest_inputs() != before) is changes
