"""The session shelf: what recordings there are, and what each holds in a few numbers.

The numbers come from the recording itself and are cached in a small SQLite file beside the sessions, keyed by file name,
size and time. The cache can be deleted at any moment; it is made again. A file that cannot be opened is listed with the
sentence that says why, and never hides the others.
"""

from __future__ import annotations

import json
import logging
import os
import re
import sqlite3
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from server.problems import Problem, reason
from server.recording.segment import REHEARSAL_TRACK, SUFFIX, base_name
from server.recording.session_file import SessionError, peek_header
from server.recording.session_header import SessionHeader
from server.recording.storage import claim
from server.review.review import Review, open_review, rehearsal_of
from server.review.sketch import height_sketch
from server.review.summary import summarize
from server.review.summary_shape import ToldFinding
from server.shelf import session_notes
from server.shelf.item_cache import keep, known_items, opened
from server.shelf.session_notes import NotesProblem, checked, read_sidecar, sidecar_path, write_sidecar
from server.shelf.trash import TrashProblem, bring_back, throw_away, thrown_away
from server.telemetry.journal import SEVERITIES
from server.timestamps import NS_PER_S

ELSEWHERE = "another station is recording it now; what it holds so far is shown"
SAMPLES_NOTED_IN = "samples"
ONBOARD_LOG, ONBOARD_MAP, ONBOARD_EVENTS = ".onboard.csv", ".onboard.toml", ".onboard.events.txt"
"""Endings of what lies beside a session: an onboard log imported for it, the log's mapping, its events' own file."""
BESIDE = (session_notes.SUFFIX, ONBOARD_LOG, ONBOARD_MAP, ONBOARD_EVENTS, REHEARSAL_TRACK)
# What the page is told of each session, before anything is known of it.
ITEM: dict[str, object] = {
    "name": "",
    "label": "",
    "notes": "",
    "vehicle": "",
    "site": "",
    "started_utc": None,
    "duration_s": None,
    "apogee_m": None,
    "heights_m": None,
    "findings": None,
    "size_bytes": 0,
    "sentence": None,
    "openable": True,
    "recording": False,
    "pending": False,
    "sample": False,
    "onboard": False,
    "rehearsal": "",
}
_NUMBERED = re.compile(r".*~(\d+)" + re.escape(SUFFIX), re.DOTALL)


_log = logging.getLogger(__name__)


class UnknownSession(Problem):
    """There is no session of that name on the shelf."""


@dataclass
class SessionPlace:
    """Where a session lies: `path` is the file to open, `files` all its parts as [path, bytes, ns of last change].

    `noted` is where its sidecar is or would be, `extras` what lies there already, in the form of `files`.
    """

    name: str
    path: Path
    noted: Path
    sample: bool = False
    files: list[list[object]] = field(default_factory=list)
    extras: list[list[object]] = field(default_factory=list)

    @property
    def stamp(self) -> str:
        """What changes whenever one of the session's files does."""
        return json.dumps([sorted(self.files, key=_part_number), sorted(self.extras, key=str)])

    def beside(self, suffix: str) -> Path:
        """Return the file of another ending that belongs to this session."""
        return self.noted.with_name(self.name + suffix)


class Shelf:
    """The recordings in some folders; the first one is where new recordings go.

    `samples` is a folder that is only read: what is added to its sessions is kept in the first folder.
    """

    def __init__(self, folder: Path, more: Iterable[Path] = (), samples: Path | None = None) -> None:
        self._folder = folder
        self._listing = threading.Lock()  # whoever lists second gets what the first has computed, and computes nothing twice
        self._samples = samples
        # One folder may be named twice, in two ways: a replay of a sample, or of a session that lies with the others.
        named: dict[str, Path] = {}
        for each in (folder, *more):
            named.setdefault(os.path.realpath(each), each)
        if samples is not None:
            named.pop(os.path.realpath(samples), None)
        self._folders = (*named.values(), *([samples] if samples is not None else []))

    def path_of(self, name: str) -> Path:
        """Return the file of the session called `name`; raises UnknownSession.

        Only files found by listing are ever opened.
        """
        return self.place_of(name).path

    def place_of(self, name: str) -> SessionPlace:
        """Return where the session called `name` lies; raises UnknownSession."""
        found = self._places().get(name)
        if found is None:
            raise UnknownSession("There is no session of that name.")
        return found

    def places(self) -> list[SessionPlace]:
        """Return where every session lies."""
        return list(self._places().values())

    @property
    def folder(self) -> Path:
        """Where new recordings go."""
        return self._folder

    def open(self, name: str) -> Review:
        """Open a session by name; raises UnknownSession or SessionError."""
        return open_review(self.path_of(name))

    def items(self, recording: str | None = None, enough: Callable[[], bool] = lambda: False) -> list[dict[str, object]]:
        """Return every session, newest first, as the page shows them; `recording` is the one being written now.

        Once `enough()` says so, sessions of which nothing is known yet are listed by their header alone, as "pending";
        the next listing goes on with them.
        """
        items = []
        with self._listing, closing(opened(self._folder)) as index:
            known = known_items(index, ITEM.keys())
            for name, place in self._places().items():
                if name == recording:
                    items.append(_live_item(place))
                else:
                    items.append(self._item(index, known.get(name), place, enough))
            with suppress(sqlite3.Error):  # only the cache
                index.commit()
        return sorted(items, key=lambda item: str(item["started_utc"] or ""), reverse=True)

    # ------------------------------------------------------------ what a person adds

    def notes(self, name: str) -> dict[str, object]:
        """Return what was added to a session; raises UnknownSession or NotesProblem."""
        return read_sidecar(self.place_of(name).noted)

    def note(self, name: str, changes: Mapping[str, object]) -> dict[str, object]:
        """Change what was added to a session; raises UnknownSession or NotesProblem."""
        return write_sidecar(self.place_of(name).noted, checked(changes))

    # ------------------------------------------------------------ the trash

    def delete(self, name: str) -> None:
        """Move all parts of a session, and what was added to it, into the trash; raises UnknownSession or TrashProblem."""
        place = self.place_of(name)
        if place.sample:
            raise TrashProblem("This sample came with the program; it cannot be deleted.")
        files = [Path(str(item[0])) for item in [*place.files, *place.extras]]
        with suppress(OSError):
            if any(_is_being_written(path) for path in files if path.suffix == SUFFIX):
                raise TrashProblem(f"{name} is being recorded by a station; end that first.")
        throw_away(files, place.path.parent, name)

    def trash(self) -> list[dict[str, object]]:
        """Return what is in the trash: `entry` (to restore it by), the session's name and label, and its size."""
        return [_trash_item(entry, folder) for entry, folder in self._thrown_away().items()]

    def restore(self, entry: str) -> None:
        """Move a deleted session back; raises UnknownSession or TrashProblem. Nothing is overwritten."""
        folder = self._thrown_away().get(entry)
        if folder is None:
            raise UnknownSession(entry)
        bring_back(folder, folder.parent.parent)

    def _thrown_away(self) -> dict[str, Path]:
        return {
            f"{number} {path.name}": path
            for number, folder in enumerate(self._folders)
            if folder != self._samples
            for path in thrown_away(folder)
        }

    # ------------------------------------------------------------ listing

    def _places(self) -> dict[str, SessionPlace]:
        """Find every session, with one look at each folder."""
        found: dict[str, SessionPlace] = {}
        for folder in self._folders:
            sample = folder == self._samples
            here = _names_in(folder)
            noted_in = self._folder / SAMPLES_NOTED_IN if sample else folder
            beside = _names_in(noted_in) if sample else here
            places: dict[str, SessionPlace] = {}
            for name in sorted(name for name in here if name.endswith(SUFFIX)):
                session = base_name(folder / name)
                if session not in places:
                    places[session] = SessionPlace(session, folder / name, sidecar_path(noted_in, session), sample)
                places[session].files += _looked_at(here[name])
            for session, place in places.items():
                for suffix in BESIDE:
                    if session + suffix in beside:
                        place.extras += _looked_at(beside[session + suffix])
                found.setdefault(session, place)
        return found

    def _item(
        self,
        index: sqlite3.Connection,
        known: tuple[str, dict[str, object]] | None,
        place: SessionPlace,
        enough: Callable[[], bool],
    ) -> dict[str, object]:
        stamp = place.stamp
        cached = known[1] if known is not None and known[0] == stamp else None
        if cached is not None and (not cached["pending"] or enough()):
            return cached
        item = {**_bare_item(place), "pending": True} if enough() else _computed_item(place)
        if not item["openable"]:
            item["pending"] = False
        if item["sentence"] == ELSEWHERE:
            return item  # true only now, and the file need not change when it no longer is
        keep(index, place.name, stamp, item)
        return item


def _names_in(folder: Path) -> dict[str, os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return {entry.name: entry for entry in entries}
    except OSError:
        return {}


def _looked_at(entry: os.DirEntry[str]) -> list[list[object]]:
    """Return [[path, size, time]] of a file; one that vanished meanwhile, or leads nowhere, has neither."""
    with suppress(OSError):
        status = entry.stat()
        return [[entry.path, status.st_size, status.st_mtime_ns]]
    return [[entry.path, 0, 0]]


def _part_number(looked_at: list[object]) -> int:
    match = _NUMBERED.fullmatch(str(looked_at[0]))
    return int(match[1]) if match else 1


def _live_item(place: SessionPlace) -> dict[str, object]:
    item = _bare_item(place)
    item.update(recording=True, openable=False, sentence="being recorded now")
    return item


def _trash_item(entry: str, folder: Path) -> dict[str, object]:
    names = _names_in(folder)
    sessions = sorted({base_name(folder / name) for name in names if name.endswith(SUFFIX)})
    name = sessions[0] if sessions else folder.name
    label = ""
    with suppress(NotesProblem):
        label = str(read_sidecar(sidecar_path(folder, name))["label"])
    size = sum(int(str(looked_at[1])) for found in names.values() for looked_at in _looked_at(found))
    return {"entry": entry, "name": name, "label": label or name, "size_bytes": size}


def _bare_item(place: SessionPlace) -> dict[str, object]:
    size = sum(int(str(looked_at[1])) for looked_at in place.files)
    item: dict[str, object] = {**ITEM, "name": place.name, "label": place.name, "size_bytes": size, "sample": place.sample}
    item["onboard"] = any(str(looked_at[0]).endswith(ONBOARD_LOG) for looked_at in place.extras)
    try:
        noted = read_sidecar(place.noted)
        item.update(label=noted["label"] or place.name, notes=noted["notes"])
    except NotesProblem as problem:
        item.update(sentence=str(problem))
    try:
        header = peek_header(place.path)
    except SessionError as error:
        item.update(sentence=str(error), openable=False)
        return item
    item.update(_header_items(header))
    return item


def _header_items(header: SessionHeader) -> dict[str, object]:
    return {
        "vehicle": str(header.vehicle.get("name", "")),
        "site": str(header.site.get("name", "")),
        "rehearsal": header.rehearsal or "",
        "started_utc": datetime.fromtimestamp(header.utc_ns / NS_PER_S, UTC).isoformat(timespec="seconds"),
    }


def _computed_item(place: SessionPlace) -> dict[str, object]:
    item = _bare_item(place)
    if not item["openable"]:
        return item
    try:
        review = open_review(place.path)
        summary = summarize(review)
    except Exception as error:  # whatever a crafted file does here, it must not hide the others
        if not isinstance(error, SessionError | OSError):
            _log.exception("%r cannot be listed", place.path.name)
        item.update(sentence=_sentence(place.path, error), openable=False)
        return item
    apogee = summary["apogee"]
    said = [str(sentence) for sentence in (_damage_sentence(review), item["sentence"]) if sentence]
    item.update(
        duration_s=summary["duration_s"],
        apogee_m=apogee["height_m"] if apogee is not None else None,
        heights_m=height_sketch(review, summary),
        rehearsal=rehearsal_of(review),
        findings=_counted(summary["findings"]),
        size_bytes=sum(p.stat().st_size for p in review.session.parts),
        sentence="; ".join(said) or None,
    )
    return item


def _counted(findings: Sequence[ToldFinding]) -> dict[str, int]:
    """Count findings by severity."""
    counts = dict.fromkeys(SEVERITIES, 0)
    for finding in findings:
        counts[finding["severity"]] += 1
    return counts


def _sentence(path: Path, error: Exception) -> str:
    return str(error) if isinstance(error, SessionError) else f"{path.name} cannot be read: {reason(error)}."


def _is_being_written(path: Path) -> bool:
    """Tell whether a station holds the writer's lock of a file."""
    lock = claim(path)
    if lock is None:
        return True
    os.close(lock)
    return False


def _damage_sentence(review: Review) -> str | None:
    damage = review.session.damage
    if damage:
        return f"damaged in {len(damage)} place{'s' if len(damage) > 1 else ''}; everything else is shown"
    if not review.session.closed and _is_being_written(review.session.parts[-1]):
        return ELSEWHERE
    if not review.session.closed:
        return "the recording was not closed properly; everything up to its end is shown"
    return None
