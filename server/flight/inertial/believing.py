"""The attitude the vehicle claims against the one integrated from a raw unit: how far apart, since when, whom to believe.

The turn between both, in world axes, is weighed by the integration's own covariance, by what a clock off by `CLOCK_S` makes
of a fast turn, and by what an honest claim is allowed (`CLAIM_RAD`). They part where it is beyond the 99.9 % point of the
chi-square distribution of three for `PARTED_S` without a break. Whom to believe then is told by witnesses that depend on
neither: the other unit, integrated by itself, and the barometer, against which the height integrated with either attitude
is held (odds of two simple hypotheses: Neyman and Pearson, Phil. Trans. A 231, 1933). Limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, radians

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.inertial.inputs import runs
from server.flight.inertial.rotations import inverse, matrices, of_vector, product, vector_of
from server.flight.inertial.strapdown import UP, Strapdown, turn_sigma_rad
from server.flight.inertial.turning import integrals

CHI_SQUARE_3 = 16.27  # its 99.9 % point with three degrees of freedom
PARTED_S, FEWEST = 0.4, 5
CLOCK_S, CLAIM_RAD = 0.012, radians(1.0)
ODDS = log(100.0)
INNOCENT_SIGMAS = 3.0
STRAPDOWN, CLAIM = "strapdown", "claim"


@dataclass(frozen=True)
class Apart:
    """Both attitudes at the claim's times (n,): angle between them and between their noses (rad), one sigma of each angle.

    `weighed` is the squared distance in sigmas, of three degrees of freedom. `parted_s` is when they parted for good or for
    long, None where they never did.
    """

    t: Floats
    angle_rad: Floats
    sigma_rad: Floats
    nose_rad: Floats
    nose_sigma_rad: Floats
    weighed: Floats
    parted_s: float | None


def heading_of(claimed: Floats, own: Floats) -> float:
    """Return the turn about the vertical (rad) that brings attitudes (4,) on the pad to those claimed there (n, 4)."""
    between = product(claimed, inverse(own))
    turn = 2.0 * np.arctan2(between[:, 3], between[:, 0])
    return float(np.angle(np.mean(np.exp(1j * turn))))


def attitude_at(track: Strapdown, t: Floats) -> tuple[Floats, Floats, Floats]:
    """Return attitude (n, 4), turn covariance (n, 3, 3) and body rates (n, 3) at times between the track's ends."""
    before = np.clip(np.searchsorted(track.t, t, side="right") - 1, 0, len(track.t) - 2)
    share = ((t - track.t[before]) / (track.t[before + 1] - track.t[before]))[:, None]
    step = vector_of(product(inverse(track.quaternion[before]), track.quaternion[before + 1]))
    quaternion = product(track.quaternion[before], of_vector(share * step))
    # Inside a gap the doubt is the one behind it.
    after = np.where(share[:, 0] > 0.0, before + 1, before)
    return quaternion, track.turn_covariance()[after], track.rates[after]


def apart(track: Strapdown, t: Floats, claimed: Floats) -> Apart | None:
    """Compare the claimed quaternions (n, 4) at times (n,), in order, with a track whose heading is the claim's on the pad.

    Rows that are not finite or no unit quaternions are left out; None where nothing is left.
    """
    size = np.linalg.norm(claimed, axis=1)
    with np.errstate(invalid="ignore"):
        good = (np.abs(size - 1.0) < 0.05) & (t >= track.t[0]) & (t <= track.t[-1])
    if good.sum() < FEWEST:
        return None
    t, claimed = t[good], claimed[good] / size[good][:, None]
    own, covariance, rates = attitude_at(track, t)
    between = vector_of(product(claimed, inverse(own)))
    world = matrices(own)
    spin = np.einsum("nij,nj->ni", world, rates) * CLOCK_S
    doubt = covariance + np.einsum("ni,nj->nij", spin, spin) + CLAIM_RAD**2 * np.eye(3)
    weighed = np.einsum("ni,ni->n", between, np.linalg.solve(doubt, between[:, :, None])[:, :, 0])
    nose, other = world[:, :, 2], matrices(claimed)[:, :, 2]
    across = np.cross(nose, other)
    nose_angle = np.arctan2(np.linalg.norm(across, axis=1), np.einsum("ni,ni->n", nose, other))
    flat = doubt - np.einsum("ni,nij->nj", nose, doubt)[:, None, :] * nose[:, :, None]
    return Apart(
        t,
        np.linalg.norm(between, axis=1),
        turn_sigma_rad(doubt),
        nose_angle,
        np.sqrt(np.maximum(np.trace(flat, axis1=1, axis2=2) / 2.0, 0.0)),
        weighed,
        _parted_s(t, weighed),
    )


def _parted_s(t: Floats, weighed: Floats) -> float | None:
    for begin, end in runs(weighed > CHI_SQUARE_3):
        if end - begin >= FEWEST and t[end - 1] - t[begin] >= PARTED_S:
            return float(t[begin])
    return None


def tracks_agree(one: Strapdown, other: Strapdown, until_s: float) -> bool | None:
    """Return whether two units, integrated each by itself, agree within their doubts until a time; None: too little heard.

    Their headings must have been made the same on the pad.
    """
    inside = (one.t >= max(one.t[0], other.t[0])) & (one.t <= min(one.t[-1], other.t[-1], until_s))
    t = one.t[inside]
    if len(t) < FEWEST:
        return None
    mine, my_doubt, rates = attitude_at(one, t)
    theirs, their_doubt, _ = attitude_at(other, t)
    between = vector_of(product(mine, inverse(theirs)))
    spin = np.einsum("nij,nj->ni", matrices(mine), rates) * CLOCK_S
    doubt = my_doubt + their_doubt + np.einsum("ni,nj->nij", spin, spin) + 1e-6 * np.eye(3)
    weighed = np.einsum("ni,ni->n", between, np.linalg.solve(doubt, between[:, :, None])[:, :, 0])
    return _parted_s(t, weighed) is None


def height_with(t: Floats, force: Floats, claim_t: Floats, claimed: Floats, from_s: float) -> Floats:
    """Return height (m, from 0 at `from_s`) at times (n,), of forces (n, 3) turned by claimed attitudes (m, 4)."""
    good = np.isfinite(claimed).all(axis=1) & (np.abs(np.linalg.norm(claimed, axis=1) - 1.0) < 0.05)
    claim_t, claimed = claim_t[good], claimed[good]
    up = matrices(claimed / np.linalg.norm(claimed, axis=1)[:, None])[:, 2, :]
    at = np.column_stack([np.interp(t, claim_t, up[:, axis]) for axis in range(3)])
    pushed = np.where(t >= from_s, np.einsum("ni,ni->n", at, force) - GRAVITY_M_S2 * UP[2], 0.0)[:, None]
    speed = np.concatenate([np.zeros((1, 1)), np.cumsum(integrals(t, pushed), axis=0)])
    return np.concatenate([np.zeros(1), np.cumsum(integrals(t, speed)[:, 0])])


@dataclass(frozen=True)
class Belief:
    """Whom to believe where both part: "strapdown", "claim" or None, and why, in words."""

    whom: str | None
    reasons: tuple[str, ...]


def whom_to_believe(other_agrees: bool | None, own_off: float | None, claim_off: float | None) -> Belief:
    """Weigh the witnesses: whether the other unit integrates to the same, and how many sigmas each height is off.

    `own_off` and `claim_off` are the height integrated with either attitude less the barometer's, over the sigma of both.
    """
    reasons, votes = [], []
    if other_agrees is True:
        reasons.append("the other unit, integrated by itself, says the same as this one")
        votes.append(STRAPDOWN)
    elif other_agrees is False:
        reasons.append("the other unit, integrated by itself, says something else again")
    if own_off is not None and claim_off is not None:
        reasons.append(
            f"the height integrated with the station's attitude is off the barometer's by {abs(own_off):.1f} sigma, "
            f"with the claimed one by {abs(claim_off):.1f}"
        )
        odds = 0.5 * (claim_off**2 - own_off**2)
        if odds > ODDS and abs(own_off) < INNOCENT_SIGMAS:
            votes.append(STRAPDOWN)
        elif -odds > ODDS and abs(claim_off) < INNOCENT_SIGMAS:
            votes.append(CLAIM)
    agreed = set(votes)
    return Belief(agreed.pop() if len(agreed) == 1 else None, tuple(reasons))
