"""Frames that arrive together are taken along together: none is lost, doubled or out of order."""

import asyncio
import queue

import pytest

from donorfit.edge.links.can_port import AdapterPort

can = pytest.importorskip("can")

FRAMES = 1000
UNPLUGGED = "unplugged"


class Adapter:
    """Gives what its queue holds, as drivers do; fails at the end where it is told to."""

    def __init__(self, *, fails=False):
        self.queue = queue.Queue()
        self.fails = fails
        self.waits = []

    def recv(self, timeout):
        self.waits.append(timeout)
        try:
            message = self.queue.get(timeout=timeout) if timeout else self.queue.get_nowait()
        except queue.Empty:
            return None
        if message is None:
            raise can.CanError(UNPLUGGED)
        return message

    def shutdown(self):
        pass


def message(number):
    if number % 7 == 3:
        return can.Message(is_error_frame=True)
    if number % 11 == 5:
        return can.Message(arbitration_id=5, is_remote_frame=True)
    return can.Message(arbitration_id=number % 0x7FF, data=number.to_bytes(2, "big"))


def carry(adapter, count):
    async def main():
        port = AdapterPort(adapter, "test")
        heard, lost = [], asyncio.get_running_loop().create_future()
        port.listen(lambda frame: heard.append(int.from_bytes(frame.data)), lost.set_result)
        for number in range(count):
            adapter.queue.put(message(number))
            if number % 97 == 0:
                await asyncio.sleep(0.001)
        adapter.queue.put(None)
        reason = await asyncio.wait_for(lost, 10)
        await port.close()
        return port, heard, reason

    return asyncio.run(main())


def test_no_frame_of_a_burst_is_lost_doubled_or_out_of_order():
    adapter = Adapter()
    port, heard, reason = carry(adapter, FRAMES)
    whole = [n for n in range(FRAMES) if n % 7 != 3 and n % 11 != 5]
    # What came before the adapter failed is heard before it is told.
    assert heard == whole
    assert port.error_frames == sum(n % 7 == 3 for n in range(FRAMES))
    assert UNPLUGGED in reason


def test_only_the_first_of_a_burst_is_waited_for():
    adapter = Adapter()
    carry(adapter, FRAMES)
    assert 0 < sum(wait > 0 for wait in adapter.waits) < FRAMES / 4
