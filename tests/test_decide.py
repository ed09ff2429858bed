"""The decision rule, against the numbers of JCGM 106 and case by case."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearscope.facts import Facts
from wearscope.finding import Finding
from wearscope.flags import FLAGS
from wearscope.grading.decide import (
    GRADES,
    Verdict,
    conformance_probability,
    decide,
    deciding,
    verdict_words,
    worst,
)
from wearscope.grading.judge import judge
from wearscope.grading.limits import Limit, load_limits
from wearscope.quantity import Quantity

LIMIT = Limit("corner_radius", 0.04, 0.10, "", "")
LIMITS = load_limits()


def millimetres(value: float, u: float = 0.0) -> Quantity:
    return Quantity(value, "mm", {"noise": u})


# JCGM 106:2012 (= OIML G 1-106), probability of conformity with a normal distribution. The formula is quoted from
# memory, the numbers were recomputed with another program; printed digits as tolerance.
@pytest.mark.parametrize(
    ("g", "p"), [(0, 0.5), (0.5, 0.6915), (1, 0.8413), (1.645, 0.9500), (2, 0.9772), (3, 0.9987)]
)
def test_probability_at_one_limit_with_a_guard_of_g_standard_uncertainties(g: float, p: float) -> None:
    assert conformance_probability(millimetres(1.0 - g * 0.1, 0.1), upper=1.0) == pytest.approx(p, abs=1e-4)


def test_resistor_example() -> None:
    # JCGM 106, worked example of a resistor (from memory; number recomputed): T = [1499.8, 1500.2] ohm.
    p = conformance_probability(Quantity(1500.09, "ohm", {"u": 0.04}), lower=1499.8, upper=1500.2)
    assert p == pytest.approx(0.99702, abs=5e-6)


@pytest.mark.parametrize(("y", "p"), [(5.975, 0.7340), (5.983, 0.9479), (5.986, 0.97725), (5.990, 0.9938)])
def test_a_cutter_of_6_mm_plus_minus_30_um(y: float, p: float) -> None:
    # JCGM 106, 7.3 applied to D = 6.000 +- 0.030 mm, u = 8 um; numbers recomputed with another program.
    assert conformance_probability(millimetres(y, 0.008), lower=5.970, upper=6.030) == pytest.approx(
        p, abs=1e-4
    )


def test_each_side_of_an_interval_has_its_own_width() -> None:
    # Phi(1) = 0.8413, Phi(-2) = 0.0228 (any table of the normal distribution).
    skewed = Quantity(1.0, "mm", below=0.2, above=0.4)
    assert conformance_probability(skewed, upper=1.2) == pytest.approx(0.8413, abs=1e-4)
    assert conformance_probability(skewed, upper=0.8) == pytest.approx(0.0228, abs=1e-4)
    assert conformance_probability(skewed, lower=0.8, upper=1.2) == pytest.approx(0.8413 - 0.0228, abs=2e-4)


def test_what_cannot_be_told_says_how_likely_it_is() -> None:
    # Phi((0.04 - 0.07) / 0.02) = Phi(-1.5) = 0.0668, and the same above 0.10.
    words = verdict_words(decide(millimetres(0.07, 0.02), LIMIT))
    assert "7 % likely below the one, 7 % above the other" in words


def test_the_rule_accepts_at_the_guard_band_of_jcgm_106() -> None:
    # The same cutter: the lower acceptance limit with a guard of 1.645 u is 5.98316 mm. Seen as diameter lost,
    # with "worn" at 0.030 mm, the grade must change from sharp at exactly that diameter.
    limit = Limit("diameter_lost", 0.030, 0.2, "", "")
    accepted, refused = 0.0, 0.03
    for _ in range(60):
        middle = (accepted + refused) / 2
        if decide(millimetres(middle, 0.008), limit).grade == "sharp":
            accepted = middle
        else:
            refused = middle
    assert 6.000 - accepted == pytest.approx(5.98316, abs=1e-5)


@pytest.mark.parametrize(
    ("quantity", "grade", "unconfirmed"),
    [
        (millimetres(0.03, 0.001), "sharp", False),
        (millimetres(0.04, 0.001), "worn", False),
        (millimetres(0.07, 0.001), "worn", False),
        (millimetres(0.0999, 0.001), "worn", True),
        (millimetres(0.101, 0.001), "worn", True),
        (millimetres(0.103, 0.001), "discard", False),
        (millimetres(0.07, 0.02), "retake", False),
        (millimetres(0.07, 0.018), "worn", False),
        (millimetres(0.3, 0.3), "retake", False),
        (Quantity(0.039, "mm", kind="upper_limit"), "sharp", False),
        (Quantity(0.04, "mm", kind="upper_limit"), "retake", False),
        (Quantity(0.07, "mm", kind="upper_limit"), "retake", False),
        (Quantity(0.3, "mm", kind="upper_limit"), "retake", False),
        (Quantity(0.03, "mm", kind="lower_limit"), "retake", False),
        (Quantity(0.05, "mm", kind="lower_limit"), "worn", True),
        (Quantity(0.11, "mm", kind="lower_limit"), "discard", False),
    ],
)
def test_rule(quantity: Quantity, grade: str, unconfirmed: bool) -> None:
    verdict = decide(quantity, LIMIT)
    assert (verdict.grade, verdict.unconfirmed) == (grade, unconfirmed)


def test_an_interval_that_is_not_symmetric_is_used_side_by_side() -> None:
    assert decide(Quantity(0.035, "mm", below=0.03, above=0.004), LIMIT).grade == "sharp"
    assert decide(Quantity(0.035, "mm", below=0.004, above=0.03), LIMIT).grade == "worn"


@pytest.mark.parametrize(
    ("value", "u", "grade"),
    [
        (0.0, 0.01, "sharp"),
        (0.01, 0.01, "sharp"),
        (0.03, 0.01, "worn"),
        (0.0, 0.04, "retake"),
        (0.2, 0.02, "discard"),
    ],
)
def test_a_worn_limit_of_zero_means_any_that_is_proven(value: float, u: float, grade: str) -> None:
    hss = LIMITS.for_cutter(Facts(material="hss"))["heat_tint_share"]
    assert decide(Quantity(value, "share", {"noise": u}), hss).grade == grade


@given(st.floats(0, 1), st.floats(1e-6, 0.5))
def test_a_share_whose_interval_ends_at_0_and_1_is_decided_on_its_whole_uncertainty(
    value: float, u: float
) -> None:
    hss = LIMITS.for_cutter(Facts(material="hss"))["heat_tint_share"]
    whole = Quantity(value, "share", {"noise": u})
    cut = Quantity(value, "share", {"noise": u}, below=min(2 * u, value), above=min(2 * u, 1 - value))
    assert decide(cut, hss).grade == decide(whole, hss).grade
    assert cut.bounds() == whole.bounds()
    assert 0 <= cut.bounds()[0] <= cut.bounds()[1] <= 1
    assert conformance_probability(cut, upper=0.05) == conformance_probability(whole, upper=0.05)


@given(st.floats(0, 0.3), st.floats(0, 0.1))
def test_no_grade_contradicts_its_bounds(value: float, u: float) -> None:
    verdict = decide(millimetres(value, u), LIMIT)
    assert (verdict.grade == "discard") == (verdict.lo > LIMIT.discard)
    assert (verdict.grade == "sharp") == (verdict.hi < LIMIT.worn)
    assert (verdict.grade == "retake") == (verdict.lo <= LIMIT.worn and verdict.hi >= LIMIT.discard)


@given(st.floats(0, 0.3), st.floats(0, 0.1), st.booleans())
def test_the_words_never_contradict_the_grade(value: float, u: float, inches: bool) -> None:
    verdict = decide(millimetres(value, u), LIMIT)
    factor = 1 / 25.4 if inches else 1.0
    for words, bound, rounded_out in (("at least ", verdict.lo, -1), ("at most ", verdict.hi, 1)):
        for part in verdict_words(verdict, inches=inches).split(words)[1:]:
            shown = float(part.split()[0])
            assert rounded_out * (shown - bound * factor) >= -1e-12
            assert (shown > LIMIT.discard * factor) == (bound > LIMIT.discard)
            assert (shown < LIMIT.worn * factor) == (bound < LIMIT.worn)


def test_worst_ranks_discard_over_retake_over_worn_over_sharp() -> None:
    assert GRADES == ("sharp", "worn", "retake", "discard")
    assert worst(["sharp", "discard", "retake"]) == "discard"
    assert worst(["worn", "retake", "sharp"]) == "retake"
    assert worst(["worn", "sharp"]) == "worn"
    assert worst([]) == "retake"


CORNER = (("corner_radius",), ("corner_recession", "corner_loss_end_edge", "corner_loss_side_edge"))


def verdicts(**grades: str) -> dict[str, Verdict]:
    return {name: Verdict(LIMIT, millimetres(0.0), grade, 0.0, 0.0) for name, grade in grades.items()}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("judged", "grade", "counting"),
    [
        ({}, "retake", set()),
        ({"corner_radius": "sharp", "corner_recession": "retake"}, "sharp", {"corner_radius"}),
        ({"corner_radius": "worn", "corner_recession": "discard"}, "worn", {"corner_radius"}),
        ({"corner_radius": "retake", "corner_recession": "sharp"}, "sharp", {"corner_recession"}),
        ({"corner_radius": "retake", "corner_recession": "discard"}, "discard", {"corner_recession"}),
        (
            {"corner_radius": "retake", "corner_recession": "retake"},
            "retake",
            {"corner_radius", "corner_recession"},
        ),
        (
            {"corner_recession": "sharp", "corner_loss_end_edge": "worn"},
            "worn",
            {"corner_recession", "corner_loss_end_edge"},
        ),
        (
            {"corner_recession": "sharp", "corner_loss_end_edge": "retake"},
            "retake",
            {"corner_recession", "corner_loss_end_edge"},
        ),
    ],
)
def test_measurements_of_one_damage_make_one_grade(
    judged: dict[str, str], grade: str, counting: set[str]
) -> None:
    every = verdicts(**judged)
    count = deciding(CORNER, every)
    assert worst(v.grade for v in count) == grade
    assert {name for name, v in every.items() if any(v is c for c in count)} == counting


GOOD = Finding(
    {
        "corner_radius": Quantity(0.012, "mm", {"noise": 0.001}),
        "corner_recession": Quantity(0.005, "mm", {"noise": 0.001}),
        "chip_depth_max": Quantity(0.008, "mm", kind="upper_limit"),
        "corner_patch_depth": Quantity(0.09, "mm", kind="upper_limit"),
        "heat_tint_share": Quantity(0.0, "share", {"noise": 0.005}),
        "edge_blur_width": Quantity(1.1, "px", {"noise": 0.02}),
    },
    flags=("tint:none",),
)


def grade_of(finding: Finding, view: str = "corner", px_per_mm: float = 250.0, facts: Facts = Facts()) -> str:  # noqa: B008
    return judge(finding, view=view, facts=facts, limits=LIMITS, px_per_mm=px_per_mm).grade


def without(finding: Finding, *names: str) -> Finding:
    kept = {name: q for name, q in finding.quantities.items() if name not in names}
    return Finding(kept, dict.fromkeys(names, "taken away"), flags=finding.flags)


def test_a_good_corner_is_sharp() -> None:
    assert grade_of(GOOD) == "sharp"


@pytest.mark.parametrize(
    "gone",
    [
        ("corner_radius", "corner_recession"),
        ("chip_depth_max",),
        ("corner_patch_depth",),
        ("heat_tint_share",),
    ],
)
def test_a_required_measurement_that_is_missing_makes_a_retake(gone: tuple[str, ...]) -> None:
    judgement = judge(without(GOOD, *gone), view="corner", facts=Facts(), limits=LIMITS, px_per_mm=250.0)
    assert judgement.grade == "retake"
    assert "taken away" in judgement.reasons[0]


def test_heat_and_patches_are_required_only_where_light_falls_on_the_face() -> None:
    back_lit = without(GOOD, "heat_tint_share", "corner_patch_depth")
    assert grade_of(Finding(back_lit.quantities, back_lit.not_measured)) == "sharp"


@pytest.mark.parametrize(("depth", "grade"), [(0.02, "worn"), (0.25, "worn"), (0.5, "discard")])
def test_a_corner_with_a_patch_inside_its_outline_is_never_sharp(depth: float, grade: str) -> None:
    patch = Quantity(depth, "mm", {"resolution": 0.01})
    assert grade_of(Finding({**GOOD.quantities, "corner_patch_depth": patch}, flags=GOOD.flags)) == grade


def test_a_broken_corner_without_a_radius_is_judged_by_its_recession() -> None:
    broken = without(GOOD, "corner_radius")
    assert grade_of(broken) == "sharp"
    far = Finding(
        {**broken.quantities, "corner_recession": Quantity(0.05, "mm", {"noise": 0.001})}, flags=broken.flags
    )
    assert grade_of(far) == "discard"


@pytest.mark.parametrize("view", ["edge", "profile", "end", "shank"])
def test_a_corner_says_nothing_about_another_view(view: str) -> None:
    assert grade_of(without(GOOD, "corner_radius", "corner_recession"), view=view) == "retake"


RUINED = {**GOOD.quantities, "chip_depth_max": Quantity(0.3, "mm", {"noise": 0.002})}
BLOCKING = sorted(name for name, flag in FLAGS.items() if flag.blocks)


@pytest.mark.parametrize("flag", BLOCKING)
def test_a_flag_that_blocks_makes_a_retake(flag: str) -> None:
    assert grade_of(Finding(GOOD.quantities, flags=(*GOOD.flags, flag))) == "retake"


@pytest.mark.parametrize("flag", BLOCKING)
def test_a_proven_discard_outranks_a_flag_unless_its_numbers_are_in_doubt(flag: str) -> None:
    believed = flag in ("corner_faint", "edge_too_short", "scale_too_small")
    judgement = judge(
        Finding(RUINED, flags=(*GOOD.flags, flag)),
        view="corner",
        facts=Facts(),
        limits=LIMITS,
        px_per_mm=250.0,
    )
    assert judgement.grade == ("discard" if believed else "retake")
    assert ("above the discard limit" in judgement.reasons[0]) == believed


def test_a_proven_discard_outranks_what_was_not_measured() -> None:
    assert (
        grade_of(without(Finding(RUINED, flags=GOOD.flags), "corner_radius", "corner_recession")) == "discard"
    )


def test_a_kind_without_a_limit_for_its_corner_is_never_sharp() -> None:
    assert grade_of(GOOD, facts=Facts("other")) == "retake"
    assert grade_of(GOOD, facts=Facts("ball", nominal_radius_mm=3.0)) == "retake"


@pytest.mark.parametrize("kind", ["corner-radius", "engraver"])
def test_what_had_a_radius_when_new_is_not_judged_without_it(kind: str) -> None:
    measured = Finding({**GOOD.quantities, "tip_width": Quantity(0.01, "mm")}, flags=GOOD.flags)
    facts = Facts.given(kind=kind, material="carbide", diameter_mm=6.0)
    judgement = judge(measured, view="corner", facts=facts, limits=LIMITS, px_per_mm=250.0)
    assert judgement.grade == "retake"
    assert "give --nominal-radius" in judgement.reasons[0]
    known = Facts.given(kind=kind, material="carbide", diameter_mm=6.0, nominal_radius_mm=0.0)
    assert judge(measured, view="corner", facts=known, limits=LIMITS, px_per_mm=250.0).grade == "sharp"


@pytest.mark.parametrize(
    ("sigma_px", "px_per_mm", "raised"),
    [(1.0, 40.0, "scale_too_small"), (6.0, 240.0, "out_of_focus"), (1.0, 250.0, None)],
)
def test_what_blur_keeps_from_being_decided_is_said(
    sigma_px: float, px_per_mm: float, raised: str | None
) -> None:
    blurred = Finding(
        {
            **GOOD.quantities,
            "corner_radius": Quantity(2.5 * sigma_px / px_per_mm, "mm", kind="upper_limit"),
            "corner_recession": Quantity(2.5 * sigma_px / px_per_mm, "mm", kind="upper_limit"),
            "edge_blur_width": Quantity(sigma_px, "px"),
        },
        flags=GOOD.flags,
    )
    judgement = judge(blurred, view="corner", facts=Facts(), limits=LIMITS, px_per_mm=px_per_mm)
    assert ({"scale_too_small", "out_of_focus"} & set(judgement.flags)) == ({raised} if raised else set())
    assert judgement.grade == ("retake" if raised else "sharp")


def test_a_limit_that_follows_from_another_is_said_in_few_digits_and_on_the_right_side() -> None:
    limit = Limit("corner_recession", 0.00658196, 0.01645490, "", "")
    words = verdict_words(decide(millimetres(0.02, 0.001), limit))
    assert words.endswith("above the discard limit 0.0165 mm")
    close = verdict_words(decide(Quantity(0.016455, "mm", {"noise": 0.0}), limit))
    shown = [float(word) for word in close.replace(",", "").split() if word[0].isdigit()]
    assert shown[0] > shown[1]
