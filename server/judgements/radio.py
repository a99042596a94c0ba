"""The radio in flight: what was lost, in what bursts, the longest silence."""

from __future__ import annotations

import numpy as np

from server.judgements.case import Case, Figure


def judge_link(case: Case) -> list[Figure]:
    """Return the share of packets lost since lift-off, the mean burst and the longest silence, all kinds together."""
    start_s = case.t_of("lift_off")
    if start_s is None:
        return []
    end_s = case.moments["landing"][0] if "landing" in case.moments else case.now_s
    frames = case.window("frames", start_s, end_s)
    if len(frames) < 20:
        return []
    gap = frames["gap"]
    lost = float(gap.sum())
    bursts = gap[gap > 0]
    silence = float(np.diff(np.sort(frames["rx"])).max())
    body = {
        "t": end_s,
        "flight_loss": lost / (lost + len(frames)),
        "packets": len(frames),
        "mean_burst": float(bursts.mean()) if len(bursts) else None,
        "longest_silence_s": silence,
    }
    return [Figure("link", "", body)]
