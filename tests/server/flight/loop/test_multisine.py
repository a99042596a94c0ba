"""The multisine: orthogonal, low in its peak, beginning at zero."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.loop.multisine import Multisine, multisine, schroeder_phases

HARMONICS = (1, 2, 3, 4, 5, 6)


def test_its_peak_is_lower_than_schroeders_and_it_begins_at_zero() -> None:
    """tests/SOURCES.md, multisine; cosines in phase have the highest peak."""
    made = multisine(1.6, HARMONICS)
    plain = Multisine(1.6, HARMONICS, tuple(map(float, schroeder_phases(6))), 1.0)
    assert made.relative_peak_factor < 1.1 < plain.relative_peak_factor
    assert plain.relative_peak_factor < Multisine(1.6, HARMONICS, (0.0,) * 6, 1.0).relative_peak_factor
    assert made.at(np.zeros(1)) == pytest.approx([0.0], abs=1e-9)
    assert np.abs(made.at(np.arange(0.0, 1.6, 1e-3))).max() == pytest.approx(1.0, abs=2e-3)
    assert multisine(1.6, (3,)).relative_peak_factor == pytest.approx(1.0, abs=1e-3)


def test_its_spectrum_is_flat_over_its_harmonics_and_nothing_else() -> None:
    """numpy's own transform of one period; so two axes with other harmonics are orthogonal over it."""
    made, other = multisine(1.6, (1, 3, 5)), multisine(1.6, (2, 4, 6))
    t = np.arange(160) * 0.01
    lines = np.abs(np.fft.rfft(made.at(t))) / 80.0
    assert lines[[1, 3, 5]] == pytest.approx(np.full(3, made.share))
    assert np.delete(lines, [1, 3, 5]) == pytest.approx(0.0, abs=1e-12)
    assert float(made.at(t) @ other.at(t)) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("harmonics", [(), (0, 1), (2, 1), (1, 1)])
def test_harmonics_that_are_none(harmonics: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="do not ascend"):
        multisine(1.0, harmonics)
