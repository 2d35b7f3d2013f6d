"""Messages put together from the side, and everything that breaks one."""

import pytest

from donorfit.diagnostics.isotp_listening import (
    Broken,
    FlowStatus,
    IsotpListener,
    Pacing,
    Partial,
    WholeMessage,
)


def listen(*texts, prefix_bytes=0):
    listener = IsotpListener(prefix_bytes=prefix_bytes)
    seen = [each for text in texts for each in listener.take(bytes.fromhex(text))]
    return seen + list(listener.end())


def test_a_single_frame_with_and_without_padding():
    whole = WholeMessage(pdu=b"\x3e\x00", frames=1)
    assert listen("02 3E 00") == listen("02 3E 00 CC CC CC CC CC") == [whole]
    assert listen("F1 02 3E 00 CC", prefix_bytes=1) == [whole]


def test_a_long_can_fd_frame_has_its_length_in_the_second_byte():
    data = bytes(range(20))
    assert listen("00 14" + data.hex()) == [WholeMessage(pdu=data, frames=1)]
    # in a frame of 8 bytes the form is not allowed
    assert isinstance(listen("00 03 01 02 03 04 05 06")[0], Broken)


def test_flow_control():
    (go, wait, full, odd) = listen("30 08 14", "31 00 00", "32 00 00", "33 00 00")
    assert go == Pacing(status=FlowStatus.GO_ON, block_size=8, separation=0x14)
    assert [wait.status, full.status, odd.status] == [
        FlowStatus.WAIT,
        FlowStatus.OVERFLOW,
        FlowStatus.RESERVED,
    ]


def test_a_message_of_16_frames_wraps_its_counter():
    data = bytes(range(120))
    texts = ["10 78" + data[:6].hex()]
    for at in range(6, 120, 7):
        number = ((at - 6) // 7 + 1) % 16
        texts.append(f"2{number:X}" + data[at : at + 7].hex())
    seen = listen(*texts)
    assert seen[-1] == WholeMessage(pdu=data, frames=18)
    assert all(isinstance(each, Partial) for each in seen[:-1])


FIRST, SECOND = "10 0A 01 02 03 04 05 06", "21 07 08 09 0A CC CC CC"


@pytest.mark.parametrize(
    ("texts", "why"),
    [
        (["22 01"], "consecutive frame of no message"),
        ([FIRST, "22 07 08 09 0A"], "frame 2 came instead of 1"),
        ([FIRST, SECOND, SECOND], "consecutive frame of no message"),
        ([FIRST], "6 of 10 bytes, the record ended"),
        ([FIRST, "02 3E 00"], "6 of 10 bytes, a new message began"),
        ([FIRST, FIRST, SECOND], "6 of 10 bytes, a new message began"),
        (["10 05 01 02 03 04 05 06"], "length cannot be"),
        (["10 00 00 00 00 05 01 02"], "only 5 bytes"),
        (["10 0A 01"], "length cannot be"),
        (["09 01 02 03 04 05 06 07"], "length cannot be"),
        (["00"], "length cannot be"),
        (["30 00"], "too short"),
        (["45 00"], "unknown kind 4"),
        ([""], "empty frame"),
    ],
)
def test_what_fits_nowhere_is_told_once(texts, why):
    broken = [each for each in listen(*texts) if isinstance(each, Broken)]
    assert len(broken) == 1
    assert why in broken[0].why


def test_after_a_broken_message_the_next_is_whole():
    seen = listen(FIRST, "25 07", FIRST, SECOND)
    assert seen[-1] == WholeMessage(pdu=bytes(range(1, 11)), frames=2)
