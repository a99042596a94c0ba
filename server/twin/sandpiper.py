"""Every number of the simulated Sandpiper and of Mossbank Field. All of them are invented.

One frozen dataclass per subject, gathered in `Vehicle`. A scenario changes numbers by their dotted name
(`changed(vehicle, {"radio.down.enter_burst": 0.03})`), so that no other module holds a number of the vehicle.
Lengths along the body are measured from the nose tip; SI units throughout.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol, TypeVar

from protocol.units import GRAVITY_M_S2

DEGREE = math.pi / 180.0
# What a number of the vehicle can be: one figure, one per part, or a curve of points.
Number = float | bool | tuple[float, ...] | tuple[bool, ...] | tuple[tuple[float, float], ...] | None


class Group(Protocol):
    """Any dataclass, as the standard library knows one; a field of it may be of any type."""

    __dataclass_fields__: ClassVar[dict[str, dataclasses.Field[Any]]]


Numbers = TypeVar("Numbers", bound=Group)


@dataclass(frozen=True)
class Site:
    """Mossbank Field on the day of the flight (invented)."""

    pad_pressure_pa: float = 94080.0
    pad_temperature_k: float = 291.0


@dataclass(frozen=True)
class Gust:
    """A single gust tied to the moment the rail is left; a peak of zero means none."""

    peak_m_s: float = 0.0
    toward_deg: float = 80.0
    start_after_rail_exit_s: float = -0.05
    rise_s: float = 0.12
    hold_s: float = 0.8
    fall_s: float = 0.6


@dataclass(frozen=True)
class WindNumbers:
    """Mean wind, its growth with height, and turbulence."""

    speed_at_10_m_m_s: float = 1.3
    toward_deg: float = 80.0
    power: float = 0.16
    turbulence_m_s: float = 0.3
    length_scale_m: float = 40.0
    gust: Gust = Gust()
    # A number here makes the weather part of the scenario: the same air whatever the twin's seed.
    fixed_seed: int | None = None


@dataclass(frozen=True)
class Rail:
    """The launch rail."""

    length_m: float = 2.4
    tilt_deg: float = 1.2
    azimuth_deg: float = 260.0


@dataclass(frozen=True)
class MotorNumbers:
    """An invented motor, about 138 N s in 1.5 s; the curve is (s after ignition, N) with straight lines between."""

    thrust_n: tuple[tuple[float, float], ...] = (
        (0.0, 0.0), (0.03, 105.0), (0.08, 128.0), (0.25, 118.0), (0.60, 108.0), (1.00, 94.0), (1.25, 76.0),
        (1.36, 40.0), (1.45, 10.0), (1.50, 0.0),
    )  # fmt: skip
    thrust_factor: float = 1.0
    propellant_kg: float = 0.070
    propellant_center_m: float = 1.145
    nozzle_m: float = 1.24
    # The line of thrust is a little off the body axis: it pitches the vehicle a little while it burns.
    misalignment_deg: float = 0.02


@dataclass(frozen=True)
class BodyNumbers:
    """Mass, inertia and aerodynamics of the whole vehicle."""

    dry_mass_kg: float = 1.55
    dry_center_m: float = 0.742
    dry_lateral_inertia_kg_m2: float = 0.158
    propellant_length_m: float = 0.15
    roll_inertia_kg_m2: float = 0.0017
    diameter_m: float = 0.066
    length_m: float = 1.24
    nose_slope: float = 2.0
    nose_pressure_center_m: float = 0.1025
    body_lift: float = 0.4
    drag_coast: float = 0.58
    drag_boost: float = 0.53
    drag_alpha: float = 1.2


@dataclass(frozen=True)
class FinNumbers:
    """Four fins whose whole surface is fixed and whose trailing part turns on a servo."""

    root_m: float = 0.09
    tip_m: float = 0.05
    span_m: float = 0.055
    sweep_m: float = 0.02
    root_leading_edge_m: float = 1.13
    travel_rad: float = 15.0 * DEGREE
    # Share of a whole turned fin's force that the movable part gives; a negative sign reverses the roll.
    effectiveness: float = 0.25
    misalignment_rad: float = 0.10 * DEGREE
    servo_rate_rad_s: float = 7.0
    servo_lag_s: float = 0.03
    backlash_rad: float = 0.0035
    linkage_ratio: tuple[float, float, float, float] = (0.985, 1.012, 0.992, 1.006)
    linkage_offset_rad: tuple[float, float, float, float] = (0.002, -0.003, 0.001, 0.0025)
    # A connector badly seated shakes loose so long after burnout; a good one opens when the bodies part.
    connector_opens_after_burnout_s: float = math.inf


@dataclass(frozen=True)
class RecoveryNumbers:
    """Two bodies, each on its own parachute, joined by a riser."""

    nose_mass_kg: float = 0.53
    nose_drag_area_m2: float = 0.32
    tail_drag_area_m2: float = 0.60
    body_drag_area_m2: float = 0.018
    opening_s: float = 0.55
    # Nose, tail: a canopy may stay in its bag although its charge fired.
    canopy_opens: tuple[bool, bool] = (True, True)
    ejection_speed_m_s: float = 5.0
    riser_m: float = 3.5
    riser_stiffness_n_m: float = 260.0
    riser_damping_n_s_m: float = 9.0
    tail_lever_m: float = 0.30
    tail_lateral_inertia_kg_m2: float = 0.052
    swing_damping_n_m_s: float = 0.035
    spin_damping_n_m_s: float = 0.0016


@dataclass(frozen=True)
class ImuNumbers:
    """One inertial unit: errors (one sigma), range and place."""

    accel_bias_m_s2: float = 0.06
    accel_noise_m_s2: float = 0.09
    accel_range_m_s2: float = 16.0 * GRAVITY_M_S2
    gyro_bias_rad_s: float = 0.35 * DEGREE
    gyro_noise_rad_s: float = 0.12 * DEGREE
    gyro_range_rad_s: float = 2000.0 * DEGREE
    gyro_drift_rad_s2: float = 0.0
    place_m: float = 0.60
    temperature_k: float = 304.0


@dataclass(frozen=True)
class BarometerNumbers:
    """The static port."""

    noise_pa: float = 2.2
    bias_pa: float = 25.0
    # Reads low by this share of the dynamic pressure, as a port in faster flow does.
    dynamic_share: float = 0.006
    ejection_spike_pa: float = 900.0
    ejection_decay_s: float = 0.08
    lag_s: float = 0.02


@dataclass(frozen=True)
class NavigationNumbers:
    """Satellite fixes that aid the horizontal estimate, and the blend with pressure."""

    fix_error_m: float = 1.4
    fix_time_s: float = 25.0
    ascent_bandwidth_rad_s: float = 0.8
    descent_bandwidth_rad_s: float = 1.8
    horizontal_bandwidth_rad_s: float = 0.5


@dataclass(frozen=True)
class ControlNumbers:
    """Phase detection, control gate, roll controller, deployment."""

    startup_s: float = 2.0
    liftoff_accel_m_s2: float = 25.0
    liftoff_hold_s: float = 0.06
    burnout_accel_m_s2: float = 2.0
    gate_altitude_m: float = 110.0
    gate_speed_m_s: float = 15.0
    roll_bandwidth_rad_s: float = 7.0
    roll_damping: float = 0.8
    roll_limit_rad: float = 8.0 * DEGREE
    apogee_hold_s: float = 0.06
    earliest_deployment_s: float = 2.0
    latest_deployment_s: float = 14.0
    arm_expiry_s: float = 60.0
    # Puts NaN into the navigation frame when control starts: a fault some firmware really has.
    bad_number_at_control: bool = False


@dataclass(frozen=True)
class BatteryNumbers:
    """Two lithium cells; the open-circuit table is per cell against the charge left (0 to 1)."""

    capacity_c: float = 0.850 * 3600.0
    charge_at_start: float = 0.97
    resistance_ohm: float = 0.085
    open_circuit_v: tuple[tuple[float, float], ...] = (
        (0.0, 3.00), (0.05, 3.38), (0.1, 3.55), (0.2, 3.66), (0.4, 3.75), (0.6, 3.84), (0.8, 3.99), (1.0, 4.19),
    )  # fmt: skip
    computer_a: float = 0.19
    servo_idle_a: float = 0.03
    servo_moving_a: float = 0.35
    camera_a: float = 0.30


@dataclass(frozen=True)
class CameraNumbers:
    """Three cameras: tail, horizon, nose."""

    fitted: int = 3
    storage_b: tuple[float, ...] = (27.4e9, 14.1e9, 28.9e9)
    record_b_s: float = 5.5e6
    power_delay_s: float = 0.3
    record_delay_s: float = 2.0


@dataclass(frozen=True)
class FiringNumbers:
    """Which igniters are connected at switch-on."""

    lateral_continuity: tuple[bool, ...] = (True, True, True, True)
    recovery_continuity: tuple[bool, ...] = (True, True)
    fire_delay_s: float = 0.04


@dataclass(frozen=True)
class LateralNumbers:
    """Four small motors around the body that push it sideways.

    Number n sits where fin n sits, and pushes away from there.
    """

    impulse_n_s: tuple[float, ...] = (1.6, 1.6, 1.6, 1.6)
    burn_s: float = 0.2
    # From the nose tip: ahead of the center of gravity, so that the push turns the nose.
    place_m: float = 0.30
    # A dud takes the current, burns its bridge and gives nothing.
    dud: tuple[bool, ...] = (False, False, False, False)
    # So long after the current some light, s.
    late_s: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class ChannelNumbers:
    """One direction of the radio: a two-state burst-loss chain over radio frames, bit errors, delay."""

    bytes_per_s: float = 5760.0
    delay_s: float = 0.025
    queue_s: float = 0.5
    enter_burst: float = 0.0008
    leave_burst: float = 0.25
    loss_in_burst: float = 0.8
    loss_outside: float = 0.0005
    bit_error_rate: float = 2e-7


@dataclass(frozen=True)
class RadioNumbers:
    """Both directions, and what a free-space link between two small antennas gives."""

    down: ChannelNumbers = ChannelNumbers()
    up: ChannelNumbers = ChannelNumbers()
    power_dbm: float = 20.0
    antenna_gain_dbi: float = 2.15
    frequency_hz: float = 915e6
    other_losses_db: float = 6.0
    fading_db: float = 1.8
    fading_s: float = 0.4
    sensitivity_dbm: float = -110.0
    ground_station_distance_m: float = 30.0


@dataclass(frozen=True)
class Spread:
    """How much one flight differs from the next (one sigma), drawn from the twin's seed."""

    thrust: float = 0.01
    wind_speed: float = 0.15
    wind_direction_deg: float = 15.0
    fin_misalignment_rad: float = 0.03 * DEGREE


@dataclass(frozen=True)
class Vehicle:
    """The Sandpiper, its site and its day."""

    site: Site = Site()
    wind: WindNumbers = WindNumbers()
    rail: Rail = Rail()
    motor: MotorNumbers = MotorNumbers()
    body: BodyNumbers = BodyNumbers()
    fins: FinNumbers = FinNumbers()
    recovery: RecoveryNumbers = RecoveryNumbers()
    imu_a: ImuNumbers = ImuNumbers()
    imu_b: ImuNumbers = field(default_factory=lambda: ImuNumbers(accel_noise_m_s2=0.13, place_m=0.66))
    barometer: BarometerNumbers = BarometerNumbers()
    navigation: NavigationNumbers = NavigationNumbers()
    control: ControlNumbers = ControlNumbers()
    battery: BatteryNumbers = BatteryNumbers()
    cameras: CameraNumbers = CameraNumbers()
    firing: FiringNumbers = FiringNumbers()
    lateral: LateralNumbers = LateralNumbers()
    radio: RadioNumbers = RadioNumbers()
    spread: Spread = Spread()


def changed(numbers: Numbers, changes: Mapping[str, Number]) -> Numbers:
    """Return a copy of a dataclass tree with values replaced by dotted name; an unknown name raises KeyError."""
    for name, value in changes.items():
        numbers = _changed_one(numbers, name.split("."), value, name)
    return numbers


def _changed_one(numbers: Numbers, path: list[str], value: Number, whole: str) -> Numbers:
    if path[0] not in {f.name for f in dataclasses.fields(numbers)}:
        raise KeyError(f"no such number of the vehicle: {whole}")
    new: object = value if len(path) == 1 else _changed_one(getattr(numbers, path[0]), path[1:], value, whole)
    return dataclasses.replace(numbers, **{path[0]: new})
