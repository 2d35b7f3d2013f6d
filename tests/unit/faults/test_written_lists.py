"""Fault code lists as people write them: every entry is used or told with its line."""

import json

from hypothesis import given
from hypothesis import strategies as st

from donorfit.faults import place_codes, read_written_list
from donorfit.faults.written_lists import NO_UNIT, STORED, WrittenList
from donorfit.vehicle.fault import KnownFault
from donorfit.vehicle.identity import FaultCode, UnitId


def list_faults(found: WrittenList) -> list[tuple[int, str, int, int]]:
    return [(each.line, each.unit, each.code, each.status) for each in found.faults]


def test_text_with_units_remarks_and_every_way_to_write_a_code() -> None:
    found = read_written_list(
        "# from the reader\n"
        "gateway  U1234-5F  0x2F   # a remark\n"
        "\n"
        "P0135\n"
        "rear camera, b1234-12, 27\r\n"
        "gateway 0xD2345F 50\n"
        "U12345F\n"
    )
    assert found.form == "text"
    assert found.unread == ()
    assert list_faults(found) == [
        (2, "gateway", 0xD2345F, 0x2F),
        (4, NO_UNIT, 0x013500, STORED),
        (5, "rear camera", 0x923412, 0x27),
        (6, "gateway", 0xD2345F, 0x50),
        (7, NO_UNIT, 0xD2345F, STORED),
    ]


def test_every_line_of_rubbish_is_told_with_its_line_and_why() -> None:
    found = read_written_list(
        "gateway U1234-5F 0x1FF\nno code here\nP0135 28 29\n0x1000000\nP0135 xx\n0x0\nP0001\n"
    )
    assert [(each.line, each.text) for each in found.unread] == [
        (1, "gateway U1234-5F 0x1FF"),
        (2, "no code here"),
        (3, "P0135 28 29"),
        (4, "0x1000000"),
        (5, "P0135 xx"),
        (6, "0x0"),
    ]
    assert all(each.why for each in found.unread)
    assert list_faults(found) == [(7, NO_UNIT, 0x000100, STORED)]


def test_csv_by_the_names_of_its_columns() -> None:
    found = read_written_list(
        "\ufeffcode;mileage;unit;status;availability\n"
        "U1234-5F;12;gateway;0x2F;0x7F\n"
        "# skipped\n"
        "rubbish;1;gateway;0x2F\n"
        "P0135;1;engine;;;;\n"
    )
    assert found.form == "CSV"
    assert list_faults(found) == [(2, "gateway", 0xD2345F, 0x2F)]
    assert [each.line for each in found.unread] == [4, 5]
    assert found.notes == ("columns not used: mileage",)
    assert found.to_surveys()[0].fault_availability == 0x7F


def test_csv_with_quotes_as_table_programs_write_it() -> None:
    found = read_written_list('"unit","code","status"\n"rear, left","U1234-5F","0x2F"\n')
    assert found.form == "CSV"
    assert list_faults(found) == [(2, "rear, left", 0xD2345F, 0x2F)]


def test_json_with_lines_numbers_and_an_end_cut_off() -> None:
    found = read_written_list(
        '{"faults": [\n {"unit": "a", "code": "P0135", "status": 40},\n'
        ' 7,\n {"code": 13775967, "seen": 1},\n {"code": true},\n {"code": "P01'
    )
    assert found.form == "JSON"
    assert list_faults(found) == [(2, "a", 0x013500, 0x28), (4, NO_UNIT, 0xD2345F, STORED)]
    assert [each.line for each in found.unread] == [3, 5, 6]
    assert found.notes == ("keys not used: seen",)


def test_json_without_a_list_and_with_a_number_beyond_reason() -> None:
    assert read_written_list('{"codes": []}').unread[0].why.startswith("the object holds no list")
    huge = read_written_list(f'[{{"code": {"9" * 5000}}}]')
    assert huge.faults == ()
    assert len(huge.unread) == 1


def test_a_code_without_unit_goes_to_the_one_unit_that_knows_it() -> None:
    known = [
        KnownFault(unit=UnitId(unit), code=FaultCode(code), title="t", causes=())
        for unit, code in (("a", 0x013500), ("a", 0x923412), ("b", 0x923412))
    ]
    found, notes = place_codes(read_written_list("P0135\nB1234-12\nU0100\nb B1234-12"), known)
    assert [each.unit for each in found.faults] == ["a", NO_UNIT, NO_UNIT, "b"]
    assert notes == ("line 2: the code is known of a, b: name the unit",)


@given(st.text(max_size=200))
def test_no_text_raises_and_no_line_is_lost(text: str) -> None:
    found = read_written_list(text)
    if found.form == "text":
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        used = [
            n for n, line in enumerate(lines, 1) if line.lstrip("\ufeff").split("#")[0].strip()
        ]
        told = sorted(each.line for each in (*found.faults, *found.unread))
        assert told == used


@given(
    st.lists(
        st.dictionaries(
            st.sampled_from(("unit", "code", "status", "x")),
            st.one_of(st.none(), st.integers(), st.text(max_size=8), st.floats(), st.booleans()),
        ),
        max_size=6,
    )
)
def test_no_json_list_raises_and_no_entry_is_lost(entries: list[dict[str, object]]) -> None:
    found = read_written_list(json.dumps(entries))
    assert len(found.faults) + len(found.unread) == len(entries)
