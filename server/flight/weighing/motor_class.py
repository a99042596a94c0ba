"""The class of a motor by its total impulse, with the doubt of the impulse."""

from __future__ import annotations

from math import ceil, log2

from server.flight.airframe.thrust_curve import CLASS_A_N_S, CLASS_LETTERS
from server.flight.weighing.pendulum import Measured

SMALLEST = -3  # 1/8A


def motor_class(impulse_n_s: float) -> str:
    """Return the smallest class an impulse (N s) fits in: "1/8A" (or below) to "O", or "beyond O".

    Each class doubles the one before. Source: tests/SOURCES.md, motor-classes; the fractions of A from memory.
    """
    place = max(SMALLEST, ceil(log2(impulse_n_s / CLASS_A_N_S) - 1e-12))
    if place < 0:
        return f"1/{2**-place}A"
    return CLASS_LETTERS[place] if place < len(CLASS_LETTERS) else "beyond O"


def upper_n_s(name: str) -> float:
    """Return the greatest impulse (N s) of a class, infinite beyond O."""
    if name.startswith("1/"):
        return CLASS_A_N_S / float(name[2:-1])
    return CLASS_A_N_S * 2.0 ** CLASS_LETTERS.index(name) if name in CLASS_LETTERS else float("inf")


def class_words(impulse: Measured) -> str:
    """Return the class in words, with its neighbors where the 95 % interval reaches into them."""
    doubt = 1.96 * impulse.sigma
    name, low, high = (motor_class(max(one, 1e-9)) for one in (impulse.value, impulse.value - doubt, impulse.value + doubt))
    top = upper_n_s(name)
    within = f", {100.0 * (impulse.value - top / 2.0) / (top / 2.0):.0f} % into it" if top < float("inf") else ""
    others = [one for one in dict.fromkeys((low, high)) if one != name]
    return f"class {name}{within}" + (f" (within its doubt also {' or '.join(others)})" if others else "")
