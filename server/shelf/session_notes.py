"""What a person adds to a recording, kept in a small file beside it: label, notes, and what aligns videos and logs.

A recording is never written again once it is closed, so this has a file of its own, `NAME.notes.json`: one JSON object
with "blockhouse_notes" (the format's number) and the fields of `FIELDS`. What a later version added is kept when it is
written. Writing is all or nothing: a new file, flushed, takes the old one's place.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

from server.json_text import finite
from server.problems import Problem, reason

SUFFIX = ".notes.json"
FORMAT = 1
MARK = "blockhouse_notes"
LABEL_AT_MOST = 80
NOTES_AT_MOST = 20_000
FILE_AT_MOST = 1 << 20
VIDEOS_AT_MOST = 8
OFFSET_AT_MOST_S = 1e7
# The fields a person sets, and what stands for each when it is not set.
FIELDS: Mapping[str, object] = {"label": "", "notes": "", "videos": []}


class NotesProblem(Problem):
    """What was to be noted cannot be; the text is one plain sentence."""


def sidecar_path(folder: Path, session: str) -> Path:
    """Return the file that holds what was added to a session."""
    return folder / f"{session}{SUFFIX}"


def read_sidecar(path: Path) -> dict[str, object]:
    """Return everything in a sidecar file, with `FIELDS` filled in; raises NotesProblem when it cannot be understood."""
    try:
        with path.open("rb") as file:
            data = file.read(FILE_AT_MOST + 1)
    except FileNotFoundError:
        return dict(FIELDS)
    except OSError as error:
        raise NotesProblem(f"{path.name} cannot be read: {reason(error)}.") from error
    try:
        if len(data) > FILE_AT_MOST:
            raise ValueError("too long")
        held = json.loads(data)
        version = held[MARK]
        if not isinstance(version, int) or isinstance(version, bool):
            raise TypeError(MARK)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise NotesProblem(f"{path.name} is damaged; mend it or move it away, the recording itself is whole.") from error
    if version > FORMAT:
        raise NotesProblem(f"{path.name} was written by a newer Blockhouse (format {version}).")
    held.pop(MARK)
    try:
        return {**FIELDS, **held, **checked({name: held[name] for name in FIELDS if name in held})}
    except NotesProblem as error:
        raise NotesProblem(f"{path.name} is damaged: {error}") from error


def write_sidecar(path: Path, changes: Mapping[str, object]) -> dict[str, object]:
    """Change some fields of a sidecar file and return all of them; None takes a field away. Raises NotesProblem.

    Fields of `FIELDS` are checked. A file that is not understood is left as it is.
    """
    held = {**read_sidecar(path), **changes, **checked({k: v for k, v in changes.items() if k in FIELDS})}
    held = {name: value for name, value in held.items() if value is not None}
    data = json.dumps(finite({MARK: FORMAT, **held}), indent=1, ensure_ascii=True, allow_nan=False).encode()
    if len(data) > FILE_AT_MOST:
        raise NotesProblem("There is more to note than fits beside a recording.")
    try:
        replace_file(path, data)
    except OSError as error:
        raise NotesProblem(f"{path.name} cannot be written: {reason(error)}.") from error
    return {**FIELDS, **held}


def replace_file(path: Path, data: bytes) -> None:
    """Put `data` in a file's place, all of it or nothing, flushed to the disk. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        with aside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(aside, path)
    except OSError:
        aside.unlink(missing_ok=True)
        raise


def checked(fields: Mapping[str, object]) -> dict[str, object]:
    """Return the fields a person may set, tidied; raises NotesProblem with what is wrong with one."""
    tidy: dict[str, object] = {}
    for name, value in fields.items():
        if name not in _CHECKS:
            raise NotesProblem(f"There is no field {str(name)[:40]!r} to note.")
        tidy[name] = _CHECKS[name](value)
    return tidy


def _label(value: object) -> str:
    if not isinstance(value, str) or not _is_text(value):
        raise NotesProblem("A label is a text.")
    text = " ".join(value.split())
    if len(text) > LABEL_AT_MOST or not text.isprintable():
        raise NotesProblem(f"A label is one line of at most {LABEL_AT_MOST} characters.")
    return text


def _notes(value: object) -> str:
    if not isinstance(value, str) or not _is_text(value):
        raise NotesProblem("Notes are a text.")
    if len(value) > NOTES_AT_MOST:
        raise NotesProblem(f"Notes hold at most {NOTES_AT_MOST} characters.")
    return value


def _videos(value: object) -> list[dict[str, object]]:
    """Check where lift-off is in each video, in seconds of the video; the video itself stays where it is."""
    if not isinstance(value, list) or len(value) > VIDEOS_AT_MOST:
        raise NotesProblem(f"Videos are a list of at most {VIDEOS_AT_MOST}.")
    tidy: list[dict[str, object]] = []
    for item in value:
        name, offset = (item.get("name"), item.get("lift_off_s")) if isinstance(item, Mapping) else (None, None)
        named = isinstance(name, str) and _is_text(name) and 0 < len(name) <= 255
        seconds = _seconds(offset)
        if not named or seconds is None:
            raise NotesProblem("A video is a name and the second of it at which lift-off is seen (lift_off_s).")
        tidy.append({"name": name, "lift_off_s": seconds})
    return tidy


def _seconds(value: object) -> float | None:
    """Return a number of seconds of bearable size, None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= OFFSET_AT_MOST_S:
        return None
    return float(value)


def _is_text(value: str) -> bool:
    """Tell whether a text has a form on the disk: half a surrogate pair has none."""
    return not any("\ud800" <= character <= "\udfff" for character in value)


_CHECKS = {"label": _label, "notes": _notes, "videos": _videos}
assert set(_CHECKS) == set(FIELDS)
