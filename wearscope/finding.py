"""What a feature hands on: quantities, what could not be measured and why, marks, flags, lines to draw.

Positions are pixels of the upright full-resolution photo: x right, y down, pixel centres at integers.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from wearscope.quantity import Quantity

__all__ = ["Curve", "Finding", "Mark", "WearMap", "WearPoint", "merge", "shifted"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place in the photo, (x, y) in px; `text` is short and for people."""

    name: str
    px: tuple[float, float]
    text: str = ""


@dataclass(frozen=True, slots=True)
class Curve:
    """A named line to draw: `px` has shape (n, 2), columns x and y."""

    name: str
    px: NDArray[np.float64]
    closed: bool = False


class WearPoint(NamedTuple):
    """A place on the outline when new: `along_mm` from the middle of the corner (negative before it, walking with the
    cutter on the right hand), `loss_mm` gone there (negative: material sticks out) with its expanded uncertainty,
    where it lies in the photo, and the unit vector `outward` from the cutter."""

    along_mm: float
    loss_mm: float
    uncertainty_mm: float
    px: tuple[float, float]
    outward: tuple[float, float]


@dataclass(frozen=True, slots=True)
class WearMap:
    """What is gone along the outline since new.

    `reference` names the new outline; the two were laid over each other with a scatter of `scatter_mm` along their
    edges, after a turn by `turned_deg` against the first guess.
    """

    reference: str
    points: tuple[WearPoint, ...]
    scatter_mm: float
    turned_deg: float


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one feature on one photo.

    `quantities` maps measurement names to values, `not_measured` maps names to a reason in words;
    `flags` are names from `wearscope.flags`; `curves` are for the annotated picture only. `wear`: new against now.
    """

    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    not_measured: Mapping[str, str] = field(default_factory=dict)
    marks: tuple[Mark, ...] = ()
    flags: tuple[str, ...] = ()
    curves: tuple[Curve, ...] = ()
    remarks: tuple[str, ...] = ()
    wear: WearMap | None = None


def merge(findings: Iterable[Finding]) -> Finding:
    """One finding out of several; a name measured anywhere is no longer "not measured"."""
    found = list(findings)
    quantities = {name: q for f in found for name, q in f.quantities.items()}
    missing = {n: why for f in found for n, why in f.not_measured.items() if n not in quantities}
    return Finding(
        quantities,
        missing,
        tuple(m for f in found for m in f.marks),
        tuple(dict.fromkeys(flag for f in found for flag in f.flags)),
        tuple(c for f in found for c in f.curves),
        tuple(r for f in found for r in f.remarks),
        next((f.wear for f in found if f.wear is not None), None),
    )


def shifted(finding: Finding, by_px: tuple[float, float]) -> Finding:
    """The finding of a part of a photo whose top left corner lies at `by_px`, in px of the whole photo."""
    dx, dy = by_px
    wear = finding.wear
    if wear is not None:
        points = tuple(p._replace(px=(p.px[0] + dx, p.px[1] + dy)) for p in wear.points)
        wear = replace(wear, points=points)
    return replace(
        finding,
        marks=tuple(replace(m, px=(m.px[0] + dx, m.px[1] + dy)) for m in finding.marks),
        curves=tuple(replace(c, px=c.px + np.array([dx, dy])) for c in finding.curves),
        wear=wear,
    )
