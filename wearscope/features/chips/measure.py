"""Chips in the cutting edges beside the corner: where the outline falls back behind the undamaged edge.

Each edge is straightened, traced at sub-pixel and compared with its baseline. A chip counts when its mouth is at
least six blurs wide and the edge, averaged over that mouth, lies deeper than chance explains.
Its depth is then fitted to the picture through the blur. It is the outline's: the broken hollow on the rake face behind it may look much
deeper. The corner's own rounding is left out. What fills a chip with a colour of its own hides the edge, and is no chip.
"""

from collections.abc import Iterable

import numpy as np

from wearscope.features.chips.follow import follow_edge
from wearscope.features.chips.judge import judge_edge
from wearscope.features.chips.seen import Chip, EdgeScan, SeenEdge
from wearscope.finding import Curve, Finding, Mark
from wearscope.geometry.scale import Scale
from wearscope.measures import MEASURES
from wearscope.outline.shape import Outline
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity

__all__ = ["measure_chips", "scan_edges"]

_NAMES = ("chip_count", "chip_depth_max", "chip_length_total")


def measure_chips(photo: Photo, outline: Outline, scale: Scale) -> Finding:
    """Number, greatest depth and total length of the chips along both edges.

    Without a chip the depth is an upper limit: as deep as one may be that was not told from the edge's own scatter. Where an edge could not be
    followed, or little of it, chips on the other one are lower limits, and no chip there says nothing: not measured.
    """
    scans, reasons = scan_edges(photo, outline)
    unseen = (*reasons, *(_in_part(scan, scale) for scan in scans if not scan.followed))
    chips = [chip for scan in scans for chip in scan.chips]
    stuck = [chip for scan in scans for chip in (*scan.stuck, *scan.hidden)]
    unseen += tuple(_hiding(scan) for scan in scans if scan.hidden and _may_hide_more(scan, chips))
    told = bool(chips) or not unseen
    return Finding(
        quantities=_quantities(chips, scans, outline, scale, in_part=bool(unseen)) if told else {},
        not_measured={} if told else dict.fromkeys(_NAMES, "; ".join(unseen)),
        marks=(*_marks("chip", chips, scale), *_marks("stuck", stuck, scale)),
        flags=("stuck_material",) if stuck else (),
        curves=tuple(_curves(scans)),
        remarks=(*unseen, *_remarks(scans, scale)),
    )


def _in_part(scan: EdgeScan, scale: Scale) -> str:
    seen, whole = (px / scale.px_per_mm for px in (scan.length_px, scan.outline_px))
    return f"{scan.name}: only {seen:.2f} of {whole:.2f} mm of it could be followed"


def _may_hide_more(scan: EdgeScan, chips: list[Chip]) -> bool:
    """Whether what hides an edge reaches deeper than the deepest chip; where there is none, that is what the upper limit says."""
    return bool(chips) and max(c.depth_px for c in scan.hidden) > max(c.depth_px for c in chips)


def _hiding(scan: EdgeScan) -> str:
    return (
        f"{scan.name}: something coloured hides it deeper than the deepest chip; places: {len(scan.hidden)}"
    )


def _quantities(
    chips: list[Chip], scans: Iterable[EdgeScan], outline: Outline, scale: Scale, *, in_part: bool
) -> dict[str, Quantity]:
    found = {
        "chip_count": Quantity(float(len(chips)), MEASURES["chip_count"]),
        "chip_depth_max": scale.to_mm(_depth(chips, scans)),
        "chip_length_total": scale.to_mm(_length(chips, outline)),
    }
    return {name: _at_least(quantity) for name, quantity in found.items()} if in_part else found


def _at_least(quantity: Quantity) -> Quantity:
    """What is known where more may lie unseen: the one-sided 95 % bound."""
    return Quantity(quantity.bounds(floor=0.0)[0], quantity.unit, quantity.parts, "lower_limit")


def scan_edges(photo: Photo, outline: Outline) -> tuple[tuple[EdgeScan, ...], tuple[str, ...]]:
    """Every edge that could be followed, and for each that could not, why."""
    if outline.corner is None or len(outline.points_px) < 2:
        return (), ("no cutting corner was found",)
    tried = [follow_edge(photo, outline, outline.corner, name) for name in ("end edge", "side edge")]
    scans = tuple(judge_edge(photo, edge) for edge in tried if isinstance(edge, SeenEdge))
    return scans, tuple(why for why in tried if isinstance(why, str))


def _depth(chips: list[Chip], scans: Iterable[EdgeScan]) -> Quantity:
    if not chips:
        return Quantity(max(scan.at_most_px for scan in scans), "px", kind="upper_limit")
    deepest = max(chips, key=lambda c: c.depth_px)
    return Quantity(deepest.depth_px, "px", deepest.u_depth_px)


def _length(chips: list[Chip], outline: Outline) -> Quantity:
    blur = outline.corner.blur_px if outline.corner else 0.0
    total = sum(chip.length_px for chip in chips)
    return Quantity(total, "px", {"blur": blur * float(np.sqrt(2.0 * max(1, len(chips))))})


def _marks(name: str, chips: Iterable[Chip], scale: Scale) -> tuple[Mark, ...]:
    return tuple(
        Mark(
            name,
            c.deepest_px,
            f"{abs(c.depth_px) / scale.px_per_mm:.3f} mm, {c.place_px / scale.px_per_mm:.2f} mm from the corner",
        )
        for c in chips
    )


def _curves(scans: Iterable[EdgeScan]) -> Iterable[Curve]:
    for scan in scans:
        yield Curve("undamaged edge", scan.baseline_px)
        yield from (Curve("chip", chip.contour_px) for chip in scan.chips)
        yield from (Curve("stuck material", chip.contour_px) for chip in (*scan.stuck, *scan.hidden))


def _remarks(scans: Iterable[EdgeScan], scale: Scale) -> Iterable[str]:
    for scan in scans:
        yield (
            f"{scan.name}: {scan.length_px / scale.px_per_mm:.2f} mm looked at; a chip of 6 blurs shows from "
            f"{scan.detection_px / scale.px_per_mm:.4f} mm depth"
        )
