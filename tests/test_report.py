"""The report of one cutter: everything that decides is on the page, in words, for everybody."""

from dataclasses import replace

import pytest
from drawer_fakes import Page

from wearscope.facts import Facts
from wearscope.grading.advice import CAUTIONS
from wearscope.grading.limits import load_limits
from wearscope.grading.observed import observed
from wearscope.grading.shank_fit import shank_fit
from wearscope.inspection import Inspection, LimitSteps, Measurement, PhotoReport, ScaleUsed, conclude
from wearscope.quantity import Quantity
from wearscope.report.html import Shot, card, inspection_page
from wearscope.report.view import facts_text, grade_look

LIMITS = load_limits()
FACTS = Facts.given(kind="flat", material="hss", diameter_mm=6.35, flutes=2)


def seen(flute: int, grade: str, radius: float) -> PhotoReport:
    limit = LIMITS.for_cutter(FACTS)["corner_radius"]
    measurements = (
        Measurement(
            "corner_radius", Quantity(radius, "mm", {"edge noise": 0.002, "scale": 0.0005}), grade,  # type: ignore[arg-type]
            LimitSteps(limit.worn, limit.discard), reason=f"corner radius: it is {radius}",
        ),
        Measurement("edge_blur_width", Quantity(1.4, "px", {"noise": 0.02})),
    )  # fmt: skip
    return PhotoReport(
        f"slot 4/<{flute}>.jpg", f"{flute}" * 64, (1600, 1200), "corner", flute, grade,  # type: ignore[arg-type]
        (f"corner radius: it is {radius}",), ("glare", "scale_unchecked"), measurements,
        {"wear_land_max": "the edge is seen side-on"}, (), ("a remark",), ScaleUsed("cal-1", 240.0, 1.2),
    )  # fmt: skip


@pytest.fixture
def inspection() -> Inspection:
    return conclude([seen(1, "sharp", 0.02), seen(2, "discard", 0.31)], facts=FACTS, limits=LIMITS)


def page_of(inspection: Inspection, **options: object) -> Page:
    shots = {"1" * 64: Shot("one", "s/1 <.jpg", "l/1 <.jpg", "flute 1, annotated")}
    settings = {"title": "slot 4", "limits": LIMITS.for_cutter(FACTS), "shots": shots, **options}
    return Page(inspection_page(inspection, **settings))  # type: ignore[arg-type]


def test_the_page_says_all_that_decides(inspection: Inspection) -> None:
    (words,) = page_of(inspection, failed={"slot 4/3.jpg": "the file is empty"}).words("body")
    expected = [
        "discard",
        inspection.advice,
        *inspection.reasons,
        "0.3100 ± 0.0041 mm",
        "worn 0.06 mm",
        "discard 0.15 mm",
        "Wear land, widest: the edge is seen side-on",
        "diffuser",
        "edge noise 0.002 mm, scale 0.0005 mm",
        LIMITS.for_cutter(FACTS)["corner_radius"].reason,
        "common practice, no source",
        "slot 4/3.jpg: the file is empty",
        "slot 4/<1>.jpg, 1600 × 1200 px, SHA-256 " + "1" * 64,
        "scale 240 ± 1.2 px/mm (cal-1)",
        LIMITS.id,
        inspection.software,
        *CAUTIONS,
    ]
    assert [text for text in expected if text not in words] == []


def test_the_page_says_what_micrometer_and_eye_decided(inspection: Inspection) -> None:
    fit = shank_fit(6.0, [5.985, 5.986, 5.985])
    seen_by_eye = observed(("bent_body",), "flat")
    (words,) = page_of(replace(inspection, shank_fit=fit, observed=seen_by_eye)).words("body")
    expected = [
        "fit its collet: under",
        fit.words,
        "Observed by eye, not measured",
        "bent body: yes",
        "crack: no",
    ]
    assert [text for text in expected if text not in words] == []
    (before,) = page_of(inspection).words("body")
    assert "collet" not in before
    assert "Observed by eye" not in before


def test_the_page_can_be_read_without_eyes_or_colours(inspection: Inspection) -> None:
    """WCAG 2.2: 1.1.1 text alternatives, 1.3.1 headings and table headers, 3.1.1 language of page."""
    page = page_of(inspection)
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1 and len(page.all("main")) == 1
    assert all(image["alt"] for image in page.all("img"))
    assert all(cell.get("scope") in ("row", "col") for cell in page.all("th"))
    assert all(drawing["aria-hidden"] == "true" for drawing in page.all("svg"))
    assert page.words("title") == ["slot 4: discard"]
    headings = {section["aria-labelledby"] for section in page.all("section")}
    assert headings == {heading["id"] for heading in page.all("h2")}


def test_links_are_addresses_and_nothing_comes_from_elsewhere(inspection: Inspection) -> None:
    page = page_of(inspection, back="../index.html")
    assert page.all("img")[0]["src"] == "l/1%20%3C.jpg"
    targets = [a["href"] or "" for a in page.all("a")] + [image["src"] or "" for image in page.all("img")]
    assert not any(":" in target or target.startswith("/") for target in targets)
    assert not page.all("script") and not page.all("link")


def test_inches_all_through(inspection: Inspection) -> None:
    (words,) = page_of(inspection, units="inch").words("body")
    assert "0.25 in, HSS, flat, 2 flutes" in words
    assert "0.01220 ± 0.00016 in" in words
    assert "px/in" in words and "± 0.0041 mm" not in words


def test_the_card_shows_the_worst_of_each_measurement(inspection: Inspection) -> None:
    shown = card("slot 4", inspection.grade, inspection)
    assert [(row.name, row.grade) for row in shown.rows] == [("corner_radius", "discard")]


def test_facts_in_words() -> None:
    assert facts_text(FACTS) == "6.35 mm, HSS, flat, 2 flutes"
    assert facts_text(Facts.given()) == (
        "6 mm, carbide, flat, number of flutes not given (kind, material, diameter assumed)"
    )
    ball = Facts.given(kind="ball", material="carbide", diameter_mm=6.0, flutes=1)
    assert facts_text(ball) == "6 mm, carbide, ball, 1 flute, radius 3 mm when new"


def test_an_unknown_grade_has_a_neutral_look() -> None:
    assert grade_look(None).word == "not judged"
