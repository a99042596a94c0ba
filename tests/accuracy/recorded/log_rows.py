"""Rows of flight logs: read, converted, thinned to a packet's rate, with invented pad in front and rest behind.

The flight's own rows are sent as they are. What is put around them is made of the sensor's own scatter and a random walk
that ends at the log's level: two minutes copied from half a second of pad would make its bias look far surer than it is.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from tests.accuracy.recorded.description import TIME_UNITS, UNITS, BadDescription, LoggedField, LoggedFlight, LoggedPacket


@dataclass(frozen=True)
class Samples:
    """Samples of one packet: log seconds, shape (n,), and values in the units sent, shape (n, channels)."""

    t: Floats
    values: Floats


def standard_pressure_pa(height_m: Floats) -> Floats:
    """Return pressure at geopotential heights (U.S. Standard Atmosphere, 1976, troposphere; written anew on purpose)."""
    return 101325.0 * (1.0 - 0.0065 * np.asarray(height_m, dtype=np.float64) / 288.15) ** 5.255876


def _columns(folder: Path, packet: LoggedPacket, names: Sequence[str]) -> Floats:
    """Return columns of a file as floats, shape (rows, names); what is no number is NaN."""
    path = folder / packet.file
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.reader(file, delimiter=packet.separator)
            header = [name.strip() for name in next(reader)]
            for name in names:
                if name not in header:
                    raise BadDescription(f"{packet.file} has no column {name!r}; it has {', '.join(header)}.")
            places = [header.index(name) for name in names]
            table = [[_number(row[place]) if place < len(row) else np.nan for place in places] for row in reader]
    except (OSError, StopIteration) as error:
        raise BadDescription(f"{packet.file} cannot be read: {error!r}.") from error
    return np.array(table, dtype=np.float64).reshape(len(table), len(names))


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _sent(field: LoggedField, logged: Floats, elevation_m: float) -> Floats:
    _, factor, offset = UNITS[field.unit]
    values = (logged * factor + offset) * field.factor + field.add
    return standard_pressure_pa(values + elevation_m) if field.is_height_as_pressure else values


def log_samples(folder: Path, flight: LoggedFlight, packet: LoggedPacket) -> Samples:
    """Return a packet's rows between the flight's start and stop, in order of time, not thinned yet."""
    names = [one.column for one in packet.field if one.column is not None]
    table = _columns(folder, packet, [packet.time, *names])
    t = table[:, 0] * TIME_UNITS[packet.time_unit]
    logged = iter(table[:, 1:].T)
    columns = [
        _sent(one, next(logged), flight.elevation_m) if one.column is not None else np.full(len(t), one.constant)
        for one in packet.field
    ]
    values = np.column_stack(columns)
    good = np.isfinite(t) & np.isfinite(values).all(axis=1) & (t >= flight.start_s)
    good &= t <= min(flight.stop_s, packet.until_s)
    t, values = t[good], values[good]
    order = np.argsort(t, kind="stable")
    if not len(t):
        raise BadDescription(f"flight {flight.name!r}: {packet.file} has no usable row.")
    return Samples(t[order], values[order])


def thinned(samples: Samples, rate_hz: float) -> Samples:
    """Return the rows that are sent: the first one at or after each due time, untouched."""
    ticks = np.floor((samples.t - samples.t[0]) * rate_hz + 1e-6)
    chosen = np.concatenate([[True], np.diff(ticks) > 0])
    return Samples(samples.t[chosen], samples.values[chosen])


def _own_noise(values: Floats) -> float:
    """Return one sigma of a sample, by differences from one sample to the next."""
    return float(np.std(np.diff(values)) / sqrt(2.0)) if len(values) > 2 else 0.0


def _at_rest(field: LoggedField, level: float, sigma: float, dt_s: float, count: int, rng: np.random.Generator) -> Floats:
    """Return samples at rest that end at a level: white scatter, and a random walk counted back from the end."""
    walk = np.cumsum(rng.normal(0.0, field.walk * sqrt(dt_s / 60.0), count))[::-1] if field.walk else 0.0
    values = level + walk + rng.normal(0.0, sigma, count)
    return np.round(values / field.resolution) * field.resolution if field.resolution else values


def with_rest(flight: LoggedFlight, packet: LoggedPacket, logged: Samples, rng: np.random.Generator) -> Samples:
    """Return what is sent of a packet: pad, flight, and rest where the flight ends at rest."""
    sent, dt_s = thinned(logged, packet.rate_hz), 1.0 / packet.rate_hz
    on_pad = logged.t < flight.pad_until_s
    before = sent.t[0] - dt_s * np.arange(round(flight.pad_s * packet.rate_hz), 0, -1)
    resting = None if flight.rest_from_s is None else logged.t >= min(flight.rest_from_s, logged.t[-1])
    after = np.zeros(0) if resting is None else sent.t[-1] + dt_s * np.arange(1, round(flight.rest_s * packet.rate_hz) + 1)
    front, back = np.zeros((len(before), len(packet.field))), np.zeros((len(after), len(packet.field)))
    for i, one in enumerate(packet.field):
        own = logged.values[on_pad, i] if on_pad.any() else logged.values[:1, i]
        sigma = one.noise if one.noise is not None else _own_noise(own)
        front[:, i] = _at_rest(one, one.pad if one.pad is not None else float(np.median(own)), sigma, dt_s, len(before), rng)
        if resting is not None and len(after):
            level = one.rest if one.rest is not None else float(np.median(logged.values[resting, i]))
            back[:, i] = _at_rest(one, level, sigma, dt_s, len(after), rng)[::-1]
        if one.constant is not None:  # nothing was logged: it scatters in flight as it does on the pad
            sent.values[:, i] += rng.normal(0.0, sigma, len(sent.t))
    return Samples(np.concatenate([before, sent.t, after]), np.concatenate([front, sent.values, back]))
