"""Thrust curves: impulse against numpy, class letters of the code's table, and texts that are no curve."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.airframe.thrust_curve import CurveProblem, curve_of, curve_of_csv

# tests/SOURCES.md, motor-classes: upper bounds in N s
CLASSES = {
    "A": 2.5,
    "B": 5,
    "C": 10,
    "D": 20,
    "E": 40,
    "F": 80,
    "G": 160,
    "H": 320,
    "I": 640,
    "J": 1280,
    "K": 2560,
    "O": 40960,
}


@pytest.mark.parametrize(("letter", "bound"), CLASSES.items())
def test_class_letters(letter: str, bound: float) -> None:
    of = lambda impulse: curve_of([(0, 0), (1e-9, impulse), (1.0, impulse)]).letter  # noqa: E731
    assert of(bound * 0.9999) == letter and of(bound * 1.0001) != letter
    assert of(0.3) == "A" and of(50_000) == "beyond O"


def test_impulse_mean_and_share() -> None:
    points = [(0.0, 0.0), (0.1, 120.0), (0.9, 80.0), (1.0, 0.0)]
    curve = curve_of(points)
    t, thrust = np.array(points).T
    fine = np.linspace(0, 1, 100_001)
    assert curve.impulse_n_s == pytest.approx(np.interp(fine, t, thrust).mean(), rel=1e-4)
    assert curve.mean_n == pytest.approx(curve.impulse_n_s) and curve.burned()[-1] == pytest.approx(1.0)
    assert curve.at(0.5) == pytest.approx(100.0) and curve.at(-1.0) == 0.0 and curve.at(2.0) == 0.0


def test_a_record_that_begins_with_the_first_thrust() -> None:
    assert curve_of([(0.02, 50.0), (1.0, 0.0)]).t_s[0] == 0.0


@pytest.mark.parametrize(
    "text",
    [
        "time,thrust\n0,0\n0.5,10\n1,0\n",
        "# static test\n0,0\n\n0.5,10\n1,0",
        "t;F\n0;0\n0.5;10\n1;0",
        "0,0\r\n0.5,10\r\n1,0\r\n",
    ],
)
def test_texts_that_are_curves(text: str) -> None:
    assert curve_of_csv(text).impulse_n_s == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "2 to"),
        ("0,0\n", "2 to"),
        ("0,0\n1,5,6\n2,0", "line 2"),
        ("0,0\nx,5\n2,0", "line 2"),
        ("0,0\n1,nan\n2,0", "line 2"),
        ("0,0\n2,5\n1,0", "rise"),
        ("0,0\n1,-5\n2,0", "between"),
        ("0,0\n1,0\n2,0", "without thrust"),
        ("0,0\n1,5\n200,0", "at most"),
        ("\n".join(f"{i},1" for i in range(3000)), "2 to"),
        ("0,0\n" * 100_000, "that long"),
    ],
)
def test_texts_that_are_none(text: str, says: str) -> None:
    with pytest.raises(CurveProblem, match=says):
        curve_of_csv(text)
