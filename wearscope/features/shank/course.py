"""One side of a shank as a gentle curve, whatever sticks out of it or is scored into it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DAMAGE", "_DEGREE", "Course", "course_of", "robust_course"]

Floats = NDArray[np.float64]

_DEGREE = 3
"""A bent or bowed shank is a gentle curve in one photo; more freedom would follow burrs."""
DAMAGE = 4.0
"""A place departs from its side when it does by this many standard deviations of the side's own scatter."""
_TUKEY = 4.685
"""Tukey's constant for 95 % efficiency on normal scatter (Holland and Welsch 1977, from memory)."""


@dataclass(frozen=True, slots=True)
class Course:
    """A gentle curve through one side: `fit` with `covariance` of its coefficients (of s scaled to -1..1)."""

    fit: np.polynomial.Polynomial
    covariance: Floats
    scatter_px: float

    def __call__(self, s: Floats) -> Floats:
        return np.asarray(self.fit(s), np.float64)


def robust_course(s: Floats, edge: Floats, degree: int) -> np.polynomial.Polynomial:
    """Tukey's weights about a curve that starts from the medians of the surroundings."""
    from scipy.ndimage import median_filter

    smooth = median_filter(edge, max(3, len(edge) // 8), mode="nearest")
    fit = np.polynomial.Polynomial.fit(s, smooth, degree)
    for _ in range(12):
        off = edge - fit(s)
        spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
        weight = np.maximum(1 - (off / (_TUKEY * spread)) ** 2, 0.0)
        fit = np.polynomial.Polynomial.fit(s, edge, degree, w=weight + 1e-9)
    return fit


def _correlation(off: Floats) -> float:
    """How many neighbouring places share one error: the integral of the autocorrelation as far as it stays positive."""
    count = len(off)
    power = np.abs(np.fft.rfft(off - off.mean(), 2 * count)) ** 2
    rho = np.fft.irfft(power)[: count // 8]
    rho = rho / max(float(rho[0]), 1e-12)
    ends = np.flatnonzero(rho < 0.05)
    return float(1 + 2 * rho[1 : (ends[0] if len(ends) else len(rho))].sum())


def course_of(s: Floats, edge: Floats) -> Course:
    fit = robust_course(s, edge, _DEGREE)
    off = edge - fit(s)
    spread = 1.4826 * float(np.median(np.abs(off))) + 1e-6
    on = np.abs(off) < 4 * spread
    scatter = float(np.sqrt(np.mean(off[on] ** 2)))
    shared = _correlation(np.clip(off, -3 * spread, 3 * spread))
    x = 2 * (s[on] - s[0]) / max(float(s[-1] - s[0]), 1.0) - 1
    rows = np.vander(x, _DEGREE + 1, increasing=True)
    return Course(fit, scatter**2 * shared * np.linalg.pinv(rows.T @ rows), scatter)
