"""Circles through points on an arc: algebraic fits without the pull of Kåsa's, and the geometric fit.

Sources: Al-Sharadqah & Chernov, Electron. J. Statist. 3 (2009) 886 (Pratt, Taubin and Hyper as one generalised
eigenproblem); Kanatani's bound in the form of Chernov & Lesort (arXiv:cs/0303015).
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Circle", "arc_covariance", "fit_circle"]

Floats = NDArray[np.float64]
Method = Literal["geometric", "hyper", "taubin", "pratt"]


@dataclass(frozen=True, slots=True)
class Circle:
    """Centre (x, y), radius, and covariance (3, 3) of (x, y, radius) from the scatter of the points."""

    centre: tuple[float, float]
    radius: float
    covariance: Floats
    scatter: float


def arc_covariance(angles: Floats, sigma: float) -> Floats:
    """Kanatani-Cramér-Rao bound (3, 3) of (x, y, R) for points at `angles` (rad) with scatter `sigma` each."""
    v = np.stack([np.cos(angles), np.sin(angles), np.ones_like(angles)], axis=1)
    out: Floats = sigma**2 * np.linalg.inv(v.T @ v)
    return out


def _algebraic(points: Floats, method: Method) -> tuple[float, float, float]:
    """A z + B x + C y + D = 0 with z = x^2 + y^2, points centred: generalised eigenvector of smallest positive value."""
    from scipy.linalg import eig

    x, y = points.T
    z = x * x + y * y
    design = np.stack([z, x, y, np.ones_like(x)], axis=1)
    moments = design.T @ design / len(x)
    mean = float(z.mean())
    constraint = np.zeros((4, 4))
    constraint[1, 1] = constraint[2, 2] = 1.0
    if method == "pratt":
        constraint[0, 3] = constraint[3, 0] = -2.0
    elif method == "taubin":
        constraint[0, 0] = 4 * mean
    else:
        constraint[0, 0] = 8 * mean
        constraint[0, 3] = constraint[3, 0] = 2.0
    values, vectors = eig(moments, constraint)
    real = np.where(np.isfinite(values) & (np.abs(values.imag) < 1e-9 * np.abs(values)), values.real, np.inf)
    real[real < -1e-9 * mean] = np.inf
    a, b, c, d = vectors[:, int(np.argmin(real))].real
    if abs(a) * np.sqrt(mean) < 1e-9 * np.hypot(b, c):
        raise ValueError("the points lie on a straight line: no circle fits them")
    centre_x, centre_y = -b / (2 * a), -c / (2 * a)
    return float(centre_x), float(centre_y), float(np.sqrt(centre_x**2 + centre_y**2 - d / a))


def _geometric(points: Floats, start: tuple[float, float, float]) -> tuple[float, float, float]:
    """Least squares of the distances, by Gauss-Newton with damping from an algebraic start."""
    at, damping = np.array(start), 1e-4

    def residual(p: Floats) -> Floats:
        out: Floats = np.hypot(points[:, 0] - p[0], points[:, 1] - p[1]) - p[2]
        return out

    for _ in range(200):
        r = residual(at)
        ray = points - at[:2]
        unit = ray / np.linalg.norm(ray, axis=1)[:, None]
        jac = np.hstack([-unit, -np.ones((len(r), 1))])
        normal = jac.T @ jac
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -jac.T @ r)
        if float(np.sum(residual(at + step) ** 2)) <= float(r @ r):
            at, damping = at + step, damping * 0.1
        else:
            damping *= 10
        if np.abs(step).max() < 1e-12 * (1 + at[2]):
            break
    return float(at[0]), float(at[1]), float(at[2])


def fit_circle(points: Floats, *, method: Method = "geometric") -> Circle:
    """Fit a circle to `points` (n, 2), n >= 3.

    Kåsa's fit is not offered: on a quarter arc it reads several per cent small. Raises ValueError for fewer than three
    points or points on a straight line.
    """
    points = np.asarray(points, np.float64)
    if method not in ("geometric", "hyper", "taubin", "pratt"):
        raise ValueError(f"no circle fit named {method!r}: use geometric, hyper, taubin or pratt")
    if len(points) < 3:
        raise ValueError(f"a circle needs at least three points, not {len(points)}")
    middle = points.mean(axis=0)
    size = float(np.sqrt(np.mean(np.sum((points - middle) ** 2, axis=1))))
    unit = (points - middle) / size
    if np.linalg.svd(unit, compute_uv=False)[1] < 1e-9:
        raise ValueError("the points lie on a straight line: no circle fits them")
    found = _algebraic(unit, "taubin" if method == "geometric" else method)
    if method == "geometric" and len(points) > 3:
        found = _geometric(unit, found)
    centre = middle + size * np.array(found[:2])
    radius = size * found[2]
    ray = points - centre
    scatter = float(np.sqrt(np.sum((np.hypot(*ray.T) - radius) ** 2) / max(len(points) - 3, 1)))
    bound = arc_covariance(np.arctan2(ray[:, 1], ray[:, 0]), scatter)
    return Circle((float(centre[0]), float(centre[1])), float(radius), bound, scatter)
