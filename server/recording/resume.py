"""Starting to record: go on with a session that a crash cut short, or begin a new one."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from server.recording.clock import Clock
from server.recording.recorder import Recorder
from server.recording.recorder_state import OnState
from server.recording.segment import SUFFIX, base_name, session_name
from server.recording.session_file import Session, SessionError, open_session
from server.recording.session_header import SessionHeader
from server.recording.storage import claim
from server.timestamps import NS_PER_S

RESUME_WITHIN_S = 600.0
"""How old the last record of a session may be to go on with it (common practice, no source)."""

_CLOCKS_AGREE_WITHIN_S = 5.0


class _Unfinished(NamedTuple):
    session: Session
    lock: int


def resume_or_start(
    folder: Path, vehicle: str, header: SessionHeader, *, clock: Clock, on_state: OnState | None = None
) -> Recorder:
    """Return a recorder that goes on with the newest session in `folder`, or starts a new one.

    A session is gone on with if it was not closed, nobody is writing it, its last record is less than ten minutes old,
    the machine has not been restarted since, and dictionary text and source are the same: then a new part with the same
    id and salt continues its sequence numbers. Otherwise `header` (from `session_header.make_header`) opens a new session
    named after the UTC time and `vehicle`. `on_state` is that of `Recorder`. Raises RecorderFailed.
    """
    folder = Path(folder)
    unfinished = _find_unfinished(folder, header, clock)
    if unfinished is None:
        name = session_name(clock.wall_ns(), vehicle)
        return Recorder(folder, name, header, clock=clock, on_state=on_state)
    session, lock = unfinished
    try:
        continued = replace(
            header.going_on(clock, session.headers[-1].part + 1),
            session=session.header.session,
            salt=session.header.salt,
            origin_monotonic_ns=session.header.origin_monotonic_ns,
        )
        return Recorder(
            folder,
            base_name(session.parts[-1]),
            continued,
            clock=clock,
            first_sequence=int(session.records.sequences[-1]) + 1,
            on_state=on_state,
        )
    finally:
        # Held until the new part has its own lock, so that a second station cannot continue the same session.
        os.close(lock)


def _find_unfinished(folder: Path, header: SessionHeader, clock: Clock) -> _Unfinished | None:
    newest = _newest_file(folder)
    if newest is None:
        return None
    try:
        lock = claim(newest)
    except OSError:
        return None
    if lock is None:
        return None
    try:
        session = open_session(newest)
    except SessionError:
        os.close(lock)
        return None
    if not _may_continue(session, newest, header, clock):
        os.close(lock)
        return None
    return _Unfinished(session, lock)


def _newest_file(folder: Path) -> Path | None:
    try:
        dated = [(file.stat().st_mtime_ns, file) for file in folder.glob(f"*{SUFFIX}")]
    except OSError:
        return None
    return max(dated)[1] if dated else None


def _may_continue(session: Session, newest: Path, header: SessionHeader, clock: Clock) -> bool:
    if session.closed or not len(session.records) or session.parts[-1] != newest:
        return False
    if (session.header.dictionary, session.header.source) != (header.dictionary, header.source):
        return False
    last_part = session.headers[-1]
    last_mono_ns = int(session.records.mono_ns.max())
    asleep_before_ns = last_part.boottime_ns - last_part.monotonic_ns
    last_utc_ns = last_part.utc_ns + last_mono_ns - last_part.monotonic_ns
    since_by_wall_s = (clock.wall_ns() - last_utc_ns) / NS_PER_S
    since_by_boot_s = (clock.boottime_ns() - last_mono_ns - asleep_before_ns) / NS_PER_S
    # After a restart of the machine the monotonic clock starts again and times of one session would not compare. The
    # two clocks then disagree about how long ago the last record was; if the wall clock was set meanwhile they do so
    # too, and then its "ten minutes" mean nothing either.
    same_boot = clock.monotonic_ns() >= last_mono_ns and abs(since_by_wall_s - since_by_boot_s) < _CLOCKS_AGREE_WITHIN_S
    return same_boot and 0 <= since_by_wall_s < RESUME_WITHIN_S
