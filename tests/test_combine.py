"""Several photos of one corner: the mean, its uncertainty, and what does not belong together."""

import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from drawn_corners import boxed, gaussian, outline_share, rough_pose

from wearscope.facts import Facts
from wearscope.features.corner import fit_corner
from wearscope.grading.combine import combine
from wearscope.grading.limits import load_limits
from wearscope.inspection import (
    Inspection,
    Measurement,
    PhotoReport,
    ScaleUsed,
    conclude,
    from_document,
    json_schema,
    to_document,
)
from wearscope.quantity import ONE_SIDED_95, Quantity

FACTS = Facts("flat", "carbide", 6.0, 1)
LIMITS = load_limits()


def value(mean: float, noise: float, **parts: float) -> Quantity:
    return Quantity(mean, "mm", {"noise": noise, **parts})


def test_weighted_mean_of_two_values_that_agree() -> None:
    """By hand: 10 +- 1 and 12 +- 2 have the mean 10.4 and the uncertainty 2 / sqrt(5)."""
    mean = combine([value(10, 1), value(12, 2)])
    assert mean.quantity.value == pytest.approx(10.4)
    assert mean.quantity.parts["noise"] == pytest.approx(2 / 5**0.5)
    assert mean.quantity.parts["repeatability"] == 0
    assert mean.agree


def test_scatter_beyond_the_noise_widens_by_the_birge_ratio() -> None:
    """By hand: 10 and 11, each +- 0.1: chi-squared 50 with one degree of freedom, so 0.0707 times sqrt(50) = 0.5."""
    quantity = combine([value(10, 0.1), value(11, 0.1)]).quantity
    assert quantity.standard_uncertainty == pytest.approx(0.5)
    assert quantity.parts["repeatability"] == pytest.approx((0.5**2 - 0.005) ** 0.5)


def test_scatter_below_the_noise_narrows_nothing() -> None:
    assert combine([value(10, 1), value(10, 1)]).quantity.standard_uncertainty == pytest.approx(2**-0.5)


def test_what_photos_share_is_not_averaged_down() -> None:
    quantity = combine([value(10, 0.1, scale=0.3, blur=0.1)] * 9).quantity
    assert quantity.parts["scale"] == pytest.approx(0.3)
    assert quantity.parts["blur"] == pytest.approx(0.1)
    assert quantity.parts["noise"] == pytest.approx(0.1 / 3)


def test_skewed_intervals_stay_skewed() -> None:
    one = Quantity(0.05, "mm", {"noise": 0.004}, below=0.012, above=0.007)
    quantity = combine([one, one]).quantity
    assert quantity.below == pytest.approx(0.012 / 2**0.5)
    assert quantity.above == pytest.approx(0.007 / 2**0.5)


def test_different_things_do_not_agree() -> None:
    assert not combine([value(0.05, 0.001), value(0.09, 0.001)]).agree
    assert combine([value(0.050, 0.0005), value(0.054, 0.0005)]).agree


def test_limits_alone_stay_a_limit_that_is_no_tighter_than_the_tightest() -> None:
    tops = [Quantity(v, "mm", {"noise": v / 3}, "upper_limit") for v in (0.010, 0.014, 0.020)]
    quantity = combine(tops).quantity
    assert quantity.kind == "upper_limit"
    assert 0.010 <= quantity.value < 0.0130


def test_a_limit_among_values_counts_by_its_estimate() -> None:
    top = Quantity(0.05 + ONE_SIDED_95 * 0.004, "mm", {"noise": 0.004}, "upper_limit")
    quantity = combine([value(0.05, 0.002), top]).quantity
    assert quantity.kind == "value"
    assert quantity.value == pytest.approx(0.05)


def test_a_lower_limit_keeps_the_whole_from_being_sharp() -> None:
    """By hand: 0.05 - 1.645 x 0.01 = 0.0336 lies above the lower limit of the other photo."""
    quantity = combine([Quantity(0.02, "mm", {"noise": 0.01}, "lower_limit"), value(0.05, 0.01)]).quantity
    assert quantity.kind == "lower_limit"
    assert quantity.value == pytest.approx(0.0336, abs=1e-4)


@pytest.mark.parametrize(
    "wrong",
    [[], [value(1, 1), Quantity(1, "px", {"noise": 1})]],
)
def test_what_cannot_be_combined_is_refused(wrong: list[Quantity]) -> None:
    with pytest.raises(ValueError, match="combined"):
        combine(wrong)


def drawn_radius(rng: np.random.Generator, radius: float) -> Quantity:
    """R in px of one photo of a corner: any place, turn, blur and noise."""
    blur, noise = rng.uniform(1.0, 2.0), rng.uniform(1, 3)
    apex = np.array([42.0, 42.0]) + rng.uniform(0, 8, 2)
    angle, opening = np.radians(rng.uniform(-10, 10)), np.radians(91.0)
    clean = boxed(gaussian(outline_share(160, apex, angle, opening, radius), blur))
    picture = (0.2 + 150 / 255 * clean + rng.normal(0, noise / 255, clean.shape)).astype(np.float32)
    fit = fit_corner(picture, rough_pose(rng, apex, angle, opening, 108.0, blur))
    low, high = fit.interval()
    noise_part = np.sqrt(fit.covariance[4, 4]) / (2 * max(fit.radius, 1e-6))
    forms = {name: u / (2 * max(fit.radius, 1e-6)) for name, u in fit.forms.items()}
    if not fit.resolved:
        u = (fit.upper_limit - fit.radius) / ONE_SIDED_95
        return Quantity(fit.upper_limit, "px", {"noise": u}, "upper_limit")
    return Quantity(
        fit.radius, "px", {"noise": noise_part, **forms}, below=fit.radius - low, above=high - fit.radius
    )


def covered(cases: int, seed: int) -> tuple[list[bool], list[float], list[bool]]:
    """Of combined values: hit or not, and the error; of combined limits: whether they hold."""
    rng = np.random.default_rng(seed)
    hits, gains, limits = [], [], []
    for _ in range(cases):
        radius = float(rng.choice([0.0, 1.0, 6.0, 12.0, 20.0]))
        photos = [drawn_radius(rng, radius) for _ in range(int(rng.integers(2, 5)))]
        quantity = combine(photos).quantity
        if quantity.kind == "upper_limit":
            limits.append(quantity.value >= radius)
        else:
            error = quantity.value - radius
            assert quantity.below is not None and quantity.above is not None
            hits.append(-quantity.above <= error <= quantity.below)
            gains.append(abs(error))
    return hits, gains, limits


def test_intervals_of_combined_photos_hold() -> None:
    hits, _, limits = covered(30, 1)
    assert np.mean(hits) > 0.95 - 2.5 * np.sqrt(0.95 * 0.05 / len(hits))
    assert np.mean(limits) > 0.94 - 2.5 * np.sqrt(0.95 * 0.05 / len(limits))


@pytest.mark.slow
def test_intervals_of_combined_photos_hold_full_count() -> None:
    hits, _, limits = covered(500, 2)
    assert np.mean(hits) > 0.93
    assert np.mean(limits) > 0.94


def test_means_hold_when_a_cutter_put_back_scatters_more_than_noise() -> None:
    """Drawn numbers, repeatability five times the noise, five photos: at least 86 %, what Birge's widening gives with
    four degrees of freedom (Student's t: 2 standard errors hold in 88.4 %)."""
    rng = np.random.default_rng(3)
    hits = []
    for _ in range(2000):
        photos = [value(v, 0.01) for v in rng.normal(1.0, 0.05, 5) + rng.normal(0, 0.01, 5)]
        quantity = combine(photos).quantity
        hits.append(abs(quantity.value - 1.0) <= quantity.expanded)
    assert 0.86 < np.mean(hits) < 0.91


def report(
    n: int, radius: Quantity | None, *, flute: int = 1, grade: str = "worn", **how: object
) -> PhotoReport:
    measured = [] if radius is None else [Measurement("corner_radius", radius, grade)]  # type: ignore[arg-type]
    recession = how.pop("recession", value(0.02, 0.001))
    measured.append(Measurement("corner_recession", recession))  # type: ignore[arg-type]
    chip = how.pop("chip", ("sharp", 0.01))
    chips = Quantity(chip[1], "mm", {"noise": 0.0005}, "upper_limit")  # type: ignore[index]
    measured.append(Measurement("chip_depth_max", chips, chip[0]))  # type: ignore[index]
    plain = PhotoReport(
        f"photo{n}.jpg", f"{n:064x}", (800, 600), "corner", flute, grade, (f"is {grade}",), (), tuple(measured), {}, (),
        (), ScaleUsed("typed", 250.0, 0.0),
    )  # type: ignore[arg-type] # fmt: skip
    return replace(plain, **how)  # type: ignore[arg-type]


def concluded(*photos: PhotoReport) -> Inspection:
    return conclude(photos, facts=FACTS, limits=LIMITS)


def test_two_photos_that_cannot_tell_decide_together() -> None:
    # 0.036 +- 0.0034 reaches over the worn limit of 0.04 mm; four of them together do not (common practice, no source).
    alone = [report(n, value(0.036, 0.0034)) for n in range(4)]
    inspection = concluded(*alone)
    assert inspection.grade == "sharp"
    assert inspection.together[0].photos == tuple(p.sha256 for p in alone)
    radius = inspection.together[0].measured("corner_radius")
    assert radius is not None
    assert radius.grade == "sharp"
    assert radius.quantity.parts["noise"] == pytest.approx(0.0017)
    assert concluded(alone[0]).grade == "worn"


def test_the_same_photo_twice_is_one_photo() -> None:
    photo = report(1, value(0.036, 0.0034))
    inspection = concluded(photo, replace(photo, path="copy.jpg"))
    assert inspection.together == ()
    assert inspection.grade == "worn"


def test_photos_of_two_flutes_are_not_combined() -> None:
    inspection = concluded(report(1, value(0.03, 0.001)), report(2, value(0.03, 0.001), flute=2))
    assert inspection.together == ()


def test_photos_that_disagree_are_said_to_and_the_worst_counts() -> None:
    inspection = concluded(
        report(1, value(0.02, 0.001), grade="sharp"), report(2, value(0.08, 0.001), grade="worn")
    )
    assert inspection.grade == "worn"
    assert not inspection.together[0].agree
    assert "do not show the same" in inspection.reasons[0]
    assert "photos_disagree" in inspection.together[0].flags


def test_a_photo_that_cannot_be_used_keeps_the_others_from_being_combined() -> None:
    blurred = report(2, value(0.03, 0.001), grade="retake", flags=("out_of_focus",))
    inspection = concluded(report(1, value(0.03, 0.001), grade="sharp"), blurred)
    assert inspection.together == ()
    assert inspection.grade == "retake"


def test_a_corner_broken_in_one_photo_has_no_mean_radius() -> None:
    broken = report(2, None, not_measured={"corner_radius": "broken, not rounded"}, flags=("broken_corner",))
    group = concluded(report(1, value(0.05, 0.001)), broken).together[0]
    assert group.measured("corner_radius") is None
    assert group.measured("corner_recession") is not None
    assert group.grade == "worn"  # judged by a recession of 0.02 mm: 0.0166 is 0.414 times the limit 0.04 mm


def test_of_what_depends_on_the_frame_the_worst_counts() -> None:
    chipped = replace(report(2, value(0.02, 0.001), grade="discard"))
    deep = Measurement("chip_depth_max", value(0.2, 0.001), "discard")
    chipped = replace(chipped, measurements=(*chipped.measurements[:2], deep))
    inspection = concluded(report(1, value(0.02, 0.001), grade="sharp"), chipped)
    assert inspection.grade == "discard"
    chip = inspection.together[0].measured("chip_depth_max")
    assert chip is not None
    assert chip.quantity.value == 0.2


def test_the_document_holds_and_returns_it() -> None:
    inspection = concluded(*(report(n, value(0.036, 0.0034)) for n in range(3)))
    document = json.loads(json.dumps(to_document(inspection), allow_nan=False))
    jsonschema.validate(document, json_schema())
    assert document["together"][0]["measurements"][0]["parts"]["repeatability"] == 0
    assert from_document(document) == inspection
    assert "together" not in to_document(concluded(report(1, value(0.03, 0.001))))


def test_terminal_and_page_show_it(capsys: pytest.CaptureFixture[str]) -> None:
    from wearscope.cli.table import show
    from wearscope.report.html import card, inspection_page

    inspection = concluded(*(report(n, value(0.036, 0.0034)) for n in range(3)))
    show(inspection)
    assert "3 photos together" in capsys.readouterr().out
    page = inspection_page(inspection, title="slot 01", limits=LIMITS.for_cutter(FACTS), shots={})
    assert "3 photos together" in page
    rows = {row.name: row for row in card("slot 01", inspection.grade, inspection).rows}
    assert rows["corner_radius"].grade == "sharp"
