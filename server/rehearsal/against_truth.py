"""A run's answers laid over the true motion: what each component of the state was told to be, what it was, how far apart.

From ignition until the computer orders recovery: what is believed under a canopy steers nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown

POSITION_AND_VELOCITY = (
    "position.east", "position.north", "position.up", "velocity.east", "velocity.north", "velocity.up",
)  # fmt: skip
ATTITUDE, QUATERNION = "attitude", tuple(f"attitude_quaternion.{part}" for part in "wxyz")
BODY_RATES = ("body_rate.x", "body_rate.y", "body_rate.z")
TURNING = (ATTITUDE, *BODY_RATES)
COMPARED = (*POSITION_AND_VELOCITY, *TURNING)
_UNITS = {"position": "m", "velocity": "m/s", ATTITUDE: "rad", "body_rate": "rad/s"}


@dataclass(frozen=True)
class Component:
    """One component, a number for each answer: when (s since the beginning), told, true, and the difference; SI units.

    Of the attitude `told` and `truth` are the tilt from upright, `apart` is the whole turn from one attitude to the other.
    """

    role: str
    t_s: Floats
    told: Floats
    truth: Floats
    apart: Floats

    @property
    def rms(self) -> float:
        """Root of the mean square of the difference; not a number where one of them is none."""
        return float(np.sqrt(np.mean(self.apart**2)))

    @property
    def worst(self) -> float:
        """Greatest difference, without its sign; not a number where one of them is none."""
        return float(np.max(np.abs(self.apart)))


def unit_of(role: str) -> str:
    """Return the SI unit of a compared component."""
    return _UNITS[role.split(".")[0]]


def components(flown: Flown, until_s: float | None, reader: AnswerReader) -> dict[str, Component]:
    """Return what can be compared from ignition until a time, s since the beginning (None: to the end), by component."""
    truth = flown.truth
    if truth is None or not len(truth["t_s"]):
        return {}
    roles = [role for role in (*POSITION_AND_VELOCITY, *QUATERNION, *BODY_RATES) if role in reader.places and role in truth]
    t_s, told = _told(flown, reader, roles)
    kept = (t_s >= truth["t_s"][0]) & (t_s <= (math.inf if until_s is None else until_s))
    if not kept.any():
        return {}
    t_s = t_s[kept]
    ours = {role: told[kept, place] for place, role in enumerate(roles)}
    true = {role: np.interp(t_s, truth["t_s"], truth[role]) for role in roles}
    out = {}
    for role in COMPARED:
        if role in ours:
            out[role] = Component(role, t_s, ours[role], true[role], ours[role] - true[role])
        elif role == ATTITUDE and all(part in ours for part in QUATERNION):
            out[role] = _attitude(t_s, *(np.array([of[part] for part in QUATERNION]) for of in (ours, true)))
    return out


def against_truth(compared: Mapping[str, Component]) -> dict[str, tuple[float, float]]:
    """Return (rms, worst) of each component."""
    return {role: (one.rms, one.worst) for role, one in compared.items()}


def _attitude(t_s: Floats, told: Floats, truth: Floats) -> Component:
    """Compare quaternions of shape (4, n), scalar first, of any length; one of no length is no attitude."""
    with np.errstate(invalid="ignore", divide="ignore"):
        told, truth = told / np.linalg.norm(told, axis=0), truth / np.linalg.norm(truth, axis=0)
    apart = 2.0 * np.arccos(np.minimum(1.0, np.abs(np.sum(told * truth, axis=0))))
    tilt, true_tilt = (2.0 * np.arcsin(np.minimum(1.0, np.hypot(one[1], one[2]))) for one in (told, truth))
    return Component(ATTITUDE, t_s, tilt, true_tilt, apart)


def _told(flown: Flown, reader: AnswerReader, roles: list[str]) -> tuple[Floats, Floats]:
    rows = [
        (frame.time_us / 1e6, *[_number(reader.value(frame.answer, role)) for role in roles])
        for frame in flown.frames
        if frame.answer is not None
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 1 + len(roles))
    return table[:, 0], table[:, 1:]


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan
