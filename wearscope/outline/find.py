"""From a photo to the cutter's outline and the pose of its cutting corner.

The search runs on a small copy of the picture (about 640 px on the long side): long sharp edges, pairs of
them that end at each other, the best pair is the corner. Cutter and ground are then told apart by a
watershed that starts on both sides of those two edges, and the contour is put on the half level of linear
light in the full picture.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.outline.corners import Arm, CornerCandidate, corner_candidates
from wearscope.outline.segments import link_segments, straight_segments
from wearscope.outline.shape import CornerPose, Outline
from wearscope.photo.read import Photo
from wearscope.subpixel.profile import measure_steps

__all__ = ["find_outline"]

Floats = NDArray[np.float64]

_SEARCH_PX = 640
_WEAKEST = 60.0
"""Candidates with a lower score are no corner: two edges of 20 px, each at twice its ground, score 80."""
_EQUAL = 0.35
"""Two corners of one end edge whose scores differ by less than this factor count as equally good."""
_CONTOUR_STEP_PX = 3.0


def find_outline(photo: Photo) -> Outline:
    """Find the cutter's outline and its cutting corner, without being told where.

    Returns an Outline; `corner` is None and a flag says why where there is no believable corner.
    """
    small, step = _small(photo)
    gradient = _colour_gradient(small)
    candidates = corner_candidates(link_segments(straight_segments(small)), gradient)
    if not candidates or candidates[0].score < _WEAKEST:
        return Outline(np.zeros((0, 2)), np.zeros(small.shape[:2], bool), step, None, ("no_cutter",))
    best = _rake_side(candidates)
    mask = _cutter_mask(small, best)
    contour = _contour(mask, best, step)
    picture = photo.linear()
    points = _on_half_level(picture, contour)
    pose = _pose(picture, best, step, _shares_end_edge(best, candidates))
    return Outline(points, mask, step, pose)


def _small(photo: Photo) -> tuple[NDArray[np.uint8], int]:
    width, height = photo.size
    step = max(1, round(max(width, height) / _SEARCH_PX))
    picture = photo.encoded if photo.encoded.dtype == np.uint8 else (photo.encoded >> 8).astype(np.uint8)
    if step == 1:
        return picture, 1
    whole = picture[: height // step * step, : width // step * step]
    return cv2.resize(whole, (width // step, height // step), interpolation=cv2.INTER_AREA), step


def _colour_gradient(small: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Gradient magnitude per px, the largest of lightness and the two opponent colours."""
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_BGR2LAB), (0, 0), 1.0).astype(np.float32)
    gx, gy = cv2.Sobel(lab, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(lab, cv2.CV_32F, 0, 1, scale=0.125)
    return cv2.magnitude(gx.reshape(-1, 3), gy.reshape(-1, 3)).max(axis=1).reshape(small.shape[:2])


def _tip_direction(end: Arm, side: Arm) -> Floats:
    """Unit normal of the end edge, pointing away from the cutter."""
    normal = np.array([-end.direction[1], end.direction[0]])
    return normal if normal @ side.direction < 0 else -normal


def _split(candidate: CornerCandidate) -> tuple[Arm, Arm, bool]:
    """(end edge, side edge, certain): the side edge runs closer to the picture's vertical."""
    a, b = candidate.arms
    upright_a, upright_b = abs(a.direction[1]), abs(b.direction[1])
    end, side = (a, b) if upright_a < upright_b else (b, a)
    return end, side, abs(side.direction[1]) > 0.86


def _shares_end_edge(best: CornerCandidate, candidates: list[CornerCandidate]) -> bool:
    end = _split(best)[0]
    return any(end.chain in {arm.chain for arm in c.arms} for c in candidates if c is not best)


def _rake_side(candidates: list[CornerCandidate]) -> CornerCandidate:
    """Of two corners on one end edge, equally good, the one whose rake face looks at the lens.

    For a right-hand cutter with its tip down that is the right one (it turns clockwise seen from the spindle).
    """
    best = candidates[0]
    for other in candidates[1:]:
        if other.score < _EQUAL * best.score:
            break
        if np.hypot(*(other.apex - best.apex)) < 40:
            continue
        if _handed(other) > 0.5 > _handed(best):
            return other
    return best


def _handed(candidate: CornerCandidate) -> float:
    end, side, _ = _split(candidate)
    tip = _tip_direction(end, side)
    return float(-end.direction @ np.array([tip[1], -tip[0]]))


def _run(arm: Arm, apex: Floats, spacing: float, reach: float = np.inf) -> tuple[Floats, Floats]:
    """Points along an arm from the apex, and unit tangents, every `spacing` px."""
    line = np.concatenate([apex[None], arm.points[np.hypot(*(arm.points - apex).T) > 2]])
    steps = np.diff(line, axis=0)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))])
    s = np.arange(0.0, min(run[-1], reach), spacing)
    k = np.clip(np.searchsorted(run, s, side="right") - 1, 0, len(steps) - 1)
    points = np.stack([np.interp(s, run, line[:, 0]), np.interp(s, run, line[:, 1])], axis=1)
    return points, steps[k] / np.maximum(np.hypot(*steps[k].T), 1e-9)[:, None]


def _cutter_mask(small: NDArray[np.uint8], corner: CornerCandidate) -> NDArray[np.bool_]:
    """Cutter True, ground False, by a watershed from both sides of the corner's two edges."""
    height, width = small.shape[:2]
    markers = np.zeros((height, width), np.int32)
    a, b = corner.arms
    for arm, other in ((a, b), (b, a)):
        points, tangents = _run(arm, corner.apex, 1.0)
        normal = np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)
        normal *= -np.sign(normal @ other.direction)[:, None]
        for offset in range(5, 24):
            _mark(markers, points + offset * normal, 1)
        bare = points[int(arm.gap) + 6 :]
        for offset in range(4, 9):
            _mark(markers, bare - offset * normal[int(arm.gap) + 6 :], 2)
    for distance in range(6, 30):
        beyond = corner.apex - distance * (a.direction + b.direction) / np.sqrt(
            2 + 2 * a.direction @ b.direction
        )
        _mark(markers, beyond[None], 1)
    soft = cv2.GaussianBlur(small, (0, 0), 1.0)
    cv2.watershed(soft, markers)
    mask = markers == 2
    mask[0], mask[-1], mask[:, 0], mask[:, -1] = mask[1], mask[-2], mask[:, 1], mask[:, -2]
    return mask


def _mark(markers: NDArray[np.int32], points: Floats, label: int) -> None:
    x, y = np.rint(points).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < markers.shape[1]) & (y < markers.shape[0])
    markers[y[inside], x[inside]] = label


def _contour(mask: NDArray[np.bool_], corner: CornerCandidate, step: int) -> Floats:
    """The contour nearest the corner in full-resolution px, cutter on the right hand, frame border cut off."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((0, 2))
    lines = [np.asarray(c, float).reshape(-1, 2) for c in found]
    line = min(lines, key=lambda c: float(np.hypot(*(c - corner.apex).T).min()) - 0.05 * len(c))
    height, width = mask.shape
    border = (line[:, 0] < 2) | (line[:, 1] < 2) | (line[:, 0] > width - 3) | (line[:, 1] > height - 3)
    if border.any():
        line = _longest_free_run(line, border)
    if cv2.contourArea(line.astype(np.float32), oriented=True) < 0:
        line = line[::-1]
    return line * step + (step - 1) / 2


def _longest_free_run(line: Floats, border: NDArray[np.bool_]) -> Floats:
    """The longest stretch between visits to the frame border."""
    start = int(np.argmax(border))
    line, border = np.roll(line, -start, axis=0), np.roll(border, -start)
    cuts = np.flatnonzero(border)
    gaps = np.diff(np.append(cuts, len(line)))
    k = int(np.argmax(gaps))
    return line[cuts[k] + 1 : cuts[k] + gaps[k]]


def _on_half_level(picture: NDArray[np.float32], contour: Floats) -> Floats:
    """The contour, evenly spaced, each point moved along its normal to the half level of the local step."""
    if len(contour) < 8:
        return contour
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(contour, axis=0).T))])
    kernel = cv2.getGaussianKernel(9, 2.0).ravel()
    smooth = np.stack(
        [np.convolve(np.pad(c, 4, mode="edge"), kernel, mode="valid") for c in contour.T], axis=1
    )
    s = np.arange(0.0, run[-1], _CONTOUR_STEP_PX)
    points = np.stack([np.interp(s, run, smooth[:, 0]), np.interp(s, run, smooth[:, 1])], axis=1)
    tangent = np.gradient(points, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normals = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    t = np.arange(-8.0, 8.5)
    x = (points[:, 0, None] + t * normals[:, :1]).astype(np.float32)
    y = (points[:, 1, None] + t * normals[:, 1:]).astype(np.float32)
    values = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    before, after = np.median(values[:, :4], axis=1), np.median(values[:, -4:], axis=1)
    half = 0.5 * (before + after)
    rising = (values - half[:, None]) * np.sign(after - before)[:, None] > 0
    crossing = rising[:, 1:] & ~rising[:, :-1]
    distance = np.where(crossing, np.abs(t[:-1] + 0.5), np.inf)
    k = np.argmin(distance, axis=1)
    rows = np.arange(len(points))
    low, high = values[rows, k], values[rows, k + 1]
    at = t[k] + (half - low) / np.where(np.abs(high - low) > 1e-9, high - low, 1.0)
    shift = np.where(np.isfinite(distance[rows, k]), np.clip(at, -8, 8), 0.0)
    return points + shift[:, None] * normals


def _pose(picture: NDArray[np.float32], corner: CornerCandidate, step: int, shared: bool) -> CornerPose:
    end, side, upright = _split(corner)
    blur = [b for arm in (end, side) if (b := _edge_blur(picture, arm, corner.apex, step)) is not None]
    apex = corner.apex * step + (step - 1) / 2
    return CornerPose(
        (float(apex[0]), float(apex[1])),
        (float(end.direction[0]), float(end.direction[1])),
        (float(side.direction[0]), float(side.direction[1])),
        (end.length + end.gap) * step,
        (side.length + side.gap) * step,
        float(np.median(np.concatenate(blur))) if blur else float("nan"),
        shared or upright,
    )


def _edge_blur(picture: NDArray[np.float32], arm: Arm, apex: Floats, step: int) -> Floats | None:
    """sigma_b in px at places along an arm, or None where no step can be fitted."""
    points, tangents = _run(arm, apex, 6.0, 90.0)
    keep = np.hypot(*(points - apex).T) > arm.gap + 6
    if keep.sum() < 3:
        return None
    full = points[keep] * step + (step - 1) / 2
    normals = np.stack([-tangents[keep, 1], tangents[keep, 0]], axis=1)
    fits = measure_steps(picture, full, normals, half_px=12.0)
    return fits.blur[fits.ok] if fits.ok.sum() >= 3 else None
