"""Single pictures out of a short film, evenly spread over it, each the sharpest of its time."""

import hashlib
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoError
from wearscope.photo.read import Photo

__all__ = ["FILM_SUFFIXES", "is_film", "pick_pictures"]

FILM_SUFFIXES = (".avi", ".mp4", ".m4v", ".mov", ".mkv", ".webm", ".wmv", ".mpg", ".mpeg")
MOST_FRAMES = 5000
"""Longer films are refused: nearly three minutes at 30 frames a second."""
_MIDDLE = 0.5
"""Share of each time span that is looked at, so that neighbouring pictures stay apart."""


def is_film(path: str | Path) -> bool:
    """Whether the name ends like a film's."""
    return Path(path).suffix.lower() in FILM_SUFFIXES


def pick_pictures(path: str | Path, count: int) -> tuple[Photo, ...]:
    """`count` pictures evenly spread over the film, each the sharpest of the middle half of its span.

    Raises PhotoError for a file that is no film, cannot be decoded, is too long or has fewer than two frames a picture.
    """
    path = Path(path)
    sharp = np.array([_sharpness(frame) for frame in _frames(path)])
    if len(sharp) < 2 * count:
        raise PhotoError(
            f"{path}: {len(sharp)} frames, expected at least {2 * count} for {count} pictures: "
            "turn the cutter more slowly, or take fewer pictures with --frames"
        )
    wanted = set(_sharpest(sharp, count))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return tuple(
        Photo(f"{path}, frame {i + 1}", digest, frame) for i, frame in enumerate(_frames(path)) if i in wanted
    )


def _sharpest(sharp: NDArray[np.float64], count: int) -> list[int]:
    """The number of the sharpest frame in the middle of each of `count` equal spans."""
    edges = np.linspace(0, len(sharp), count + 1)
    found = []
    for start, stop in pairwise(edges):
        margin = (1 - _MIDDLE) / 2 * (stop - start)
        first = int(np.ceil(start + margin))
        last = max(first + 1, int(np.floor(stop - margin)) + 1)
        found.append(first + int(np.argmax(sharp[first:last])))
    return found


def _sharpness(frame: NDArray[np.uint8]) -> float:
    """Variance of the Laplacian: fine detail, which motion and defocus take away."""
    grey = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
    return float(cv2.Laplacian(grey, cv2.CV_32F).var())


def _frames(path: Path) -> Iterator[NDArray[Any]]:
    """Every frame of the film, blue, green, red."""
    if not path.is_file():
        raise PhotoError(f"{path}: not a file; give the path of a film")
    log = cv2.utils.logging
    level = log.setLogLevel(log.LOG_LEVEL_SILENT)
    film = cv2.VideoCapture(str(path))
    try:
        seen = 0
        while film.isOpened():
            good, frame = film.read()
            if not good:
                break
            seen += 1
            if seen > MOST_FRAMES:
                raise PhotoError(
                    f"{path}: more than {MOST_FRAMES} frames; cut the film to one turn of the cutter"
                )
            yield frame
        if not seen:
            raise PhotoError(
                f"{path}: no film that can be decoded; save it as MP4 or AVI, or give single photos instead"
            )
    finally:
        film.release()
        log.setLogLevel(level)
