"""Reading photos into linear light, and judging whether they can carry a measurement."""
