"""What the live session knows now: the latest value of each role with its age, the state of link and recording.

No I/O; time is an argument (session seconds).
"""

from __future__ import annotations

from server.analysis.pipeline import Pipeline
from server.bridge.link_watch import LinkWatch
from server.live.store import LiveStore
from server.recording.recorder_state import RecorderState
from server.telemetry.conditions import Reading
from server.timestamps import NS_PER_S


class Heard:
    """The latest of everything, as interlocks and pages ask for it."""

    def __init__(self, watch: LinkWatch, pipeline: Pipeline, store: LiveStore) -> None:
        self._watch = watch
        self._pipeline = pipeline  # its analysis may be made anew
        self._store = store

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest value of a role; ground roles of the link are computed for this moment."""
        lag = self._pipeline.analysis.lag_s
        if role == "ground.link_age":
            age = self._watch.age_s(now_s)
            return None if age is None or lag is None else Reading(age, now_s, lag)
        if role == "ground.link_loss":
            loss = self._pipeline.analysis.loss_at(int(now_s))
            return None if loss is None else Reading(loss, now_s)
        if role == "ground.link_lag":
            return None if lag is None else Reading(lag, now_s)
        last = self._store.latest(role)
        if last is None:
            return None
        then = self._pipeline.analysis.lag_of(last.t, last.rx_s)
        return None if then is None else Reading(last.value, last.rx_s, then)

    def link_view(self, now_s: float) -> dict[str, object]:
        """Return the downlink's state and totals as the page shows them."""
        link = self._pipeline.analysis.link
        return {
            "state": self._watch.now.state,
            "sentence": self._watch.now.sentence,
            "age_s": self._watch.age_s(now_s),
            "packets": link.received,
            "damaged": link.damaged,
            "lost": link.lost,
            "lag_s": self._pipeline.analysis.lag_s,
        }


def recording_view(state: RecorderState, now_ns: int) -> dict[str, object]:
    """Return the recorder's state as the page shows it, as of `now_ns` of the monotonic clock."""
    return {
        "state": state.state,
        "sentence": state.sentence,
        "bytes": state.bytes_written,
        "synced_age_s": (now_ns - state.synced_ns) / NS_PER_S,
        "file": state.path.name,
    }
