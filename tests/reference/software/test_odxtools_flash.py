"""ODX-F as odxtools writes it and reads it back, against our pieces."""

import io
import sys
import zipfile
from pathlib import Path

import pytest

from donorfit.edge.software.read_software import read_software_bytes

pytestmark = pytest.mark.reference
sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "edge" / "software"))
from odx_flash_text import EXPECTED, block, flash, flash_data, segment, session  # noqa: E402

odxtools = pytest.importorskip("odxtools")


def load(odx: bytes):
    from xml.etree import ElementTree as ET

    import odxtools.database

    database = odxtools.database.Database(use_weakrefs=False)
    database.add_odx_xml_tree(ET.fromstring(odx))  # noqa: S314 - text of our own
    database.refresh()
    return database


ODX = flash(
    session("update", "main", "side", rest=EXPECTED),
    block("main", segment("a", 0x1000) + segment("b", 0x1020, 2))
    + block("side", segment("c", 0x7000, 4), flash="fd2"),
    flash_data() + flash_data("DE AD BE EF", "BINARY", "fd2"),
)


def test_the_whole_data_are_those_of_odxtools():
    database = load(ODX)
    blobs = {str(each.short_name): each for each in database.flashs[0].ecu_mems[0].mem.flashdatas}
    hex_file = blobs["fd"].dataset
    pieces = read_software_bytes(ODX, file="f").image.segments
    assert [(each.address, each.data) for each in pieces[:2]] == [
        (each.address, bytes(each.data)) for each in hex_file.segments
    ]
    assert pieces[2].data == bytes(blobs["fd2"].blob)


def test_what_odxtools_writes_anew_has_the_same_pieces(tmp_path):
    database = load(ODX)
    database.short_name = "invented"
    path = tmp_path / "written.pdx"
    odxtools.write_pdx_file(str(path), database)
    again = read_software_bytes(path.read_bytes(), file=path.name)
    first = read_software_bytes(ODX, file="f")
    assert again.image.places == first.image.places
    assert again.image.data == first.image.data
    assert again.idents == first.idents
    with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as container:
        assert any(".odx-f" in name for name in container.namelist())
