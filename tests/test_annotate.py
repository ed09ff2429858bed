"""The annotated picture: the photo stays what it is, the words beside it hold, everybody can read it."""

import itertools
import math
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from wearscope.finding import Curve, Mark
from wearscope.grading.decide import GRADES as GRADE_NAMES
from wearscope.inspection import LimitSteps, Measurement, PhotoReport, ScaleUsed
from wearscope.measures import MEASURES
from wearscope.photo.read import Photo
from wearscope.quantity import Quantity
from wearscope.report import ink
from wearscope.report.annotate import annotate, thumbnail
from wearscope.report.view import (
    GRADES,
    LINES,
    gauge,
    label,
    limit_text,
    photo_sheet,
    quantity_text,
    value_text,
    verdict_text,
)

CORNER = (120.0, 90.0)


def photo(width: int = 400, height: int = 300, dtype: type = np.uint8, ground: float = 0.5) -> Photo:
    """A cutter, dark and grainy, on a lighter ground: right of x = 120 and below y = 90."""
    rng = np.random.default_rng(5)
    top = np.iinfo(dtype).max
    shades = np.full((height, width, 3), ground) + rng.normal(0, 0.01, (height, width, 3))
    shades[90:, 120:] -= 0.3
    return Photo("photo.png", "ab" * 32, (np.clip(shades, 0, 1) * top).astype(dtype))


def report(**changes: object) -> PhotoReport:
    radius = Measurement(
        "corner_radius",
        Quantity(0.07, "mm", {"noise": 0.002}),
        "worn",
        LimitSteps(0.04, 0.1),
        reason="corner radius",
    )
    turn = np.linspace(math.pi, 1.5 * math.pi, 20)
    arc = np.array(CORNER) + 14 + 14 * np.column_stack([np.cos(turn), np.sin(turn)])
    plain = PhotoReport(
        "photo.png", "ab" * 32, (400, 300), "corner", 1, "worn", ("corner radius: at least 0.066 mm",), ("glare",),
        (radius, Measurement("chip_count", Quantity(1.0, "count"))), {"wear_land_max": "seen side-on"},
        (Mark("virtual_corner", CORNER), Mark("chip", (250.0, 90.0))), (), ScaleUsed("typed", 200.0, 0.0),
        (
            Curve("outline", np.vstack([[120.0, 299.0], arc, [399.0, 90.0]])),
            Curve("end_edge", np.array([[110.0, 90.0], [330.0, 90.0]])),
            Curve("side_edge", np.array([[120.0, 80.0], [120.0, 260.0]])),
            Curve("arc", arc),
        ),
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]


# ---------------------------------------------------------------- the photo stays what it is


def test_the_photo_is_untouched_away_from_lines() -> None:
    """Full resolution, one to one at the top left; 12 px on both sides of lines, marks and brackets may change."""
    shot, seen = photo(), report()
    picture = annotate(shot, seen)
    covered = np.zeros((300, 400), np.uint8)
    for curve in seen.curves:
        cv2.polylines(covered, [np.round(curve.px).astype(np.int32)], False, 1, 25)
    cv2.rectangle(covered, (220, 50), (280, 130), 1, -1)  # the chip's ring and number
    cv2.circle(covered, (120, 90), 25, 1, -1)
    same = (picture[:300, :400] == shot.encoded).all(axis=2)
    touched_elsewhere = np.argwhere(~same & (covered == 0))
    assert covered.mean() < 0.25
    # What is left are the four brackets of the enlarged window, a quarter of the photo's height wide: arms of an
    # eighth of that, 1 px wide with 1 px of casing and smoothing on both sides.
    arm = 300 / 4 / 8
    assert len(touched_elsewhere) < 4 * 2 * (arm + 6) * 7


def test_the_corner_itself_is_not_hidden() -> None:
    """Within 5 px of the virtual corner, and nowhere inside the arc, is anything but hairlines."""
    shot = photo()
    only_mark = annotate(shot, report(curves=(), marks=(Mark("virtual_corner", CORNER),)))
    near = (slice(85, 96), slice(115, 126))
    assert (only_mark[near] == shot.encoded[near]).all()
    drawn = annotate(shot, report())
    inside_arc = (slice(98, 110), slice(128, 140))
    assert (drawn[inside_arc] == shot.encoded[inside_arc]).all()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("size", [(400, 300), (300, 400), (1550, 500), (64, 48)])
def test_any_size_and_depth(size: tuple[int, int], dtype: type) -> None:
    shot = photo(*size, dtype)
    picture = annotate(shot, report(curves=(), marks=(), size=size))
    eight_bit = shot.encoded if dtype is np.uint8 else shot.encoded >> 8
    assert picture.dtype == np.uint8
    assert (picture[: size[1], : size[0]] == eight_bit).all()


def test_nothing_is_written_into_the_photo_and_the_input_stays() -> None:
    shot = photo()
    before = shot.encoded.copy()
    annotate(shot, report())
    thumbnail(shot, report())
    assert (shot.encoded == before).all()


# ---------------------------------------------------------------- two looks can be compared


def test_two_looks_are_the_same_picture() -> None:
    assert (annotate(photo(), report()) == annotate(photo(), report())).all()


def test_another_result_does_not_move_the_layout() -> None:
    """Grade, values and a corner fitted 2 px further: scale bar, window and columns stay in place."""
    moved = report(
        grade="discard",
        reasons=("something else", "and more"),
        marks=(Mark("virtual_corner", (CORNER[0] + 2, CORNER[1] + 1)), Mark("chip", (250.0, 90.0))),
    )
    one, two = annotate(photo(), report()), annotate(photo(), moved)
    assert one.shape[1] == two.shape[1]
    bar = slice(302, 340), slice(0, 140)
    assert (one[bar] == two[bar]).all()
    away = slice(150, 300), slice(150, 400)
    assert (one[away] == two[away]).all()


# ---------------------------------------------------------------- the scale bar


@pytest.mark.parametrize(
    ("px_per_mm", "units"), [(200.0, "mm"), (17.6, "mm"), (333.3, "mm"), (200.0, "inch")]
)
def test_scale_bar_is_as_long_as_it_says(px_per_mm: float, units: str) -> None:
    """Between the outer sides of its two end ticks, drawn black in the strip under the photo."""
    shot = photo(900, 600)
    picture = annotate(
        shot, report(scale=ScaleUsed("typed", px_per_mm, 0.0), curves=(), marks=()), units=units
    )  # type: ignore[arg-type]
    strip = picture[600:, :900].max(axis=2)
    size = round(math.sqrt(900 * 600) / 48)
    ticks = np.flatnonzero((strip[: round(1.7 * size)] < 60).sum(axis=0) >= 1.2 * size)
    shown = (ticks[-1] - ticks[0]) / px_per_mm / (25.4 if units == "inch" else 1.0)
    expected = ink.nice_length(900 / 3.2 / px_per_mm / (25.4 if units == "inch" else 1.0))
    assert abs(shown - expected) * px_per_mm * (25.4 if units == "inch" else 1.0) <= 2 + size / 10


def test_a_limit_that_follows_from_another_is_shown_in_three_digits() -> None:
    assert limit_text(0.0175822, "mm") == "0.0176 mm"
    assert limit_text(0.04, "mm", units="inch") == "0.0015748 in"


@given(st.floats(1e-6, 1e6))
def test_round_lengths_are_of_the_1_2_5_series(longest: float) -> None:
    """The 1-2-5 series of scales and instrument ranges; common practice, no source."""
    length = ink.nice_length(longest)
    assert length <= longest * (1 + 1e-6) and length * 2.5 > longest * (1 - 1e-6)
    assert f"{length:.6e}"[0] in "125" and set(f"{length:.6e}"[1:8]) <= set(".0")


# ---------------------------------------------------------------- numbers


def test_numbers_as_the_guide_writes_them() -> None:
    """JCGM 100:2008, 7.2.4: m_S = (100,021 47 ± 0,000 79) g."""
    assert quantity_text(Quantity(100.02147, "g", {"": 0.00079 / 2})) == "100.02147 ± 0.00079 g"


@pytest.mark.parametrize(
    ("quantity", "text"),
    [
        (Quantity(0.0834, "mm", {"n": 0.003}), "0.0834 ± 0.0060 mm"),
        (Quantity(0.0834, "mm", below=0.004, above=0.009), "0.0834 (+0.0090 −0.0040) mm"),
        (Quantity(0.03121, "mm", kind="upper_limit"), "at most 0.0313 mm"),
        (Quantity(0.03121, "mm", kind="lower_limit"), "at least 0.0312 mm"),
        (Quantity(3.0, "count"), "3"),
        (Quantity(0.034, "share", {"n": 0.006}), "3.4 ± 1.2 %"),
        (Quantity(0.99, "share", {"n": 0.36}, below=0.72, above=0.01), "99 (+1 −72) %"),
        (Quantity(89.5, "deg", {"n": 0.2}), "89.50 ± 0.40°"),
        (Quantity(0.5, "mm2", {"n": 0.01}), "0.500 ± 0.020 mm²"),
        (Quantity(6.0, "mm"), "6.000 mm"),
    ],
)
def test_numbers_for_people(quantity: Quantity, text: str) -> None:
    assert quantity_text(quantity) == text


def test_an_inch_is_25_4_mm() -> None:
    """Exact by definition (international yard and pound agreement, 1959)."""
    assert value_text(25.4, "mm", units="inch") == "1 in"
    assert value_text(645.16, "mm2", units="inch") == "1 in²"
    assert quantity_text(Quantity(0.254, "mm", {"n": 0.0127}), units="inch") == "0.0100 ± 0.0010 in"


def shown_number(text: str) -> float:
    found = re.search(r"\d+\.?\d*", text)
    assert found is not None
    return float(found[0])


@given(
    st.floats(1e-5, 3.0),
    st.floats(1e-5, 0.1),
    st.sampled_from(["value", "upper_limit", "lower_limit"]),
    st.floats(-1e-4, 1e-4),
)
def test_a_number_never_stands_on_the_other_side_of_its_limit(
    value: float, spread: float, kind: str, offset: float
) -> None:
    limit = max(1e-5, value + offset)
    quantity = Quantity(value, "mm", {"n": spread / 2}, kind)  # type: ignore[arg-type]
    shown = shown_number(quantity_text(quantity, limits=(limit,)))
    assert (shown > limit) <= (value > limit) and (shown < limit) <= (value < limit)


@given(st.floats(1e-4, 10.0), st.sampled_from(["mm", "inch"]))
def test_limits_are_rounded_outward(value: float, units: str) -> None:
    factor = 25.4 if units == "inch" else 1.0
    upper = shown_number(quantity_text(Quantity(value, "mm", kind="upper_limit"), units=units)) * factor  # type: ignore[arg-type]
    lower = shown_number(quantity_text(Quantity(value, "mm", kind="lower_limit"), units=units)) * factor  # type: ignore[arg-type]
    assert lower <= value * (1 + 1e-6) and upper >= value * (1 - 1e-6)


@given(st.floats(0, 1.0), st.floats(1e-4, 0.05), st.floats(0, 0.3), st.floats(0.01, 0.3))
def test_gauge_shows_what_was_decided(value: float, spread: float, worn: float, step: float) -> None:
    """The pointer and both ends stand in the zone in which the numbers are."""
    quantity, discard = Quantity(value, "mm", {"n": spread}), worn + step
    shown = gauge(quantity, worn, discard)
    low, high = quantity.bounds(floor=0.0)
    assert 0 <= shown.low <= (shown.value or 0) <= shown.high <= 1
    for number, place in ((low, shown.low), (value, shown.value or 0.0), (high, shown.high)):
        assert (place > shown.worn) <= (number > worn) and (place > shown.discard) <= (number > discard)


# ---------------------------------------------------------------- words


def test_every_measurement_has_words() -> None:
    for name, unit in MEASURES.items():
        assert label(name)[0].isupper() and "_" not in label(name)
        assert "_" not in quantity_text(Quantity(0.5, unit, {"n": 0.01}))
    assert len({label(name) for name in MEASURES}) == len(MEASURES)


def test_the_sheet_says_all_that_the_report_says() -> None:
    sheet = photo_sheet(report(), heading="slot 4")
    assert sheet.title == "slot 4 · corner view · flute 1"
    assert [row.value for row in sheet.rows] == ["0.0700 ± 0.0040 mm", "1"]
    assert sheet.missing == (("Wear land, widest", "seen side-on"),)
    assert "diffuser" in sheet.cautions[0][1]


def test_incomplete_is_said() -> None:
    assert verdict_text("sharp", ["corner of flute 2", "shank"]) == "sharp as far as seen, 2 views missing"
    assert verdict_text("discard", ["shank"]) == "discard"


# ---------------------------------------------------------------- everybody can read it

SIGHT = {
    # Machado, Oliveira, Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, table 1, severity 1.0
    # (figures from memory); for linear RGB.
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(rgb: tuple[int, int, int]) -> np.ndarray:
    """sRGB to linear (IEC 61966-2-1)."""
    c = np.array(rgb) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def as_seen(rgb: tuple[int, int, int], sight: str) -> np.ndarray:
    """CIELAB of a colour as somebody with that sight sees it."""
    light = np.clip(SIGHT[sight] @ linear(rgb), 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(rgb2lab(encoded))


def luminance(rgb: tuple[int, int, int]) -> float:
    """WCAG 2.2, definition of relative luminance."""
    return float(linear(rgb) @ [0.2126, 0.7152, 0.0722])


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted([luminance(a), luminance(b)], reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("sight", SIGHT)
def test_grade_colours_differ_for_all_eyes(sight: str) -> None:
    """CIEDE2000 of 10: plainly different side by side (a just noticeable difference is about 1)."""
    colours = {name: as_seen(look.fill, sight) for name, look in GRADES.items()}
    for a, b in itertools.combinations(colours, 2):
        assert deltaE_ciede2000(colours[a], colours[b]) > 10, (a, b)


def test_grades_differ_in_word_and_shape_too() -> None:
    assert set(GRADES) == set(GRADE_NAMES)
    assert len({look.word for look in GRADES.values()}) == len(GRADES)
    grey = replace(GRADES["sharp"], fill=(128, 128, 128)).fill
    drawn = {n: ink.icon(64, replace(look, fill=grey), (255, 255, 255)) < 64 for n, look in GRADES.items()}
    for a, b in itertools.combinations(drawn, 2):
        both, either = (drawn[a] & drawn[b]).sum(), (drawn[a] | drawn[b]).sum()
        assert both / either < 0.5, (a, b)


def test_words_on_grades_can_be_read() -> None:
    """WCAG 2.2, 1.4.3: contrast of text at least 4.5."""
    for look in GRADES.values():
        assert contrast(look.fill, look.ink) >= 4.5


def test_lines_differ_by_more_than_colour() -> None:
    """No two lines with the same words, and no two with the same dashes and width."""
    looks = {look.text: (look.dash, look.width) for look in LINES.values()}
    assert len(set(looks.values())) == len(looks)


@pytest.mark.parametrize("ground", [0, 64, 128, 192, 255])
@pytest.mark.parametrize("look", LINES.values(), ids=LINES)
def test_lines_show_on_any_ground(ground: int, look: object) -> None:
    """WCAG 2.2, 1.4.11: contrast of graphics at least 3, of the line or of its casing."""
    picture = np.full((40, 200, 3), ground, np.uint8)
    colour = look.colour  # type: ignore[attr-defined]
    ink.line(picture, np.array([[10.0, 20.0], [190.0, 20.0]]), colour, width=2, casing=1)
    column = [tuple(int(v) for v in pixel[::-1]) for pixel in picture[:, 100]]
    assert max(contrast(pixel, (ground, ground, ground)) for pixel in column) >= 3  # type: ignore[arg-type]


@given(st.floats(3, 20), st.floats(1, 20))
def test_dashes_lie_on_the_line_and_keep_its_ends(on: float, off: float) -> None:
    bent = np.array([[0.0, 0.0], [30.0, 40.0], [80.0, 40.0]])
    pieces = ink.dashes(bent, on, off)
    lengths = [np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces]
    assert (pieces[0][0] == bent[0]).all()
    assert all(length == pytest.approx(on) for length in lengths[:-1]) and lengths[-1] <= on + 1e-9
    assert len(pieces) == math.ceil(100 / (on + off) - 1e-12)
    for x, y in np.vstack(pieces):
        assert abs(4 * x - 3 * y) < 1e-9 or abs(y - 40) < 1e-9


@given(
    st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "Zs")), max_size=80), st.integers(40, 300)
)
def test_wrapped_words_fit_and_none_is_lost(words: str, width: int) -> None:
    lines = ink.wrap(words, 14, width)
    assert "".join("".join(lines).split()) == "".join(words.split())
    assert all(ink.font(14).getlength(line) <= width for line in lines if len(line) > 1)
