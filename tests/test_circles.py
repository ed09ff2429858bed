"""Circle and line fits against published values."""

from pathlib import Path

import numpy as np
import pytest

from wearscope.geometry.circles import arc_covariance, fit_circle
from wearscope.geometry.lines import fit_line, meet

# Gander, Golub & Strebel, BIT 34 (1994) 558: point data seen in the R package conicfit (fit.ellipseLMG.Rd);
# the printed four decimals of the geometric fit are from memory, the further digits computed independently.
SIX = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float)
PEARSON = np.array(  # K. Pearson, Phil. Mag. 2 (1901) 559; data as in SciPy's odr tests
    [
        (0, 5.9),
        (0.9, 5.4),
        (1.8, 4.4),
        (2.6, 4.6),
        (3.3, 3.5),
        (4.4, 3.7),
        (5.2, 2.8),
        (6.1, 2.8),
        (6.5, 2.4),
        (7.4, 1.5),
    ]
)


@pytest.mark.parametrize(
    ("method", "x", "y", "r", "tolerance"),
    [
        ("geometric", 4.7398, 2.9835, 4.7142, 5e-5),  # as printed
        ("geometric", 4.73978242, 2.98353277, 4.71422599, 1e-6),
        ("pratt", 4.615481517, 2.807354397, 4.911301597, 1e-7),
        ("taubin", 4.613932694, 2.795209347, 4.879212846, 1e-7),
        ("hyper", 4.615481517, 2.807354397, 4.827575176, 1e-7),
    ],
)
def test_six_points(method, x, y, r, tolerance):
    found = fit_circle(SIX, method=method)
    assert (*found.centre, found.radius) == pytest.approx((x, y, r), abs=tolerance)


def test_geometric_residual_of_the_six_points():
    found = fit_circle(SIX)
    distance = np.hypot(*(SIX - found.centre).T) - found.radius
    assert np.sum(distance**2) == pytest.approx(1.227599078, abs=1e-8)


def test_pratt_and_hyper_share_a_centre():
    pratt, hyper = fit_circle(SIX, method="pratt"), fit_circle(SIX, method="hyper")
    assert pratt.centre == pytest.approx(hyper.centre, abs=1e-9)
    assert pratt.radius**2 - hyper.radius**2 == pytest.approx(0.815401292, abs=1e-8)  # 4 eta, computed


@pytest.mark.parametrize("method", ["geometric", "hyper", "taubin", "pratt"])
def test_three_points_give_their_circle(method):
    found = fit_circle(np.array([(3.0, 0), (0, 4), (0, 0)]), method=method)
    assert (*found.centre, found.radius) == pytest.approx((1.5, 2, 2.5), abs=1e-10)


@pytest.mark.parametrize("method", ["geometric", "hyper", "taubin", "pratt"])
def test_turned_and_scaled_points_turn_and_scale_the_circle(method):
    turn = 7.5 * np.array([(np.cos(0.7), -np.sin(0.7)), (np.sin(0.7), np.cos(0.7))])
    plain, moved = fit_circle(SIX, method=method), fit_circle(SIX @ turn.T + [120, -40], method=method)
    assert moved.radius == pytest.approx(7.5 * plain.radius, rel=1e-8)
    assert moved.centre == pytest.approx(turn @ plain.centre + [120, -40], abs=1e-6)


def test_straight_points_and_kasa_are_refused():
    with pytest.raises(ValueError, match="straight line"):
        fit_circle(np.array([(0.0, 0), (1, 1), (2, 2), (3, 3)]))
    with pytest.raises(ValueError, match="three points"):
        fit_circle(SIX[:2])
    with pytest.raises(ValueError, match="kasa"):
        fit_circle(SIX, method="kasa")


# Kanatani-Cramér-Rao bound of a 90 degree arc with n equally spaced points, sd(R)/sigma (computed table, 6 digits)
@pytest.mark.parametrize(("n", "expected"), [(10, 2.66495), (50, 1.39480), (100, 1.00690), (1000, 0.32446)])
def test_bound_of_a_quarter_arc(n, expected):
    bound = arc_covariance(np.linspace(0, np.pi / 2, n), 1.0)
    assert np.sqrt(bound[2, 2]) == pytest.approx(expected, abs=1e-5)


# The same bound for arcs of other lengths, sqrt(n) sd / sigma of the radius, of the centre along the bisector and across it, and
# their correlation (computed table, continuous limit, four digits; formula Kanatani 1998, Chernov & Lesort 2004, from memory)
@pytest.mark.parametrize(
    ("degrees", "radius", "along", "across", "correlation"),
    [
        (30, 97.240, 98.355, 6.6615, -0.99995),
        (45, 42.872, 43.982, 4.4792, -0.99973),
        (60, 23.849, 24.953, 3.4000, -0.99912),
        (75, 15.052, 16.148, 2.7624, -0.99779),
        (90, 10.282, 11.366, 2.3460, -0.99526),
        (120, 5.5639, 6.6183, 1.8466, -0.98372),
        (180, 2.2976, 3.2493, 1.4142, -0.90032),
        (270, 1.1386, 1.8142, 1.2845, -0.47817),
        (360, 1.0000, 1.4142, 1.4142, 0.0),
    ],
)
def test_bound_of_any_arc(degrees, radius, along, across, correlation):
    n = 20_000
    angles = (np.arange(n) + 0.5) / n * np.radians(degrees) - np.radians(degrees) / 2
    bound = n * arc_covariance(angles, 1.0)
    sd = np.sqrt(np.diag(bound))
    assert sd == pytest.approx([along, across, radius], rel=1e-4)
    assert bound[0, 2] / (sd[0] * sd[2]) == pytest.approx(correlation, abs=2e-5)


# Bias of the radius on a full circle, n = 100, sigma / R = 0.05, in units of sigma^2 / R (Al-Sharadqah & Chernov 2009; leading terms
# 2, 1, 1/2, 0 from memory, simulated values computed)
@pytest.mark.parametrize(
    ("method", "bias"), [("pratt", 1.93), ("taubin", 0.96), ("geometric", 0.48), ("hyper", -0.01)]
)
def test_bias_on_a_full_circle(method, bias):
    rng = np.random.default_rng(6)
    angles = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    truth = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    radii = np.array(
        [fit_circle(truth + rng.normal(0, 0.05, truth.shape), method=method).radius for _ in range(1500)]
    )
    error = radii.std() / np.sqrt(len(radii)) / 0.05**2
    assert (radii.mean() - 1) / 0.05**2 == pytest.approx(bias, abs=0.03 + 3 * error)


@pytest.mark.parametrize("method", ["geometric", "hyper", "taubin", "pratt"])
def test_quarter_arc_reaches_the_bound_without_bias(method):
    """sd(R) within 0.97 to 1.05 of the bound is the rule for n >= 50 and sigma/R <= 0.02; 3 standard errors of slack."""
    rng = np.random.default_rng(5)
    angles = np.linspace(0, np.pi / 2, 50)
    truth = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    radii = np.array(
        [fit_circle(truth + rng.normal(0, 0.01, truth.shape), method=method).radius for _ in range(600)]
    )
    bound = np.sqrt(arc_covariance(angles, 0.01)[2, 2])
    slack = 3 / np.sqrt(2 * len(radii))
    assert 0.97 - slack < radii.std() / bound < 1.05 + slack
    assert abs(np.median(radii) - 1) < 0.002  # Kåsa's reads 0.9914 here


def test_pearsons_line():
    found = fit_line(PEARSON, robust=False)
    slope = found.direction[1] / found.direction[0]
    assert slope == pytest.approx(-0.5455611975209648, abs=1e-12)  # computed; printed as 0.546 (from memory)
    assert np.sum(found.across(PEARSON) ** 2) == pytest.approx(0.618572759, abs=1e-8)
    assert found.centre == pytest.approx((3.82, 3.70), abs=1e-12)


def test_a_chip_does_not_pull_the_line():
    rng = np.random.default_rng(1)
    x = np.arange(200.0)
    points = np.stack([x, 0.3 * x + rng.normal(0, 0.1, 200)], axis=1)
    points[60:110, 1] += 12
    found = fit_line(points)
    assert np.arctan2(found.direction[1], found.direction[0]) % np.pi == pytest.approx(
        np.arctan(0.3), abs=4 * found.u_angle
    )
    assert found.scatter == pytest.approx(0.1 * np.cos(np.arctan(0.3)), rel=0.25)


def test_uncertainty_of_a_line_holds():
    rng = np.random.default_rng(2)
    x = np.linspace(-50, 50, 60)
    fits = [fit_line(np.stack([x, rng.normal(0, 0.2, 60)], axis=1)) for _ in range(400)]
    angle = np.array([np.arctan(f.direction[1] / f.direction[0]) / f.u_angle for f in fits])
    assert 0.93 - 3 * 0.011 < np.mean(np.abs(angle) < 2) < 0.97 + 3 * 0.011


def test_lines_meet():
    a = fit_line(np.array([(0.0, 0), (1, 1), (2, 2)]))
    b = fit_line(np.array([(0.0, 4), (1, 3), (3, 1)]))
    assert meet(a, b) == pytest.approx((2, 2))
    with pytest.raises(ValueError, match="parallel"):
        meet(a, a)


def test_norris():
    """NIST StRD Norris, certified slope; the file ships inside SciPy."""
    stats = pytest.importorskip("scipy.stats")
    path = Path(stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not path.exists():
        pytest.skip("this SciPy was installed without its test data")
    y, x = np.loadtxt(path, skiprows=60).T
    # the residual scatter is small beside the range, so the orthogonal line is the same within its uncertainty
    found = fit_line(np.stack([x, y], axis=1), robust=False)
    assert found.direction[1] / found.direction[0] == pytest.approx(
        1.00211681802045, abs=2 * 0.000429796848199937
    )
