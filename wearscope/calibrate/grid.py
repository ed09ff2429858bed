"""Grids of points: chessboard corners, ChArUco corners, dots."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.calibrate.fit import PlaneFit, fit_plane
from wearscope.calibrate.lattice import grow_grid
from wearscope.subpixel.marks import find_dots, find_saddles, refine_dots, refine_saddles

__all__ = [
    "FEWEST_POINTS",
    "MeasuredGrid",
    "measure_charuco",
    "measure_chessboard",
    "measure_dots",
    "measured_grid",
]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

FEWEST_POINTS = 12
"""Three rows of four: fewer leave tilt and distortion to chance."""
REGULAR = 0.03
"""Largest scatter of the points about the fitted plane, in pitches."""
LOOSEST = 0.01
"""Relative standard uncertainty above which the points carry no scale: a dozen that only happen to be regular leave it open by more."""


@dataclass(frozen=True, slots=True)
class MeasuredGrid:
    """Points (n, 2) in px, their grid coordinates (n, 2), and the fit through them."""

    point_px: Array
    node: NDArray[np.int_]
    fit: PlaneFit

    @property
    def marks(self) -> int:
        """How many points the fit rests on."""
        return int((self.fit.weights > 0.1).sum())

    @property
    def scatter_px(self) -> float:
        """Root mean square of the residuals along one axis."""
        used = self.fit.weights > 0.1
        return float(np.sqrt(np.mean(self.fit.residuals_px[used] ** 2)))

    def fault(self) -> str:
        """Why this is no grid, or nothing."""
        pitch = float(self.fit.px_per_step().mean())
        if self.marks < FEWEST_POINTS:
            return f"only {self.marks} points form a regular grid (at least {FEWEST_POINTS} are needed)"
        if self.scatter_px > REGULAR * pitch:
            return f"the points are not regular (scatter {100 * self.scatter_px / pitch:.1f} % of a pitch)"
        if (loose := self.fit.looseness()) > LOOSEST:
            return f"the points would give the scale only to {100 * loose:.1f} %"
        return ""


Outcome = tuple[MeasuredGrid | None, str]
"""A measured grid, or None and why there is none."""


def measure_chessboard(grey: Picture, linear: Picture, size: tuple[int, int]) -> Outcome:
    """Inner corners of a chessboard, also of one that runs out of the frame."""
    best = _NOTHING
    for level, reduced in _reductions(grey):
        points, direction = find_saddles(reduced)
        index, node = grow_grid(points, direction)
        if len(node) > len(best[1]):
            best = points[index] * 2**level + (2**level - 1) / 2, node
        if len(node) >= max(4 * FEWEST_POINTS, 0.5 * len(points)):
            break
    return _corners(linear, *best, size)


def measure_charuco(grey: Picture, linear: Picture, size: tuple[int, int]) -> Outcome:
    """Corners of a ChArUco board: the markers' centres say where they must be, whatever the board's size.

    A corner lies midway between the two markers whose white squares touch in it.
    """
    markers = _marker_centres(grey)
    if len(markers) < 4:
        return None, f"{len(markers)} markers of the usual dictionaries found, at least 4 expected"
    index, turned = grow_grid(markers)
    row, column = turned.T
    lookup = {(int(r), int(c)): markers[i] for i, r, c in zip(index, row, column, strict=True)}
    points, node = [], []
    for (r, c), here in lookup.items():
        for dr, dc in ((1, 0), (0, 1)):
            there = lookup.get((r + dr, c + dc))
            if there is not None:
                points.append((here + there) / 2)
                node.append((2 * r + dr - 2 * c - dc, 2 * r + dr + 2 * c + dc))
    nodes = (np.array(node, int).reshape(-1, 2) + 1) // 2
    found = np.array(points).reshape(-1, 2)
    return _corners(linear, found, nodes, size)


def _marker_centres(grey: Picture) -> Array:
    """Centres (n, 2) of square markers, of whichever dictionary finds most, in a plain or a mirrored picture."""
    picture = np.clip(grey, 0, 255).astype(np.uint8)
    best = np.zeros((0, 2))
    for mirrored in (False, True):
        shown = np.ascontiguousarray(picture[:, ::-1]) if mirrored else picture
        for name in (
            "DICT_5X5_1000",
            "DICT_4X4_1000",
            "DICT_6X6_1000",
            "DICT_7X7_1000",
            "DICT_ARUCO_ORIGINAL",
        ):
            dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
            corners, _, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(shown)
            if len(corners) > len(best):
                best = np.array(
                    [_crossing(np.asarray(c, np.float64).reshape(4, 2)) for c in corners], np.float64
                )
                best[:, 0] = picture.shape[1] - 1 - best[:, 0] if mirrored else best[:, 0]
            if len(best) >= FEWEST_POINTS:
                return best
    return best


def _crossing(corner: Array) -> Array:
    """Where the diagonals of a four-sided figure meet: the picture of its centre under any tilt."""
    a, c, b, d = (np.append(corner[k], 1.0) for k in (0, 2, 1, 3))
    meet = np.cross(np.cross(a, c), np.cross(b, d))
    return np.asarray(meet[:2] / meet[2])


def measure_dots(grey: Picture, linear: Picture, size: tuple[int, int]) -> Outcome:
    """Centres of round dots on a square grid."""
    for sign in (1, -1):
        best, radii = _NOTHING, np.zeros(0)
        for window in (25, 51, 101, 201, 401):
            if window > min(grey.shape):
                break
            points, radius = _alike(*find_dots(grey, window=window, sign=sign))
            index, node = grow_grid(points)
            if len(node) > len(best[1]):
                best, radii = (points[index], node), radius[index]
        measured, reason = measured_grid(refine_dots(linear, best[0], radii, sign=sign), best[1], size, radii)
        if measured:
            break
    return measured, reason


def _alike(points: Array, radius: Array) -> tuple[Array, Array]:
    """The largest group of one size (a fifth to either side)."""
    if not len(radius):
        return points, radius
    log = np.log(radius)
    near = np.abs(log[:, None] - log[None, :]) < 0.2
    group = near[int(np.argmax(near.sum(axis=1)))]
    return points[group], radius[group]


_NOTHING = (np.zeros((0, 2)), np.zeros((0, 2), int))


def _reductions(grey: Picture) -> Iterator[tuple[int, Picture]]:
    level = 0
    while min(grey.shape) >= 60 and level < 4:
        yield level, grey
        height, width = grey.shape[0] // 2, grey.shape[1] // 2
        grey = np.asarray(
            cv2.resize(grey[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA),
            np.float32,
        )
        level += 1


def _corners(linear: Picture, points: Array, node: NDArray[np.int_], size: tuple[int, int]) -> Outcome:
    """Corners at sub-pixel; of several sizes of window the one whose corners fit the plane best.

    Too small a window sees noise, too large a one sees the print's own texture; which is which depends on the blur.
    """
    outcomes = [
        measured_grid(refine_saddles(linear, points, radius=r), node, size) for r in (3.0, 4.5, 7.0, 10.0)
    ]
    grids = [grid for grid, _ in outcomes if grid]
    return (min(grids, key=lambda g: g.scatter_px / g.marks), "") if grids else outcomes[0]


def measured_grid(
    points: Array, node: NDArray[np.int_], size: tuple[int, int], radius: Array | float = 0.0
) -> Outcome:
    """The fit through `points` (n, 2) px at grid places `node` (n, 2); `radius` (px) where they are centres of dots."""
    good = np.isfinite(points[:, 0])
    points, node = points[good], node[good]
    if len(node) < FEWEST_POINTS or min(np.ptp(node, axis=0)) < 2:
        return (
            None,
            f"only {len(node)} points form a regular grid (at least {FEWEST_POINTS} in three rows are needed)",
        )
    steps = (node - np.round(node.mean(axis=0))).astype(float)
    block = (node // 2) @ np.array([1, 10_000])
    fit = fit_plane(points, steps, block, size)
    if np.any(radius):
        round_px = np.broadcast_to(radius, (len(good),))[good]
        points = points - _drawn_outward(points, round_px, fit)
        fit = fit_plane(points, steps, block, size)
    grid = MeasuredGrid(points, node, fit)
    fault = grid.fault()
    return (None, fault) if fault else (grid, "")


def _drawn_outward(points: Array, radius: Array, fit: PlaneFit) -> Array:
    """How far distortion moves the centre of a dot's outline from the picture of the dot's centre, px.

    On a circle of radius r about c (unit vector e), k v |v|^2 adds k r^2 (c + 2 (c.e) e) to what the centre gets; along
    the ray e that is 3 k r^2 (c.e), a first harmonic of amplitude 3 k r^2 |c|.
    """
    half = float(np.hypot(*fit.size)) / 2
    centre = (np.array(fit.size) - 1) / 2
    return np.asarray(3 * fit.theta[-2] * (radius[:, None] / half) ** 2 * (points - centre))
