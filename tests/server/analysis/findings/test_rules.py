"""Each rule of the findings at and around its threshold, and silence where figures are missing or odd."""

from __future__ import annotations

from dataclasses import replace
from math import nan, radians

import pytest

from server.analysis.figures.ascent import (
    ConeFigure,
    ExpectedSwing,
    LeanFigure,
    MeasuredSwing,
    RailExitFigure,
    SwingFigure,
)
from server.analysis.figures.control import (
    ClippedFigure,
    FlatSensor,
    GateFigure,
    GateFlags,
    GuardFigure,
    NonfiniteFigure,
    PhaseDisagreementFigure,
    RollFigure,
    SaturatedFigure,
    ServoCableFigure,
    StateVectorFigure,
)
from server.analysis.figures.descent import (
    DescentFigure,
    DescentStage,
    FlagDelay,
    OpeningFigure,
    OtherHalf,
    Parted,
    RecoveryFigure,
)
from server.analysis.figures.figure import Figure, Figures
from server.analysis.figures.link import LinkFigure
from server.analysis.figures.pad import (
    AccelUnitsFigure,
    BatteryFigure,
    ContinuityFigure,
    GyroUnitsFigure,
    PadSensorsFigure,
    UnitDriftFigure,
)
from server.analysis.findings import rules
from server.analysis.findings.finding import FlightFinding, Moments
from server.analysis.findings.rules import RULES


def findings(figures: Figures, moments: Moments) -> list[FlightFinding]:
    """Return what the rules find; none may raise."""
    failed: list[tuple[str, Exception]] = []
    found = rules.findings(figures, moments, lambda rule, error: failed.append((rule, error)))
    assert not failed
    return found


BATTERY = BatteryFigure(
    t=40.0, used_c=90.0, rails_c={"computer": 60.0}, estimated_c=0.0, counts_agree=True, minutes_cameras_off=46.0,
    minutes_cameras_on=20.0, start_minutes_off=46.0, minutes_wanted=45.0, rest_share=1.0, voltage_v=8.1, cells=2.0,
    resistance_ohm=0.4, resistance_low_ohm=0.2, resistance_high_ohm=0.5,
)  # fmt: skip
LEAN = LeanFigure(t=16.0, greatest_tilt_rad=radians(29))
MEASURED = MeasuredSwing(
    speed_m_s=40.0, period_s=1.5, period_low_s=1.4, period_high_s=1.6, damping_ratio=0.1, damping_low=0.05,
    damping_high=0.2, amplitude_rad=0.1, height_m=30.0,
)  # fmt: skip
SLOW = ExpectedSwing(expected_period_s=1.0, ratio=1.5, ratio_low=1.3, ratio_high=1.7)
SWING = SwingFigure(t=15.5, end_t=18.0, excited=True, measured=MEASURED, expected=replace(SLOW, ratio_low=1.2))
FLAGS = GateFlags(
    altitude_met_t=20.0, speed_met_t=16.0, enabled_met_t=20.0, enabled_s=3.0, enabled_least_s=2.9, enabled_most_s=3.1
)
GATE = GateFigure(
    t=23.0, verdict="tested", reason_text="3 s", flags=FLAGS, gate_for_a_second_m=200.0, short_of_altitude_m=0.0
)
EARLY = ServoCableFigure(t=8.0, kind="before deployment", height_m=154.0, control_on=False, cause="no voltage")
ROLL = RollFigure(
    t=20.0, verdict="effective", reason_text="", authority_per_pa_rad=0.4, sigma=0.05, low=0.3, high=0.5, lag_s=0.02,
    expected=0.4,
)  # fmt: skip
DESCENT = DescentFigure(
    t=30.0,
    rate_m_s=5.4,
    sigma_m_s=0.1,
    under="both",
    expected_both_m_s=5.4,
    expected_one_m_s=8.8,
    reason_text="as it should",
)
STAGE = DescentStage(
    kind="main", start_t=30.0, end_t=50.0, from_m=120.0, rate_m_s=6.0, sigma_m_s=0.1, density_kg_m3=1.2, sea_level_m_s=6.0,
    sea_level_sigma_m_s=0.1,
)  # fmt: skip
FALLING = replace(STAGE, kind="ballistic", rate_m_s=90.0)
LANDED = replace(DESCENT, stages=(STAGE,), landing_t=50.0, landing_m_s=12.5, landing_sigma_m_s=0.8)
SENSORS = PadSensorsFigure(t=9.0, force_a_m_s2=9.4, force_b_m_s2=10.2, barometer_k=312.0)
PARTED = Parted(t=30.0, height_m=250.0, before_m_s=8.5, after_m_s=5.5, share_kept=0.42, share_sigma=0.03)
FLAT = FlatSensor(role="accel.a.z", t=3.0, value=156.9, seconds=0.4, samples=40)
LINK = LinkFigure(t=60.0, flight_loss=0.09, packets=900, mean_burst=1.2, longest_silence_s=1.9)


def delayed(seconds: float) -> RecoveryFigure:
    return RecoveryFigure(t=60.0, deployment=FlagDelay(delay_s=seconds, within_s=0.1, t=24.0))


# key of the finding, figures that lead to it, figures that just do not
CASES: list[tuple[str, Figure, Figure | None]] = [
    ("no_continuity", ContinuityFigure(t=1.0, missing=("lateral motor 3",)), ContinuityFigure(t=1.0, missing=())),
    ("unit_disagrees", UnitDriftFigure(t=9.0, suspect="b", reason="drifts", drift_rad_s2=1e-4, sigma_rad_s2=1e-6), None),
    ("unit_disagrees", GyroUnitsFigure(t=9.0, suspect=None, reason="apart in rates", distance=7.0), None),
    ("unit_disagrees", AccelUnitsFigure(t=9.0, suspect="a", reason="apart in force", distance=7.0), None),
    ("battery_tired", replace(BATTERY, start_minutes_off=30.0), BATTERY),
    ("battery_tired", replace(BATTERY, resistance_low_ohm=0.3), replace(BATTERY, start_minutes_off=None, voltage_v=nan)),
    ("pitched_over", replace(LEAN, greatest_tilt_rad=radians(31)), LEAN),
    ("swing_period", replace(SWING, expected=SLOW), SWING),
    ("swing_period", replace(SWING, expected=replace(SLOW, ratio_low=0.5, ratio_high=0.7)),
     replace(SWING, expected=replace(SLOW, ratio_high=None))),
    ("swing_period", replace(SWING, expected=SLOW), SwingFigure(excited=False, reason="too few samples")),
    ("swing_period", replace(SWING, expected=SLOW), replace(SWING, expected=SLOW, excited=False)),
    ("corkscrew", ConeFigure(t=18.0, half_angle_rad=radians(8), turns_per_s=-1.5),
     ConeFigure(t=18.0, half_angle_rad=radians(4), turns_per_s=-1.5)),
    ("control_untested", replace(GATE, verdict="no test of control", flags=replace(FLAGS, enabled_s=0.03)), GATE),
    ("control_untested", replace(GATE, verdict="never enabled"), replace(GATE, verdict="not heard", flags=None)),
    ("bad_number", NonfiniteFigure(t=17.0, frames=1, components="q_w"), None),
    ("guard_acted", GuardFigure(t=17.0, count=2, first_time_s=nan, component=None), None),
    ("servo_cable", EARLY, ServoCableFigure(t=8.0, kind="at deployment", height_m=154.0)),
    ("servo_cable", replace(EARLY, kind="before lift-off", t=1.0, height_m=None),
     ServoCableFigure(t=8.0, kind="unheard", height_m=None)),
    ("state_doubtful", StateVectorFigure(t=17.0, kinds=("jump",), sentence="up jumped"),
     StateVectorFigure(t=17.0, kinds=(), sentence="")),
    ("saturated", SaturatedFigure(t=3.0, channels=("imu_a.gyro_z",), newest="rate about z"),
     SaturatedFigure(t=3.0, channels=(), newest="")),
    ("phases_differ", PhaseDisagreementFigure(t=1.0, vehicle="pad", ground="boost"), None),
    ("roll_reversed", replace(ROLL, verdict="reversed", authority_per_pa_rad=-0.4, low=-0.5, high=-0.3), ROLL),
    ("roll_weak", replace(ROLL, verdict="weak", authority_per_pa_rad=0.1, low=0.05, high=0.15),
     replace(ROLL, verdict="not excited", authority_per_pa_rad=None, low=None, high=None)),
    ("deployment_time", delayed(1.6), delayed(1.4)),
    ("deployment_time", delayed(-1.6), delayed(nan)),
    ("fast_descent", replace(DESCENT, under="one", rate_m_s=8.9), DESCENT),
    ("opened_early", OpeningFigure(t=20.0, climb_m_s=40.0, sigma_m_s=0.7, early_s=3.5), None),
    ("cord_parted", replace(DESCENT, t=30.0, parted=PARTED), DESCENT),
    ("clipped", ClippedFigure(t=3.0, sensors=(FLAT,)), ClippedFigure(t=3.0, sensors=())),
    ("ballistic_descent", replace(DESCENT, t=30.0, stages=(STAGE, FALLING), landing_m_s=95.0, landing_sigma_m_s=5.0),
     replace(DESCENT, stages=(FALLING, STAGE))),
    ("no_deployment", replace(DESCENT, landing_t=50.0, stages=(replace(STAGE, kind="tumbling"),)),
     replace(DESCENT, landing_t=50.0, stages=(replace(STAGE, kind="tumbling"), STAGE))),
    ("no_deployment", replace(DESCENT, landing_t=50.0, stages=(replace(STAGE, kind="tumbling"),)),
     replace(DESCENT, stages=(replace(STAGE, kind="tumbling"),))),  # still up there: something may open yet
    ("ballistic_descent", replace(DESCENT, stages=(replace(FALLING, from_m=1900.0),)),  # last heard 1 s over the ground
     replace(DESCENT, stages=(replace(FALLING, from_m=2900.0),))),
    ("hard_landing", replace(LANDED, t=50.0, landing_m_s=20.0), LANDED),
    ("accelerometer_biased", replace(SENSORS, force_a_m_s2=8.5), SENSORS),
    ("barometer_warm", replace(SENSORS, barometer_k=318.0), SENSORS),
    ("barometer_warm", replace(SENSORS, air_k=290.0), replace(SENSORS, air_k=308.0)),
    ("thin_link", replace(LINK, flight_loss=0.11), LINK),
    ("thin_link", replace(LINK, longest_silence_s=2.1), replace(LINK, flight_loss=nan)),
]  # fmt: skip


@pytest.mark.parametrize(("key", "guilty", "innocent"), CASES)
def test_a_rule_speaks_beyond_its_threshold_only(key: str, guilty: Figure, innocent: Figure | None) -> None:
    (finding,) = findings(Figures(guilty), {})
    assert finding.key == key and finding.severity in ("caution", "warning") and finding.t == guilty_t(guilty)
    assert finding.text and finding.advice.endswith(".") and "None" not in finding.text and "nan" not in finding.text
    assert innocent is None or findings(Figures(innocent), {}) == []


def guilty_t(figure: Figure) -> float | None:
    """Return the second a finding of this figure belongs to: of a recovery that of its deployment."""
    return figure.deployment.t if isinstance(figure, RecoveryFigure) and figure.deployment else figure.t


def test_a_part_lost_gives_two_places_where_both_are_known() -> None:
    other = OtherHalf(east_m=300.0, north_m=0.0, distance_m=300.0, bearing_rad=radians(90), radius_m=120.0)
    guilty = replace(DESCENT, parted=PARTED)
    (alone,) = findings(Figures(guilty), {})
    assert "downwind" in alone.advice and "8.5 to 5.5 m/s" in alone.text and "42 % of the weight" in alone.text
    (both,) = findings(Figures(guilty, RecoveryFigure(t=60.0, other=other)), {})
    assert "within 120 m (95 %) of 300 m from the pad, bearing 090 deg" in both.advice


LATE = replace(DESCENT, stages=(STAGE,), fastest_m_s=22.0, fastest_t=27.0, fastest_fallen_m=27.0)


def test_a_late_opening_is_told_by_the_speed_it_had_gathered() -> None:
    moments = {"apogee": (24.0, 300.0)}
    (found,) = findings(Figures(LATE), moments)
    assert found.key == "opened_late" and found.t == 27.0 and "3 s after apogee" in found.text and "22 m/s" in found.text
    assert findings(Figures(replace(LATE, fastest_m_s=20.0)), moments) == [], "1.5 s of free fall is no late opening"
    assert findings(Figures(replace(LATE, fastest_t=31.0)), moments) == [], "a gust under the parachute is none either"
    assert findings(Figures(LATE), {}) == []


def test_what_falls_faster_than_anything_can_is_no_late_opening() -> None:
    """Seen with a logger's own filtered heights and a tenth of the packets lost: 23 m/s, six tenths after the top."""
    moments = {"apogee": (24.0, 300.0)}
    for fastest_m_s, after_s, fallen_m in ((23.3, 1.14, 19.5), (23.6, 0.60, 11.6), (26.3, 1.93, 42.4), (25.8, 2.11, 46.3)):
        told = replace(LATE, fastest_m_s=fastest_m_s, fastest_t=24.0 + after_s, fastest_fallen_m=fallen_m)
        assert findings(Figures(told), moments) == []


def test_less_static_margin_is_advised_only_to_a_vehicle_that_swung_back() -> None:
    turned = replace(LEAN, greatest_tilt_rad=radians(60))
    unknown = [None, SwingFigure(excited=False, reason="too few samples"), replace(SWING, expected=None, excited=False)]
    for swing in unknown:
        (found,) = findings(Figures(turned, *([] if swing is None else [swing])), {})
        assert "less static margin" not in found.advice and "does not show that it was stable" in found.advice
    (found,) = findings(Figures(turned, replace(SWING, expected=None)), {})
    assert "less static margin" in found.advice and "it was stable" in found.advice


def test_every_rule_is_tried() -> None:
    tried = {rule.__name__ for rule in RULES for _, guilty, _ in CASES if rule(Figures(guilty), {}) is not None}
    tried |= {rule.__name__ for rule in RULES if rule(Figures(LATE), {"apogee": (24.0, 300.0)}) is not None}
    assert tried == {rule.__name__ for rule in RULES}


def test_nothing_known_finds_nothing() -> None:
    assert findings(Figures(), {}) == []


def test_a_gust_is_told_with_speed_and_wind() -> None:
    found = findings(
        Figures(
            LeanFigure(t=16.0, greatest_tilt_rad=radians(50), azimuth_rad=radians(260)),
            RailExitFigure(speed_m_s=14.2, angle_of_attack_rad=radians(44), wind_m_s=13.7),
        ),
        {},
    )
    assert [f.text for f in found] == [
        "leaned 50 degrees toward 260 degrees while it should fly straight; it left the rail at 14.2 m/s, "
        "44 degrees to the air with 13.7 m/s of wind"
    ]


def test_what_happened_in_the_frame_of_a_bad_number_is_told() -> None:
    figures = Figures(NonfiniteFigure(t=17.2, frames=1, components="q_w"))
    (found,) = findings(figures, {"control_enabled": (17.28, nan), "apogee": (23.0, 280.0)})
    assert found.text == "state vector not finite in 1 frame: q_w; control was enabled in the same moment"


def test_body_is_what_the_page_reads() -> None:
    body = FlightFinding("k", "caution", "text", 3.0, "do this.", {"x": 1}).body()
    assert body == {"t": 3.0, "advice": "do this.", "evidence": {"x": 1}}
