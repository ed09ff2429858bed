"""A worn or broken patch at the corner that leaves the outline whole.

A fracture, or an edge rubbed away, is rough where the rake face is even. Roughness is the light's variation finer than a
few blurs, and what is usual is read from the same photo: at the same distance from the same edge, farther along it. Grinding lines,
lands, shine on a dull edge, noise and the outline's own step run along the edge and so are usual; shading and heat
colours change the light, not its fine variation.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.outline.shape import CornerPose, NosePose, Outline
from wearscope.photo.colour import is_silhouette
from wearscope.photo.read import Photo, srgb_to_linear
from wearscope.quantity import Quantity

__all__ = ["measure_patch"]

Floats = NDArray[np.float32]
Flags = NDArray[np.bool_]

NAMES = ("corner_patch_depth", "corner_patch_area", "corner_patch_end_edge", "corner_patch_side_edge")

_FINEST_PX = 2
"""A cell is as wide as the blur, and no finer than this: below it a sensor's colour mosaic and the codec make their own texture."""
_REACH = 256
"""Cells of edge looked at from the corner on; half of them must be undamaged to tell what is usual."""
_RING = 48
"""Cells below a round end that are looked at: farther in, the facets that meet there are no longer alike along the arc."""
_MARGIN = 24
"""Cells of ground seen beside the edges."""
_FINE, _COARSE, _POOL = 3, 7, 5
"""Roughness: what a mean over 3 x 3 cells keeps and one over 7 x 7 takes away, rms over 5 x 5."""
_ROUGHER = 1.25
"""Times the usual roughness, which is that of the undamaged edge's roughest twentieth: on clean metal hardly a cell is beyond, and the
usual roughness itself, read from some dozens of cells, is known to about a quarter."""
_SPREAD, _HALF = 17, 0.5
"""A patch fills half of 17 x 17 cells with rough ones. These hold about 12 independent readings of _POOL cells, of which one in twenty
is rough by chance: six are less likely than 1 in 10 000. Lines (the border of a facet, a scratch) and dust fill less."""
_LEAST = 12
"""Cells across the smallest patch that is seen: as many as half of _SPREAD x _SPREAD."""
_BORDER = 9
"""Cells over which the border of a patch that is sure is followed, out to the usual roughness."""
_AWAY = 3.0
"""Widths of its own that a patch may lie away from the corner."""
_USUAL = 0.95
_PIECES = 4
"""The edge is read in four pieces; what is usual is the second smoothest of them, so that up to half may be damaged."""
_FEWEST = 40
"""Cells that a piece must have at a depth to say what is usual there (a twentieth of them is two)."""
_BIN = 2
"""Cells of depth taken together."""
_ONE_CODE = 1.0
"""Roughness below one code of an 8-bit picture is its rounding."""
_PER_CODE, _LEVELS = 2, 64
"""Roughness is counted in steps of half a code; 32 codes and more are alike."""
_DARK_CODE, _CLIPPED_CODE = 10, 250
"""Codes from which on a face shows, and beyond which it is blown out; as for colours."""
_STEP = 5
"""Cells beside the outline in which its step hides what is rough: half of _COARSE and _POOL."""


@dataclass(frozen=True, slots=True)
class _Edge:
    """For every cell: how far inward of an edge it lies, and how far along it from the corner (cells)."""

    depth: Floats
    along: Floats


@dataclass(frozen=True, slots=True)
class _Window:
    """The corner in cells of `cell` px: grey codes, where cell (0, 0) has its centre in the photo, the edges, and the corner (x, y in cells)."""

    grey: Floats
    cell: int
    origin_px: NDArray[np.float64]
    edges: tuple[_Edge, ...]
    corner: NDArray[np.float64]
    step: Flags

    @property
    def inside(self) -> Flags:
        """Cells inward of every edge, clear of the blurred steps."""
        depths = [edge.depth > 2 for edge in self.edges]
        return np.asarray(depths[0] & depths[-1], np.bool_)

    def from_corner(self, cells: Flags) -> float:
        """How far (cells) the nearest of some cells is from the corner."""
        y, x = np.nonzero(cells)
        return float(np.hypot(x - self.corner[0], y - self.corner[1]).min())

    def to_photo(self, cells: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, 2) x and y in cells to px of the photo."""
        return np.asarray(cells * self.cell + self.origin_px, np.float64)


def measure_patch(photo: Photo, outline: Outline, scale: Scale) -> Finding:
    """Look for a worn or broken patch at the corner (or on the nose) inside the outline.

    Quantities in mm (area mm2): `corner_patch_depth`, how far inward of the nearer edge the patch reaches, and where there is one
    `corner_patch_area`, `corner_patch_end_edge` and `corner_patch_side_edge`, its reach along the edges from the virtual corner. Without
    a patch the depth is an upper limit: that of the smallest one that would have been seen. A patch raises
    `damage_inside` and comes as a closed curve and a mark `patch`. A silhouette or a blown-out face is not measured.
    """
    if outline.corner is None and outline.nose is None:
        return Finding(not_measured=dict.fromkeys(NAMES[:1], "no cutting corner was found in the picture"))
    window = _around(photo, outline)
    inside = window.inside
    reason = _hidden(window, inside)
    if reason:
        return Finding(not_measured=dict.fromkeys(NAMES[:1], reason))
    times_usual = np.where(inside & ~window.step, _roughness(window), 0)
    patch = _out_to_edge(_at_corner(times_usual, window), window.step & inside)
    if not patch.any():
        least = Quantity(float(_LEAST * window.cell), "px", {"resolution": float(window.cell)}, "upper_limit")
        return Finding({"corner_patch_depth": scale.to_mm(least)})
    return Finding(
        {name: scale.to_mm(size) for name, size in _sizes(patch, window).items()},
        {},
        (_mark(patch, window),),
        ("damage_inside",),
        _borders(patch, window),
    )


def _around(photo: Photo, outline: Outline) -> _Window:
    pose = outline.corner or outline.nose
    assert pose is not None
    cell = max(_FINEST_PX, round(pose.blur_px)) if np.isfinite(pose.blur_px) else _FINEST_PX
    if isinstance(pose, CornerPose):
        apex = np.array(pose.apex_px)
        ways = np.array([pose.end_direction, pose.side_direction])
        corners = np.array([[a, b] for a in (-_MARGIN, _REACH) for b in (-_MARGIN, _REACH)]) @ ways
    else:
        apex = np.array(pose.centre_px) + pose.radius_px * np.array(pose.axis)
        reach = min(_REACH, pose.radius_px / cell)
        corners = np.array([[-reach, -reach], [reach, reach]])
    low = np.maximum(np.floor(apex + cell * corners.min(axis=0)), 0).astype(int)
    high = np.minimum(apex + cell * corners.max(axis=0), np.array(photo.size)).astype(int)
    count = np.maximum((high - low) // cell, 1)
    grey = _grey(photo, low, count, cell)
    origin = low + (cell - 1) / 2
    x = ((np.arange(count[0]) * cell + origin[0] - apex[0]) / cell).astype(np.float32)[None, :]
    y = ((np.arange(count[1]) * cell + origin[1] - apex[1]) / cell).astype(np.float32)[:, None]
    points = (outline.points_px - apex) / cell
    edges = (
        _corner_edges(pose, points, x, y) if isinstance(pose, CornerPose) else _nose_edge(pose, cell, x, y)
    )
    line = np.zeros(grey.shape, np.uint8)
    places = np.rint(16 * (outline.points_px - origin) / cell).astype(np.int32)
    cv2.polylines(line, [places], False, 1, 2 * _STEP + 1, cv2.LINE_8, 4)
    return _Window(grey, cell, origin, edges, (apex - origin) / cell, line > 0)


def _grey(photo: Photo, low: NDArray[np.int_], count: NDArray[np.int_], cell: int) -> Floats:
    """Mean grey codes (0..255) of the cells: sRGB codes are even to the eye, and so is texture in light and dark."""
    x1, y1 = low + count * cell
    codes = photo.crop((int(low[0]), int(low[1]), int(x1), int(y1)))
    codes = codes if codes.dtype == np.uint8 else np.asarray(codes >> 8, np.uint8)
    size = (int(count[0]), int(count[1]))
    cells = cv2.resize(codes, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(cells, cv2.COLOR_BGR2GRAY), np.float32)


def _corner_edges(pose: CornerPose, points: NDArray[np.float64], x: Floats, y: Floats) -> tuple[_Edge, _Edge]:
    """End and side edge; a helical side edge bends away from its straight direction."""
    ways = np.array([pose.end_direction, pose.side_direction])
    inverse = np.linalg.inv(ways.T).astype(np.float32)
    sine = float(abs(np.linalg.det(ways)))
    along_end, along_side = (row[0] * x + row[1] * y for row in inverse)
    bends = (
        _bend(points @ inverse[0], points @ inverse[1] * sine),
        _bend(points @ inverse[1], points @ inverse[0] * sine),
    )
    end = along_side * sine - bends[0] * along_end * np.abs(along_end)
    side = along_end * sine - bends[1] * along_side * np.abs(along_side)
    return _Edge(end, along_end), _Edge(side, along_side)


def _bend(along: NDArray[np.float64], depth: NDArray[np.float64]) -> float:
    """k of the parabola depth = k along^2 on which most of the outline lies within 1.5 cells; 0 unless half of it lies there."""
    near = (along > 40) & (along < _REACH) & (np.abs(depth) < 0.5 * along)
    along, depth = along[near], depth[near]
    tried = np.linspace(0, 1 / 300, 41)
    fits = (np.abs(depth - tried[:, None] * along**2) < 1.5).sum(axis=1)
    best = int(np.argmax(fits))
    return float(tried[best]) if len(along) and fits[best] > max(0.5 * len(along), fits[0]) else 0.0


def _nose_edge(pose: NosePose, cell: int, x: Floats, y: Floats) -> tuple[_Edge]:
    """The round end: depth inward of its circle, along the arc from the tip."""
    radius = pose.radius_px / cell
    from_centre = x + np.float32(radius * pose.axis[0]), y + np.float32(radius * pose.axis[1])
    far = np.hypot(*from_centre)
    turn = np.arccos(
        np.clip(
            (from_centre[0] * pose.axis[0] + from_centre[1] * pose.axis[1]) / np.maximum(far, 1e-3), -1, 1
        )
    )
    depth = np.where((turn < pose.half_angle) & (radius - far < _RING), radius - far, -1)
    return (_Edge(np.asarray(depth, np.float32), np.asarray(turn * radius, np.float32)),)


def _hidden(window: _Window, inside: Flags) -> str:
    thin = np.s_[::4, ::4]
    grey, within = window.grey[thin], inside[thin]
    face, ground = grey[within], grey[~within & ~window.step[thin]]
    if (face > _DARK_CODE).sum() < (_LEAST / 4) ** 2:
        return "the face is too dark to show damage inside the outline"
    if (face > _CLIPPED_CODE).mean() > 0.5:
        return "the face is blown out and shows no damage inside the outline"
    brightest, behind = np.percentile(face, 90), float(np.median(ground)) if len(ground) else 0.0
    cutter_light, ground_light = srgb_to_linear(np.array([brightest, behind]) / 255)
    if is_silhouette(float(cutter_light), float(ground_light)):
        return "lit from behind: the cutter is a silhouette, damage inside the outline does not show"
    return ""


def _roughness(window: _Window) -> Floats:
    """In times of what is usual as deep below either edge."""
    fine, coarse = (cv2.blur(window.grey, (size, size)) for size in (_FINE, _COARSE))
    band = fine - coarse
    roughness = cv2.sqrt(cv2.blur(band * band, (_POOL, _POOL)))
    level = np.asarray(cv2.convertScaleAbs(roughness, alpha=_PER_CODE), np.uint8)
    usual = np.full(window.grey.shape, _ONE_CODE, np.float32)
    for edge in window.edges:
        bins = _bins(edge.depth)
        np.maximum(usual, np.asarray(cv2.LUT(bins, _usual(level, bins, edge)), np.float32), out=usual)
    return np.asarray(roughness / usual, np.float32)


def _bins(depth: Floats) -> NDArray[np.uint8]:
    """Bins of depth: 1 begins at the edge, 0 is outside."""
    return np.clip(depth / _BIN + 1, 0, 255).astype(np.uint8)


def _usual(level: NDArray[np.uint8], bins: NDArray[np.uint8], edge: _Edge) -> Floats:
    """Roughness (codes) that all but a twentieth of the undamaged edge stays below, for each of the 256 bins of depth."""
    thin = np.s_[::2, ::2]
    deep, along = bins[thin], edge.along[thin]
    there = (deep > 0) & (along >= 0) & (along < _REACH)
    piece = (along[there] * (_PIECES / _REACH)).astype(np.intp)
    deep, depths = deep[there], int(deep.max(initial=0)) + 1
    index = (piece * depths + deep) * _LEVELS + np.minimum(level[thin][there], _LEVELS - 1)
    counts = np.bincount(index, minlength=_PIECES * depths * _LEVELS).reshape(_PIECES, depths, _LEVELS)
    upto = np.cumsum(counts, axis=2)
    upto[:, 1:-1] = upto[:, :-2] + upto[:, 1:-1] + upto[:, 2:]
    total = upto[:, :, -1]
    highest = np.argmax(upto >= _USUAL * total[:, :, None], axis=2) + 1.0
    highest[total < _FEWEST] = np.inf
    highest.sort(axis=0)
    second = np.where(np.isfinite(highest[1]), highest[1], highest[0])
    usual = np.zeros(256, np.float32)
    usual[:depths] = np.where(np.isfinite(second), second / _PER_CODE, 0.0)
    return usual


def _at_corner(times_usual: Floats, window: _Window) -> Flags:
    """Where rough cells are in the majority, and no farther from the corner than some widths of that place."""
    seeds = _share(times_usual > _ROUGHER, _SPREAD) > _HALF
    if not seeds.any():
        return np.asarray(seeds, np.bool_)
    whole = _share(times_usual > 1, _BORDER) > _HALF
    _, labels, stats, _ = cv2.connectedComponentsWithStats((whole | seeds).astype(np.uint8), connectivity=8)
    keep = [
        label
        for label in np.unique(np.asarray(labels)[seeds])
        if window.from_corner(labels == label) <= _AWAY * np.sqrt(stats[label, cv2.CC_STAT_AREA])
    ]
    return np.asarray(np.isin(labels, keep), np.bool_)


def _out_to_edge(patch: Flags, hidden: Flags) -> Flags:
    """With the cells beside it in which the outline's own step hides what is rough."""
    size = 2 * _STEP + 3
    grown = cv2.dilate(patch.astype(np.uint8), np.ones((size, size), np.uint8)) > 0 if patch.any() else patch
    return np.asarray(patch | (grown & hidden), np.bool_)


def _share(cells: Flags, size: int) -> Floats:
    """Share of such cells in a square round each."""
    shares = cv2.blur(cells.astype(np.float32), (size, size), borderType=cv2.BORDER_CONSTANT)
    return np.asarray(shares, np.float32)


def _sizes(patch: Flags, window: _Window) -> dict[str, Quantity]:
    """In px and px2. The border of a rough area is known to half of what roughness is pooled over."""
    u = _POOL / 2 * window.cell
    depth = np.min([edge.depth for edge in window.edges], axis=0)[patch].max() * window.cell
    area = float(patch.sum()) * window.cell**2
    around = 2 * np.sqrt(np.pi * area)
    sizes = {
        "corner_patch_depth": Quantity(float(depth), "px", {"resolution": u}),
        "corner_patch_area": Quantity(
            area,
            "px2",
            {"resolution": float(around * u)},
            below=min(area, 2 * around * u),
            above=float(2 * around * u),
        ),
    }
    if len(window.edges) == 2:
        for name, edge in zip(NAMES[2:], window.edges, strict=True):
            sizes[name] = Quantity(float(edge.along[patch].max()) * window.cell, "px", {"resolution": u})
    return sizes


def _mark(patch: Flags, window: _Window) -> Mark:
    """In the patch, as far from its border as can be."""
    inward = cv2.distanceTransform(np.pad(patch.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    y, x = np.unravel_index(int(np.argmax(inward)), inward.shape)
    at = window.to_photo(np.array([[x, y]], np.float64))[0]
    return Mark("patch", (float(at[0]), float(at[1])), "worn or broken patch")


def _borders(patch: Flags, window: _Window) -> tuple[Curve, ...]:
    lines, _ = cv2.findContours(patch.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    borders = (np.asarray(line, np.float64).reshape(-1, 2) for line in lines if len(line) > 2)
    return tuple(Curve("patch", window.to_photo(border), closed=True) for border in borders)
