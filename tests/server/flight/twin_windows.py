"""What the ground hears of a flight of the twin, as arrays by packet, for the tests of computations over a window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from protocol.bulk import Decoded, decode_stream
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.flights import KEY, dictionary

Arrays = tuple[np.ndarray, ...]


@dataclass(frozen=True)
class Heard:
    """A flown twin and what was decoded of it."""

    twin: Twin
    truth: Mapping[str, object]
    decoded: Decoded

    def columns(self, packet: str, *names: str, between: tuple[float, float] = (0.0, 1e9)) -> Arrays:
        """Return times (s) and the named columns of a packet within a span of time."""
        rows = self.decoded.packets[packet]
        t = rows.time_ms / 1000.0
        inside = (t > between[0]) & (t < between[1])
        return t[inside], *(np.asarray(rows.columns[name])[inside] for name in names)


def heard(scenario: str, seed: int, changes: Mapping[str, object] | None = None, ignite_after_s: float = 12.0) -> Heard:
    """Fly a scenario with some numbers changed until a moment after landing."""
    known = load_scenario(scenario)
    changed = Scenario(name=known.name, title=known.title, changes={**known.changes, **(changes or {})})
    twin = Twin(scenario=changed, seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=ignite_after_s)
    stream, t = bytearray(), 0.0
    while not twin.landed and t < 300.0:
        t += 0.5
        stream += twin.advance(t)
    stream += twin.advance(t + 2.0)
    return Heard(twin, twin.truth(), decode_stream(dictionary(), bytes(stream)))


def thinned(arrays: Arrays, share: float, rng: np.random.Generator) -> Arrays:
    """Return the arrays with a share of the samples missing."""
    kept = rng.random(arrays[0].size) >= share
    return tuple(values[kept] for values in arrays)
