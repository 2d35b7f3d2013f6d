"""Values that no network can have: told with file and line, never passed on.

Loaders accept a slope of "nan", a message of -8 bytes or a bus of 0 bit/s where the format's
grammar lets it through; every computation behind them would be wrong without a word.
"""

import math
import re
from collections.abc import Iterator

from donorfit.edge.networks.error_lines import find_line, get_line
from donorfit.errors import Mistake
from donorfit.records.counted import count
from donorfit.vehicle.network import Message, Network, NetworkKind, Signal

MOST_MESSAGES = 20_000
"""Messages of one file. A car's largest description has a few thousand; reading grows with it."""
LONGEST_BYTES = {NetworkKind.CAN: 64 * 1024, NetworkKind.LIN: 8}
"""On CAN longer messages are sent in pieces by a transport protocol, so they may be described."""
_RATED = frozenset(("kcd", "ldf"))
"""Formats that always state the bit rate (a KCD without one means its stated default)."""
_RATE_WORDS = {"kcd": "baudrate", "ldf": "LIN_speed", "arxml": "BAUDRATE", "dbc": "Baudrate"}


def list_value_mistakes(
    networks: tuple[Network, ...], text: str, *, file: str, file_format: str
) -> tuple[Mistake, ...]:
    """Every impossible value of some networks, each with its line where the text shows it."""
    found = []
    for network in networks:
        for what, line in _list_rates(network, text, file_format):
            found.append(Mistake(file=file, line=line, what=what, next_step="correct the value"))
        for message in network.messages:
            for what, signal in _list_message(network, message):
                complaint = f"The signal {signal} in message {message.name}." if signal else ""
                line = _find(text, message.name, complaint, file_format)
                found.append(
                    Mistake(file=file, line=line, what=what, next_step="correct the value")
                )
        for what, pattern in _list_slots(network):
            place = re.search(pattern, text)
            line = get_line(text, place.start()) if place else 0
            found.append(Mistake(file=file, line=line, what=what, next_step="correct the value"))
    return tuple(found)


def find_message_line(text: str, wanted: int) -> int:
    """Line of the message with that place in a DBC, counted from 0; 0 where it is no DBC."""
    heads = re.finditer(r"^[ \t]*BO_[ \t]+\d", text, re.MULTILINE)
    place = next((each for number, each in enumerate(heads) if number == wanted), None)
    return get_line(text, place.start()) if place else 0


def _list_rates(network: Network, text: str, file_format: str) -> Iterator[tuple[str, int]]:
    unrated = network.bit_rate == 0 and network.messages and file_format in _RATED
    if network.bit_rate < 0 or unrated:
        place = text.find(_RATE_WORDS.get(file_format, "\0"))
        name = f"network {network.name}" if network.name else "the network"
        yield (
            f"{name} has a bit rate of {network.bit_rate} bit/s",
            get_line(text, place) if place >= 0 else 0,
        )


def _list_message(network: Network, message: Message) -> Iterator[tuple[str, str]]:
    longest = LONGEST_BYTES.get(network.kind, LONGEST_BYTES[NetworkKind.CAN])
    if not 0 <= message.length_bytes <= longest:
        yield f"message {message.name} has {count(message.length_bytes, 'byte')}", ""
    if message.cycle_ms is not None and message.cycle_ms < 0:
        yield f"message {message.name} has a cycle of {message.cycle_ms} ms", ""
    for signal in message.signals:
        for what in _list_signal(signal):
            yield f"signal {signal.name} of message {message.name} has {what}", signal.name


def _list_signal(signal: Signal) -> Iterator[str]:
    values = (
        ("a scale", signal.factor),
        ("an offset", signal.offset),
        ("a lower limit", signal.minimum),
        ("an upper limit", signal.maximum),
    )
    # Limits without end are how some files say that there is none.
    for name, value in values:
        bad = value is not None and (
            math.isnan(value) or (math.isinf(value) and not name.endswith("limit"))
        )
        if bad:
            yield f"{name} of {value}"
    if signal.bit_length <= 0:
        yield f"{signal.bit_length} bits"


def _list_slots(network: Network) -> Iterator[tuple[str, str]]:
    schedules = network.lin.schedules if network.lin else ()
    for schedule in schedules:
        for slot in schedule.slots:
            if slot.delay_us <= 0:
                what = f"table {schedule.name}: a slot of {slot.delay_us / 1000:g} ms"
                yield what, rf"\bdelay\s+{re.escape(f'{slot.delay_us / 1000:g}')}(?:\.0*)?\s*ms"


def _find(text: str, message: str, complaint: str, file_format: str) -> int:
    if file_format == "ldf":
        place = re.search(rf"^[ \t]*{re.escape(message)}\s*:", text, re.MULTILINE)
        return (
            get_line(text, place.start() + len(place[0]) - len(place[0].lstrip())) if place else 0
        )
    return find_line(text, complaint or f"in message {message}.", file_format=file_format)
