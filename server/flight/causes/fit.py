"""The fit of the equation to what was measured: the likeliest start, stiffness, wind and asymmetries, and their doubt.

Nonlinear least squares over unknowns that are counted from what is believed before in units of its own doubt, so that the
beliefs are rows beside the measurements (maximum a posteriori; any textbook of estimation). The doubt is that of the
quadratic at the solution (Laplace). How much the wind changes is chosen by the evidence of the measurements, a Gauss-Markov
wind of two strengths being tried (empirical Bayes; from memory). Doubts without a source are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np

from protocol.arrays import Floats
from server.flight.causes.airframe import Body
from server.flight.causes.course import Course, Evidence, course_of, drive_of
from server.flight.causes.equation import Drive, Terms, flown
from server.flight.causes.wind import MeanWind
from server.flight.unmeasured import Unmeasured

# Doubts of the measurements before they are heard (one sigma): nose, its turning, velocity; then by what is left over.
NOSE_RAD, TURN_RAD_S, VELOCITY_M_S = radians(0.3), radians(1.0), 0.25
LEAST_LEFT, MOST_LEFT = 0.4, 6.0
# Beliefs before the fit, one sigma.
START_RAD, START_RAD_S = radians(1.5), radians(40.0)
MARGIN_CALIBERS, MARGIN_CHANGE_CALIBERS = 1.8, 0.3
SLOPE_SHARE, LIFT_SHARE, DAMPING_SHARE = 0.2, 0.7, 0.4
STALL, STALL_SHARE = 0.45, 0.35
LINE_RAD, ASKEW_RAD, FIN_PUSH = radians(0.4), radians(0.6), 0.5
SPEED_SHARE, VELOCITY_BIAS_M_S, FORCE_M_S2 = 0.03, 0.4, 0.4
# What navigation does in seconds: velocity drifts, attitude drifts, the gyro has a bias and a scale.
VELOCITY_DRIFT_M_S2, NOSE_DRIFT_RAD_S, TURN_BIAS_RAD_S, TURN_SCALE = 0.2, radians(0.2), radians(0.4), 0.01
GUSTS_M_S, GUST_S = (1.2, 4.0), 1.2
# Begun from as well where the nose turned so far: margins in units of the belief's doubt.
TURNED_RAD, LEVERS = radians(10.0), (-1.0, -2.0)
STEP = 1e-4
FARTHEST = 6.0  # sigma from what is believed: beyond it the likeliest is a mistake
AT_FIRST, EVALUATIONS, AT_LAST = 8, 10, 20
ENOUGH, AT_LAST_ENOUGH = 1e-3, 1e-4
WORSE = 8.0  # of evidence: a stronger wind is not tried any more


@dataclass(frozen=True)
class Unknowns:
    """The unknowns in units of their doubt (p,), where each begins, and how they become terms of the equation."""

    course: Course
    drive: Drive
    body: Body
    wind: MeanWind
    exit_m_s: float
    exit_sigma_m_s: float
    gust_m_s: float

    @property
    def sizes(self) -> dict[str, int]:
        """Name and number of each group of unknowns, in order."""
        return {
            "start": 2, "start_turn": 2, "speed": 1, "bias": 3, "bias_grows": 3, "nose_drifts": 3,
            "turn_bias": 3, "turn_scale": 1, "force": 1, "slope": 1, "lift": 1, "stall": 1, "damping": 1,
            "lever": 1, "lever_burn": 1, "line": 2, "askew": 2, "fins": 1, "wind": 2, "gust": 2 * self.drive.knots.shape[1],
        }  # fmt: skip

    def parts(self, z: Floats) -> dict[str, Floats]:
        """Return the groups of (p, b), each (size, b)."""
        ends = np.cumsum(list(self.sizes.values()))
        return dict(zip(self.sizes, np.split(z, ends[:-1]), strict=True))

    def terms(self, z: Floats) -> Terms:
        """Return the terms of b sets of unknowns (p, b)."""
        of, rail, d = self.parts(z), self.course.rail, self.body.diameter_m
        side = _across(rail)
        nose = rail[:, None] + side.T @ (START_RAD * of["start"])
        nose = np.asarray(nose / np.sqrt((nose * nose).sum(axis=0)), dtype=np.float64)
        turn = side.T @ (START_RAD_S * of["start_turn"])
        turn = turn - (turn * nose).sum(axis=0) * nose
        speed = self.exit_m_s + self.exit_sigma_m_s * of["speed"][0]
        knots = self.drive.knots.shape[1]
        return Terms(
            nose=nose,
            turn=turn,
            velocity=rail[:, None] * speed,
            slope_times=np.exp(SLOPE_SHARE * of["slope"][0]),
            lift=self.body.lift * np.exp(LIFT_SHARE * of["lift"][0]),
            stall=STALL * np.exp(STALL_SHARE * of["stall"][0]),
            damping_m2=self.body.damping_m2 * np.exp(DAMPING_SHARE * of["damping"][0]),
            lever_m=d * MARGIN_CALIBERS * of["lever"][0],
            lever_burn_m=d * MARGIN_CHANGE_CALIBERS * of["lever_burn"][0],
            mean_wind=self.wind.mean[:, None] + np.linalg.cholesky(self.wind.cover) @ of["wind"],
            gust=np.einsum("kj,jib->kib", self._gust_root(), of["gust"].reshape(knots, 2, -1)),
            thrust_line=LINE_RAD * of["line"],
            askew=ASKEW_RAD * of["askew"],
            fin_push=FIN_PUSH * of["fins"][0],
            force_more=FORCE_M_S2 * of["force"][0],
        )

    def begun(self, lever: float) -> Floats:
        """Return the unknowns (p,) as believed before, but for the margin."""
        z = np.zeros((sum(self.sizes.values()), 1))
        self.parts(z)["lever"][0] = lever  # a view
        return z[:, 0]

    def _gust_root(self) -> Floats:
        at = np.linspace(0.0, self.course.end_s, self.drive.knots.shape[1])
        cover = self.gust_m_s**2 * np.exp(-np.abs(at[:, None] - at) / GUST_S)
        root: Floats = np.asarray(np.linalg.cholesky(cover), dtype=np.float64)
        return root


@dataclass(frozen=True)
class Fit:
    """The likeliest unknowns (p,) with covariance (p, p), the terms they make, what is left over by sigma told before."""

    unknowns: Unknowns
    z: Floats
    cover: Floats
    left: tuple[float, float, float]
    evidence: float

    @property
    def terms(self) -> Terms:
        """The likeliest terms, of one flight."""
        return self.unknowns.terms(self.z[:, None])

    def moved(self, steps: float) -> Terms:
        """Return the likeliest terms and those moved along each of p independent directions of the doubt, p + 1 flights.

        `steps`: by how many sigma. The sigma of a quantity is the root of the squares of its p differences from the first,
        over `steps` (propagation of errors, first order).
        """
        sizes, ways = np.linalg.eigh(self.cover)
        root = ways * np.sqrt(np.maximum(sizes, 0.0))
        return self.unknowns.terms(np.column_stack([self.z, self.z[:, None] + steps * root]))


def fitted(seen: Evidence, body: Body, wind: MeanWind) -> Fit | Unmeasured:
    """Return the fit, or why there is none."""
    course = course_of(seen)
    if isinstance(course, Unmeasured):
        return course
    drive = drive_of(seen, course, body)
    sigma = max(seen.exit_sigma_m_s, SPEED_SHARE * seen.exit_m_s)
    best: Fit | None = None
    sigmas = (NOSE_RAD, TURN_RAD_S, VELOCITY_M_S)
    # What stayed near its rail is near enough to what is believed that one beginning does.
    others = LEVERS if float(np.arccos(np.clip(course.nose @ course.rail, -1.0, 1.0)).max()) > TURNED_RAD else ()
    for gust_m_s in GUSTS_M_S:
        unknowns = Unknowns(course, drive, body, wind, seen.exit_m_s, sigma, gust_m_s)
        if best is None:
            starts = (unknowns.begun(lever) for lever in (0.0, *others))
            best = max((_solved(unknowns, start, sigmas, AT_FIRST) for start in starts), key=lambda one: one.evidence)
        found = _solved(unknowns, best.z, sigmas, EVALUATIONS)
        if found.evidence < best.evidence - WORSE and best.unknowns is not unknowns:
            break
        if best.unknowns is unknowns or found.evidence > best.evidence:
            best = found
    assert best is not None
    left = np.clip(best.left, LEAST_LEFT, MOST_LEFT)
    sigma_nose, sigma_turn, sigma_velocity = np.array(sigmas) * left
    return _solved(best.unknowns, best.z, (float(sigma_nose), float(sigma_turn), float(sigma_velocity)), AT_LAST)


def _solved(unknowns: Unknowns, start: Floats, sigmas: tuple[float, float, float], at_most: int) -> Fit:
    from scipy.optimize import least_squares  # noqa: PLC0415 - loaded only where it is needed

    count = len(start)
    kept: dict[bytes, tuple[Floats, Floats]] = {}

    def both(z: Floats) -> tuple[Floats, Floats]:
        key = z.tobytes()
        if key not in kept:
            kept.clear()
            rows = _rows(unknowns, np.column_stack([z, z[:, None] + STEP * np.eye(count)]), sigmas)
            kept[key] = rows[:, 0], (rows[:, 1:] - rows[:, :1]) / STEP
        return kept[key]

    def value(z: Floats) -> Floats:
        return np.concatenate([both(z)[0], z])

    def slopes(z: Floats) -> Floats:
        return np.concatenate([both(z)[1], np.eye(count)])

    enough = AT_LAST_ENOUGH if at_most == AT_LAST else ENOUGH
    found = least_squares(value, start, jac=slopes, bounds=(-FARTHEST, FARTHEST), max_nfev=at_most, xtol=enough, ftol=enough)
    rows, jacobian = both(found.x)
    precision = jacobian.T @ jacobian + np.eye(count)
    sizes = [_rms(part) for part in np.split(rows, _ends(unknowns.course))]
    evidence = -float(found.cost) - 0.5 * float(np.linalg.slogdet(precision)[1])
    left = sizes[0], sizes[1], sizes[2]
    return Fit(
        unknowns,
        np.asarray(found.x, dtype=np.float64),
        np.asarray(np.linalg.inv(precision), dtype=np.float64),
        left,
        evidence,
    )


def _ends(course: Course) -> list[int]:
    nose = course.nose.size
    return [nose, nose + int(np.isfinite(course.turn).sum())]


def _rows(unknowns: Unknowns, z: Floats, sigmas: tuple[float, float, float]) -> Floats:
    """Return what is left of the measurements over their doubt, (m, b)."""
    course, drive = unknowns.course, unknowns.drive
    path = flown(drive, unknowns.terms(z))
    place = np.clip(course.t / (2.0 * drive.half_s), 0.0, drive.steps - 1e-9)
    left = place.astype(int)
    share = (place - left)[:, None, None]
    nose, turn, velocity = (one[left] + share * (one[left + 1] - one[left]) for one in path)
    of, t = unknowns.parts(z), course.t[:, None, None]
    velocity = velocity + VELOCITY_BIAS_M_S * of["bias"] + VELOCITY_DRIFT_M_S2 * t * of["bias_grows"]
    nose = nose + NOSE_DRIFT_RAD_S * t * of["nose_drifts"]
    turn = turn * (1.0 + TURN_SCALE * of["turn_scale"]) + TURN_BIAS_RAD_S * of["turn_bias"]
    rows = []
    for told, known, sigma in zip((nose, turn, velocity), (course.nose, course.turn, course.velocity), sigmas, strict=True):
        there = np.isfinite(known)
        rows.append((told[there] - known[there][:, None]) / sigma)
    everything: Floats = np.nan_to_num(np.concatenate(rows), nan=1e3, posinf=1e3, neginf=-1e3)
    return everything


def _rms(rows: Floats) -> float:
    return float(np.sqrt(np.mean(rows * rows))) if len(rows) else 1.0


def _across(axis: Floats) -> Floats:
    """Return two unit vectors across an axis, the first as far east as can be, (2, 3)."""
    east = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
    if east @ east < 1e-6:
        east = np.array([0.0, 1.0, 0.0]) - axis[1] * axis
    east /= np.sqrt(east @ east)
    return np.stack([east, np.cross(axis, east)])
