"""Grey profile across an edge to edge position; dots and lines of scale targets."""
