"""Pages that a browser shows and a printer prints: the contact sheet of a drawer, the report of one cutter.

No scripts, nothing from elsewhere: a page needs only the pictures that lie beside it.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from wearscope.grading.advice import CAUTIONS
from wearscope.grading.limits import Limit
from wearscope.inspection import Inspection, PhotoReport, Together
from wearscope.report.view import (
    GRADES,
    RGB,
    GradeLook,
    Row,
    Units,
    facts_text,
    grade_look,
    label,
    limit_text,
    measurement_row,
    photo_sheet,
    value_text,
    verdict_text,
)

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["Card", "Shot", "card", "contact_sheet", "inspection_page", "render"]


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture on a page: links (relative to the page) to the small and the large one, and words for it."""

    name: str
    small: str
    large: str
    words: str


@dataclass(frozen=True, slots=True)
class Card:
    """One cutter on a contact sheet. `failed` holds (photo, reason)."""

    name: str
    grade: str
    verdict: str
    reasons: tuple[str, ...] = ()
    advice: str = ""
    rows: tuple[Row, ...] = ()
    shots: tuple[Shot, ...] = ()
    missing_views: tuple[str, ...] = ()
    failed: tuple[tuple[str, str], ...] = ()
    page: str = ""


def card(
    name: str,
    grade: str,
    inspection: Inspection | None,
    *,
    shots: Iterable[Shot] = (),
    failed: Mapping[str, str] | None = None,
    units: Units = "mm",
    page: str = "",
) -> Card:
    """The card of one cutter; only what was judged has a row, the worst of each measurement."""
    unusable = tuple((failed or {}).items())
    if inspection is None:
        return Card(
            name, grade, verdict_text(grade, ()), advice="Take the photo again.", failed=unusable, page=page
        )
    order = tuple(GRADES)
    worst_of: dict[str, Row] = {}
    spoken_for = {digest for group in inspection.together if group.agree for digest in group.photos}
    everything: tuple[PhotoReport | Together, ...] = (*inspection.together, *inspection.photos)
    for judged in everything:
        if isinstance(judged, PhotoReport) and judged.sha256 in spoken_for:
            continue
        for measurement in judged.measurements:
            row = measurement_row(measurement, units=units)
            known = worst_of.get(row.name)
            if row.grade and (known is None or order.index(row.grade) > order.index(known.grade or "sharp")):
                worst_of[row.name] = row
    return Card(
        name,
        grade,
        verdict_text(grade, inspection.missing_views),
        inspection.reasons,
        inspection.advice,
        tuple(worst_of.values()),
        tuple(shots),
        inspection.missing_views,
        unusable,
        page,
    )


def contact_sheet(
    cards: Iterable[Card], *, title: str, counts: Mapping[str, int], notes: Iterable[str] = ()
) -> Iterator[str]:
    """The pieces of the page; `cards` come worst first, `counts` says how many there are of each grade."""
    template = _pages().get_template("contact_sheet.html")
    shown = [(grade, look, counts.get(grade, 0)) for grade, look in reversed(GRADES.items())]
    return template.generate(cards=cards, title=title, counts=shown, notes=tuple(notes))


def inspection_page(
    inspection: Inspection,
    *,
    title: str,
    limits: Mapping[str, Limit],
    shots: Mapping[str, Shot],
    failed: Mapping[str, str] | None = None,
    units: Units = "mm",
    back: str = "",
) -> str:
    """One cutter on one page: the decision, the pictures and numbers it rests on, the limits and why they are so.

    `limits` are those of the cutter (`Limits.for_cutter`), `shots` the annotated pictures by the photo's SHA-256,
    `failed` maps photos that could not be used to reasons, `back` is a link to the page that led here.
    """
    photos = [
        (photo, photo_sheet(photo, units=units, tooth=inspection.cutter.tooth), shots.get(photo.sha256))
        for photo in inspection.photos
    ]
    judged = {m.name: m.quantity.unit for photo in inspection.photos for m in photo.measurements if m.limit}
    steps = [
        (
            label(name),
            *(limit_text(v, unit, units=units) for v in (limits[name].worn, limits[name].discard)),
            limits[name],
        )
        for name, unit in judged.items()
        if name in limits
    ]
    return (
        _pages()
        .get_template("inspection.html")
        .render(
            inspection=inspection,
            verdict=verdict_text(inspection.grade, inspection.missing_views),
            title=title,
            facts=facts_text(inspection.cutter, units=units),
            photos=photos,
            together=[_group(group, units, inspection.cutter.tooth) for group in inspection.together],
            limits=steps,
            cautions=CAUTIONS,
            budgets=[_budget(photo, units) for photo in inspection.photos],
            failed=failed or {},
            back=back,
        )
    )


def _group(
    group: Together, units: Units, tooth: str
) -> tuple[Together, str, tuple[Row, ...], list[tuple[str, list[tuple[str, str]]]]]:
    """Photos judged together: the group, its title, rows and where the uncertainty comes from."""
    rows = tuple(
        measurement_row(m, units=units) for m in sorted(group.measurements, key=lambda m: m.grade is None)
    )
    title = f"{group.view} view · {tooth} {group.flute} · {group.title}"
    return group, title, rows, _budget(group, units)


def _budget(photo: PhotoReport | Together, units: Units) -> list[tuple[str, list[tuple[str, str]]]]:
    """Standard uncertainty of each measurement by its named parts, the largest first, in words."""
    return [
        (
            label(m.name),
            [
                (part, value_text(float(f"{u:.2g}"), m.quantity.unit, units=units))
                for part, u in sorted(m.quantity.parts.items(), key=lambda item: -item[1])
                if u > 0
            ],
        )
        for m in photo.measurements
        if any(m.quantity.parts.values())
    ]


def render(name: str, **shown: object) -> str:
    """A page from the template of that name."""
    return _pages().get_template(name).render(**shown)


@cache
def _pages() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = Environment(
        loader=PackageLoader("wearscope.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.filters |= {"look": grade_look, "css": _css, "href": _href}
    pages.globals |= {"icon": _icon_points, "grades": GRADES}
    return pages


def _css(colour: RGB) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)


def _href(path: str) -> str:
    """A relative link: every character that means something in an address is written as a code."""
    from urllib.parse import quote

    return quote(path)


def _icon_points(look: GradeLook) -> tuple[str, list[str]]:
    """The icon's body and strokes as SVG point lists in a square of 100."""

    def points(line: tuple[tuple[float, float], ...]) -> str:
        return " ".join(f"{100 * x:.1f},{100 * y:.1f}" for x, y in line)

    return points(look.body), [points(stroke) for stroke in look.strokes]
