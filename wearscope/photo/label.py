"""Labels lying in a picture: QR codes (ISO/IEC 18004) that name a cutter."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.photo.read import Photo

__all__ = ["PREFIX", "Labels", "read_labels", "without_labels"]

PREFIX = "cutter:"
"""How the text of a label begins; other QR codes, such as a maker's, are left alone."""
CARD = 29 / 21
"""A code of 21 modules with its quiet zone of 4 modules on each side (ISO/IEC 18004), as a multiple of the code."""
SIZES = (0.5, 1.0)
"""Copies of the picture in which codes are looked for: which one a detector reads depends on the size of a module."""
Quad = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Labels:
    """The cutters that labels name, each once; how many codes could not be read; corners (4, 2) in px of each label read."""

    names: tuple[str, ...]
    unread: int
    quads: tuple[Quad, ...]


def read_labels(photo: Photo) -> Labels:
    """Find and read the labels in a picture. A code counts as unread where no copy of the picture shows its text."""
    grey = cv2.cvtColor(photo.encoded, cv2.COLOR_BGR2GRAY)
    if grey.dtype != np.uint8:
        grey = (grey / 257.0).round().astype(np.uint8)
    found: list[tuple[str, Quad]] = []
    for text, quad in _codes(np.asarray(grey, np.uint8)):
        same = [i for i, (_, other) in enumerate(found) if _overlap(quad, other)]
        if not same:
            found.append((text, quad))
        elif text and not found[same[0]][0]:
            found[same[0]] = text, quad
    names = [text.removeprefix(PREFIX).strip() for text, _ in found if text.startswith(PREFIX)]
    ours = tuple(quad for text, quad in found if text.startswith(PREFIX))
    return Labels(
        tuple(dict.fromkeys(name for name in names if name)), sum(not text for text, _ in found), ours
    )


def _codes(grey: NDArray[np.uint8]) -> Iterator[tuple[str, Quad]]:
    """What two detectors find that look for codes in different ways: each misses some that the other reads."""
    several, single = cv2.QRCodeDetectorAruco(), cv2.QRCodeDetector()
    for size in SIZES:
        small = grey if size == 1 else cv2.resize(grey, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
        ok, texts, corners, _ = several.detectAndDecodeMulti(small)
        found = list(zip(texts, corners, strict=True)) if ok else []
        text, corner, _ = single.detectAndDecode(small)
        found += [(text, corner)] if text else []
        for text, corner in found:
            yield text, (np.asarray(corner, float).reshape(4, 2) + 0.5) / size - 0.5


def _overlap(quad: Quad, other: Quad) -> bool:
    """Whether the middle of one lies inside the other."""
    outline = other.astype(np.float32).reshape(-1, 1, 2)
    x, y = quad.mean(axis=0)
    return bool(cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0)


def without_labels(photo: Photo, labels: Labels) -> Photo:
    """The picture with its labels painted over in the colour around each, so that their edges are no cutter's."""
    if not labels.quads:
        return photo
    picture = photo.encoded.copy()
    for quad in labels.quads:
        card, ring = (_mask(picture.shape[:2], quad, CARD * grow) for grow in (1.08, 1.25))
        around = (ring > 0) & (card == 0)
        if np.any(around):
            picture[card > 0] = np.median(picture[around], axis=0).astype(picture.dtype)
    return replace(photo, encoded=picture)


def _mask(shape: tuple[int, ...], quad: Quad, grow: float) -> NDArray[np.uint8]:
    middle = quad.mean(axis=0)
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(middle + grow * (quad - middle)).astype(np.int32)], 255)
    return mask
