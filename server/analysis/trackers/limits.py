"""The dictionary's limits, watched channel by channel."""

from __future__ import annotations

from protocol.dictionary import Dictionary
from protocol.fields import Channel
from server.analysis.trackers.output import Instant, TrackerOutput
from server.flight.sensors.limits import LimitWatch
from server.telemetry.batch import Batch, Rows
from server.telemetry.journal import SEVERITIES

# What to do, by the beginning of the role; a channel with another role, or none, gets the last line.
ADVICE = (
    ("battery.voltage", "Switch the cameras off; on the pad change the battery before the range opens."),
    ("battery.current", "Something draws more than it should: switch the cameras off, look for a servo that binds."),
    (
        "servo_bus.current",
        "A fin binds or a servo is stalled: center the fins; if it stays, power off and free the linkage.",
    ),
    ("imu_temperature", "Shade the vehicle and let it cool: warm inertial units wander."),
    ("camera[", "Empty this camera's storage, or do without its film; it does not stop the flight."),
    ("uplink.level", "Turn and raise the ground antenna, clear the view: commands may not arrive, Safe all included."),
    ("downlink.level", "Turn and raise the ground antenna, clear the view: what is shown may stop soon."),
    ("", "Find out why it left the range its dictionary calls normal before the vehicle flies."),
)


def advice_for(role: str | None) -> str:
    """Return what to do about a channel of that role outside its limits."""
    return next(advice for beginning, advice in ADVICE if (role or "").startswith(beginning))


class LimitTracker:
    """Raises and clears one alarm per channel that has limits."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._watches = self._make_watches(dictionary)

    def _make_watches(self, dictionary: Dictionary) -> dict[str, list[tuple[Channel, LimitWatch]]]:
        watches: dict[str, list[tuple[Channel, LimitWatch]]] = {}
        for packet in dictionary.packets.values():
            for channel in packet.channels:
                if channel.limits and channel.kind != "text":
                    watches.setdefault(packet.name, []).append((channel, LimitWatch(channel.limits)))
        return watches

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch."""
        for packet, watches in self._watches.items():
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            for channel, watch in watches:
                for row, level in watch.take(rows.t, rows.numbers(channel.name)):
                    _note(rows, row, channel, level, out)


def _note(rows: Rows, row: int, channel: Channel, level: int, out: TrackerOutput) -> None:
    value = float(rows.numbers(channel.name)[row])
    shown = _shown(channel, value)
    name = channel.description or channel.path
    if level == 0:
        text, severity, state = f"{name} is within limits again ({shown})", "info", "cleared"
    else:
        text, severity, state = f"{name}: {shown}{_passed(channel, value, level)}", SEVERITIES[level], "raised"
    body = {"state": state, "channel": channel.path, "value": value, "advice": advice_for(channel.role)}
    out.note(Instant.of(rows, row), "alarm", f"limit {channel.path}", severity, text, body)


def _shown(channel: Channel, value: float) -> str:
    return f"{value * channel.display_scale + channel.display_offset:.4g} {channel.display_unit}".rstrip()


def _passed(channel: Channel, value: float, level: int) -> str:
    """Return which limit the value is beyond, in words; nothing when the row that proved it is back within that limit."""
    kind = SEVERITIES[level]
    low, high = channel.limits.get(f"{kind}_low"), channel.limits.get(f"{kind}_high")
    if low is not None and value < low:
        return f", below the {kind} limit of {_shown(channel, low)}"
    if high is not None and value > high:
        return f", above the {kind} limit of {_shown(channel, high)}"
    return ""
