"""The bytes that a merge starts from, and the doubts about them."""

from donorfit.configuration.bits import make_mask
from donorfit.configuration.checksums import (
    ALGORITHMS,
    find_checksum_place,
    is_checksum_right,
)
from donorfit.configuration.merge_values import MergeInput, Origin
from donorfit.errors import InputError
from donorfit.records.counted import count
from donorfit.records.finding import Finding, Severity
from donorfit.vehicle.layout import Layout

_WHOLE = 0xFF


def mask_known(layout: Layout, length_bytes: int) -> bytes:
    """A one for every bit that a field or the checksum of the layout takes."""
    known = 0
    for field in layout.fields:
        known |= int.from_bytes(make_mask(field, length_bytes))
    data = bytearray(known.to_bytes(length_bytes))
    if layout.checksum is not None and layout.checksum.algorithm in ALGORITHMS:
        for place in find_checksum_place(layout.checksum):
            if place < length_bytes:
                data[place] = _WHOLE
    return bytes(data)


def _block(given: MergeInput, id_: str, what: str, why: str, next_step: str) -> Finding:
    return Finding(
        id=id_,
        severity=Severity.BLOCKING,
        what=what,
        where=given.where,
        why=why,
        evidence=(given.current.hex().upper(),),
        next_step=next_step,
    )


def find_block(given: MergeInput) -> Finding | None:
    """Why the record must not be written at all; None where nothing speaks against it."""
    layout = given.layout_before
    if len(given.current) < layout.length_bytes:
        return _block(
            given,
            "record-too-short",
            f"The record read has {count(len(given.current), 'byte')}, its layout "
            f"{layout.length_bytes}.",
            "The layout is not the one of this unit's software.",
            "Check the unit's software version and the layouts in the pack.",
        )
    for checksum in (layout.checksum, given.layout_after.checksum):
        if checksum is not None and checksum.algorithm not in ALGORITHMS:
            return _block(
                given,
                "checksum-unknown",
                f"The checksum algorithm {checksum.algorithm!r} is not known.",
                "A record with a wrong checksum may stop the unit from working.",
                f"Use one of {', '.join(ALGORITHMS)} in the pack.",
            )
    if layout.checksum is None:
        return None
    try:
        right = is_checksum_right(layout.checksum, given.current)
    except InputError as error:
        return _block(given, "checksum-misplaced", error.what, error.where, error.next_step)
    if right:
        return None
    return _block(
        given,
        "checksum-wrong",
        "The checksum of the record is wrong before anything was changed.",
        "A write may have been interrupted, or the record is not what the pack takes it for.",
        "Restore the record first, from the car's own backup or by the unit's licensed service.",
    )


def make_start(given: MergeInput) -> bytes:
    """The bytes that fields are written into: those read, in the length of the layout after.

    A record longer than its layout keeps its length, since its end is only unknown, not unused.
    """
    extra = len(given.current) - given.layout_before.length_bytes
    length = given.layout_after.length_bytes + max(extra, 0)
    if given.layout_after.length_bytes == given.layout_before.length_bytes:
        length = len(given.current)
    usual = given.peers.usual or b""
    tail = usual[len(given.current) : length]
    return (given.current + tail).ljust(length, b"\0")[:length]


def _find_new_tail(given: MergeInput, start: bytes) -> Finding | None:
    """Bytes that the longer record gained and that no field explains."""
    known = mask_known(given.layout_after, len(start))
    unknown = [each for each in range(len(given.current), len(start)) if known[each] != _WHOLE]
    if not unknown:
        return None
    usual = given.peers.usual or b""
    source = (
        "they are filled with what most cars of the family hold"
        if len(usual) >= len(start)
        else "nothing is known of them, they are filled with zeros"
    )
    return Finding(
        id="record-longer",
        severity=Severity.WARNING,
        what=f"The record grows from {len(given.current)} to {count(len(start), 'byte')}.",
        where=given.where,
        why=f"Bytes {', '.join(map(str, unknown))} are not derived; {source}.",
        next_step="Read the record again after programming and compare these bytes.",
    )


def _find_unknown_region(given: MergeInput) -> Finding | None:
    """Bytes outside every field that differ from what other cars hold: kept, and mentioned."""
    usual = given.peers.usual
    known = mask_known(given.layout_before, len(given.current))
    if given.origin is Origin.DONOR:
        foreign = [
            place
            for place, mask in enumerate(known)
            if given.current[place] & ~mask & _WHOLE not in {0, ~mask & _WHOLE}
        ]
        why = "Nobody knows what they mean, so they stay as the donor car left them."
        what = "bytes outside the known fields come from the donor car"
    elif usual is not None and len(usual) == len(given.current):
        foreign = [
            place
            for place, mask in enumerate(known)
            if (given.current[place] ^ usual[place]) & ~mask & 0xFF
        ]
        why = "Nobody knows what they mean, so they are kept."
        what = "bytes outside the known fields differ from what most cars hold"
    else:
        return None
    if not foreign:
        return None
    return Finding(
        id="unknown-bytes-kept",
        severity=Severity.NOTE,
        what=f"{len(foreign)} {what}.",
        where=given.where,
        why=why,
        evidence=tuple(f"byte {each}: {given.current[each]:02X}" for each in foreign),
    )


def list_byte_findings(given: MergeInput, start: bytes) -> tuple[Finding, ...]:
    """What has to be said about bytes and lengths."""
    found = [_find_new_tail(given, start), _find_unknown_region(given)]
    if len(given.current) > given.layout_before.length_bytes:
        found.append(
            Finding(
                id="record-too-long",
                severity=Severity.WARNING,
                what=f"The record read has {count(len(given.current), 'byte')}, its layout "
                f"{given.layout_before.length_bytes}; the rest is kept.",
                where=given.where,
                next_step="Check the unit's software version and the layouts in the pack.",
            )
        )
    if given.layout_after.checksum is not None and given.layout_before.checksum is None:
        found.append(
            Finding(
                id="checksum-not-proved",
                severity=Severity.WARNING,
                what="The new layout has a checksum that could not be checked on this car.",
                where=given.where,
                why="The record as read has none.",
                next_step="Read the record back after the write and look for fault codes.",
            )
        )
    return tuple(each for each in found if each is not None)
