"""Decide from a photo whether a router cutter is fit for use: measured, repeatable, recorded.

`wearscope.pipeline.inspect_photo` is the one function every interface calls.
"""

__version__ = "0.1.0"
__all__ = ["__version__"]
