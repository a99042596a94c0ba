"""The callers who wait for the disk's word on their record. The recorder's lock guards all but the waiting itself."""

from __future__ import annotations

import threading
from collections.abc import Collection


class Ticket:
    """One caller's wait: settled once, with the reason in words if the record did not reach the disk."""

    __slots__ = ("_done", "failure")

    def __init__(self) -> None:
        self._done = threading.Event()
        self.failure: str | None = None

    @property
    def settled(self) -> bool:
        """Whether the answer is there."""
        return self._done.is_set()

    def wait(self, timeout_s: float) -> bool:
        """Wait for the answer; tell whether it came in time."""
        return self._done.wait(timeout_s)

    def settle(self, failure: str | None = None) -> None:
        """Give the answer: None is success."""
        self.failure = failure
        self._done.set()


class Tickets:
    """All open tickets by sequence number."""

    def __init__(self) -> None:
        self._open: dict[int, Ticket] = {}

    def __bool__(self) -> bool:
        return bool(self._open)

    def open(self, sequence: int) -> Ticket:
        """Return a new ticket for a record."""
        ticket = self._open[sequence] = Ticket()
        return ticket

    def withdraw(self, sequence: int) -> None:
        """Forget a ticket whose owner has stopped waiting."""
        self._open.pop(sequence, None)

    def confirm(self, sequences: Collection[int]) -> None:
        """Tell the owners of these records that they are on the disk."""
        for sequence in self._open.keys() & set(sequences):
            self._open.pop(sequence).settle()

    def fail_all(self, failure: str) -> None:
        """Tell every owner why the record is not known to be on the disk."""
        for ticket in self._open.values():
            ticket.settle(failure)
        self._open.clear()
