"""Trend of wear against published curves, an independent regression, and the claimed interval."""

import numpy as np
import pytest

from wearscope.errors import InputError
from wearscope.records.trend import Remaining, Taylor, TooLittle, reached, remaining, taylor

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
