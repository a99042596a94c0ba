"""A barometer carried up and down known heights, such as stairs: scale and offset of its height over the true one.

    height by pressure = constant + scale (height) + drift (time)

Height by pressure is the hypsometric equation with the air's temperature (any text of meteorology), against the
pressure at the lowest place. The weather's drift is told apart by coming back; what is left at each visit gives the
sigma. A temperature that is wrong stretches every height by its share of the absolute one, and its doubt is part of the
scale's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.calibration.estimate import Calibration, Estimated, UncalibratedFault, student_factor

GAS_J_KG_K = 287.05287  # dry air: tests/SOURCES.md, standard-atmosphere
STANDARD_K = 288.15
TOLD_TEMPERATURE_SIGMA_K, UNTOLD_TEMPERATURE_SIGMA_K = 2.0, 10.0
FEWEST_VISITS, FEWEST_HEIGHTS = 5, 3
LEAST_RISE_M = 2.0


@dataclass(frozen=True)
class Visit:
    """A stay at a known height: its middle (s), the height (m) and the mean pressure (Pa)."""

    t_s: float
    height_m: float
    pressure_pa: float


def barometer(
    visits: Sequence[Visit],
    temperature_k: float = STANDARD_K,
    temperature_sigma_k: float = UNTOLD_TEMPERATURE_SIGMA_K,
    reference_pa: float | None = None,
) -> Calibration:
    """Return scale, drift of the weather (m/min) and reading at height zero (Pa), each (1,), with `reference_pa` an
    offset (Pa).

    `reference_pa` is what another barometer told at height zero at the beginning.

    Visits in order of time; `temperature_k` of the air, not of the sensor. Raises UncalibratedFault.
    """
    heights = np.array([one.height_m for one in visits])
    t = np.array([one.t_s for one in visits])
    pressure = np.array([one.pressure_pa for one in visits])
    _check(heights)
    zero_pa = float(np.exp(np.log(pressure[heights == heights.min()]).mean()))
    per_m = GAS_J_KG_K * temperature_k / GRAVITY_M_S2
    told = -per_m * np.log(pressure / zero_pa)
    minutes = (t - t[0]) / 60.0
    design = np.column_stack((np.ones(len(t)), heights, minutes))
    fit, *_ = np.linalg.lstsq(design, told, rcond=None)
    left = told - design @ fit
    freedom = len(t) - 3
    covariance = np.linalg.inv(design.T @ design) * float(left @ left) / freedom
    sigma = student_factor(freedom) * np.sqrt(np.diag(covariance))
    scale_sigma = sqrt(float(sigma[1]) ** 2 + (float(fit[1]) * temperature_sigma_k / temperature_k) ** 2)
    # what it reads at height zero at the beginning, after the fit, and how sure that is
    here_pa = zero_pa * float(np.exp(-fit[0] / per_m))
    sigma_pa = np.array([here_pa / per_m * sigma[0]])
    estimates = [
        Estimated("scale", np.array([fit[1]]), np.array([scale_sigma])),
        Estimated("drift", np.array([fit[2]]), np.array([sigma[2]]), "m/min"),
        Estimated("zero", np.array([here_pa]), sigma_pa, "Pa"),
    ]
    if reference_pa is not None:
        estimates.append(Estimated("offset", np.array([here_pa - reference_pa]), sigma_pa, "Pa"))
    return Calibration("barometer", tuple(estimates))


def _check(heights: Floats) -> None:
    levels = np.unique(heights)
    if len(heights) < FEWEST_VISITS or len(levels) < FEWEST_HEIGHTS:
        raise UncalibratedFault(
            f"{len(heights)} stays at {len(levels)} heights are too few; {FEWEST_VISITS} at {FEWEST_HEIGHTS} are the least"
        )
    if levels[-1] - levels[0] < LEAST_RISE_M:
        raise UncalibratedFault(f"{levels[-1] - levels[0]:.1f} m of rise is too little; {LEAST_RISE_M:.0f} m are the least")
    if len(levels) == len(heights):
        raise UncalibratedFault("no height was visited twice, so the weather cannot be told from the stairs: come back down")
