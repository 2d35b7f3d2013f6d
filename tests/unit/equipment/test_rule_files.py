"""Rule files and requests on disk: imports, circles, DIMACS, wrong bytes."""

import json

import pytest

from donorfit.edge.packs.rule_files import read_request_file, read_rule_file
from donorfit.errors import InputError


def write(folder, **files):
    for name, text in files.items():
        (folder / f"{name}.uvl").write_text(text, encoding="utf-8")


def test_nested_imports(tmp_path) -> None:
    (tmp_path / "parts").mkdir()
    write(tmp_path, main="imports\n parts.inner as p\nfeatures\n Main\n  mandatory\n   p.Root\n")
    write(
        tmp_path / "parts",
        inner="imports\n leaf\nfeatures\n Root\n  optional\n   leaf.Leaf\n",
        leaf="features\n Leaf\n",
    )
    rules = read_rule_file(tmp_path / "main.uvl")
    assert rules.names == ("Main", "p.Root", "p.leaf.Leaf")
    assert rules.files == ("main.uvl", "parts/inner.uvl", "parts/leaf.uvl")


def test_import_circle(tmp_path) -> None:
    write(
        tmp_path,
        a="imports\n b\nfeatures\n A\n  mandatory\n   b.B\n",
        b="imports\n a\nfeatures\n B\n  mandatory\n   a.A\n",
    )
    with pytest.raises(InputError, match=r"circle: a\.uvl -> b\.uvl -> a\.uvl"):
        read_rule_file(tmp_path / "a.uvl")


def test_missing_import_and_file(tmp_path) -> None:
    write(tmp_path, a="imports\n gone\nfeatures\n A\n")
    with pytest.raises(InputError, match=r"gone\.uvl, which is missing"):
        read_rule_file(tmp_path / "a.uvl")
    with pytest.raises(InputError, match="cannot be read"):
        read_rule_file(tmp_path / "none.uvl")


def test_wrong_bytes_name_their_line(tmp_path) -> None:
    (tmp_path / "a.uvl").write_bytes(b"features\n A\xff\n")
    with pytest.raises(InputError, match="0xFF") as caught:
        read_rule_file(tmp_path / "a.uvl")
    assert caught.value.mistakes[0].line == 2


def test_dimacs_with_names(tmp_path) -> None:
    (tmp_path / "a.cnf").write_text("c 1 Box\nc 2 Fan\np cnf 3 2\n1 0\n-1 2\n-3 0\n")
    rules = read_rule_file(tmp_path / "a.cnf")
    assert rules.names == ("Box", "Fan", "v3")
    assert [(r.id, r.text) for r in rules.rules] == [("r4", "Box"), ("r5", "!Box | Fan | !v3")]


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("1 0\n", "before the head"),
        ("p cnf 1 1\n2 0\n", "variable 2 of 1"),
        ("p cnf 1 1\nx 0\n", "no number"),
        ("p cnf 1 1\n1\n", "no 0"),
        ("c nothing\n", "no head"),
    ],
)
def test_dimacs_mistakes(tmp_path, text, part) -> None:
    (tmp_path / "a.dimacs").write_text(text)
    with pytest.raises(InputError, match=part):
        read_rule_file(tmp_path / "a.dimacs")


def test_request(tmp_path) -> None:
    path = tmp_path / "r.json"
    path.write_text(
        json.dumps({"declared": ["A"], "on": ["B"], "costs": {"A": 2}, "month": "2021-07"})
    )
    request = read_request_file(path)
    assert request.declared == ("A",)
    assert request.costs == (("A", 2),)
    assert str(request.month) == "2021-07"
    path.write_text('["A", "B"]')
    assert read_request_file(path).declared == ("A", "B")


def test_request_mistakes_come_together(tmp_path) -> None:
    path = tmp_path / "r.json"
    path.write_text(
        json.dumps(
            {
                "declard": [],
                "on": "B",
                "costs": {"A": -1},
                "month": "July",
                "top": 0,
                "off": ["A", "A"],
            }
        )
    )
    with pytest.raises(InputError) as caught:
        read_request_file(path)
    said = "\n".join(map(str, caught.value.mistakes))
    for part in (
        "declared",
        "'on' must be a list",
        "'A' is -1",
        "July",
        "'top' is 0",
        "more than once",
    ):
        assert part in said
    path.write_text('{"declared": [')
    with pytest.raises(InputError, match="no JSON") as caught:
        read_request_file(path)
    assert caught.value.mistakes[0].line == 1
    path.write_text("[" * 100_000)
    with pytest.raises(InputError):
        read_request_file(path)
