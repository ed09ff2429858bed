"""Cutter from background, ordered sub-pixel contour, pose (axis, tip, edges)."""
