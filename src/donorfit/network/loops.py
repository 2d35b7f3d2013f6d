"""What compiled loops can do for reading and decoding; without them arrays are used instead.

The loops stand in :mod:`donorfit.edge.logs`, because compiling them touches the disk. Whatever
they leave alone is read the same way as without them, so both give the same frames and counts.
"""

from collections.abc import Callable
from typing import Any, NamedTuple


class Loops(NamedTuple):
    """Compiled loops.

    Attributes:
        scan_candump: reads lines of candump text into the columns of a block.
        scan_asc: the same for ASC text.
        scan_objects: reads plain frames among the objects of an unpacked BLF container.
        group_ids: gives every frame the number of its identifier.
        place_rows: rows of the record, ordered by those numbers.
        take_words: the first eight bytes of some rows, as numbers in either byte order.
        scale_bits: cuts one signal out of such numbers and scales it.
    """

    scan_candump: Callable[..., Any]
    scan_asc: Callable[..., Any]
    scan_objects: Callable[..., Any]
    group_ids: Callable[..., Any]
    place_rows: Callable[..., Any]
    take_words: Callable[..., Any]
    scale_bits: Callable[..., Any]
