"""Plane, tilt and distortion from marks: the picture of a flat target through a lens.

Coordinates of the target are a projective function of undistorted picture coordinates v, taken from the
picture's centre in half-diagonals: X = (a0 + a.v) / (1 + g.v), Y likewise with the same g. Distortion is
radial about the picture's centre, distorted = v (1 + k1 |v|^2 + k2 |v|^4), as in R. Hartley, A. Zisserman, Multiple View
Geometry (2004), 7.4. Marks of a ruler give X only, a grid gives both.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PlaneFit", "fit_plane", "undistort"]

Array = NDArray[np.float64]

PRIOR = np.array([0.1, 0.1, 0.05, 0.01])
"""Standard deviations of g1, g2, k1, k2: weak priors that settle what few marks leave open. Tilt changes the scale by
some 10 % from centre to corner at most, lenses of microscopes displace the corner by some 5 %."""
TUKEY = 4.685
"""Tuning of the biweight: 95 % efficiency on normal residuals (P. Huber, E. Ronchetti, Robust Statistics, 2009)."""


def undistort(v: Array, k: Array) -> Array:
    """Solve distorted = v (1 + k1 |v|^2 + k2 |v|^4) for v by Newton's method; `v` (n, 2) in half-diagonals from the centre."""
    far = np.hypot(v[:, 0], v[:, 1])
    r = far.copy()
    for _ in range(8):
        square = r * r
        slope = 1 + 3 * k[0] * square + 5 * k[1] * square**2
        r = r - (r * (1 + k[0] * square + k[1] * square**2) - far) / np.maximum(slope, 0.1)
    return np.asarray(v * np.where(far > 0, r / np.maximum(far, 1e-12), 1.0)[:, None])


@dataclass(frozen=True, slots=True)
class PlaneFit:
    """Fitted plane; lengths of the target in steps (pitches).

    `theta`: a0, a1, a2 for each axis, then g1, g2, k1, k2. `covariance` belongs to `theta`. `residuals_px` (n, axes),
    `weights` (n,) 0..1 from the robust fit, `size` (width, height) of the picture in px.
    """

    theta: Array
    covariance: Array
    residuals_px: Array
    weights: Array
    size: tuple[int, int]
    freedom: float

    @property
    def axes(self) -> int:
        return (len(self.theta) - 4) // 3

    def to_steps(self, px: Array) -> Array:
        """Target coordinates (n, axes) of picture positions (n, 2)."""
        return _steps(self.theta, _from_px(px, self.size))

    def gradients(self, px: Array) -> Array:
        """Derivatives (n, axes, 2) of the target coordinates by the picture's x and y, in steps per px."""
        px = np.atleast_2d(px)
        by = [(self.to_steps(px + d) - self.to_steps(px - d)) / 0.2 for d in np.array([[0.1, 0], [0, 0.1]])]
        return np.stack(by, axis=-1)

    def px_per_step(self, theta: Array | None = None) -> Array:
        """Scale at the picture's centre along each axis, in px per step.

        With one axis (marks of a ruler) it is the distance across the marks.
        """
        grad = _centre_gradient(self.theta if theta is None else theta) / _half_diagonal(self.size)
        if len(grad) == 1:
            return 1 / np.hypot(grad[:, 0], grad[:, 1])
        return np.asarray(np.hypot(*np.linalg.inv(grad)))

    def looseness(self) -> float:
        """Relative standard uncertainty of the scale, of the axis that is known least."""
        return float((self.uncertainty_of(self.px_per_step) / self.px_per_step()).max())

    def flat(self, px: Array) -> Array:
        """Picture positions (n, 2) without distortion, in half-diagonals from the centre."""
        return undistort(_from_px(px, self.size), self.theta[-2:])

    def flat_gradient(self, v: Array) -> Array:
        """Derivatives (axes, 2) of the target coordinates at the undistorted place `v` (2,)."""
        a, g = self.theta[:-4].reshape(-1, 3), self.theta[-4:-2]
        below = 1 + g @ v
        return np.asarray((a[:, 1:] - np.outer(a[:, 0] + a[:, 1:] @ v, g) / below) / below)

    def spread_of(self, values: Array) -> Array:
        """Student's factor that keeps k = 2 at 95 % with few marks (Cornish-Fisher expansion of t)."""
        z, nu = 1.96, max(self.freedom, 3.0)
        t = z + (z**3 + z) / (4 * nu) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * nu**2)
        return np.asarray(values * t / z)

    def uncertainty_of(self, function: Callable[[Array], Array]) -> Array:
        """Standard uncertainty of `function(theta)` (any shape (m,)) by linear propagation."""
        steps = 1e-3 * np.sqrt(np.maximum(np.diag(self.covariance), 1e-24))
        columns = [
            (function(self.theta + d) - function(self.theta - d)) / (2 * s)
            for d, s in zip(np.diag(steps), steps, strict=True)
        ]
        jacobian = np.stack(columns, axis=-1)
        return self.spread_of(np.sqrt(np.einsum("ij,jk,ik->i", jacobian, self.covariance, jacobian)))


def _half_diagonal(size: tuple[int, int]) -> float:
    return float(np.hypot(*size)) / 2


def _from_px(px: Array, size: tuple[int, int]) -> Array:
    centre = (np.array(size) - 1) / 2
    return np.asarray((px - centre) / _half_diagonal(size))


def _steps(theta: Array, v: Array) -> Array:
    u = undistort(v, theta[-2:])
    a = theta[:-4].reshape(-1, 3)
    return np.asarray((a[:, 0] + u @ a[:, 1:].T) / (1 + u @ theta[-4:-2])[:, None])


def _centre_gradient(theta: Array) -> Array:
    a = theta[:-4].reshape(-1, 3)
    return np.asarray(a[:, 1:] - np.outer(a[:, 0], theta[-4:-2]))


def _residuals(theta: Array, v: Array, steps: Array, half: float) -> Array:
    """Differences in px: over the local scale at the centre, the same for every mark."""
    grad = _centre_gradient(theta) / half
    off = _steps(theta, v) - steps
    return off / np.hypot(*grad[0]) if len(grad) == 1 else off @ np.linalg.inv(grad).T


def _numeric_jacobian(theta: Array, v: Array, steps: Array, half: float) -> Array:
    scale = _frozen_scale(theta, half)
    columns = []
    for d in np.diag(1e-6 * np.maximum(np.abs(theta), 1.0)):
        columns.append((_steps(theta + d, v) - _steps(theta - d, v)) @ scale.T / (2 * d.max()))
    return np.stack(columns, axis=-1)


def _frozen_scale(theta: Array, half: float) -> Array:
    grad = _centre_gradient(theta) / half
    return np.array([[1 / np.hypot(*grad[0])]]) if len(grad) == 1 else np.asarray(np.linalg.inv(grad))


def fit_plane(px: Array, steps: Array, cluster: NDArray[np.int_], size: tuple[int, int]) -> PlaneFit:
    """Robust least squares of marks at `px` (n, 2) with target coordinates `steps` (n, axes).

    `cluster` (n,): which marks share an error (the sections of one ruler mark); the covariance is the
    cluster-robust one. Iteratively reweighted Gauss-Newton with Tukey's biweight.
    """
    v, half = _from_px(px, size), _half_diagonal(size)
    axes = steps.shape[1]
    design = np.column_stack([np.ones(len(v)), v])
    weights = np.ones(len(v))
    theta = np.zeros(3 * axes + 4)
    theta[:-4] = np.linalg.lstsq(design, steps, rcond=None)[0].T.ravel()
    prior = np.zeros(len(theta))
    floor = 0.01
    for turn in range(30):
        off = _residuals(theta, v, steps, half)
        size_of = np.sqrt((off**2).sum(axis=1))
        spread = max(1.4826 * float(np.median(size_of)) / (1.0 if axes == 1 else 1.75), floor)
        if turn >= 3:
            weights = np.clip(1 - (size_of / (TUKEY * spread * np.sqrt(axes))) ** 2, 0, 1) ** 2
        jac = _numeric_jacobian(theta, v, steps, half)
        prior[-4:] = (spread / PRIOR) ** 2
        normal = np.einsum("n,nap,naq->pq", weights, jac, jac) + np.diag(prior)
        pull = np.einsum("n,nap,na->p", weights, jac, off) + prior * theta
        move = np.linalg.solve(normal, pull)
        theta = theta - move
        if turn > 6 and np.max(np.abs(jac @ move)) < 1e-5:
            break
    off = _residuals(theta, v, steps, half)
    covariance = _covariance(jac, off, weights, cluster, normal, prior)
    return PlaneFit(theta, covariance, off, weights, size, _freedom(weights, cluster, axes))


def _freedom(weights: Array, cluster: NDArray[np.int_], axes: int) -> float:
    used = len(np.unique(cluster[weights > 0.1]))
    return used * 2 - (3 * axes + 4)


def _covariance(
    jac: Array, off: Array, weights: Array, cluster: NDArray[np.int_], normal: Array, prior: Array
) -> Array:
    score = np.einsum("n,nap,na->np", weights, jac, off)
    names, at = np.unique(cluster, return_inverse=True)
    summed = np.zeros((len(names), score.shape[1]))
    np.add.at(summed, at, score)
    used = len(np.unique(cluster[weights > 0.1]))
    small = used / max(used - score.shape[1] / 2, 1.0)
    meat = small * summed.T @ summed + np.diag(prior)
    bread = np.linalg.inv(normal)
    return np.asarray(bread @ meat @ bread)
