"""Bytes out of ODX requests and answers: fixed bits, and an answer with lawful values.

odxtools is untyped at its border, hence ``Any``; its objects are only read here.
"""

from collections.abc import Iterable
from typing import Any

MOST_INTERNAL_VALUES = 65_536
_BYTE_BITS = 8
_FIXED = frozenset(("CODED-CONST", "PHYS-CONST"))
_GIVEN = frozenset(("VALUE", "TABLE-KEY", "TABLE-STRUCT"))

Echoes = tuple[tuple[int, int], ...]
Answer = tuple[bytes, Echoes, str]


def find_fixed_bits(request: Any) -> tuple[bytes, bytes]:
    """A request with lawful values, and the mask of the bits that its description fixes."""
    coded = bytes(request.encode(**choose_values(request.parameters)))
    mask = bytearray(len(coded))
    cursor = 0
    for parameter in request.parameters:
        bits = parameter.get_static_bit_length()
        start = cursor if parameter.byte_position is None else parameter.byte_position
        if bits is None:
            break  # what follows has no place of its own
        first_bit = parameter.bit_position or 0
        if parameter.parameter_type in _FIXED:
            _fix(mask, start, first_bit, bits)
        cursor = max(cursor, start + (first_bit + bits + _BYTE_BITS - 1) // _BYTE_BITS)
    end = max((place + 1 for place, value in enumerate(mask) if value), default=0)
    length = request.get_static_bit_length()
    needed = len(coded) if length is not None else end
    return coded[:needed], bytes(mask[:needed])


def _fix(mask: bytearray, start: int, first_bit: int, bits: int) -> None:
    """Mark bits; a value that is no whole bytes counts from the last byte's lowest bit."""
    width = (first_bit + bits + _BYTE_BITS - 1) // _BYTE_BITS
    marked = ((1 << bits) - 1) << first_bit
    for place, value in enumerate(marked.to_bytes(width, "big")):
        if start + place < len(mask):
            mask[start + place] |= value


def build_answer(responses: Iterable[Any], request: bytes) -> Answer:
    """The first answer that can be encoded, with the bytes it repeats from the request.

    The last part says why there is none.
    """
    unfit = "it has no positive answer"
    for response in responses:
        try:
            values = choose_values(response.parameters)
            answer = bytes(response.encode(coded_request=request, **values))
        except Exception as error:  # noqa: BLE001 - odxtools raises what it happens to meet
            unfit = f"no answer can be built: {type(error).__name__}: {error}"
            continue
        return answer, _list_echoes(response), ""
    return b"", (), unfit


def _list_echoes(response: Any) -> Echoes:
    return tuple(
        (parameter.byte_position + place, parameter.request_byte_position + place)
        for parameter in response.parameters
        if parameter.parameter_type == "MATCHING-REQUEST-PARAM"
        and parameter.byte_position is not None
        for place in range(parameter.byte_length)
    )


def choose_values(parameters: Iterable[Any]) -> dict[str, Any]:
    """A lawful value for each parameter that needs one."""
    values: dict[str, Any] = {}
    for parameter in parameters:
        if parameter.parameter_type not in _GIVEN:
            continue
        if not parameter.is_required and parameter.parameter_type == "VALUE":
            continue
        values[parameter.short_name] = _choose_value(parameter)
    return values


def _choose_value(parameter: Any) -> Any:
    if parameter.parameter_type == "TABLE-KEY":
        return _choose_row(parameter.table).short_name
    if parameter.parameter_type == "TABLE-STRUCT":
        row = _choose_row(parameter.table_key.table)
        if row.structure is not None:
            return row.short_name, choose_values(row.structure.parameters)
        return row.short_name, choose_physical(row.dop)
    return choose_physical(parameter.dop)


def _choose_row(table: Any) -> Any:
    return table.table_rows[0]


def choose_physical(dop: Any) -> Any:
    """The physical value of the lowest internal value that the description allows.

    Raises:
        ValueError: no such value among the first ones.
    """
    if hasattr(dop, "parameters"):
        return choose_values(dop.parameters)
    if not hasattr(dop, "compu_method"):
        message = f"values of {type(dop).__name__} are not chosen here"
        raise ValueError(message)
    kind = dop.diag_coded_type.base_data_type.name
    if "STRING" in kind:
        return ""
    if "BYTEFIELD" in kind:
        length = dop.get_static_bit_length() or 0
        return bytes(length // _BYTE_BITS)
    for internal in range(MOST_INTERNAL_VALUES):
        if dop.compu_method.is_valid_internal_value(internal):
            physical = dop.compu_method.convert_internal_to_physical(internal)
            if dop.is_valid_physical_value(physical):
                return physical
    message = f"{dop.short_name} allows none of the first {MOST_INTERNAL_VALUES} values"
    raise ValueError(message)
