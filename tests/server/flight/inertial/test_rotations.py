"""Quaternions and rotation vectors against scipy's Rotation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from server.flight.inertial.rotations import chained, inverse, matrices, of_vector, product, upright, vector_of


def _scalar_first(rotation: Rotation) -> np.ndarray:
    return np.roll(rotation.as_quat(), 1, axis=-1)


def _same(p: np.ndarray, q: np.ndarray) -> bool:
    return bool(np.allclose(np.abs(np.einsum("...i,...i", p, q)), 1.0, atol=1e-12))


def test_products_matrices_and_vectors_are_scipys() -> None:
    one, two = Rotation.random(500, random_state=1), Rotation.random(500, random_state=2)
    p, q = _scalar_first(one), _scalar_first(two)
    assert _same(product(p, q), _scalar_first(one * two))
    assert np.allclose(matrices(p), one.as_matrix(), atol=1e-12)
    assert np.allclose(vector_of(p), one.as_rotvec(), atol=1e-9)
    assert _same(of_vector(one.as_rotvec()), p)
    assert np.allclose(product(p, inverse(p)), (1.0, 0.0, 0.0, 0.0), atol=1e-12)


@pytest.mark.parametrize("size", [0.0, 1e-12, 1e-7, 1e-3, 3.14])
def test_small_turns_keep_their_digits(size: float) -> None:
    vector = size * np.array([0.6, 0.0, 0.8])
    assert np.allclose(vector_of(of_vector(vector)), vector, rtol=1e-9, atol=1e-18)


def test_many_turns_one_after_another() -> None:
    rng = np.random.default_rng(3)
    turns, first = rng.normal(0.0, 0.3, (257, 3)), Rotation.random(random_state=4)
    there = [first]
    for turn in turns:
        there.append(there[-1] * Rotation.from_rotvec(turn))
    assert _same(chained(_scalar_first(first), turns), np.array([_scalar_first(one) for one in there]))


@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), (0.1, -0.2, 0.9), (1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1e-9, -1.0)])
def test_what_was_felt_as_up_points_up_and_nothing_is_rolled(up: tuple[float, float, float]) -> None:
    turned = matrices(upright(np.array(up)))
    assert np.allclose(turned @ (np.array(up) / np.linalg.norm(up)), (0.0, 0.0, 1.0), atol=1e-8)
    assert upright(np.array(up))[3] == 0.0
