"""Vectors of what both sides work out of a flight's rows: greatest values, the way from the pad, the two clocks."""

from __future__ import annotations

from random import Random
from typing import Any

import numpy as np

from protocol.fields import Channel
from server.flight.descent.recovery import last_place
from server.live.store import LiveStore
from server.review.summary import greatest_between
from server.telemetry.batch import Rows
from server.telemetry.tables import TableSpec
from server.telemetry.timeline import Timeline

NAN = float("nan")
AT_ONCE_S = 0.05
SPEC = TableSpec("x", "X", False, 10.0, (Channel(name="value", packet="x", kind="number", field_index=0),))


def from_pad(random: Random) -> list[dict[str, Any]]:
    """Return places east and north of the pad (m) with their distance (m) and bearing (degrees, None at the pad)."""
    places = [(0.0, 0.0), (0.0, 10.0), (10.0, 0.0), (0.0, -10.0), (-10.0, 0.0), (3.0, -4.0), (-300.0, 400.0)]
    places += [(round(random.uniform(-900.0, 900.0), 2), round(random.uniform(-900.0, 900.0), 2)) for _ in range(40)]
    return [_place_case(*place) for place in places]


def _place_case(east: float, north: float) -> dict[str, Any]:
    place = last_place(None, (east, north, 0.0), age_s=0.0, drift_m_s=0.0)
    assert place is not None
    return {"east": east, "north": north, "distance_m": place.distance_m, "bearing_deg": place.bearing_deg}


def greatest(random: Random) -> list[dict[str, Any]]:
    """Return rows [t, value] in order of time, moments, and the greatest values of the flight and until its apogee."""
    return [_greatest_case(random) for _ in range(40)]


def _greatest_case(random: Random) -> dict[str, Any]:
    times = sorted(round(random.uniform(0.0, 20.0), 1) for _ in range(random.randrange(0, 30)))
    values = [NAN if random.random() < 0.1 else round(random.uniform(-50.0, 50.0), 3) for _ in times]
    lift_off, apogee, landing = sorted(random.choice([*times, 5.0, 12.0, 19.0]) for _ in range(3))
    moments = {"lift_off": lift_off, "apogee": apogee, "landing": landing}
    kept = {key: t for i, (key, t) in enumerate(moments.items()) if i == 0 or random.random() < 0.7}
    if random.random() < 0.1:
        kept = {}
    rows = rows_of(times, times, values)
    return {
        "rows": [list(row) for row in zip(times, values, strict=True)],
        "moments": kept,
        "flight": greatest_between(rows, "value", kept.get("lift_off"), kept.get("landing")),
        "ascent": greatest_between(rows, "value", kept.get("lift_off"), kept.get("apogee")),
    }


def clocks(random: Random) -> list[dict[str, Any]]:
    """Return packets [t, rx] as they came, what t had been reached with each, and what had arrived when t was reached."""
    return [_clock_case(random, late=i % 2 == 1, restarts=i % 3 == 2) for i in range(12)]


def _clock_case(random: Random, late: bool, restarts: bool) -> dict[str, Any]:
    timeline, store = Timeline(), LiveStore({SPEC.name: SPEC})
    epoch, time_ms, rx_s = 0, 1000, 10.0
    t: list[float] = []
    rx: list[float] = []
    reached: list[float] = []
    for i in range(40):
        step_s = round(random.uniform(AT_ONCE_S, 0.5), 3)
        time_ms, rx_s = time_ms + round(step_s * 1000), round(rx_s + step_s + random.uniform(-0.02, 0.02), 3)
        if restarts and i == 20:
            epoch, time_ms, rx_s = epoch + 1, 300, rx_s + 4.0
        delay_ms = random.randrange(300, 900) if late and i and random.random() < 0.2 else 0
        t.append(timeline.place(epoch, max(0, time_ms - delay_ms), rx_s))
        rx.append(rx_s)
        reached.append(timeline.last_t)
    store.add({SPEC.name: rows_of(t, rx, t)}, [])
    asked = [*reached[:-1], *(round(random.uniform(t[0], reached[-2]), 4) for _ in range(30))]
    return {
        "rows": [list(row) for row in zip(t, rx, strict=True)],
        "reached": reached,
        "arrived": [{"t": one, "rx": store.rx_at(one)} for one in asked],
    }


def rows_of(t: list[float], rx_s: list[float], values: list[float]) -> Rows:
    """Return rows of a table with one column."""
    count = len(t)
    order, late = np.arange(count), np.zeros(count, dtype=bool)
    return Rows(order, np.array(t), np.array(rx_s), late, {"value": np.array(values, dtype=np.float64)})
