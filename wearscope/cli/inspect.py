"""`wearscope inspect`: photos of one cutter in, one decision out."""

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from wearscope.cli import options
from wearscope.cli.cutters import Place
from wearscope.cli.recording import AsNew, keep, photo_when_new, recorded_facts
from wearscope.errors import InputError, WearscopeError

if TYPE_CHECKING:
    from wearscope.facts import Facts
    from wearscope.grading.insert_heights import InsertHeights
    from wearscope.grading.limits import Limits
    from wearscope.grading.observed import Observation
    from wearscope.grading.shank_fit import ShankFit
    from wearscope.inspection import Inspection
    from wearscope.photo.read import Photo
    from wearscope.pipeline import NewOutline, ScaleSource

__all__ = ["EXIT_CODES", "exit_code", "inspect", "register"]

EXIT_CODES = {"sharp": 0, "discard": 3, "retake": 4, "worn": 5}
SHARP_AS_FAR_AS_SEEN = 6
VIEWS = ("corner", "edge", "profile", "end", "shank")


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command()(inspect)


def inspect(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO", help="Photos of one cutter.", show_default=False),
    ] = None,
    calibration: options.Calibration = None,
    px_per_mm: options.PxPerMm = None,
    view: Annotated[
        str | None,
        typer.Option(
            "--view",
            help="corner, edge, profile, end or shank; one for all photos or one for each: corner,shank. (default: told from each picture, else corner)",
        ),
    ] = None,
    flute: Annotated[
        str,
        typer.Option(
            "--flute", help="The flute each photo shows: 1,2,2. Without it all show the same flute."
        ),
    ] = "1",
    kind: options.Kind = None,
    material: options.Material = None,
    diameter: options.Diameter = None,
    nominal_radius: options.NominalRadius = None,
    flutes: options.Flutes = None,
    limits: options.LimitsFile = None,
    grey: Annotated[
        Path | None,
        typer.Option(
            "--grey-card",
            help="Photo of a grey card in the same light, to judge heat colours by; goes before the calibration's.",
        ),
    ] = None,
    new_photo: Annotated[
        Path | None,
        typer.Option(
            "--new-photo", help="Photo of the same cutter's corner when new: shows what is gone since."
        ),
    ] = None,
    new_px_per_mm: Annotated[
        float | None,
        typer.Option(
            "--new-px-per-mm",
            callback=options.positive,
            help="Pixels per mm of that photo, where it was taken at another magnification.",
        ),
    ] = None,
    new_nominal: Annotated[
        bool,
        typer.Option(
            "--new-nominal",
            help="Hold the outline against straight edges and --nominal-radius instead of a photo.",
        ),
    ] = False,
    seen: Annotated[
        str | None,
        typer.Option(
            "--seen",
            metavar="DAMAGE,...",
            help="Damage seen by eye: crack, loose_blade, bent_body, insert_seat, spun_shank; or nothing.",
        ),
    ] = None,
    by_eye: Annotated[
        bool,
        typer.Option(
            "--by-eye", help="Ask what to look for by eye; without photos also for each corner, with a loupe."
        ),
    ] = False,
    shank: Annotated[
        float | None,
        typer.Option(
            "--shank",
            parser=options.length,
            metavar=options.LENGTH,
            help="Nominal diameter of the shank: photos of it are held against it, --shank-reading decides the fit.",
        ),
    ] = None,
    shank_readings: Annotated[
        list[float] | None,
        typer.Option(
            "--shank-reading",
            parser=options.length,
            metavar=options.LENGTH,
            help="Micrometer reading of the shank, once for each: decides the fit h6, which no photo can.",
        ),
    ] = None,
    micrometer: Annotated[
        float | None,
        typer.Option(
            "--micrometer-error",
            parser=options.length,
            metavar=options.LENGTH,
            help="Largest error of that micrometer. (default: 0.004)",
        ),
    ] = None,
    heights: Annotated[
        list[float] | None,
        typer.Option(
            "--insert-height",
            metavar="MM",
            help="Dial gauge reading at an insert of a surfacing cutter, once for each insert in turn: do they cut at one height?",
        ),
    ] = None,
    gauge: Annotated[
        float | None,
        typer.Option(
            "--gauge-error",
            parser=options.length,
            metavar=options.LENGTH,
            help="Largest error of that dial gauge. (default: 0.01)",
        ),
    ] = None,
    up_cut_length: Annotated[
        float | None,
        typer.Option(
            "--up-cut-length",
            parser=options.length,
            metavar=options.LENGTH,
            help="Of a compression cutter: how far from the tip its flutes lift the chips.",
        ),
    ] = None,
    cutter: Annotated[
        str | None,
        typer.Option(
            "--record",
            metavar="CUTTER",
            help="Take the cutter's facts from the records, and record the result.",
        ),
    ] = None,
    as_new: AsNew = False,
    records: Place = None,
    out: options.Out = None,
    units: options.Units = "mm",
    as_json: options.Json = False,
) -> None:
    """Measure photos of one cutter and decide: sharp, worn, discard or retake.

    Exit code: 0 sharp and complete, 6 sharp as far as seen, 5 worn, 3 discard, 4 retake, 1 error, 2 wrong use.
    """
    from wearscope.facts import Facts
    from wearscope.grading.advice import with_fit
    from wearscope.grading.limits import load_limits
    from wearscope.inspection import conclude, join, to_document

    paths, folder = photos or [], out or Path("wearscope-out")
    if not paths and not by_eye:
        raise InputError("no photo: give one or more, or --by-eye for a look without a microscope")
    if as_new and cutter is None:
        raise InputError("--new is about a cutter in the records: give --record CUTTER too")
    given = {
        "kind": kind,
        "material": material,
        "diameter_mm": diameter,
        "flutes": flutes,
        "nominal_radius_mm": nominal_radius,
        "up_cut_length_mm": up_cut_length,
    }
    facts = Facts.given(**given) if cutter is None else recorded_facts(cutter, records, given)  # type: ignore[arg-type]
    fit = _fit(shank, shank_readings or [], micrometer, photos=bool(paths))
    rules = load_limits(limits)
    level = _heights(heights or [], gauge, facts, rules)
    shots = _shots(paths, view, flute, facts.flutes)
    source = options.scale_source(calibration, px_per_mm) if paths else None
    answers = _answers(seen, by_eye, facts, photos=bool(paths), folder=folder)
    if source is None:
        inspection, written = conclude([], facts=facts, limits=rules, observed=answers, heights=level), []
    else:
        if cutter is not None and new_photo is None and not new_nominal:
            known = photo_when_new(cutter, records, {shot.flute for shot in shots if shot.view == "corner"})
            new_photo, new_px_per_mm = (known.path, known.px_per_mm) if known else (None, new_px_per_mm)
        new = _new(new_photo, new_px_per_mm, new_nominal, source, facts)
        looks = _looks(shots, source, facts, rules, grey, new, shank)
        inspection = join([one for _, one in looks], limits=rules, observed=answers, heights=level)
        quick = as_json and out is None
        written = [] if quick else _draw(inspection, [photo for photo, _ in looks], folder, units)
    if fit is not None:
        inspection = replace(inspection, shank_fit=fit, advice=with_fit(inspection.advice, fit))
    if cutter is not None:
        keep(cutter, records, inspection, calibration=calibration, limits=rules, as_new=as_new)
    if as_json:
        print(json.dumps(to_document(inspection), indent=2, allow_nan=False))
    else:
        from wearscope.cli.table import show

        show(inspection, units=units)
    for path in written:
        print(f"picture: {path}", file=sys.stderr)
    if len(inspection.photos) < len(paths):
        print(
            f"{len(paths) - len(inspection.photos)} of the photos came twice and count once", file=sys.stderr
        )
    raise typer.Exit(exit_code(inspection))


def _fit(
    nominal: float | None, readings: list[float], micrometer: float | None, *, photos: bool
) -> "ShankFit | None":
    """The fit of the shank, where its readings were given; photos are held against the nominal diameter without them."""
    from wearscope.grading.shank_fit import MICROMETER_MM, shank_fit

    if not readings:
        if micrometer is not None or (nominal is not None and not photos):
            raise InputError("no reading of the shank: --shank-reading MM, once for each reading")
        return None
    if nominal is None:
        raise InputError("--shank-reading needs the nominal diameter of the shank: --shank MM")
    return shank_fit(nominal, readings, micrometer_mm=MICROMETER_MM if micrometer is None else micrometer)


def _heights(
    readings: list[float], gauge: float | None, facts: "Facts", rules: "Limits"
) -> "InsertHeights | None":
    """Whether the inserts cut at one height, where their heights were read."""
    from wearscope.grading.insert_heights import GAUGE_MM, insert_heights

    if not readings:
        if gauge is not None:
            raise InputError("no reading of an insert: --insert-height MM, once for each insert")
        return None
    return insert_heights(readings, facts=facts, limits=rules, gauge_mm=GAUGE_MM if gauge is None else gauge)


def _new(
    photo: Path | None, px_per_mm: float | None, nominal: bool, source: "ScaleSource", facts: "Facts"
) -> "NewOutline | None":
    """What the cutter looked like when new, as far as it was given."""
    from wearscope.pipeline import TypedScale, new_outline, nominal_outline

    if photo is not None and nominal:
        raise InputError("give either --new-photo or --new-nominal, not both")
    if photo is None and px_per_mm is not None:
        raise InputError("--new-px-per-mm is the scale of --new-photo: give that photo too")
    if photo is None:
        return nominal_outline() if nominal else None
    return new_outline(
        photo, scale_source=source if px_per_mm is None else TypedScale(px_per_mm), kind=facts.kind
    )


def _looks(
    shots: "list[Shot]",
    source: "ScaleSource",
    facts: "Facts",
    rules: "Limits",
    grey: Path | None,
    new: "NewOutline | None",
    shank_mm: float | None,
) -> "list[tuple[Photo, Inspection]]":
    from wearscope.photo.colour import grey_card
    from wearscope.photo.read import read_photo
    from wearscope.pipeline import inspect_photo

    card = None if grey is None else grey_card(read_photo(grey))

    def look(shot: Shot) -> "tuple[Photo, Inspection]":
        photo = read_photo(shot.path)
        return photo, inspect_photo(
            photo,
            scale_source=source,
            facts=facts,
            limits=rules,
            view=None if shot.view_assumed else shot.view,
            flute=shot.flute,
            grey=card,
            new=new,
            shank_mm=shank_mm,
        )

    return [look(shot) for shot in shots]


def exit_code(inspection: "Inspection") -> int:
    """What the command tells the shell."""
    if inspection.grade == "sharp" and not inspection.complete:
        return SHARP_AS_FAR_AS_SEEN
    return EXIT_CODES[inspection.grade]


class Shot(NamedTuple):
    """A photo, the view it shows and of which flute."""

    path: Path
    view: str
    flute: int
    view_assumed: bool = False


def _shots(paths: list[Path], view: str | None, flute: str, flutes: int | None) -> list[Shot]:
    if not paths:
        return []
    views = options.per_photo("--view", _views(view or "corner"), len(paths))
    shown = options.per_photo("--flute", _flutes(flute, flutes), len(paths))
    return [Shot(*shot, view is None) for shot in zip(paths, views, shown, strict=True)]


def _views(text: str) -> list[str]:
    views = [part.strip() for part in text.split(",")]
    for view in views:
        if view not in VIEWS:
            raise InputError(f"--view {view!r} is unknown; expected one of {', '.join(VIEWS)}")
    return views


def _flutes(text: str, flutes: int | None) -> list[int]:
    most = flutes or 12
    try:
        shown = [int(part) for part in text.split(",")]
    except ValueError as error:
        raise InputError(f"--flute {text!r}: expected numbers such as 1,2,2") from error
    for flute in shown:
        if not 1 <= flute <= most:
            raise InputError(f"--flute {flute}: expected 1 to {most}")
    return shown


def _answers(
    seen: str | None, by_eye: bool, facts: "Facts", *, photos: bool, folder: Path
) -> "list[Observation]":
    from wearscope.cli.by_eye import ask_corners, ask_damages, told_damages

    answers = []
    if by_eye and not photos:
        drawing = folder / "reference-corners.png"
        _write(drawing, _reference_corners())
        answers += ask_corners(drawing, facts)
    if seen is not None:
        answers += told_damages(seen, facts.kind)
    elif by_eye:
        answers += ask_damages(facts.kind)
    return answers


def _reference_corners() -> bytes:
    import cv2

    from wearscope.report.reference_corners import reference_corners

    return cv2.imencode(".png", reference_corners())[1].tobytes()


def _write(path: Path, content: bytes) -> None:
    from wearscope.drawer.store import write_whole

    try:
        write_whole(path, content)
    except OSError as error:
        raise WearscopeError(
            f"{path}: cannot be written ({error.strerror}); give another folder with --out"
        ) from error


def _draw(inspection: "Inspection", photos: "list[Photo]", out: Path, units: options.Units) -> list[Path]:
    """Write the annotated picture of each photo into `out`; the paths written."""
    import cv2

    from wearscope.report.annotate import annotate

    by_digest = {photo.sha256: photo for photo in photos}
    written: list[Path] = []
    for report in inspection.photos:
        path = _free_name(out, Path(report.path).name, written)
        groups = [group for group in inspection.together if report.sha256 in group.photos]
        notes = tuple(f"{group.title}: {group.grade}. This is one of them." for group in groups)
        picture = annotate(
            by_digest[report.sha256], report, units=units, notes=notes, tooth=inspection.cutter.tooth
        )
        _write(path, cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes())
        written.append(path)
    return written


def _free_name(out: Path, name: str, taken: list[Path]) -> Path:
    """Photos of the same name from different folders do not share a picture."""
    path, n = out / f"{name}.annotated.jpg", 1
    while path in taken:
        n += 1
        path = out / f"{name}.{n}.annotated.jpg"
    return path
