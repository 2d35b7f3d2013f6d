"""A small pack in a folder of its own, and a way to put a mistake into it."""

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from donorfit.edge.packs.pack_reader import load_pack
from donorfit.errors import InputError, Mistake

_spec = importlib.util.spec_from_file_location(
    "small_pack", Path(__file__).with_name("small_pack.py")
)
assert _spec is not None
assert _spec.loader is not None
small_pack = importlib.util.module_from_spec(_spec)
sys.modules["small_pack"] = small_pack
_spec.loader.exec_module(small_pack)

Change = tuple[str, str, str]


@pytest.fixture
def small_files() -> dict[str, bytes]:
    return small_pack.make_files()


@pytest.fixture
def make_pack(tmp_path: Path, small_files: dict[str, bytes]) -> Callable[..., Path]:
    """Write the small pack with texts replaced: (file, old, new); old "" replaces the file."""

    def make(*changes: Change) -> Path:
        files = dict(small_files)
        for file, old, new in changes:
            text = files.get(file, b"").decode()
            assert not old or text.count(old) == 1, (file, old, text.count(old))
            files[file] = (text.replace(old, new) if old else new).encode()
        return small_pack.write_folder(tmp_path / "pack", files)

    return make


@pytest.fixture
def list_mistakes() -> Callable[..., tuple[Mistake, ...]]:
    def mistakes(path: Path, *, thorough: bool = False) -> tuple[Mistake, ...]:
        with pytest.raises(InputError) as caught:
            load_pack(path, thorough=thorough)
        assert str(caught.value)
        return caught.value.mistakes

    return mistakes
