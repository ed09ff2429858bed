"""One registry of measurement names and their units.

Limits files, JSON, picture and records speak of measurements by these names. "count" is a plain number,
"share" a number from 0 to 1.
"""

__all__ = ["MEASURES"]

MEASURES: dict[str, str] = {
    "corner_radius": "mm",
    "corner_recession": "mm",
    "corner_loss_end_edge": "mm",
    "corner_loss_side_edge": "mm",
    "corner_missing_area": "mm2",
    "edge_blur_width": "px",
    "chip_count": "count",
    "chip_depth_max": "mm",
    "chip_length_total": "mm",
    "wear_land_mean": "mm",
    "wear_land_max": "mm",
    "heat_tint_share": "share",
    "heat_tint_depth": "mm",
    "shank_diameter": "mm",
    "shank_straightness": "mm",
    "shank_burr_max": "mm",
    "shank_score_max": "mm",
    "cutting_diameter": "mm",
    "diameter_lost": "mm",
    "runout": "mm",
    "flute_count": "count",
    "included_angle": "deg",
    "tip_width": "mm",
    "nose_radius": "mm",
    "nose_deviation": "mm",
    "form_deviation": "mm",
}
