"""Targets, scale, tilt, distortion, the calibration file."""
