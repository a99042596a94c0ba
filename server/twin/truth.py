"""What really happened to the simulated vehicle, in one piece: the form in which tests and files get it."""

from __future__ import annotations

from typing import TypedDict


class Truth(TypedDict):
    """Ready for JSON. Times in seconds since the twin was made; None for what has not happened, or not yet."""

    ignition_s: float | None
    liftoff_s: float | None
    rail_exit_s: float | None
    rail_exit_speed_m_s: float | None
    burnout_s: float | None
    apogee_s: float | None
    apogee_m: float
    max_speed_m_s: float
    separation_s: float | None
    landing_s: float | None
    landing_speed_m_s: float | None
    scenario: str
    seed: int
    max_tilt_deg_before_apogee: float
    deployment_s: float | None
    control_enabled_s: float | None
    control_time_s: float
    landing_east_m: float | None
    landing_north_m: float | None
    under_canopy: bool
    phase: str
    servo_connector_open_s: float | None
    nonfinite_frames: int
    mass_liftoff_kg: float
    mass_kg: float
    roll_authority_per_pa_rad: float
    roll_authority_sign: int
    downlink_frames_sent: int
    downlink_frames_lost: int
    downlink_frames_dropped: int
    commands_executed: list[list[int | str]]  # counter and name of each, in order


class HopTruth(TypedDict):
    """The same of the small vehicle that hops."""

    phase: str
    apogee_m: float
    commands_executed: list[str]
