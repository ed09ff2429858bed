"""One photo's finding held against the limits: grade, reasons, and the flags that the limits raise."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from wearscope.facts import Facts
from wearscope.finding import Finding
from wearscope.flags import FLAGS, blocking
from wearscope.grading.decide import GRADES, Grade, Verdict, decide, decide_damage, verdict_words, worst
from wearscope.grading.limits import Limit, Limits

__all__ = ["Judgement", "judge"]

IN_FOCUS_SIGMA_PX = 2.0
"""A microscope in focus blurs an edge by less than this (common practice, no source): more is a matter of
focus, less is a matter of magnification."""
PIXEL_SIGMA_PX = 12**-0.5
"""Standard deviation of a pixel's own box: no photo has less blur."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """`verdicts` by measurement name; `flags` are those of the finding and those that the limits raise."""

    grade: Grade
    reasons: tuple[str, ...]
    verdicts: Mapping[str, Verdict]
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Statement:
    grade: Grade
    reason: str


def judge(finding: Finding, *, view: str, facts: Facts, limits: Limits, px_per_mm: float) -> Judgement:
    """Grade one photo: the worst of its damages; `retake` where a required one was not measured.

    A flag that blocks makes it `retake` too; a proven discard outranks both. Heat is required only where
    light falls on the face seen, which the finding tells by a flag `tint:...`.
    """
    by_name = limits.for_cutter(facts)
    verdicts = {name: decide(q, by_name[name]) for name, q in finding.quantities.items() if name in by_name}
    front_lit = any(flag.startswith("tint:") for flag in finding.flags)
    required = limits.required(view, front_lit=front_lit)
    raised = _cannot_resolve(required, limits, by_name, verdicts, finding, px_per_mm)
    flags = tuple(dict.fromkeys((*finding.flags, *raised)))
    statements = [
        *_of_flags(flags),
        *_of_damages(limits, verdicts),
        *_of_missing(required, limits, by_name, verdicts, finding),
    ]
    statements.sort(key=lambda s: GRADES.index(s.grade), reverse=True)
    reasons = tuple(dict.fromkeys(s.reason for s in statements))
    return Judgement(worst(s.grade for s in statements), reasons, verdicts, flags)


def _of_flags(flags: tuple[str, ...]) -> Iterator[_Statement]:
    for name in blocking(flags):
        yield _Statement("retake", FLAGS[name].text.rstrip("."))


def _of_damages(limits: Limits, verdicts: Mapping[str, Verdict]) -> Iterator[_Statement]:
    for groups in limits.damage.values():
        grade = decide_damage(groups, verdicts)
        if grade is not None:
            members = [verdicts[name] for group in groups for name in group if name in verdicts]
            speaks = next(v for v in members if v.grade == grade)
            yield _Statement(grade, verdict_words(speaks))


def _of_missing(
    required: tuple[str, ...],
    limits: Limits,
    by_name: Mapping[str, Limit],
    verdicts: Mapping[str, Verdict],
    finding: Finding,
) -> Iterator[_Statement]:
    for damage in required:
        names = [name for group in limits.damage[damage] for name in group if name in by_name]
        if not any(name in verdicts for name in names):
            whys = (finding.not_measured[name] for name in names if name in finding.not_measured)
            why = next(
                whys, "nothing in this photo shows it" if names else "no limit for this kind of cutter"
            )
            yield _Statement("retake", f"{damage}: not measured ({why.rstrip('.')})")


def _cannot_resolve(
    required: tuple[str, ...],
    limits: Limits,
    by_name: Mapping[str, Limit],
    verdicts: Mapping[str, Verdict],
    finding: Finding,
    px_per_mm: float,
) -> Iterator[str]:
    """The flag that says why a required damage cannot be decided, where blur or magnification is the reason."""
    blur = finding.quantities.get("edge_blur_width")
    sigma_px = blur.value if blur is not None else PIXEL_SIGMA_PX
    for damage in required:
        if decide_damage(limits.damage[damage], verdicts) in ("sharp", "worn", "discard"):
            continue
        needs = [
            by_name[name].blur_mm
            for name in limits.damage[damage][0]
            if name in by_name and by_name[name].blur_mm is not None
        ]
        if any(need is not None and sigma_px / px_per_mm > need for need in needs):
            yield "scale_too_small" if sigma_px <= IN_FOCUS_SIGMA_PX else "out_of_focus"
