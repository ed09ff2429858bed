"""Colour: published values of sRGB -> Lab and of CIEDE2000, and what white balance must leave alone."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearscope.photo.colour import balance, ciede2000, lab_from_linear
from wearscope.photo.read import srgb_to_linear

PAIRS = np.loadtxt(Path(__file__).parent / "data/ciede2000_pairs.csv", delimiter=",", skiprows=3)

# 8-bit sRGB -> Lab, D65, 2 degree observer: computed with the constants of IEC 61966-2-1 by an independent
# program; libraries differ by up to 0.03 because they round matrix and white point differently.
SRGB_LAB = [
    ((255, 255, 255), (100, 0, 0)),
    ((255, 0, 0), (53.2329, 80.1053, 67.2228)),
    ((0, 255, 0), (87.7370, -86.1884, 83.1861)),
    ((0, 0, 255), (32.3026, 79.1936, -107.8537)),
    ((255, 255, 0), (97.1382, -21.5608, 94.4877)),
    ((0, 255, 255), (91.1165, -48.0840, -14.1278)),
    ((255, 0, 255), (60.3199, 98.2497, -60.8330)),
    ((128, 128, 128), (53.5850, 0, 0)),
    ((119, 119, 119), (50.0344, 0, 0)),
]


def lab(rgb: tuple[int, int, int]) -> np.ndarray:
    linear = srgb_to_linear(np.array([rgb[::-1]], np.float64) / 255)
    return lab_from_linear(linear.astype(np.float32))[0]


@pytest.mark.parametrize(("rgb", "expected"), SRGB_LAB)
def test_lab_of_srgb_colours(rgb, expected):
    assert lab(rgb) == pytest.approx(expected, abs=0.03)


def test_lab_of_a_published_xyz_colour():
    """sRGB (0.70573936, 0.19248266, 0.22354169) has XYZ (0.20654290, 0.12197943, 0.05137140): test data of
    colour-science, colour/models/rgb/tests/test_common.py. Lab from XYZ by the CIE formula (CIE 15)."""
    encoded = np.array([[0.22354169, 0.19248266, 0.70573936]])
    t = np.cbrt(np.array([0.20654290, 0.12197943, 0.05137140]) / (0.95047, 1.0, 1.08883))
    expected = (116 * t[1] - 16, 500 * (t[0] - t[1]), 200 * (t[1] - t[2]))
    assert lab_from_linear(srgb_to_linear(encoded).astype(np.float32))[0] == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"pair{pair[0]:.0f}")
def test_ciede2000_pairs(pair):
    """All 34 pairs of Sharma, Wu & Dalal 2005, Table 1, to the printed digits, both ways round."""
    allowed = [pair[7]]
    if pair[0] == 14:  # exactly on a hue discontinuity: both neighbours' branches (4.8045, 4.7461) are right
        allowed.append(4.7461)
    for a, b in ((pair[1:4], pair[4:7]), (pair[4:7], pair[1:4])):
        assert min(abs(float(ciede2000(a, b)) - value) for value in allowed) <= 1e-4


def test_all_34_pairs_are_there():
    assert PAIRS[:, 0].tolist() == list(range(1, 35))


channel = st.floats(0.02, 1.0)


@given(st.tuples(channel, channel, channel))
def test_a_balanced_grey_patch_is_neutral(patch):
    """Invariant: after balancing in linear light the patch reads a* = b* = 0 and keeps its luminance."""
    patch = np.array([patch], np.float32)
    weights = np.array([0.0722, 0.7152, 0.2126])
    balanced = balance(patch, patch[0])
    assert abs(lab_from_linear(balanced)[0, 1:]) == pytest.approx(0, abs=0.1)
    assert balanced[0] @ weights == pytest.approx(patch[0] @ weights, rel=1e-5)


@given(st.tuples(channel, channel, channel), st.tuples(channel, channel, channel))
def test_a_coloured_light_is_undone(patch, light):
    """A scene under another light, balanced by the same grey patch, looks as before."""
    grey, scene = np.full(3, 0.4), np.array([patch], np.float32)
    before = balance(scene, grey)
    after = balance(scene * np.array(light, np.float32), grey * light)
    ratio = after / before
    assert ratio == pytest.approx(np.full((1, 3), ratio.mean()), rel=1e-4)


@pytest.mark.parametrize("neutral", [(0, 1, 1), (1, -1, 1), (np.nan, 1, 1), (1, 1)])
def test_a_colour_that_cannot_be_neutral_is_refused(neutral):
    with pytest.raises(ValueError, match="neutral"):
        balance(np.ones((1, 3), np.float32), neutral)
