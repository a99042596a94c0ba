"""Is the vehicle heard? The state of the downlink from port events, good packets and the time; no I/O.

The port tells whether bytes could come; only a good packet tells that the vehicle is heard. States:

    waiting   the port is open, nothing good has been heard yet
    up        a good packet within the last `SILENT_AFTER_S`
    silent    the port is open, but the vehicle has not been heard for longer
    missing, busy, denied, closed   there is no port, and why
"""

from __future__ import annotations

from dataclasses import dataclass

# Our choice: the same 2 s that make a value stale (`telemetry.conditions.FRESH_S`), so that the link is called lost when
# nothing heard is believed any more. Any good packet counts, and our vehicle sends dozens a second: this is no single loss.
SILENT_AFTER_S = 2.0


@dataclass(frozen=True, slots=True)
class LinkState:
    """The downlink's state and a sentence for a person."""

    state: str
    sentence: str


class LinkWatch:
    """Feed it port states, good packets and the time (session seconds); each call returns a new state or None."""

    def __init__(self, port: str) -> None:
        self._port = port
        self._lost = False
        self._heard_s: float | None = None
        self._lag_s = 0.0
        self.now = LinkState("closed", f"{port} is not open yet")

    @property
    def up(self) -> bool:
        """Whether the vehicle is heard now."""
        return self.now.state == "up"

    def on_port(self, state: str, sentence: str) -> LinkState | None:
        """Take what the bridge says of the port."""
        self._lost = state != "open"
        if not self._lost:
            return self._become("waiting", f"{sentence}; nothing heard from the vehicle yet")
        return self._become(state, sentence)

    def on_packet(self, now_s: float, lag_s: float = 0.0) -> LinkState | None:
        """Take the arrival of a good packet and how old it was then.

        One still on its way when the port was lost does not revive the link. A vehicle heard late is heard: that what it
        says is old shows in the age.
        """
        if self._lost:
            return None
        self._heard_s, self._lag_s = now_s, lag_s
        return self._become("up", f"vehicle heard on {self._port}")

    def tick(self, now_s: float) -> LinkState | None:
        """Let time pass."""
        if self.up and self._heard_s is not None and now_s - self._heard_s > SILENT_AFTER_S:
            return self._become("silent", f"{self._port} is open but the vehicle is not heard")
        return None

    @property
    def heard(self) -> bool:
        """Whether the vehicle has ever been heard."""
        return self._heard_s is not None

    def age_s(self, now_s: float) -> float | None:
        """Return how old the last good packet is, what it arrived late counted, or None when there was none."""
        return None if self._heard_s is None else now_s - self._heard_s + self._lag_s

    def _become(self, state: str, sentence: str) -> LinkState | None:
        if state == self.now.state and (state == "up" or sentence == self.now.sentence):
            return None
        self.now = LinkState(state, sentence)
        return self.now
