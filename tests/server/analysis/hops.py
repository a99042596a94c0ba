"""Straight flights of invented vehicles, sent in packets of any layout; nothing is shared with the station's own twin."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import Output
from server.recording.records import Kind, Record
from tests.protocol.helpers import HEAD
from tests.server.analysis.test_pipeline import ORIGIN_NS

G = 9.80665
STEP_S = 0.002
UNITS = {"pressure": "Pa", "altitude_baro": "m", "baro_temperature": "K", "accel": "m/s2", "gyro": "rad/s"}
UNITS |= {"position": "m", "velocity": "m/s", "body_rate": "rad/s"}


@dataclass(frozen=True)
class Hop:
    """Straight up by a steady motor, down at a steady rate: thrust over weight, seconds, 1/m of drag, m/s, K, Pa."""

    thrust_to_weight: float = 8.0
    burn_s: float = 1.5
    drag_1_m: float = 0.001
    descent_m_s: float = 6.0
    pad_s: float = 40.0
    rest_s: float = 20.0
    air_k: float = 288.15
    pad_pa: float = 101325.0

    @cached_property
    def path(self) -> Mapping[str, Floats]:
        """Time (s), height (m), climb (m/s) and force along the nose (m/s2), every `STEP_S`; heights end on the ground."""
        rows, t, height, climb, apogee = [], 0.0, 0.0, 0.0, False
        end = 1e9
        while t < end:
            flies = t >= self.pad_s
            thrust = self.thrust_to_weight * G if flies and t < self.pad_s + self.burn_s else 0.0
            force = thrust - self.drag_1_m * climb * abs(climb)
            if not flies or (apogee and height <= 0.0):
                force, climb = G, 0.0
                end = min(end, t + self.rest_s) if apogee else end
            apogee = apogee or (flies and climb < 0.0)
            if apogee and climb <= -self.descent_m_s:
                force, climb = G, -self.descent_m_s
            rows.append((t, max(height, 0.0), climb, force))
            climb += (force - G) * STEP_S
            height += climb * STEP_S
            t += STEP_S
        table = np.array(rows)
        return dict(zip(("t", "height", "climb", "force"), table.T, strict=True))

    @property
    def apogee_m(self) -> float:
        """The greatest height (m)."""
        return float(self.path["height"].max())

    def pressure_pa(self, height_m: Floats) -> Floats:
        """Pressure in air of the standard lapse (hydrostatic balance, any textbook), as warm on the pad as told."""
        return np.asarray(self.pad_pa * (1.0 - 0.0065 * height_m / self.air_k) ** (G / (287.0529 * 0.0065)))


Layout = Mapping[str, tuple[float, tuple[str, ...]]]
"""Packets by name: how often a second, and the roles in it."""
Change = Callable[[str, Floats, Floats], Floats]
"""Makes of a role, times (s) and true values what is sent."""


def unchanged(role: str, t: Floats, values: Floats) -> Floats:
    """Return the values as they are."""
    return values


def dictionary_of(layout: Layout, extra: Mapping[str, str] | None = None) -> Dictionary:
    """Return a dictionary of those packets; `extra` adds to a role's entry."""
    parts = [HEAD]
    for apid, (name, (rate_hz, roles)) in enumerate(layout.items(), 1):
        fields = []
        for role in roles:
            unit = UNITS.get(role, UNITS.get(role.split(".")[0], "1"))
            more = (extra or {}).get(role, "")
            fields.append(f'{{ name = "{_name(role)}", type = "f32", unit = "{unit}", role = "{role}"{more} }},')
        parts.append(f"[packet.{name}]\napid = {apid}\nrate_hz = {rate_hz:g}\nfields = [\n" + "\n".join(fields) + "\n]\n")
    return parse_dictionary("\n".join(parts))


def records_of(
    hop: Hop,
    layout: Layout,
    dictionary: Dictionary,
    change: Change = unchanged,
    loss: float = 0.0,
    seed: int = 1,
    burst_s: float = 0.35,
) -> list[Record]:
    """Return the flight as received, a packet a record, with noise of ordinary sensors; `loss` of the time is lost."""
    rng, link, path = np.random.default_rng(seed), VehicleLink(dictionary, bytes(32), 1), hop.path
    due: list[tuple[float, str, dict[str, float]]] = []
    for name, (rate_hz, roles) in layout.items():
        t = np.arange(0.0, path["t"][-1], 1.0 / rate_hz)
        columns = {_name(role): change(role, t, _sensed(hop, role, t, rng)) for role in roles}
        due += [(float(at), name, {key: float(v[row]) for key, v in columns.items()}) for row, at in enumerate(t)]
    due.sort(key=lambda one: one[0])
    edges, at, lost = [], 0.0, False
    while loss and at < due[-1][0]:
        at += float(rng.exponential(burst_s if lost else burst_s * (1.0 - loss) / loss))
        edges.append(at)
        lost = not lost
    out: list[Record] = []
    for t, name, values in due:
        frame = link.frame(name, round(1000 * t), values)
        if int(np.searchsorted(edges, t)) % 2 == 0:
            out.append(Record(Kind.RECEIVED, len(out), ORIGIN_NS + round(1e9 * t) + 5_000_000, frame))
    return out


def _name(role: str) -> str:
    return "".join(letter if letter.isalnum() else "_" for letter in role).strip("_")


def _sensed(hop: Hop, role: str, t: Floats, rng: np.random.Generator) -> Floats:
    path = hop.path
    height, climb, force = (np.interp(t, path["t"], path[name]) for name in ("height", "climb", "force"))
    if role in ("pressure", "altitude_baro", "position.up"):
        pressure = hop.pressure_pa(height) + rng.normal(0.0, 3.0, len(t))
        standard = 44330.77 * ((hop.pad_pa / 101325.0) ** 0.190263 - (pressure / 101325.0) ** 0.190263)
        return pressure if role == "pressure" else np.asarray(standard)
    if role == "baro_temperature":
        return np.full(len(t), hop.air_k)
    if role == "velocity.up":
        return climb
    if role == "attitude_quaternion.w":
        return np.ones(len(t))
    if role.startswith("accel") and role.endswith(".z"):
        return force + rng.normal(0.0, 0.1, len(t))
    if role.startswith(("accel", "gyro")):
        return rng.normal(0.0, 0.05 if role.startswith("accel") else 1e-3, len(t))
    return np.zeros(len(t))


def moments(output: Output) -> dict[str, dict[str, float]]:
    """Return the last dating of each moment."""
    return {entry.key: dict(entry.body) for entry in output.entries if entry.topic == "moment"}


def figures(output: Output) -> dict[str, dict[str, object]]:
    """Return the last state of each figure."""
    return {entry.key: dict(entry.body) for entry in output.entries if entry.topic == "figure"}


def said(output: Output, topic: str) -> list[str]:
    """Return the texts of a topic."""
    return [entry.text for entry in output.entries if entry.topic == topic and entry.text]
