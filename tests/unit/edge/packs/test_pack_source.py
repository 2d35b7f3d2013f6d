"""Folders and zip files of packs: what is refused, and that bounds are counted while unpacking."""

import io
import os
import stat
import struct
import zipfile
from pathlib import Path

import pytest

from donorfit.edge.packs import pack_source
from donorfit.edge.packs.pack_reader import load_pack, read_software_image
from donorfit.edge.packs.pack_source import open_source
from donorfit.errors import InputError


def write_zip(path: Path, entries: dict[str, bytes], **settings: int) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            for key, value in settings.items():
                setattr(entry, key, value)
            archive.writestr(entry, data)
    return path


def refuse(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        open_source(path)
    return str(caught.value)


def test_a_zip_reads_as_its_folder_does(tmp_path: Path, make_pack, small_files) -> None:
    folder = load_pack(make_pack()).pack
    flat = load_pack(write_zip(tmp_path / "flat.zip", small_files)).pack
    inside = {f"small/{name}": data for name, data in small_files.items()}
    nested = load_pack(write_zip(tmp_path / "nested.zip", inside)).pack
    assert folder.digest == flat.digest == nested.digest
    assert flat.units == folder.units == nested.units


def test_the_digest_sees_names_bytes_and_borders(tmp_path: Path) -> None:
    packs = (
        {"a": b"bc"}, {"ab": b"c"}, {"a": b"b", "c": b""}, {"a": b"", "b": b"c"}, {"a": b"bd"},
    )  # fmt: skip
    digests = [
        open_source(write_zip(tmp_path / f"{n}.zip", files)).compute_digest()
        for n, files in enumerate(packs)
    ]
    assert len(set(digests)) == len(packs)


@pytest.mark.parametrize(
    "name",
    [
        "../out.toml",
        "a/../../out.toml",
        "/etc/out.toml",
        "C:/out.toml",
        "C:out.toml",
        "..\\out.toml",
        "a//b.toml",
        "./a.toml",
    ],
)
def test_names_that_lead_out_are_refused(tmp_path: Path, name: str) -> None:
    told = refuse(write_zip(tmp_path / "bad.zip", {"pack.toml": b"x", name: b"y"}))
    assert "leads out" in told or "leads out of the pack" in told
    assert "1 mistake" in told


def test_links_are_refused(tmp_path: Path, small_files) -> None:
    path = write_zip(
        tmp_path / "link.zip", {"pack.toml": b"/etc/passwd"},
        external_attr=(stat.S_IFLNK | 0o777) << 16,
    )  # fmt: skip
    assert "it is a link" in refuse(path)
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "pack.toml").write_bytes(small_files["pack.toml"])
    (folder / "inner").symlink_to(tmp_path)
    (folder / "units.toml").symlink_to("/etc/hosts")
    told = refuse(folder)
    assert told.count("no ordinary file") == 2


def test_what_would_block_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    os.mkfifo(folder / "pack.toml")
    assert "no ordinary file" in refuse(folder)


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_doubled_names_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "twice.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("pack.toml", "a")
        archive.writestr("pack.toml", "b")
        archive.writestr("PACK.toml", "c")
    assert refuse(path).count("it is there twice") == 2


def test_an_encrypted_file_is_refused(tmp_path: Path) -> None:
    data = bytearray(write_zip(tmp_path / "locked.zip", {"pack.toml": b"a = 1"}).read_bytes())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = data.index(signature) + offset
        data[place] |= 1
    path = tmp_path / "locked2.zip"
    path.write_bytes(data)
    assert "it is encrypted" in refuse(path)


def test_too_many_files_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pack_source, "MOST_FILES", 5)
    files = {f"f{n}.toml": b"x" for n in range(6)}
    assert "more than 5 files" in refuse(write_zip(tmp_path / "many.zip", files))
    folder = tmp_path / "many"
    folder.mkdir()
    for name in files:
        (folder / name).write_text("x")
    assert "more than 5 files" in refuse(folder)


def test_the_size_is_counted_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A header that says ten bytes does not open the way for a million."""
    monkeypatch.setattr(pack_source, "LARGEST_PACK_BYTES", 300_000)
    path = write_zip(tmp_path / "bomb.zip", {"a.bin": bytes(200_000), "b.bin": bytes(200_000)})
    assert "unpacks to more than 300000 bytes" in refuse(path)
    monkeypatch.setattr(pack_source, "LARGEST_FILE_BYTES", 100_000)
    assert "more than 100000 bytes" in refuse(path)
    data = bytearray(path.read_bytes())
    place = data.index(b"PK\x01\x02")
    struct.pack_into("<L", data, place + 24, 10)  # uncompressed size of the first entry
    path.write_bytes(data)
    refuse(path)  # the library or our own count stops it; nothing is believed


def test_a_file_of_a_hundred_megabytes_is_one_mistake(tmp_path: Path) -> None:
    folder = tmp_path / "pack"
    folder.mkdir()
    with (folder / "pack.toml").open("wb") as stream:
        stream.truncate(100 * 1024 * 1024)
    told = refuse(folder)
    assert "more than 67108864 bytes" in told
    assert "1 mistake" in told


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "the file is empty"),
        (b"  \n\n", "the file is empty"),
        (b"a = 1\x00", "the file is binary, not text"),
        (b"a = 1\nb = '\xff'\n", "line 2 is not UTF-8"),
        (b"a =\n", "1: this is no TOML"),
        (b"a = 1\na = 2\n", "2: this is no TOML"),
    ],
)
def test_a_spoilt_file_is_one_clear_mistake(
    make_pack, list_mistakes, data: bytes, told: str
) -> None:
    path = make_pack()
    (path / "modules.toml").write_bytes(data)
    mistakes = list_mistakes(path)
    assert len(mistakes) == 1, mistakes
    assert f"{path}/modules.toml" in str(mistakes[0])
    assert told in str(mistakes[0])


def test_a_missing_part_is_told(make_pack, list_mistakes) -> None:
    path = make_pack()
    (path / "modules.toml").unlink()
    assert [each.what for each in list_mistakes(path)] == ["the file is missing"]


def test_nothing_to_read(tmp_path: Path) -> None:
    assert "no such file or folder" in refuse(tmp_path / "nothing")
    (tmp_path / "empty").mkdir()
    assert "is empty" in refuse(tmp_path / "empty")
    (tmp_path / "text.zip").write_text("this is no zip")
    assert "neither a folder nor a whole zip" in refuse(tmp_path / "text.zip")
    whole = write_zip(tmp_path / "whole.zip", {"pack.toml": bytes(5000)}).read_bytes()
    (tmp_path / "torn.zip").write_bytes(whole[: len(whole) // 2])
    assert "neither a folder nor a whole zip" in refuse(tmp_path / "torn.zip")
    write_zip(tmp_path / "other.zip", {"readme.txt": b"x"})
    with pytest.raises(InputError, match=r"the file is missing"):
        load_pack(tmp_path / "other.zip")


def test_bytes_changed_inside_a_zip_are_noticed(tmp_path: Path) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("pack.toml", "id = 'one'")
    path = tmp_path / "changed.zip"
    path.write_bytes(stream.getvalue().replace(b"'one'", b"'two'"))
    assert "neither a folder nor a whole zip" in refuse(path)


def test_hidden_files_stay_out(tmp_path: Path, make_pack) -> None:
    path = make_pack()
    before = load_pack(path).pack.digest
    (path / ".hidden").mkdir()
    (path / ".hidden" / "x").write_text("x")
    (path / ".notes").write_text("x")
    assert load_pack(path).pack.digest == before


def test_software_is_read_by_its_digest(make_pack) -> None:
    path = make_pack()
    block = load_pack(path).pack.units[1].software_blocks[0]
    assert len(read_software_image(path, block).data) == block.size_bytes
    (path / "software" / "hook.bin").write_bytes(b"other")
    with pytest.raises(InputError, match="is not the one"):
        read_software_image(path, block)
    (path / "software" / "hook.bin").unlink()
    with pytest.raises(InputError, match="is missing"):
        read_software_image(path, block)
