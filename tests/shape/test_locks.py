"""The locks hold what pyproject.toml asks for, with hashes, and no address."""

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

LOCKS = ("run", "dev", "installer")
PIN = re.compile(r"^([A-Za-z0-9._-]+)==([^\s;]+)(?: ; ([^\\]+))?", re.MULTILINE)


def read_lock(repository: Path, name: str) -> str:
    return (repository / "requirements" / f"{name}.txt").read_text(encoding="utf-8")


def read_pins(text: str) -> dict[str, set[str]]:
    """Versions by package; one package may have several, each for other systems."""
    pins: dict[str, set[str]] = {}
    for package, version, _ in PIN.findall(text):
        pins.setdefault(canonicalize_name(package), set()).add(version)
    return pins


def find_drift(asked: list[str], pins: dict[str, set[str]]) -> list[str]:
    """Requirements that the pins leave out or do not satisfy."""
    drift = []
    for requirement in map(Requirement, asked):
        versions = pins.get(canonicalize_name(requirement.name), set())
        if not versions:
            drift.append(f"{requirement} is not pinned")
        drift += [
            f"{requirement} is pinned to {version}"
            for version in versions
            if not requirement.specifier.contains(version, prereleases=True)
        ]
    return drift


@pytest.fixture(scope="module")
def project(repository: Path) -> dict:
    return tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def dev(repository: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("dev", repository / "dev.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def list_asked(project: dict, lock: str) -> list[str]:
    groups, built = project["dependency-groups"], project["build-system"]["requires"]
    if lock == "installer":
        return groups["installer"]
    asked = [*project["project"]["dependencies"], *groups["build"], *built]
    if lock == "dev":
        extras = project["project"].get("optional-dependencies", {}).values()
        asked += [*groups["dev"], *(each for extra in extras for each in extra)]
    return asked


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_satisfies_every_requirement(repository: Path, project: dict, lock: str) -> None:
    asked = list_asked(project, lock)
    assert asked
    drift = find_drift(asked, read_pins(read_lock(repository, lock)))
    assert not drift, "run: python dev.py lock"


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_was_made_from_this_pyproject(repository: Path, dev: ModuleType, lock: str) -> None:
    assert f"# inputs: {dev.digest_inputs()}\n" in read_lock(repository, lock), (
        "pyproject.toml has changed since; run: python dev.py lock"
    )


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_hashes_and_no_address(repository: Path, lock: str) -> None:
    text = read_lock(repository, lock)
    assert "://" not in text
    assert "--index" not in text
    entries = re.split(r"\n(?=[A-Za-z])", text.split("\n", 2)[2])
    assert len(entries) == len(PIN.findall(text))
    assert [entry for entry in entries if "--hash=sha256:" not in entry] == []


def test_packages_with_compiled_parts_have_a_hash_for_every_system(repository: Path) -> None:
    text = read_lock(repository, "dev")
    for package in ("numpy", "pydantic-core", "ruff"):
        entry = re.search(rf"^{package}==[^\n]*(?:\n    --hash[^\n]*)*", text, re.MULTILINE)
        assert entry is not None, package
        assert entry[0].count("--hash=") > 10, f"{package}: only some systems' wheels are pinned"


def test_run_lock_is_part_of_dev_lock(repository: Path) -> None:
    run, dev = (read_pins(read_lock(repository, name)) for name in ("run", "dev"))
    assert run
    assert {name: versions for name, versions in run.items() if dev.get(name) != versions} == {}


def test_drift_is_seen() -> None:
    pins = {"click": {"8.1.0"}, "numpy": {"2.4.6", "2.5.5"}}
    assert find_drift(["click>=8.2", "numpy>=2.0", "rich"], pins) == [
        "click>=8.2 is pinned to 8.1.0",
        "rich is not pinned",
    ]
