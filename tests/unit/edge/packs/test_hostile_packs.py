"""Spoilt packs of any kind: the reader answers with mistakes, never with a traceback."""

import sys
import zipfile
from contextlib import suppress
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from donorfit.edge.packs.pack_reader import load_pack, load_source
from donorfit.edge.packs.pack_source import PackSource
from donorfit.errors import InputError

small_pack = sys.modules["small_pack"]
FILES = small_pack.make_files()
TEXTS = sorted(name for name in FILES if not name.endswith(".bin"))
TOKENS = (
    b"-1", b"0", b"99999999999999999999", b"1e400", b"nan", b"''", b'"\\u0000"', b"[]", b"{}",
    b"[[[[", b"true", b"1979-05-27", b"\xef\xbb\xbf", b"\n", b"=", b"&", b"!", b"(" * 100,
    b"a.b.c", b"0xFFFFFFFF", b"\xc3\x28", b"software >= 1", b"month < 2021-07",
)  # fmt: skip


def read(files: dict[str, bytes]) -> None:
    error = _try(files)
    if error is not None:
        assert error.mistakes
        assert all(each.what and each.next_step and each.file for each in error.mistakes)
        assert str(error)


def _try(files: dict[str, bytes]) -> InputError | None:
    try:
        load_source(PackSource(name="pack", files=files), thorough=True)
    except InputError as error:
        return error
    return None


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_spoilt_text_gives_mistakes(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(TEXTS))
    text = FILES[name]
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 40)))
        token = data.draw(st.sampled_from(TOKENS) | st.binary(max_size=8))
        text = text[:start] + token + text[end:]
    read({**FILES, name: text})


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_exchanged_values_give_mistakes(data: st.DataObject) -> None:
    """The value of one key becomes that of another, so that every type lands everywhere."""
    name = data.draw(st.sampled_from([each for each in TEXTS if each.endswith(".toml")]))
    lines = FILES[name].decode().splitlines()
    rows = [n for n, line in enumerate(lines) if " = " in line]
    first, second = data.draw(st.sampled_from(rows)), data.draw(st.sampled_from(rows))
    key = lines[first].split(" = ", 1)[0]
    lines[first] = f"{key} = {lines[second].split(' = ', 1)[1]}"
    read({**FILES, name: "\n".join(lines).encode()})


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_spoilt_zip_gives_mistakes(tmp_path: Path, data: st.DataObject) -> None:
    stream = BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in FILES.items():
            archive.writestr(name, content)
    raw = bytearray(stream.getvalue())
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(raw)) | st.just(len(raw)))
    path = tmp_path / "pack.zip"
    path.write_bytes(raw[:cut])
    with suppress(InputError):
        load_pack(path)


@pytest.mark.parametrize("name", TEXTS)
def test_any_part_may_be_missing_or_of_another_kind(name: str) -> None:
    for content in (None, b"", b"x", b"\0", b"[a]\n", b"a = 1\n", FILES["can.dbc"], bytes(10)):
        files = {key: value for key, value in FILES.items() if key != name}
        if content is not None:
            files[name] = content
        read(files)
