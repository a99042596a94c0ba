"""Do the ground and the vehicle see the same phase? A lasting disagreement is an alarm, a short one is the radio's doing.

The two judge by different data at different instants: a burst of lost packets delays the ground, the ground wants proof of a
climb before it believes a lift-off, and each waits some seconds of stillness before it believes a landing. `TOLERANCE_S`
says for each pair how long they may differ; common practice, no source, and far more than was seen over 45 flights of the
simulated vehicle (20 of them losing a quarter of all packets): 0.6 s in the air, 1.7 s at landing.

Only what is heard counts: a disagreement is raised when a claim arrives, never by time passing in silence, and a claim that
was not renewed for `STALE_S` starts the clock anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from protocol.arrays import Floats
from server.flight.motion.phase import Phase

# What the vehicle says, in the words of its dictionary, and what the ground calls it.
VEHICLE_PHASES: dict[str, Phase] = {
    "startup": Phase.PAD,
    "ground test": Phase.PAD,
    "pad": Phase.PAD,
    "boost": Phase.BOOST,
    "coast": Phase.COAST,
    "descent": Phase.DESCENT,
    "landed": Phase.LANDED,
}


def as_meant(ground: Phase, claim: str, again: bool = False) -> str:
    """Return what the vehicle's word counts for: switched on anew where it landed, it has landed.

    Firmware that has one boost says "coast" while a later motor burns (`again`).
    """
    if again and ground is Phase.BOOST and VEHICLE_PHASES.get(claim) is Phase.COAST:
        return Phase.BOOST.value
    return Phase.LANDED.value if ground is Phase.LANDED and VEHICLE_PHASES.get(claim) is Phase.PAD else claim


# (ground, vehicle) -> seconds they may differ.
TOLERANCE_S: dict[tuple[Phase, Phase], float] = {
    (Phase.PAD, Phase.BOOST): 1.5,
    (Phase.PAD, Phase.COAST): 1.5,
    (Phase.PAD, Phase.DESCENT): 1.5,
    (Phase.PAD, Phase.LANDED): 8.0,  # a restart on the ground after a flight the station did not see
    (Phase.BOOST, Phase.PAD): 1.0,  # the vehicle missed its lift-off: it would not deploy
    (Phase.BOOST, Phase.COAST): 1.5,
    (Phase.BOOST, Phase.DESCENT): 1.5,
    (Phase.BOOST, Phase.LANDED): 1.5,
    (Phase.COAST, Phase.PAD): 1.0,
    (Phase.COAST, Phase.BOOST): 1.5,
    (Phase.COAST, Phase.DESCENT): 2.0,  # it deploys at the top; the ground waits for a proven fall
    (Phase.COAST, Phase.LANDED): 1.5,
    (Phase.DESCENT, Phase.PAD): 1.0,
    (Phase.DESCENT, Phase.BOOST): 1.5,
    (Phase.DESCENT, Phase.COAST): 1.5,  # it falls and does not know
    (Phase.DESCENT, Phase.LANDED): 8.0,
    (Phase.LANDED, Phase.PAD): 8.0,
    (Phase.LANDED, Phase.BOOST): 8.0,
    (Phase.LANDED, Phase.COAST): 8.0,
    (Phase.LANDED, Phase.DESCENT): 8.0,
}
# Differing in changing ways is no agreement either: so much longer may all of it last.
UNSETTLED_S = 3.0
STALE_S = 2.0


@dataclass(frozen=True)
class Disagreement:
    """The two differ (`open`) or agree again: since when, and what each says (`claim`: the vehicle's own word)."""

    t: float
    open: bool
    since_t: float
    ground: Phase
    vehicle: Phase
    claim: str

    @property
    def lasted_s(self) -> float:
        """Seconds from the beginning of the disagreement to this change."""
        return self.t - self.since_t


class PhaseAgreement:
    """Takes the ground's changes and the vehicle's claims in order of time; each claim may lead to a change."""

    def __init__(self) -> None:
        self.ground_phase = Phase.PAD
        self.open: Disagreement | None = None
        self._heard_s = float("-inf")
        self._pair: tuple[Phase, Phase] | None = None
        self._pair_s = self._since_s = 0.0

    def ground(self, t_s: float, phase: Phase) -> None:
        """Take the phase the ground sees from `t_s` (timeline seconds) on, in order of time."""
        self.ground_phase = phase

    def agrees_with(self, claim: str) -> bool:
        """Tell whether this claim would say no more than that it was heard: both agree, and did before."""
        return self._pair is None and self.open is None and VEHICLE_PHASES.get(claim) is self.ground_phase

    def renew(self, t_s: Floats) -> None:
        """Take claims that `agrees_with` holds of, at times (s) of shape (n,), as `vehicle` would one by one."""
        heard = t_s[np.isfinite(t_s)]
        if len(heard):
            self._heard_s = max(self._heard_s, float(heard.max()))

    def vehicle(self, t_s: float, claim: str) -> Disagreement | None:
        """Take what the vehicle says at `t_s`; return the disagreement that this raises or ends.

        A word that is not in `VEHICLE_PHASES`, a time that is not finite or before the last one says nothing.
        """
        theirs = VEHICLE_PHASES.get(claim)
        if theirs is None or not isfinite(t_s) or t_s < self._heard_s:
            return None
        silent, self._heard_s = t_s - self._heard_s > STALE_S, t_s
        if theirs is self.ground_phase:
            return self._agree(t_s, theirs, claim)
        pair = (self.ground_phase, theirs)
        if self._pair is None or (silent and self.open is None):
            self._since_s = self._pair_s = t_s
        elif pair != self._pair:
            self._pair_s = t_s
        self._pair = pair
        tolerance = TOLERANCE_S[pair]
        if self.open is not None or not (t_s - self._pair_s > tolerance or t_s - self._since_s > tolerance + UNSETTLED_S):
            return None
        self.open = Disagreement(t_s, True, self._since_s, self.ground_phase, theirs, claim)
        return self.open

    def _agree(self, t_s: float, phase: Phase, claim: str) -> Disagreement | None:
        was, self.open, self._pair = self.open, None, None
        return None if was is None else Disagreement(t_s, False, was.since_t, phase, phase, claim)
