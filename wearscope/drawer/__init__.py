"""A folder of photos: plan by digest, process pool."""
