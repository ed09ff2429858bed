"""What to do with a cutter of a given grade, and what to be careful about."""

from collections.abc import Collection, Iterable, Mapping
from typing import Literal

from wearscope.facts import Facts
from wearscope.flags import FLAGS
from wearscope.grading.decide import Grade
from wearscope.grading.observed import damages_for
from wearscope.grading.shank_fit import ShankFit

__all__ = ["CAUTIONS", "Cause", "advice", "with_fit"]

Cause = Literal["edges", "shank", "heights", "seen"]
"""What a grade rests on: the cutting edges, the shank, the heights of the inserts, a damage that a person saw."""

CAUTIONS = (
    "Isolate the spindle before you touch the cutter.",
    "Edges cut, also dull ones: hold the cutter by its shank.",
    "Wear eye protection.",
    '"Sharp" is about wear only; it is no safety clearance.',
)

_CROSS_OVER = (
    "Compression cutter: its edges wear first {:g} mm from the tip, where up-cut meets down-cut, and at the height of the sheet's "
    "surface; look at both places with a loupe or on a photo (--view edge)."
)
_EDGES: tuple[Cause, ...] = ("edges",)
_SHANK = "Its shank is past its best: take a burr off with a fine stone, look at the collet too, and see that the cutter runs true before you use it."
_UNEVEN = "Do not use it until its inserts cut at one height."
_INSERT: Mapping[Grade, str] = {
    "sharp": "sharp, leave it",
    "worn": "worn, turn it to a fresh edge",
    "retake": "not known, take its photo again",
    "discard": "done, turn it, or replace it if no fresh edge is left",
}

_SCRAP = {
    "carbide": "carbide is worth recycling",
    "hss": "high-speed steel goes with the alloyed steel",
}
"""Carbide is bought back by weight, alloyed steel is kept apart from plain (common practice, no source)."""


def advice(
    grade: Grade,
    facts: Facts,
    *,
    flags: Collection[str] = (),
    missing_views: Collection[str] = (),
    unconfirmed: bool = False,
    looked_at: bool = False,
    inserts: Mapping[int, Grade] | None = None,
    causes: Collection[Cause] = _EDGES,
) -> str:
    """One short paragraph.

    `flags` are those of all photos; `unconfirmed`: worn, and discard is not ruled out; `looked_at`: a person has
    already looked for what no photo shows. `inserts`: of a surfacing cutter, the grade of each insert that was looked at;
    `causes`: what the grade rests on.
    """
    sentences = {
        "discard": lambda: _discard(facts, causes),
        "retake": lambda: _retake(flags),
        "worn": lambda: _worn(facts, causes),
        "sharp": lambda: _sharp(flags, complete=not missing_views),
    }[grade]()
    if facts.kind == "surfacing" and inserts and len(inserts) > 1:
        sentences += [f"Insert {n}: {_INSERT[inserts[n]]}." for n in sorted(inserts)]
    if facts.up_cut_length_mm is not None and grade != "discard":
        sentences.append(_CROSS_OVER.format(facts.up_cut_length_mm))
    if "shank_marks" in flags and grade != "discard":
        sentences.append(FLAGS["shank_marks"].advice)
    if grade != "discard" and not looked_at:
        sentences.append(_by_eye(facts))
    if "tint:heat" in flags and grade in ("worn", "retake"):
        sentences = [FLAGS["tint:heat"].advice, *sentences]
    if "tint:resin" in flags and grade != "discard":
        sentences = [FLAGS["tint:resin"].advice, *sentences]
    if unconfirmed:
        sentences = ["Do not use it until confirmed: discard is not ruled out.", *sentences]
    if missing_views and grade in ("sharp", "worn"):
        sentences.append(f"Still to photograph: {', '.join(missing_views)}.")
    return " ".join(dict.fromkeys(sentences))


def with_fit(words: str, fit: ShankFit) -> str:
    """The advice with what the micrometer says of the shank before it, where that is not "in tolerance"."""
    if fit.verdict == "in tolerance":
        return words
    if fit.verdict == "cannot tell":
        return f"First make sure of its shank: {fit.words}. Then: {words}"
    return f"Do not use it until its shank is settled: {fit.words}. Only then: {words}"


def _by_eye(facts: Facts) -> str:
    """What no photo shows, as far as a cutter of this kind can have it."""
    *first, last = (damage.noun for damage in damages_for(facts.kind))
    return f"Look by eye too: {', '.join(first)} or {last} means discard (--by-eye asks for each)."


def _sharp(flags: Collection[str], *, complete: bool) -> list[str]:
    if "tint:heat" in flags:
        cause = "find out first where the heat came from: speed too high, feed too low, chips not cleared."
        return [f"Use it, but {cause}" if complete else cause.capitalize()]
    return [
        "Use it."
        if complete
        else "Sharp as far as it was seen, which is not all of it: do not rely on it yet."
    ]


def _worn(facts: Facts, causes: Collection[Cause]) -> list[str]:
    sentences = []
    if "edges" in causes:
        surfacing = facts.kind == "surfacing"
        sentences.append(
            "Turn the insert to a fresh edge."
            if surfacing
            else "Use it for roughing only, or send it to be sharpened if its flutes are straight."
        )
    return sentences + ([_SHANK] if "shank" in causes else [])


def _discard(facts: Facts, causes: Collection[Cause]) -> list[str]:
    if facts.kind == "surfacing" and not {"seen", "shank"} & set(causes):
        edge = "Do not use this edge again: turn the insert, or replace it if no fresh edge is left."
        return [edge if "edges" in causes else _UNEVEN]
    scrap = (
        "if it is carbide, it is worth recycling" if "material" in facts.assumed else _SCRAP[facts.material]
    )
    return [f"Do not use it again. Wrap its edges and put it with the scrap metal; {scrap}."]


def _retake(flags: Iterable[str]) -> list[str]:
    """What to change; where resin hides the metal, to clean it is said already."""
    flags = tuple(flags)
    causes = [FLAGS[name].advice for name in flags if FLAGS[name].blocks]
    if not causes and "tint:resin" in flags:
        return ["Decide nothing before that."]
    return ["Take the photo again before you decide."] + (
        causes or ["Come closer, get the edge crisp, and light it evenly."]
    )
