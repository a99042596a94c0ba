"""The radio in flight: what was lost, in what bursts, the longest silence, and what range the level leaves."""

from __future__ import annotations

import numpy as np

from server.analysis.figures.link import LinkFigure, LinkReach
from server.analysis.judgements.case import Case
from server.analysis.roles import POSITION
from server.flight.link.link_range import fit_range, reach

NEAREST_M = 60.0


def judge_link(case: Case) -> LinkFigure | None:
    """Return the share of packets lost since lift-off, the mean burst and the longest silence, all kinds together."""
    start_s = case.t_of("lift_off")
    if start_s is None:
        return None
    end_s = case.moments["landing"][0] if "landing" in case.moments else case.now_s
    frames = case.window("frames", start_s, end_s)
    if len(frames) < 20:
        return None
    gap = frames["gap"]
    lost = float(gap.sum())
    bursts = gap[gap > 0]
    silence = float(np.diff(np.sort(frames["rx"])).max())
    return LinkFigure(
        t=end_s,
        flight_loss=lost / (lost + len(frames)),
        packets=len(frames),
        mean_burst=float(bursts.mean()) if len(bursts) else None,
        longest_silence_s=silence,
        reach=_reach(case, start_s, end_s),
    )


def _reach(case: Case, start_s: float, end_s: float) -> LinkReach | None:
    """Return the level at 1 m, its fading and how far the link reaches; the ground station is taken to stand at the pad."""
    levels, state = case.window("levels", start_s, end_s), case.window("state", start_s, end_s)
    position = state.stack(*POSITION)
    known = np.isfinite(position).all(axis=1)
    if case.facts.sensitivity_dbm is None or known.sum() < 2 or not np.isfinite(levels["downlink.level"]).any():
        return None
    order = np.argsort(state.t[known], kind="stable")
    distance = np.sqrt((position[known][order] ** 2).sum(axis=1))
    at = np.interp(levels.t, state.t[known][order], distance)
    # Close by, the few meters between station and pad would matter.
    far = at >= NEAREST_M
    fit = fit_range(levels.t[far], at[far], levels["downlink.level"][far])
    if fit is None:
        return None
    left = reach(fit, case.facts.sensitivity_dbm, float(distance.max()))
    return LinkReach(
        level_1_m_dbm=fit.level_1_m_dbm,
        fading_db=fit.fading_db,
        exponent=None if fit.exponent is None else fit.exponent.value,
        margin_db=left.margin_db,
        greatest_distance_m=float(distance.max()),
        range_m=left.greatest_m,
        range_low_m=left.low_m,
        range_high_m=left.high_m,
        range_left_m=left.left_m,
    )
