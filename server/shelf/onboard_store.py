"""Onboard logs kept with their sessions.

An imported log is copied beside the recording (`NAME.onboard.csv`, its mapping `NAME.onboard.toml`), because the card it
came from is wiped before the next flight; the copy moves into the trash and back with the session. What its alignment was
stands in the session's sidecar, without any path. A log that cannot be aligned is refused and not kept.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from server.flight.sensors.alignment import Alignment, alignment_dict, alignment_of
from server.problems import reason
from server.review.review import Review
from server.shelf.onboard_alignment import align_log, report
from server.shelf.onboard_log import LogMapping, LogProblem, OnboardLog, load_mapping, look, mapping_text, read_log
from server.shelf.session_notes import read_sidecar, replace_file, write_sidecar
from server.shelf.shelf import LOG_SUFFIX, Place

KEPT_OPEN = 2


class OnboardStore:
    """The logs of the sessions on a shelf; the last few read are kept in memory."""

    def __init__(self) -> None:
        self._read: OrderedDict[tuple[object, ...], OnboardLog] = OrderedDict()
        self._lock = threading.Lock()

    def take(
        self,
        review: Review,
        place: Place,
        file: Path,
        mapping: LogMapping | None,
        name: str,
        progress: Callable[[str], None] = lambda text: None,
    ) -> dict[str, object]:
        """Import a log file for a session; return the report on it, as `server.shelf.onboard_alignment.report` makes it.

        `file` is copied beside the session if its alignment is not refused. Raises LogProblem or NotesProblem.
        """
        used = mapping or look(file).guess
        log = read_log(file, used, progress)
        progress("aligning")
        found = align_log(review, log)
        told = report(review, log, found)
        if found.refused:
            return told
        assert used is not None  # what was read was read by some mapping
        self._keep(place, file, used)
        held = {**alignment_dict(found), "file": Path(name).name[:255], "rows": len(log.t)}
        write_sidecar(place.noted, {"onboard": held})
        return told

    def report(self, review: Review, place: Place) -> dict[str, object]:
        """Return the report on the log kept with a session. Raises LogProblem or NotesProblem."""
        return report(review, *self.kept(place))

    def kept(self, place: Place) -> tuple[OnboardLog, Alignment]:
        """Return the log kept with a session and its alignment. Raises LogProblem or NotesProblem."""
        found = alignment_of(read_sidecar(place.noted).get("onboard"))
        path = place.beside(f"{LOG_SUFFIX}.csv")
        if found is None or not path.is_file():
            raise LogProblem("No onboard log was imported for this session.")
        map_path = place.beside(f"{LOG_SUFFIX}.toml")
        stamp = tuple((str(p), p.stat().st_size, p.stat().st_mtime_ns) for p in (path, map_path) if p.is_file())
        log = self._read.get(stamp)
        if log is None:
            log = read_log(path, load_mapping(map_path) if map_path.is_file() else None)
            with self._lock:  # requests come in threads
                self._read[stamp] = log
                while len(self._read) > KEPT_OPEN:
                    self._read.popitem(last=False)
        return log, found

    def drop(self, place: Place) -> None:
        """Take the log of a session away again. Raises LogProblem or NotesProblem."""
        write_sidecar(place.noted, {"onboard": None})
        try:
            for suffix in (".csv", ".toml"):
                place.beside(LOG_SUFFIX + suffix).unlink(missing_ok=True)
        except OSError as error:
            raise LogProblem(f"The log beside {place.name} cannot be removed: {reason(error)}.") from error

    def _keep(self, place: Place, file: Path, mapping: LogMapping) -> None:
        target = place.beside(f"{LOG_SUFFIX}.csv")
        aside = target.with_name(f"{target.name}.{os.getpid()}.new")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(file, aside)
            os.replace(aside, target)
            replace_file(place.beside(f"{LOG_SUFFIX}.toml"), mapping_text(mapping).encode())
        except OSError as error:
            with suppress(OSError):
                aside.unlink(missing_ok=True)
            raise LogProblem(f"The log cannot be kept beside {place.name}: {reason(error)}.") from error
