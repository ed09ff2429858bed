"""Trend of wear against published curves, an independent regression, and the claimed interval."""

import numpy as np
import pytest

from wearscope.errors import InputError
from wearscope.records.trend import (
    Line,
    Remaining,
    Taylor,
    TooLittle,
    fit_line,
    reached,
    remaining,
    taylor,
)

# Flank wear in mm over minutes at 100 and 155 m/min, criterion 0.75 mm:
# https://tutorsglobe.com/question/1-tool-life-determinationflank-wear-data-were-collected-in-51079272.aspx
SLOW = ([1, 5, 11, 15, 20, 25], [0.12, 0.27, 0.45, 0.58, 0.73, 0.97])
FAST = ([1, 5, 9, 11, 13], [0.22, 0.47, 0.70, 0.80, 0.99])


def test_published_wear_curves_give_tool_lives_and_taylors_law() -> None:
    slow, fast = reached(*SLOW, 0.75), reached(*FAST, 0.75)
    assert slow == pytest.approx(20.4167, abs=5e-5)
    assert fast == pytest.approx(10.000, abs=5e-4)
    assert isinstance(slow, float) and isinstance(fast, float)
    law = taylor([100, 155], [slow, fast])
    assert isinstance(law, Taylor)
    assert law.n == pytest.approx(0.614003, abs=5e-7)
    assert law.c == pytest.approx(637.287, abs=5e-4)


def test_taylors_law_of_the_textbook() -> None:
    # Groover, Fundamentals of Modern Manufacturing: n = 0.223, C = 229 (from memory).
    law = taylor([160, 100], [5, 41])
    assert isinstance(law, Taylor)
    assert (law.n, law.c) == (pytest.approx(0.223, abs=1e-3), pytest.approx(229, abs=0.3))
    assert law.life_min(160) == pytest.approx(5)


def test_the_interval_ends_where_the_prediction_band_of_another_regression_meets_the_limit() -> None:
    """The band is computed from numpy's polyfit covariance; both ends must lie on it."""
    from scipy import stats

    x, y = np.array(SLOW[0], float), np.array(SLOW[1])
    left = remaining(x.tolist(), y.tolist(), 1.5)
    assert isinstance(left, Remaining)
    line, cov = np.polyfit(x, y, 1, cov=True)
    noise = np.sum((y - np.polyval(line, x)) ** 2) / (len(x) - 2)
    t = stats.t.ppf(0.975, len(x) - 2)
    for end, sign in ((left.least, 1), (left.most, -1)):
        at = np.array([x[-1] + end, 1.0])
        assert at @ line + sign * t * np.sqrt(noise + at @ cov @ at) == pytest.approx(1.5, rel=1e-9)
    assert np.polyval(line, x[-1] + left.minutes) == pytest.approx(1.5, rel=1e-9)
    assert left.least < left.minutes < left.most


def test_the_interval_holds_the_use_at_which_a_measurement_meets_the_limit() -> None:
    rng = np.random.default_rng(6)
    x, held, cases = np.arange(0.0, 100.0, 10.0), 0, 1000
    for _ in range(cases):
        y = 0.01 + 0.001 * x + rng.normal(0, 0.004, len(x))
        # The next measurement, taken at 140 min, is the limit: 95 % of the bands hold it there.
        left = remaining(x.tolist(), y.tolist(), 0.01 + 0.001 * 140 + rng.normal(0, 0.004))
        assert isinstance(left, Remaining)
        held += left.least <= 140 - x[-1] <= left.most
    assert 0.93 <= held / cases <= 0.97


def test_too_little_is_said() -> None:
    for answer, words in (
        (remaining([0, 10, 20], [0.01, 0.02, 0.03], 0.1), "3 points"),
        (remaining([0, 0, 10, 10], [0.01, 0.02, 0.03, 0.03], 0.1), "different times"),
        (remaining([0, 10, 20, 30], [0.03, 0.01, 0.04, 0.02], 0.1), "scatters"),
        (reached([], [], 0.1), "nothing"),
        (reached([0, 10], [0.01, 0.02], 0.1), "not reached yet"),
        (reached([5, 10], [0.2, 0.3], 0.1), "before the first"),
        (taylor([100, 100], [5, 6]), "different speeds"),
        (taylor([100, 200], [5, 6]), "does not fall"),
    ):
        assert isinstance(answer, TooLittle)
        assert words in answer.reason


def test_a_limit_already_passed_leaves_nothing() -> None:
    x = [0.0, 10.0, 20.0, 30.0, 40.0]
    left = remaining(x, [0.0, 0.011, 0.019, 0.03, 0.04], 0.02)
    assert isinstance(left, Remaining)
    assert (left.minutes, left.least, left.most) == (0, 0, 0)


def test_noise_that_goes_back_does_not_undo_wear() -> None:
    assert reached([0, 10, 20, 30], [0.0, 0.2, 0.1, 0.4], 0.3) == pytest.approx(25)


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match="not go back"):
        reached([10, 0], [0.1, 0.2], 0.15)
    with pytest.raises(InputError, match="as many wear values"):
        remaining([0, 1, 2, 3], [0.1, float("nan"), 0.2, 0.3], 1)
    with pytest.raises(InputError, match="all above 0"):
        taylor([100, 0], [5, 6])


def test_points_count_by_their_uncertainty_as_another_regression_weighs_them() -> None:
    """Weighted fit against numpy's polyfit; the points scatter more than they say, so Student's t leads."""
    from scipy import stats

    x = np.array([0.0, 20, 45, 80, 110, 150])
    y = np.array([0.010, 0.022, 0.031, 0.062, 0.064, 0.101])
    u = np.array([0.001, 0.002, 0.001, 0.003, 0.002, 0.002])
    line = fit_line(x.tolist(), y.tolist(), uncertainty=u.tolist())
    assert isinstance(line, Line)
    numpys, cov = np.polyfit(x, y, 1, w=1 / u, cov=True)
    chi2 = np.sum(((y - np.polyval(numpys, x)) / u) ** 2) / (len(x) - 2)
    assert line.first == 0 and chi2 > 1
    assert line.slope == pytest.approx(numpys[0], rel=1e-9)
    at = np.array([200.0, 1.0])
    assert line.at(200) == pytest.approx(at @ numpys, rel=1e-9)
    t = stats.t.ppf(0.975, len(x) - 2)
    assert line.half_band(200) == pytest.approx(t * np.sqrt(chi2 * u[-1] ** 2 + at @ cov @ at), rel=1e-9)


def test_points_that_agree_by_luck_leave_the_band_as_wide_as_they_are_uncertain() -> None:
    """All on one line, each known to 0.004: the band at a far point follows from the known variances alone."""
    x, u = np.arange(0.0, 100.0, 20.0), 0.004
    line = fit_line(x.tolist(), (0.01 + 0.001 * x).tolist(), uncertainty=[u] * len(x))
    assert isinstance(line, Line)
    variance = u**2 * (1 + 1 / 5 + (200 - 40) ** 2 / np.sum((x - 40) ** 2))
    assert line.half_band(200) == pytest.approx(1.959964 * np.sqrt(variance), rel=1e-6)


@pytest.mark.parametrize("true", [1.0, 2.0])
def test_the_interval_holds_whether_or_not_the_stated_uncertainty_is_too_small(true: float) -> None:
    """Scatter as stated, and twice as large: the band holds the next measurement at least as often as it says."""
    rng = np.random.default_rng(7)
    x, stated, held, cases = np.arange(0.0, 60.0, 10.0), 0.003, 0, 1000
    for _ in range(cases):
        y = 0.01 + 0.001 * x + rng.normal(0, true * stated, len(x))
        line = fit_line(x.tolist(), y.tolist(), uncertainty=[stated] * len(x))
        if isinstance(line, TooLittle) or line.first:
            cases -= 1
            continue
        held += abs(line.at(90) - (0.01 + 0.09 + rng.normal(0, true * stated))) <= line.half_band(90)
    assert cases > 700
    assert held / cases >= 0.94


def test_running_in_is_left_out() -> None:
    """Ten minutes of fast wear, then 0.0005 mm a minute: the rest of the life follows from what came after."""
    x = np.array([0, 5, 10, 30, 50, 70, 90, 110.0])
    y = np.where(x < 10, 0.004 * x, 0.04 + 0.0005 * (x - 10))
    left = remaining(x.tolist(), y.tolist(), 0.12, uncertainty=[0.001] * len(x))
    line = fit_line(x.tolist(), y.tolist(), uncertainty=[0.001] * len(x))
    assert isinstance(left, Remaining) and isinstance(line, Line)
    assert line.first == 2
    assert left.minutes == pytest.approx(60, abs=1)


def test_straight_wear_seldom_loses_points() -> None:
    rng = np.random.default_rng(8)
    x, lost = np.arange(0.0, 100.0, 10.0), 0
    for _ in range(500):
        line = fit_line(
            x.tolist(), (0.01 + 0.001 * x + rng.normal(0, 0.004, len(x))).tolist(), uncertainty=[0.004] * 10
        )
        assert isinstance(line, Line)
        lost += line.first > 0
    assert lost / 500 <= 0.02
