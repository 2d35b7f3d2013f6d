"""Option lists as keepers store them: read and written in both encodings.

Bytes 0 and 1 hold the build month as binary coded decimal (year without century, month); years are
2000 to 2099. From byte 2 on follows the list, see :class:`~donorfit.vehicle.control_unit
.ListEncoding`. What the pack does not know is kept as text and written back: four characters for a
code, ``hex:`` and eight digits where these are not ASCII, ``bit N`` for a bit.
"""

from collections.abc import Collection, Iterator

from donorfit.errors import InputError, Mistake
from donorfit.records.counted import count
from donorfit.records.survey import OptionListRead
from donorfit.vehicle.control_unit import ListEncoding, OptionListStore
from donorfit.vehicle.identity import BuildMonth, OptionName
from donorfit.vehicle.pack import Pack

MONTH_BYTES = 2
CODE_BYTES = 4
_BYTE = 8
_CENTURY = 2000
_EMPTY = b"\0" * CODE_BYTES
_HEX = "hex:"
_BIT = "bit "


def _decode_month(data: bytes) -> BuildMonth | None:
    """``0x21 0x07`` is July 2021; None where the two bytes are no month."""
    digits = data[:MONTH_BYTES].hex()
    if len(digits) != 2 * MONTH_BYTES or not digits.isdecimal():
        return None
    try:
        return BuildMonth.parse(f"{_CENTURY // 100}{digits[:2]}-{digits[2:]}")
    except ValueError:
        return None


def _encode_month(month: BuildMonth) -> bytes:
    if not _CENTURY <= month.year < _CENTURY + 100:
        raise InputError(
            what=f"The build month {month} cannot be stored.",
            why="A keeper stores years 2000 to 2099.",
            next_step="Check the build month asked for.",
        )
    return bytes.fromhex(f"{month.year - _CENTURY:02d}{month.month:02d}")


def list_code_slots(data: bytes) -> Iterator[bytes]:
    """The four-byte places of a list stored as codes; the last may be shorter."""
    for start in range(MONTH_BYTES, len(data), CODE_BYTES):
        yield data[start : start + CODE_BYTES]


def write_slot(slot: bytes) -> str:
    """The text that stands for a code the pack does not know."""
    if len(slot) == CODE_BYTES and slot.isascii() and slot.decode().isprintable():
        text = slot.decode()
        return text if not text.startswith(_HEX) else _HEX + slot.hex().upper()
    return _HEX + slot.hex().upper()


def _decode_codes(pack: Pack, data: bytes) -> tuple[list[OptionName], list[str]]:
    by_code = {code: option for option, code in pack.option_codes}
    options: list[OptionName] = []
    unknown: list[str] = []
    for slot in list_code_slots(data):
        if not slot.strip(b"\0"):
            continue
        text = write_slot(slot)
        if text in by_code:
            options.append(by_code[text])
        else:
            unknown.append(text)
    return options, unknown


def _decode_bits(pack: Pack, data: bytes) -> tuple[list[OptionName], list[str]]:
    by_bit = {bit: option for option, bit in pack.option_bits}
    options: list[OptionName] = []
    unknown: list[str] = []
    for byte, value in enumerate(data[MONTH_BYTES:]):
        for place in range(_BYTE):
            if value >> place & 1:
                bit = _BYTE * byte + place
                if bit in by_bit:
                    options.append(by_bit[bit])
                else:
                    unknown.append(f"{_BIT}{bit}")
    return options, unknown


def decode_option_list(store: OptionListStore, pack: Pack, data: bytes) -> OptionListRead:
    """Read what a keeper stores; options come in alphabetical order, each once.

    Nothing is refused: a month that is none becomes None, codes and bits that the pack does not
    know become texts.
    """
    decode = _decode_codes if store.encoding is ListEncoding.CODES else _decode_bits
    options, unknown = decode(pack, data)
    return OptionListRead(
        identifier=store.identifier,
        data=data,
        month=_decode_month(data),
        options=tuple(sorted(set(options))),
        unknown=tuple(dict.fromkeys(unknown)),
    )


def list_stored_options(pack: Pack, options: Collection[OptionName]) -> tuple[OptionName, ...]:
    """Those options that a keeper stores: all but the ones that only give structure.

    Structure is what the rules call abstract, and what has neither code nor bit but options below
    it.
    """
    rules = pack.rules
    structure = {rules.names[place] for place in rules.list_abstract()}
    structure |= {rules.names[place] for place in rules.parents if place >= 0}
    known = {name for name, _ in pack.option_codes} | {name for name, _ in pack.option_bits}
    return tuple(sorted(each for each in set(options) if each in known or each not in structure))


def _fail(
    store: OptionListStore, what: str, missing: Collection[str], next_step: str
) -> InputError:
    where = f"identifier 0x{store.identifier:04X}, {count(store.length_bytes, 'byte')}"
    mistakes = [
        Mistake(file=where, line=0, what=f"{each} cannot be stored", next_step=next_step)
        for each in sorted(missing)
    ]
    return InputError(what=what, where=where, mistakes=mistakes, next_step=next_step)


def _encode_codes(
    store: OptionListStore, pack: Pack, options: Collection[OptionName], unknown: Collection[str]
) -> bytes:
    codes = dict(pack.option_codes)
    missing = {each for each in options if each not in codes}
    if missing:
        raise _fail(
            store,
            "Some options have no code in the pack.",
            missing,
            "Add the options' codes to the pack.",
        )
    slots = {codes[each].encode("ascii") for each in options}
    slots |= {
        bytes.fromhex(each.removeprefix(_HEX)) if each.startswith(_HEX) else each.encode("ascii")
        for each in unknown
    }
    # A torn slot at the very end of the list can only go back to where it was: the end.
    torn = [each for each in slots if len(each) < CODE_BYTES]
    body = b"".join(sorted(each for each in slots if len(each) == CODE_BYTES))
    room = store.length_bytes - MONTH_BYTES
    if len(body) + sum(map(len, torn)) > room:
        raise _fail(
            store,
            f"{len(slots)} options do not fit; there is room for {room // CODE_BYTES}.",
            (),
            "Ask for fewer options, or correct the keeper's length in the pack.",
        )
    tail = b"".join(torn)
    return body.ljust(room - len(tail), b"\0") + tail


def _encode_bits(
    store: OptionListStore, pack: Pack, options: Collection[OptionName], unknown: Collection[str]
) -> bytes:
    places = dict(pack.option_bits)
    wanted = {each: places.get(each, -1) for each in options}
    wanted |= {OptionName(each): int(each.removeprefix(_BIT)) for each in unknown}
    room = store.length_bytes - MONTH_BYTES
    missing = {each for each, bit in wanted.items() if not 0 <= bit < _BYTE * room}
    if missing:
        raise _fail(
            store,
            "Some options have no bit, or a bit beyond the list's end.",
            missing,
            "Add the options' bits to the pack, or correct the keeper's length.",
        )
    body = bytearray(room)
    for bit in wanted.values():
        body[bit // _BYTE] |= 1 << bit % _BYTE
    return bytes(body)


def encode_option_list(
    store: OptionListStore,
    pack: Pack,
    *,
    month: BuildMonth,
    options: Collection[OptionName],
    unknown: Collection[str] = (),
) -> bytes:
    """The bytes that a keeper stores for a list, ``store.length_bytes`` of them.

    Options that only give structure are left out; ``unknown`` holds the texts that
    :func:`decode_option_list` gave, and is written back.

    Raises:
        InputError: an option has no code or bit, the list does not fit, or the month cannot be
            stored; all options concerned are named.
    """
    stored = list_stored_options(pack, options)
    encode = _encode_codes if store.encoding is ListEncoding.CODES else _encode_bits
    return _encode_month(month) + encode(store, pack, stored, unknown)
