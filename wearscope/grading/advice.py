"""What to do with a cutter of a given grade, and what to be careful about."""

from collections.abc import Collection, Iterable, Mapping

from wearscope.facts import Facts
from wearscope.flags import FLAGS
from wearscope.grading.decide import Grade
from wearscope.grading.shank_fit import ShankFit

__all__ = ["CAUTIONS", "advice", "with_fit"]

CAUTIONS = (
    "Isolate the spindle before you touch the cutter.",
    "Edges cut, also dull ones: hold the cutter by its shank.",
    "Wear eye protection.",
    '"Sharp" is about wear only; it is no safety clearance.',
)

_CRACKED = "Look with a loupe for cracks, loose blades and a spun shank: any of them means discard."

_CROSS_OVER = (
    "Compression cutter: its edges wear first {:g} mm from the tip, where up-cut meets down-cut, and at the height of the sheet's "
    "surface; look at both places with a loupe or on a photo (--view edge)."
)
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
) -> str:
    """One short paragraph.

    `flags` are those of all photos; `unconfirmed`: worn, and discard is not ruled out; `looked_at`: a person has
    already looked for what no photo shows. `inserts`: of a surfacing cutter, the grade of each insert that was looked at.
    """
    sentences = {"discard": _discard, "retake": _retake, "worn": _worn, "sharp": _sharp}[grade](facts, flags)
    if facts.kind == "surfacing" and inserts and len(inserts) > 1:
        sentences += [f"Insert {n}: {_INSERT[inserts[n]]}." for n in sorted(inserts)]
    if facts.up_cut_length_mm is not None and grade != "discard":
        sentences.append(_CROSS_OVER.format(facts.up_cut_length_mm))
    if grade in ("sharp", "worn") and not looked_at:
        sentences.append(_CRACKED)
    if "tint:heat" in flags and grade in ("worn", "retake"):
        sentences = [FLAGS["tint:heat"].advice, *sentences]
    if "tint:resin" in flags:
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


def _sharp(facts: Facts, flags: Collection[str]) -> list[str]:
    if "tint:heat" in flags:
        return [
            "Use it, but find out first where the heat came from: speed too high, feed too low, chips not cleared."
        ]
    return ["Use it."]


def _worn(facts: Facts, flags: Collection[str]) -> list[str]:
    if facts.kind == "surfacing":
        return ["Turn the insert to a fresh edge."]
    return ["Use it for roughing only, or send it to be sharpened if its flutes are straight."]


def _discard(facts: Facts, flags: Collection[str]) -> list[str]:
    if facts.kind == "surfacing":
        return ["Do not use this edge again: turn the insert, or replace it if no fresh edge is left."]
    scrap = (
        "if it is carbide, it is worth recycling" if "material" in facts.assumed else _SCRAP[facts.material]
    )
    return [f"Do not use it again. Wrap its edges and put it with the scrap metal; {scrap}."]


def _retake(facts: Facts, flags: Iterable[str]) -> list[str]:
    causes = [FLAGS[name].advice for name in flags if FLAGS[name].blocks]
    return ["Take the photo again before you decide."] + (
        causes or ["Come closer, get the edge crisp, and light it evenly."]
    )
