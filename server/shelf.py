"""The session shelf: what recordings there are, and what each holds in a few numbers.

The numbers come from the recording itself and are cached in a small SQLite file beside the sessions, keyed by file name,
size and time. The cache can be deleted at any moment; it is made again. A file that cannot be opened is listed with the
sentence that says why, and never hides the others.
"""

from __future__ import annotations

import json
import logging
import os
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from server.review import Review, open_review, session_name
from server.session_file import SessionError, part_paths, peek_header
from server.storage import claim, reason
from server.summary import summarize

INDEX_FILE = "shelf-index.sqlite3"
ELSEWHERE = "another station is recording it now; what it holds so far is shown"
INDEX_VERSION = 1
# What the page is told of each session, before anything is known of it.
ITEM: dict[str, object] = {
    "name": "",
    "label": "",
    "vehicle": "",
    "site": "",
    "started_utc": None,
    "duration_s": None,
    "apogee_m": None,
    "size_bytes": 0,
    "sentence": None,
    "openable": True,
    "recording": False,
}


_log = logging.getLogger(__name__)


class UnknownSession(Exception):
    """There is no session of that name on the shelf."""


class Shelf:
    """The recordings in some folders; the first one is where new recordings go."""

    def __init__(self, folder: Path, more: Iterable[Path] = ()) -> None:
        self._folder = folder
        self._folders = (folder, *more)

    def path_of(self, name: str) -> Path:
        """Return the file of the session called `name`; raises UnknownSession.

        Only files found by listing are ever opened.
        """
        found = self._files().get(name)
        if found is None:
            raise UnknownSession(name)
        return found

    def open(self, name: str) -> Review:
        """Open a session by name; raises UnknownSession or SessionError."""
        return open_review(self.path_of(name))

    def list(self, recording: str | None = None) -> list[dict[str, object]]:
        """Return every session, newest first, as the page shows them; `recording` is the one being written now."""
        items = []
        with closing(self._index()) as index:
            for name, path in self._files().items():
                item = self._live_item(name, path) if name == recording else self._item(index, name, path)
                items.append(item)
            with suppress(sqlite3.Error):  # only the cache
                index.commit()
        return sorted(items, key=lambda item: str(item["started_utc"] or ""), reverse=True)

    def _files(self) -> dict[str, Path]:
        found: dict[str, Path] = {}
        for folder in self._folders:
            if folder.is_dir():
                for path in sorted(folder.glob("*.pcapng")):
                    found.setdefault(session_name(path), path)
        return found

    def _index(self) -> sqlite3.Connection:
        """Open the cache; one that cannot be used is thrown away, one that cannot be made is kept in memory."""
        for place in (self._folder / INDEX_FILE, None):
            connection = None
            try:
                connection = sqlite3.connect(place if place else ":memory:", timeout=2.0)
                if connection.execute("PRAGMA user_version").fetchone()[0] not in (0, INDEX_VERSION):
                    connection.execute("DROP TABLE IF EXISTS item")
                connection.execute("CREATE TABLE IF NOT EXISTS item (name TEXT PRIMARY KEY, stamp TEXT, body TEXT)")
                connection.execute(f"PRAGMA user_version = {INDEX_VERSION}")
                return connection
            except (sqlite3.Error, UnicodeError):  # UnicodeError: damage that reads as a text
                if connection is not None:
                    connection.close()
                if place is not None:
                    with suppress(OSError):
                        place.unlink(missing_ok=True)
        return sqlite3.connect(":memory:")

    def _item(self, index: sqlite3.Connection, name: str, path: Path) -> dict[str, object]:
        stamp = _stamp(path)
        with suppress(sqlite3.Error, ValueError, TypeError):
            row = index.execute("SELECT body FROM item WHERE name = ? AND stamp = ?", (name, stamp)).fetchone()
            item = json.loads(row[0]) if row else None
            if isinstance(item, dict) and item.keys() == ITEM.keys():
                return item
        item = _computed_item(name, path)
        if item["sentence"] == ELSEWHERE:
            return item  # true only now, and the file need not change when it no longer is
        with suppress(sqlite3.Error, UnicodeError):  # UnicodeError: a file name that is no text
            index.execute("INSERT OR REPLACE INTO item VALUES (?, ?, ?)", (name, stamp, json.dumps(item)))
        return item

    def _live_item(self, name: str, path: Path) -> dict[str, object]:
        item = _bare_item(name, path)
        item.update(recording=True, openable=False, sentence="being recorded now")
        return item


def _stamp(path: Path) -> str:
    """Return what changes whenever one of a session's files does; a file may vanish while it is looked at."""
    parts = []
    for part in part_paths(path):
        with suppress(OSError):
            status = part.stat()
            parts.append([str(part), status.st_size, status.st_mtime_ns])
    return json.dumps(parts)


def _bare_item(name: str, path: Path) -> dict[str, object]:
    size = path.stat().st_size if path.exists() else 0
    item: dict[str, object] = {**ITEM, "name": name, "label": name, "size_bytes": size}
    try:
        header = peek_header(path)
    except SessionError as error:
        item.update(sentence=str(error), openable=False)
        return item
    item.update(_header_items(header))
    return item


def _header_items(header: Mapping[str, object]) -> dict[str, object]:
    vehicle, site = header.get("vehicle"), header.get("site")
    return {
        "vehicle": str(vehicle.get("name", "")) if isinstance(vehicle, dict) else "",
        "site": str(site.get("name", "")) if isinstance(site, dict) else "",
        "started_utc": datetime.fromtimestamp(int(header["utc_ns"]) / 1e9, UTC).isoformat(timespec="seconds"),
    }


def _computed_item(name: str, path: Path) -> dict[str, object]:
    item = _bare_item(name, path)
    if not item["openable"]:
        return item
    try:
        review = open_review(path)
        summary = summarize(review)
    except Exception as error:  # whatever a crafted file does here, it must not hide the others
        if not isinstance(error, SessionError | OSError):
            _log.exception("%r cannot be listed", path.name)
        item.update(sentence=_sentence(path, error), openable=False)
        return item
    apogee = summary["apogee"]
    item.update(
        duration_s=summary["duration_s"],
        apogee_m=apogee["height_m"] if isinstance(apogee, dict) else None,
        size_bytes=sum(p.stat().st_size for p in review.session.parts),
        sentence=_damage_sentence(review),
    )
    return item


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
