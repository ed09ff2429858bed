"""A notch fitted to the picture itself: depth and its uncertainty on drawn notches whose truth is exact."""

import cv2
import numpy as np
import pytest

from wearscope.subpixel.notch import Notch, fit_notch
from wearscope.synthetic.coverage import polygon_coverage

BLUR = 1.3
NOISE = 0.01
D, S = np.arange(-10.0, 24.0), np.arange(0.0, 70.0)
MOUTH = (25.0, 45.0)
OUTLINES = {
    "vee": [(25, 0), (37, 8), (45, 0)],
    "trough": [(25, 0), (26.5, 8), (43.5, 8), (45, 0)],
    "bowl": [(35 - 10 * np.cos(t), 8 * np.sin(t)) for t in np.linspace(0, np.pi, 80)],
}


def drawn(points: list[tuple[float, float]], *, hollow: bool = False) -> np.ndarray:
    """Light of a bright cutter below a dark ground, rows from -10; a hollow is a dim field behind the notch."""
    outline = np.array([(-50, 0), *points, (150, 0), (150, 99), (-50, 99)], float)
    outline[:, 1] += 10
    cover = polygon_coverage([outline], (len(S), len(D)), 4)
    cover = cv2.resize(
        cv2.GaussianBlur(cover, (0, 0), 4 * np.sqrt(BLUR**2 - 1 / 12)),
        None,
        fx=0.25,
        fy=0.25,
        interpolation=cv2.INTER_AREA,
    )
    light = 0.02 + 0.5 * cover
    if hollow:
        light[18:26, 26:44] = 0.1
    return light + NOISE * np.random.default_rng(4).standard_normal(light.shape)


def fitted(light: np.ndarray, contour: np.ndarray) -> Notch | None:
    return fit_notch(light, D, S, contour, MOUTH, blur_px=BLUR, u_edge_px=0.02)


@pytest.mark.parametrize("form", OUTLINES)
@pytest.mark.parametrize("followed", [0.6, 1.0])
def test_depth_form_and_mouth_are_found_although_the_contour_is_filled_by_blur(
    form: str, followed: float
) -> None:
    points = np.array(OUTLINES[form])
    notch = fitted(drawn(OUTLINES[form]), followed * np.interp(S, points[:, 0], points[:, 1]))
    assert notch is not None
    assert notch.form == form
    assert abs(notch.depth_px - 8) < 3 * np.hypot.reduce(list(notch.u_depth_px.values()))
    assert np.hypot.reduce(list(notch.u_depth_px.values())) < 0.15
    assert notch.mouth_px == pytest.approx(MOUTH, abs=0.3)
    assert notch.misfit < 1.5


def test_a_hollow_in_the_cutter_behind_the_notch_is_not_opened() -> None:
    points = np.array(OUTLINES["trough"])
    notch = fitted(drawn(OUTLINES["trough"], hollow=True), np.interp(S, points[:, 0], points[:, 1]))
    assert notch is None or notch.depth_px < 9


def test_where_ground_and_cutter_look_alike_nothing_is_fitted() -> None:
    light = 0.4 + NOISE * np.random.default_rng(4).standard_normal((len(D), len(S)))
    assert fitted(light, np.where((S > 25) & (S < 45), 8.0, 0.0)) is None


def test_what_was_followed_into_clear_ground_is_not_closed_again() -> None:
    contour = np.where((S > 25) & (S < 45), 15.0, 0.0)
    light = np.where((D[:, None] > contour), 0.5, 0.02) + 0.0 * S
    light[-18:-11, 27:43] = 0.3
    notch = fitted(light, contour)
    assert notch is None or notch.depth_px > 12
