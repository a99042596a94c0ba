"""Errors of what a builder measures."""

from __future__ import annotations

from math import sqrt

import numpy as np


def drawn(rng: np.random.Generator, sigma: float) -> float:
    """Return an error of a standard deviation by Laplace's distribution: larger ones are likelier than for a normal one."""
    return float(rng.laplace(0.0, sigma / sqrt(2.0)))
