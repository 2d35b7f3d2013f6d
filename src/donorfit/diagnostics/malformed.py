"""The error of all decoders in this package."""

from donorfit.errors import PeerError

_SHOWN_BYTES = 32


class MalformedError(PeerError):
    """Bytes that are not what the standard says they are.

    Attributes:
        data: the bytes as received.
    """

    def __init__(self, *, what: str, data: bytes, where: str = "") -> None:
        shown = data[:_SHOWN_BYTES].hex(" ").upper() or "nothing"
        rest = f" ... ({len(data)} bytes)" if len(data) > _SHOWN_BYTES else ""
        super().__init__(
            what=f"a {what} cannot be read: {shown}{rest}",
            where=where,
            why="its length or content is not what ISO 14229-1 or ISO 13400-2 says",
            next_step="read the trace of this session; check that the address is right",
        )
        self.data = data
