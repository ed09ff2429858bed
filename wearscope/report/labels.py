"""A sheet of labels for drawer slots: QR codes (ISO/IEC 18004) with the names in letters, as PDF."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from wearscope.errors import InputError
from wearscope.photo.label import PREFIX

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Paper", "save_labels"]

Paper = Literal["a4", "letter"]
PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""ISO 216 and ANSI/ASME Y14.1."""
MARGIN_MM = 12.0
GAP_MM = 3.0
TEXT_MM = 5.0
NARROWEST_MM = 16.0
"""Cells are no narrower, so that the name beside a tiny code can be read."""
QUIET = 4
"""Modules of white round a code (ISO/IEC 18004)."""
LONGEST_NAME = 60


def save_labels(names: Sequence[str], path: Path, *, size_mm: float = 18.0, paper: Paper = "a4") -> int:
    """Write a PDF with one label for each name; `size_mm` is the side of a code with its white margin. The pages written.

    Raises InputError for no name, names that occur twice, are too long or blank, and sizes that do not fit.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    _check(names, size_mm, paper)
    pages = list(_pages(names, size_mm, paper))
    path.parent.mkdir(parents=True, exist_ok=True)
    with rc_context({"pdf.fonttype": 42}), PdfPages(path, metadata={"Title": "Labels for cutters"}) as file:
        for page in pages:
            file.savefig(_page(page, size_mm, paper))
    return len(pages)


def _check(names: Sequence[str], size_mm: float, paper: Paper) -> None:
    if not names:
        raise InputError("labels: no name; give names of cutters, --slots, or records that hold some")
    for name in names:
        if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
            raise InputError(f"label {name!r}: expected a name of 1 to {LONGEST_NAME} letters on one line")
        if names.count(name) > 1:
            raise InputError(f"label {name!r}: named twice; each label stands for one cutter")
    most = min(PAPERS_MM[paper]) - 2 * MARGIN_MM
    if not 1.5 <= size_mm <= most:
        raise InputError(f"label size {size_mm:g} mm: expected 1.5 to {most:g} mm")


def _cell(size_mm: float) -> tuple[float, float]:
    return max(size_mm, NARROWEST_MM), size_mm + TEXT_MM


def _pages(names: Sequence[str], size_mm: float, paper: Paper) -> Iterator[Sequence[str]]:
    columns, rows = _grid(size_mm, paper)
    for start in range(0, len(names), columns * rows):
        yield names[start : start + columns * rows]


def _grid(size_mm: float, paper: Paper) -> tuple[int, int]:
    columns, rows = (
        int((whole - 2 * MARGIN_MM + GAP_MM) // (part + GAP_MM))
        for whole, part in zip(PAPERS_MM[paper], _cell(size_mm), strict=True)
    )
    return columns, rows


def _page(names: Sequence[str], size_mm: float, paper: Paper) -> "Figure":
    from matplotlib.figure import Figure

    width, height = PAPERS_MM[paper]
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, width), ylim=(height, 0))
    axes.axis("off")
    columns, _ = _grid(size_mm, paper)
    wide, high = _cell(size_mm)
    for n, name in enumerate(names):
        row, column = divmod(n, columns)
        x, y = MARGIN_MM + column * (wide + GAP_MM), MARGIN_MM + row * (high + GAP_MM)
        _label(axes, name, x, y, size_mm)
    return figure


def _label(axes: Any, name: str, x: float, y: float, size_mm: float) -> None:
    """One cell: the code at the top, in the middle, with a line to cut along; the name below."""
    from matplotlib.collections import PolyCollection
    from matplotlib.patches import Rectangle

    wide, high = _cell(size_mm)
    left = x + (wide - size_mm) / 2
    axes.add_collection(PolyCollection(_modules(name, left, y, size_mm), facecolor="black", edgecolor="none"))
    cut = (x, y, wide, high) if wide == size_mm else (left, y, size_mm, size_mm)
    axes.add_patch(
        Rectangle(cut[:2], cut[2], cut[3], fill=False, edgecolor="0.6", linewidth=0.3, linestyle="--")
    )
    letters = min(9.0, 1.6 * wide / max(len(name), 1) * 72 / 25.4)
    axes.text(
        x + wide / 2, y + size_mm + TEXT_MM / 2, name, fontsize=letters, ha="center", va="center",
        parse_math=False,
    )  # fmt: skip


def _modules(name: str, x: float, y: float, size_mm: float) -> list[list[tuple[float, float]]]:
    """The dark modules as rectangles, runs of a row together; error correction M, 15 % of the code may be soiled."""
    import segno

    code = [list(row) for row in segno.make(PREFIX + name, error="m", micro=False, encoding="utf-8").matrix]
    pitch = size_mm / (len(code) + 2 * QUIET)
    runs = []
    for i, row in enumerate(code):
        top = y + (QUIET + i) * pitch
        edges = [j for j in range(len(row) + 1) if (j and row[j - 1]) != (j < len(row) and row[j])]
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            left, right = x + (QUIET + start) * pitch, x + (QUIET + stop) * pitch
            runs.append([(left, top), (right, top), (right, top + pitch), (left, top + pitch)])
    return runs
