"""Facts about the cutter and typed lengths."""

import pytest

from wearscope.errors import InputError
from wearscope.facts import Facts, parse_length


# The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("6", 6.0),
        ("6mm", 6.0),
        (" 6.35 mm ", 6.35),
        (".5", 0.5),
        ("0.25in", 6.35),
        ('0.25"', 6.35),
        ("1/4in", 6.35),
        ("1/8 inch", 3.175),
        ("1 1/2in", 38.1),
        ("1-1/2IN", 38.1),
        ("1/2mm", 0.5),
    ],
)
def test_lengths_may_be_typed_in_mm_or_inch(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize("text", ["", "six", "6cm", "6,35", "-6", "1/0in", "6 6", "nan", "inf", "1e3"])
def test_what_is_no_length_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(InputError, match=r"expected a length such as 6, 6mm, 0\.25in or 1/4in"):
        parse_length(text)


def test_a_fraction_needs_a_unit() -> None:
    with pytest.raises(InputError, match="write 1/4in or 1/4mm"):
        parse_length("1/4")


def test_facts_nobody_gave_are_assumed_and_named() -> None:
    facts = Facts.given(flutes=2)
    assert (facts.kind, facts.material, facts.diameter_mm) == ("flat", "carbide", 6.0)
    assert facts.assumed == ("kind", "material", "diameter")
    assert Facts.given(kind="flat", material="hss", diameter_mm=3.0).assumed == ()


@pytest.mark.parametrize("kind", ["corner-radius", "engraver"])
def test_a_radius_when_new_that_matters_is_named_where_nobody_gave_it(kind: str) -> None:
    assert "nominal radius" in Facts.given(kind=kind).assumed
    assert "nominal radius" not in Facts.given(kind=kind, nominal_radius_mm=0.0).assumed


def test_a_ball_is_as_round_as_it_is_wide_and_a_flat_end_is_sharp() -> None:
    assert Facts.given(kind="ball", diameter_mm=8.0).nominal_radius_mm == 4.0
    assert Facts.given(kind="flat", diameter_mm=8.0).nominal_radius_mm == 0.0


@pytest.mark.parametrize(
    ("given", "complaint"),
    [
        ({"kind": "chamfer"}, "kind 'chamfer' is unknown; expected one of flat, corner-radius"),
        ({"material": "diamond"}, "material 'diamond' is unknown"),
        ({"diameter_mm": 0.0}, "more than 0"),
        ({"diameter_mm": -3.0}, "more than 0"),
        ({"diameter_mm": float("nan")}, "more than 0"),
        ({"flutes": 0}, "expected 1 to 12"),
        ({"kind": "corner-radius", "diameter_mm": 6.0, "nominal_radius_mm": 3.5}, "half the diameter"),
    ],
)
def test_facts_that_make_no_sense_are_refused(given: dict[str, object], complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        Facts.given(**given)  # type: ignore[arg-type]
