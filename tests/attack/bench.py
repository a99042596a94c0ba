"""The table: an oracle, three vehicles that share one key, and what is said to them.

Our vehicle (1001), another one (1002) with the same program, and ours built from a dictionary in which `channel_safe` and
`channel_fire` have each other's codes. All three take their boot ids from a count of starts alone, so they are the same.
"""

from __future__ import annotations

import random
from pathlib import Path

from protocol.commands import Command
from protocol.dictionary import Dictionary
from tests.attack.air import MANGLINGS, WEIGHTS, mangled
from tests.attack.oracle import SAFES, Oracle, Words
from tests.attack.vehicles import RADIOS, Vehicle
from tests.server.uplink.queue_world import KEY, dictionary, swapped

OURS, OTHER, SWAPPED = range(3)
KEPT = 30_000  # frames that may still be sent again
ANEW = 2**31  # starts of a board that was programmed anew are counted from here


class Table:
    """Oracle and vehicles."""

    def __init__(self, ours: Path, other_words: Path) -> None:
        """`ours` and `other_words` are the compiled libraries of the two dictionaries."""
        words = [Words(d.text, d.hash32) for d in (dictionary(), swapped())]
        us = dictionary().uplink.vehicle_id
        self.oracle = Oracle(KEY, (us, us + 1), {w.told: w for w in words}, words[0].told)
        self.vehicles = [
            Vehicle(self.oracle, ours, words[0], us),
            Vehicle(self.oracle, ours, words[0], us + 1),
            Vehicle(self.oracle, other_words, words[1], us),
        ]
        self.starts = 0

    def restart(self, now_s: float, rng: random.Random, *, one_each: bool = False) -> None:
        """Switch all of them off and on; `one_each`: the two boards of one identity have a start of their own each.

        On the air there is one vehicle of an identity, and programming it anew is a new start: what two boards answer to one
        frame is no outcome. Out of the station's earshot they share start and clock, so that the dictionary alone
        parts them.
        """
        self.starts += 1
        clock_ms = 2**32 - 30_000 if self.starts % 8 == 7 else 0
        drift = {vehicle.vehicle_id: rng.uniform(-50e-6, 50e-6) for vehicle in self.vehicles}
        for place, vehicle in enumerate(self.vehicles):
            number = self.starts + (ANEW if one_each and place == SWAPPED else 0)
            vehicle.start(number, now_s, clock_ms, drift[vehicle.vehicle_id])

    def deliver(self, frame: bytes, to: int, now_s: float, rng: random.Random) -> None:
        """Let one radio of a vehicle hear a frame, as the air has made it.

        Junk before it and one lost zero must not cost it; the zero after it being lost, it ends with the next one's.
        """
        (how,) = rng.choices(MANGLINGS, WEIGHTS)
        vehicle, radio = self.vehicles[to], rng.randrange(RADIOS)
        behind = bool(vehicle.judged.pending.get(radio))
        if how == "first zero lost" and behind:
            how = "clean"
        whole = frame if how in ("clean", "junk before", "first zero lost") else b""
        vehicle.hears(mangled(frame, how, rng), radio, now_s, whole, behind or how != "clean")


def drawn(words: Dictionary, rng: random.Random, hazardous: float = 0.45) -> tuple[Command, dict[str, float]]:
    """Draw a command other than Safe all and arguments for it."""
    wanted = rng.random() < hazardous
    command = rng.choice([c for c in words.commands.values() if c.name != SAFES and (c.hazard == "hazardous") == wanted])
    return command, arguments(command, rng)


def arguments(command: Command, rng: random.Random) -> dict[str, float]:
    """Draw arguments that the wire holds exactly."""
    values: dict[str, float] = {}
    for arg in command.args:
        if arg.scale == 1.0:
            values[arg.name] = rng.randint(round(arg.low), round(arg.high))
        else:
            values[arg.name] = rng.randint(-20, 20) * 0.01  # within what the linkage may turn
    return values
