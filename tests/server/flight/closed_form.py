"""A flight whose every value has a closed form: constant boost, coast with quadratic drag, steady descent.

Coast is check_values 10.4, row "1.5 kg, 66 mm": k = 0.00115251 kg/m, 60 m/s at burnout, 161.689 m and 5.6243 s to the
top. Boost is the constant acceleration that gives 60 m/s in 1.5 s, so burnout is at 45 m.
"""

from __future__ import annotations

from math import atan, cos, log, sqrt, tan

G0 = 9.80665
MASS_KG, DRAG_KG_M = 1.5, 0.00115251
IGNITION_S, BOOST_S, BURNOUT_M_S = 10.0, 1.5, 60.0
BURNOUT_S = IGNITION_S + BOOST_S
BOOST_M_S2 = BURNOUT_M_S / BOOST_S
BURNOUT_M = BURNOUT_M_S * BOOST_S / 2
COAST_S, COAST_M = 5.6243, 161.689
APOGEE_S, APOGEE_M = BURNOUT_S + COAST_S, BURNOUT_M + COAST_M
SINK_M_S = 5.0
LANDING_S = APOGEE_S + APOGEE_M / SINK_M_S
_TERMINAL_M_S = sqrt(MASS_KG * G0 / DRAG_KG_M)


def motion(t_s: float) -> tuple[float, float, float]:
    """Return (height m, climb m/s, vertical acceleration m/s2)."""
    if t_s < IGNITION_S:
        return 0.0, 0.0, 0.0
    if t_s < BURNOUT_S:
        since = t_s - IGNITION_S
        return BOOST_M_S2 * since**2 / 2, BOOST_M_S2 * since, BOOST_M_S2
    if t_s < APOGEE_S:
        # v = vt tan(a - g t / vt) solves m v' = -m g - k v v; the height is its integral.
        begin = atan(BURNOUT_M_S / _TERMINAL_M_S)
        angle = begin - G0 * (t_s - BURNOUT_S) / _TERMINAL_M_S
        climb = _TERMINAL_M_S * tan(angle)
        height = BURNOUT_M + _TERMINAL_M_S**2 / G0 * log(cos(angle) / cos(begin))
        return height, climb, -G0 - DRAG_KG_M * climb**2 / MASS_KG
    if t_s < LANDING_S:
        return APOGEE_M - SINK_M_S * (t_s - APOGEE_S), -SINK_M_S, 0.0
    return 0.0, 0.0, 0.0


def force_along_nose(t_s: float) -> float:
    """Return the specific force (m/s2) along a nose that points up until the parachute opens and level then."""
    _, _, acceleration = motion(t_s)
    return acceleration + G0 if t_s < APOGEE_S or t_s >= LANDING_S else 0.0
