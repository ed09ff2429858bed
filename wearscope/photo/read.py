"""A photo file as an upright picture, with its digest, and in linear light."""

import hashlib
import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.errors import PhotoError
from wearscope.photo.small import SmallCopy

__all__ = [
    "MAX_BYTES",
    "MAX_MEGAPIXELS",
    "Box",
    "Photo",
    "decode_photo",
    "linear_light",
    "read_photo",
    "srgb_to_linear",
]

MAX_MEGAPIXELS = 80
"""Larger pictures are refused before they are decoded."""
MAX_BYTES = MAX_MEGAPIXELS * 1_000_000 * 8
"""Larger files are refused before they are read: that many pixels, uncompressed, four channels of 16 bit."""
Box = tuple[int, int, int, int]
LUMINANCE = (0.0722, 0.7152, 0.2126)
"""Weights of blue, green and red in luminance (IEC 61966-2-1)."""
"""(x0, y0, x1, y1) in px, end exclusive."""

_FORMATS = ("JPEG", "PNG", "TIFF", "BMP", "WEBP")
_SIGNATURES = (b"\xff\xd8\xff", b"\x89PNG", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+", b"BM", b"RIFF")
_DAMAGED = "damaged, truncated or of a rare kind; copy the photo from the camera again, or save it as PNG"
_NOT_AN_IMAGE = "not a photo; expected JPEG, PNG, TIFF, BMP or WebP: export it as one of these"
_SMALLER = "crop the photo to the cutter or save it smaller"


def srgb_to_linear(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Decode sRGB values in 0..1 to linear light in 0..1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


@lru_cache(maxsize=2)
def _table(top: int) -> NDArray[np.float32]:
    return srgb_to_linear(np.arange(top + 1) / top).astype(np.float32)


def linear_light(codes: NDArray[np.uint8]) -> NDArray[np.float32]:
    """8-bit sRGB codes as linear light in 0..1."""
    return _table(255)[codes]


@dataclass(frozen=True)
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

    @cached_property
    def small(self) -> SmallCopy:
        """A copy to find things in, made once."""
        return SmallCopy.of(self.encoded)

    def crop(self, box: Box | None = None) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """The stored codes inside `box`."""
        if box is None:
            return self.encoded
        x0, y0, x1, y1 = box
        return self.encoded[y0:y1, x0:x1]

    def linear_bgr(self, box: Box | None = None) -> NDArray[np.float32]:
        """Linear light 0..1, shape (h, w, 3), channels blue, green, red."""
        return np.asarray(cv2.LUT(self.crop(box), _table(self.top)), np.float32)

    def linear(
        self, box: Box | None = None, *, mix: tuple[float, float, float] = LUMINANCE
    ) -> NDArray[np.float32]:
        """One value per pixel in linear light, shape (h, w): luminance 0..1, or another `mix` of b, g, r."""
        out = np.asarray(cv2.transform(self.linear_bgr(box), np.array([mix], np.float32)), np.float32)
        return out.reshape(out.shape[:2])

    def light_at(
        self, x: NDArray[np.intp], y: NDArray[np.intp], *, mix: tuple[float, float, float] = LUMINANCE
    ) -> NDArray[np.float64]:
        """As `linear`, of some pixels inside the picture alone."""
        return np.asarray(_table(self.top)[self.encoded[y, x]] @ np.array(mix))

    def grey(self) -> NDArray[np.uint8]:
        """sRGB-coded grey, 8 bit, shape (h, w): for finding things, not for measuring them."""
        picture = self.encoded if self.encoded.dtype == np.uint8 else (self.encoded >> 8).astype(np.uint8)
        return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), np.uint8)


def read_photo(path: str | Path) -> Photo:
    """Read a JPEG, PNG, TIFF, BMP or WebP file.

    Raises PhotoError for a file that is missing, unreadable, empty, truncated, not an image, animated or too large.
    """
    path = Path(path)
    try:
        if path.exists() and not path.is_file():
            raise PhotoError(f"{path}: not a file; give the path of a photo file")
        if path.stat().st_size > MAX_BYTES:
            raise PhotoError(f"{path}: larger than {MAX_BYTES / 1e6:.0f} MB; {_SMALLER}")
        data = path.read_bytes()
    except OSError as error:
        raise PhotoError(
            f"{path}: cannot be read ({error.strerror}); give the path of a photo file"
        ) from error
    return decode_photo(data, str(path))


def decode_photo(data: bytes, name: str) -> Photo:
    """As `read_photo`, from bytes already in memory.

    Codes count as sRGB whatever a colour profile says. The picture is turned upright as its EXIF orientation
    asks. Alpha is ignored: the colours under it count as stored. A JPEG with further pictures behind the
    first (MPO, as many telephones write) gives the first.
    """
    if not data:
        raise PhotoError(f"{name}: the file is empty; copy the photo again")
    header = _read_header(data, name)
    if header.megapixels > MAX_MEGAPIXELS:
        raise PhotoError(
            f"{name}: {header.width} x {header.height} px is over the limit of {MAX_MEGAPIXELS} megapixels; {_SMALLER}"
        )
    if header.frames > 1:
        raise PhotoError(
            f"{name}: an animation or several pages ({header.frames}); expected one picture: save one of them alone"
        )
    picture = _decode_with_pillow(data) if header.alpha_spoils_colour else _decode(data)
    if picture is None:
        raise PhotoError(f"{name}: {_DAMAGED}")
    if picture.dtype not in (np.uint8, np.uint16) or header.unusual_tiff:
        raise PhotoError(
            f"{name}: a kind of TIFF that is not read; save it as 8 or 16 bit grey or colour, or as PNG"
        )
    return Photo(name, hashlib.sha256(data).hexdigest(), picture)


@dataclass(frozen=True, slots=True)
class _Header:
    """What a file says of itself before it is decoded."""

    width: int
    height: int
    frames: int
    tags: Mapping[int, Any]

    @property
    def megapixels(self) -> float:
        return self.width * self.height / 1e6

    @property
    def alpha_spoils_colour(self) -> bool:
        """OpenCV multiplies the colours of an 8-bit TIFF by an unassociated alpha (tag ExtraSamples, value 2)."""
        return self._samples == 4 and 2 in self.tags.get(338, ()) and max(self.tags.get(258, (1,))) == 8

    @property
    def unusual_tiff(self) -> bool:
        """OpenCV mixes up the colours of a 16-bit TIFF that keeps them in separate planes."""
        return self._samples > 1 and self.tags.get(284, 1) == 2 and max(self.tags.get(258, (1,))) > 8

    @property
    def _samples(self) -> int:
        return int(self.tags.get(277, 1))


def _read_header(data: bytes, name: str) -> _Header:
    from PIL import Image, UnidentifiedImageError

    try:
        with (
            warnings.catch_warnings(action="ignore"),
            Image.open(io.BytesIO(data), formats=_FORMATS) as image,
        ):
            frames = 1 if image.format in ("JPEG", "MPO") else getattr(image, "n_frames", 1)
            return _Header(*image.size, frames, dict(getattr(image, "tag_v2", {})))
    except Image.DecompressionBombError as error:
        raise PhotoError(f"{name}: far over the limit of {MAX_MEGAPIXELS} megapixels; {_SMALLER}") from error
    except UnidentifiedImageError as error:
        known = data.startswith(_SIGNATURES)
        raise PhotoError(f"{name}: {_DAMAGED if known else _NOT_AN_IMAGE}") from error
    except Exception as error:  # Pillow raises many kinds for a header that is cut or damaged
        raise PhotoError(f"{name}: {_DAMAGED}") from error


def _decode(data: bytes) -> NDArray[Any] | None:
    """Blue, green, red; OpenCV turns it upright, and gives None for a file that is cut (since its release 5)."""
    log = cv2.utils.logging
    level = log.setLogLevel(log.LOG_LEVEL_SILENT)
    try:
        picture: NDArray[Any] | None = cv2.imdecode(
            np.frombuffer(data, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_COLOR
        )
    except cv2.error:
        return None
    finally:
        log.setLogLevel(level)
    return picture


def _decode_with_pillow(data: bytes) -> NDArray[np.uint8] | None:
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
            upright = np.asarray(ImageOps.exif_transpose(image).convert("RGB"))
    except (OSError, SyntaxError, ValueError):
        return None
    return np.ascontiguousarray(upright[:, :, ::-1])
