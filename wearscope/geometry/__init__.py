"""Fits with covariance, robust fits, frames: plain geometry, no pictures."""
