"""Suspicion of a lift-off comes and goes with the forces alone as well, between two heights or without any."""

from __future__ import annotations

from server.flight.motion.lift_off_watch import (
    PROOF_S,
    SUSPECT_AT_MOST_S,
    SUSPECT_RISEN_M,
    SUSPECT_SPEED_M_S,
    LiftOffWatch,
)

G = 9.80665
STEP_S = 0.01


def pushed(watch: LiftOffWatch, t_s: float, force_m_s2: float, for_s: float) -> tuple[float, list[bool]]:
    """Give a steady force from a time on; return the time after it, and after each sample whether a flight is suspected."""
    told = []
    for _ in range(round(for_s / STEP_S)):
        t_s += STEP_S
        watch.force(t_s, force_m_s2)
        told.append(watch.suspects)
    return t_s, told


def test_speed_is_suspected_and_no_longer_once_it_is_gone() -> None:
    watch = LiftOffWatch()
    t_s, still = pushed(watch, 0.0, G, 3.0)
    t_s, pushes = pushed(watch, t_s, G + 2.25, 1.0)  # 2 m/s2 over what drifts
    _, falls = pushed(watch, t_s, G - 4.75, 1.0)
    assert not any(still) and all(pushes[60:])
    assert abs(pushes.index(True) * STEP_S - SUSPECT_SPEED_M_S / 2.0) <= 2 * STEP_S
    assert falls[0] and not falls[-1]


def test_a_blow_is_suspected_for_as_long_as_it_could_be_proof() -> None:
    watch = LiftOffWatch()
    t_s, _ = pushed(watch, 0.0, G, 3.0)
    t_s, blow = pushed(watch, t_s, 3.0 * G, 3 * STEP_S)  # a third of a meter per second
    _, after = pushed(watch, t_s, G, 2.0)
    assert blow == [False, False, True]
    assert abs(sum(after) - round(PROOF_S / STEP_S)) <= 1 and not after[-1]


def test_what_stands_high_for_long_is_given_up_and_then_stands_like_any_other() -> None:
    watch = LiftOffWatch()
    watch.height(0.0, 2.0 * SUSPECT_RISEN_M)
    t_s, high = pushed(watch, 0.0, G, SUSPECT_AT_MOST_S - 1.0)
    assert all(high) and watch.climbs and not watch.gave_up
    t_s, _ = pushed(watch, t_s, G, 2.0)
    assert watch.gave_up and not watch.suspects and not watch.climbs
