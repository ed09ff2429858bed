"""Micrometer readings, their combination, and the words for wrong use."""

import math

import pytest

from wearscope.errors import InputError
from wearscope.features.diameter import (
    about_slot,
    about_uncertainty,
    advise,
    combine,
    diameter_from_readings,
    diameter_from_slot,
    rounded,
    tool_table_row,
)
from wearscope.quantity import Quantity


def test_even_flutes_between_flat_anvils() -> None:
    value, _ = diameter_from_readings([5.962, 5.964, 5.963], flutes=2, micrometer_mm=0.004)
    assert value.kind == "value"
    assert value.value == pytest.approx(5.963)
    assert value.parts["repeatability"] == pytest.approx(0.001 / math.sqrt(3))
    assert value.parts["micrometer"] == pytest.approx(0.004 / math.sqrt(3))


@pytest.mark.parametrize(("flutes", "largest"), [(3, 0.866025), (5, 0.951057), (7, 0.974928)])
def test_odd_flutes_between_flat_anvils_prove_a_lower_bound(flutes: int, largest: float) -> None:
    value, why = diameter_from_readings([6.0 * largest], flutes=flutes)
    assert value.kind == "lower_limit"
    assert 5.98 < value.value < 6.0
    assert "V anvil" in why


def test_one_flute_between_flat_anvils() -> None:
    value, why = diameter_from_readings([4.0], flutes=1)
    assert value.kind == "lower_limit"
    assert value.value < 4.0
    assert "one flute" in why


@pytest.mark.parametrize(
    ("flutes", "anvil", "factor"), [(3, "v60", 1.5), (5, "v108", 1.1180340), (7, "v129", 1.0549582)]
)
def test_v_anvils(flutes: int, anvil: str, factor: float) -> None:
    value, _ = diameter_from_readings([6.0 * factor], flutes=flutes, anvil=anvil)
    assert value.kind == "value"
    assert value.value == pytest.approx(6.0, abs=1e-6)
    # A reading over a V is more than the diameter, up to half as much again: a label beside it is no contradiction.
    over, _ = diameter_from_readings([6.01 * factor], flutes=flutes, anvil=anvil, nominal=6.0)
    assert over.value == pytest.approx(6.01, abs=1e-6)


@pytest.mark.parametrize(
    ("readings", "flutes", "anvil", "nominal", "said"),
    [
        ([6.0], 5, "v60", None, "use 108 degrees"),
        ([6.0], 3, "v108", None, "use 60 degrees"),
        ([6.0], 4, "v60", None, "flat anvils"),
        ([-6.0], 2, "flat", None, "more than 0"),
        ([0.0], 2, "flat", None, "more than 0"),
        ([0.236], 2, "flat", 6.0, "looks like inch"),
        ([152.4], 2, "flat", 6.0, "25.4 times"),
        ([12.0], 2, "flat", 6.0, "does not belong"),
        ([5.96, 5.96, 5.97, 5.46], 2, "flat", None, "5.46"),
        ([5.96, 5.86], 2, "flat", None, "third"),
        ([float("nan")], 2, "flat", None, "more than 0"),
    ],
)
def test_wrong_readings_get_a_sentence(
    readings: list[float], flutes: int, anvil: str, nominal: float | None, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        diameter_from_readings(readings, flutes=flutes, anvil=anvil, nominal=nominal)


def test_parts_add_up_as_in_the_gauge_block_example() -> None:
    """JCGM 100:2008, H.1: contributions 25, 9.7 (5.8, 3.9, 6.7), 2.9 and 16.6 nm give u_c = 32 nm."""
    q = Quantity(
        50_000_838,
        "nm",
        {
            "standard": 25.0,
            "observed": 5.8,
            "random": 3.9,
            "systematic": 6.7,
            "expansion": 2.9,
            "temperature": 16.6,
        },
    )
    assert q.standard_uncertainty == pytest.approx(32, abs=0.5)


def test_sum_of_rectangular_inputs() -> None:
    """JCGM 101:2008, 9.2.3: four rectangular inputs of u = 1 have u = 2.00."""
    q = Quantity(0.0, "mm", {f"x{i}": math.sqrt(3) / math.sqrt(3) for i in range(4)})
    assert q.standard_uncertainty == pytest.approx(2.00, abs=0.005)


def test_weighted_mean_by_hand() -> None:
    best, said = combine(
        [("a", Quantity(6.000, "mm", {"x": 0.001})), ("b", Quantity(6.003, "mm", {"x": 0.002}))]
    )
    assert best.value == pytest.approx(6.0006)  # weights 4 : 1
    assert said == ()
    # Birge ratio sqrt(0.0006^2/1e-6 + 0.0024^2/4e-6) = sqrt(1.8); 1/sqrt(1.25e6) = 0.000894
    assert best.standard_uncertainty == pytest.approx(0.000894427 * math.sqrt(1.8), rel=1e-5)


def test_disagreement_is_said() -> None:
    best, said = combine(
        [("silhouettes", Quantity(5.90, "mm", {"x": 0.002})), ("readings", Quantity(6.0, "mm", {"x": 0.002}))]
    )
    assert "disagree" in said[0]
    assert best.expanded > 0.05
    bound = Quantity(6.1, "mm", {"x": 0.002}, "lower_limit")
    assert "prove at least" in combine([("a", Quantity(6.0, "mm", {"x": 0.001})), ("b", bound)])[1][0]
    assert combine([("b", bound)])[0].kind == "lower_limit"
    alone = Quantity(6.0, "mm", {"x": 0.001}, "value", 0.002, 0.06)
    assert combine([("a", alone)]) == (alone, ())


def test_advice_says_what_changes() -> None:
    q = Quantity(5.9123, "mm", {"x": 0.002})
    said = " ".join(advise(q, 6.0))
    assert "Type 5.912" in said
    assert "pockets come out 0.088 mm smaller" in said
    assert "only a warning" in said
    assert "agrees with the label" in " ".join(advise(Quantity(5.999, "mm", {"x": 0.002}), 6.0))
    assert "that is wear" in " ".join(advise(q, 6.0, when_new=5.98))
    assert "At least" in advise(Quantity(5.9, "mm", {}, "lower_limit"), 6.0)[0]


def test_rounded_to_the_uncertainty() -> None:
    assert rounded(Quantity(5.91234, "mm", {"x": 0.002})) == 5.912
    assert rounded(Quantity(5.91234, "mm", {"x": 0.03})) == 5.91


def test_tool_table_row() -> None:
    head, row = tool_table_row(Quantity(5.9123, "mm", {"x": 0.002}), 6.0, 2).split("\n")
    assert dict(zip(head.split(","), row.split(","), strict=True))["cutting_diameter_mm"] == "5.912"


def test_a_limit_is_no_number_for_the_tool_table() -> None:
    head, row = tool_table_row(Quantity(5.9, "mm", {"x": 0.001}, "lower_limit"), 6.0, 3).split("\n")
    cells = dict(zip(head.split(","), row.split(","), strict=True))
    assert cells["cutting_diameter_mm"] == ""
    assert cells["kind"] == "lower_limit"


def test_a_ruler_of_one_percent_is_named() -> None:
    said = about_uncertainty(
        Quantity(6.0, "mm", {"scale": 0.030, "edge_noise": 0.001})
    )  # 1 % (k = 2) of 6 mm
    assert "scale (0.060 mm)" in said[0]
    assert "--shank" in said[0]
    assert about_uncertainty(Quantity(6.0, "mm", {"scale": 0.001})) == ()


def test_slot_beside_the_cutter() -> None:
    cutter = Quantity(5.96, "mm", {"x": 0.002})
    assert "0.060 mm more" in about_slot(6.02, cutter)
    assert "narrower than the cutter" in about_slot(5.90, cutter)


def test_slot_holds_more_than_the_cutter() -> None:
    value, why = diameter_from_slot(6.05)
    assert value.expanded > 0.03
    assert "deflection" in why
    with pytest.raises(InputError):
        diameter_from_slot(0)
