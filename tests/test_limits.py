"""Limits: the table that ships, the look-up by kind, size and material, a user's own file."""

import math
from pathlib import Path

import pytest

from wearscope.errors import LimitsError
from wearscope.facts import Facts
from wearscope.grading.limits import load_limits

# The starting values, worn / discard in mm. Common practice, no source.
TABLE = {
    ("flat", 3.0): {"corner_radius": (0.02, 0.05), "chip_depth_max": (0.02, 0.05), "wear_land_max": (0.05, 0.10), "diameter_lost": (0.02, 0.05)},
    ("flat", 6.0): {"corner_radius": (0.04, 0.10), "chip_depth_max": (0.04, 0.10), "wear_land_max": (0.08, 0.20), "diameter_lost": (0.04, 0.10)},
    ("flat", 12.0): {"corner_radius": (0.06, 0.15), "chip_depth_max": (0.06, 0.15), "wear_land_max": (0.10, 0.30), "diameter_lost": (0.06, 0.15)},
    ("ball", 6.0): {"nose_deviation": (0.02, 0.06), "chip_depth_max": (0.03, 0.08), "wear_land_max": (0.06, 0.15), "diameter_lost": (0.04, 0.10)},
    ("engraver", 6.0): {"tip_width": (0.03, 0.10), "chip_depth_max": (0.02, 0.06), "wear_land_max": (0.05, 0.12)},
    ("surfacing", 25.0): {"corner_radius": (0.10, 0.25), "chip_depth_max": (0.10, 0.25), "wear_land_max": (0.15, 0.30)},
}  # fmt: skip


@pytest.mark.parametrize(("kind", "diameter"), TABLE)
def test_the_table_that_ships(kind: str, diameter: float) -> None:
    limits = load_limits().for_cutter(Facts(kind, diameter_mm=diameter))  # type: ignore[arg-type]
    for name, steps in TABLE[kind, diameter].items():
        assert (limits[name].worn, limits[name].discard) == steps, name


@pytest.mark.parametrize(
    ("diameter", "size", "inside"),
    [
        (0.8, "1-3", False),
        (1.0, "1-3", True),
        (3.0, "1-3", True),
        (3.175, "3-6", True),
        (6.0, "3-6", True),
        (6.35, "6-12", True),
        (12.0, "6-12", True),
        (12.7, "6-12", False),
    ],
)
def test_a_size_on_a_boundary_belongs_to_the_stricter_class(diameter: float, size: str, inside: bool) -> None:
    assert load_limits().size_class(diameter) == (size, inside)


def test_a_size_outside_the_table_matters_only_where_limits_depend_on_size() -> None:
    limits = load_limits()
    assert not limits.covers(Facts("flat", diameter_mm=25.0))
    assert not limits.covers(Facts("corner-radius", diameter_mm=25.0))
    assert limits.covers(Facts("surfacing", diameter_mm=25.0))
    assert limits.covers(Facts("flat", diameter_mm=12.0))


def test_heat_depends_on_the_material() -> None:
    hss, carbide = (
        load_limits().for_cutter(Facts(material=m))["heat_tint_share"] for m in ("hss", "carbide")
    )
    assert (hss.worn, hss.discard) == (0.0, 0.05)
    assert (carbide.worn, carbide.discard) == (0.05, 0.25)


def test_a_corner_is_judged_above_its_radius_when_new() -> None:
    limits = load_limits().for_cutter(Facts("corner-radius", nominal_radius_mm=0.5))
    assert limits["corner_radius"].worn == pytest.approx(0.54)
    assert limits["corner_radius"].discard == pytest.approx(0.60)


def test_an_engravers_tip_is_judged_above_its_width_when_new() -> None:
    limits = load_limits().for_cutter(Facts("engraver", nominal_radius_mm=0.1))
    assert limits["tip_width"].worn == pytest.approx(0.2 + 0.03)
    assert not {"corner_radius", "nose_radius"} & set(limits)


@pytest.mark.parametrize("angle", [60.0, 80.0, 90.0, 110.0])
def test_recession_and_losses_follow_from_the_radius(angle: float) -> None:
    # Drawn: a circle of radius R in the corner between the x axis and a line at the angle, touching both. Its centre
    # lies on the bisector at height R; its nearest point and its touching point are measured from the apex.
    limits = load_limits().for_cutter(Facts(diameter_mm=6.0), corner_angle_deg=angle)
    radius, half = 0.04, math.radians(angle / 2)
    centre = complex(radius * math.cos(half) / math.sin(half), radius)
    assert limits["corner_recession"].worn == pytest.approx(abs(centre) - radius)
    assert limits["corner_loss_side_edge"].worn == pytest.approx(centre.real)
    assert limits["corner_loss_end_edge"].discard == pytest.approx(2.5 * centre.real)


def test_at_90_degrees_the_recession_is_0_414_of_the_radius() -> None:
    assert load_limits().for_cutter(Facts(diameter_mm=6.0))["corner_recession"].worn == pytest.approx(
        0.414 * 0.04, rel=1e-3
    )


def test_every_limit_has_a_reason_a_status_and_two_steps() -> None:
    limits = load_limits()
    every = [
        limit
        for kind in ("flat", "ball", "engraver", "surfacing", "other")
        for diameter in (3.0, 6.0, 12.0)
        for limit in limits.for_cutter(Facts(kind, diameter_mm=diameter)).values()
    ]
    assert len(every) > 60
    assert all(limit.reason and limit.status == "common practice, no source" for limit in every)
    assert all(0 <= limit.worn < limit.discard for limit in every)


def test_a_radius_of_20_um_needs_a_blur_of_8_um() -> None:
    assert load_limits().for_cutter(Facts(diameter_mm=3.0))["corner_radius"].blur_mm == pytest.approx(0.008)


OWN = """
schema = "wearscope/limits/1"
name = "boatyard-cnc-room"

[limits.flat."3-6".any.corner_radius]
worn = 0.03
discard = 0.08
blur_mm = 0.012
status = "agreed in the boatyard"
reason = "mahogany veneer tears earlier"
"""


def own_file(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_of_ones_own_is_laid_over_the_table(tmp_path: Path) -> None:
    own, default = load_limits(own_file(tmp_path, OWN)), load_limits()
    six = own.for_cutter(Facts(diameter_mm=6.0))
    assert (six["corner_radius"].worn, six["corner_radius"].discard) == (0.03, 0.08)
    assert six["corner_recession"].discard == pytest.approx(0.08 * (math.sqrt(2) - 1), rel=1e-7)
    assert six["chip_depth_max"] == default.for_cutter(Facts(diameter_mm=6.0))["chip_depth_max"]
    assert own.for_cutter(Facts(diameter_mm=3.0)) == default.for_cutter(Facts(diameter_mm=3.0))


def test_the_id_is_name_and_content(tmp_path: Path) -> None:
    first = load_limits(own_file(tmp_path, OWN)).id
    again = load_limits(own_file(tmp_path, OWN + "\n# a remark changes nothing\n")).id
    other = load_limits(own_file(tmp_path, OWN.replace("0.08", "0.09"))).id
    assert first.startswith("boatyard-cnc-room@")
    assert first == again != other
    assert load_limits().id.startswith("common-practice@")


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        (("limits/1", "limits/9"), "schema", "wearscope/limits/1"),
        (('name = "boatyard-cnc-room"', ""), "name", "a text that is not empty"),
        (("limits.flat", "limits.flatt"), "limits.flatt", "did you mean flat"),
        (('"3-6"', '"4-6"'), "limits.flat.4-6", "1-3, 3-6, 6-12, any"),
        ((".any.corner", ".steel.corner"), "limits.flat.3-6.steel", "hss, carbide, any"),
        (("corner_radius", "corner_radus"), "corner_radus", "did you mean corner_radius"),
        (("worn = 0.03", "worn = -1"), "corner_radius.worn", "at least 0, not -1"),
        (("worn = 0.03", "worn = '0.03'"), "corner_radius.worn", "a number at least 0"),
        (("worn = 0.03", "worn = nan"), "corner_radius.worn", "a number at least 0"),
        (("discard = 0.08", "discard = 0.03"), "corner_radius.discard", "more than 0.03"),
        (("discard = 0.08", ""), "corner_radius.discard", "a number more than 0.03, not None"),
        (("blur_mm = 0.012", "blur_mm = 0"), "corner_radius.blur_mm", "more than 0"),
        (('reason = "mahogany veneer tears earlier"', ""), "corner_radius.reason", "a text"),
        (("blur_mm", "blur"), "corner_radius.blur", "did you mean blur_mm"),
        (("[limits", "[limit"), "limit", "did you mean limits"),
    ],
)
def test_a_wrong_file_is_refused_with_file_key_and_what_was_expected(
    tmp_path: Path, change: tuple[str, str], key: str, expected: str
) -> None:
    path = own_file(tmp_path, OWN.replace(*change))
    with pytest.raises(LimitsError) as error:
        load_limits(path)
    assert str(path) in str(error.value)
    assert f"{key}: expected" in str(error.value)
    assert expected in str(error.value)


@pytest.mark.parametrize(
    "extra",
    [
        "[views.corner]\nrequired = []",
        '[views.corner]\nrequired = ["chip"]',
        '[damage]\nchips = ["x"]',
        "[factors]\nchip = 0.5",
        "[factors]\nchips = 0",
    ],
)
def test_requirements_are_checked_too(tmp_path: Path, extra: str) -> None:
    with pytest.raises(LimitsError, match="expected"):
        load_limits(own_file(tmp_path, f"{OWN}\n{extra}\n"))


def test_files_that_are_no_limits_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LimitsError, match="cannot be read"):
        load_limits(tmp_path / "missing.toml")
    with pytest.raises(LimitsError, match="is not TOML"):
        load_limits(own_file(tmp_path, "worn: 3"))
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LimitsError, match="UTF-8"):
        load_limits(tmp_path / "binary.toml")
