"""Charge by rest voltage: the ends, the nominal voltage, never falling as the voltage rises."""

from __future__ import annotations

import math

import numpy as np
import pytest

from server.flight.power.cell_charge import TABLE, charge_share


def test_the_ends_are_full_and_empty() -> None:
    """tests/SOURCES.md, lithium-cell: full 4.20 V; do not go below 3.0 V (common practice)."""
    assert charge_share(4.20) == charge_share(4.35) == 1.0
    assert charge_share(3.0) == charge_share(0.0) == 0.0
    assert 0.05 < charge_share(3.7) < 0.25  # nominal is nearly empty at rest


def test_it_is_numpys_interpolation() -> None:
    volts = np.linspace(3.0, 4.3, 400)
    expected = np.interp(volts, *np.array(TABLE).T)
    assert [charge_share(v) for v in volts] == pytest.approx(expected.tolist())
    assert math.isnan(charge_share(math.nan))
