"""What a recorded flight has for an open loop: the sensors as moments to play, and what its computer said, to compare with.

A rehearsal's own recording holds the stimuli as they were sent. A flight's has its downlink: each sensor's packets have
their own rate, so the step's moments are those of its quickest sensor and every other channel tells what it told last. An
onboard log brought in has columns instead of packets. What the computer worked out itself is never played as a sensor.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.fields import Packet
from protocol.framing import FrameSplitter
from protocol.rehearsal import REHEARSAL_NAME, STATES
from protocol.stimulus import open_stimulus
from server.rehearsal.cases import Moment
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.sensor_faults import Stimulus
from server.telemetry.batch import Rows

BEFORE_LIFT_OFF_S = 8.0  # of the pad: the computer starts, levels itself and learns the pad's pressure
ON_THE_GROUND = ("startup", "pad", "ground test")
UNIT_B, UNIT_A = ".b.", ".a."


@dataclass(frozen=True)
class Column:
    """One sensor channel: times in s and values, both of shape (n,), times rising."""

    t: Floats
    values: Floats


@dataclass(frozen=True)
class Said:
    """What the computer said in one packet: us since the first moment, and the values as the dictionary lists them."""

    packet: str
    time_us: int
    values: tuple[float, ...]


@dataclass
class Recorded:
    """A flight to be flown again. `left_out` says in words what is not played, or not as it was.

    `unplayed` are the roles of stimuli that are not played at all.
    """

    moments: list[Moment]
    said: list[Said]
    left_out: list[str] = field(default_factory=list)
    unplayed: frozenset[str] = frozenset()


def of_stimuli(dictionary: Dictionary, sent: Iterable[bytes]) -> list[Moment]:
    """Return the moments that a rehearsal's recording holds, from the bytes sent in it; none in a flight's."""
    assert dictionary.rehearsal is not None
    splitter, moments = FrameSplitter(), []
    waiting: list[Stimulus] = []
    for data in sent:
        for frame, _ in splitter.feed(data):
            opened = open_stimulus(dictionary, frame)
            if isinstance(opened, str):
                continue
            waiting.append((opened.name, opened.time_us, tuple(float(value) for value in opened.values)))
            if opened.name == dictionary.rehearsal.step:
                moments.append((opened.time_us, tuple(waiting)))
                waiting = []
    return moments


def rehearsed(rows: Mapping[str, Rows], moments: Sequence[Moment], dictionary: Dictionary) -> Recorded:
    """Return a rehearsal's recording: every answer belongs to the moment whose step it answered.

    Raises RehearsalProblem when its packets `rehearsal` do not say which those are.
    """
    assert dictionary.rehearsal is not None
    state = rows.get(REHEARSAL_NAME)
    if state is None:
        raise RehearsalProblem("The recording has stimuli and no answers.")
    on = np.asarray(state.columns["state"]) == STATES.index("rehearsing")
    times = {int(order): int(time) for order, time in zip(state.order[on], state.columns["time_us"][on], strict=True)}
    orders = np.array(sorted(times))
    said = []
    for name in dictionary.rehearsal.answers:
        if name not in rows:
            continue
        values = _table(rows[name], dictionary.packets[name])
        for order, row in zip(rows[name].order, values, strict=True):
            place = int(np.searchsorted(orders, order))  # the packet `rehearsal` ends an answer
            if place < len(orders):
                said.append(Said(name, times[int(orders[place])], tuple(row)))
    steps = {time_us for time_us, _ in moments}
    said = [one for one in said if one.time_us in steps]
    return Recorded(list(moments), sorted(said, key=lambda one: one.time_us))


def flown(
    rows: Mapping[str, Rows], heard: Dictionary, dictionary: Dictionary, log: Mapping[str, Column] | None = None
) -> Recorded:
    """Return a flight's recording, its sensors from the downlink or, where there is one, from an onboard log by role.

    `heard` is the session's dictionary, `dictionary` that of the computer to be flown. Times of the log are those of the
    session. Raises RehearsalProblem where the step's sensors are not in it, or its answers are other packets.
    """
    assert dictionary.rehearsal is not None
    answers = dictionary.rehearsal.answers
    left_out: list[str] = []
    for name in answers:
        if name not in heard.packets or heard.packets[name].channel_names != dictionary.packets[name].channel_names:
            raise RehearsalProblem(f"The recording's packet {name} is not the one that the computer answers with.")
    columns = dict(log) if log is not None else _sensors(rows, heard, dictionary)
    begin_s, end_s = _span(rows, heard, columns)
    step = dictionary.stimuli[dictionary.rehearsal.step]
    readings: dict[str, list[Column | None]] = {}
    for name, packet in dictionary.stimuli.items():
        found = [_column_of(channel.role or "", columns, left_out) for channel in packet.channels]
        if packet is step and not any(found):
            raise RehearsalProblem(f"The recording has none of the sensors that the stimulus {name} carries.")
        if not all(found):
            missing = ", ".join(c.name for c, one in zip(packet.channels, found, strict=True) if one is None)
            left_out.append(f"{name}: not recorded: {missing}" + ("; told as 0" if packet is step else "; not played"))
        if packet is step or all(found):
            readings[name] = found
    unplayed = {
        c.role for name, packet in dictionary.stimuli.items() if name not in readings for c in packet.channels if c.role
    }
    quickest = max((one for one in readings[step.name] if one is not None), key=lambda one: len(one.t))
    times = quickest.t[(quickest.t >= begin_s) & (quickest.t <= end_s)]
    moments = _moments(times, begin_s, readings, step.name)
    said = [
        Said(name, round((t - begin_s) * 1e6), tuple(row))
        for name in answers
        if name in rows
        for t, row in zip(rows[name].t, _table(rows[name], dictionary.packets[name]), strict=True)
        if begin_s <= t <= end_s
    ]
    return Recorded(moments, sorted(said, key=lambda one: one.time_us), left_out, frozenset(unplayed))


def _table(rows: Rows, packet: Packet) -> Floats:
    return np.column_stack([rows.columns[c.name] for c in packet.channels if c.kind != "text"])


def _sensors(rows: Mapping[str, Rows], heard: Dictionary, dictionary: Dictionary) -> dict[str, Column]:
    assert dictionary.rehearsal is not None
    wanted = {channel.role for packet in dictionary.stimuli.values() for channel in packet.channels}
    found: dict[str, Column] = {}
    for name, packet in heard.packets.items():
        if name in dictionary.rehearsal.answers or name not in rows or name in heard.wires_own:
            continue
        for channel in packet.channels:
            if channel.role is not None and channel.role in wanted:
                t = rows[name].t
                rises = np.concatenate(([True], np.diff(np.maximum.accumulate(t)) > 0.0)) if len(t) else np.zeros(0, bool)
                found[channel.role] = Column(t[rises], np.asarray(rows[name].columns[channel.name])[rises])
    return found


def _span(rows: Mapping[str, Rows], dictionary: Dictionary, columns: Mapping[str, Column]) -> tuple[float, float]:
    """Return from when to when it is played, s: from a little before the vehicle says it has left the pad."""
    begin = min((float(column.t[0]) for column in columns.values() if len(column.t)), default=0.0)
    end = max((float(column.t[-1]) for column in columns.values() if len(column.t)), default=0.0)
    channel = dictionary.roles.get("vehicle_phase")
    if channel is not None and channel.packet in rows:
        phases, t = np.asarray(rows[channel.packet].columns[channel.name]), rows[channel.packet].t
        grounded = [number for number, word in enumerate(channel.values) if word in ON_THE_GROUND]
        off = np.flatnonzero(~np.isin(phases, grounded))
        if len(off):
            begin = max(begin, float(t[off[0]]) - BEFORE_LIFT_OFF_S)
    return begin, end


def _column_of(role: str, columns: Mapping[str, Column], left_out: list[str]) -> Column | None:
    if role in columns:
        return columns[role]
    other = role.replace(UNIT_B, UNIT_A)
    if other != role and other in columns:
        left_out.append(f"{role}: not recorded; told as {other}")
        return columns[other]
    return None


def _moments(times: Floats, begin_s: float, readings: Mapping[str, Sequence[Column | None]], step: str) -> list[Moment]:
    """Return a moment for each time of the step; another stimulus is played where one of its channels has told anew."""
    held = {name: _held(times, columns) for name, columns in readings.items()}
    moments: list[Moment] = []
    for place, t in enumerate(times):
        time_us = round((t - begin_s) * 1e6)
        stimuli: list[Stimulus] = []
        for name in sorted(readings, key=lambda name: name == step):
            values, fresh = held[name]
            if name == step or fresh[place]:
                stimuli.append((name, time_us, tuple(values[place].tolist())))
        moments.append((time_us, tuple(stimuli)))
    return [one for one, after in pairwise([*moments, (1 << 62, ())]) if after[0] > one[0]]


def _held(times: Floats, columns: Sequence[Column | None]) -> tuple[Floats, np.ndarray]:
    """Return each column's last value at each time, shape (n, columns), and whether any is newer than the time before."""
    values, fresh = np.zeros((len(times), len(columns))), np.zeros(len(times), dtype=bool)
    for place, column in enumerate(columns):
        if column is None or not len(column.t):
            continue
        at = np.maximum(np.searchsorted(column.t, times + 1e-9, side="right") - 1, 0)
        values[:, place] = column.values[at]
        fresh |= np.concatenate(([True], np.diff(at) > 0)) if len(at) else fresh
    return values, fresh
