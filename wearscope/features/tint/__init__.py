"""Heat tint: how much of the edge is discoloured, how far in, and what else the colours may be."""

from wearscope.features.tint.chroma import ratios
from wearscope.features.tint.measure import measure_tint
from wearscope.features.tint.temper import Temper, temper_colours

__all__ = ["Temper", "measure_tint", "ratios", "temper_colours"]
