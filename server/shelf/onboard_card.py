"""What came off a vehicle's card: text with columns, or packets in the vehicle's own format, in one file or several.

A file that is no text with columns is decoded by the session's dictionary, as a radio's bytes are. Several files of one
flight become one log on one clock, theirs; what a file does not say at a time is NaN there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from protocol.bulk import decode_stream
from protocol.dictionary import Dictionary
from protocol.identity import IDENTITY_NAME
from server.problems import reason
from server.shelf.onboard_log import LogColumn, OnboardLog, read_log
from server.shelf.onboard_mapping import UNITS, LogMapping, LogProblem, Mapped

PROBED = 4096


def is_card(path: Path, dictionary: Dictionary) -> bool:
    """Whether a file is to be decoded by the dictionary: it holds bytes no text has, or lines its [framing] describes."""
    try:
        with path.open("rb") as file:
            head = file.read(PROBED)
    except OSError as error:
        raise LogProblem(f"{path.name} cannot be read: {reason(error)}.") from error
    if b"\0" in head or any(byte < 9 for byte in head):
        return True
    return dictionary.framing is not None and len(decode_stream(dictionary, head).packets) > 0


def read_files(
    paths: Sequence[Path],
    dictionary: Dictionary,
    mapping: LogMapping | None = None,
    progress: Callable[[str], None] = lambda text: None,
    events: Path | None = None,
) -> OnboardLog:
    """Read the files of one flight as one log; a mapping is for text. Raises LogProblem."""
    cards = [path for path in paths if is_card(path, dictionary)]
    texts = [path for path in paths if path not in cards]
    logs = [read_log(path, mapping, progress, events if path is texts[0] else None) for path in texts]
    if cards:
        logs.append(_decoded(cards, dictionary))
    return logs[0] if len(logs) == 1 else joined(logs)


def _decoded(paths: Sequence[Path], dictionary: Dictionary) -> OnboardLog:
    """Return the packets of the files, which follow each other, as a log; vehicle time is its clock."""
    names = " and ".join(path.name for path in paths)
    try:
        data = b"".join(path.read_bytes() for path in paths)
    except OSError as error:
        raise LogProblem(f"{names} cannot be read: {reason(error)}.") from error
    found = [one for name, one in decode_stream(dictionary, data).packets.items() if name != IDENTITY_NAME and len(one)]
    if not found:
        raise LogProblem(f"{names} holds no packet of {dictionary.vehicle}, and no line of column names.")
    if any(one.epoch.max() > 0 for one in found):
        raise LogProblem(f"The computer restarted within {names}: give the parts one by one.")
    logs = []
    for one in found:
        t, index = np.unique(one.time_ms / 1000.0, return_index=True)
        columns = [
            LogColumn(f"{channel.packet}.{channel.name}", channel.role or "", channel.unit, values[index])
            for channel in one.packet.channels
            if isinstance(values := one.columns[channel.name], np.ndarray)
        ]
        logs.append(OnboardLog(t, tuple(columns)))
    return joined(logs)


def joined(logs: Sequence[OnboardLog]) -> OnboardLog:
    """Return several logs on one clock as one; raises LogProblem for a role or a name that two of them have."""
    t = np.sort(np.concatenate([log.t for log in logs]), kind="stable")
    t, columns, names, roles = np.unique(t), [], set[str](), set[str]()
    for number, log in enumerate(logs, 1):
        rows = np.searchsorted(t, log.t)
        for column in log.columns:
            if column.role and column.role in roles:
                raise LogProblem(f"Two of the files have a column for {column.role}; say with a mapping which one counts.")
            name = column.name if column.name not in names else f"{column.name} ({number})"
            names.add(name)
            roles.add(column.role)
            values: Floats = np.full(len(t), np.nan)
            values[rows] = column.values
            columns.append(LogColumn(name, column.role, column.unit, values))
    events = sorted(event for log in logs for event in log.events)
    return OnboardLog(t, tuple(columns), tuple(events), tuple(name for log in logs for name in log.unread))


def as_text(log: OnboardLog) -> tuple[str, LogMapping]:
    """Return a log as the text of a CSV file, every digit kept, and the mapping with which it is read again."""
    names = [column.name.replace(",", " ").replace('"', "'") for column in log.columns]
    lines = [",".join(["onboard time", *names])]
    table = np.column_stack([log.t, *[column.values for column in log.columns]])
    lines += [",".join("" if x != x else repr(x) for x in row) for row in table.tolist()]
    lines += [f"{at!r} {' '.join(told.replace(',', ';').split())}" for at, told in log.events]
    mapped = {
        name: Mapped(column.role, column.unit if column.unit in UNITS else "")
        for name, column in zip(names, log.columns, strict=True)
        if column.role or column.unit in UNITS
    }
    return "\n".join([*lines, ""]), LogMapping("onboard time", "s", mapped)
