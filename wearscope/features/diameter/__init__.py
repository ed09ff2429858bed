"""The cutting diameter: from silhouettes of a turned cutter, a look at its end, micrometer readings, or several of them."""

from wearscope.features.diameter.advice import (
    about_edges,
    about_slot,
    about_uncertainty,
    advise,
    rounded,
    tool_table_row,
)
from wearscope.features.diameter.corners import diameter_from_corners
from wearscope.features.diameter.readings import (
    ANVILS,
    MICROMETER_MM,
    combine,
    diameter_from_readings,
    diameter_from_slot,
    must_suit,
)
from wearscope.features.diameter.series import SeriesResult, find_silhouettes, measure_series
from wearscope.outline.silhouette import NotASilhouette

__all__ = [
    "ANVILS",
    "MICROMETER_MM",
    "NotASilhouette",
    "SeriesResult",
    "about_edges",
    "about_slot",
    "about_uncertainty",
    "advise",
    "combine",
    "diameter_from_corners",
    "diameter_from_readings",
    "diameter_from_slot",
    "find_silhouettes",
    "measure_series",
    "must_suit",
    "rounded",
    "tool_table_row",
]
