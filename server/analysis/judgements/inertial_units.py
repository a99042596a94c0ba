"""Which inertial unit it was, when the two disagreed in force: by the barometer, which depends on neither."""

from __future__ import annotations

from dataclasses import replace

from server.analysis.figures.pad import AccelUnitsFigure
from server.analysis.judgements.case import Case
from server.analysis.judgements.control import end_of_flight
from server.analysis.roles import QUATERNION
from server.flight.sensors.imu_blame import TimeSeries, force_error, who_disagrees


def judge_inertial_units(case: Case) -> AccelUnitsFigure | None:
    """Return the figure of a disagreement in force again with the unit that is to blame, where that can be told."""
    told = case.figures.get(AccelUnitsFigure)
    start_s, end_s = case.coasts_s, end_of_flight(case)
    if told is None or told.suspect or start_s is None or end_s is None:
        return None
    state = case.window("state", start_s, end_s)
    height = case.window("height", start_s, end_s)
    attitude = TimeSeries(state.t, state.stack(*QUATERNION))
    errors = []
    for unit in "ab":
        window = case.window(f"unit_{unit}", start_s, end_s)
        force = TimeSeries(window.t, window.stack(*(f"accel.{unit}.{axis}" for axis in "xyz")))
        errors.append(force_error(force, attitude, TimeSeries(height.t, height["height_raw"])))
    blame = who_disagrees("accel", barometer=(errors[0], errors[1]))
    if blame.unit is None:
        return None
    return replace(told, suspect=blame.unit, reason="; ".join(blame.reasons))
