"""Frames on a byte stream: COBS, then one zero byte.

Consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999) removes every
zero from the content, so a zero always and only ends a frame. After any garbage the next zero puts the receiver in
step again, which is why the splitter below has no state worth losing: only the bytes since the last zero.

Content (packet + CRC) is at most 254 bytes, so the stuffing costs exactly one byte and a frame on the wire is at most
256 bytes. A longer run without a zero cannot be ours; the splitter drops it and says how much it dropped.
"""

from __future__ import annotations

from cobs import cobs

DELIMITER = b"\x00"
CONTENT_MAX = 254
ENCODED_MAX = CONTENT_MAX + 1


def encode_frame(content: bytes) -> bytes:
    """Return the frame for `content` (1..254 bytes), stuffed and ended by its zero byte.

    Raises ValueError when the content is empty or too long.
    """
    if not 1 <= len(content) <= CONTENT_MAX:
        raise ValueError(f"frame content must be 1..{CONTENT_MAX} bytes, got {len(content)}")
    stuffed: bytes = cobs.encode(content)
    return stuffed + DELIMITER


def decode_frame(encoded: bytes) -> bytes | None:
    """Return the content of one stuffed frame without its delimiter, or None when the stuffing is broken."""
    try:
        content: bytes = cobs.decode(encoded)
    except cobs.DecodeError:
        return None
    return content


class FrameSplitter:
    """Cuts a byte stream into stuffed frames, whatever the chunks it arrives in.

    `feed` returns (encoded frame without delimiter, bytes dropped before it) pairs. A frame of zero length is a
    delimiter that follows another: harmless, returned as nothing. Memory is bounded by one frame: a run longer than
    `ENCODED_MAX` is dropped as it comes and reported, once, with the delimiter that ends it.
    """

    def __init__(self) -> None:
        self._pending = b""
        self._dropped = 0

    @property
    def pending_bytes(self) -> int:
        """Bytes held that have not yet been ended by a delimiter."""
        return len(self._pending)

    def feed(self, data: bytes) -> list[tuple[bytes, int]]:
        """Take received bytes; return the frames they complete, in order, as (encoded, dropped_before)."""
        *complete, rest = (self._pending + data).split(DELIMITER)
        out: list[tuple[bytes, int]] = []
        for encoded in complete:
            if self._dropped or len(encoded) > ENCODED_MAX:
                out.append((b"", self._dropped + len(encoded)))
                self._dropped = 0
            elif encoded:
                out.append((encoded, 0))
        if self._dropped or len(rest) > ENCODED_MAX:
            self._dropped += len(rest)
            rest = b""
        self._pending = rest
        return out
