"""Draws cutters and targets with exact truth; imports nothing that measures."""
