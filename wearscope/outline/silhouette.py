"""One back-lit picture of a whole cutter as two sub-pixel edge lines, before anything is known of its axis.

Everything is done in linear light. The background is flattened with a smooth surface, so vignetting does not
move the half level. Each edge is found column by column: the flattened profile p between the local dark and
the local bright level is straightened with the inverse normal distribution, in which a Gaussian-blurred edge
is a straight line; its zero is the edge (half level), its slope is 1/sigma_b.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.photo.read import Photo

__all__ = ["NotASilhouette", "Silhouette", "find_silhouette"]

Floats = NDArray[np.float64]

_DARKEST_BACKGROUND = 0.05
"""Linear light; a darker background leaves fewer than a dozen 8-bit codes on the dark side of the half level."""
_LEAST_CONTRAST = 0.6
"""Share of the background's light that the cutter must block. A back-lit cutter blocks nearly all of it; what is left is
stray light and reflection."""
_LARGEST_GREY_SHARE = 0.04
"""Share of the picture, away from outlines, that may be neither background nor cutter."""


class NotASilhouette(Exception):
    """This picture is no silhouette of one whole cutter; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Silhouette:
    """Edge lines of one cutter, turned by quarter turns so that the shank leaves to the left and the tip points right.

    `x_px` (n,): columns of the turned picture; `top_px`, `bottom_px` (n,): sub-pixel rows of the two edges, NaN where not
    found; `tip_px`: (x, y) of the farthest point; `quarter_turns`: how often `np.rot90` was applied; `size` of the upright
    photo (width, height); `blur_px`: sigma_b, the median along both edges; `clipped`: share of the background at full scale;
    `reaches_border`: the shank leaves the frame.
    """

    path: str
    x_px: Floats
    top_px: Floats
    bottom_px: Floats
    tip_px: tuple[float, float]
    quarter_turns: int
    size: tuple[int, int]
    blur_px: float
    clipped: float

    def to_photo(self, points: Floats) -> Floats:
        """Points (n, 2) of the turned picture as px of the upright photo."""
        width, height = self.size
        x, y = points[:, 0], points[:, 1]
        turned = {
            0: (x, y),
            1: (width - 1 - y, x),
            2: (width - 1 - x, height - 1 - y),
            3: (y, height - 1 - x),
        }[self.quarter_turns]
        return np.column_stack(turned)


def find_silhouette(photo: Photo) -> Silhouette:
    """The two edge lines of the one cutter in a back-lit photo.

    Raises NotASilhouette with a sentence for a picture that is none: no even bright background, no dark cutter, a front-lit
    cutter, several cutters, a tip outside the frame.
    """
    light = photo.linear().astype(np.float32)
    background = _background(light)
    flat = light / background
    mask, border = _cutter_mask(flat)
    turns = _quarter_turns(border)
    clipped = float(np.mean(photo.grey()[~mask] >= 254))
    flat, mask = (np.ascontiguousarray(np.rot90(a, turns)) for a in (flat, mask))
    x, top, bottom, blur = _edges(flat, mask)
    rows, columns = np.nonzero(mask[:, ::1])
    tip_x = columns.max()
    tip = (float(tip_x), float(np.mean(rows[columns == tip_x])))
    return Silhouette(photo.path, x, top, bottom, tip, turns, photo.size, blur, clipped)


def _surface(shape: tuple[int, int]) -> tuple[Floats, Floats]:
    y, x = np.mgrid[: shape[0], : shape[1]]
    return x / shape[1] - 0.5, y / shape[0] - 0.5


def _terms(x: Floats, y: Floats) -> Floats:
    r2 = x * x + y * y
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, r2 * x, r2 * y, r2 * r2], axis=-1)


def _background(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """A smooth surface through the bright part of the picture (vignetting, uneven lamp)."""
    small = cv2.resize(light, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA).astype(np.float64)
    level = _two_levels(small)
    x, y = _surface((small.shape[0], small.shape[1]))
    terms = _terms(x, y)
    # Away from the outline, so that blurred edge pixels do not pull the surface down.
    bright = cv2.erode((small > level).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if np.mean(bright) < 0.1:
        raise NotASilhouette(
            "no even bright background: light the cutter from behind with a lamp behind white paper"
        )
    for _ in range(4):
        fit, *_rest = np.linalg.lstsq(terms[bright], small[bright], rcond=None)
        off = small - terms @ fit
        spread = 1.4826 * float(np.median(np.abs(off[bright])))
        bright &= np.abs(off) < max(4 * spread, 0.002)
        if np.mean(bright) < 0.1:
            raise NotASilhouette(
                "the background is uneven: light the cutter from behind through white paper or opal plastic"
            )
    coarse = (terms @ fit).astype(np.float32)
    if float(np.median(coarse[bright])) < _DARKEST_BACKGROUND:
        raise NotASilhouette("the background is too dark for a silhouette: light the cutter from behind")
    full = cv2.resize(coarse, (light.shape[1], light.shape[0]), interpolation=cv2.INTER_CUBIC)
    floor = 0.3 * float(np.median(coarse[bright]))
    out: NDArray[np.float32] = np.maximum(full, floor)
    return out


def _two_levels(light: Floats) -> float:
    """The level that parts bright from dark (Otsu), linear light."""
    top = float(np.quantile(light, 0.999))
    codes = np.clip(light / max(top, 1e-6) * 255, 0, 255).astype(np.uint8)
    code, _ = cv2.threshold(codes, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return float(code + 0.5) / 255 * top


def _cutter_mask(flat: NDArray[np.float32]) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """The cutter's mask and how many border pixels it touches on each side of the frame."""
    dark = (flat < 0.5).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA]
    if count < 2 or areas.max() < 0.01 * dark.size:
        raise NotASilhouette("no cutter in the picture: put the cutter between the lamp and the lens")
    order = np.argsort(areas)[::-1]
    if len(order) > 1 and areas[order[1]] > 0.1 * areas[order[0]]:
        raise NotASilhouette(
            "more than one dark body in the picture: photograph one cutter alone, nothing else in front of the lamp"
        )
    mask = labels == 1 + order[0]
    band = cv2.dilate(dark, np.ones((13, 13), np.uint8)) - cv2.erode(dark, np.ones((13, 13), np.uint8))
    grey = (band == 0) & (((flat > 0.3) & (flat < 0.8)) | (flat > 1.25))
    if np.mean(grey) > _LARGEST_GREY_SHARE:
        raise NotASilhouette(
            "not a silhouette: parts of the picture are neither bright background nor dark cutter; "
            "light the cutter only from behind"
        )
    inside = (band == 0) & mask
    if not inside.any() or float(np.mean(flat[inside])) > 1 - _LEAST_CONTRAST:
        raise NotASilhouette(
            "not a silhouette: the cutter is not dark against the background; switch the ring light off"
        )
    border = {
        "left": int(mask[:, 0].sum()),
        "bottom": int(mask[-1].sum()),
        "right": int(mask[:, -1].sum()),
        "top": int(mask[0].sum()),
    }
    return mask, border


def _quarter_turns(border: dict[str, int]) -> int:
    """How often to apply np.rot90 so that the shank leaves the frame to the left."""
    touched = [side for side, length in border.items() if length > 2]
    if not touched:
        raise NotASilhouette(
            "the shank does not reach the frame's border: show the shank up to the border of the picture"
        )
    if len(touched) > 1:
        raise NotASilhouette(
            f"the cutter runs out of the frame on {len(touched)} sides ({', '.join(touched)}): "
            "only the shank may leave the frame; show the whole tip"
        )
    # rot90 turns anticlockwise: top -> left after one turn, right -> left after two.
    return {"left": 0, "top": 1, "right": 2, "bottom": 3}[touched[0]]


def _edges(flat: NDArray[np.float32], mask: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats, float]:
    columns = np.nonzero(mask.any(axis=0))[0]
    first = mask.argmax(axis=0)[columns]
    last = mask.shape[0] - 1 - mask[::-1].argmax(axis=0)[columns]
    top, blur_top = _sharpen(flat, columns, first - 0.5, inward=1)
    bottom, blur_bottom = _sharpen(flat, columns, last + 0.5, inward=-1)
    blur = float(np.nanmedian(np.concatenate([blur_top, blur_bottom])))
    return columns.astype(np.float64), top, bottom, blur


_REACH = 14


def _sharpen(
    flat: NDArray[np.float32], columns: NDArray[np.int_], rough: Floats, *, inward: int
) -> tuple[Floats, Floats]:
    """Sub-pixel row and sigma_b of the edge in every column, from a guess good to a pixel; NaN where there is none."""
    from scipy.ndimage import median_filter
    from scipy.special import ndtri

    offsets = np.arange(-_REACH, _REACH + 1)
    start = np.round(rough).astype(int)
    rows = start[:, None] + inward * offsets[None, :]
    inside = (rows >= 0) & (rows < flat.shape[0])
    profile = flat[np.clip(rows, 0, flat.shape[0] - 1), columns[:, None]].astype(np.float64)
    profile[~inside] = np.nan
    outer = np.nanmedian(profile[:, : _REACH - 6], axis=1)
    inner = np.nanmedian(profile[:, -(_REACH - 6) :], axis=1)
    outer, inner = (median_filter(level, 31, mode="nearest") for level in (outer, inner))
    share = (profile - inner[:, None]) / (outer - inner)[:, None]
    near = np.abs(offsets)[None, :] <= 6
    use = near & (share > 0.1) & (share < 0.9) & inside
    # Only the ramp that holds the half level: everything from the last bright to the first dark pixel.
    straight = ndtri(np.clip(share, 0.02, 0.98))
    weight = np.where(use, np.exp(-(straight**2)), 0.0)  # the noise of ndtri(p) grows as 1/phi
    position, slope = _line_zero(offsets.astype(np.float64), straight, weight)
    bad = (np.abs(position) > 4) | (slope >= 0) | (use.sum(axis=1) < 1)
    position[bad] = np.nan
    return start + inward * position, np.where(bad, np.nan, -1 / np.where(slope < 0, slope, -1.0))


def _line_zero(x: Floats, y: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Where weighted straight lines through the rows of y cross zero, and their slopes."""
    total = weight.sum(axis=1) + 1e-300
    mean_x, mean_y = (weight * x).sum(axis=1) / total, (weight * y).sum(axis=1) / total
    dx, dy = x - mean_x[:, None], y - mean_y[:, None]
    variance = (weight * dx * dx).sum(axis=1)
    slope = (weight * dx * dy).sum(axis=1) / np.where(variance > 0, variance, np.inf)
    return mean_x - mean_y / np.where(slope != 0, slope, np.nan), slope
