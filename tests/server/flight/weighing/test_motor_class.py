"""Every boundary of the table of classes, and what is said near one."""

from __future__ import annotations

import pytest

from server.flight.airframe.thrust_curve import curve_of
from server.flight.weighing.motor_class import class_words, motor_class
from server.flight.weighing.pendulum import Measured

# tests/SOURCES.md, motor-classes: upper bounds in N s; those below A halve it (from memory).
TABLE = {
    "1/8A": 0.3125, "1/4A": 0.625, "1/2A": 1.25, "A": 2.5, "B": 5, "C": 10, "D": 20, "E": 40, "F": 80, "G": 160, "H": 320,
    "I": 640, "J": 1280, "K": 2560, "L": 5120, "M": 10240, "N": 20480, "O": 40960,
}  # fmt: skip
ABOVE = dict(zip(TABLE, [*list(TABLE)[1:], "beyond O"], strict=True))


@pytest.mark.parametrize(("name", "bound"), TABLE.items())
def test_every_boundary(name: str, bound: float) -> None:
    assert motor_class(bound) == motor_class(bound * 0.9999) == name
    assert motor_class(bound * 1.0001) == ABOVE[name]
    if bound >= 2.5:  # the curve's own letter agrees, and says A for all below
        assert curve_of([(0.0, bound * 0.9999), (1.0, bound * 0.9999)]).letter == name


def test_a_class_in_words() -> None:
    assert class_words(Measured(118.0, 0.5)) == "class G, 48 % into it"
    assert class_words(Measured(159.0, 1.0)) == "class G, 99 % into it (within its doubt also H)"
    assert class_words(Measured(161.0, 1.0)) == "class H, 1 % into it (within its doubt also G)"
    assert class_words(Measured(1e5, 1.0)) == "class beyond O"
