"""Chips in the cutting edges beside the corner."""

from wearscope.features.chips.measure import measure_chips, scan_edges
from wearscope.features.chips.seen import Chip, EdgeScan

__all__ = ["Chip", "EdgeScan", "measure_chips", "scan_edges"]
