"""Each rule of the findings at and around its threshold, and silence where figures are missing or odd."""

from __future__ import annotations

from math import nan, radians

import pytest

from server.analysis.findings import RULES, Finding, findings

# key of the finding, figures that lead to it, figures that just do not
CASES: list[tuple[str, dict, dict]] = [
    ("no_continuity", {"continuity": {"missing": ["lateral motor 3"]}}, {"continuity": {"missing": []}}),
    ("unit_disagrees", {"units": {"suspect": "b", "reason": "drifts at rest"}}, {"units": {}}),
    ("unit_disagrees", {"units_gyro": {"suspect": None, "reason": "apart in rates"}}, {}),
    ("battery_tired", {"battery": {"start_minutes_off": 30.0, "minutes_wanted": 45.0}},
     {"battery": {"start_minutes_off": 46.0, "minutes_wanted": 45.0}}),
    ("battery_tired", {"battery": {"resistance_ohm": 0.4, "resistance_low_ohm": 0.3, "cells": 2.0}},
     {"battery": {"resistance_ohm": 0.4, "resistance_low_ohm": 0.2, "cells": 2.0}}),
    ("pitched_over", {"lean": {"greatest_tilt_rad": radians(31)}}, {"lean": {"greatest_tilt_rad": radians(29)}}),
    ("swing_period", {"swing": {"excited": True, "ratio": 1.5, "ratio_low": 1.3, "ratio_high": 1.7, "period_s": 1.5,
                                "expected_period_s": 1.0}},
     {"swing": {"excited": True, "ratio": 1.5, "ratio_low": 1.2, "ratio_high": 1.8, "period_s": 1.5,
                "expected_period_s": 1.0}}),
    ("corkscrew", {"cone": {"half_angle_rad": radians(8), "turns_per_s": -1.5}},
     {"cone": {"half_angle_rad": radians(4), "turns_per_s": -1.5}}),
    ("control_untested", {"gate": {"verdict": "no test of control", "enabled_s": 0.03}},
     {"gate": {"verdict": "tested", "enabled_s": 3.0}}),
    ("control_untested", {"gate": {"verdict": "never enabled"}}, {"gate": {"verdict": "unknown"}}),
    ("bad_number", {"nonfinite": {"frames": 1, "components": "q_w"}}, {}),
    ("servo_cable", {"servo_cable": {"kind": "before deployment", "t": 8.0, "height_m": 154.0, "cause": "no voltage"}},
     {"servo_cable": {"kind": "at deployment", "t": 8.0, "height_m": 154.0}}),
    ("servo_cable", {"servo_cable": {"kind": "before lift-off", "t": 1.0, "height_m": None, "cause": "no voltage"}},
     {"servo_cable": {"kind": "unheard", "t": 8.0, "height_m": None}}),
    ("state_doubtful", {"state_vector": {"kinds": ["jump"], "sentence": "up jumped"}}, {"state_vector": {"kinds": []}}),
    ("saturated", {"saturated": {"channels": ["imu_a.gyro_z"], "t": 3.0}}, {"saturated": {"channels": []}}),
    ("phases_differ", {"phase_disagreement": {"vehicle": "pad", "ground": "boost", "t": 1.0}}, {}),
    ("roll_reversed", {"roll": {"verdict": "reversed", "authority_per_pa_rad": -0.4, "low": -0.5, "high": -0.3}},
     {"roll": {"verdict": "effective", "authority_per_pa_rad": 0.4, "low": 0.3, "high": 0.5}}),
    ("roll_weak", {"roll": {"verdict": "weak", "authority_per_pa_rad": 0.1, "low": 0.05, "high": 0.15}},
     {"roll": {"verdict": "not excited"}}),
    ("deployment_time", {"recovery": {"deployment_delay_s": 1.6}}, {"recovery": {"deployment_delay_s": 1.4}}),
    ("deployment_time", {"recovery": {"deployment_delay_s": -1.6}}, {"recovery": {"deployment_delay_s": nan}}),
    ("fast_descent", {"descent": {"under": "one", "rate_m_s": 8.9, "expected_both_m_s": 5.4}},
     {"descent": {"under": "both", "rate_m_s": 5.4, "expected_both_m_s": 5.4}}),
    ("thin_link", {"link": {"flight_loss": 0.11}}, {"link": {"flight_loss": 0.09}}),
    ("thin_link", {"link": {"longest_silence_s": 2.1}}, {"link": {"longest_silence_s": 1.9}}),
]  # fmt: skip


@pytest.mark.parametrize(("key", "guilty", "innocent"), CASES)
def test_a_rule_speaks_beyond_its_threshold_only(key: str, guilty: dict, innocent: dict) -> None:
    (finding,) = findings(guilty, {})
    assert finding.key == key and finding.severity in ("caution", "warning")
    assert finding.text and finding.advice.endswith(".") and "None" not in finding.text and "nan" not in finding.text
    assert findings(innocent, {}) == []


def test_every_rule_is_tried() -> None:
    tried = {rule.__name__ for rule in RULES for _, guilty, _ in CASES if rule(guilty, {}) is not None}
    assert tried == {rule.__name__ for rule in RULES}


def test_nothing_known_finds_nothing() -> None:
    assert findings({}, {}) == []
    empty = {name: {} for case in CASES for name in case[1]}
    # These two are known by the figure's presence alone.
    assert [f.key for f in findings(empty, {})] == ["bad_number", "phases_differ"]


def test_a_gust_is_told_with_speed_and_wind() -> None:
    found = findings(
        {
            "lean": {"greatest_tilt_rad": radians(50), "azimuth_rad": radians(260)},
            "rail_exit": {"speed_m_s": 14.2, "angle_of_attack_rad": radians(44), "wind_m_s": 13.7},
        },
        {},
    )
    assert [f.text for f in found] == [
        "leaned 50 degrees toward 260 degrees while it should fly straight; it left the rail at 14.2 m/s, "
        "44 degrees to the air with 13.7 m/s of wind"
    ]


def test_what_happened_in_the_frame_of_a_bad_number_is_told() -> None:
    figures = {"nonfinite": {"frames": 1, "components": "q_w", "t": 17.2}}
    (found,) = findings(figures, {"control_enabled": (17.28, nan), "apogee": (23.0, 280.0)})
    assert found.text == "state vector not finite in 1 frame: q_w; control was enabled in the same moment"


def test_body_is_what_the_page_reads() -> None:
    body = Finding("k", "caution", "text", 3.0, "do this.", {"x": 1}).body()
    assert body == {"t": 3.0, "advice": "do this.", "evidence": {"x": 1}}
