"""The station's own understanding of a stretch of packets: computed tables and journal entries.

One code path for live and recorded data: `Analysis.take` is given batches of any size and keeps all state between them,
so that a recording handed over whole gives the same rows and entries as the same packets one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from protocol.dictionary import Dictionary
from protocol.fields import Channel
from protocol.link import (
    BootIdLearned,
    BytesSkipped,
    FrameDamaged,
    PacketRepeated,
    PacketUnknown,
    SequenceGap,
    VehicleRestarted,
)
from server.batch import Batch, Rows
from server.flight.altitude import PadReference
from server.flight.attitude import azimuth_rad, roll_rad, tilt_rad
from server.flight.health import nonfinite_names, nonfinite_rows
from server.flight.limits import LimitWatch
from server.flight.link_quality import LinkQuality, LinkSecond
from server.flight.phase import G0, Phase, PhaseChange, PhaseDetector
from server.flight.vertical import VerticalFilter
from server.journal import SEVERITIES, Entry

QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
STATE_VECTOR = (
    *(f"position.{axis}" for axis in ("east", "north", "up")),
    *(f"velocity.{axis}" for axis in ("east", "north", "up")),
    *QUATERNION,
    *(f"body_rate.{axis}" for axis in "xyz"),
)
NONFINITE_ALARM = {
    "state": "raised",
    "acknowledged": False,
    "advice": "The state vector held something that is not a number. On the pad: do not fly until it is explained.",
}
EDGES = {
    "control.enabled": ("control_enabled", "control enabled", "control disabled"),
    "deployment": ("deployment", "deployment commanded", None),
    "separation": ("separation", "separation switch open", "separation switch closed"),
}
MOMENT_TEXT = {
    "lift_off": "lift-off",
    "burnout": "burnout at {:.0f} m",
    "apogee": "apogee {:.1f} m",
    "landing": "landed",
}


@dataclass(frozen=True)
class ComputedColumn:
    """One column the station computes: name, SI unit, display unit, role, description."""

    name: str
    unit: str
    display_unit: str
    role: str
    description: str


COMPUTED_TABLES: dict[str, tuple[str, tuple[ComputedColumn, ...]]] = {
    "ground_vertical": (
        "Height and climb, computed on the ground",
        (
            ComputedColumn(
                "height", "m", "m", "ground.height", "Height above the pad, filtered from pressure and acceleration"
            ),
            ComputedColumn("climb_rate", "m/s", "m/s", "ground.climb_rate", "Climb rate by the same filter"),
            ComputedColumn("height_raw", "m", "m", "ground.height_raw", "Height above the pad from pressure alone"),
        ),
    ),
    "ground_motion": (
        "Attitude and speed, computed on the ground",
        (
            ComputedColumn("tilt", "rad", "deg", "ground.tilt", "Angle between nose and vertical"),
            ComputedColumn("azimuth", "rad", "deg", "ground.azimuth", "Direction the nose leans to, from north by east"),
            ComputedColumn("roll", "rad", "deg", "ground.roll", "Twist about the nose"),
            ComputedColumn("speed", "m/s", "m/s", "ground.speed", "Speed by the vehicle's state vector"),
        ),
    ),
    "ground_link": (
        "The downlink, counted on the ground",
        (
            ComputedColumn("loss", "1", "%", "ground.link_loss", "Share of packets lost over the last ten seconds"),
            ComputedColumn("rate", "B/s", "B/s", "ground.link_rate", "Bytes heard per second"),
            ComputedColumn("received", "", "", "ground.link_received", "Good packets so far"),
            ComputedColumn("lost", "", "", "ground.link_lost", "Packets lost so far, by sequence gaps"),
            ComputedColumn("damaged", "", "", "ground.link_damaged", "Damaged frames so far"),
            ComputedColumn("repeated", "", "", "ground.link_repeated", "Packets that came twice so far"),
        ),
    ),
}


@dataclass
class Findings:
    """What one batch led to: computed rows by table, and journal entries with the order they belong to."""

    rows: dict[str, Rows] = field(default_factory=dict)
    entries: list[tuple[int, Entry]] = field(default_factory=list)


class Analysis:
    """Everything computed of one session, from its beginning. Feed batches in order."""

    def __init__(self, dictionary: Dictionary, pad_temperature_k: float | None = None) -> None:
        self._dictionary = dictionary
        self._roles = dictionary.roles
        self._pad = PadReference(pad_temperature_k)
        self._vertical = VerticalFilter()
        self.phases = PhaseDetector()
        self.link = LinkQuality()
        self._attitude: tuple[float, float, float, float] | None = None
        self._edge_state: dict[str, float] = {}
        self._vehicle_phase: float | None = None
        self._phase_told = False
        self._watches = self._make_watches()
        self._event_count = 0

    def take(self, batch: Batch) -> Findings:
        """Compute everything new that `batch` allows."""
        out = Findings()
        self._count_link(batch, out)
        self._note_link_events(batch, out)
        self._follow_motion(batch, out)
        self._follow_height(batch, out)
        self._look_at_health(batch, out)
        self._follow_vehicle_phase(batch, out)
        self._follow_edges(batch, out)
        self._take_texts(batch, out)
        self._watch_limits(batch, out)
        out.entries.sort(key=lambda item: item[0])
        return out

    # ------------------------------------------------------------ helpers

    def _table_of(self, batch: Batch, role: str) -> tuple[Rows, Channel] | None:
        channel = self._roles.get(role)
        rows = batch.rows.get(channel.packet) if channel else None
        return (rows, channel) if rows is not None else None

    def _columns(self, rows: Rows, roles: tuple[str, ...], packet: str) -> dict[str, np.ndarray]:
        """Return the columns of those roles that live in this packet, by role."""
        found = {}
        for role in roles:
            channel = self._roles.get(role)
            if channel is not None and channel.packet == packet:
                found[role] = rows.columns[channel.name]
        return found

    # ------------------------------------------------------------ link

    def _count_link(self, batch: Batch, out: Findings) -> None:
        """Walk through the frames once; everything that is not a plain good packet is looked up by its order."""
        count = len(batch.frame_rx_s)
        if not count:
            return
        received = np.zeros(count, dtype=np.int64)
        for rows in batch.rows.values():
            received[rows.order - batch.first_order] = 1
        special: dict[int, list] = {}
        for order, _, _, event in batch.events:
            special.setdefault(order - batch.first_order, []).append(event)
        ended: list[tuple[int, float, LinkSecond]] = []
        for start, stop in _runs_of_seconds(batch.frame_rx_s):
            rx_s = float(batch.frame_rx_s[start])
            lost, damaged, repeated = _tally(special, start, stop)
            size = float(batch.frame_bytes[start:stop].sum())
            second = self.link.take(rx_s, int(received[start:stop].sum()), lost, damaged, repeated, size)
            if second is not None:
                ended.append((batch.first_order + start, rx_s, second))
        if ended:
            out.rows["ground_link"] = self._link_rows(batch, ended)

    def _link_rows(self, batch: Batch, ended: list[tuple[int, float, LinkSecond]]) -> Rows:
        seconds = [second for _, _, second in ended]
        return Rows(
            np.array([order for order, _, _ in ended], dtype=np.int64),
            np.array([batch.frame_t[order - batch.first_order] for order, _, _ in ended]),
            np.array([rx_s for _, rx_s, _ in ended]),
            np.zeros(len(ended), dtype=bool),
            {
                "loss": np.array([s.loss for s in seconds]),
                "rate": np.array([s.bytes_per_s for s in seconds]),
                "received": np.array([float(s.received) for s in seconds]),
                "lost": np.array([float(s.lost) for s in seconds]),
                "damaged": np.array([float(s.damaged) for s in seconds]),
                "repeated": np.array([float(s.repeated) for s in seconds]),
            },
        )

    def _note_link_events(self, batch: Batch, out: Findings) -> None:
        for order, rx_s, t, event in batch.events:
            if isinstance(event, VehicleRestarted):
                named = f", start number {event.boot_id}" if event.boot_id is not None else ""
                body = {"boot_id": event.boot_id, "epoch": event.epoch}
                out.entries.append(
                    (order, Entry(rx_s, t, "restart", "vehicle", "warning", f"the vehicle restarted{named}", body))
                )
            elif isinstance(event, BootIdLearned):
                body = {"boot_id": event.boot_id}
                out.entries.append((order, Entry(rx_s, t, "restart", "boot_id", "info", "", body)))
            elif isinstance(event, PacketUnknown):
                text = f"packet with APID {event.apid} is not in the dictionary"
                out.entries.append((order, Entry(rx_s, t, "damage", f"apid {event.apid}", "caution", text, {})))

    # ------------------------------------------------------------ attitude, height, phases

    def _follow_motion(self, batch: Batch, out: Findings) -> None:
        found = self._table_of(batch, QUATERNION[0])
        if found is None or not all(role in self._roles for role in QUATERNION):
            return
        rows, channel = found
        parts = self._columns(rows, QUATERNION, channel.packet)
        if len(parts) != 4:
            return
        w, x, y, z = parts.values()
        speed = np.full(len(rows), np.nan)
        velocity = self._columns(rows, STATE_VECTOR[3:6], channel.packet)
        if len(velocity) == 3:
            east, north, up = velocity.values()
            with np.errstate(over="ignore", invalid="ignore"):
                speed = np.sqrt(east * east + north * north + up * up)
        columns = {
            "tilt": tilt_rad(w, x, y, z),
            "azimuth": azimuth_rad(w, x, y, z),
            "roll": roll_rad(w, x, y, z),
            "speed": speed,
        }
        out.rows["ground_motion"] = Rows(rows.order, rows.t, rows.rx_s, rows.late, columns)

    def _follow_height(self, batch: Batch, out: Findings) -> None:
        """Run the vertical filter and the phase detector over forces, attitudes and pressures in order of arrival."""
        steps = [*self._attitude_steps(batch), *self._force_steps(batch), *self._pressure_steps(batch)]
        if not steps:
            return
        steps.sort(key=lambda step: step[0])
        if not self._phase_told:
            self._phase_told = True
            order, rx_s, t = steps[0][:3]
            self._note_phase(PhaseChange(self.phases.phase, t, ()), order, rx_s, out)
        made: list[tuple[int, float, float, float, float, float]] = []
        for order, rx_s, t, take, values in steps:
            change = take(t, values, made, order, rx_s)
            if change is not None:
                self._note_phase(change, order, rx_s, out)
        if made:
            table = np.array(made)
            columns = {"height": table[:, 3], "climb_rate": table[:, 4], "height_raw": table[:, 5]}
            late = np.zeros(len(made), dtype=bool)
            out.rows["ground_vertical"] = Rows(table[:, 0].astype(np.int64), table[:, 2], table[:, 1], late, columns)

    def _steps(self, batch: Batch, roles: tuple[str, ...], take: Callable) -> list[tuple]:
        found = self._table_of(batch, roles[0])
        if found is None:
            return []
        rows, channel = found
        columns = self._columns(rows, roles, channel.packet)
        if len(columns) != len(roles):
            return []
        values = zip(*[column.tolist() for column in columns.values()], strict=True)
        return [
            (order, rx_s, t, take, value)
            for order, rx_s, t, value in zip(rows.order.tolist(), rows.rx_s.tolist(), rows.t.tolist(), values, strict=True)
        ]

    def _attitude_steps(self, batch: Batch) -> list[tuple]:
        return self._steps(batch, QUATERNION, self._take_attitude)

    def _force_steps(self, batch: Batch) -> list[tuple]:
        return self._steps(batch, ("accel.a.x", "accel.a.y", "accel.a.z"), self._take_force)

    def _pressure_steps(self, batch: Batch) -> list[tuple]:
        roles = ("pressure", "baro_temperature")
        same = all(r in self._roles for r in roles) and self._roles[roles[0]].packet == self._roles[roles[1]].packet
        return self._steps(batch, roles if same else roles[:1], self._take_pressure)

    def _take_attitude(self, t: float, q: tuple, made: list, order: int, rx_s: float) -> None:
        if 0.5 < sum(part * part for part in q) < 2.0:  # false for NaN
            self._attitude = q

    def _take_force(self, t: float, force: tuple, made: list, order: int, rx_s: float) -> PhaseChange | None:
        fx, fy, fz = force
        if self._attitude is None:
            up = fz
        else:
            w, x, y, z = self._attitude
            up = 2 * (x * z - w * y) * fx + 2 * (y * z + w * x) * fy + (1 - 2 * (x * x + y * y)) * fz
        self._vertical.acceleration(t, up - G0)
        return self.phases.force(t, fz)

    def _take_pressure(self, t: float, values: tuple, made: list, order: int, rx_s: float) -> PhaseChange | None:
        pressure_pa, temperature_k = values[0], values[1] if len(values) > 1 else None
        if self.phases.phase is Phase.PAD:
            self._pad.learn(pressure_pa, temperature_k)
        raw_m = self._pad.height_m(pressure_pa)
        self._vertical.height(t, raw_m)
        made.append((order, rx_s, t, self._vertical.height_m, self._vertical.climb_m_s, raw_m))
        return self.phases.motion(t, self._vertical.height_m, self._vertical.climb_m_s, raw_m)

    def _note_phase(self, change: PhaseChange, order: int, rx_s: float, out: Findings) -> None:
        for moment in change.moments:
            text = MOMENT_TEXT[moment.key].format(moment.height_m)
            body = {"t": moment.t_s, "height_m": moment.height_m}
            out.entries.append((order, Entry(rx_s, change.t_s, "moment", moment.key, "info", text, body)))
        body = {"phase": change.phase.value}
        out.entries.append((order, Entry(rx_s, change.t_s, "phase", "ground", "info", "", body)))

    # ------------------------------------------------------------ health, flags, texts, limits

    def _look_at_health(self, batch: Batch, out: Findings) -> None:
        packets = dict.fromkeys(self._roles[role].packet for role in STATE_VECTOR if role in self._roles)
        for packet in packets:
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            columns = self._columns(rows, STATE_VECTOR, packet)
            for row in nonfinite_rows(columns).tolist():
                names = [self._roles[role].name for role in nonfinite_names(columns, row)]
                text = f"state vector not finite: {', '.join(names)}"
                body = {"packet": packet, "components": names}
                rx_s, t, order = float(rows.rx_s[row]), float(rows.t[row]), int(rows.order[row])
                out.entries.append((order, Entry(rx_s, t, "health", "nonfinite", "warning", text, body)))
                out.entries.append((order, Entry(rx_s, t, "alarm", "nonfinite", "warning", text, NONFINITE_ALARM)))

    def _follow_vehicle_phase(self, batch: Batch, out: Findings) -> None:
        found = self._table_of(batch, "vehicle_phase")
        if found is None:
            return
        rows, channel = found
        for row, value in _changes(rows.columns[channel.name], self._vehicle_phase):
            self._vehicle_phase = value
            phase = channel.text_of(value) or f"{value:g}"
            entry = Entry(
                float(rows.rx_s[row]),
                float(rows.t[row]),
                "phase",
                "vehicle",
                "info",
                f"vehicle says: {phase}",
                {"phase": phase},
            )
            out.entries.append((int(rows.order[row]), entry))

    def _follow_edges(self, batch: Batch, out: Findings) -> None:
        for role, (key, on_text, off_text) in EDGES.items():
            found = self._table_of(batch, role)
            if found is None:
                continue
            rows, channel = found
            for row, value in _changes(rows.columns[channel.name], self._edge_state.get(role, 0.0)):
                self._edge_state[role] = value
                text = on_text if value else off_text
                t = float(rows.t[row])
                if text is not None:
                    body = {"t": t, "on": bool(value)}
                    out.entries.append(
                        (int(rows.order[row]), Entry(float(rows.rx_s[row]), t, "moment", key, "info", text, body))
                    )

    def _take_texts(self, batch: Batch, out: Findings) -> None:
        found = self._table_of(batch, "event.text")
        if found is None:
            return
        rows, channel = found
        severity = self._roles.get("event.severity")
        levels = rows.columns[severity.name] if severity and severity.packet == channel.packet else np.zeros(len(rows))
        for row, text in enumerate(rows.columns[channel.name]):
            level = SEVERITIES[min(int(levels[row]), 2)] if levels[row] >= 0 else "info"
            self._event_count += 1
            entry = Entry(float(rows.rx_s[row]), float(rows.t[row]), "event", f"e{self._event_count}", level, text, {})
            out.entries.append((int(rows.order[row]), entry))

    def _make_watches(self) -> dict[str, list[tuple[Channel, LimitWatch]]]:
        watches: dict[str, list[tuple[Channel, LimitWatch]]] = {}
        for packet in self._dictionary.packets.values():
            for channel in packet.channels:
                if channel.limits:
                    watches.setdefault(packet.name, []).append((channel, LimitWatch(channel.limits)))
        return watches

    def _watch_limits(self, batch: Batch, out: Findings) -> None:
        for packet, watches in self._watches.items():
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            for channel, watch in watches:
                for row, level in watch.take(rows.columns[channel.name]):
                    out.entries.append((int(rows.order[row]), _limit_entry(rows, row, channel, level)))


def _limit_entry(rows: Rows, row: int, channel: Channel, level: int) -> Entry:
    value = float(rows.columns[channel.name][row])
    shown = f"{value * channel.display_scale + channel.display_offset:.4g} {channel.display_unit}".rstrip()
    name = channel.description or channel.path
    if level == 0:
        text, severity, state = f"{name} is within limits again ({shown})", "info", "cleared"
    else:
        text, severity, state = f"{name}: {shown}", SEVERITIES[level], "raised"
    body = {"state": state, "channel": channel.path, "value": value, "acknowledged": False}
    return Entry(float(rows.rx_s[row]), float(rows.t[row]), "alarm", f"limit {channel.path}", severity, text, body)


def _changes(values: np.ndarray, before: float | None) -> list[tuple[int, float]]:
    """Return (row, value) wherever a column differs from the row before it; non-finite rows are passed over."""
    out = []
    if before is not None and len(values) and (values == before).all():
        return out
    for row, value in enumerate(values.tolist()):
        if value == value and value != before:
            out.append((row, value))
            before = value
    return out


def _runs_of_seconds(rx_s: np.ndarray) -> list[tuple[int, int]]:
    """Cut frames into runs that arrived within the same whole second, so that a long recording is walked in few steps."""
    cuts = np.flatnonzero(np.diff(np.floor(rx_s))) + 1
    edges = [0, *cuts.tolist(), len(rx_s)]
    return list(zip(edges[:-1], edges[1:], strict=True))


def _tally(special: Mapping[int, list], start: int, stop: int) -> tuple[int, int, int]:
    lost = damaged = repeated = 0
    if special:
        for index in [i for i in special if start <= i < stop] if len(special) < 64 else range(start, stop):
            for event in special.get(index, ()):
                if isinstance(event, SequenceGap):
                    lost += event.missing if event.missing is not None else 1
                elif isinstance(event, FrameDamaged | BytesSkipped):
                    damaged += 1
                elif isinstance(event, PacketRepeated):
                    repeated += 1
    return lost, damaged, repeated
