"""A small DoIP gateway on loopback with a scripted car behind it, and knobs for what goes wrong."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from donorfit.diagnostics.doip import Frame, FrameReader
from donorfit.diagnostics.doip_codes import ActivationCode, DiagnosticNack
from donorfit.diagnostics.doip_messages import (
    AliveCheckRequest,
    AliveCheckResponse,
    DiagnosticAcknowledge,
    DiagnosticMessage,
    DiagnosticNegativeAcknowledge,
    HeaderNegativeAcknowledge,
    RoutingActivationRequest,
    RoutingActivationResponse,
    decode_message,
    encode_message,
)
from donorfit.vehicle.identity import Address

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from donorfit.job.ports import CarModel

GATEWAY = Address(0x1010)


@dataclass
class Gateway:
    """One connection after the other or side by side; every knob is set by the test."""

    car: CarModel
    known: Callable[[Address], bool] = lambda address: address < 0x2000
    activation_codes: list[int] = field(default_factory=list)
    acknowledge: bool = True
    answer_before_acknowledge: bool = False
    raw: Callable[[Gateway, asyncio.StreamWriter, bytes], Awaitable[bool]] | None = None
    alive_answers: list[float] = field(default_factory=list)
    writers: list[asyncio.StreamWriter] = field(default_factory=list)
    activations: int = 0
    piece_bytes: int = 0
    required_version: int = 0

    async def start(self) -> int:
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.tasks = set()
        return self.server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        self.server.close()
        for task in self.tasks:
            task.cancel()
        for writer in self.writers:
            writer.transport.abort()
        await self.server.wait_closed()

    def ask_alive(self) -> None:
        for writer in self.writers:
            writer.write(encode_message(AliveCheckRequest()))

    def hang_up(self) -> None:
        for writer in self.writers:
            writer.close()

    def reset(self) -> None:
        for writer in self.writers:
            writer.transport.abort()

    async def _serve(self, stream, writer) -> None:
        self.writers.append(writer)
        reader = FrameReader()
        tester = Address(0)
        while data := await stream.read(65536):
            if self.raw is not None and await self.raw(self, writer, data):
                continue
            for frame in reader.feed(data):
                if not isinstance(frame, Frame):
                    continue
                if self.required_version and frame.version != self.required_version:
                    nack = HeaderNegativeAcknowledge(code=0)
                    writer.write(encode_message(nack, self.required_version))
                    continue
                message = decode_message(frame)
                match message:
                    case RoutingActivationRequest(source=source):
                        tester = source
                        self._activate(writer, source)
                    case AliveCheckResponse():
                        self.alive_answers.append(asyncio.get_running_loop().time())
                    case DiagnosticMessage():
                        self._pass_on(writer, message, tester)
        writer.close()

    def _activate(self, writer, source) -> None:
        self.activations += 1
        code = self.activation_codes.pop(0) if self.activation_codes else ActivationCode.ACTIVATED
        version = self.required_version or 2
        response = RoutingActivationResponse(tester=source, entity=GATEWAY, code=code)
        writer.write(encode_message(response, version))
        if code < 0x10:
            writer.close()

    def _pass_on(self, writer, message, tester) -> None:
        version = self.required_version or 2
        if not self.known(message.target):
            nack = DiagnosticNegativeAcknowledge(
                source=message.target, target=tester, code=DiagnosticNack.UNKNOWN_TARGET_ADDRESS
            )
            writer.write(encode_message(nack, version))
            return
        ack = encode_message(DiagnosticAcknowledge(source=message.target, target=tester), version)
        if self.acknowledge and not self.answer_before_acknowledge:
            writer.write(ack)
        loop = asyncio.get_running_loop()
        replies = self.car.handle(message.target, message.pdu, loop.time())
        for reply in replies:
            answer = DiagnosticMessage(source=reply.source, target=tester, pdu=reply.pdu)
            data = encode_message(answer, version)
            loop.call_later(reply.after_s, self._write, writer, data)
        if self.acknowledge and self.answer_before_acknowledge:
            loop.call_later(0.03, self._write, writer, ack)

    def _write(self, writer, data) -> None:
        if writer.transport.is_closing():
            return
        if not self.piece_bytes:
            writer.write(data)
            return

        async def in_pieces() -> None:
            for start in range(0, len(data), self.piece_bytes):
                writer.write(data[start : start + self.piece_bytes])
                await asyncio.sleep(0.0005)

        task = asyncio.ensure_future(in_pieces())
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)
