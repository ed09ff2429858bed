"""`wearscope diameter`: the cutting diameter to type into CAM."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from wearscope.cli.options import LENGTH, Calibration, Flutes, Json, Out, PxPerMm, length, scale_source
from wearscope.errors import InputError

if TYPE_CHECKING:
    from wearscope.features.diameter import SeriesResult
    from wearscope.photo.read import Photo
    from wearscope.quantity import Quantity

__all__ = ["diameter", "register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(diameter)


def diameter(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="PHOTO...",
            help="Back-lit silhouettes, turned between photos; or one short film of one full turn.",
        ),
    ] = None,
    flutes: Flutes = None,
    nominal: Annotated[
        float | None, typer.Option("--nominal", parser=length, metavar=LENGTH, help="Diameter on the label.")
    ] = None,
    px_per_mm: PxPerMm = None,
    calibration: Calibration = None,
    shank: Annotated[
        float | None,
        typer.Option(
            "--shank",
            parser=length,
            metavar=LENGTH,
            help="Shank diameter by micrometer: the scale, in the same plane.",
        ),
    ] = None,
    step: Annotated[float | None, typer.Option("--step", help="Angle between photos, degrees.")] = None,
    angles: Annotated[
        str | None, typer.Option("--angles", metavar="DEG,...", help="Angle of every photo, degrees.")
    ] = None,
    frames: Annotated[
        int, typer.Option("--frames", min=8, max=72, help="How many pictures to take out of a film.")
    ] = 24,
    end_view: Annotated[
        Path | None,
        typer.Option(
            "--end-view",
            metavar="PHOTO",
            help="Photo along the axis at the tip, two flutes or more; its scale is --calibration or --px-per-mm.",
        ),
    ] = None,
    edges_in_plane: Annotated[
        bool,
        typer.Option(
            "--edges-in-plane",
            help="One photo, even flute count: two opposite edges lie in the picture plane.",
        ),
    ] = False,
    reading: Annotated[
        list[float] | None,
        typer.Option(
            "--reading",
            parser=length,
            metavar=LENGTH,
            help="Micrometer reading across the flutes; repeat it.",
        ),
    ] = None,
    anvil: Annotated[
        Literal["flat", "v60", "v108", "v129"], typer.Option("--anvil", help="Anvils of the readings.")
    ] = "flat",
    slot: Annotated[
        float | None, typer.Option("--slot", parser=length, metavar=LENGTH, help="Width of a test slot.")
    ] = None,
    when_new: Annotated[
        float | None,
        typer.Option(
            "--when-new", parser=length, metavar=LENGTH, help="Measured diameter of this cutter when new."
        ),
    ] = None,
    micrometer_error: Annotated[
        float,
        typer.Option(
            "--micrometer-error", parser=length, metavar=LENGTH, help="Largest error of the micrometer."
        ),
    ] = "0.004",  # type: ignore[assignment]
    lens_distance: Annotated[
        float | None,
        typer.Option(
            "--lens-distance",
            parser=length,
            metavar=LENGTH,
            help="From the lens to the cutter: narrows the error of a scale at another height.",
        ),
    ] = None,
    out: Out = None,
    as_json: Json = False,
) -> None:
    """Measure the cutting diameter from silhouettes, an end view, micrometer readings, or several of them."""
    from wearscope.features.diameter import (
        NotASilhouette,
        about_edges,
        about_slot,
        about_uncertainty,
        advise,
        combine,
        diameter_from_readings,
        diameter_from_slot,
        must_suit,
        tool_table_row,
    )

    if flutes is None:
        raise InputError(
            "the number of flutes is missing: give --flutes N; what a reading or a silhouette means depends on it"
        )
    if not photos and not reading and slot is None and end_view is None:
        raise InputError(
            "nothing to measure: give photos of the turned cutter, --end-view PHOTO, --reading MM or --slot MM"
        )
    if nominal is not None and not nominal > 0:
        raise InputError(f"nominal diameter {nominal:g} mm: expected more than 0")
    sources: list[tuple[str, Quantity]] = []
    reasons: list[str] = []
    series: SeriesResult | None = None
    if photos:
        # With --shank, the other scale is that of the end view.
        both = shank is not None and end_view is not None
        try:
            series = _series(
                photos,
                frames,
                flutes,
                None if both else px_per_mm,
                None if both else calibration,
                shank,
                _angles(photos, step, angles),
                micrometer_error,
                lens_distance,
                edges_in_plane,
            )
        except NotASilhouette as fault:
            reasons.append(str(fault))
        else:
            if nominal is not None:
                must_suit(series.diameter, nominal)
            sources.append(("the silhouettes", series.diameter))
            reasons += series.reasons
    if end_view is not None:
        found, remark = _end(end_view, flutes, calibration, px_per_mm, lens_distance)
        reasons.append(remark)
        if found is not None:
            if nominal is not None:
                must_suit(found, nominal, source="the end view gives")
            sources.append(("the end view", found))
    said_by_photos: tuple[str, ...] = ()
    if (
        len(sources) == 2 and shank is None and all(q.kind == "value" for _, q in sources)
    ):  # one scale for both
        best, said_by_photos = combine(sources, common="scale")
        sources = [("the photos", best)]
    if reading:
        value, remark = diameter_from_readings(
            reading, flutes=flutes, anvil=anvil, nominal=nominal, micrometer_mm=micrometer_error
        )
        sources.append(("the readings", value))
        reasons.append(remark)
    if slot is not None:
        value, remark = diameter_from_slot(slot)
        reasons.append(remark)
        if not sources:
            sources.append(("the slot", value))
        else:
            reasons.append(about_slot(slot, combine(sources)[0]))
    if not sources:
        if as_json:
            _tell(_document(None, series, reasons, (), ""), as_json)
        print(f"wearscope: the diameter cannot be measured: {reasons[0]}", file=sys.stderr)
        raise typer.Exit(4)
    best, said = combine(sources)
    said = (*said_by_photos, *said)
    advice = (
        *(f"Sources disagree: {line}." for line in said),
        *advise(best, nominal, when_new),
        *(about_edges(series) if series is not None else ()),
        *about_uncertainty(best),
    )
    pictures: tuple[Path, ...] = ()
    if series is not None and not (as_json and out is None):
        from wearscope.report.diameter_plots import save_pictures

        folder = out or Path("wearscope-out")
        pictures = save_pictures(series, folder)
    document = _document(best, series, reasons, advice, tool_table_row(best, nominal, flutes))
    _tell({**document, "pictures": [str(path) for path in pictures]}, as_json)


def _pictures(photos: list[Path], frames: int) -> "list[Photo]":
    """The photos, or pictures out of the film."""
    from wearscope.photo.film import is_film, pick_pictures
    from wearscope.photo.read import read_photo

    if is_film(photos[0]):
        return list(pick_pictures(photos[0], frames))
    return [read_photo(path) for path in photos]


def _angles(photos: list[Path], step: float | None, angles: str | None) -> list[float] | None:
    from wearscope.photo.film import is_film

    film = next((path for path in photos if is_film(path)), None)
    if film is not None and len(photos) > 1:
        raise InputError(f"{film} is a film: give one film alone, or photos alone")
    if film is not None and (step is not None or angles is not None):
        raise InputError(
            f"{film}: the angles of a film's pictures are not known: leave --step and --angles away; "
            "for known angles take single photos"
        )
    if step is not None and angles is not None:
        raise InputError("give either --step or --angles, not both")
    if step is not None:
        if not 0 < abs(step) < 180:
            raise InputError(f"--step {step:g}: expected more than 0 and less than 180 degrees")
        return [step * i for i in range(len(photos))]
    if angles is None:
        return None
    try:
        found = [float(a) for a in angles.split(",")]
    except ValueError:
        raise InputError(
            f"--angles {angles!r}: expected numbers with commas between, such as 0,32,61"
        ) from None
    if len(found) != len(photos):
        raise InputError(f"--angles names {len(found)} angles, but there are {len(photos)} photos")
    return found


def _series(
    photos: list[Path],
    frames: int,
    flutes: int,
    px_per_mm: float | None,
    calibration: Path | None,
    shank: float | None,
    angles: list[float] | None,
    micrometer_error: float,
    lens_mm: float | None,
    edges_in_plane: bool,
) -> "SeriesResult":
    from wearscope.features.diameter import find_silhouettes, measure_series
    from wearscope.photo.film import is_film

    if shank is not None and (px_per_mm is not None or calibration is not None):
        raise InputError("give one scale only: --shank, --px-per-mm or --calibration")
    if shank is not None and not shank > 0:
        raise InputError(f"shank {shank:g} mm: expected more than 0")
    if edges_in_plane and (len(photos) != 1 or is_film(photos[0]) or flutes % 2):
        raise InputError(
            f"--edges-in-plane: expected one photo and an even number of flutes, not {len(photos)} and {flutes}; "
            "turn the cutter and take a series instead"
        )
    source = None if shank is not None else scale_source(calibration, px_per_mm)
    found = find_silhouettes(_pictures(photos, frames))
    scale = None if source is None else source.scale_for(found[0].size)
    return measure_series(
        found,
        flutes=flutes,
        scale=scale,
        shank_mm=shank,
        angles_deg=angles,
        micrometer_mm=micrometer_error,
        lens_mm=lens_mm,
        edges_in_plane=edges_in_plane,
    )


def _end(
    path: Path, flutes: int, calibration: Path | None, px_per_mm: float | None, lens_mm: float | None
) -> "tuple[Quantity | None, str]":
    """The diameter that a look along the axis at the tip gives, and a remark; None with the reason where it gives none."""
    from wearscope.features.diameter import diameter_from_corners
    from wearscope.features.end_view import measure_end
    from wearscope.photo.read import read_photo

    if calibration is None and px_per_mm is None:
        raise InputError(
            f"--end-view {path}: its scale is missing: give --calibration FILE or --px-per-mm N, taken with the tip in focus"
        )
    photo = read_photo(path)
    scale = scale_source(calibration, px_per_mm).scale_for(photo.size)
    finding = measure_end(photo, scale, flutes=flutes)
    count = finding.quantities.get("flute_count")
    if count is not None and count.value != flutes:
        return (
            None,
            f"{path}: {count.value:.0f} corners show, --flutes says {flutes}: the end view was not used",
        )
    if "out_of_focus" in finding.flags:
        return None, f"{path}: out of focus: the end view was not used"
    radii = [finding.quantities.get(f"flute_{k + 1}_radius") for k in range(flutes)]
    known = [q for q in radii if q is not None]
    if len(known) < flutes:
        return None, f"{path}: {finding.not_measured['end_edge_gap']}: the end view gives no diameter"
    return diameter_from_corners(
        known,
        finding.quantities["corner_radius_spread"],
        blur_mm=finding.quantities["edge_blur_width"].value / scale.px_per_mm,
        scale_known=scale.id == "typed",
        lens_mm=lens_mm,
    )


def _entry(name: str, q: "Quantity") -> dict[str, Any]:
    return {
        "name": name,
        "value": q.value,
        "unit": q.unit,
        "uncertainty": q.expanded,
        "coverage": 0.95,
        "kind": q.kind,
        **({"below": q.below, "above": q.above} if q.below != q.above else {}),
        "parts": dict(q.parts),
    }


def _document(
    best: "Quantity | None",
    series: "SeriesResult | None",
    reasons: list[str],
    advice: tuple[str, ...],
    row: str,
) -> dict[str, Any]:
    measurements = []
    if best is not None:
        measurements.append(_entry("cutting_diameter", best))
    edges: dict[str, Any] = {}
    flags: list[str] = []
    if series is not None:
        flags = list(series.flags)
        measurements += [
            _entry(n, q)
            for n, q in (
                ("runout", series.runout),
                ("axis_offset", series.offset),
                ("worn_step", series.step),
                ("worn_zone_diameter", series.worn),
            )
            if q is not None
        ]
        edges = {
            "radius_mm": list(series.radii_mm),
            "radius_standard_uncertainty_mm": list(series.radii_u_mm),
            "extra_chip_mm": list(series.extra_chip_mm),
            "taper_mm": series.taper_mm,
            "cutting_length_mm": series.cutting_length_mm,
            "step_at_mm": series.step_at_mm if series.step is not None else None,
            "shank_mm": series.shank_mm,
            "edge_blur_px": series.series.blur_px,
        }
    not_measured = [] if best is not None else [{"name": "cutting_diameter", "reason": reasons[0]}]
    return {
        "schema": "wearscope/diameter/1",
        "measurements": measurements,
        "not_measured": not_measured,
        "edges": edges,
        "flags": flags,
        "advice": list(advice),
        "tool_table_csv": row,
        "reasons": reasons,
    }


def _tell(document: dict[str, Any], as_json: bool) -> None:
    """First the number to type and what it changes, then what was measured, what to know, and the row."""
    if as_json:
        print(json.dumps(document, indent=1))
        return
    from wearscope.measures import label

    for line in document["advice"]:
        print(line)
    if document["measurements"]:
        print("\nMeasured:")
    for m in document["measurements"]:
        print(f"  {label(m['name'])}: {_shown(m)}")
    if document["reasons"]:
        print("\nTo know:")
    for line in document["reasons"]:
        print(f"  {line[:1].upper()}{line[1:]}.")
    if document.get("pictures"):
        print("\nPictures:")
    for picture in document.get("pictures", ()):
        print(f"  {picture}")
    if document["tool_table_csv"]:
        print("\nRow for a tool table (CSV):")
        print(document["tool_table_csv"])


def _shown(m: dict[str, Any]) -> str:
    if m["kind"] != "value":
        return f"{'at least' if m['kind'] == 'lower_limit' else 'at most'} {m['value']:.4f} mm"
    if "below" in m:
        return f"{m['value']:.4f} mm (95 %: -{m['below']:.4f}, +{m['above']:.4f})"
    return f"{m['value']:.4f} mm (95 %: +/- {m['uncertainty']:.4f})"
