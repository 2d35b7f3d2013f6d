"""The invented job, loaded from where it lies."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

_PLACE = Path(__file__).parents[1] / "data" / "records" / "towing_job.py"


def _load() -> ModuleType:
    if "towing_job" not in sys.modules:
        spec = importlib.util.spec_from_file_location("towing_job", _PLACE)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["towing_job"] = module
        spec.loader.exec_module(module)
    return sys.modules["towing_job"]


@pytest.fixture(scope="session")
def towing_job() -> ModuleType:
    """The module that builds the records."""
    return _load()


@pytest.fixture(scope="session")
def job(towing_job: ModuleType) -> object:
    """All records of the job."""
    return towing_job.build_job()
