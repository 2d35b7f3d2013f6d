"""Option lists in keepers: both encodings, what the pack does not know, mistakes."""

from typing import Any

import pytest

from donorfit.configuration import (
    check_option_list,
    compare_option_lists,
    decode_option_list,
    encode_option_list,
)
from donorfit.errors import InputError
from donorfit.vehicle.control_unit import KeeperRole, ListEncoding, OptionListStore
from donorfit.vehicle.identity import Address, BuildMonth, DataIdentifier, OptionName, UnitId
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import RuleBase


def make_rules(names: Any, *, abstract: Any = ()) -> Any:
    return RuleBase(
        file="options.uvl",
        names=tuple(map(OptionName, names)),
        lines=tuple(range(1, len(names) + 1)),
        parents=(-1, *(0 for _ in names[1:])),
        group_of=(-1, *(0 for _ in names[1:])),
        attributes=tuple(
            (place, (("abstract", True),)) for place, name in enumerate(names) if name in abstract
        ),
    )


def make_pack(codes: Any = (), bits: Any = (), **more: Any) -> Any:
    names = ["car", *dict.fromkeys([*dict(codes), *dict(bits)])]
    return Pack(
        id="test",
        title="Test family",
        version="1",
        family_from=BuildMonth.parse("2018-01"),
        family_before=BuildMonth.parse("2025-01"),
        wmi=(),
        gateway=Address(0x1010),
        rules=more.pop("rules", make_rules(names)),
        units=more.pop("units", ()),
        option_codes=tuple((OptionName(name), code) for name, code in codes),
        option_bits=tuple((OptionName(name), bit) for name, bit in bits),
        **more,
    )


PACK = make_pack(
    codes=(("tow", "T042"), ("led", "L110"), ("amp", "A007")),
    bits=(("tow", 17), ("led", 0), ("amp", 9)),
)
MONTH = BuildMonth.parse("2021-07")


def make_store(
    encoding: Any = ListEncoding.CODES, length_bytes: Any = 26, role: Any = KeeperRole.MASTER
) -> Any:
    return OptionListStore(
        role=role, identifier=DataIdentifier(0x1001), encoding=encoding, length_bytes=length_bytes
    )


CODES = make_store()
BITS = make_store(ListEncoding.BITS, length_bytes=6, role=KeeperRole.COPY)


def names(*given: Any) -> Any:
    return tuple(map(OptionName, given))


def test_codes_are_read() -> None:
    read = decode_option_list(CODES, PACK, bytes.fromhex("2107") + b"L110T042" + bytes(16))
    assert (str(read.month), read.options, read.unknown) == ("2021-07", names("led", "tow"), ())


def test_codes_are_written_in_ascending_order_and_filled_up() -> None:
    made = encode_option_list(CODES, PACK, month=MONTH, options=names("tow", "amp", "car"))
    assert made == bytes.fromhex("2107") + b"A007T042" + bytes(16)


def test_bits_are_read_and_written_least_significant_first() -> None:
    made = encode_option_list(BITS, PACK, month=MONTH, options=names("tow", "led", "amp"))
    assert made == bytes.fromhex("2107 01 02 02 00")
    assert decode_option_list(BITS, PACK, made).options == names("amp", "led", "tow")


def test_unknown_codes_are_kept_and_sorted_in() -> None:
    data = bytes.fromhex("2003") + b"A007C999" + b"T042" + bytes.fromhex("DEADBEEF") + bytes(8)
    read = decode_option_list(CODES, PACK, data)
    assert read.unknown == ("C999", "hex:DEADBEEF")
    back = encode_option_list(
        CODES, PACK, month=read.month, options=read.options, unknown=read.unknown
    )
    assert back == data


def test_unknown_bits_are_kept() -> None:
    read = decode_option_list(BITS, PACK, bytes.fromhex("2107 00 00 00 80"))
    assert read.unknown == ("bit 31",)
    made = encode_option_list(BITS, PACK, month=MONTH, options=names("led"), unknown=read.unknown)
    assert made == bytes.fromhex("2107 01 00 00 80")


@pytest.mark.parametrize("month", ["2113", "2100", "FF07", "2A01", "21", ""])
def test_a_month_that_is_none_is_not_refused(month: str) -> None:
    assert decode_option_list(CODES, PACK, bytes.fromhex(month)).month is None


def test_a_torn_slot_is_kept_at_the_end() -> None:
    data = bytes.fromhex("2107") + b"L110" + bytes(16) + b"\0X"
    store = make_store(length_bytes=len(data))
    read = decode_option_list(store, PACK, data)
    assert read.unknown == ("hex:0058",)
    assert (
        encode_option_list(store, PACK, month=MONTH, options=read.options, unknown=read.unknown)
        == data
    )


def test_options_without_code_are_named_together() -> None:
    pack = make_pack(
        codes=(("tow", "T042"),),
        rules=make_rules(["car", "tow", "x", "y", "frame"], abstract=("frame",)),
    )
    with pytest.raises(InputError) as error:
        encode_option_list(
            CODES, pack, month=MONTH, options=names("tow", "x", "y", "frame", "car")
        )
    assert [each.what for each in error.value.mistakes] == [
        "x cannot be stored",
        "y cannot be stored",
    ]


def test_a_bit_beyond_the_list_is_refused() -> None:
    store = make_store(ListEncoding.BITS, length_bytes=4)
    with pytest.raises(InputError, match="beyond the list's end"):
        encode_option_list(store, PACK, month=MONTH, options=names("tow"))


def test_a_list_too_long_says_how_many_fit() -> None:
    store = make_store(length_bytes=10)
    with pytest.raises(InputError, match="room for 2"):
        encode_option_list(store, PACK, month=MONTH, options=names("tow", "led", "amp"))


def test_a_year_outside_the_century_cannot_be_stored() -> None:
    with pytest.raises(InputError, match="2000 to 2099"):
        encode_option_list(CODES, PACK, month=BuildMonth.parse("1999-12"), options=())


def test_odd_lists_are_told() -> None:
    data = bytes.fromhex("2113") + b"T042A007A007" + bytes(4) + b"L110"
    found = check_option_list(UnitId("gateway"), CODES, decode_option_list(CODES, PACK, data))
    told = " ".join(each.what for each in found)
    for text in ("22 bytes instead of 26", "no month", "A007 stand", "ascending", "gaps"):
        assert text in told


def test_a_tidy_list_has_no_doubts() -> None:
    data = encode_option_list(CODES, PACK, month=MONTH, options=names("tow", "led"))
    assert check_option_list(UnitId("g"), CODES, decode_option_list(CODES, PACK, data)) == ()


def test_a_copy_that_disagrees_is_told_option_by_option() -> None:
    master = decode_option_list(
        CODES, PACK, encode_option_list(CODES, PACK, month=MONTH, options=names("tow"))
    )
    copy = decode_option_list(BITS, PACK, bytes.fromhex("2003 01 00 00 00"))
    found = compare_option_lists(
        [(UnitId("body"), BITS, copy), (UnitId("gateway"), CODES, master)]
    )
    assert found[0].evidence == (
        "tow only in gateway",
        "led only in body",
        "build month 2021-07 in gateway, 2020-03 in body",
    )
    assert compare_option_lists([(UnitId("gateway"), CODES, master)]) == ()
