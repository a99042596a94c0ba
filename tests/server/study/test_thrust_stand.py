"""The study of a static test: what it says of a good record, a ringing one, a slow one, and of none."""

from __future__ import annotations

import re

import numpy as np

from protocol.arrays import Floats
from server.flight.airframe.thrust_curve import curve_of
from server.flight.weighing.stand import firing
from server.study.thrust_stand import shown, told

T = np.arange(-2.0, 6.0, 0.002)
POINTS = [(0.0, 0.0), (0.03, 90.0), (1.4, 60.0), (1.6, 0.0)]


def record(hz: float = 500.0, ringing_n: float = 0.0) -> tuple[Floats, Floats]:
    t = np.arange(-2.0, 6.0, 1.0 / hz)
    force = np.interp(t, *zip(*POINTS, strict=True))
    force = force + np.where(t > 0.0, ringing_n * np.exp(-np.clip(t, 0, None) / 0.15) * np.sin(2 * np.pi * 40.0 * t), 0.0)
    return t, force + np.random.default_rng(1).normal(0.0, 0.1, len(t))


def test_a_good_record_agrees_with_its_own_curve() -> None:
    study = told(firing(*record()), 0.005, curve_of(POINTS))
    assert "class G" in study.said[0] and study.said[1].startswith("It agrees with the sheet")
    assert [text for text in study.advice if "weights" in text] == list(study.advice)
    assert "nobody near" in study.cautions[0] and "One motor of one day" in study.cautions[1]


def test_a_weak_motor_is_told_with_its_interval_and_what_to_do() -> None:
    declared = curve_of([(t, f / 0.73) for t, f in POINTS])
    study = told(firing(*record()), 0.005, declared)
    share, low, high = map(float, re.findall(r"[-+]?\d+\.\d", study.said[1])[:3])
    assert "weaker than declared" in study.said[1] and abs(share - 27.0) < 0.3 and low < -27.0 < high
    assert any("Put the measured curve into the sheet" in text for text in study.advice)


def test_a_soft_stand_and_a_slow_cell_are_told() -> None:
    ringing = told(firing(*record(ringing_n=25.0)), 0.005)
    assert any("The stand rings at 4" in text or "The stand rings at 39" in text for text in ringing.said)
    assert any("stiffer" in text for text in ringing.advice)
    slow = told(firing(*record(hz=80.0)), 0.005)
    assert any(text.startswith("Sample faster than 80 times a second") for text in slow.advice)


def test_the_curve_for_the_sheet_has_the_measured_impulse() -> None:
    found = firing(*record())
    assert abs(curve_of(shown(found)).impulse_n_s / found.impulse.value - 1.0) < 2e-4
