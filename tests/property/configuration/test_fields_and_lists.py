"""Fields and option lists survive the way into bytes and back."""

from hypothesis import given
from hypothesis import strategies as st

from donorfit.configuration import decode_option_list, encode_option_list
from donorfit.configuration.bits import get_limits, make_mask, read_field, write_field
from donorfit.vehicle.control_unit import KeeperRole, ListEncoding, OptionListStore
from donorfit.vehicle.identity import Address, BuildMonth, DataIdentifier, OptionName
from donorfit.vehicle.layout import ByteOrder, Field
from donorfit.vehicle.pack import Pack
from donorfit.vehicle.rules import RuleBase

NAMES = tuple(OptionName(f"o{number}") for number in range(40))
PACK = Pack(
    id="t",
    title="T",
    version="1",
    family_from=BuildMonth.parse("2018-01"),
    family_before=BuildMonth.parse("2025-01"),
    wmi=(),
    gateway=Address(1),
    rules=RuleBase(
        file="o.uvl",
        names=(OptionName("car"), *NAMES),
        lines=tuple(range(41)),
        parents=(-1, *(0 for _ in NAMES)),
        group_of=(-1, *(0 for _ in NAMES)),
    ),
    units=(),
    option_codes=tuple((name, f"A{number:03d}") for number, name in enumerate(NAMES)),
    option_bits=tuple((name, 3 * number) for number, name in enumerate(NAMES)),
)
STORES = tuple(
    OptionListStore(
        role=KeeperRole.MASTER,
        identifier=DataIdentifier(1),
        encoding=encoding,
        length_bytes=length,
    )
    for encoding, length in ((ListEncoding.CODES, 202), (ListEncoding.BITS, 20))
)
months = st.integers(2000 * 12, 2099 * 12 + 11).map(BuildMonth)


fields = st.builds(
    Field,
    name=st.just("f"),
    title=st.just("F"),
    first_bit=st.integers(0, 90),
    bit_length=st.integers(1, 64),
    byte_order=st.sampled_from(ByteOrder),
    signed=st.booleans(),
)


@given(fields, st.binary(min_size=12, max_size=12), st.data())
def test_a_field_reads_back_and_leaves_other_bits_alone(
    field: Field, data: bytes, draws: st.DataObject
) -> None:
    if read_field(field, data) is None:
        assert make_mask(field, len(data)) == bytes(len(data))
        return
    raw = draws.draw(st.integers(*get_limits(field)))
    written = write_field(field, data, raw)
    assert read_field(field, written) == raw
    mask = int.from_bytes(make_mask(field, len(data)))
    assert mask.bit_count() == field.bit_length
    assert int.from_bytes(data) & ~mask == int.from_bytes(written) & ~mask


@given(st.sampled_from(STORES), st.frozensets(st.sampled_from(NAMES)), months)
def test_a_list_reads_back(
    store: OptionListStore, options: frozenset[OptionName], month: BuildMonth
) -> None:
    data = encode_option_list(store, PACK, month=month, options=options)
    assert len(data) == store.length_bytes
    read = decode_option_list(store, PACK, data)
    assert (set(read.options), read.month, read.unknown) == (options, month, ())


@given(st.sampled_from(STORES), st.binary(max_size=250))
def test_any_bytes_are_read_and_unknown_entries_are_written_back(
    store: OptionListStore, data: bytes
) -> None:
    data = (bytes.fromhex("2107") + data).ljust(store.length_bytes, b"\0")[: store.length_bytes]
    read = decode_option_list(store, PACK, data)
    again = encode_option_list(
        store,
        PACK,
        month=BuildMonth.parse("2021-07"),
        options=read.options,
        unknown=read.unknown,
    )
    back = decode_option_list(store, PACK, again)
    assert back.options == read.options
    assert set(back.unknown) == set(read.unknown)


@given(st.sampled_from(STORES), st.binary(max_size=60))
def test_rubbish_is_never_refused(store: OptionListStore, data: bytes) -> None:
    decode_option_list(store, PACK, data)
