"""What a person sees: asked on stderr, answered on stdin, so that stdout stays free for the result."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from wearscope.errors import InputError

if TYPE_CHECKING:
    from wearscope.facts import CutterKind, Facts
    from wearscope.grading.observed import Observation

__all__ = ["ask_corners", "ask_damages", "told_damages"]

Answer = TypeVar("Answer")


def ask_corners(drawing: Path, facts: "Facts") -> "list[Observation]":
    """The state of each flute's corner through a loupe, beside the drawing at `drawing`; of the worst where their number is not known."""
    from wearscope.grading.observed import CORNERS, observed_corner

    print(f"Hold each corner under a loupe and compare it with {drawing}:", file=sys.stderr)
    for corner in CORNERS:
        print(f"  {corner.name}: {corner.text}", file=sys.stderr)

    def ask(question: str, flute: int | None = None) -> "Observation":
        return _ask(question, {corner.name: observed_corner(corner.name, flute) for corner in CORNERS})

    if facts.flutes is None:
        return [ask("The worst corner is")]
    return [ask(f"The corner of {facts.tooth} {n} is", n) for n in range(1, facts.flutes + 1)]


def ask_damages(kind: "CutterKind") -> "tuple[Observation, ...]":
    """Every damage a cutter of this kind can have, one question each."""
    from wearscope.grading.observed import damages_for, observed

    seen = [damage.name for damage in damages_for(kind) if _ask(damage.question, {"yes": True, "no": False})]
    return observed(tuple(seen), kind)


def told_damages(text: str, kind: "CutterKind") -> "tuple[Observation, ...]":
    """The same from words such as "crack,spun_shank" or "nothing"."""
    from wearscope.grading.observed import observed

    names = [part.strip() for part in text.split(",")]
    return observed((), kind) if names == ["nothing"] else observed(tuple(names), kind)


def _ask(question: str, answers: dict[str, Answer]) -> Answer:
    """Ask until one of the answers, or its beginning, is typed. Raises InputError where stdin ends."""
    choices = "/".join(answers)
    while True:
        print(f"{question} [{choices}]: ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise InputError(f"no answer to {question!r}; expected {choices}")
        typed = line.strip().lower()
        fitting = [name for name in answers if typed and name.startswith(typed)]
        if len(fitting) == 1:
            return answers[fitting[0]]
