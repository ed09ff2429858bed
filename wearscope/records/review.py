"""Grades held against what people said about the same cutters, and limits that would have agreed with them."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, cast

from wearscope.facts import Facts
from wearscope.grading.decide import GRADES, Grade
from wearscope.grading.limits import NOMINAL_SHARE, Limits
from wearscope.inspection import Inspection, from_document
from wearscope.records.store import Records

__all__ = ["Opinion", "Proposal", "TooFew", "agreement", "as_limits_file", "opinions", "proposals"]

MISSED = 2
"""A worn cutter taken for sharp weighs as much as so many sharp ones taken for worn (common practice, no source)."""
CHANCE = 0.05
"""A proposal is made only where values in random order would differ so much with less than this probability."""
Step = Literal["worn", "discard"]


@dataclass(frozen=True, slots=True)
class Opinion:
    """What a person said last about one inspection.

    `values` are the judged measurements, above the nominal radius where the limit is, at their worst over the
    photos; "at most" counts as 0, for it shows no wear. `worst` is the one that is furthest along its limits.
    """

    inspection: int
    cutter: str
    measured: Grade
    said: Grade
    reason: str
    group: tuple[str, str, str]
    values: dict[str, float]
    worst: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """A step of a limit that agrees better with what people said: `low` to `high` would all agree as well.

    `below` and `above` count the opinions on both sides, `chance` is the one-sided Mann-Whitney probability.
    """

    group: tuple[str, str, str]
    measurement: str
    step: Step
    now: float
    value: float
    low: float
    high: float
    below: int
    above: int
    chance: float


@dataclass(frozen=True, slots=True)
class TooFew:
    """Why nothing is proposed for a step of a limit."""

    group: tuple[str, str, str]
    measurement: str
    step: Step
    reason: str


def opinions(records: Records, limits: Limits, cutter: str | None = None) -> list[Opinion]:
    """The last opinion about each inspection that somebody graded, of one cutter or of all."""
    names = [cutter] if cutter is not None else [row.id for row in records.cutters()]
    found = []
    for name in names:
        for row in records.inspections(name):
            if said := records.overrules(row.id):
                inspection = from_document(json.loads(row.document))
                values, worst = _values(inspection)
                group = _group(inspection.cutter, limits)
                found.append(
                    Opinion(
                        row.id,
                        name,
                        inspection.grade,
                        cast(Grade, said[-1].grade),
                        said[-1].reason,
                        group,
                        values,
                        worst,
                    )
                )
    return found


def _group(facts: Facts, limits: Limits) -> tuple[str, str, str]:
    return facts.kind, limits.size_class(facts.diameter_mm)[0], facts.material


def _values(inspection: Inspection) -> tuple[dict[str, float], str]:
    values: dict[str, float] = {}
    shares: dict[str, float] = {}
    for photo in inspection.photos:
        for m in photo.measurements:
            if m.limit is None or m.grade is None or m.quantity.kind == "lower_limit":
                continue
            nominal = NOMINAL_SHARE.get(m.name, 0.0)
            above = nominal * inspection.cutter.nominal_radius_mm
            value = 0.0 if m.quantity.kind == "upper_limit" else max(m.quantity.value - above, 0.0)
            values[m.name] = max(value, values.get(m.name, 0.0))
            shares[m.name] = values[m.name] / (m.limit.discard - above)
    return values, max(shares, key=lambda name: shares[name], default="")


def proposals(found: Sequence[Opinion], limits: Limits) -> list[Proposal | TooFew]:
    """For each kind, size, material and measurement somebody spoke of: both steps, or why not."""
    results: list[Proposal | TooFew] = []
    for group in sorted({opinion.group for opinion in found}):
        of_group = [opinion for opinion in found if opinion.group == group]
        for name in sorted({name for opinion in of_group for name in opinion.values}):
            steps = _in_force(group, name, limits)
            if steps is None:
                continue
            results += [_step(of_group, group, name, step, steps[step]) for step in ("worn", "discard")]
    return results


def _in_force(group: tuple[str, str, str], name: str, limits: Limits) -> dict[Step, float] | None:
    """The limit of this group for a nominal radius of 0."""
    kind, size, material = group
    diameter = limits.document["sizes"]["up_to_mm"][size]
    facts = Facts.given(kind=kind, material=material, diameter_mm=diameter, nominal_radius_mm=0.0)
    limit = limits.for_cutter(facts).get(name)
    return None if limit is None else {"worn": limit.worn, "discard": limit.discard}


def _step(
    found: Sequence[Opinion], group: tuple[str, str, str], name: str, step: Step, now: float
) -> Proposal | TooFew:
    """The wear a person calls worn is that of the measurement furthest along; what is sharp is sharp in all."""
    over = ("worn", "discard") if step == "worn" else ("discard",)
    under = ("sharp",) if step == "worn" else ("sharp", "worn")
    below = [o.values[name] for o in found if o.said in under and name in o.values]
    above = [o.values[name] for o in found if o.said in over and o.worst == name]
    if not below or not above:
        short = f"{len(below)} said to be below it, {len(above)} above: some of both are needed"
        return TooFew(group, name, step, short)
    chance = _chance(below, above)
    if chance >= CHANCE:
        unclear = (
            "this could be chance" if len(below) + len(above) < 8 else "the values do not tell them apart"
        )
        return TooFew(
            group,
            name,
            step,
            f"{len(below)} said to be below it, {len(above)} above; {unclear} ({chance:.0%})",
        )
    low, high = _gap(below, above)
    return Proposal(group, name, step, now, (low + high) / 2, low, high, len(below), len(above), chance)


def _chance(below: Sequence[float], above: Sequence[float]) -> float:
    """Mann and Whitney (1947), one-sided: that values in random order lie as much above each other."""
    from scipy.stats import mannwhitneyu

    return float(mannwhitneyu(above, below, alternative="greater").pvalue)


def _gap(below: Sequence[float], above: Sequence[float]) -> tuple[float, float]:
    """The two neighbouring values between which a limit contradicts the opinions least; the lowest such gap."""

    def cost(gap: tuple[float, float]) -> float:
        limit = (gap[0] + gap[1]) / 2
        return MISSED * sum(value < limit for value in above) + sum(value > limit for value in below)

    return min(pairwise(sorted({*below, *above})), key=cost)


def as_limits_file(found: Iterable[Proposal | TooFew], limits: Limits) -> str:
    """A limits file to be laid over those in force; "" where nothing is proposed that makes sense.

    A worn step that would reach the discard step in force (or the other way round) is left out.
    """
    import tomlkit

    document = tomlkit.document()
    document.add("schema", "wearscope/limits/1")
    document.add("name", "own-verdicts")
    tables: dict[str, dict[str, dict[str, dict[str, object]]]] = {}
    made = [p for p in found if isinstance(p, Proposal)]
    for group, name in dict.fromkeys((p.group, p.measurement) for p in made):
        steps = _in_force(group, name, limits)
        assert steps is not None
        mine = {p.step: p for p in made if (p.group, p.measurement) == (group, name)}
        new: dict[Step, float] = dict(steps)
        new.update((step, float(f"{p.value:.3g}")) for step, p in mine.items())
        if not 0 <= new["worn"] < new["discard"]:
            continue
        status = f"from {max(p.below + p.above for p in mine.values())} verdicts of our own"
        kind, size, material = group
        of_material = tables.setdefault(kind, {}).setdefault(size, {}).setdefault(material, {})
        of_material[name] = {
            "worn": new["worn"],
            "discard": new["discard"],
            "status": status,
            "reason": "agrees with what people here said",
        }
    if not tables:
        return ""
    document.add("limits", tomlkit.item(tables))
    return tomlkit.dumps(document)


def agreement(found: Iterable[Opinion]) -> dict[str, int]:
    """How many opinions agree with the measured grade, are milder, and are stricter; retakes count nowhere."""
    counts = {"agree": 0, "milder": 0, "stricter": 0}
    for opinion in found:
        if "retake" in (opinion.measured, opinion.said):
            continue
        distance = GRADES.index(opinion.said) - GRADES.index(opinion.measured)
        counts["agree" if distance == 0 else "milder" if distance < 0 else "stricter"] += 1
    return counts
