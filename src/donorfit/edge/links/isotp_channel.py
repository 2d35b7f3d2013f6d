"""One unit's ISO-TP channel: a thread-free protocol core, driven by the running loop."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from typing import Any

import isotp

from donorfit.edge.links.can_port import CanFrame
from donorfit.edge.links.isotp_addresses import CanAddress

FLOW_CONTROL_MS = 1000
"""N_Bs and N_Cr of ISO 15765-2: longest wait for a flow control or the next frame."""
MOST_WAITS = 100
"""How often a unit may put us off with a flow control WAIT."""
PADDING = 0xCC
"""Value that ISO 15765-2 recommends for bytes without meaning."""

_FLOW_CONTROL = 3
_LOGGER = "donorfit.isotp"
_SLOWEST_STMIN = 0x7F
_RESERVED_STMIN = (range(0x80, 0xF1), range(0xFA, 0x100))
_LOOK_AGAIN_S = 0.02
_SHORTEST_PAUSE_S = 0.001
_KEPT_BROKEN = 10_000

# Frames go out no faster than the fastest bus takes them, and in small portions, so that one long
# message does not keep the loop from everything else, such as frames that come in.
_CLASSIC_BITS_A_S = 1_000_000
_FLEXIBLE_BITS_A_S = 8_000_000
_PORTION_S = 0.005


# What the core has to say comes through its error handler; nothing goes to the terminal.
logging.getLogger(_LOGGER).addHandler(logging.NullHandler())


class TransferBrokenError(Exception):
    """A message was not passed whole; the text says why."""


class IsotpChannel:
    """Sends and receives whole messages of one unit.

    Attributes:
        broken_messages: messages of the unit that did not arrive whole, each with its reason; the
            last ten thousand, so that a bus full of rubbish fills no memory.
    """

    def __init__(
        self,
        address: CanAddress,
        put: Callable[[CanFrame], None],
        deliver: Callable[[bytes], None],
        on_arriving: Callable[[], None],
        *,
        flexible_rate: bool,
        longest_message: int,
    ) -> None:
        self.broken_messages: deque[str] = deque(maxlen=_KEPT_BROKEN)
        self._address = address
        self._put = put
        self._deliver = deliver
        self._on_arriving = on_arriving
        self._flexible_rate = flexible_rate
        self._frames: deque[isotp.CanMessage] = deque()
        self._prefix = 0 if address.target_extension is None else 1
        self._sending: asyncio.Future[None] | None = None
        self._failure: BaseException | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._soon: asyncio.Handle | None = None
        self._core = isotp.TransportLayerLogic(
            rxfn=self._next_frame,
            txfn=self._transmit,
            address=_make_isotp_address(address),
            error_handler=self._take_error,
            params=_make_parameters(flexible_rate=flexible_rate, longest=longest_message),
        )

    async def send(self, pdu: bytes) -> None:
        """Return when the last frame is on the bus.

        Raises:
            TransferBrokenError: the unit gave no flow control, refused, or broke the protocol.
        """
        self._failure = None
        self._sending = asyncio.get_running_loop().create_future()
        self._core.send(pdu)
        try:
            self._run()
            await self._sending
        finally:
            self._sending = None
            if self._core.transmitting():
                self._core.stop_sending()

    def take(self, frame: CanFrame) -> None:
        """A frame with this unit's identifier arrived."""
        data = self._slow_down(frame.data)
        self._frames.append(
            isotp.CanMessage(
                arbitration_id=frame.identifier,
                dlc=len(data),
                data=data,
                extended_id=frame.wide,
                is_fd=frame.flexible_rate,
            )
        )
        # Frames that arrived together are gone through together: half the work of one by one.
        if self._soon is None:
            self._soon = asyncio.get_running_loop().call_soon(self._run)

    def close(self) -> None:
        """End what goes on."""
        if self._timer is not None:
            self._timer.cancel()
        if self._soon is not None:
            self._soon.cancel()
        if self._sending is not None and not self._sending.done():
            self._sending.set_exception(TransferBrokenError("the link was closed"))

    def _run(self) -> None:
        if self._soon is not None:
            self._soon.cancel()
            self._soon = None
        was_receiving = self._core.is_rx_active()
        had_frames = bool(self._frames)
        if had_frames and was_receiving:
            # They are here: that this computer comes to them late is no fault of the unit.
            self._core.timer_rx_cf.start()
        self._core.process(0.0)
        while (message := self._core.recv()) is not None:
            self._deliver(bytes(message))
        if self._core.is_rx_active() and (had_frames or not was_receiving):
            self._on_arriving()
        self._settle()
        self._schedule()

    def _settle(self) -> None:
        sending = self._sending
        if sending is None or sending.done():
            return
        if self._failure is not None:
            sending.set_exception(self._failure)
        elif not self._core.transmitting():
            sending.set_result(None)

    def _schedule(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._core.transmitting() or self._core.is_rx_active():
            delay = self._core.next_cf_delay()
            wait_s = _LOOK_AGAIN_S if delay is None else min(delay, _LOOK_AGAIN_S)
            wait_s = max(wait_s, _SHORTEST_PAUSE_S)
            self._timer = asyncio.get_running_loop().call_later(wait_s, self._run)

    def _next_frame(self, _timeout: float) -> isotp.CanMessage | None:
        return self._frames.popleft() if self._frames else None

    def _transmit(self, message: isotp.CanMessage) -> None:
        try:
            self._put(
                CanFrame(
                    identifier=message.arbitration_id,
                    data=bytes(message.data),
                    wide=message.is_extended_id,
                    flexible_rate=message.is_fd,
                )
            )
        except Exception as error:  # noqa: BLE001 - told to whoever waits for the transfer
            self._failure = error

    def _take_error(self, error: Exception) -> None:
        if self._sending is not None and isinstance(error, _SENDING_ERRORS):
            self._failure = TransferBrokenError(str(error))
        else:
            self.broken_messages.append(str(error))

    def _slow_down(self, data: bytes) -> bytes:
        """A reserved STmin means the slowest one, 127 ms (ISO 15765-2); the core would stop."""
        at = self._prefix
        if len(data) < at + 3 or data[at] >> 4 != _FLOW_CONTROL:
            return data
        if not any(data[at + 2] in reserved for reserved in _RESERVED_STMIN):
            return data
        return data[: at + 2] + bytes((_SLOWEST_STMIN,)) + data[at + 3 :]


_SENDING_ERRORS = (
    isotp.FlowControlTimeoutError,
    isotp.OverflowError,
    isotp.MaximumWaitFrameReachedError,
    isotp.UnsupportedWaitFrameError,
    isotp.BadGeneratorError,
)


def _make_isotp_address(address: CanAddress) -> isotp.Address:
    if address.target_extension is None:
        normal = isotp.AddressingMode
        mode = normal.Normal_29bits if address.wide else normal.Normal_11bits
        return isotp.Address(mode, txid=address.request, rxid=address.response)
    extended = isotp.AddressingMode
    mode = extended.Extended_29bits if address.wide else extended.Extended_11bits
    return isotp.Address(
        mode,
        txid=address.request,
        rxid=address.response,
        target_address=address.target_extension,
        source_address=address.source_extension,
    )


def _make_parameters(*, flexible_rate: bool, longest: int) -> dict[str, Any]:
    return {
        "stmin": 0,
        "blocksize": 0,
        "wftmax": MOST_WAITS,
        "rx_flowcontrol_timeout": FLOW_CONTROL_MS,
        "rx_consecutive_frame_timeout": FLOW_CONTROL_MS,
        "tx_padding": PADDING,
        "tx_data_min_length": 8,
        "tx_data_length": 64 if flexible_rate else 8,
        "can_fd": flexible_rate,
        "bitrate_switch": flexible_rate,
        "max_frame_size": longest,
        "blocking_send": False,
        "rate_limit_enable": True,
        "rate_limit_max_bitrate": _FLEXIBLE_BITS_A_S if flexible_rate else _CLASSIC_BITS_A_S,
        "rate_limit_window_size": _PORTION_S,
        "logger_name": _LOGGER,
    }
