"""The round trip: how long ago the vehicle last answered, and how long that took. Pure; time is an argument.

A downlink that lags from the first byte looks fresh for ever (`telemetry.lag`): only an answer to what was sent now bounds
its lag. So whatever needs two acts wants a round trip measured lately, and short. Any answered command measures it; where
none was, the station pings by itself while somebody gets a command ready.

A vehicle that does not answer cannot be asked. Then the lag that can be seen must do, and the check says what cannot.
"""

from __future__ import annotations

from math import inf

from protocol.commands import Command
from protocol.dictionary import Dictionary
from server.telemetry.conditions import FRESH_S, Check, Readings
from server.uplink.two_acts import CONFIRM_LATEST_S

# Our choice: as long as the second act may take, so that what was measured at the first still counts at the second.
ASKED_WITHIN_S = CONFIRM_LATEST_S
# What telemetry says is believed for this long; a way there and back that is shorter bounds its lag by the same.
TRIP_AT_MOST_S = FRESH_S
ANSWER_ROLES = ("answer.boot_id", "answer.counter", "answer.stage")
PING = "ping"
ASKED_BY = "station"


class RoundTrips:
    """The newest round trip of one station and its vehicle. Times are session seconds."""

    def __init__(self, dictionary: Dictionary, readings: Readings) -> None:
        self._readings = readings
        answers = dictionary.framing is None and all(role in dictionary.roles for role in ANSWER_ROLES)
        self.is_measurable = answers
        ping = dictionary.commands.get(PING)
        harmless = ping is not None and ping.hazard == "routine" and not ping.args and not ping.safes_all
        self.ping: Command | None = ping if answers and harmless else None
        self._sent_s = -inf
        self._answered_s = -inf
        self.why_unsent: str | None = None  # why the newest ping of the station's own did not leave

    def note(self, sent_s: float, answered_s: float) -> None:
        """The vehicle answered what was first sent at `sent_s`; of what was sent before that, nothing new is learned."""
        if sent_s >= self._sent_s:
            self._sent_s, self._answered_s = sent_s, answered_s

    def forget(self) -> None:
        """The link was lost or the vehicle restarted: what was measured holds no longer."""
        self._sent_s = self._answered_s = -inf

    @property
    def trip_s(self) -> float | None:
        """How long the newest round trip took (s), None before there was one."""
        return None if self._sent_s == -inf else self._answered_s - self._sent_s

    def age_s(self, now_s: float) -> float:
        """Return how long ago the vehicle last answered."""
        return now_s - self._answered_s

    def checks(self, now_s: float, with_trip: bool = True) -> list[Check]:
        """Look at the lag and, `with_trip`, at the round trip, as at interlocks of everything that needs two acts."""
        return [self._lag_check(now_s), *([self._trip_check(now_s)] if with_trip else [])]

    def _lag_check(self, now_s: float) -> Check:
        title = f"Downlink at most {FRESH_S:.0f} s late"
        lag = self._readings.reading("ground.link_lag", now_s)
        if lag is None:
            return Check("link_lag", title, False, "not known", known=False)
        return Check("link_lag", title, lag.value <= FRESH_S, f"{lag.value:.1f} s", True, lag.value)

    def _trip_check(self, now_s: float) -> Check:
        title = f"Vehicle answered within {TRIP_AT_MOST_S:.0f} s, asked in the last {ASKED_WITHIN_S:.0f} s"
        if not self.is_measurable:
            return Check("round_trip", title, True, "this vehicle does not answer; a lag from the start cannot be seen")
        trip_s = self.trip_s
        if trip_s is None:
            return Check("round_trip", title, False, self._unasked() or "it has not answered a ping yet", known=False)
        if self.age_s(now_s) > ASKED_WITHIN_S:
            text = self._unasked() or f"last answer {self.age_s(now_s):.0f} s ago"
            return Check("round_trip", title, False, text, known=False)
        return Check("round_trip", title, trip_s <= TRIP_AT_MOST_S, f"{trip_s:.2f} s there and back", True, trip_s)

    def _unasked(self) -> str:
        return f"no ping was sent: {self.why_unsent}" if self.why_unsent else ""
