"""The flight's phases as the ground sees them, from specific force and the ground's own height and climb rate.

    PAD     -> BOOST    by force, by speed gained or by height gained, whichever is sure first (see `lift_off_watch`)
    BOOST   -> COAST    the force along the nose, less what was read too much at rest, is below a share of the boost's
                        for some samples (see `burnout`)
    COAST   -> BOOST    again: a motor has lit in the air (see `air_start`); each thrust and its end are moments of their own
    COAST   -> DESCENT  the climb rate has been below `-DESCENT_M_S` for `DESCENT_S`, and the barometer alone does not
                        surely climb to new heights: a filter that has lost its way must not tell an apogee; it is where
                        the rate crossed zero
    DESCENT -> COAST    the barometer alone surely climbs, `AGAIN_M` over the apogee told, for `AGAIN_S`, or wherever it is
                        faster than any air for longer than any puff: that was no apogee, and it is taken back
    DESCENT -> LANDED   the height stays within `LANDED_M` for `LANDED_S` (the climb rate would be too noisy for that
                        when no accelerometer is heard)

Thresholds are common practice, no source; tests/accuracy/README.md has the errors measured against the twin. All times are
timeline seconds. Lift-off, burnout and landing are dated back to the first sample of the run that proved them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from server.flight.motion import burnout
from server.flight.motion.air_start import AirStartWatch
from server.flight.motion.lift_off_watch import CLIMBS_M_S, BarometerClimb, LiftOffWatch

DESCENT_M_S = 2.0
DESCENT_S = 0.4
HEARD_S = 0.3
FORCE_HEARD_S = 1.0
AGAIN_M, AGAIN_S = 10.0, 1.0
RISES_M_S, RISES_S = 10.0, 1.5  # no thermal lifts a falling vehicle so, and a puff is over
LANDED_M = 2.0
LANDED_S = 3.0


class Phase(StrEnum):
    """Where in its flight the vehicle is."""

    PAD = "pad"
    BOOST = "boost"
    COAST = "coast"
    DESCENT = "descent"
    LANDED = "landed"


# Asked at every sample: to look a member up in its class takes longer than what is then done with it.
PAD, BOOST, COAST, DESCENT, LANDED = Phase.PAD, Phase.BOOST, Phase.COAST, Phase.DESCENT, Phase.LANDED


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happens once in a flight, and when (timeline seconds) and how high (m) it was.

    Of a second thrust the keys are ignition_2 and burnout_2, and so on.
    """

    key: str
    t_s: float
    height_m: float


@dataclass(frozen=True, slots=True)
class PhaseChange:
    """The detector entered a phase, with the moments this proves, and the one it proves wrong."""

    phase: Phase
    t_s: float
    moments: tuple[Moment, ...]
    taken_back: Moment | None = None


class PhaseDetector:
    """Takes forces and filtered heights in order of arrival; each call returns a change or None.

    A flight is seen once: after LANDED nothing follows. Another flight is another session. A phase is gone back to only
    from a descent that was none.
    """

    def __init__(self) -> None:
        self.phase = PAD
        self._run_start_s = 0.0  # of the present run; means nothing while it has no samples
        self._run = 0
        self._height_m = self._climb_m_s = 0.0
        self._barometer = BarometerClimb()
        self.pad = LiftOffWatch(self._barometer)
        self._strongest, self._boosts = 0.0, (0.0, 0.0, 0.0)  # the strongest boost that lasted, and its latest samples
        self._force_s = -inf
        self.thrust = 1  # which one it is, or was last
        self.air_start: AirStartWatch | None = None  # while it coasts
        self._raw_top_m = -inf  # the highest unfiltered height while the filter rose
        self._top: tuple[float, float, float] | None = None  # time, height, climb at the last rising sample
        self._apogee: Moment | None = None
        self._since_s: float | None = None
        self._above_s = self._rises_s = inf  # in the descent: since when it surely climbs over the apogee, or fast
        self._rest_m = 0.0

    def force(self, t_s: float, along_nose_m_s2: float) -> PhaseChange | None:
        """Take one specific force along the body axis (m/s2, +9.8 at rest nose up); return the phase it begins, if any."""
        self._force_s = t_s
        if self.phase is PAD:
            pad = self.pad
            pad.force(t_s, along_nose_m_s2)
            since_s = pad.lift_off_s(t_s)
            return None if since_s is None else self._leaves_the_pad(t_s, since_s)
        if self.phase is BOOST:
            return self._look_for_burnout(t_s, along_nose_m_s2)
        if self.air_start is not None:
            self.air_start.force(t_s, along_nose_m_s2 - self.pad.offset_m_s2)
            return self._look_for_ignition(t_s)
        return None

    def ignited(self, t_s: float) -> PhaseChange | None:
        """Take the vehicle's word that a motor lit in the air; believed where no force is heard."""
        if t_s - self._force_s < FORCE_HEARD_S:
            return None
        if self.air_start is not None:
            self.air_start.word(t_s)
            return self._look_for_ignition(t_s)
        # Without a force no burnout is ever seen.
        return self._lights(t_s, t_s) if self.phase is BOOST else None

    def motion(self, t_s: float, height_m: float, climb_m_s: float, raw_m: float) -> PhaseChange | None:
        """Take the filtered height over the pad (m), climb rate (m/s) and unfiltered height (m) at a barometer sample.

        Return the phase that begins with it, if one does; its moments may lie before `t_s` (timeline seconds).
        """
        self._height_m, self._climb_m_s = height_m, climb_m_s
        if self.phase is PAD:
            pad = self.pad
            pad.height(t_s, raw_m)
            since_s = pad.lift_off_s(t_s)
            return None if since_s is None else self._leaves_the_pad(t_s, since_s)
        self._barometer.take(t_s, raw_m)
        if self.air_start is not None:
            self.air_start.height(t_s, raw_m, height_m, climb_m_s)
            lit = self._look_for_ignition(t_s)
            if lit is not None:
                return lit
        if self.phase in (BOOST, COAST):
            return self._look_for_apogee(t_s, raw_m)
        if self.phase is DESCENT:
            return self._look_for_return(t_s, raw_m) or self._look_for_landing(t_s)
        return None

    def _leaves_the_pad(self, t_s: float, since_s: float) -> PhaseChange:
        return self._enter(BOOST, t_s, Moment("lift_off", since_s, 0.0))

    def _look_for_burnout(self, t_s: float, force: float) -> PhaseChange | None:
        own = force - self.pad.offset_m_s2
        self._strongest = max(self._strongest, min(self._boosts))
        self._boosts = (*self._boosts[1:], own)
        self._count_run(t_s, own < burnout.SHARE * self._strongest)
        if self._run < burnout.SAMPLES:
            return None
        self.air_start = AirStartWatch(self._strongest, (t_s, self._height_m, self._climb_m_s))
        return self._enter(COAST, t_s, Moment(self._numbered("burnout"), self._run_start_s, self._height_m))

    def _look_for_ignition(self, t_s: float) -> PhaseChange | None:
        watch = self.air_start
        lit_s = None if watch is None else watch.lit_s()
        if watch is None or lit_s is None:
            return None
        self._strongest, self._boosts = watch.strongest_m_s2, (0.0, 0.0, 0.0)
        return self._lights(t_s, lit_s)

    def _lights(self, t_s: float, lit_s: float) -> PhaseChange:
        self.thrust += 1
        self.air_start = None
        return self._enter(BOOST, t_s, Moment(self._numbered("ignition"), lit_s, self._height_m))

    def _numbered(self, key: str) -> str:
        return key if self.thrust == 1 else f"{key}_{self.thrust}"

    def _look_for_apogee(self, t_s: float, raw_m: float) -> PhaseChange | None:
        if self._climb_m_s >= 0.0:
            self._raw_top_m = max(self._raw_top_m, raw_m)
            self._top, self._since_s = (t_s, self._height_m, self._climb_m_s), None
            return None
        if self._top is None:
            return None
        if self._since_s is None or self._apogee is None:
            self._apogee = self._crossing(t_s, *self._top)
            self._since_s = t_s
        if self._climb_m_s > -DESCENT_M_S or t_s - self._since_s < DESCENT_S:
            return None
        # What an ejection's puff pressed down climbs back, but no higher than it was. After a silence it takes some samples
        # to tell which way it goes.
        is_young = self._barometer.span_s < HEARD_S
        if raw_m > self._raw_top_m and (is_young or self._barometer.surely_m_s() > CLIMBS_M_S):
            return None
        self.air_start = None
        return self._enter(DESCENT, t_s, self._apogee)

    def _crossing(self, t_s: float, top_s: float, top_m: float, top_climb: float) -> Moment:
        """Where the climb rate went through zero, between the last rising sample and this one."""
        share = top_climb / (top_climb - self._climb_m_s)
        rise = 0.5 * top_climb * share * (t_s - top_s)
        return Moment("apogee", top_s + share * (t_s - top_s), max(top_m + rise, self._height_m))

    def _look_for_return(self, t_s: float, raw_m: float) -> PhaseChange | None:
        """The raw barometer climbs on: what was told for apogee was none."""
        wrong, surely_m_s = self._apogee, -inf if self._barometer.span_s < HEARD_S else self._barometer.surely_m_s()
        if wrong is None:
            return None
        is_above = raw_m > max(wrong.height_m, self._raw_top_m) + AGAIN_M and surely_m_s > CLIMBS_M_S
        self._above_s = min(self._above_s, t_s) if is_above else inf
        self._rises_s = min(self._rises_s, t_s) if surely_m_s > RISES_M_S else inf
        if t_s - self._above_s < AGAIN_S and t_s - self._rises_s < RISES_S:
            return None
        self._above_s = self._rises_s = inf
        self._apogee, self._top, self._raw_top_m = None, None, raw_m
        return replace(self._enter(COAST, t_s), taken_back=wrong)

    def _look_for_landing(self, t_s: float) -> PhaseChange | None:
        if self._since_s is None or abs(self._height_m - self._rest_m) > LANDED_M:
            self._since_s, self._rest_m = t_s, self._height_m
        if t_s - self._since_s < LANDED_S:
            return None
        return self._enter(LANDED, t_s, Moment("landing", self._since_s, self._height_m))

    def _count_run(self, t_s: float, holds: bool) -> None:
        if not holds:
            self._run = 0
        elif self._run == 0:
            self._run, self._run_start_s = 1, t_s
        else:
            self._run += 1

    def _enter(self, phase: Phase, t_s: float, *moments: Moment) -> PhaseChange:
        self.phase = phase
        self._run, self._since_s = 0, None
        return PhaseChange(phase, t_s, moments)
