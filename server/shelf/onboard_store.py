"""Onboard logs kept with their sessions.

An imported log is copied beside the recording (`NAME.onboard.csv`, its mapping `NAME.onboard.toml`, and events that came in
a file of their own as `NAME.onboard.events.txt`), because the card it came from is wiped before the next flight; the copies
move into the trash and back with the session. What its alignment was stands in the session's sidecar, without any path. A
log that cannot be aligned is refused and not kept.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from server.flight.sensors.alignment import Alignment, alignment_dict, alignment_of
from server.problems import reason
from server.review.review import Review
from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_card import as_text, is_card, read_files
from server.shelf.onboard_log import OnboardLog, look, read_log
from server.shelf.onboard_loose import read_loosely
from server.shelf.onboard_mapping import LogMapping, LogProblem, load_mapping, mapping_text
from server.shelf.onboard_report import LogReport, first_aligned, report
from server.shelf.session_notes import read_sidecar, replace_file, write_sidecar
from server.shelf.shelf import ONBOARD_EVENTS, ONBOARD_LOG, ONBOARD_MAP, SessionPlace

KEPT_OPEN = 2


class OnboardStore:
    """The logs of the sessions on a shelf; the last few read are kept in memory."""

    def __init__(self) -> None:
        self._read: OrderedDict[tuple[object, ...], OnboardLog] = OrderedDict()
        self._lock = threading.Lock()

    def take(
        self,
        review: Review,
        place: SessionPlace,
        file: Path,
        mapping: LogMapping | None,
        name: str,
        progress: Callable[[str], None] = lambda text: None,
        events: Path | None = None,
    ) -> LogReport:
        """Import a log file for a session; return the report on it.

        `file`, and `events` (lines of text with a time at their start), are copied beside the session if the alignment is
        not refused. Raises LogProblem or NotesProblem.
        """
        used = mapping or look(file).guess
        log = read_log(file, used, progress, events)
        progress("aligning")
        found = align_log(review, log)
        told = report(review, log, found)
        if found.refused:
            return told
        assert used is not None  # what was read was read by some mapping
        self._keep(place, file, used, events)
        held = {**alignment_dict(found), "file": Path(name).name[:255], "rows": len(log.t)}
        write_sidecar(place.noted, {"onboard": held})
        return told

    def take_files(
        self,
        review: Review,
        place: SessionPlace,
        files: Sequence[Path],
        mapping: LogMapping | None,
        progress: Callable[[str], None] = lambda text: None,
        events: Path | None = None,
    ) -> LogReport:
        """Import several files of one flight, or a card in the vehicle's own format; as `take`, kept as columns of text.

        Without a mapping, what names and the dictionary do not bring home is read by what its columns look like.
        Raises LogProblem or NotesProblem.
        """
        attempts = [lambda: self._take_as_named(review, place, files, mapping, progress, events)]
        if mapping is None:
            attempts.append(lambda: self._take_text(review, place, read_loosely(files), files, progress, events))
        return first_aligned(attempts)

    def _take_as_named(
        self,
        review: Review,
        place: SessionPlace,
        files: Sequence[Path],
        mapping: LogMapping | None,
        progress: Callable[[str], None],
        events: Path | None,
    ) -> LogReport:
        if len(files) == 1 and not is_card(files[0], review.dictionary):
            return self.take(review, place, files[0], mapping, files[0].name, progress, events)
        return self._take_text(
            review, place, read_files(files, review.dictionary, mapping, progress), files, progress, events
        )

    def _take_text(
        self,
        review: Review,
        place: SessionPlace,
        log: OnboardLog,
        files: Sequence[Path],
        progress: Callable[[str], None],
        events: Path | None,
    ) -> LogReport:
        """Keep a log as columns of text in SI units."""
        text, used = as_text(log)
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "log.csv"
            file.write_text(text, "utf-8")
            return self.take(review, place, file, used, " and ".join(one.name for one in files), progress, events)

    def has(self, place: SessionPlace) -> bool:
        """Return whether a log is kept with a session. Raises NotesProblem."""
        return alignment_of(read_sidecar(place.noted).get("onboard")) is not None and place.beside(ONBOARD_LOG).is_file()

    def report(self, review: Review, place: SessionPlace) -> LogReport:
        """Return the report on the log kept with a session. Raises LogProblem or NotesProblem."""
        return report(review, *self.kept(place))

    def kept(self, place: SessionPlace) -> tuple[OnboardLog, Alignment]:
        """Return the log kept with a session and its alignment. Raises LogProblem or NotesProblem."""
        found = alignment_of(read_sidecar(place.noted).get("onboard"))
        path = place.beside(ONBOARD_LOG)
        if found is None or not path.is_file():
            raise LogProblem("No onboard log was imported for this session.")
        map_path, events = place.beside(ONBOARD_MAP), place.beside(ONBOARD_EVENTS)
        there = [one for one in (path, map_path, events) if one.is_file()]
        stamp = tuple((str(one), one.stat().st_size, one.stat().st_mtime_ns) for one in there)
        log = self._read.get(stamp)
        if log is None:
            mapping = load_mapping(map_path) if map_path in there else None
            log = read_log(path, mapping, events_file=events if events in there else None)
            with self._lock:  # requests come in threads
                self._read[stamp] = log
                while len(self._read) > KEPT_OPEN:
                    self._read.popitem(last=False)
        return log, found

    def drop(self, place: SessionPlace) -> None:
        """Take the log of a session away again. Raises LogProblem or NotesProblem."""
        write_sidecar(place.noted, {"onboard": None})
        try:
            for suffix in (ONBOARD_LOG, ONBOARD_MAP, ONBOARD_EVENTS):
                place.beside(suffix).unlink(missing_ok=True)
        except OSError as error:
            raise LogProblem(f"The log beside {place.name} cannot be removed: {reason(error)}.") from error

    def _keep(self, place: SessionPlace, file: Path, mapping: LogMapping, events: Path | None) -> None:
        target, events_target = place.beside(ONBOARD_LOG), place.beside(ONBOARD_EVENTS)
        aside = target.with_name(f"{target.name}.{os.getpid()}.new")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(file, aside)
            told = None if events is None else events.read_bytes()
            os.replace(aside, target)
            replace_file(place.beside(ONBOARD_MAP), mapping_text(mapping).encode())
            if told is None:
                events_target.unlink(missing_ok=True)  # those of the log before
            else:
                replace_file(events_target, told)
        except OSError as error:
            with suppress(OSError):
                aside.unlink(missing_ok=True)
            raise LogProblem(f"The log cannot be kept beside {place.name}: {reason(error)}.") from error
