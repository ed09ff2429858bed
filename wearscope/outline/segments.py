"""Straight pieces of sharp edges in a picture, linked end to end into long gentle curves.

The pieces come from OpenCV's line segment detector (Grompone von Gioi et al., "LSD", IPOL 2012), which
decides by a number of false alarms and so needs no contrast threshold. It looks at lightness and the two opponent
colours with half as many pixels each way (grain averages out; a violet cutter on grey paper differs in colour only), and
at the grey of all.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.photo.small import SmallCopy

__all__ = ["Chain", "coarse_segments", "link_segments", "straight_segments"]

Floats = NDArray[np.float64]

_LSD_SCALE = 0.8
_SHORTEST, _MOST = 10.0, 400
"""Segments that are looked at: in px of the small picture, and how many."""
_MOST_COLOUR_GAIN = 6.0
_QUIET = 1.5
"""Opponent colours hardly move on metal: they are spread before the detector, but only so far that their
noise (grey levels, neighbour to neighbour) stays under this, well below the detector's own threshold of 5."""
_STEEP, _ROOM = 6.0, 5
"""The detector wants 4.2 grey levels per px; over the 2 px of a blurred step's steepest part these are 6.6 or more. Its smoothing reaches 5 px."""
_GENTLEST_BEND = 150.0
"""Smallest radius of curvature (in px of the small picture) that still is "an edge", not a corner."""


@dataclass(frozen=True, slots=True)
class Chain:
    """An edge as a polyline: `points` (n, 2), `length` along it, in px of the small picture."""

    points: Floats
    length: float


def _detect(picture: NDArray[np.uint8], shortest: float) -> Floats:
    x, y, width, height = _steep_part(picture)
    if not width:
        return np.zeros((0, 4))
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, _LSD_SCALE)
    found = detector.detect(np.ascontiguousarray(picture[y : y + height, x : x + width]))[0]
    segments: Floats = np.asarray([] if found is None else found, float).reshape(-1, 4)
    segments += np.array([x, y, x, y])
    return segments[np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) >= shortest]


def _steep_part(picture: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Where a segment can be, as x, y, width, height, all 0 for nowhere: the detector sorts every pixel it is given by steepness."""
    around = np.ones((3, 3), np.uint8)
    smooth = cv2.GaussianBlur(picture, (3, 3), 0)  # about as the detector does
    steep = cv2.morphologyEx(smooth, cv2.MORPH_GRADIENT, around) >= _STEEP
    x, y, width, height = cv2.boundingRect(cv2.erode(steep.astype(np.uint8), around))
    if not width:
        return 0, 0, 0, 0
    right, bottom = min(x + width + _ROOM, picture.shape[1]), min(y + height + _ROOM, picture.shape[0])
    x, y = (max(at - _ROOM, 0) // _ROOM * _ROOM for at in (x, y))  # whole px of the detector's own scale too
    return x, y, right - x, bottom - y


def _spread(colour: NDArray[np.uint8]) -> NDArray[np.uint8]:
    noise = cv2.norm(colour[:, 1:], colour[:, :-1]) / np.sqrt(2 * colour[:, 1:].size)
    gain = min(_MOST_COLOUR_GAIN, _QUIET / max(noise, 1e-3))
    return np.asarray(cv2.convertScaleAbs(colour, alpha=gain, beta=128 * (1 - gain)), np.uint8)


def coarse_segments(small: SmallCopy) -> Floats:
    """As `straight_segments`, with half as many pixels each way."""
    lightness, a, b = small.half_tones
    found = [_detect(tone, _SHORTEST / 2) * 2 + 0.5 for tone in (lightness, _spread(a), _spread(b))]
    return _without_doubles(np.concatenate(found))


def straight_segments(small: SmallCopy, coarse: Floats | None = None) -> Floats:
    """Segments (n, 4) as x1, y1, x2, y2 of a small copy, longest first, without doubles. `coarse`: the coarse ones, where they are known."""
    coarse = coarse_segments(small) if coarse is None else coarse
    return _without_doubles(np.concatenate([_detect(small.grey, _SHORTEST), coarse]))


def _without_doubles(segments: Floats) -> Floats:
    """The longest first; without those that lie on a longer one (the same edge seen in another channel)."""
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-length)[:_MOST]
    segments, length = segments[order], length[order]
    kept: list[int] = []
    start, end = segments[:, :2], segments[:, 2:]
    direction = (end - start) / np.maximum(length, 1e-9)[:, None]
    covered = np.zeros(len(segments), bool)
    for i in range(len(segments)):
        if covered[i]:
            continue
        kept.append(i)
        u, n = direction[i], np.array([-direction[i, 1], direction[i, 0]])
        near = (np.abs((start - start[i]) @ n) < 3) & (np.abs((end - start[i]) @ n) < 3)
        within = np.abs((0.5 * (start + end) - start[i]) @ u - length[i] / 2) < length[i] / 2
        covered |= near & within
    return segments[kept]


def link_segments(segments: Floats, *, gap: float = 30.0) -> list[Chain]:
    """Join segments that continue each other, nearest first, each end once; longest chain first."""
    if not len(segments):
        return []
    ends = segments.reshape(-1, 2, 2)
    delta = ends[:, 1] - ends[:, 0]
    length = np.hypot(*delta.T)
    unit = delta / length[:, None]
    pairs = _continuations(ends, unit, length, gap)
    link: dict[tuple[int, int], tuple[int, int]] = {}
    group = list(range(len(segments)))

    def root(i: int) -> int:
        while group[i] != i:
            group[i] = group[group[i]]
            i = group[i]
        return i

    for i, ei, j, ej in pairs:
        if (i, ei) in link or (j, ej) in link or root(i) == root(j):
            continue
        link[i, ei], link[j, ej] = (j, ej), (i, ei)
        group[root(i)] = root(j)
    return _walk(ends, link)


def _continuations(ends: Floats, unit: Floats, length: Floats, gap: float) -> list[tuple[int, int, int, int]]:
    """(i, end of i, j, end of j) of all plausible joints, best first."""
    n = len(ends)
    p = ends.reshape(-1, 2)  # end e of segment i is row 2 i + e
    out = np.repeat(unit, 2, axis=0) * np.tile([-1.0, 1.0], n)[:, None]  # pointing out of the segment
    size = np.repeat(length, 2)
    d = p[None] - p[:, None]
    along = np.einsum("ijk,ik->ij", d, out)
    across = np.abs(d[..., 0] * out[:, None, 1] - d[..., 1] * out[:, None, 0])
    across_back = np.abs(d[..., 0] * out[None, :, 1] - d[..., 1] * out[None, :, 0])
    turn = np.arccos(np.clip(-(out @ out.T), -1, 1))
    reach = (size[:, None] + size[None]) / 2 + np.maximum(along, 0)
    limit = np.minimum(np.radians(14), np.radians(3) + reach / _GENTLEST_BEND)
    longest = np.minimum(gap, 0.6 * np.maximum(size[:, None], size[None]) + 6)
    tolerance = 3 + 0.12 * np.abs(along)
    good = (
        (turn < limit) & (along > -5) & (along < longest) & (across < tolerance) & (across_back < tolerance)
    )
    owner = np.repeat(np.arange(n), 2)
    good &= owner[:, None] < owner[None]
    rows, columns = np.nonzero(good)
    cost = np.abs(along[rows, columns]) + 4 * (across + across_back)[rows, columns]
    order = np.argsort(cost)
    return [
        (int(r) // 2, int(r) % 2, int(c) // 2, int(c) % 2)
        for r, c in zip(rows[order], columns[order], strict=True)
    ]


def _walk(ends: Floats, link: dict[tuple[int, int], tuple[int, int]]) -> list[Chain]:
    chains: list[Chain] = []
    seen: set[int] = set()
    for first in range(len(ends)):
        for entry in (0, 1):
            if first in seen or (first, entry) in link:
                continue
            points: list[Floats] = []
            i, e = first, entry
            while True:
                seen.add(i)
                points += [ends[i, e], ends[i, 1 - e]]
                following = link.get((i, 1 - e))
                if following is None:
                    break
                i, e = following
            line = np.array(points)
            chains.append(Chain(line, float(np.hypot(*np.diff(line, axis=0).T).sum())))
    return sorted(chains, key=lambda chain: -chain.length)
