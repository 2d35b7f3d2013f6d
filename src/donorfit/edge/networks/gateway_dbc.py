"""Write the target side of proposed gateway rows as DBC, through cantools, and read it back.

Only messages and signals that a row fills are written, in the layout that the module expects.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from donorfit.errors import InputError
from donorfit.network.gateway_rows import GatewayRow
from donorfit.network.signal_matching import Place
from donorfit.records.counted import count
from donorfit.vehicle.network import Message, Signal

SENDER = "gateway_rows"
"""Name of the node that would send the messages."""


def write_gateway_dbc(rows: Sequence[GatewayRow], places: Sequence[Place]) -> dict[str, str]:
    """One DBC text a target network, by the network's name.

    Args:
        rows: proposed rows.
        places: the wanted signals that the rows were proposed for.

    Raises:
        InputError: a name or layout that a DBC cannot hold.
    """
    targets = {(r.target_network, r.target_message, r.target_signal): r for r in rows}
    wanted: dict[str, dict[str, list[Place]]] = {}
    for place in places:
        if (place.network, place.message.name, place.signal.name) in targets:
            wanted.setdefault(place.network, {}).setdefault(place.message.name, []).append(place)
    return {network: _write_network(list(each.values())) for network, each in wanted.items()}


def list_dbc_files(texts: dict[str, str], path: Path) -> list[tuple[Path, str]]:
    """File and text of each network: the path itself for one, with the network's name for more."""
    if len(texts) == 1:
        return [(path, next(iter(texts.values())))]
    return [
        (path.with_name(f"{path.stem}-{name}{path.suffix}"), text) for name, text in texts.items()
    ]


def _write_network(messages: list[list[Place]]) -> str:
    from cantools.database.can import Database, Node  # noqa: PLC0415 - slow to import
    from cantools.database.errors import Error  # noqa: PLC0415

    receivers = sorted({name for group in messages for p in group for name in p.message.receivers})
    try:
        database = Database(
            messages=[
                _make_message(group[0].message, [each.signal for each in group])
                for group in messages
            ],
            nodes=[Node(name=name) for name in dict.fromkeys((SENDER, *receivers))],
            version="",
        )
        text = str(database.as_dbc_string())
        back = Database()
        back.add_dbc_string(text)
    except (Error, ValueError, KeyError, AttributeError, TypeError) as error:
        raise InputError(
            what="The gateway rows cannot be written as DBC.",
            where=", ".join(group[0].message.name for group in messages),
            why=" ".join(str(error).split()),
            next_step="Leave these signals out with --signal.",
        ) from None
    if len(back.messages) != len(messages):
        raise InputError(
            what="The written DBC does not read back.",
            why=f"{len(back.messages)} of {count(len(messages), 'message')} came back",
            next_step="Leave signals out with --signal and try again.",
        )
    return text


def _make_message(message: Message, signals: list[Signal]) -> Any:
    from cantools.database.can import Message as Written  # noqa: PLC0415

    return Written(
        frame_id=message.frame_id,
        name=message.name,
        length=message.length_bytes,
        signals=[_make_signal(each, message) for each in signals],
        senders=[SENDER],
        cycle_time=message.cycle_ms,
        is_extended_frame=message.extended,
        is_fd=message.can_fd,
        strict=True,
    )


def _make_signal(signal: Signal, message: Message) -> Any:
    from cantools.database.can import Signal as Written  # noqa: PLC0415
    from cantools.database.conversion import BaseConversion  # noqa: PLC0415
    from cantools.database.namedsignalvalue import NamedSignalValue  # noqa: PLC0415

    choices: Any = {raw: NamedSignalValue(raw, text) for raw, text in signal.choices} or None
    return Written(
        name=signal.name,
        start=signal.first_bit,
        length=signal.bit_length,
        byte_order="big_endian" if signal.big_endian else "little_endian",
        is_signed=signal.signed,
        conversion=BaseConversion.factory(
            scale=signal.factor,
            offset=signal.offset,
            choices=choices,
            is_float=signal.floating,
        ),
        minimum=signal.minimum,
        maximum=signal.maximum,
        unit=signal.unit or None,
        receivers=list(message.receivers),
    )
