"""The undamaged edge under a damaged one, and moving means, against plain answers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter1d

from wearscope.geometry.baseline import fit_baseline, moving_mean, robust_sigma, tail_sigma

S = np.arange(600.0)


def edge(rng: np.random.Generator, noise: float = 0.1) -> np.ndarray:
    return 3.0 + 0.02 * S + noise * rng.standard_normal(len(S))


@given(st.integers(0, 60).map(lambda k: 2 * k + 1), st.integers(0, 1000))
def test_moving_mean_is_scipys_uniform_filter_inside(count: int, seed: int) -> None:
    values = np.random.default_rng(seed).standard_normal(200)
    inside = slice(count // 2, 200 - count // 2)
    assert moving_mean(values, count)[inside] == pytest.approx(
        uniform_filter1d(values, count)[inside], abs=1e-9
    )


def test_moving_mean_leaves_out_what_was_not_seen() -> None:
    assert moving_mean(np.array([1.0, np.nan, 3.0, np.nan, np.nan, np.nan]), 3)[:3].tolist() == [
        1.0,
        2.0,
        3.0,
    ]
    assert np.isnan(moving_mean(np.array([1.0, np.nan, np.nan, np.nan]), 3)[2])


def test_a_chip_of_a_third_and_material_that_stands_out_do_not_move_the_line() -> None:
    d = edge(np.random.default_rng(1))
    d[200:400] += 25.0
    d[450:480] -= 6.0
    line = fit_baseline(S, d, floor_px=0.0, step_px=3.0)
    assert line is not None
    assert line.degree == 1
    assert line(S) == pytest.approx(3.0 + 0.02 * S, abs=0.1)
    assert line.noise_px == pytest.approx(0.1, rel=0.2)


def test_an_edge_that_bends_away_is_followed_and_one_that_bends_back_is_not() -> None:
    """A helix makes the cutter convex: its outline falls back ever faster."""
    helix = edge(np.random.default_rng(2)) + 2e-4 * S**2
    line = fit_baseline(S, helix, floor_px=0.0, step_px=3.0)
    assert line is not None
    assert line(S) == pytest.approx(3.0 + 0.02 * S + 2e-4 * S**2, abs=0.3)
    hollow = fit_baseline(S, edge(np.random.default_rng(2)) - 2e-4 * S**2, floor_px=0.0, step_px=3.0)
    assert hollow is None or hollow.degree == 1


def test_the_uncertainty_of_the_line_is_its_scatter_over_many_edges() -> None:
    lines = [fit_baseline(S, edge(np.random.default_rng(k)), floor_px=0.0, step_px=1.0) for k in range(60)]
    values = [float(line(np.array([300.0]))[0]) for line in lines if line is not None]
    claimed = [float(line.uncertainty(np.array([300.0]))[0]) for line in lines if line is not None]
    assert len(values) == 60
    assert np.std(values) == pytest.approx(np.mean(claimed), rel=0.35)


def test_too_few_points_make_no_line() -> None:
    assert fit_baseline(S[:11], S[:11], floor_px=0.0, step_px=1.0) is None


def test_sigmas_of_normal_scatter_and_of_long_tails() -> None:
    """Normal scatter: both its standard deviation. Of uniform scatter only the outer fifth says more than the median."""
    normal = np.random.default_rng(3).standard_normal(20000)
    assert robust_sigma(normal) == pytest.approx(1.0, abs=0.03)
    assert tail_sigma(normal) == pytest.approx(1.0, abs=0.03)
    tailed = np.random.default_rng(4).standard_t(2, 20000)
    assert tail_sigma(tailed) > 1.1 * robust_sigma(tailed)
    assert tail_sigma(np.array([])) == 0.0
