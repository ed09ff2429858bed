"""The result of a calibration, its file, and the only way from it to a photo's scale."""

import math
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from wearscope.errors import CalibrationError
from wearscope.geometry.scale import Scale
from wearscope.photo.colour import Grey
from wearscope.quantity import Quantity

__all__ = ["SCHEMA", "Calibration", "load_calibration", "save_calibration"]

SCHEMA = "wearscope/calibration/1"


@dataclass(frozen=True, slots=True)
class Calibration:
    """Scale of a microscope at one zoom and focus, from one photo of a target.

    `px_per_mm`: local scale at the picture's centre (along the scale for ruler and stage, the mean of both axes
    otherwise). `parts`: relative standard uncertainties "fit", "target", "print". `px_per_mm_x`, `_y`: along the
    target's axes nearest to the picture's x and y, None where the target does not show them.
    `px_per_mm_mean`: mean over the marks. Angles in degrees, counterclockwise as seen; `tilt_deg` None where the
    target does not show it. `distortion`: radial displacement at the picture's corner over the half-diagonal,
    with `distortion_u`. `perspective_x`, `_y`: change of scale from the left (top) rim to the right (bottom) rim,
    as a share of it. `scatter_px`: rms of the marks about the fit. `white`: how a grey card looks, linear light with green = 1,
    from the photo `white_photo`.
    """

    photo: str
    sha256: str
    size: tuple[int, int]
    date: str
    target: str
    px_per_mm: float
    parts: Mapping[str, float]
    pitch_mm: float | None = None
    diameter_mm: float | None = None
    certificate: str = "none"
    check_line_mm: tuple[float, ...] = ()
    px_per_mm_x: float | None = None
    px_per_mm_y: float | None = None
    px_per_mm_mean: float | None = None
    rotation_deg: float = 0.0
    tilt_deg: float | None = None
    distortion: float | None = None
    distortion_u: float | None = None
    perspective_x: float | None = None
    perspective_y: float | None = None
    marks: int = 0
    scatter_px: float = 0.0
    flags: tuple[str, ...] = ()
    software: str = ""
    remarks: tuple[str, ...] = field(default=())
    white: Grey | None = None
    white_photo: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", MappingProxyType(dict(self.parts)))

    def __reduce__(self) -> tuple[Any, ...]:
        return (
            _from_fields,
            ({name: getattr(self, name) for name in self.__slots__} | {"parts": dict(self.parts)},),
        )

    @property
    def id(self) -> str:
        """Short name for records: date, target and photo digest."""
        return f"{self.date[:10]}-{self.target}-{self.sha256[:8]}"

    @property
    def quantity(self) -> Quantity:
        """px_per_mm with its parts in px/mm."""
        return Quantity(self.px_per_mm, "px/mm", {name: u * self.px_per_mm for name, u in self.parts.items()})

    def scale_for(self, size: tuple[int, int]) -> Scale:
        """The scale of a photo of `size` (width, height).

        Raises CalibrationError for a photo of another size: it was taken at another resolution, or cropped.
        """
        if tuple(size) != self.size:
            raise CalibrationError(
                f"this calibration was made with photos of {self.size[0]} x {self.size[1]} px and the photo has "
                f"{size[0]} x {size[1]} px, so its scale is unknown; set the camera to the same resolution and do not crop, "
                f"or calibrate again with a photo of a scale at {size[0]} x {size[1]} px"
            )
        return Scale(self.px_per_mm, self.parts, self.id)


def _from_fields(fields: dict[str, Any]) -> Calibration:
    return Calibration(**fields)


_WHITE = "a grey card in linear light; holds for the same light and a camera whose white balance stands still"
_FRACTION = "relative standard uncertainties: of the marks' fit, of the target itself, of the print"


def save_calibration(calibration: Calibration, path: str | Path) -> None:
    """Write a TOML file; a file already there is replaced only when the new one is complete."""
    path = Path(path)
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(_as_toml(calibration), encoding="utf-8", newline="\n")
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise CalibrationError(
            f"{path}: cannot be written ({error.strerror}); choose a folder you may write to"
        ) from error


def _as_toml(c: Calibration) -> str:
    import tomlkit

    def table(values: Mapping[str, Any], comment: str = "") -> Any:
        out = tomlkit.table()
        if comment:
            out.add(tomlkit.comment(comment))
        for key, value in values.items():
            if value is not None:
                out.add(key, list(value) if isinstance(value, tuple) else value)
        return out

    document = tomlkit.document()
    document.add(
        tomlkit.comment("Scale of a microscope at one zoom and focus. Made by `wearscope calibrate`.")
    )
    document.add("schema", SCHEMA)
    document.add("date", c.date)
    document.add("software", c.software)
    document.add(
        "photo", table({"name": c.photo, "sha256": c.sha256, "width_px": c.size[0], "height_px": c.size[1]})
    )
    target = {
        "kind": c.target,
        "pitch_mm": c.pitch_mm,
        "diameter_mm": c.diameter_mm,
        "certificate": c.certificate,
    }
    document.add("target", table({**target, "check_line_mm": c.check_line_mm or None}))
    expanded = c.quantity.expanded
    scale = {
        "px_per_mm": c.px_per_mm,
        "uncertainty": expanded,
        "along_x": c.px_per_mm_x,
        "along_y": c.px_per_mm_y,
    }
    document.add(
        "scale",
        table(
            {**scale, "mean_over_marks": c.px_per_mm_mean},
            "at the picture's centre; uncertainty is expanded, 95 %",
        ),
    )
    document.add("uncertainty", table(c.parts, _FRACTION))
    view = {
        "rotation_deg": c.rotation_deg,
        "tilt_deg": c.tilt_deg,
        "distortion": c.distortion,
        "distortion_u": c.distortion_u,
    }
    document.add("view", table({**view, "perspective_x": c.perspective_x, "perspective_y": c.perspective_y}))
    document.add("marks", table({"used": c.marks, "scatter_px": c.scatter_px}))
    if c.white is not None:
        light = dict(zip(("blue", "green", "red"), c.white, strict=True))
        document.add("white", table({"photo": c.white_photo, **light}, _WHITE))
    document.add("notes", table({"flags": list(c.flags), "remarks": list(c.remarks)}))
    return tomlkit.dumps(document)


def load_calibration(path: str | Path) -> Calibration:
    """Read a calibration file. Raises CalibrationError for one that is missing, damaged or of another version."""
    path = Path(path)
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CalibrationError(
            f"{path}: cannot be read ({error.strerror}); give a file made by wearscope calibrate"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CalibrationError(
            f"{path}: not a TOML file ({error}); give a file made by wearscope calibrate"
        ) from error
    schema = document.get("schema")
    if schema != SCHEMA:
        raise CalibrationError(
            f"{path}: its schema is {schema!r}, expected {SCHEMA!r}; make it again with wearscope calibrate"
        )
    try:
        return _from_document(document)
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(
            f"{path}: damaged, {error} is missing or wrong; make it again with wearscope calibrate"
        ) from error


def _from_document(d: Mapping[str, Any]) -> Calibration:
    photo, target, scale, view, notes = (d[name] for name in ("photo", "target", "scale", "view", "notes"))
    parts = {name: float(u) for name, u in d["uncertainty"].items()}
    if not re.fullmatch(r"[0-9a-f]{64}", photo["sha256"]):
        raise ValueError("sha256")
    calibration = Calibration(
        photo=str(photo["name"]),
        sha256=photo["sha256"],
        size=(int(photo["width_px"]), int(photo["height_px"])),
        date=str(d["date"]),
        target=str(target["kind"]),
        px_per_mm=float(scale["px_per_mm"]),
        parts=parts,
        pitch_mm=target.get("pitch_mm"),
        diameter_mm=target.get("diameter_mm"),
        certificate=str(target["certificate"]),
        check_line_mm=tuple(target.get("check_line_mm", ())),
        px_per_mm_x=scale.get("along_x"),
        px_per_mm_y=scale.get("along_y"),
        px_per_mm_mean=scale.get("mean_over_marks"),
        rotation_deg=float(view["rotation_deg"]),
        tilt_deg=view.get("tilt_deg"),
        distortion=view.get("distortion"),
        distortion_u=view.get("distortion_u"),
        perspective_x=view.get("perspective_x"),
        perspective_y=view.get("perspective_y"),
        marks=int(d["marks"]["used"]),
        scatter_px=float(d["marks"]["scatter_px"]),
        flags=tuple(notes["flags"]),
        software=str(d["software"]),
        remarks=tuple(notes["remarks"]),
        white=_white(d.get("white")),
        white_photo=str(d.get("white", {}).get("photo", "")),
    )
    if not calibration.px_per_mm > 0 or calibration.quantity.expanded < 0:
        raise ValueError("px_per_mm")
    return calibration


def _white(table: Mapping[str, Any] | None) -> Grey | None:
    if table is None:
        return None
    blue, green, red = (float(table[name]) for name in ("blue", "green", "red"))
    if not all(0 < light < math.inf for light in (blue, green, red)):
        raise ValueError("white")
    return blue, green, red
