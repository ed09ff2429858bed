"""One registry of measurement names and their units.

Limits files, JSON, picture and records speak of measurements by these names. "count" is a plain number,
"share" a number from 0 to 1.
"""

__all__ = ["LABELS", "MEASURES", "label"]

MEASURES: dict[str, str] = {
    "corner_radius": "mm",
    "corner_recession": "mm",
    "corner_loss_end_edge": "mm",
    "corner_loss_side_edge": "mm",
    "corner_missing_area": "mm2",
    "corner_patch_depth": "mm",
    "corner_patch_area": "mm2",
    "corner_patch_end_edge": "mm",
    "corner_patch_side_edge": "mm",
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
    "shank_taper": "deg",
    "shank_burr_max": "mm",
    "shank_score_max": "mm",
    "cutting_diameter": "mm",
    "diameter_lost": "mm",
    "runout": "mm",
    "axis_offset": "mm",
    "worn_step": "mm",
    "worn_zone_diameter": "mm",
    "flute_count": "count",
    "corner_radius_spread": "mm",
    **{f"flute_{k}_radius": "mm" for k in range(1, 9)},
    "end_edge_gap": "mm",
    "insert_height_difference": "mm",
    "included_angle": "deg",
    "tip_width": "mm",
    "nose_radius": "mm",
    "nose_deviation": "mm",
    "form_deviation": "mm",
}

LABELS: dict[str, str] = {
    "corner_loss_end_edge": "Lost along end edge",
    "corner_loss_side_edge": "Lost along side edge",
    "corner_missing_area": "Missing area at corner",
    "corner_patch_depth": "Patch inside the outline, depth",
    "corner_patch_area": "Patch inside the outline, area",
    "corner_patch_end_edge": "Patch along end edge",
    "corner_patch_side_edge": "Patch along side edge",
    "edge_blur_width": "Edge blur (sigma)",
    "chip_count": "Chips",
    "chip_depth_max": "Deepest chip",
    "chip_length_total": "Length chipped",
    "wear_land_mean": "Wear land, mean",
    "wear_land_max": "Wear land, widest",
    "heat_tint_share": "Edge with heat colours",
    "heat_tint_depth": "Heat colours, depth",
    "shank_taper": "Taper of shank (angle)",
    "shank_burr_max": "Highest burr on shank",
    "shank_score_max": "Deepest score on shank",
    "diameter_lost": "Diameter lost since new",
    "runout": "Runout of the edges",
    "axis_offset": "Cutting axis off the shank's axis",
    "worn_step": "Step in diameter along the edge",
    "worn_zone_diameter": "Diameter near the tip, worn",
    "flute_count": "Flutes",
    "corner_radius_spread": "Corners, unequal distance from axis",
    **{f"flute_{k}_radius": f"Flute {k}, corner from axis" for k in range(1, 9)},
    "end_edge_gap": "End edge stops short of centre by",
    "insert_height_difference": "Inserts, unequal height",
    "nose_deviation": "Nose, deviation from form",
    "form_deviation": "Deviation from form when new",
}


def label(name: str) -> str:
    """A measurement's name for people, as it stands at the beginning of a line."""
    return LABELS.get(name, name.replace("_", " ").capitalize())
