"""What protects a message, told from its recorded frames: counters, checks, an authenticator.

Counters: :mod:`donorfit.network.counters`. Checks of one byte:
:mod:`donorfit.network.byte_checks`, of more: :mod:`donorfit.network.wide_checks`, what goes into
them: :mod:`donorfit.network.end_to_end`. Where none fits and the end of the message is as even as
an authenticator is: :mod:`donorfit.network.secured_tail`.
"""

from dataclasses import dataclass

from donorfit.network.byte_checks import (
    Check,
    CheckKind,
    find_byte_checks,
    find_differences,
)
from donorfit.network.counters import Counter, find_counters
from donorfit.network.end_to_end import EndToEnd, Inclusion, judge_end_to_end
from donorfit.network.frames import Column
from donorfit.network.secured_tail import SecuredTail, find_secured_tail
from donorfit.network.wide_checks import find_wide_checks
from donorfit.records.counted import count

__all__ = ["Check", "CheckKind", "Counter", "Protection", "find_protection"]

LEAST_FRAMES = 12
MOST_FRAMES = 512
_SHOWN = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """What protects a message.

    Attributes:
        frames: frames looked at.
        counters: counters found.
        checks: every check that fits; several mean that a longer record is needed.
        end_to_end: what goes into the CRC; None where there is none, or several fit.
        secured: bytes that look like an authenticator; None where none do.
        reason: the finding in one sentence.
    """

    frames: int
    counters: tuple[Counter, ...]
    checks: tuple[Check, ...]
    end_to_end: EndToEnd | None = None
    secured: SecuredTail | None = None
    reason: str

    @property
    def can_be_made(self) -> bool:
        """Whether a gateway could make such a message: nothing unseen goes into its check."""
        plain = self.end_to_end is None or self.end_to_end.inclusion is Inclusion.NOTHING
        return self.secured is None and len(self.checks) <= 1 and plain


def find_protection(payload: Column) -> Protection:
    """Look for counters, checks and an authenticator in consecutive frames of one message.

    Args:
        payload: one row a frame in order, all of the same length, no fill bytes.
    """
    rows = payload[:MOST_FRAMES]
    if len(rows) < LEAST_FRAMES:
        reason = f"{count(len(rows), 'frame is', 'frames are')} too few; {LEAST_FRAMES} are needed"
        return Protection(frames=len(rows), counters=(), checks=(), reason=reason)
    counters = find_counters(rows)
    differences = find_differences(rows, counters)
    checks = tuple(find_byte_checks(rows, counters, differences))
    if not checks:
        checks = find_wide_checks(rows, differences)
    # A byte of a check that happens to count is no counter.
    taken = {place for each in checks for place in each.places} if len(checks) == 1 else set()
    counters = tuple(each for each in counters if each.byte not in taken)
    only = checks[0] if len(checks) == 1 and checks[0].is_crc else None
    end_to_end = judge_end_to_end(rows, counters, only) if only is not None else None
    secured = None if checks else find_secured_tail(rows)
    return Protection(
        frames=len(rows),
        counters=counters,
        checks=checks,
        end_to_end=end_to_end,
        secured=secured,
        reason=_describe(counters, checks, end_to_end, secured),
    )


def _describe(
    counters: tuple[Counter, ...],
    checks: tuple[Check, ...],
    end_to_end: EndToEnd | None,
    secured: SecuredTail | None,
) -> str:
    counting = [_describe_counter(each) for each in counters]
    if secured is not None:
        where = f"bytes {secured.first_byte} to {secured.last_byte}"
        text = (
            f"{where} look like an authenticator made with a key: the message cannot be made or "
            "copied by a gateway, it needs keys that are not known here"
        )
        return "; ".join([*counting, text])
    if not checks:
        return "; ".join([*(counting or ["no counter"]), "no check found"])
    text = ", ".join(_describe_check(each) for each in checks[:_SHOWN])
    if len(checks) > 1:
        return "; ".join(
            [*counting, text, "several fit, a record of a drive would tell them apart"]
        )
    return "; ".join([*counting, text, *_describe_end_to_end(end_to_end)])


def _describe_counter(counter: Counter) -> str:
    last = counter.shift + counter.bits - 1
    seen = "" if counter.restarted else ", start not passed in this record"
    return f"counter 0..{counter.top} in byte {counter.byte} bits {counter.shift}..{last}{seen}"


def _describe_check(check: Check) -> str:
    where = (
        f"byte {check.byte}"
        if check.width == 8  # noqa: PLR2004
        else f"bytes {check.places[0]} to {check.places[-1]}"
    )
    if not check.is_crc:
        return f"{check.kind.value} {'in' if check.place_sure else 'probably in'} {where}"
    ways = [
        word
        for applies, word in (
            (check.reflected, "reflected"),
            (check.backwards, "last byte first"),
            (check.low_byte_first, "low byte first"),
        )
        if applies
    ]
    return f"{check.kind.value} {check.polynomial:#x} in {' '.join([where, *ways])}"


def _describe_end_to_end(found: EndToEnd | None) -> list[str]:
    if found is None:
        return []
    texts = [found.name] if found.name else []
    texts.append(f"into it goes {found.inclusion.value}")
    if found.profile:
        data_id = f", data id {found.data_id:#x} if it is" if found.data_id is not None else ""
        texts.append(f"agrees with AUTOSAR E2E {found.profile}{data_id}")
    return texts
