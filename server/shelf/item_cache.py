"""What was computed of each recording, kept in a small SQLite file beside them; it can be deleted at any moment.

Nothing hangs on it: one that cannot be used is thrown away, and what cannot be read or kept is computed again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Set
from contextlib import suppress
from pathlib import Path

INDEX_FILE = "shelf-index.sqlite3"
INDEX_VERSION = 4
# Another listing may have computed it meanwhile: what is pending replaces only what was known of older files.
KEEP = """INSERT INTO item VALUES (?1, ?2, ?3)
    ON CONFLICT (name) DO UPDATE SET stamp = excluded.stamp, body = excluded.body
    WHERE NOT ?4 OR item.stamp != excluded.stamp"""


def opened(folder: Path) -> sqlite3.Connection:
    """Open the cache; one that cannot be used is thrown away, one that cannot be made is kept in memory."""
    for place in (folder / INDEX_FILE, None):
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


def known_items(index: sqlite3.Connection, names: Set[str]) -> dict[str, tuple[str, dict[str, object]]]:
    """Return what the cache holds, by name: (stamp, item). What has not just these `names` in it is left out."""
    known: dict[str, tuple[str, dict[str, object]]] = {}
    with suppress(sqlite3.Error, UnicodeError):
        for name, stamp, body in index.execute("SELECT name, stamp, body FROM item"):
            with suppress(ValueError, TypeError):
                item = json.loads(body)
                if isinstance(item, dict) and item.keys() == names:
                    known[name] = (stamp, item)
    return known


def keep(index: sqlite3.Connection, name: str, stamp: str, item: Mapping[str, object]) -> None:
    """Keep what is known of a recording, `stamp` telling of which state of its files."""
    with suppress(sqlite3.Error, UnicodeError):  # UnicodeError: a file name that is no text
        index.execute(KEEP, (name, stamp, json.dumps(item), bool(item["pending"])))
