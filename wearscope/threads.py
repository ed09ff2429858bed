"""One thread for the arithmetic of one photo: its matrices are small, and threads that wait for each other cost more
than they bring; several photos share the cores by processes."""

import os

__all__ = ["single_threaded"]


def single_threaded() -> None:
    """Ask the numeric libraries for one thread; to be called before they are loaded. What the user set stays."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ.setdefault(name, "1")
