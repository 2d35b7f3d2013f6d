"""Read DBC, KCD, SYM and ARXML through cantools, with repairs that are stated."""

import logging
import re
import warnings
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from donorfit.edge.networks.dbc_repairs import repair_dbc
from donorfit.edge.networks.error_lines import find_line
from donorfit.errors import InputError, Mistake
from donorfit.vehicle.network import Message, Network, NetworkKind, Signal

MOST_REPAIRS = 500
_SWITCHED = "CANFD_BRS"
"""Usual name of the DBC attribute (as cantools writes it): does the frame switch its bit rate."""


class ReaderLimitError(Exception):
    """The library gave up for a reason that is not a mistake of the file."""


def load_through_cantools(
    text: str, *, file: str, file_format: str
) -> tuple[tuple[Network, ...], list[Mistake], list[Mistake]]:
    """Load a description; return networks, stated repairs, and what was left out.

    Raises:
        InputError: the file is wrong; file and line are named.
        ReaderLimitError: the library cannot read this file, though it may be right.
    """
    database, text, repairs = _load_with_repairs(text, file, file_format)
    if not hasattr(database, "messages"):
        raise InputError(
            what=f"{file} describes diagnostics, not a network",
            mistakes=(
                Mistake(file=file, line=0, what="no messages", next_step="name a network file"),
            ),
        )
    repairs += _list_layout_mistakes(text, database.messages, file, file_format)
    repairs += _list_doubled(database.messages, file)
    left_out = [note for m in database.messages for note in _list_left_out(m, file, text)]
    return _group_by_bus(database), repairs, left_out


def _load_with_repairs(text: str, file: str, file_format: str) -> tuple[Any, str, list[Mistake]]:
    repairs: list[Mistake] = []
    while True:
        try:
            return _load(text, file_format), text, repairs
        except _ComplaintError as complaint:
            mended = repair_dbc(text, str(complaint)) if file_format == "dbc" else None
            if mended is None or len(repairs) >= MOST_REPAIRS:
                raise _refuse(text, str(complaint), file, file_format) from None
            text, line, what = mended
            repairs.append(Mistake(file=file, line=line, what=what, next_step="mend the file"))


class _ComplaintError(Exception):
    """What the library says about the file."""


def _load(text: str, file_format: str) -> Any:
    import cantools  # noqa: PLC0415 - slow to import, not needed for --help
    from cantools.database.errors import UnsupportedDatabaseFormatError  # noqa: PLC0415

    logger = logging.getLogger("cantools")
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return cantools.database.load_string(text, file_format, strict=False)
    except UnsupportedDatabaseFormatError as error:
        inner = getattr(error, f"e_{file_format}", None) or error
        if isinstance(inner, (AttributeError, TypeError, AssertionError, RecursionError)):
            raise ReaderLimitError(str(inner)) from None
        raise _ComplaintError(str(inner)) from None
    except (cantools.Error, ValueError, KeyError, IndexError) as error:
        raise _ComplaintError(str(error) or type(error).__name__) from None
    except (AttributeError, TypeError, AssertionError, RecursionError) as error:
        raise ReaderLimitError(str(error)) from None
    finally:
        logger.setLevel(before)


def _refuse(text: str, complaint: str, file: str, file_format: str) -> InputError:
    line = find_line(text, complaint, file_format=file_format)
    first = " ".join(complaint.split())
    return InputError(
        what=f"{file} is not a network description ({file_format}) that can be used",
        mistakes=(Mistake(file=file, line=line, what=first, next_step="mend this place"),),
    )


def _list_layout_mistakes(
    text: str, messages: Iterable[Any], file: str, file_format: str
) -> list[Mistake]:
    """Messages whose signals overlap or stick out: read as written, and said."""
    import cantools  # noqa: PLC0415

    found = []
    for message in messages:
        try:
            message.refresh(strict=True)
        except cantools.Error as error:
            found.append(
                Mistake(
                    file=file,
                    line=find_line(text, str(error), file_format=file_format),
                    what=f"{error} Read as written.",
                    next_step="do not trust the values of this message",
                )
            )
            message.refresh(strict=False)
    return found


def _list_doubled(messages: Iterable[Any], file: str) -> list[Mistake]:
    """Messages of one bus that share a number: both are kept, and said."""
    owners: dict[tuple[str, int, bool], str] = {}
    found = []
    for message in messages:
        key = (message.bus_name or "", message.frame_id, message.is_extended_frame)
        first = owners.setdefault(key, message.name)
        if first is not message.name:
            what = f"messages {first} and {message.name} share number {message.frame_id:#x}"
            step = "find out which of the two is sent"
            found.append(Mistake(file=file, line=0, what=f"{what}; both kept", next_step=step))
    return found


def _list_left_out(message: Any, file: str, text: str) -> Iterable[Mistake]:
    if message.is_container:
        names = ", ".join(each.name for each in message.contained_messages or ())
        yield Mistake(
            file=file,
            line=find_line(text, f"'{message.name}'", file_format=""),
            what=f"message {message.name} packs other messages ({names}); they are not unpacked",
            next_step="treat its signals as unknown",
        )
    for signal in message.signals:
        if signal.conversion is not None and type(signal.conversion).__name__.startswith("Piece"):
            yield Mistake(
                file=file,
                line=find_line(text, f"'{signal.name}'", file_format=""),
                what=f"signal {signal.name} of {message.name} is scaled piece by piece",
                next_step="only its raw value can be used",
            )


def _group_by_bus(database: Any) -> tuple[Network, ...]:
    rates = {bus.name: int(bus.baudrate or 0) for bus in database.buses}
    fast = {bus.name: int(bus.fd_baudrate or 0) for bus in database.buses}
    switched = _find_switched_default(database)
    names = list(dict.fromkeys([*(m.bus_name or "" for m in database.messages), *rates]))
    alone = len(names) == 1
    networks = []
    for name in names or [""]:
        messages = [m for m in database.messages if alone or (m.bus_name or "") == name]
        rate = rates.get(name, 0) or (next(iter(rates.values()), 0) if alone else 0)
        networks.append(
            Network(
                name=name,
                kind=NetworkKind.CAN,
                bit_rate=rate,
                messages=tuple(_convert_message(m, default_switch=switched) for m in messages),
                data_bit_rate=fast.get(name, 0) or (next(iter(fast.values()), 0) if alone else 0),
            )
        )
    return tuple(networks)


def _find_switched_default(database: Any) -> bool | None:
    """What the file says of frames that do not say themselves whether their rate switches."""
    dbc = getattr(database, "dbc", None)
    definition = (dbc.attribute_definitions or {}).get(_SWITCHED) if dbc else None
    return _to_switched(definition.default_value) if definition is not None else None


def _to_switched(value: Any) -> bool | None:
    """A DBC gives 0 and 1 as numbers or as the names of an enumeration."""
    return {"0": False, "1": True}.get(str(value).strip())


def _find_switched(message: Any, *, default: bool | None) -> bool | None:
    if not message.is_fd:
        return None
    attributes = message.dbc.attributes if message.dbc is not None else {}
    own = attributes.get(_SWITCHED)
    return default if own is None else _to_switched(own.value)


def _convert_message(message: Any, *, default_switch: bool | None) -> Message:
    selectors = {signal.name for signal in message.signals if signal.is_multiplexer}
    return Message(
        name=message.name,
        frame_id=message.frame_id,
        extended=message.is_extended_frame,
        length_bytes=message.length,
        cycle_ms=message.cycle_time or None,
        senders=tuple(message.senders),
        receivers=tuple(sorted(message.receivers)),
        signals=tuple(_convert_signal(s, selectors) for s in message.signals),
        can_fd=bool(message.is_fd),
        bit_rate_switch=_find_switched(message, default=default_switch),
        end_to_end=_describe_end_to_end(message),
        secured=bool(message.autosar is not None and message.autosar.is_secured),
    )


def _describe_end_to_end(message: Any) -> str:
    """Protection that an ARXML states: profile and data ids."""
    stated = message.autosar.e2e if message.autosar is not None else None
    if stated is None:
        return ""
    ids = ", ".join(f"{each:#x}" for each in stated.data_ids or ())
    name = f"AUTOSAR E2E {stated.category or 'profile not said'}"
    return f"{name}, data id {ids}" if ids else name


def _convert_signal(signal: Any, selectors: set[str]) -> Signal:
    choices = signal.choices or {}
    selector = signal.multiplexer_signal or ""
    if not selector and signal.multiplexer_ids is not None and len(selectors) == 1:
        selector = next(iter(selectors))
    plain = Signal(
        name=signal.name,
        first_bit=signal.start,
        bit_length=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=signal.is_signed,
        factor=float(signal.scale),
        offset=float(signal.offset),
        unit=_clean_unit(signal.unit),
        minimum=_to_number(signal.minimum),
        maximum=_to_number(signal.maximum),
        choices=tuple(sorted((int(key), str(text)) for key, text in choices.items())),
        floating=signal.is_float,
    )
    if signal.multiplexer_ids is None:
        return plain
    values = tuple(sorted(signal.multiplexer_ids))
    return replace(plain, multiplexed=True, multiplexer=selector, multiplexer_values=values)


def _clean_unit(unit: str | None) -> str:
    return re.sub(r"\s+", " ", unit).strip() if unit else ""


def _to_number(value: Any) -> float | None:
    return None if value is None else float(value)
