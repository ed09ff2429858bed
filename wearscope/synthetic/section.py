"""Cross-section of a fluted cutter, its silhouettes when turned, and which part of it faces the lens.

A section lies in the plane across the axis: the lens is far away in direction +z, x to the right. Tooth 0 has its cutting edge at angle 0
when the phase is 0, with its rake face toward the lens; angles grow toward the lens, the tooth's back trails at negative angles.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAND", "RAKE", "RELIEF", "Facing", "Section", "facing"]

Points = NDArray[np.float64]
RAKE, LAND, RELIEF = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Section:
    """A closed outline, counter-clockwise: (N, 2) points x, z in units of the cutting radius, normals that point out of the
    body, the part (RAKE with the flute, LAND, RELIEF) and the distance along the outline of each point."""

    points: Points
    normals: Points
    part: NDArray[np.intp]
    along: Points
    flutes: int

    @classmethod
    def of(cls, flutes: int, *, count: int = 6000) -> "Section":
        """The section of a cutter with `flutes` equal teeth, in about `count` points."""
        pieces, parts = [], []
        pitch = 2 * np.pi / flutes
        for tooth in range(flutes):
            turn = tooth * pitch
            for part, piece in _tooth(flutes, pitch):
                pieces.append(_turned(piece, turn))
                parts.append(part)
        return cls._from(pieces, parts, flutes, count)

    @classmethod
    def half_round(cls, *, count: int = 6000) -> "Section":
        """The section of a single-lip engraver: a flat through the axis, round behind."""
        turn = np.linspace(np.pi, 2 * np.pi, 400)
        face = np.stack([np.linspace(1, -1, 400), np.zeros(400)], axis=1)
        back = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        return cls._from([face, back], [RAKE, RELIEF], 1, count)

    @classmethod
    def _from(cls, pieces: list[Points], parts: list[int], flutes: int, count: int) -> "Section":
        dense, step, labels = _even(pieces, parts, count)
        normals = np.stack([step[:, 1], -step[:, 0]], axis=1) / np.hypot(*step.T)[:, None]
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
        return cls(dense, normals, labels, along, flutes)

    def extent(self, phase: Points) -> tuple[Points, Points]:
        """Smallest and largest x at each turn angle `phase` (rad)."""
        hull = self.points[::4]
        x = np.cos(phase)[:, None] * hull[:, 0] - np.sin(phase)[:, None] * hull[:, 1]
        edges = phase[:, None] + 2 * np.pi * np.arange(self.flutes) / self.flutes
        tips = np.cos(edges)
        return np.minimum(x.min(axis=1), tips.min(axis=1)), np.maximum(x.max(axis=1), tips.max(axis=1))


@dataclass(frozen=True, slots=True)
class Facing:
    """What the lens sees of a body, on a grid in mm: rows by `height_mm`, columns by `x_mm` from the axis.

    `tilt` is the angle (rad, signed) between surface normal and line of sight, `along` the distance along the section (mm), `part` as in
    Section, `depth_mm` toward the lens from the axis. Outside the body the values of the nearest surface go on.
    """

    x_mm: Points
    height_mm: Points
    tilt: NDArray[np.float32]
    along: NDArray[np.float32]
    part: NDArray[np.float32]
    depth_mm: NDArray[np.float32]


def facing(section: Section, radius_mm: Points, phase: Points, height_mm: Points, step_mm: float) -> Facing:
    """Look at the body whose section at `height_mm[i]` has radius `radius_mm[i]` and is turned by `phase[i]`."""
    reach = float(np.max(radius_mm)) * 1.02
    columns = int(2 * reach / step_mm) + 2
    shape = (len(height_mm), columns)
    tilt, along, part, depth = (np.zeros(shape, np.float32) for _ in range(4))
    axis_angle = np.arctan2(section.normals[:, 0], section.normals[:, 1])
    for row, (size, turn) in enumerate(zip(radius_mm, phase, strict=True)):
        x = size * (np.cos(turn) * section.points[:, 0] - np.sin(turn) * section.points[:, 1])
        z = size * (np.sin(turn) * section.points[:, 0] + np.cos(turn) * section.points[:, 1])
        nearer = np.argsort(z, kind="stable")
        seen = np.full(columns, -1)
        seen[np.rint((x[nearer] + reach) / step_mm).astype(np.intp)] = nearer
        seen = _filled(seen)
        tilt[row] = (axis_angle[seen] - turn + np.pi) % (2 * np.pi) - np.pi
        along[row] = size * section.along[seen]
        part[row] = section.part[seen]
        depth[row] = z[seen]
    x_mm = np.arange(columns, dtype=np.float64) * step_mm - reach
    return Facing(x_mm, height_mm, tilt, along, part, depth)


def _filled(seen: NDArray[np.intp]) -> NDArray[np.intp]:
    known = np.flatnonzero(seen >= 0)
    places = np.arange(len(seen))
    after = np.clip(np.searchsorted(known, places), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    closer = np.where(
        np.abs(known[after] - places) <= np.abs(known[before] - places), known[after], known[before]
    )
    return seen[closer]


def _tooth(flutes: int, pitch: float) -> list[tuple[int, Points]]:
    """Relief, land, rake face and flute of the tooth whose edge is at angle 0, from its heel to the next tooth's."""
    land = (0.53 if flutes == 1 else 0.42) * pitch
    core = {1: 0.25, 2: 0.36, 3: 0.5}.get(flutes, 0.6)
    margin = np.deg2rad(14)
    heel_radius = 0.86
    relief = np.linspace(-land, -margin, 60)
    fall = 0.975 + (heel_radius - 0.975) * (np.abs(relief) - margin) / (land - margin)
    first = np.linspace(-margin, 0, 20)
    near = 1 + (0.975 - 1) * np.abs(first) / margin
    depth = 1 - core
    root = np.array([1 - 0.72 * depth, -0.06 * depth])
    heel = heel_radius * np.array([np.cos(pitch - land), np.sin(pitch - land)])
    bend = 0.75 * core * np.array([np.cos((pitch - land) / 2), np.sin((pitch - land) / 2)])
    share = np.linspace(0, 1, 60)[:, None]
    rake = np.array([1.0, 0.0]) + share * (root - np.array([1.0, 0.0]))
    flute = (1 - share) ** 2 * root + 2 * share * (1 - share) * bend + share**2 * heel
    polar = [(RELIEF, relief, fall), (LAND, first, near)]
    outer = [
        (part, np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1))
        for part, angle, radius in polar
    ]
    return [*outer, (RAKE, rake), (RAKE, flute)]


def _turned(points: Points, angle: float) -> Points:
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(points @ turn.T)


def _even(pieces: list[Points], parts: list[int], count: int) -> tuple[Points, Points, NDArray[np.intp]]:
    """Points evenly spread over the pieces, the direction of the outline there (never across a sharp edge), and their parts."""
    lengths = [float(np.hypot(*np.diff(piece, axis=0).T).sum()) for piece in pieces]
    dense, steps, labels = [], [], []
    for piece, part, length in zip(pieces, parts, lengths, strict=True):
        number = max(int(count * length / sum(lengths)), 4)
        at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
        want = np.linspace(0, length, number, endpoint=False)
        dense.append(np.stack([np.interp(want, at, piece[:, k]) for k in (0, 1)], axis=1))
        steps.append(np.gradient(dense[-1], axis=0))
        labels.append(np.full(number, part, np.intp))
    return np.concatenate(dense), np.concatenate(steps), np.concatenate(labels)
