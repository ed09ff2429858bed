"""The point about which a picture, turned by an angle, fits itself: the axis of something made alike all round."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Pivot", "find_pivot"]

Floats = NDArray[np.float64]

_SIDE_PX = 360
"""The picture is looked at this large at most: detail as wide as a blurred line is kept, and the fit stays quick."""
_SECTORS = 8
"""The uncertainty is how much the point moves when one sector of the picture after the other is left out (jackknife)."""


@dataclass(frozen=True, slots=True)
class Pivot:
    """`px` (2,), its covariance (2, 2) in px2, and the correlation (0..1) of the picture with itself, turned."""

    px: Floats
    covariance: Floats
    likeness: float


def find_pivot(
    picture: NDArray[np.float32], guess_px: Floats, *, ring_px: tuple[float, float], turns_deg: list[float]
) -> Pivot | None:
    """Find the point of `picture` (h, w) about which its detail between two radii looks alike after each of `turns_deg`.

    `guess_px` may be off by a few hundredths of the outer radius. What is aligned is the strength of the detail (gradient), so that flutes lit unevenly
    fit each other. Each turn is aligned by the enhanced correlation coefficient (Evangelidis and Psarakis 2008, in OpenCV); the fixed
    point of the motion found is the axis. None where the picture does not fit itself at all.
    """
    inner, outer = ring_px
    half = 1.15 * outer
    factor = min(1.0, _SIDE_PX / (2 * half))
    side = round(2 * half * factor)
    to_crop = np.array(
        [[factor, 0, side / 2 - factor * guess_px[0]], [0, factor, side / 2 - factor * guess_px[1]]]
    )
    soft = cv2.GaussianBlur(picture, (0, 0), max(0.5 / factor, 0.8))
    crop = cv2.warpAffine(
        soft, to_crop, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    detail = _detail(np.asarray(crop, np.float32))
    y, x = np.mgrid[:side, :side] - side / 2
    away, sector = np.hypot(x, y), np.floor((np.arctan2(y, x) + np.pi) / (2 * np.pi) * _SECTORS) % _SECTORS
    ring = (away > inner * factor) & (away < outer * factor)
    found = [_aligned(detail, ring, turn, side, None) for turn in turns_deg]
    if any(one is None for one in found):
        return None
    warps, points, likeness = zip(*(one for one in found if one is not None), strict=True)
    without = []
    for k in range(_SECTORS):
        parts = [
            _aligned(detail, ring & (sector != k), turn, side, warp)
            for turn, warp in zip(turns_deg, warps, strict=True)
        ]
        if any(part is None for part in parts):
            return None
        without.append(np.mean([part[1] for part in parts if part is not None], axis=0))
    off = np.array(without) - np.mean(without, axis=0)
    covariance = (_SECTORS - 1) / _SECTORS * off.T @ off / factor**2
    middle = np.mean(points, axis=0) - side / 2
    return Pivot(np.asarray(guess_px + middle / factor), np.asarray(covariance), float(min(likeness)))


def _detail(crop: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gradient, its root taken so that the brightest edge does not count for all."""
    across, down = (cv2.Sobel(crop, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    return np.asarray(cv2.GaussianBlur(np.sqrt(np.hypot(across, down)), (0, 0), 1.0), np.float32)


def _aligned(
    detail: NDArray[np.float32], mask: NDArray[np.bool_], turn_deg: float, side: int, start: Floats | None
) -> tuple[Floats, Floats, float] | None:
    """The motion that lays `detail` onto itself turned, the fixed point of both together, and the correlation."""
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), turn_deg, 1.0)
    turned = cv2.warpAffine(detail, turn, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    first = np.eye(2, 3) if start is None else start
    rule = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60 if start is None else 15, 1e-5)
    try:
        likeness, warp = cv2.findTransformECC(
            turned, detail, first.astype(np.float32), cv2.MOTION_EUCLIDEAN, rule, mask.astype(np.uint8), 1
        )
    except cv2.error:  # no correlation at all
        return None
    motion = np.vstack([turn, [0, 0, 1]]) @ np.linalg.inv(np.vstack([warp, [0, 0, 1]]))
    point = np.linalg.solve(np.eye(2) - motion[:2, :2], motion[:2, 2])
    return np.asarray(warp, np.float64), point, float(likeness)
