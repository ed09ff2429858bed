"""The forward model against closed forms, published tables and a drawing by another route."""

import numpy as np
import pytest
from drawn_corners import bound, boxed, gaussian, outline_share
from scipy.special import ndtr
from scipy.stats import multivariate_normal, ncx2

from wearscope.subpixel.corner_model import PARAMETERS, QUICK, Wedge, rounded_wedge


def grid(low, high, step=1.0):
    y, x = np.mgrid[low:high:step, low:high:step]
    return np.stack([x.ravel(), y.ravel()], axis=1)


def test_a_sharp_square_corner_is_a_product():
    points = grid(-8, 8, 0.7)
    found = rounded_wedge(Wedge(0, 0, 0, np.pi / 2, 0.0, np.log(1.5)), points).share
    assert found == pytest.approx(np.prod(ndtr(points / 1.5), axis=1), abs=2e-6)


@pytest.mark.parametrize("opening", [60, 75, 105, 120])
def test_a_sharp_wedge_is_a_bivariate_normal(opening):
    """P(both edge distances positive) for correlated normals, by SciPy's multivariate normal."""
    theta = np.radians(opening)
    points = np.array([[0, 0], [1, 0.5], [-1, 0.2], [2, 2], [0.3, -0.8]])
    found = rounded_wedge(Wedge(0, 0, 0, theta, 0.0, 0.0), points).share
    normals = np.array([[0, 1], [np.sin(theta), -np.cos(theta)]])
    cov = normals @ normals.T
    want = [multivariate_normal.cdf(normals @ p, mean=[0, 0], cov=cov) for p in points]
    assert found == pytest.approx(want, abs=1e-5)


@pytest.mark.parametrize("ratio", [3, 10, 40])
def test_deep_in_the_arc_it_is_a_blurred_disc(ratio):
    """A disc through Gaussian blur is a non-central chi-squared probability; there the edges are out of reach."""
    sigma, radius = 1.0, float(ratio)
    wedge = Wedge(0, 0, 0, np.pi / 2, radius**2, np.log(sigma))
    depth = np.linspace(max(-3.0, 0.5 - radius), 3, 13)
    centre = radius * np.sqrt(2)
    points = (centre - (radius - depth))[:, None] * np.array([np.cos(np.pi / 4), np.sin(np.pi / 4)])
    found = rounded_wedge(wedge, points).share
    want = ncx2.cdf(radius**2, 2, (radius - depth) ** 2)
    assert found == pytest.approx(want, abs=1e-5 if ratio > 6 else 0.03)


# Curvature bias of a blurred disc: shift of the 50 % level in sigma, computed table, tolerance 1e-4
@pytest.mark.parametrize(("ratio", "shift"), [(10, -0.05021), (20, -0.02503), (50, -0.01)])
def test_half_level_moves_toward_the_centre_of_curvature(ratio, shift):
    wedge = Wedge(0, 0, 0, np.pi / 2, float(ratio) ** 2, 0.0)
    outward = -np.array([1, 1]) / np.sqrt(2)
    tip = np.array([1, 1]) / np.sqrt(2) * ratio * (np.sqrt(2) - 1)
    steps = np.linspace(-0.4, 0.1, 501)
    share = rounded_wedge(wedge, tip + steps[:, None] * outward).share
    assert np.interp(0.5, share[::-1], steps[::-1]) == pytest.approx(shift, abs=1e-4)


# Recession of the 50 % contour of a sharp wedge, in sigma (computed table; 90 degrees exact: Phi(u)^2 = 1/2)
@pytest.mark.parametrize(
    ("opening", "recession", "relative"),
    [
        (60, 1.285, 4e-3),
        (75, 0.988, 4e-3),
        (90, 0.7706787, 2e-5),
        (105, 0.599, 4e-3),
        (120, 0.454, 4e-3),
        (135, 0.328, 4e-3),
    ],
)
def test_a_sharp_wedge_looks_rounded(opening, recession, relative):
    half = np.radians(opening) / 2
    steps = np.linspace(0, 2, 2001)
    points = steps[:, None] * np.array([np.cos(half), np.sin(half)])
    share = rounded_wedge(Wedge(0, 0, 0, 2 * half, 0.0, 0.0), points).share
    assert np.interp(0.5, share, steps) == pytest.approx(recession, rel=relative)


# Radius of curvature at the apex of the 50 % contour of a sharp wedge, in sigma (computed table; 90 degrees exact)
@pytest.mark.parametrize(
    ("opening", "apex"),
    [(60, 0.849), (75, 1.088), (90, 1.3713052), (105, 1.737), (120, 2.257), (135, 3.092)],
)
def test_the_apex_of_a_sharp_wedge_looks_curved(opening, apex):
    half, aside = np.radians(opening) / 2, 0.05
    along, across = np.array([np.cos(half), np.sin(half)]), np.array([-np.sin(half), np.cos(half)])
    steps = np.linspace(0, 2.5, 2501)

    def half_level(offset):
        points = offset * across + steps[:, None] * along
        share = rounded_wedge(Wedge(0, 0, 0, 2 * half, 0.0, 0.0), points).share
        return np.interp(0.5, share, steps)

    sag = (half_level(aside) + half_level(-aside)) / 2 - half_level(0.0)
    assert aside**2 / (2 * sag) == pytest.approx(apex, rel=0.01)


# Radius from the tip's recession when blur is ignored, in sigma (computed table, +-0.005)
@pytest.mark.parametrize(
    ("ratio", "reads"),
    [
        (1, 2.062),
        (1.5, 2.312),
        (2, 2.633),
        (3, 3.419),
        (4, 4.311),
        (5, 5.247),
        (7, 7.173),
        (10, 10.120),
        (15, 15.082),
        (20, 20.060),
    ],
)
def test_blur_inflates_a_radius_read_from_the_tip(ratio, reads):
    steps = np.linspace(0, 12, 4001)
    points = steps[:, None] * np.array([1, 1]) / np.sqrt(2)
    share = rounded_wedge(Wedge(0, 0, 0, np.pi / 2, float(ratio) ** 2, 0.0), points).share
    assert np.interp(0.5, share, steps) / (np.sqrt(2) - 1) == pytest.approx(reads, abs=6e-3)


@pytest.mark.parametrize(("radius", "sigma"), [(0.0, 1.0), (3.0, 1.0), (10.0, 2.0)])
def test_like_a_drawn_corner(radius, sigma):
    """Against a supersampled drawing; the pixel's box counts as its Gaussian (1/12 px^2), which costs up to 0.002."""
    size, apex, angle, opening = 100, np.array([30.3, 31.6]), 0.1, np.radians(97)
    drawn = boxed(gaussian(outline_share(size, apex, angle, opening, radius), sigma))
    model = rounded_wedge(Wedge(*apex, angle, angle + opening, radius**2, np.log(sigma)), grid(0, size)).share
    inner = np.s_[10:-10, 10:-10]
    assert np.abs(model.reshape(size, size) - drawn)[inner].max() < 0.004


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize(("radius", "opening"), [(0.6, 90), (4.0, 70), (15.0, 110)])
def test_derivatives_are_those_of_the_model(radius, opening, turn):
    rng = np.random.default_rng(3)
    wedge = Wedge(
        20.3,
        18.8,
        0.4,
        0.4 + turn * np.radians(opening),
        radius**2,
        np.log(1.3),
        1e-4,
        -1e-4,
        0.05,
        0.03,
        bend_from=25.0,
    )
    points = np.array([20, 19]) + rng.uniform(-35, 35, (1500, 2))
    found = rounded_wedge(wedge, points)
    vector = wedge.vector()
    for k, name in enumerate(PARAMETERS):
        step = np.zeros(10)
        step[k] = 1e-5 * max(1.0, abs(vector[k]))
        ahead, back = (
            rounded_wedge(wedge.moved(vector + s * step), points, wanted=()).share for s in (1, -1)
        )
        numeric = (ahead - back) / (2 * step[k])
        assert found.slopes[:, k] == pytest.approx(numeric, abs=3e-3 * np.abs(numeric).max()), name


@pytest.mark.parametrize("radius", [0.0, 0.5, 3.0, 8.0, 20.0, 40.0])
def test_quick_is_near_enough(radius):
    """A tenth of the noise of a good picture (1 grey level of 150), and slopes to 1 %."""
    rng = np.random.default_rng(4)
    wedge = Wedge(
        0.3, -0.2, 0.1, 0.1 + rng.uniform(1.3, 1.9), radius**2, np.log(1.3), skew=0.1, stretch=-0.05
    )
    points = grid(-30, 60, 0.9)
    fine, quick = rounded_wedge(wedge, points), rounded_wedge(wedge, points, how=QUICK)
    assert np.abs(quick.share - fine.share).max() < 7e-4
    for k in range(6):
        assert quick.slopes[:, k] == pytest.approx(
            fine.slopes[:, k], abs=0.01 * np.abs(fine.slopes[:, k]).max()
        )


def test_rounding_below_zero_continues_smoothly():
    points = grid(-4, 4, 0.5)
    shares = [rounded_wedge(Wedge(0, 0, 0, np.pi / 2, q, 0.0), points).share for q in (-0.02, 0.0, 0.02)]
    assert shares[0] - shares[1] == pytest.approx(shares[1] - shares[2], abs=2e-5)


# Cramér-Rao floor (px) at contrast 150, noise 1 grey level: the design's table, two digits
@pytest.mark.parametrize(
    ("radius", "blur", "floor"),
    [(3, 1, 0.025), (10, 1, 0.013), (3, 2, 0.045), (10, 2, 0.019), (20, 2, 0.014)],
)
def test_information_in_the_picture(radius, blur, floor):
    found = bound(160, (40.3, 40.4), 0.1, np.pi / 2, radius, blur, 1 / 150)
    assert found == pytest.approx(floor, rel=0.1)
