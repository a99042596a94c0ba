"""One part of the station's work that raises costs that part only; the first time, the session tells of it."""

from __future__ import annotations

import logging
from collections.abc import Callable

from server.analysis.trackers.output import fault_text
from server.live.note_writer import NoteWriter

_log = logging.getLogger(__name__)


class Containment:
    """Does work part by part."""

    def __init__(self, notes: NoteWriter) -> None:
        self._notes = notes
        self._told: set[str] = set()

    def do(self, lost: str, work: Callable[[], object]) -> bool:
        """Do one part and return whether it was done; `lost` is the beginning of a sentence for when it was not."""
        try:
            work()
        except Exception as error:
            self.tell(lost, error)
            return False
        return True

    def tell(self, lost: str, error: Exception) -> None:
        """Log something that raised and note it as a fault, both only the first time."""
        if lost in self._told:
            return
        self._told.add(lost)
        _log.error("%s", lost, exc_info=error)
        try:
            self._notes.fault(lost, fault_text(lost, error), type(error).__name__)
        except Exception:  # what cannot be noted must not cost the parts after it
            _log.exception("a fault could not be noted")
