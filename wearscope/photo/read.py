"""A photo file as an upright picture, with its digest, and in linear light."""

import hashlib
import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoError

__all__ = ["MAX_MEGAPIXELS", "Photo", "read_photo", "srgb_to_linear"]

MAX_MEGAPIXELS = 80
Box = tuple[int, int, int, int]


def srgb_to_linear(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Decode sRGB values in 0..1 to linear light in 0..1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


@lru_cache(maxsize=2)
def _table(top: int) -> NDArray[np.float32]:
    return srgb_to_linear(np.arange(top + 1) / top).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Photo:
    """An upright picture.

    `encoded` has shape (height, width, 3), channels blue, green, red as stored (sRGB-coded), 8 or 16 bit.
    A `box` is (x0, y0, x1, y1) in px, end exclusive.
    """

    path: str
    sha256: str
    encoded: NDArray[np.uint8] | NDArray[np.uint16]

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) in px."""
        return self.encoded.shape[1], self.encoded.shape[0]

    @property
    def top(self) -> int:
        """The largest code a channel can have."""
        return int(np.iinfo(self.encoded.dtype).max)

    def crop(self, box: Box | None = None) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """The stored codes inside `box`."""
        if box is None:
            return self.encoded
        x0, y0, x1, y1 = box
        return self.encoded[y0:y1, x0:x1]

    def linear_bgr(self, box: Box | None = None) -> NDArray[np.float32]:
        """Linear light 0..1, shape (h, w, 3), channels blue, green, red."""
        return _table(self.top)[self.crop(box)]

    def linear(self, box: Box | None = None) -> NDArray[np.float32]:
        """Luminance in linear light 0..1, shape (h, w)."""
        weights = np.array([[0.0722, 0.7152, 0.2126]], np.float32)
        out: NDArray[np.float32] = cv2.transform(self.linear_bgr(box), weights)
        return out.reshape(out.shape[:2])

    def grey(self) -> NDArray[np.uint8]:
        """sRGB-coded grey, 8 bit, shape (h, w): for finding things, not for measuring them."""
        picture = self.encoded if self.encoded.dtype == np.uint8 else (self.encoded >> 8).astype(np.uint8)
        out: NDArray[np.uint8] = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
        return out


def read_photo(path: str | Path) -> Photo:
    """Read a JPEG, PNG, TIFF, BMP or WebP file.

    Raises PhotoError for a file that is missing, empty, truncated, not an image, animated or too large.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path}: cannot be read ({error.strerror}); give the path of a photo file") from error
    return decode_photo(data, str(path))


def decode_photo(data: bytes, name: str) -> Photo:
    """As `read_photo`, from bytes already in memory."""
    from PIL import Image, ImageOps  # noqa: F401

    if not data:
        raise PhotoError(f"{name}: the file is empty; copy the photo again")
    try:
        with Image.open(io.BytesIO(data)) as header:
            width, height = header.size
    except Exception as error:
        raise PhotoError(f"{name}: not an image; expected JPEG, PNG, TIFF, BMP or WebP") from error
    if width * height > MAX_MEGAPIXELS * 1e6:
        raise PhotoError(f"{name}: {width} x {height} px is over the limit of {MAX_MEGAPIXELS} megapixels")
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR)
    if picture is None:
        raise PhotoError(f"{name}: damaged or truncated; copy the photo again")
    return Photo(name, hashlib.sha256(data).hexdigest(), picture)
