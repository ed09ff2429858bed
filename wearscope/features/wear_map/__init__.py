"""New against now: a cutter's outline laid over the one it had when new."""

from wearscope.features.wear_map.compare import measure_wear
from wearscope.features.wear_map.nominal import nominal_shape
from wearscope.features.wear_map.shape import Shape
from wearscope.features.wear_map.trace import trace_shape

__all__ = ["Shape", "measure_wear", "nominal_shape", "trace_shape"]
