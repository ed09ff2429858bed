"""Paper beside and under the photo: blocks that grow downward as they are written, put together."""

from collections.abc import Sequence

import numpy as np

from wearscope.report import ink
from wearscope.report.ink import Picture
from wearscope.report.view import BLACK, RGB

__all__ = ["PAPER", "RULE", "SOFT", "Column", "above_each_other", "beside_each_other", "paper"]


PAPER: RGB = (250, 250, 248)
SOFT: RGB = (85, 85, 85)
RULE: RGB = (205, 205, 200)


def paper(width: int, height: int) -> Picture:
    return np.full((height, width, 3), PAPER[::-1], np.uint8)


class Column:
    """A block of the panel that grows downward as it is written."""

    def __init__(self, width: int, size: int) -> None:
        self.width, self.size, self.margin = width, size, size
        self.y = 0.0
        self.picture = paper(width, 8 * size)

    def room(self, height: float) -> None:
        """Make sure that `height` px more can be used."""
        while self.y + height > self.picture.shape[0]:
            self.picture = np.vstack([self.picture, paper(self.width, self.picture.shape[0])])

    def write(
        self, words: str, *, scale: float = 1.0, bold: bool = False, colour: RGB = BLACK, indent: float = 0.0
    ) -> None:
        """Write wrapped words."""
        size = round(self.size * scale)
        left = self.margin + indent
        for piece in ink.wrap(words, size, self.width - self.margin - left, bold):
            self.room(1.4 * size)
            ink.text(self.picture, (left, self.y), piece, size=size, bold=bold, colour=colour)
            self.y += 1.35 * size

    def gap(self, letters: float) -> None:
        """Leave some letter heights free."""
        self.room(letters * self.size)
        self.y += letters * self.size

    def paste(self, other: Picture, x: int) -> None:
        """Put a picture at (x, current height), without moving on."""
        self.room(other.shape[0])
        y = round(self.y)
        self.picture[y : y + other.shape[0], x : x + other.shape[1]] = other

    def done(self) -> Picture:
        """The block, cut to what was used."""
        return self.picture[: max(1, round(self.y))]


def above_each_other(pictures: Sequence[Picture]) -> Picture:
    width = max(p.shape[1] for p in pictures)
    return np.vstack([_grown(p, width, p.shape[0]) for p in pictures])


def beside_each_other(pictures: Sequence[Picture]) -> Picture:
    height = max(p.shape[0] for p in pictures)
    return np.hstack([_grown(p, p.shape[1], height) for p in pictures])


def _grown(picture: Picture, width: int, height: int) -> Picture:
    out = paper(width, height)
    out[: picture.shape[0], : picture.shape[1]] = picture
    return out
