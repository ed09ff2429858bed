"""When a cutter is worn and when it is done with: limits by kind, size and material, from TOML.

The file that ships with the package, `common_practice.toml`, explains the format. A user's own file is laid
over it and is checked key by key.
"""

import difflib
import hashlib
import json
import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wearscope.errors import LimitsError
from wearscope.facts import KINDS, MATERIALS, Facts
from wearscope.measures import MEASURES

__all__ = ["NOMINAL_SHARE", "SCHEMA", "SETS", "VIEWS", "Limit", "Limits", "load_limits"]

SCHEMA = "wearscope/limits/1"
SETS = ("plastics",)
"""Sets that ship beside the usual limits."""
_SHIPPED = Path(__file__).parent
VIEWS = ("corner", "edge", "profile", "end", "shank")
ANY = "any"
NOMINAL_RADIUS = "nominal radius"
"""Among a cutter's assumed facts: what counts above the nominal radius cannot be judged."""
Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Limit:
    """Two steps for one measurement, in the measurement's unit, the nominal radius included.

    `blur_mm` is the largest sigma_b through which `worn` can be decided, None where blur does not matter.
    """

    measurement: str
    worn: float
    discard: float
    reason: str
    status: str
    blur_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """A checked limits document (see `common_practice.toml`); `id` is its name and the first 12 hex digits of the SHA-256 of the content.

    `damage`: groups of measurement names by the damage they describe, the deciding group first.
    """

    document: Table
    id: str = field(init=False)
    damage: Mapping[str, tuple[tuple[str, ...], ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        content = json.dumps(self.document, sort_keys=True, separators=(",", ":"))
        digest = hashlib.sha256(content.encode()).hexdigest()
        object.__setattr__(self, "id", f"{self.document['name']}@{digest[:12]}")
        groups = {name: tuple(map(tuple, groups)) for name, groups in self.document["damage"].items()}
        object.__setattr__(self, "damage", groups)

    def size_class(self, diameter_mm: float) -> tuple[str, bool]:
        """Name of the size class, and whether the diameter lies inside the table."""
        sizes = self.document["sizes"]
        classes = sorted(sizes["up_to_mm"].items(), key=lambda item: item[1])
        fitting = [name for name, top in classes if diameter_mm <= top]
        inside = bool(fitting) and diameter_mm >= sizes["smallest_mm"]
        return (fitting or [classes[-1][0]])[0], inside

    def covers(self, facts: Facts) -> bool:
        """False where limits for this kind depend on its size and the size lies outside the table."""
        kinds = (facts.kind, self.document["judged_as"].get(facts.kind))
        sizes = {size for kind in kinds for size in self.document["limits"].get(kind, {})}
        return sizes <= {ANY} or self.size_class(facts.diameter_mm)[1]

    def for_cutter(self, facts: Facts, *, corner_angle_deg: float = 90.0) -> dict[str, Limit]:
        """Every limit that holds for this cutter, by measurement name.

        `corner_angle_deg`, between the two edges, turns a radius into the recession and the losses it causes.
        """
        entries: dict[str, Table] = {}
        for table in self._tables(facts):
            entries = {**table, **entries}
        entries = {name: self._times_factor(name, entry) for name, entry in entries.items()}
        if NOMINAL_RADIUS in facts.assumed:
            entries = {name: entry for name, entry in entries.items() if name not in NOMINAL_SHARE}
        usable = (name for name, entry in entries.items() if entry.get("of", name) in entries)
        return {name: _limit(name, entries, facts, corner_angle_deg) for name in usable}

    def _times_factor(self, name: str, entry: Table) -> Table:
        damages = (damage for damage, groups in self.damage.items() for group in groups if name in group)
        factor = self.document["factors"].get(next(damages, ""), 1.0)
        scaled = {key: entry[key] * factor for key in ("worn", "discard", "blur_mm") if key in entry}
        return {**entry, **scaled}

    def _tables(self, facts: Facts) -> Iterator[Table]:
        """The tables that apply, most particular first."""
        size, _ = self.size_class(facts.diameter_mm)
        kinds = [facts.kind, self.document["judged_as"].get(facts.kind), ANY]
        for kind in filter(None, kinds):
            for size_key in (size, ANY):
                for material in (facts.material, ANY):
                    yield self.document["limits"].get(kind, {}).get(size_key, {}).get(material, {})

    def required(self, view: str, *, front_lit: bool) -> tuple[str, ...]:
        """The damages that a photo of this view must show."""
        entry = self.document["views"].get(view, {})
        return (*entry.get("required", ()), *(entry.get("required_front_lit", ()) if front_lit else ()))

    def required_measurements(self, view: str) -> tuple[str, ...]:
        """What a photo of this view must have measured though no limit judges it."""
        return tuple(self.document["views"].get(view, {}).get("measured", ()))

    @property
    def required_views(self) -> Mapping[str, str]:
        """Views without which a result is incomplete: "each flute" or "once"."""
        required: dict[str, str] = dict(self.document["required_views"])
        return required


NOMINAL_SHARE = {"corner_radius": 1.0, "nose_radius": 1.0, "tip_width": 2.0, "form_deviation": 0.0}
"""What of the nominal radius a measurement has when the cutter is new: none of it judges a cutter whose radius is needed and not known."""
_BY: Mapping[str, Callable[[float], float]] = {
    "arc recession": lambda half: 1 / math.sin(half) - 1,
    "tangent length": lambda half: 1 / math.tan(half),
}
"""What an arc of radius 1, tangent to both edges, takes from a corner of half angle `half` (plane geometry)."""


def _limit(name: str, entries: Mapping[str, Table], facts: Facts, corner_angle_deg: float) -> Limit:
    entry = entries[name]
    if "of" in entry:
        base = _limit(entry["of"], entries, facts, corner_angle_deg)
        times = _BY[entry["by"]](math.radians(corner_angle_deg) / 2)
        return Limit(
            name, base.worn * times, base.discard * times, entry["reason"], base.status, base.blur_mm
        )
    nominal = facts.nominal_radius_mm * NOMINAL_SHARE.get(name, 0.0)
    return Limit(
        name,
        nominal + float(entry["worn"]),
        nominal + float(entry["discard"]),
        entry["reason"],
        entry["status"],
        entry.get("blur_mm"),
    )


def load_limits(path: str | Path | None = None) -> Limits:
    """The limits that ship with the package, with the user's file at `path` laid over them.

    `path` may also be the name of a set that ships: "plastics". Raises LimitsError with file, key and what was
    expected.
    """
    default = _read(_SHIPPED / "common_practice.toml")
    if path is None:
        return Limits(default)
    path = _SHIPPED / f"{path}.toml" if str(path) in SETS else Path(path)
    own = _read(path)
    _check_head(path, own)
    return Limits(_checked(path, _laid_over(default, own)))


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise LimitsError(
            f"{path}: cannot be read ({error.strerror}); give the path of a limits file"
        ) from error
    except UnicodeDecodeError as error:
        raise LimitsError(f"{path}: is not a text file in UTF-8; expected a limits file in TOML") from error
    except tomllib.TOMLDecodeError as error:
        raise LimitsError(f"{path}: is not TOML: {error}") from error


def _laid_over(base: Table, own: Table) -> dict[str, Any]:
    """`own` over `base`, table by table; an entry (a table with a reason) is replaced as a whole."""
    merged = dict(base)
    for key, value in own.items():
        below = base.get(key)
        if isinstance(value, Mapping) and isinstance(below, Mapping) and not _is_entry(value):
            value = _laid_over(below, value)
        merged[key] = value
    return merged


def _is_entry(table: Table) -> bool:
    return not any(isinstance(value, Mapping) for value in table.values()) and bool(
        {"worn", "discard", "of"} & set(table)
    )


class _Checker:
    """Collects nothing, stops at the first thing wrong, and says where it is."""

    def __init__(self, path: str | Path) -> None:
        self.path = path

    def fail(self, key: str, expected: str) -> LimitsError:
        return LimitsError(f"{self.path}: {key}: expected {expected}")

    def table(self, key: str, value: object) -> Table:
        if not isinstance(value, Mapping):
            raise self.fail(key, "a table")
        return value

    def name(self, key: str, value: str, known: tuple[str, ...]) -> None:
        if value not in known:
            near = difflib.get_close_matches(value, known, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise self.fail(key, f"one of {', '.join(known)}, not {value!r}{hint}")

    def number(
        self, key: str, value: object, *, above: float | None = None, least: float | None = None
    ) -> float:
        words = (
            f" more than {above:g}"
            if above is not None
            else f" at least {least:g}"
            if least is not None
            else ""
        )
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or value != value
            or abs(value) == float("inf")
        ):
            raise self.fail(key, f"a number{words}, not {value!r}")
        if (above is not None and value <= above) or (least is not None and value < least):
            raise self.fail(key, f"a number{words}, not {value:g}")
        return float(value)

    def text(self, key: str, value: object) -> None:
        if not isinstance(value, str) or not value.strip():
            raise self.fail(key, "a text that is not empty")


def _check_head(path: str | Path, own: Table) -> None:
    check = _Checker(path)
    if own.get("schema") != SCHEMA:
        raise check.fail("schema", f'"{SCHEMA}", not {own.get("schema")!r}')
    check.text("name", own.get("name"))


def _checked(path: str | Path, document: dict[str, Any]) -> dict[str, Any]:
    check = _Checker(path)
    for key in document:
        check.name(key, key, _KEYS)
    _check_sizes(check, check.table("sizes", document["sizes"]))
    for kind, other in check.table("judged_as", document["judged_as"]).items():
        check.name(f"judged_as.{kind}", kind, KINDS)
        check.name(f"judged_as.{kind}", str(other), KINDS)
    _check_damage(check, check.table("damage", document["damage"]))
    for name, factor in check.table("factors", document["factors"]).items():
        check.name(f"factors.{name}", name, tuple(document["damage"]))
        check.number(f"factors.{name}", factor, above=0)
    _check_views(check, document)
    _check_limits(check, document)
    return document


_KEYS = ("schema", "name", "sizes", "judged_as", "damage", "factors", "views", "required_views", "limits")


def _check_sizes(check: _Checker, sizes: Table) -> None:
    for key in sizes:
        check.name(f"sizes.{key}", key, ("smallest_mm", "up_to_mm"))
    check.number("sizes.smallest_mm", sizes["smallest_mm"], least=0)
    for name, top in check.table("sizes.up_to_mm", sizes["up_to_mm"]).items():
        check.number(f"sizes.up_to_mm.{name}", top, above=0)


def _check_damage(check: _Checker, damage: Table) -> None:
    for name, groups in damage.items():
        if not isinstance(groups, list) or not all(isinstance(group, list) and group for group in groups):
            raise check.fail(f"damage.{name}", "a list of lists of measurement names")
        for member in (member for group in groups for member in group):
            check.name(f"damage.{name}", str(member), tuple(MEASURES))


def _check_views(check: _Checker, document: Table) -> None:
    for view, entry in check.table("views", document["views"]).items():
        check.name(f"views.{view}", view, VIEWS)
        for key, names in check.table(f"views.{view}", entry).items():
            check.name(f"views.{view}.{key}", key, ("required", "required_front_lit", "measured"))
            known = tuple(MEASURES if key == "measured" else document["damage"])
            if not isinstance(names, list):
                what = "measurement" if key == "measured" else "damage"
                raise check.fail(f"views.{view}.{key}", f"a list of {what} names")
            for name in names:
                check.name(f"views.{view}.{key}", str(name), known)
        if not entry.get("required"):
            raise check.fail(
                f"views.{view}.required", "at least one damage: a photo that need not show any proves nothing"
            )
    for view, how in check.table("required_views", document["required_views"]).items():
        check.name(f"required_views.{view}", view, VIEWS)
        check.name(f"required_views.{view}", str(how), ("each flute", "once"))


def _check_limits(check: _Checker, document: Table) -> None:
    sizes = (*document["sizes"]["up_to_mm"], ANY)
    for kind, by_size in check.table("limits", document["limits"]).items():
        check.name(f"limits.{kind}", kind, (*KINDS, ANY))
        for size, by_material in check.table(f"limits.{kind}", by_size).items():
            check.name(f"limits.{kind}.{size}", size, sizes)
            for material, entries in check.table(f"limits.{kind}.{size}", by_material).items():
                check.name(f"limits.{kind}.{size}.{material}", material, (*MATERIALS, ANY))
                for name, entry in check.table(f"limits.{kind}.{size}.{material}", entries).items():
                    _check_entry(check, f"limits.{kind}.{size}.{material}", name, entry)


def _check_entry(check: _Checker, where: str, name: str, entry: object) -> None:
    key = f"{where}.{name}"
    check.name(key, name, tuple(MEASURES))
    entry = check.table(key, entry)
    derived = "of" in entry
    for word in entry:
        check.name(f"{key}.{word}", word, ("of", "by", "reason") if derived else _FIELDS)
    check.text(f"{key}.reason", entry.get("reason"))
    if derived:
        if name in _BASES:
            raise check.fail(key, "worn and discard: other limits follow from this one")
        check.name(f"{key}.of", str(entry["of"]), _BASES)
        check.name(f"{key}.by", str(entry.get("by")), tuple(_BY))
        return
    worn = check.number(f"{key}.worn", entry.get("worn"), least=0)
    check.number(f"{key}.discard", entry.get("discard"), above=worn)
    check.text(f"{key}.status", entry.get("status"))
    if "blur_mm" in entry:
        check.number(f"{key}.blur_mm", entry["blur_mm"], above=0)


_BASES = ("corner_radius", "nose_radius", "nose_deviation")
_FIELDS = ("worn", "discard", "blur_mm", "status", "reason")
