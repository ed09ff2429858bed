"""Intervals of combined errors, against the examples of JCGM 100 and JCGM 101."""

import math

import numpy as np
import pytest
from scipy.stats import t

from wearscope.errors import InputError
from wearscope.features.diameter import combine, diameter_from_readings
from wearscope.features.diameter.coverage import effective_freedom, half_width, with_interval
from wearscope.quantity import Quantity

END_GAUGE = {
    "standard": 25.0,
    "observed": 5.8,
    "random": 3.9,
    "systematic": 6.7,
    "expansion": 2.9,
    "temperature": 16.6,
}
FREEDOM = {"standard": 18, "observed": 24, "random": 5, "systematic": 8, "expansion": 50, "temperature": 2}


def test_effective_freedom_of_the_end_gauge() -> None:
    """JCGM 100:2008, H.1.6: 16.7, rounded down to 16; t99(16) = 2.92; expanded uncertainty 93 nm."""
    found = effective_freedom(END_GAUGE, FREEDOM)
    assert found == pytest.approx(16.7, abs=0.1)
    u = math.hypot(*END_GAUGE.values())
    assert u == pytest.approx(32, abs=0.5)
    assert half_width(32.0, freedom=found, level=0.99) == pytest.approx(93, abs=0.5)
    assert half_width(1.0, freedom=found, level=0.99) == pytest.approx(2.92, abs=0.005)


@pytest.mark.parametrize(
    ("bell", "rectangles", "expected"),
    [
        (2.0, (), 3.92),  # 9.2.2: four normal inputs of u = 1
        (0.0, (1.0, 1.0, 1.0, 1.0), 3.88),  # 9.2.3: four rectangular ones
        (0.0, (1.0, 1.0, 1.0, 10.0), 17.0),  # 9.2.4: one ten times as wide; twice u would be 20.3
    ],
)
def test_sums_of_jcgm_101(bell: float, rectangles: tuple[float, ...], expected: float) -> None:
    half_digit = 0.005 if expected < 10 else 0.05
    assert half_width(bell, rectangles=rectangles) == pytest.approx(expected, abs=half_digit)


def test_against_drawn_errors() -> None:
    """A normal and two unequal rectangular errors: the interval holds 95 % of a million draws, within 4 standard deviations."""
    rng = np.random.default_rng(1)
    n = 1_000_000
    drawn = rng.normal(0, 0.7, n) + np.sqrt(3) * (rng.uniform(-1, 1, n) + 2 * rng.uniform(-1, 1, n))
    inside = np.mean(np.abs(drawn) <= half_width(0.7, rectangles=(1.0, 2.0)))
    assert inside == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_few_readings_that_scatter_are_known_less_well() -> None:
    """Two readings: Student's t of one degree of freedom, 12.7 (JCGM 100:2008, table G.2), where scatter is all there is."""
    two, _ = diameter_from_readings([5.9501, 5.9701], flutes=2, micrometer_mm=1e-6)
    assert two.above == pytest.approx(12.706 * 0.01, rel=0.01)
    five, _ = diameter_from_readings([5.9501, 5.955, 5.96, 5.965, 5.9699], flutes=2, micrometer_mm=1e-6)
    assert five.above == pytest.approx(t.ppf(0.975, 4) * five.parts["repeatability"], rel=0.01)


def test_a_micrometer_s_own_error_ends_somewhere() -> None:
    """Even between -4 and 4 um: 95 % of it are 3.8 um either way, not twice 2.3."""
    value, _ = diameter_from_readings([5.962, 5.962, 5.962], flutes=2, micrometer_mm=0.004)
    assert value.above == pytest.approx(0.95 * 0.004, rel=0.02)


def test_a_thimble_without_vernier() -> None:
    """Readings on hundredths are known to half a hundredth at best: 0.01 over root 12 (JCGM 100:2008, F.2.2.1)."""
    coarse, _ = diameter_from_readings([5.96, 5.96, 5.96], flutes=2)
    fine, _ = diameter_from_readings([5.962, 5.962, 5.962], flutes=2)
    assert coarse.parts["resolution"] == pytest.approx(0.01 / math.sqrt(12))
    assert coarse.expanded > 0.005 > fine.expanded


def test_one_micrometer_for_shank_and_flutes_is_no_second_opinion() -> None:
    """Sources that share an error in full do not average it away (JCGM 100:2008, F.1.2.3)."""
    a = Quantity(5.96, "mm", {"micrometer": 0.0023, "edge_noise": 0.001})
    b = Quantity(5.96, "mm", {"micrometer": 0.0023, "repeatability": 0.001})
    best, said = combine([("a", a), ("b", b)])
    assert best.standard_uncertainty == pytest.approx(math.hypot(0.0023, 0.001 / math.sqrt(2)))
    assert said == ()


def test_the_interval_of_a_quantity() -> None:
    q = Quantity(6.0, "mm", {"edge_noise": 0.001, "scale": 0.003})
    wide, narrow = with_interval(q), with_interval(q, rectangular={"scale": 0.003})
    assert wide.above == wide.below == pytest.approx(1.96 * math.hypot(0.001, 0.003), rel=1e-3)
    assert narrow.above is not None
    assert 0.95 * 0.003 * math.sqrt(3) < narrow.above < wide.above  # type: ignore[operator]
    assert narrow.parts == q.parts


def test_no_reading_is_no_interval() -> None:
    with pytest.raises(InputError, match="no reading"):
        diameter_from_readings([], flutes=2)
