"""One wind of several words, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.causes.wind import mean_wind


def test_nobody_measured_it() -> None:
    wind = mean_wind(None, None)
    assert not wind.mean.any() and np.sqrt(wind.cover[0, 0]) == 4.0 and "nobody" in wind.source


def test_a_speed_without_a_direction_is_as_wide_as_itself() -> None:
    # Half of 4^2 for each component, and 0.25 x 4 and 0.5 squared.
    assert mean_wind(4.0, None).cover == pytest.approx(np.eye(2) * (8.0 + 1.0 + 0.25))


def test_a_drift_has_a_direction() -> None:
    wind = mean_wind(None, (3.0, -4.0))
    assert wind.mean == pytest.approx([3.0, -4.0]) and wind.cover == pytest.approx(np.eye(2) * (0.8**2 + 1.5**2))


def test_both_are_weighed_by_their_doubt_along_the_drift() -> None:
    wind = mean_wind(4.0, (5.0, 0.0))
    weights = np.array([1 / (0.8**2 + 1.5**2), 1 / 1.25])
    assert wind.mean == pytest.approx([(weights @ [5.0, 4.0]) / weights.sum(), 0.0])
    assert wind.cover[0, 0] == pytest.approx(1 / weights.sum()) and wind.cover[1, 1] > wind.cover[0, 0]


def test_words_that_disagree_make_the_doubt_larger() -> None:
    near, far = mean_wind(4.0, (5.0, 0.0)), mean_wind(0.5, (9.0, 0.0))
    apart = 8.5 / np.sqrt(0.8**2 + 2.7**2 + 0.25 + 0.125**2)
    weights = 1 / (0.8**2 + 2.7**2) + 1 / (0.25 + 0.125**2)
    assert far.cover[0, 0] == pytest.approx(apart**2 / weights) and far.cover[0, 0] > near.cover[0, 0]
