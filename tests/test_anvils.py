"""Anvil formulas against published values and against a polygon turned step by step."""

import numpy as np
import pytest

from wearscope.geometry.anvils import V_ANGLES_DEG, flat_anvil_range, v_anvil_factor, v_anvil_fits


@pytest.mark.parametrize(
    ("flutes", "low", "high"),
    # Width of a regular tip polygon, computed over 720 000 angles; printed digits.
    [
        (3, 0.750000, 0.866025),
        (5, 0.904508, 0.951057),
        (7, 0.950484, 0.974928),
        (9, 0.969846, 0.984808),
        (4, 0.707107, 1.0),
        (6, 0.866025, 1.0),
    ],
)
def test_flat_anvils_read_less_than_the_diameter(flutes: int, low: float, high: float) -> None:
    assert flat_anvil_range(flutes) == pytest.approx((low, high), abs=5e-7)


@pytest.mark.parametrize("flutes", [2, 3, 4, 5, 6, 7])
def test_flat_anvil_range_is_what_turned_tips_show(flutes: int) -> None:
    turn = np.linspace(0, 2 * np.pi, 20001)[:, None]
    tips = 0.5 * np.cos(turn + 2 * np.pi * np.arange(flutes) / flutes)
    widths = np.ptp(tips, axis=1)
    assert flat_anvil_range(flutes)[1] == pytest.approx(widths.max(), abs=1e-6)
    assert flat_anvil_range(flutes)[0] == pytest.approx(widths.min(), abs=1e-3)


def test_v_anvil_factors() -> None:
    # Polygon-angle rule 60/108 degrees: johnfsworkshop.org, flute micrometers; factors 1.5 and sqrt(5)/2.
    assert v_anvil_factor(60.0) == pytest.approx(1.5, abs=1e-12)
    assert v_anvil_factor(108.0) == pytest.approx(1.1180340, abs=5e-8)
    assert v_anvil_factor(V_ANGLES_DEG[7]) == pytest.approx(1.0549582, abs=1e-7)
    assert pytest.approx({3: 60.0, 5: 108.0, 7: 128.5714286}) == V_ANGLES_DEG


@pytest.mark.parametrize(("flutes", "angle"), [(3, 108.0), (5, 60.0), (4, 60.0), (7, 108.0)])
def test_wrong_v_is_known(flutes: int, angle: float) -> None:
    assert not v_anvil_fits(flutes, angle)


def test_impossible_anvils() -> None:
    with pytest.raises(ValueError, match="one flute"):
        flat_anvil_range(1)
    with pytest.raises(ValueError, match="between 0 and 180"):
        v_anvil_factor(180.0)
