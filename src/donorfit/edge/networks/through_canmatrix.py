"""Read ARXML through canmatrix where cantools gives up; what is left out is said."""

import logging
from typing import Any

from donorfit.errors import InputError, Mistake
from donorfit.vehicle.network import Message, Network, NetworkKind, Signal

DBC_NUMBERING = 1


def load_through_canmatrix(data: bytes, *, file: str) -> tuple[tuple[Network, ...], list[Mistake]]:
    """Load an ARXML file; return networks and what was left out.

    Raises:
        InputError: this library cannot read the file either, or is not installed.
    """
    logger = logging.getLogger("canmatrix")
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        import canmatrix.formats  # noqa: PLC0415 - slow, seldom needed, and optional

        clusters = canmatrix.formats.loads(data, "arxml") or {}
    except ImportError:
        raise _refuse(
            file, "the reader that this file needs (canmatrix) is not installed"
        ) from None
    except Exception as error:  # noqa: BLE001 - whatever the library trips over is bad input
        raise _refuse(
            file, f"no reader understands it ({type(error).__name__}: {error})"
        ) from None
    finally:
        logger.setLevel(before)
    networks, left_out = [], []
    for name, cluster in clusters.items():
        messages = []
        for frame in cluster.frames:
            if frame.is_pdu_container:
                left_out.append(_note_container(frame, file))
            messages.append(_convert_frame(frame))
        networks.append(
            Network(
                name=name,
                kind=NetworkKind.CAN,
                bit_rate=int(cluster.baudrate or 0),
                messages=tuple(messages),
                data_bit_rate=int(cluster.fd_baudrate or 0),
            )
        )
    return tuple(networks), left_out


def _refuse(file: str, what: str) -> InputError:
    return InputError(
        what=f"{file} is not a network description (arxml) that can be used",
        mistakes=(Mistake(file=file, line=0, what=what, next_step="export it once more as DBC"),),
    )


def _note_container(frame: Any, file: str) -> Mistake:
    names = ", ".join(pdu.name for pdu in frame.pdus)
    return Mistake(
        file=file,
        line=0,
        what=f"message {frame.name} packs other messages ({names}); they are not unpacked",
        next_step="treat its signals as unknown",
    )


def _convert_frame(frame: Any) -> Message:
    return Message(
        name=frame.name,
        frame_id=frame.arbitration_id.id,
        extended=bool(frame.arbitration_id.extended),
        length_bytes=frame.size,
        cycle_ms=int(frame.effective_cycle_time) or None,
        senders=tuple(frame.transmitters),
        receivers=tuple(
            sorted({*frame.receivers, *(r for s in frame.signals for r in s.receivers)})
        ),
        signals=tuple(_convert_signal(signal) for signal in frame.signals),
        can_fd=bool(frame.is_fd),
    )


def _convert_signal(signal: Any) -> Signal:
    selected = signal.multiplex if isinstance(signal.multiplex, int) else None
    return Signal(
        name=signal.name,
        first_bit=signal.get_startbit(bit_numbering=DBC_NUMBERING),
        bit_length=signal.size,
        big_endian=not signal.is_little_endian,
        signed=bool(signal.is_signed),
        factor=float(signal.factor),
        offset=float(signal.offset),
        unit=(signal.unit or "").strip(),
        minimum=None if signal.min is None else float(signal.min),
        maximum=None if signal.max is None else float(signal.max),
        choices=tuple(sorted((int(key), str(text)) for key, text in signal.values.items())),
        multiplexed=selected is not None,
        floating=bool(signal.is_float),
        multiplexer=signal.muxer_for_signal or "",
        multiplexer_values=() if selected is None else (selected,),
    )
