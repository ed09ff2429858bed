"""A good cutter seen from all sides is sharp and complete; without any one view, or any one thing that a view must show, it is not."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

import wearscope.pipeline
from wearscope.facts import Facts
from wearscope.finding import Finding
from wearscope.grading.judge import judge
from wearscope.grading.limits import Limits, load_limits
from wearscope.inspection import Inspection, PhotoReport, conclude, measurement_of
from wearscope.photo.read import decode_photo
from wearscope.pipeline import TypedScale, inspect_photo
from wearscope.synthetic import (
    Camera,
    Look,
    Scene,
    TurnedCutter,
    Wear,
    corner_scene,
    edge_scene,
    encode_jpeg,
    end_scene,
    photograph,
    shank_scene,
    turned_scenes,
)

FACTS = Facts("flat", "carbide", 6.0, 2)
USUAL = load_limits()
ALL_VIEWS = Limits(
    {
        **USUAL.document,
        "required_views": {
            "corner": "each flute",
            "edge": "each flute",
            "profile": "once",
            "shank": "once",
            "end": "once",
        },
    }
)
SHOTS = [("corner", 1), ("corner", 2), ("edge", 1), ("edge", 2), ("profile", 1), ("shank", 1), ("end", 1)]
MUST_SHOW = {
    "corner": ("corner", "chips", "patch", "heat"),
    "edge": ("land", "chips", "heat"),
    "profile": ("burrs", "straightness"),
    "shank": ("burrs", "straightness"),
    "end": ("spread", "flute_count"),
}
"""Heat and patches show on these pictures, which are lit from the front."""
OPTIONAL = ("dullness",)
"""Whether a dull edge sends a bright line to the lens depends on where the light comes from: one that is seen counts, one that is not
seen proves nothing."""


def scene(view: str, flute: int) -> tuple[Scene, float]:
    rng = np.random.default_rng(flute)
    if view == "corner":
        drawn = corner_scene(
            rng, size=(1024, 768), px_per_mm=250.0, corner_px=(600.0, 470.0), wear=Wear(radius_mm=0.01)
        )
        return drawn, 250.0
    if view == "edge":
        return edge_scene(rng, size=(1200, 520), px_per_mm=500.0, land_mm=0.02), 500.0
    if view == "end":
        return end_scene(np.random.default_rng(3), size=(1024, 768), px_per_mm=85.0, flutes=2), 85.0
    if view == "shank":
        return shank_scene(rng, size=(1280, 960), px_per_mm=150.0, diameter_mm=4.0, rotation_deg=6.0), 150.0
    cutter = TurnedCutter(diameter_mm=4.0, shank_mm=4.0, cutting_length_mm=3.0)
    look = Look(background="backlit")
    return turned_scenes(rng, cutter, [20.0], size=(1280, 960), px_per_mm=125.0, look=look)[0], 125.0


@dataclass(frozen=True)
class Seen:
    """One photo's report, and what was judged to make it."""

    report: PhotoReport
    finding: Finding
    judged_with: dict[str, Any]

    def without(self, names: tuple[str, ...]) -> PhotoReport:
        """The report had `names` not been measured."""
        kept = {name: q for name, q in self.finding.quantities.items() if name not in names}
        missing = {**self.finding.not_measured, **dict.fromkeys(names, "taken away")}
        judgement = judge(replace(self.finding, quantities=kept, not_measured=missing), **self.judged_with)
        return replace(
            self.report,
            grade=judgement.grade,
            reasons=judgement.reasons,
            measurements=tuple(measurement_of(name, q, judgement) for name, q in kept.items()),
        )


@pytest.fixture(scope="module")
def looks() -> Iterator[dict[tuple[str, int], Seen]]:
    seen: list[tuple[Finding, dict[str, Any]]] = []

    def watched(finding: Finding, **options: Any) -> Any:
        seen.append((finding, options))
        return judge(finding, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wearscope.pipeline, "judge", watched)
        found = {}
        for view, flute in SHOTS:
            drawn, px_per_mm = scene(view, flute)
            picture, _ = photograph(
                drawn, Camera(blur_px=0.9, full_well_e=8000, read_e=8), np.random.default_rng(5)
            )
            photo = decode_photo(encode_jpeg(picture, 92), f"{view}_{flute}.jpg")
            scale = TypedScale(px_per_mm)
            one = inspect_photo(
                photo, scale_source=scale, facts=FACTS, limits=ALL_VIEWS, view=view, flute=flute
            )
            found[view, flute] = Seen(one.photos[0], *seen[-1])
        yield found


def whole(reports: list[PhotoReport]) -> Inspection:
    return conclude(reports, facts=FACTS, limits=ALL_VIEWS)


def test_the_good_cutter_is_sharp_and_complete(looks: dict[tuple[str, int], Seen]) -> None:
    assert {shot: look.report.grade for shot, look in looks.items()} == dict.fromkeys(SHOTS, "sharp")
    inspection = whole([look.report for look in looks.values()])
    assert (inspection.grade, inspection.complete) == ("sharp", True)


@pytest.mark.parametrize(("view", "flute"), SHOTS)
def test_without_a_view_it_is_not_complete_and_says_which(
    looks: dict[tuple[str, int], Seen], view: str, flute: int
) -> None:
    rest = whole([look.report for shot, look in looks.items() if shot != (view, flute)])
    each = ALL_VIEWS.required_views[view] == "each flute"
    assert not rest.complete
    assert rest.missing_views == ((f"{view} of flute {flute}",) if each else (view,))
    assert rest.missing_views[0] in rest.advice


@pytest.mark.parametrize(("view", "flute"), SHOTS)
def test_without_anything_that_a_view_must_show_it_is_not_sharp(
    looks: dict[tuple[str, int], Seen], view: str, flute: int
) -> None:
    required = (
        *USUAL.required(view, front_lit=view in ("corner", "edge")),
        *USUAL.required_measurements(view),
    )
    assert required == MUST_SHOW[view]
    for what in required:
        names = tuple(name for group in USUAL.damage.get(what, ((what,),)) for name in group)
        less = looks[view, flute].without(names)
        reports = [less if shot == (view, flute) else look.report for shot, look in looks.items()]
        assert less.grade == "retake", what
        assert "not measured (taken away)" in less.reasons[0]
        assert whole(reports).grade == "retake", what


@pytest.mark.parametrize(("view", "flute"), SHOTS)
def test_without_one_measurement_only_another_of_the_same_damage_can_speak_for_it(
    looks: dict[tuple[str, int], Seen], view: str, flute: int
) -> None:
    look = looks[view, flute]
    for measurement in look.report.measurements:
        if measurement.grade is None and measurement.name not in USUAL.required_measurements(view):
            continue
        less = look.without((measurement.name,))
        what, damage = next(
            ((w, g) for w, g in USUAL.damage.items() if any(measurement.name in m for m in g)), ("", ())
        )
        if what in OPTIONAL:
            continue
        spoken = {name for group in damage for name in group} & {m.name for m in less.measurements if m.grade}
        assert (less.grade == "sharp") == bool(spoken), measurement.name
