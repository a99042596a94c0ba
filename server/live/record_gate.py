"""The one gate every record goes through: first the recorder, then, in the same order, the pipeline.

Bytes come from the bridge's thread, notes from the event loop. A lock around "number it and queue it for both" makes the
order in the file the order in which things are decoded and shown, which is what makes a replay equal. Between the threads
lies a bounded queue; when the event loop is stuck so long that it fills, the oldest bytes are dropped from the *display*
and counted. The recording has them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping

from server.recording.recorder import Recorder
from server.recording.recorder_state import RecorderFailed
from server.recording.records import Kind, Record, encode_payload

# Our choice: minutes of the fastest stream at some hundred bytes each; only what is displayed is bounded.
WAITING_AT_MOST = 50_000


class RecordGate:
    """Numbers, records and hands on. `wake` is called (from any thread) when something waits."""

    def __init__(self, recorder: Recorder, wake: Callable[[], None]) -> None:
        self._recorder = recorder
        self._wake = wake
        self._lock = threading.Lock()
        self._waiting: deque[Record] = deque()
        self._awake = False
        self.dropped = 0

    def put(self, kind: Kind, mono_ns: int, payload: bytes | Mapping[str, object]) -> None:
        """Record something and queue it for the pipeline. After the recorder was closed it is only queued."""
        data = encode_payload(kind, payload)
        with self._lock:
            try:
                sequence = self._recorder.append_encoded(kind, mono_ns, data)
            except RecorderFailed:
                sequence = -1
            if len(self._waiting) >= WAITING_AT_MOST:
                self._waiting.popleft()
                self.dropped += 1
            self._waiting.append(Record(kind, sequence, mono_ns, data))
            wake, self._awake = not self._awake, True
        if wake:
            self._wake()

    def drain(self) -> list[Record]:
        """Return what waits, in order."""
        with self._lock:
            records = list(self._waiting)
            self._waiting.clear()
            self._awake = False
        return records
