"""What a person looks for because no photo shows it all: observed, not measured.

Any of `DAMAGES` means discard, whatever was measured. `CORNERS` are the states of a corner as a loupe shows them.
"""

from dataclasses import dataclass

from wearscope.errors import InputError
from wearscope.facts import CutterKind
from wearscope.grading.decide import Grade

__all__ = [
    "CORNERS",
    "DAMAGES",
    "Corner",
    "Damage",
    "Observation",
    "damages_for",
    "observed",
    "observed_corner",
]


@dataclass(frozen=True, slots=True)
class Damage:
    """A damage to look for: its name, what it is in words, the question, and the kinds of cutter that can have it (empty: all)."""

    name: str
    noun: str
    question: str
    kinds: tuple[CutterKind, ...] = ()


DAMAGES = (
    Damage("crack", "a crack", "Is there a crack in an edge, in the body or along a braze?"),
    Damage("loose_blade", "a loose or badly brazed blade", "Is a blade loose, or its braze incomplete?"),
    Damage("bent_body", "a bent body", "Is the body or the shank bent?"),
    Damage(
        "insert_seat",
        "a loose insert, a damaged seat or screw",
        "Is an insert loose, or its seat or screw damaged?",
        ("surfacing",),
    ),
    Damage(
        "spun_shank",
        "a rattling or spun shank",
        "Does the shank rattle in the collet, or show rings where it has spun?",
    ),
)


@dataclass(frozen=True, slots=True)
class Corner:
    """A state of the corner: what the loupe shows, and the grade that follows."""

    name: str
    text: str
    grade: Grade


CORNERS = (
    Corner("sharp", "the edges meet in a point, no light glints from it", "sharp"),
    Corner("rounding", "a small round, a fine bright line", "worn"),
    Corner("blunt", "a plain round that is seen at once, a broad bright line", "discard"),
    Corner("chipped", "a piece is missing at the corner or along the edge", "discard"),
)


@dataclass(frozen=True, slots=True)
class Observation:
    """An answer: what was looked for, what was seen, the grade that follows (None: nothing follows)."""

    name: str
    answer: str
    grade: Grade | None = None

    @property
    def reason(self) -> str:
        """Why, in words."""
        what = self.name.replace("_", " ")
        return (
            f"seen by eye, not measured: {what}"
            if not self.of_corner
            else f"by eye, not measured: {what} {self.answer}"
        )

    @property
    def of_corner(self) -> bool:
        """Whether it is about a corner: "corner", or that of one flute ("corner_2")."""
        return self.name.split("_")[0] == "corner"

    @property
    def flute(self) -> int | None:
        """The flute whose corner was looked at; None where it is about the whole cutter."""
        number = self.name.rpartition("_")[2]
        return int(number) if self.of_corner and number.isdecimal() else None


def damages_for(kind: CutterKind) -> tuple[Damage, ...]:
    """What to look for on a cutter of this kind."""
    return tuple(damage for damage in DAMAGES if not damage.kinds or kind in damage.kinds)


def observed(names: tuple[str, ...], kind: CutterKind) -> tuple[Observation, ...]:
    """Answers to all questions about a cutter of this kind: yes for `names`, no for the others.

    Raises InputError for a name that is unknown.
    """
    known = [damage.name for damage in DAMAGES]
    for name in names:
        if name not in known:
            raise InputError(
                f"{name!r} is no damage to look for; expected some of {', '.join(known)}, or nothing"
            )
    asked = [damage.name for damage in damages_for(kind)]
    every = dict.fromkeys((*asked, *names))
    return tuple(
        Observation(name, "yes", "discard") if name in names else Observation(name, "no") for name in every
    )


def observed_corner(name: str, flute: int | None = None) -> Observation:
    """The state of the corner (of one flute, or the worst of all) as seen through a loupe. Raises InputError for an unknown one."""
    for corner in CORNERS:
        if corner.name == name:
            return Observation(f"corner_{flute}" if flute else "corner", name, corner.grade)
    raise InputError(f"corner {name!r} is unknown; expected one of {', '.join(c.name for c in CORNERS)}")
