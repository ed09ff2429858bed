"""One photo's finding held against the limits: grade, reasons, and the flags that the limits raise."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from wearscope.facts import Facts
from wearscope.finding import Finding
from wearscope.flags import FLAGS, blocking
from wearscope.grading.decide import GRADES, Grade, Verdict, decide, deciding, verdict_words, worst
from wearscope.grading.limits import NOMINAL_RADIUS, Limit, Limits
from wearscope.measures import label

__all__ = ["Judgement", "judge"]

IN_FOCUS_SIGMA_PX = 2.0
"""A microscope in focus blurs an edge by less than this (common practice, no source): more is a matter of
focus, less is a matter of magnification."""
PIXEL_SIGMA_PX = 12**-0.5
"""Standard deviation of a pixel's own box: no photo has less blur."""


STILL_BELIEVED = frozenset({"corner_faint", "edge_too_short", "scale_too_small"})
"""Blocking flags that widen an interval, or say that a whole corner may be another's, instead of making the numbers doubtful: a discard
proven in spite of them stands. Under the others (wrong thing in the frame, no light, movement, no focus) nothing is proven."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """`verdicts`, by measurement name, are those that count; `flags` those of the finding and of the limits."""

    grade: Grade
    reasons: tuple[str, ...]
    verdicts: Mapping[str, Verdict]
    flags: tuple[str, ...]


_SPOKEN = {
    "heat": "heat colours",
    "land": "wear land",
    "burrs": "burrs on the shank",
    "straightness": "straightness of the shank",
    "spread": "distances of the corners from the axis",
}
"""Damages whose name in a limits file does not speak for itself."""


@dataclass(frozen=True, slots=True)
class _Damage:
    """One damage of one photo: the measurements that can show it, and the verdicts that count."""

    name: str
    limits: tuple[Limit, ...]
    verdicts: tuple[Verdict, ...]
    without_limits: str

    @property
    def grade(self) -> Grade:
        return worst(verdict.grade for verdict in self.verdicts)

    def reason(self, finding: Finding) -> str:
        if self.verdicts:
            return verdict_words(next(v for v in self.verdicts if v.grade == self.grade))
        names = [limit.measurement for limit in self.limits]
        whys = (finding.not_measured[name] for name in names if name in finding.not_measured)
        why = next(whys, "nothing in this photo shows it" if names else self.without_limits)
        return f"{_SPOKEN.get(self.name, self.name)}: not measured ({why.rstrip('.')})"


def judge(
    finding: Finding,
    *,
    view: str,
    facts: Facts,
    limits: Limits,
    px_per_mm: float,
    corner_angle_deg: float = 90.0,
) -> Judgement:
    """Grade one photo: the worst of its damages; `retake` where a required one was not measured.

    A flag that blocks makes it `retake` too; a proven discard outranks a retake, unless the numbers themselves are
    in doubt. Heat is required only where light falls on the face seen, which the finding tells by `tint:...`.
    """
    by_name = limits.for_cutter(facts, corner_angle_deg=corner_angle_deg)
    front_lit = any(flag.startswith("tint:") for flag in finding.flags)
    required = limits.required(view, front_lit=front_lit)
    unknown = "its radius when new is not known: give --nominal-radius"
    why = unknown if NOMINAL_RADIUS in facts.assumed else "no limit for this kind of cutter"
    damages = [_damage(name, limits, by_name, finding, why) for name in limits.damage]
    shown = [damage for damage in damages if damage.verdicts or damage.name in required]
    undecided = [d for d in shown if d.grade == "retake" and d.name in required]
    flags = tuple(dict.fromkeys((*finding.flags, *_unresolved(undecided, finding, px_per_mm))))
    statements: list[tuple[Grade, str]] = [(d.grade, d.reason(finding)) for d in shown]
    statements += [("retake", FLAGS[name].text.rstrip(".")) for name in blocking(flags)]
    unmeasured = [name for name in limits.required_measurements(view) if name not in finding.quantities]
    statements += [("retake", _unmeasured(name, finding)) for name in unmeasured]
    statements.sort(key=lambda statement: GRADES.index(statement[0]), reverse=True)
    grade = worst(grade for grade, _ in statements)
    if set(blocking(finding.flags)) - STILL_BELIEVED:
        grade = "retake"
        statements.sort(key=lambda statement: statement[0] != "retake")
    verdicts = {v.limit.measurement: v for d in damages for v in d.verdicts}
    return Judgement(grade, tuple(dict.fromkeys(reason for _, reason in statements)), verdicts, flags)


def _unmeasured(name: str, finding: Finding) -> str:
    why = finding.not_measured.get(name, "nothing in this photo shows it")
    return f"{label(name).lower()}: not measured ({why.rstrip('.')})"


def _damage(
    name: str, limits: Limits, by_name: Mapping[str, Limit], finding: Finding, without_limits: str
) -> _Damage:
    groups = limits.damage[name]
    members = [member for group in groups for member in group if member in by_name]
    verdicts = {m: decide(finding.quantities[m], by_name[m]) for m in members if m in finding.quantities}
    return _Damage(
        name, tuple(by_name[member] for member in members), deciding(groups, verdicts), without_limits
    )


def _unresolved(undecided: list[_Damage], finding: Finding, px_per_mm: float) -> Iterator[str]:
    """The flag that says why a required damage cannot be decided, where magnification or focus is the reason."""
    blur = finding.quantities.get("edge_blur_width")
    sigma_px = blur.value if blur is not None else PIXEL_SIGMA_PX
    needs = [limit.blur_mm for damage in undecided for limit in damage.limits if limit.blur_mm is not None]
    if any(sigma_px / px_per_mm > need for need in needs):
        yield "scale_too_small" if sigma_px <= IN_FOCUS_SIGMA_PX else "out_of_focus"
