"""The shank: diameter along its length, straightness, taper, burrs that stand out, grooves, and scoring on its surface.

Both sides are followed at sub-pixel (`outline.bar`). Burrs and grooves are what departs from a gentle curve through most of a side;
straightness is that of the middle between the two curves. Scoring is looked for on the surface of a front-lit shank.
A photo knows its scale to a few tenths of a per cent at best: it does not decide a fit. That takes a micrometer.
"""

from wearscope.features.shank.measure import NAMES, measure_shank

__all__ = ["NAMES", "measure_shank"]
