"""The target's photo with the found marks drawn in, to be looked at."""

from pathlib import Path

import cv2
import numpy as np

from wearscope.calibrate.measure import Reading
from wearscope.errors import CalibrationError
from wearscope.photo.read import Photo

__all__ = ["draw_marks"]

USED, LEFT_OUT = (255, 160, 0), (0, 90, 230)
"""Blue and vermilion (blue, green, red), told apart by colour-blind people; the two also differ in shape."""


def draw_marks(photo: Photo, reading: Reading, path: str | Path) -> None:
    """Write a picture with a cross on every mark that was used and a square on every one that was left out."""
    base = photo.grey()
    picture = np.asarray(cv2.cvtColor(base, cv2.COLOR_GRAY2BGR), np.uint8)
    size = max(5, round(min(photo.size) / 120))
    for (x, y), used in zip(np.round(reading.points_px * 16).astype(int), reading.used, strict=True):
        d = size * 16
        if used:
            cv2.line(picture, (x - d, y), (x + d, y), USED, 1, cv2.LINE_AA, 4)
            cv2.line(picture, (x, y - d), (x, y + d), USED, 1, cv2.LINE_AA, 4)
        else:
            cv2.rectangle(picture, (x - d, y - d), (x + d, y + d), LEFT_OUT, 2, cv2.LINE_AA, 4)
    _good, data = cv2.imencode(".png", picture)
    try:
        Path(path).write_bytes(data.tobytes())
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be written ({error.strerror}); choose a folder you may write to"
        ) from error
