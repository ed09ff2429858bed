"""A length in px as mm: JCGM 100 (GUM), 5.1.2, for a quotient, and one-sided bounds that stay on their side."""

import pytest

from wearscope.geometry.scale import Scale
from wearscope.quantity import ONE_SIDED_95, Quantity
from wearscope.report.view import quantity_text

SCALE = Scale(250.0, {"target": 0.006, "print": 0.008})
"""Relative standard uncertainty 1 %."""


def test_relative_uncertainties_add_in_quadrature() -> None:
    found = SCALE.to_mm(Quantity(100.0, "px", {"noise": 2.0}))
    assert (found.value, found.unit) == (0.4, "mm")
    assert found.standard_uncertainty == pytest.approx(0.4 * (0.02**2 + 0.01**2) ** 0.5)


def test_of_an_area_the_scale_counts_twice() -> None:
    found = SCALE.to_mm(Quantity(62500.0, "px2"))
    assert (found.value, found.unit) == (pytest.approx(1.0), "mm2")
    assert found.parts["scale"] == pytest.approx(0.02)


@pytest.mark.parametrize(("kind", "sign"), [("upper_limit", 1), ("lower_limit", -1)])
def test_a_limit_moves_outward_by_what_the_scale_may_be_wrong(kind: str, sign: int) -> None:
    found = SCALE.to_mm(Quantity(100.0, "px", kind=kind))  # type: ignore[arg-type]
    assert found.kind == kind
    assert found.value == pytest.approx(0.4 * (1 + sign * ONE_SIDED_95 * 0.01))


@pytest.mark.parametrize(("kind", "words"), [("value", "3"), ("lower_limit", "at least 3")])
def test_a_number_of_chips_says_whether_more_may_lie_unseen(kind: str, words: str) -> None:
    assert quantity_text(Quantity(3.0, "count", kind=kind)) == words  # type: ignore[arg-type]
