"""What a pack says about doing things at the same time: read, and its mistakes told."""

import pytest

from donorfit.edge.packs import load_pack
from donorfit.vehicle.pack import GatewayTurn, SideBySide

FIRST = "[[wake_condition]]"
TABLE = """[side_by_side]
most_units = 3
gateway = "first"
most_current_a = 30.5
gateway_bytes_per_s = 40_000

"""


def put(text):
    """The session part with a table in front."""
    return (
        "session.toml",
        '[[wake_condition]]\nid = "ignition"',
        f'{text}{FIRST}\nid = "ignition"',
    )


def test_it_is_read(make_pack):
    assert load_pack(make_pack()).pack.side_by_side is None
    assert load_pack(make_pack(put(TABLE))).pack.side_by_side == SideBySide(
        most_units=3,
        gateway=GatewayTurn.FIRST,
        most_current_a=30.5,
        gateway_bytes_per_s=40_000,
    )
    short = load_pack(make_pack(put("[side_by_side]\nmost_units = 2\n\n"))).pack.side_by_side
    assert short == SideBySide(most_units=2)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (TABLE.replace("3\n", "0\n", 1), "most_units"),
        (TABLE.replace("3\n", "65\n", 1), "most_units"),
        (TABLE.replace("first", "middle"), "gateway"),
        (TABLE.replace("30.5", "nan"), "most_current_a"),
        (TABLE.replace("40_000", "0"), "gateway_bytes_per_s"),
        (TABLE.replace("30.5", "4.0"), "so that nothing may begin"),
        (TABLE.replace("[side_by_side]\nmost_units = 3", "[side_by_side]"), "most_units"),
    ],
)
def test_its_mistakes_are_told(make_pack, list_mistakes, table, said):
    told = [str(each) for each in list_mistakes(make_pack(put(table)))]
    assert any("session.toml:" in each and said in each for each in told), told
