"""Looking along the axis at the tip: how many flutes, do their corners lie at the same distance from the axis, does an edge reach the centre.

Of each corner it is told how far it is broken back from where its two edges meet, and of each end edge its deepest notch: both are broken away when they show here.
"""

from wearscope.features.end_view.measure import (
    NAMES,
    Notch,
    counts_flutes,
    look_at_end,
    measure_end,
    with_notches,
)

__all__ = ["NAMES", "Notch", "counts_flutes", "look_at_end", "measure_end", "with_notches"]
