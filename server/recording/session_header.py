"""The header that opens every part of a session: read once with checks, written as a note, plain values in between.

A header may come from anybody and from any version. What would make the records meaningless (who wrote it, the format, the
salt, the clocks' anchors) is checked and refused in words; what only describes the flight is taken where it fits. All
else, a newer version's keys and known keys with a value that does not fit, is kept as it is, so that a copy loses nothing.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import NamedTuple

from server.recording.clock import Clock
from server.recording.pcapng import MAX_BLOCK

FORMAT_MAJOR = 1
FORMAT_MINOR = 0
APPLICATION = "Blockhouse"
SESSION_ID_LENGTH = 32

_NUMBERS: dict[str, tuple[int, int]] = {
    "format_minor": (0, 1 << 31),
    "salt": (0, (1 << 32) - 1),
    "part": (1, 1 << 20),
    "preamble_bytes": (0, MAX_BLOCK),
    "preamble_crc32": (0, (1 << 32) - 1),
    "utc_ns": (0, (1 << 63) - 1),
    "monotonic_ns": (0, (1 << 63) - 1),
    "origin_monotonic_ns": (0, (1 << 63) - 1),
    "boottime_ns": (0, (1 << 63) - 1),
}
_TEXTS = ("software", "git", "dictionary_hash", "source", "dictionary", "rehearsal")
_SHEETS = ("vehicle", "site")


class HeaderFault(ValueError):
    """What makes a header unusable for this version: the rest of a sentence that begins with the file's name."""


class Software(NamedTuple):
    """What records: the installed version, and the state of its checkout ("" when it runs from none)."""

    version: str
    git: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionHeader:
    """What opens one part of a session.

    `session` (32 characters) and `salt` are one for all its parts. The anchors `utc_ns`, `monotonic_ns` and `boottime_ns`
    are one reading of three clocks at the start of this part; session time counts from `origin_monotonic_ns`, the same in
    every part. `software` and `git` are the version that records and its checkout's state, `dictionary` the TOML text
    verbatim, `dictionary_hash` its wire hash (8 hexadecimal digits), `source` where the bytes came from; each is None in a
    session that does not say it. `rehearsal` says which rehearsal it is, None where it is none. `vehicle` and `site` are
    the sheets, empty when there are none. `preamble_bytes` and `preamble_crc32` describe the file's constant opening.
    `other` is all that this version does not read.
    """

    session: str
    salt: int
    part: int = 1
    utc_ns: int
    monotonic_ns: int
    boottime_ns: int
    origin_monotonic_ns: int
    software: str | None = None
    git: str | None = None
    dictionary_hash: str | None = None
    source: str | None = None
    vehicle: Mapping[str, object] = field(default_factory=dict)
    site: Mapping[str, object] = field(default_factory=dict)
    dictionary: str | None = None
    rehearsal: str | None = None
    format_major: int = FORMAT_MAJOR
    format_minor: int = FORMAT_MINOR
    preamble_bytes: int = 0
    preamble_crc32: int = 0
    other: Mapping[str, object] = field(default_factory=dict)

    @property
    def sheets(self) -> tuple[Mapping[str, object], Mapping[str, object]]:
        """The vehicle's and the site's sheet."""
        return self.vehicle, self.site

    def as_note(self) -> dict[str, object]:
        """Return it as the JSON object that the file holds."""
        said = {name: getattr(self, name) for name in _WRITTEN}
        known = {name: value for name, value in said.items() if value is not None}
        return {"application": APPLICATION, **known, **self.other}

    def utc_of(self, mono_ns: int) -> int:
        """Return the UTC time in ns that a record's monotonic time stands for, by this part's own anchors.

        The wall clock is read once per part, so that a stepped wall clock cannot disorder a file.
        """
        return max(0, self.utc_ns + mono_ns - self.monotonic_ns)

    def going_on(self, clock: Clock, part: int) -> SessionHeader:
        """Return the header of another part of the same session, anchored now."""
        now = time_anchors(clock)
        return replace(
            self,
            part=part,
            utc_ns=now["utc_ns"],
            monotonic_ns=now["monotonic_ns"],
            boottime_ns=now["boottime_ns"],
        )


_WRITTEN = tuple(one.name for one in fields(SessionHeader) if one.name != "other")


def make_header(
    clock: Clock,
    *,
    software: Software,
    dictionary: str,
    dictionary_hash: str | None = None,
    vehicle: Mapping[str, object],
    site: Mapping[str, object],
    source: str,
    rehearsal: str | None = None,
    entropy: Callable[[int], bytes] = os.urandom,
) -> SessionHeader:
    """Return the header of a new session. Never hand in a key.

    Session id and salt are drawn from `entropy`, the anchors are read from `clock`.
    """
    now = time_anchors(clock)
    return SessionHeader(
        session=uuid.UUID(bytes=entropy(16), version=4).hex,
        salt=int.from_bytes(entropy(4), "little"),
        utc_ns=now["utc_ns"],
        monotonic_ns=now["monotonic_ns"],
        boottime_ns=now["boottime_ns"],
        origin_monotonic_ns=now["monotonic_ns"],
        software=software.version,
        git=software.git or None,
        dictionary_hash=dictionary_hash,
        source=source,
        vehicle=dict(vehicle),
        site=dict(site),
        dictionary=dictionary,
        rehearsal=rehearsal,
    )


def time_anchors(clock: Clock) -> dict[str, int]:
    """Return one reading of the three clocks under the names a header uses, in ns."""
    return {
        "utc_ns": clock.wall_ns(),
        "monotonic_ns": clock.monotonic_ns(),
        "boottime_ns": clock.boottime_ns(),
    }


def read_header(note: Mapping[str, object]) -> SessionHeader:
    """Return the header that a note holds; raises HeaderFault."""
    major = note.get("format_major")
    if note.get("application") != APPLICATION or not isinstance(major, int):
        raise HeaderFault("is not a Blockhouse session")
    if major > FORMAT_MAJOR:
        raise HeaderFault(f"was made by a newer Blockhouse (format {major}); this one reads format {FORMAT_MAJOR}")
    session = note.get("session")
    if not isinstance(session, str) or len(session) != SESSION_ID_LENGTH:
        raise HeaderFault("has a header without a session id")
    return SessionHeader(
        session=session,
        salt=_number(note, "salt"),
        part=_number(note, "part"),
        utc_ns=_number(note, "utc_ns"),
        monotonic_ns=_number(note, "monotonic_ns"),
        boottime_ns=_number(note, "boottime_ns"),
        origin_monotonic_ns=_number(note, "origin_monotonic_ns"),
        software=_text(note, "software"),
        git=_text(note, "git"),
        dictionary_hash=_text(note, "dictionary_hash"),
        source=_text(note, "source"),
        vehicle=_sheet(note, "vehicle"),
        site=_sheet(note, "site"),
        dictionary=_text(note, "dictionary"),
        rehearsal=_text(note, "rehearsal"),
        format_major=major,
        format_minor=_number(note, "format_minor"),
        preamble_bytes=_number(note, "preamble_bytes"),
        preamble_crc32=_number(note, "preamble_crc32"),
        other={name: value for name, value in note.items() if not _is_read(name, value)},
    )


def _number(note: Mapping[str, object], name: str) -> int:
    low, high = _NUMBERS[name]
    value = note.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise HeaderFault(f"has a header whose {name} makes no sense")
    return value


def _text(note: Mapping[str, object], name: str) -> str | None:
    value = note.get(name)
    return value if isinstance(value, str) else None


def _sheet(note: Mapping[str, object], name: str) -> dict[str, object]:
    value = note.get(name)
    return value if isinstance(value, dict) else {}


def _is_read(name: str, value: object) -> bool:
    """Tell whether a value of a note has a place of its own in the header."""
    if name in _TEXTS:
        return isinstance(value, str)
    if name in _SHEETS:
        return isinstance(value, dict)
    return name == "application" or name in _WRITTEN
