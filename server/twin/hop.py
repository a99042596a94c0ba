"""A small invented vehicle for dictionaries with a framing of their own: one hop over the field, a camera, a parachute.

Its motion is closed form (constant net acceleration, free ascent, constant descent), its atmosphere the barometric formula
of the ICAO standard troposphere. What it sends is whatever its dictionary gives a role it knows; the rest is zero. It obeys
what the dictionary's commands look like on the wire, byte for byte, as a vehicle with a format of its own would.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping

from protocol.dictionary import Dictionary
from protocol.foreign.framings import foreign_framing
from protocol.units import GRAVITY_M_S2
from server.twin.flight_computer import CYCLE_S
from server.twin.telemetry import TwinProblem, period_cycles
from server.twin.truth import HopTruth

BOOST_S, BOOST_M_S2, DESCENT_M_S = 1.2, 60.0, 6.0
PAD_PA, PAD_K, LAPSE_K_M = 94_123.0, 291.0, 0.0065
BURNOUT_M, BURNOUT_M_S = BOOST_M_S2 * BOOST_S**2 / 2.0, BOOST_M_S2 * BOOST_S
RISE_S = BURNOUT_M_S / GRAVITY_M_S2
APOGEE_M = BURNOUT_M + BURNOUT_M_S * RISE_S / 2.0
PHASES = {"pad": 2.0, "boost": 3.0, "coast": 4.0, "descent": 5.0, "landed": 6.0}
FORMS_MAX = 100_000  # of one command: their bytes are all kept, and looked for one by one
HEARD_MAX = 256  # bytes kept while no command is found in them


class HopVehicle:
    """Advances like the twin and is heard and commanded like it; `ignite_after_s` None: it stays on its pad.

    Raises TwinProblem for what it cannot send or obey.
    """

    def __init__(self, dictionary: Dictionary, ignite_after_s: float | None = 15.0) -> None:
        self._dictionary = dictionary
        framing = foreign_framing(dictionary)
        if framing is None:
            raise ValueError(f"{dictionary.name} has no framing of its own; a hop vehicle speaks nothing else")
        self._framing = framing
        self._ignite_s = math.inf if ignite_after_s is None else ignite_after_s
        self._plan = [
            (name, period_cycles(packet), place)
            for place, (name, packet) in enumerate(dictionary.packets.items())
            if packet.rate_hz > 0.0
        ]
        self._cycle = 0
        self._counts: dict[str, int] = {}
        self._heard = b""
        self._orders = {frame: order for order, frame in self._known_orders()}
        self.camera, self.armed = 0.0, 0.0
        self.obeyed: list[tuple[str, Mapping[str, int]]] = []

    def _known_orders(self) -> Iterator[tuple[tuple[str, dict[str, int]], bytes]]:
        """Yield every command with every combination of whole arguments and its bytes; a small vehicle has few."""
        for command in self._dictionary.commands.values():
            ranges = [range(math.ceil(arg.low), math.floor(arg.high) + 1) for arg in command.args]
            forms = math.prod(max(0, each.stop - each.start) for each in ranges)
            if forms > FORMS_MAX:
                raise TwinProblem(
                    f"The command {command.name} has {forms} forms; the simulated vehicle knows at most {FORMS_MAX} of one."
                )
            for numbers in itertools.product(*ranges):
                args = {arg.name: number for arg, number in zip(command.args, numbers, strict=True)}
                yield (command.name, args), self._framing.command(command, args)

    # ------------------------------------------------------------ like the twin

    def advance(self, vehicle_s: float) -> bytes:
        """Run to a time, seconds since switch-on; return what was sent until then."""
        out = bytearray()
        while (self._cycle + 1) * CYCLE_S <= vehicle_s + 1e-9:
            self._cycle += 1
            for name, period, place in self._plan:
                if (self._cycle + place) % period == 0:
                    out += self._framing.encode(name, self.values(name))
        return bytes(out)

    def uplink(self, data: bytes) -> None:
        """Hear bytes: any known command in them is obeyed."""
        self._heard += data
        while (found := self._first_order()) is not None:
            end, (name, args) = found
            self._heard = self._heard[end:]
            self._obey(name, args)
        self._heard = self._heard[-HEARD_MAX:]

    def _first_order(self) -> tuple[int, tuple[str, dict[str, int]]] | None:
        places = [(self._heard.find(frame), frame) for frame in self._orders]
        found = [(at + len(frame), self._orders[frame]) for at, frame in places if at >= 0]
        return min(found, key=lambda item: item[0], default=None)

    @property
    def landed(self) -> bool:
        """Tell whether it lies on the ground after its flight."""
        return self.phase() == "landed"

    def truth(self) -> HopTruth:
        """Return what really happened until now."""
        return {"phase": self.phase(), "apogee_m": APOGEE_M, "commands_executed": [name for name, _ in self.obeyed]}

    # ------------------------------------------------------------ what it does and measures

    def _obey(self, name: str, args: Mapping[str, int]) -> None:
        self.obeyed.append((name, args))
        if name == "camera_power":
            self.camera = float(args["on"])
        elif name == "recovery_arm" and self.phase() == "pad":
            self.armed = 1.0
        elif name == "safe_all":
            self.armed = 0.0

    def phase(self) -> str:
        """Return the flight phase of the moment."""
        return self._motion()[0]

    def _motion(self) -> tuple[str, float, float]:
        """Return (phase, height in m, specific force along the nose in m/s2)."""
        t = self._cycle * CYCLE_S - self._ignite_s
        if t < 0.0:
            return "pad", 0.0, GRAVITY_M_S2
        if t < BOOST_S:
            return "boost", BOOST_M_S2 * t * t / 2.0, BOOST_M_S2 + GRAVITY_M_S2
        since = t - BOOST_S
        if since < RISE_S:
            return "coast", BURNOUT_M + BURNOUT_M_S * since - GRAVITY_M_S2 * since * since / 2.0, 0.0
        height = APOGEE_M - DESCENT_M_S * (since - RISE_S)
        return ("descent", height, GRAVITY_M_S2) if height > 0.0 else ("landed", 0.0, GRAVITY_M_S2)

    def values(self, packet: str) -> dict[str, float]:
        """Return a packet's values by channel name."""
        described = self._dictionary.packets[packet]
        phase, height_m, force = self._motion()
        temperature_k = PAD_K - LAPSE_K_M * height_m
        by_role = {
            "pressure": PAD_PA * (temperature_k / PAD_K) ** 5.25588,
            "baro_temperature": temperature_k,
            "altitude_baro": height_m,
            "accel.a.z": force,
            "battery.voltage": 8.0,
            "vehicle_phase": PHASES[phase],
            "camera[1].powered": self.camera,
            "recovery[1].continuity": 1.0,
            "recovery[1].armed": self.armed,
        }
        values = {c.name: by_role.get(c.role or "", c.offset) for c in described.channels}
        units = {channel.name: channel.unit for channel in described.channels}
        if described.time:
            values[described.time] = self._cycle * CYCLE_S * (1000.0 if units[described.time] == "ms" else 1.0)
        if described.count:
            count = self._counts[packet] = self._counts.get(packet, -1) + 1
            values[described.count] = count % self._framing.count_modulus(described)
        return values
