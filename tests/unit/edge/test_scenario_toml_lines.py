"""Lines of TOML paths, against an independent writer (tomlkit), and scenario files under mutation."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from donorfit.edge.packs.scenario_files import parse_scenario
from donorfit.edge.packs.toml_lines import read_toml
from donorfit.errors import InputError

TEXT = '''a = 1
[[unit]]
id = "x" # not [a.table]
"quoted.key".b = 2020-01-01 00:00:00
[unit.keeper]
options = ["a", # b = 3
 "c]",
 { q = 1, r = """
 ] }
 """, s = [1,
 2]}
]
[[unit]]
id = 'y'
[[unit.record]]
identifier = 0x10
[[unit.record]]
[unit.record.checksum]
byte = 4
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("a",), 1),
        (("unit",), 2),
        (("unit", 0), 2),
        (("unit", 0, "id"), 3),
        (("unit", 0, "quoted.key", "b"), 4),
        (("unit", 0, "keeper"), 5),
        (("unit", 0, "keeper", "options", 1), 7),
        (("unit", 0, "keeper", "options", 2, "s", 1), 11),
        (("unit", 1, "id"), 14),
        (("unit", 1, "record", 0, "identifier"), 16),
        (("unit", 1, "record", 1), 17),
        (("unit", 1, "record", 1, "checksum", "byte"), 19),
        (("unit", 1, "record", 1, "checksum", "missing"), 18),
        (("unit", 1, "record", 1, "a kind", "checksum", "byte"), 19),
        (("missing",), 0),
    ],
)
def test_lines_counted_by_hand(path, line):
    assert read_toml(TEXT.encode(), file="f").find_line(path) == line
    crlf = TEXT.replace("\n", "\r\n").encode()
    assert read_toml(crlf, file="f").find_line(path) == line


def list_leaves(value, path=()):
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from list_leaves(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from list_leaves(inner, (*path, place))
    else:
        yield path


texts = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8) | st.sampled_from(
    ["[a]", "# b", '"""', "'''", "a = 1", "{", "]", ","]
)
values = st.recursive(
    st.integers(-9, 9) | st.booleans() | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=12,
)


@pytest.mark.reference
@given(data=st.dictionaries(texts, values, max_size=5))
@settings(max_examples=300)
def test_every_leaf_of_what_tomlkit_writes_has_its_line(data):
    tomlkit = pytest.importorskip("tomlkit")
    text = tomlkit.dumps(data)
    read = read_toml(text.encode(), file="f")
    rows = text.split("\n")
    for path in list_leaves(read.values):
        line = read.lines[path]
        keys = [key for key in path if isinstance(key, str)]
        assert tomlkit.key(keys[-1]).as_string() in rows[line - 1] or isinstance(path[-1], int)


@given(data=st.data())
@settings(max_examples=150)
def test_a_spoilt_scenario_is_read_or_refused_with_its_mistakes(data, repository: Path):
    raw = (repository / "tests/data/scenarios/small_car.toml").read_bytes()
    for _ in range(data.draw(st.integers(1, 4))):
        rows = raw.split(b"\n")
        place = data.draw(st.integers(0, len(rows) - 1))
        change = data.draw(st.sampled_from(("drop", "double", "cut", "swap", "bytes")))
        if change == "drop":
            del rows[place]
        elif change == "double":
            rows.insert(place, rows[place])
        elif change == "cut":
            rows[place] = rows[place][: data.draw(st.integers(0, 20))]
        elif change == "swap":
            other = data.draw(st.integers(0, len(rows) - 1))
            rows[place], rows[other] = rows[other], rows[place]
        else:
            rows[place] = data.draw(st.binary(max_size=10))
        raw = b"\n".join(rows)
    mistakes = list_mistakes(raw)
    assert mistakes is None or mistakes
    for each in mistakes or ():
        assert each.file == "car.toml"
        assert each.what
        assert each.next_step


def list_mistakes(raw: bytes):
    """The mistakes; None where the file is read."""
    try:
        parse_scenario(raw, file="car.toml")
    except InputError as error:
        return error.mistakes
    return None
