"""One CAN bus: frames out, and every frame in to one listener; adapters through python-can.

There is one reader per bus, since two steal each other's frames. Bus adapters are read in a thread
of their own, because not every driver can be waited for otherwise; all else happens in the loop.
"""

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from donorfit.errors import InputError, LinkError, MisuseError

if TYPE_CHECKING:
    import can

_MOST_AT_ONCE = 64
_POLL_S = 0.05
_SEND_S = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class CanFrame:
    """One frame on the bus.

    Attributes:
        identifier: 11 or 29 bits.
        data: up to 8 bytes, 64 with CAN FD.
        wide: whether the identifier has 29 bits.
        flexible_rate: whether it is a CAN FD frame.
    """

    identifier: int
    data: bytes
    wide: bool = False
    flexible_rate: bool = False


class BusFailedError(LinkError):
    """The adapter or the bus does not work any more."""

    def __init__(self, *, bus: str, reason: str) -> None:
        super().__init__(
            what=f"the CAN bus {bus} failed: {reason}",
            where=bus,
            why=reason,
            state="what was under way may or may not have reached the car",
            next_step="check adapter, bit rate and wiring, then connect again",
        )
        self.reason = reason


class CanPort(Protocol):
    """What an ISO-TP link needs of a bus."""

    @property
    def name(self) -> str:
        """For people."""

    def listen(self, on_frame: Callable[[CanFrame], None], on_lost: Callable[[str], None]) -> None:
        """Give every frame to the first, and the end of the bus to the second."""

    def send(self, frame: CanFrame) -> None:
        """Put a frame on the bus; raise BusFailedError where that is not possible."""

    async def close(self) -> None:
        """Let go of the bus."""


def open_bus(interface: str, channel: str, **options: Any) -> "AdapterPort":
    """A bus of any kind that python-can knows, such as ``socketcan`` and ``can0``.

    Args:
        interface: python-can's name of the kind of adapter.
        channel: which of these adapters.
        options: further arguments of that kind, such as ``bitrate``.

    Raises:
        InputError: python-can is not installed, or knows no such kind of adapter.
        LinkError: the adapter cannot be opened.
    """
    try:
        import can  # noqa: PLC0415 - optional, and slow to import
    except ImportError as error:
        raise InputError(
            what="CAN adapters need the package python-can, which is not installed",
            where=f"interface {interface}",
            next_step="install donorfit with its extra `can`",
        ) from error
    if interface not in can.VALID_INTERFACES:
        raise InputError(
            what=f"python-can knows no adapter of the kind {interface!r}",
            where=f"{interface}:{channel}",
            why=f"it knows {', '.join(sorted(can.VALID_INTERFACES))}",
            next_step="name one of these; donorfit doctor lists what is connected",
        )
    try:
        bus = can.Bus(interface=interface, channel=channel, **options)
    except Exception as error:  # each driver has errors of its own
        reason = str(error) or type(error).__name__
        raise LinkError(
            what=f"the CAN bus {interface} {channel} cannot be opened",
            where=f"{interface} {channel}",
            why=reason,
            next_step="check adapter, driver, channel and bit rate; donorfit doctor lists what is "
            "connected",
        ) from error
    return AdapterPort(bus, f"{interface} {channel}")


class AdapterPort:
    """A bus behind python-can.

    Attributes:
        error_frames: error frames that the adapter reported.
    """

    def __init__(self, bus: "can.BusABC", name: str) -> None:
        self.error_frames = 0
        self._bus = bus
        self._name = name
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """Interface and channel."""
        return self._name

    def listen(self, on_frame: Callable[[CanFrame], None], on_lost: Callable[[str], None]) -> None:
        """Start the one reader of this bus; callbacks run in the running loop.

        Raises:
            MisuseError: it has a reader already, and two would steal each other's frames.
        """
        if self._thread is not None:
            raise MisuseError(what="this bus has its reader already", where=self._name)
        loop = asyncio.get_running_loop()

        def tell(deed: Callable[..., None], argument: object) -> None:
            # The loop may be closed already while the last frame is on its way.
            if not self._closing.is_set() and not loop.is_closed():
                loop.call_soon_threadsafe(deed, argument)

        def give(frames: list[CanFrame]) -> None:
            for frame in frames:
                on_frame(frame)

        def read() -> None:
            while not self._closing.is_set():
                frames: list[CanFrame] = []
                try:
                    self._read_into(frames)
                except Exception as error:  # noqa: BLE001 - each driver has errors of its own
                    tell(give, frames)
                    tell(on_lost, f"the adapter failed: {error}")
                    return
                if frames:
                    tell(give, frames)

        self._thread = threading.Thread(target=read, name=f"CAN {self._name}", daemon=True)
        self._thread.start()

    def _read_into(self, frames: list[CanFrame]) -> None:
        """Wait for a frame; take those along that are here already.

        Waking the loop up once for each would cost more than the frame.
        """
        for taken in range(_MOST_AT_ONCE):
            message = self._bus.recv(0 if taken else _POLL_S)
            if message is None:
                return
            if message.is_error_frame:
                self.error_frames += 1
            elif not message.is_remote_frame:
                frames.append(
                    CanFrame(
                        identifier=message.arbitration_id,
                        data=bytes(message.data),
                        wide=message.is_extended_id,
                        flexible_rate=message.is_fd,
                    )
                )

    def send(self, frame: CanFrame) -> None:
        """Put a frame on the bus; wait a moment where the adapter's queue is full."""
        import can  # noqa: PLC0415 - optional, and loaded already

        message = can.Message(
            arbitration_id=frame.identifier,
            data=frame.data,
            is_extended_id=frame.wide,
            is_fd=frame.flexible_rate,
            bitrate_switch=frame.flexible_rate,
        )
        try:
            self._bus.send(message, timeout=_SEND_S)
        except (can.CanError, OSError) as error:
            raise BusFailedError(bus=self._name, reason=str(error)) from error

    async def close(self) -> None:
        """Stop the reader and shut the bus down; twice is harmless."""
        if self._closing.is_set():
            return
        self._closing.set()
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, 1.0)
        self._bus.shutdown()
