"""The decision rule: from a measurement and a limit to a grade, and from many grades to one.

With lo and hi the one-sided 95 % bounds of a measurement (JCGM 106:2012, guarded acceptance and rejection):

    lo > discard                    discard
    hi < worn                       sharp
    lo <= worn and hi >= discard    retake: this measurement cannot tell
    otherwise                       worn; where hi > discard, "do not use until confirmed"

An upper limit proves sharp or nothing. Everything is decided on full precision.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from wearscope.facts import MM_PER_INCH
from wearscope.grading.limits import Limit
from wearscope.measures import label
from wearscope.quantity import COVERAGE_FACTOR, Quantity

__all__ = [
    "GRADES",
    "Grade",
    "Verdict",
    "conformance_probability",
    "decide",
    "deciding",
    "verdict_words",
    "worst",
]

Grade = Literal["sharp", "worn", "retake", "discard"]
GRADES: tuple[Grade, ...] = ("sharp", "worn", "retake", "discard")
"""From best to worst: a proven discard outranks a retake."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one measurement says. `lo`, `hi` are its one-sided 95 % bounds, never below 0.

    `unconfirmed`: worn, and discard is not ruled out. `proven`: not a straddling of the worn limit.
    """

    limit: Limit
    quantity: Quantity
    grade: Grade
    lo: float
    hi: float

    @property
    def unconfirmed(self) -> bool:
        return self.grade == "worn" and self.hi > self.limit.discard

    @property
    def proven(self) -> bool:
        return self.grade in ("sharp", "discard") or (self.grade == "worn" and self.lo > self.limit.worn)


def worst(grades: Iterable[Grade]) -> Grade:
    """The worst of some grades; "retake" where there is none, for nothing proves nothing."""
    return max(grades, key=GRADES.index, default="retake")


def decide(quantity: Quantity, limit: Limit) -> Verdict:
    """Grade one measurement by the rule above.

    A limit with worn = 0 means "any that is proven": it is met as long as lo is 0 and discard is ruled out.
    """
    lo, hi = quantity.bounds(floor=0.0)
    return Verdict(limit, quantity, _grade(quantity.kind, lo, hi, limit), lo, hi)


def _grade(kind: str, lo: float, hi: float, limit: Limit) -> Grade:
    below_worn = hi < limit.worn or (limit.worn == 0 and lo <= 0 and hi < limit.discard)
    if lo > limit.discard:
        return "discard"
    if below_worn:
        return "sharp"
    if kind == "upper_limit" or (lo <= limit.worn and hi >= limit.discard):
        return "retake"
    return "worn"


def deciding(groups: Iterable[Iterable[str]], verdicts: Mapping[str, Verdict]) -> tuple[Verdict, ...]:
    """The verdicts that count for one damage: those of the first group that can tell, or all if none can."""
    judged = [tuple(verdicts[name] for name in group if name in verdicts) for group in groups]
    telling = (group for group in judged if group and worst(v.grade for v in group) != "retake")
    return next(telling, tuple(v for group in judged for v in group))


def conformance_probability(
    quantity: Quantity, *, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies between the limits (JCGM 106:2012, 7.2: normal, flat prior).

    Where the interval is not symmetric, each side counts as half a normal distribution of its own width.
    """

    def below(limit: float) -> float:
        u = quantity.sides[limit > quantity.value] / COVERAGE_FACTOR
        if u == 0 or math.isinf(limit):
            return float(limit > quantity.value)
        return NormalDist().cdf((limit - quantity.value) / u)

    return below(upper) - below(lower)


def verdict_words(verdict: Verdict, *, inches: bool = False) -> str:
    """Why, in one sentence: the bound that decides beside the limit it was held against."""
    limit, words = verdict.limit, label(verdict.limit.measurement)
    name = words[0].lower() + words[1:]
    unit = "share" if limit.measurement.endswith("_share") else verdict.quantity.unit

    steps = [_short(step, (verdict.lo, verdict.hi)) for step in (limit.worn, limit.discard)]

    def show(value: float, towards: Literal["down", "up", "as is"] = "as is") -> str:
        return _figure(value, unit, towards, (limit.worn, limit.discard, *steps), inches=inches)

    low, high = f"at least {show(verdict.lo, 'down')}", f"at most {show(verdict.hi, 'up')}"
    worn, discard = f"the worn limit {show(steps[0])}", f"the discard limit {show(steps[1])}"
    if verdict.grade == "discard":
        return f"{name}: {low}, above {discard}"
    if verdict.grade == "sharp":
        return f"{name}: {high}, below {worn if limit.worn else discard}"
    if verdict.grade == "retake":
        known = high if verdict.lo <= 0 else f"{low}, {high}" if verdict.hi < math.inf else low
        return f"{name}: {known}; this cannot be told from {worn} and {discard}{_chances(verdict)}"
    tail = f"; {discard} is not ruled out: do not use until confirmed" if verdict.unconfirmed else ""
    if verdict.proven:
        return f"{name}: {low}, above {worn}{tail}"
    return f"{name}: {high}, so {worn} is not ruled out{tail}"


def _chances(verdict: Verdict) -> str:
    if verdict.quantity.kind != "value":
        return ""
    sharp = conformance_probability(verdict.quantity, upper=verdict.limit.worn)
    over = conformance_probability(verdict.quantity, lower=verdict.limit.discard)
    return f" ({100 * sharp:.0f} % likely below the one, {100 * over:.0f} % above the other)"


def _short(step: float, bounds: tuple[float, float]) -> float:
    """A limit in three digits, or as many as keep it on the same side of the bounds that were held against it."""
    for digits in range(3, 17):
        shown = float(f"{step:.{digits}g}")
        if all((bound > step) == (bound > shown) and (bound < step) == (bound < shown) for bound in bounds):
            return shown
    return step


def _figure(value: float, unit: str, towards: str, limits: tuple[float, ...], *, inches: bool) -> str:
    """A number for people that never stands on the other side of a limit than the number decided on."""
    factor, sign, places = {"mm": (1.0, " mm", 4), "share": (100.0, " %", 1)}.get(unit, (1.0, f" {unit}", 4))
    if inches and unit == "mm":
        factor, sign, places = 1 / MM_PER_INCH, " in", 5
    if not math.isfinite(value):
        return "any size"
    if towards == "as is":
        return f"{value * factor:.6g}{sign}"
    rounder = math.floor if towards == "down" else math.ceil
    for digits in range(places, places + 8):
        shown = rounder(value * factor * 10**digits) / 10**digits
        if all((value > t) == (shown > t * factor) and (value < t) == (shown < t * factor) for t in limits):
            return f"{shown:.{digits}f}{sign}"
    return f"{value * factor!r}{sign}"
