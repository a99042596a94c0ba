"""Lines in a stream: what stands before a line feed, a carriage return before it left out, in whatever chunks it comes."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from protocol.foreign.foreign_framing import Heard, Judged

Judge = Callable[[bytes, int], Judged]


class Unreadable(Exception):
    """A value of a line is not what its field holds."""


class LineCutter:
    """Cuts a stream into lines; one longer than `line_max` bytes is dropped as it comes, empty ones are nothing."""

    def __init__(self, line_max: int) -> None:
        self._line_max = line_max
        self._pending = b""
        self._dropped = 0

    def feed(self, data: bytes, judge: Judge) -> Iterator[Heard]:
        """Take received bytes; yields a piece for each line that is not empty, as `judge` has it of line and size."""
        at = 0
        while (end := data.find(b"\n", at)) >= 0:
            line, self._pending = self._pending + data[at:end], b""
            dropped, self._dropped, at = self._dropped, 0, end + 1
            size = dropped + len(line) + 1
            if dropped or len(line) > self._line_max:
                yield Heard(end, size, size, None)
            elif line.rstrip(b"\r"):
                yield Heard(end, size, 0, judge(line.rstrip(b"\r"), size))
        self._pending += data[at:]
        if self._dropped or len(self._pending) > self._line_max:
            self._dropped += len(self._pending)
            self._pending = b""
