"""What an inspection rested on, as it is kept: calibration file and limits as whole texts, lines found in photos."""

import json
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np

from wearscope.calibrate.calibration import load_calibration
from wearscope.finding import Curve
from wearscope.grading.limits import Limits

__all__ = ["Text", "calibration_text", "limits_text", "pack", "unpack"]


@dataclass(frozen=True, slots=True)
class Text:
    """A whole text under the name that inspections call it by. Of a calibration also its target's photo.

    `target_path` is "" where the photo was not found.
    """

    name: str
    text: str
    target_sha256: str = ""
    target_path: str = ""

    @property
    def sha256(self) -> str:
        """Digest of the text in UTF-8."""
        return sha256(self.text.encode()).hexdigest()


def calibration_text(path: Path) -> Text:
    """A calibration file, and the photo of its target where that lies beside it under its name.

    Raises CalibrationError for what is no calibration file.
    """
    calibration = load_calibration(path)
    beside = path.resolve().parent / Path(calibration.photo).name
    try:
        found = sha256(beside.read_bytes()).hexdigest() == calibration.sha256
    except OSError:
        found = False
    text = path.read_bytes().decode()
    return Text(calibration.id, text, calibration.sha256, str(beside) if found else "")


def limits_text(limits: Limits) -> Text:
    """The limits as they apply, the user's own laid over those that ship: the text that their id is the digest of."""
    return Text(limits.id, json.dumps(limits.document, sort_keys=True, separators=(",", ":")))


def pack(curves: Iterable[Curve]) -> bytes:
    """Lines found in a photo, to a hundredth of a px."""
    lines = [{"name": c.name, "closed": c.closed, "px": np.round(c.px, 2).tolist()} for c in curves]
    return zlib.compress(json.dumps(lines, separators=(",", ":")).encode(), 9)


def unpack(packed: bytes) -> tuple[Curve, ...]:
    """The lines that `pack` kept."""
    lines = json.loads(zlib.decompress(packed))
    return tuple(
        Curve(line["name"], np.array(line["px"], np.float64).reshape(-1, 2), line["closed"]) for line in lines
    )
