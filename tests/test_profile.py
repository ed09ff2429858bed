"""Edge position across a profile against the Cramér-Rao bound of one blurred step."""

import numpy as np
import pytest
from scipy.special import ndtr

from wearscope.subpixel.profile import fit_steps, measure_steps, sample_profiles

T = np.arange(-12, 13.0)


def steps(rng, n, sigma, noise, contrast=0.6):
    place = rng.uniform(-3, 3, n)
    return place, 0.1 + contrast * ndtr((T - place[:, None]) / sigma) + rng.normal(0, noise, (n, len(T)))


@pytest.mark.parametrize("sigma", [1.0, 2.0])
def test_position_reaches_the_bound_and_its_uncertainty_holds(sigma):
    """sd >= 1.8828 noise/contrast sqrt(sigma) for one scan line; with levels unknown 2.07 (sigma 1) and 3.3 / sqrt 2
    (sigma 2) over +-10 px (computed)."""
    rng = np.random.default_rng(1)
    place, values = steps(rng, 1500, sigma, 0.008)
    found = fit_steps(T, values)
    error = found.position - place
    bound = {1.0: 2.07, 2.0: 3.3}[sigma] * 0.008 / 0.6
    assert found.ok.all()
    assert 0.9 * 1.8828 / {1.0: 2.07, 2.0: 3.3}[sigma] * np.sqrt(sigma) < error.std() / bound < 1.08
    assert abs(error.mean()) < 4 * error.std() / np.sqrt(1500)
    assert 0.91 < np.mean(np.abs(error) < 2 * found.u_position) < 0.97
    assert np.mean(found.blur) == pytest.approx(sigma, rel=0.01)


def test_raw_rows_measure_a_slanted_edge():
    """Drawn exactly (Phi of the distance); positions come back for any direction, falling or rising."""
    rng = np.random.default_rng(2)
    for angle in np.radians([3, 40, 100, 200, 290]):
        n = np.array([np.cos(angle), np.sin(angle)])
        y, x = np.mgrid[0:120, 0:120]
        picture = (0.1 + 0.6 * ndtr(((x - 60.3) * n[0] + (y - 59.2) * n[1]) / 1.3)).astype(np.float32)
        along = np.linspace(-30, 30, 41)[:, None] * np.array([-n[1], n[0]])
        offset = rng.uniform(-2, 2, 41)
        found = measure_steps(
            picture, np.array([60.3, 59.2]) + along + offset[:, None] * n, np.tile(n, (41, 1)), half_px=9
        )
        assert found.position == pytest.approx(-offset, abs=2e-3)
        assert (found.after > found.before).all()


def test_nothing_is_interpolated():
    picture = np.random.default_rng(3).random((40, 40)).astype(np.float32)
    _, values = sample_profiles(picture, np.array([[20.4, 19.8]]), np.array([[0.8, 0.6]]), half_px=5)
    assert np.isin(values[np.isfinite(values)].astype(np.float32), picture).all()


def test_no_step_is_not_ok():
    noise = np.random.default_rng(4).normal(0, 1, (300, len(T)))
    assert fit_steps(T, noise).ok.mean() < 0.02


def test_missing_samples_at_either_end_do_not_move_the_edge():
    rng = np.random.default_rng(5)
    place, values = steps(rng, 400, 2.0, 0.004)
    values[:200, :5] = np.nan
    values[200:, -5:] = np.nan
    found = fit_steps(T, values)
    error = found.position - place
    assert found.ok.all()
    assert np.abs(error).max() < 5 * error.std() < 0.15
    assert abs(error[:200].mean() - error[200:].mean()) < 4 * error.std() * np.sqrt(2 / 200)
