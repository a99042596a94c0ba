"""The recorder: takes records from any thread, and one thread of its own puts them on the disk.

Theory. `append` only puts a record in a bounded queue, so no caller ever waits for the disk. The writer thread takes
what is there, writes it in one go, and flushes at most `sync_interval_s` after the first unflushed byte, or at once if
somebody waits for it (`append_synced`). The first failure of any write or flush ends the file: Linux reports a failed
flush once and then forgets the lost pages, and bytes after a torn record would be unreadable, so that descriptor is
never used again. Whatever is not known to be on the disk stays in memory (60 s, 8 MB), and every 2 s the recorder tries
to open the next part of the session, `NAME~2.pcapng`, and writes those records first. Meanwhile its state is "stopped",
with the reason in a sentence, and every `append_synced` fails: no hazardous command leaves without its record. A fault in
the writer thread itself, foreseen by nobody, is treated as a failure of the disk: the file is given up, the next is tried.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from pathlib import Path

from server.problems import reason
from server.recording.clock import Clock
from server.recording.record_queue import RecordQueue
from server.recording.recorder_state import OnState, RecorderFailed, RecorderState, resumed, sentence
from server.recording.records import Kind, encode_payload, pack_record
from server.recording.segment import PackedRecord, Segment, create_segment, safe_name
from server.recording.session_header import SessionHeader, time_anchors
from server.recording.storage import PosixStorage, Storage
from server.recording.sync_tickets import Tickets
from server.timestamps import NS_PER_S

QUEUE_LIMIT_BYTES = 64 << 20
KEPT_LIMIT_BYTES = 8 << 20
KEPT_S = 60.0
RETRY_INTERVAL_S = 2.0
_BATCH_BYTES = 1 << 20
_CAUTIOUS_BATCH_BYTES = 4 << 10
"""How much is written at a time after a failure, each followed by a flush: on a disk that is nearly full, or below a
low file size limit, a small piece gets through where all that waits at once would fail again and again."""
_LAST_CHANCES = 3
"""How many new parts are tried at once, none of them taking a record, when closing while the disk fails."""

_log = logging.getLogger(__name__)


class Recorder:
    """Writes one session. Raises RecorderFailed if not even the first file can be made."""

    def __init__(
        self,
        folder: Path,
        name: str,
        header: SessionHeader,
        *,
        clock: Clock,
        storage: Storage | None = None,
        sync_interval_s: float = 0.1,
        retry_interval_s: float = RETRY_INTERVAL_S,
        on_state: OnState | None = None,
        first_sequence: int = 0,
        queue_limit_bytes: int = QUEUE_LIMIT_BYTES,
    ) -> None:
        """Create the first file, in this thread, and start the writer thread.

        `header` comes from `session_header.make_header`; `first_sequence` and `header.part` are other than 0 and 1 only
        when a session is continued. `on_state` is called first from this thread, then from the writer thread.
        """
        self._folder = Path(folder)
        self._name = safe_name(name)
        self._clock = clock
        self._storage: Storage = PosixStorage() if storage is None else storage
        self._sync_ns = round(sync_interval_s * NS_PER_S)
        self._retry_ns = round(retry_interval_s * NS_PER_S)
        self._on_state = on_state
        self._queue_limit = queue_limit_bytes

        # Guarded by the condition's lock: everything that callers and the writer thread share.
        self._condition = threading.Condition()
        self._queue = RecordQueue()
        self._tickets = Tickets()
        self._next_sequence = first_sequence
        self._closing = False
        self._state = "recording"
        self._failure = ""
        self._is_dead = False  # the writer thread has ended by a fault
        self._dropped = 0
        self._synced_ns = clock.monotonic_ns()
        self._in_flight = 0

        # Only the writer thread touches these after construction.
        self._unsynced: list[PackedRecord] = []
        self._batch_bytes = _BATCH_BYTES
        self._last_chances = _LAST_CHANCES
        self._dirty_since_ns: int | None = None
        self._stopped_ns = 0
        self._retry_at_ns = 0
        self._bytes_of_past_parts = 0

        self._segment: Segment | None = None
        self._header = header
        self._salt = header.salt
        try:
            self._open_segment(header)
        except OSError as error:
            raise RecorderFailed(
                f"Cannot record in {self._folder}: {reason(error)}. Choose another place for the sessions."
            ) from error
        self._tell()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    @property
    def header(self) -> SessionHeader:
        """The header of the part being written."""
        return self._header

    @property
    def state(self) -> RecorderState:
        """The state at this moment."""
        with self._condition:
            written = 0 if self._segment is None else self._segment.bytes_written
            return RecorderState(
                state=self._state,
                sentence=self._sentence(),
                path=self._path,
                bytes_written=self._bytes_of_past_parts + written,
                synced_ns=self._synced_ns,
                backlog=len(self._queue) + self._in_flight,
                dropped=self._dropped + self._queue.dropped.received + self._queue.dropped.notes,
            )

    def append(self, kind: Kind, mono_ns: int, payload: bytes | Mapping[str, object]) -> int:
        """Queue a record and return its sequence number; never waits for the disk.

        `mono_ns` is the moment it describes, monotonic. Raises TypeError or ValueError for a payload that does not fit
        the kind, RecorderFailed after `close`.
        """
        return self.append_encoded(kind, mono_ns, encode_payload(kind, payload))

    def append_encoded(self, kind: Kind, mono_ns: int, data: bytes) -> int:
        """Queue a record whose payload `encode_payload` has made already; as `append` otherwise."""
        with self._condition:
            return self._enqueue(kind, mono_ns, data)

    def append_synced(self, kind: Kind, mono_ns: int, payload: bytes | Mapping[str, object], timeout_s: float = 2.0) -> int:
        """Record and return only when it is on the disk.

        Raises RecorderFailed if the recorder is stopped or closed, if the disk fails, or if it does not confirm within
        `timeout_s`. Unless it was closed the record is kept like any other and may still reach the file later.
        """
        data = encode_payload(kind, payload)
        with self._condition:
            sequence = self._enqueue(kind, mono_ns, data)
            if self._state != "recording":
                raise RecorderFailed(self._sentence())
            ticket = self._tickets.open(sequence)
        if not ticket.wait(timeout_s):
            with self._condition:
                self._tickets.withdraw(sequence)
            # It may have been settled between the time-out and the lock; what counts is the disk's word.
            if not ticket.settled:
                raise RecorderFailed(f"The disk did not confirm a record within {timeout_s:g} s.")
        if ticket.failure is not None:
            raise RecorderFailed(ticket.failure)
        return sequence

    def close(self, timeout_s: float = 5.0) -> Path:
        """Write a CLOSE note, flush, end the writer thread and return the path of the last file.

        Waits at most `timeout_s` for a disk that hangs. Whether everything reached the disk is told by `state`. Closing
        twice does nothing more.
        """
        with self._condition:
            if not self._closing:
                note = encode_payload(Kind.CLOSE, {"sentence": "The session was closed.", **time_anchors(self._clock)})
                self._enqueue(Kind.CLOSE, self._clock.monotonic_ns(), note)
                self._closing = True
                self._condition.notify_all()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            with self._condition:
                self._state, self._failure = "closed", "the disk did not answer in time"
            self._tell()
        return self._path

    # ---- under the lock -------------------------------------------------------------------------------------------

    def _enqueue(self, kind: int, mono_ns: int, payload: bytes) -> int:
        if self._closing:
            raise RecorderFailed("The recording is closed.")
        sequence = self._next_sequence
        data = pack_record(kind, self._salt, sequence, mono_ns, payload)
        self._next_sequence += 1
        limit = KEPT_LIMIT_BYTES if self._state == "stopped" else self._queue_limit
        self._queue.push(PackedRecord(kind, sequence, mono_ns, data), min(limit, self._queue_limit))
        self._condition.notify_all()
        return sequence

    def _sentence(self) -> str:
        lost = len(self._queue) + self._in_flight
        return sentence(self._state, self._path, self._failure, lost, self._is_dead, self._retry_ns / NS_PER_S)

    def _make_entry(self, kind: Kind, note: Mapping[str, object]) -> PackedRecord:
        """Make one of the recorder's own notes, outside the queue, stamped now."""
        sequence, mono_ns = self._next_sequence, self._clock.monotonic_ns()
        self._next_sequence += 1
        data = pack_record(kind, self._salt, sequence, mono_ns, encode_payload(kind, note))
        return PackedRecord(kind, sequence, mono_ns, data)

    def _take(self) -> list[PackedRecord]:
        """Take a batch; if something was dropped before it, a GAP note goes first."""
        batch: list[PackedRecord] = []
        if self._queue.dropped:
            dropped = self._queue.forget_dropped()
            self._dropped += dropped.received + dropped.notes
            batch.append(self._make_entry(Kind.GAP, dropped.note()))
        batch += self._queue.take(self._batch_bytes)
        self._in_flight += len(batch)
        return batch

    # ---- the writer thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._recorded_until_closed():
                self._pause()
        except Exception as error:  # never silently: a dead thread must not look like a recording
            _log.exception("the recorder's thread has ended")
            with self._condition:
                self._state, self._failure, self._is_dead = "stopped", reason(error), True
                self._tickets.fail_all(self._sentence())
            self._tell()

    def _recorded_until_closed(self) -> bool:
        """Record until closed and return True; at a fault give the file up as if the disk had failed, and return False."""
        try:
            self._record_until_closed()
        except Exception as error:
            if not self._last_chances:
                raise
            _log.exception("the recorder's thread met a fault; a new file is tried")
            self._stop(error)
            return False
        return True

    def _pause(self) -> None:
        """After a fault of its own the thread must neither spin nor keep `close` waiting for ever."""
        with self._condition:
            if self._condition.wait_for(lambda: self._closing, self._retry_ns / NS_PER_S):
                self._last_chances -= 1

    def _record_until_closed(self) -> None:
        ending = False
        while self._last_chances and not (ending and self._all_written()):
            with self._condition:
                self._condition.wait_for(self._has_work, self._patience_s())
                ending = self._closing
            if self._segment is None:
                self._retry(self._clock.monotonic_ns(), at_once=ending)
            if self._segment is not None:
                self._write_and_sync(ending)
            if ending and self._segment is None:
                self._last_chances -= 1
        self._finish()

    def _all_written(self) -> bool:
        with self._condition:
            return len(self._queue) == 0 and not self._unsynced

    def _has_work(self) -> bool:
        return self._closing or (self._segment is not None and len(self._queue) > 0)

    def _patience_s(self) -> float | None:
        """How long to wait if nothing is appended, in seconds; None is for ever."""
        if self._segment is None:
            due_ns = self._retry_at_ns
        elif self._dirty_since_ns is not None:
            due_ns = self._dirty_since_ns + self._sync_ns
        else:
            return None
        # Never zero, so that a clock that stands still in a test does not spin.
        return max(0.001, (due_ns - self._clock.monotonic_ns()) / NS_PER_S)

    def _write_and_sync(self, at_once: bool) -> None:
        assert self._segment is not None
        with self._condition:
            batch = self._take()
            urgent = at_once or bool(self._tickets) or self._batch_bytes < _BATCH_BYTES
        try:
            if batch:
                self._unsynced += batch
                self._segment.write(batch)
                if self._dirty_since_ns is None:
                    self._dirty_since_ns = self._clock.monotonic_ns()
            due = self._dirty_since_ns is not None and (
                urgent or self._clock.monotonic_ns() - self._dirty_since_ns >= self._sync_ns
            )
            if due:
                self._segment.sync()
                self._settle()
        except Exception as error:  # whatever it was, this file is not to be trusted any more
            self._stop(error)

    def _settle(self) -> None:
        """All that was written is on the disk."""
        with self._condition:
            if self._tickets:
                self._tickets.confirm([entry.sequence for entry in self._unsynced])
            self._in_flight -= len(self._unsynced)
            self._synced_ns = self._clock.monotonic_ns()
        if self._unsynced:
            self._last_chances = _LAST_CHANCES
            self._batch_bytes = min(4 * self._batch_bytes, _BATCH_BYTES)
        self._unsynced = []
        self._dirty_since_ns = None

    def _stop(self, error: Exception) -> None:
        """Give the file up, keep what it may not have, and tell everybody who waits."""
        segment, now_ns = self._segment, self._clock.monotonic_ns()
        with self._condition:
            self._segment = None
            self._bytes_of_past_parts += segment.bytes_written if segment is not None else 0
            self._queue.put_back(self._unsynced)
            self._queue.shrink(KEPT_LIMIT_BYTES)
            self._in_flight -= len(self._unsynced)
            self._state, self._failure = "stopped", reason(error)
            self._tickets.fail_all(self._sentence())
        self._unsynced = []
        self._batch_bytes = _CAUTIOUS_BATCH_BYTES
        self._dirty_since_ns = None
        self._stopped_ns, self._retry_at_ns = now_ns, now_ns + self._retry_ns
        if segment is not None:
            segment.close()
        self._tell()

    def _retry(self, now_ns: int, at_once: bool) -> None:
        """Try to open the next part, if its time has come."""
        if now_ns < self._retry_at_ns and not at_once:
            return
        self._retry_at_ns = now_ns + self._retry_ns
        with self._condition:
            self._queue.drop_older(now_ns - round(KEPT_S * NS_PER_S))
        try:
            self._open_segment(self._header.going_on(self._clock, self._header.part + 1))
        except Exception as error:
            with self._condition:
                self._failure = reason(error)
            return
        with self._condition:
            self._state, self._failure = "recording", ""
            note = self._make_entry(Kind.NOTE, resumed(self._path, self._stopped_ns, now_ns))
            self._queue.push(note, self._queue_limit)
        self._tell()

    def _open_segment(self, header: SessionHeader) -> None:
        with self._condition:
            sequence = self._next_sequence
            self._next_sequence += 1
        segment, header = create_segment(self._storage, self._folder, self._name, header, sequence=sequence)
        with self._condition:
            self._segment, self._header, self._path = segment, header, segment.path
            self._synced_ns = self._clock.monotonic_ns()

    def _finish(self) -> None:
        """End the thread: close the file and say how it ended."""
        with self._condition:
            segment = self._segment
            self._state = "closed"
            self._tickets.fail_all("The recording was closed.")
        if segment is not None:
            segment.close()
        self._tell()

    def _tell(self) -> None:
        if self._on_state is None:
            return
        try:
            self._on_state(self.state)
        except Exception:  # a fault in the page must not end the recording
            _log.exception("the recorder's state callback failed")
