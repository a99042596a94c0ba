"""Which series are kept for judging, and which judgement follows which moment after how long."""

from __future__ import annotations

from server.analysis.judgements.ascent import judge_apogee, judge_burnout, judge_lean, judge_lift_off, judge_rail
from server.analysis.judgements.case import Judgement, SeriesSource
from server.analysis.judgements.control import judge_gate, judge_roll
from server.analysis.judgements.descent import judge_descent, judge_opening
from server.analysis.judgements.drag import judge_drag
from server.analysis.judgements.ends import judge_ends
from server.analysis.judgements.inertial_units import judge_inertial_units
from server.analysis.judgements.later_thrusts import judge_ignition, judge_later_burnout
from server.analysis.judgements.pad_sensors import judge_pad_sensors
from server.analysis.judgements.radio import judge_link
from server.analysis.judgements.recovery import judge_recovery
from server.analysis.judgements.speed import judge_speed
from server.analysis.judgements.swing import judge_cone, judge_swing
from server.analysis.roles import COMMANDED_FINS, FINS, QUATERNION, STATE_VECTOR

FLAGS = ("control.gate.altitude_met", "control.gate.speed_met", "control.enabled", "deployment", "separation")
GATE = ("control.gate.altitude", "control.gate.speed")
RECOVERY_S = (3.0, 8.0, 12.0, 16.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0)
# Where it lies rests on the last of these before the link was lost: some 20 m of height apart, further up more. After the
# landing they would only say again what was said then.
ON_THE_WAY_DOWN_S = tuple(
    s
    for s in (*map(float, range(6, 60, 3)), *map(float, range(60, 121, 6)))
    if s not in (12.0, 30.0, 45.0, 60.0, 90.0, 120.0)
)


# A descent from high up, or one whose landing nobody heard.
DESCENDS_ON_S = tuple(map(float, (*range(90, 241, 30), *range(300, 601, 60), *range(720, 1081, 120))))


def _unit(unit: str) -> tuple[str, ...]:
    return tuple(f"{kind}.{unit}.{axis}" for kind in ("accel", "gyro") for axis in "xyz")


SOURCES: dict[str, SeriesSource] = {
    "state": SeriesSource(roles=STATE_VECTOR, is_split=True),
    "unit_a": SeriesSource(roles=_unit("a"), is_split=True),
    "unit_b": SeriesSource(roles=_unit("b"), is_split=True),
    "pressure": SeriesSource(roles=("pressure",)),
    "warmth": SeriesSource(roles=("baro_temperature",)),
    "vehicle_height": SeriesSource(roles=("altitude_baro",)),
    "fins": SeriesSource(roles=(FINS,), is_split=True),
    "fins_commanded": SeriesSource(roles=(COMMANDED_FINS,), is_split=True),
    "control": SeriesSource(roles=FLAGS + GATE, is_split=True),
    "levels": SeriesSource(roles=("downlink.level",)),
    "height": SeriesSource(table="ground_vertical"),
    "motion": SeriesSource(table="ground_motion"),
    "gnss": SeriesSource(table="ground_gnss"),
}
# Of series whose roles come in several packets the roles whose rows count: the others are brought to their times.
MERGED: dict[str, tuple[str, ...]] = {"state": QUATERNION}
COLUMNS: dict[str, tuple[str, ...]] = {
    **{name: source.roles for name, source in SOURCES.items() if source.roles},
    "height": ("height", "height_raw", "climb_rate"),
    "frames": ("gap", "rx"),
    "gnss": ("east", "north", "up", "latitude", "longitude"),
    "motion": ("tilt", "azimuth", "speed", "cone", "cone_turns", "cone_round"),
}
JUDGEMENTS: tuple[Judgement, ...] = (
    Judgement("lift-off", "lift_off", (1.4,), judge_lift_off),
    Judgement("sensors on the pad", "lift_off", (1.4,), judge_pad_sensors),
    Judgement("rail exit", "lift_off", (2.4,), judge_rail),
    Judgement("lean", "lift_off", (2.4,), judge_lean),
    Judgement("swing", "lift_off", (4.0,), judge_swing),
    Judgement("burnout", "burnout", (0.5,), judge_burnout),
    *(Judgement(f"ignition {n}", f"ignition_{n}", (0.5,), judge_ignition(n)) for n in (2, 3)),
    *(Judgement(f"burnout {n}", f"burnout_{n}", (0.5,), judge_later_burnout(n)) for n in (2, 3)),
    *(Judgement("greatest speed", one, (1.0,), judge_speed) for one in ("burnout", "burnout_2", "burnout_3")),
    Judgement("greatest speed", "apogee", (1.5,), judge_speed),
    Judgement("apogee", "apogee", (1.5,), judge_apogee),
    Judgement("drag", "apogee", (1.5,), judge_drag),
    Judgement("control gate", "apogee", (1.5,), judge_gate),
    Judgement("roll authority", "apogee", (1.5,), judge_roll),
    Judgement("inertial units", "apogee", (1.5,), judge_inertial_units),
    Judgement("cone", "apogee", (1.5,), judge_cone),
    Judgement("ends of ranges", "apogee", (1.5,), judge_ends),
    Judgement("opening", "apogee", (4.0,), judge_opening),
    Judgement("descent", "apogee", (8.0, 15.0, 30.0, 60.0), judge_descent),
    Judgement("descent", "apogee", DESCENDS_ON_S, judge_descent, until="landing"),
    Judgement("descent", "landing", (1.0,), judge_descent),
    Judgement("recovery", "apogee", RECOVERY_S, judge_recovery),
    Judgement("recovery", "apogee", ON_THE_WAY_DOWN_S, judge_recovery, until="landing"),
    Judgement("recovery", "landing", (1.0,), judge_recovery),
    Judgement("link in flight", "apogee", (2.0, 15.0, 60.0), judge_link),
    Judgement("link in flight", "landing", (1.0,), judge_link),
)
