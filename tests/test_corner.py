"""The corner measurement: at the bound, unbiased, with intervals that hold; limits, chamfers, bad light."""

import math
import os
import re
from functools import lru_cache

import cv2
import numpy as np
import pytest
from drawn_corners import bound, boxed, gaussian, outline_share, random_place, rough_pose

from wearscope.features.corner import fit_corner, measure_corner
from wearscope.geometry.scale import Scale
from wearscope.outline.find import find_outline
from wearscope.photo.read import Photo, srgb_to_linear

BACK, CONTRAST = 0.2, 150 / 255
CELLS = [(r, s, n) for s in (1.0, 2.0) for r in (3, 5, 10, 20, 40) for n in (1, 3) if r >= 2 * s]


def run(radius, blur, noise, places, repeats, seed, *, size=None, drawing=None, develop=None):
    """Errors over the bound, hits, expanded over the bound, limits, bounds, and who converged, of `places * repeats` fits."""
    rng = np.random.default_rng(seed)
    size = size or (160 if radius < 30 else 240)
    rows = []
    for _ in range(places):
        apex, angle, opening = random_place(rng)
        clean = (drawing or (lambda fine: boxed(gaussian(fine, blur))))(
            outline_share(size, apex, angle, opening, radius)
        )
        floor = bound(size, apex, angle, opening, radius, blur, noise / 150) if radius else 1.0
        for _ in range(repeats):
            picture = (BACK + CONTRAST * clean + rng.normal(0, noise / 255, clean.shape)).astype(np.float32)
            clip = (-np.inf, np.inf)
            if develop:
                picture, clip = develop(clean, rng)
            fit = fit_corner(
                picture, rough_pose(rng, apex, angle, opening, size - 52.0, blur), saturated=clip
            )
            low, high = fit.interval()
            rows.append(
                (
                    (fit.radius - radius) / floor,
                    low <= radius <= high,
                    (high - low) / 2 / floor,
                    fit.upper_limit,
                    floor,
                    fit.converged,
                )
            )
    return np.array(rows, float)


def check_clean(rows_by_cell, *, slack):
    pooled = np.concatenate(list(rows_by_cell.values()))
    n = len(pooled)
    rms = np.sqrt(np.mean(pooled[:, 0] ** 2))
    print(
        f"\n{n} clean corners: rms {rms:.3f} bounds, bias {pooled[:, 0].mean():+.3f}, coverage {pooled[:, 1].mean():.4f}, "
        f"median U {np.median(pooled[:, 2]):.2f} bounds"
    )
    for (radius, blur, noise), rows in rows_by_cell.items():
        print(f"  R {radius:2d} blur {blur:g} noise {noise}: {len(rows)}, coverage {rows[:, 1].mean():.3f}")
    assert rms < 1.25 * (1 + slack / np.sqrt(2 * n))
    assert abs(pooled[:, 0].mean()) < rms / 3
    assert 0.93 - slack * 0.22 / np.sqrt(n) < pooled[:, 1].mean() < 0.97 + slack * 0.22 / np.sqrt(n)
    assert np.median(pooled[:, 2]) < 2.6
    assert pooled[:, 5].mean() > 0.99
    for cell, rows in rows_by_cell.items():
        assert rows[:, 1].mean() > 0.90 - slack * 0.3 / np.sqrt(len(rows)), cell


def test_clean_corners_reach_the_bound():
    check_clean({c: run(*c, places=4, repeats=4, seed=i) for i, c in enumerate(CELLS)}, slack=3.0)


@pytest.mark.slow
def test_clean_corners_reach_the_bound_full_count():
    check_clean({c: run(*c, places=24, repeats=5, seed=100 + i) for i, c in enumerate(CELLS)}, slack=2.0)


def limits_hold(places, repeats):
    quarters = {}
    for i, ratio in enumerate((0.0, 0.3, 0.8, 1.2, 1.8)):
        for blur in (1.0, 2.0):
            rows = run(ratio * blur, blur, 2, places, repeats, seed=40 + i)
            quarters.setdefault(min(int(ratio * 2), 3), []).append(rows[:, 3] >= ratio * blur)
            if ratio == 0:
                print(f"\nR = 0, blur {blur:g}: median limit {np.median(rows[:, 3]) / blur:.2f} sigma_b")
                assert np.median(rows[:, 3]) < 1.2 * blur
    found = {q: np.concatenate(h) for q, h in quarters.items()}
    print({f"{q / 2:g} to {q / 2 + 0.5:g} sigma_b": f"{h.mean():.4f} of {len(h)}" for q, h in found.items()})
    return found


def test_upper_limits_hold():
    hits = limits_hold(3, 5)
    assert np.concatenate(list(hits.values())).mean() > 0.94 - 3 * 0.24 / np.sqrt(150)
    assert min(h.mean() for h in hits.values()) > 0.94 - 3 * 0.24 / np.sqrt(30)


@pytest.mark.slow
def test_upper_limits_hold_full_count():
    hits = limits_hold(40, 5)
    assert np.concatenate(list(hits.values())).mean() > 0.94
    assert min(h.mean() for h in hits.values()) > 0.94 - 2 * 0.24 / np.sqrt(400)


def camera(clean, rng):
    """Texture of 15 % peak to peak, grain 1.5 px, inside; vignetting; a background clipped by 10 %; gamma; JPEG 85."""
    size = len(clean)
    grain = cv2.GaussianBlur(rng.normal(0, 1, clean.shape), (0, 0), 1.5)
    texture = 1 + np.clip(grain / grain.std() * 0.15 / 4, -0.075, 0.075)
    y, x = np.mgrid[0:size, 0:size]
    fade = 1 - 0.15 * ((x - 20) ** 2 + (y - 20) ** 2) / (2 * size**2)
    light = (1.1 * (1 - clean) + 0.25 * clean * texture) * fade + rng.normal(0, 0.006, clean.shape)
    light = np.clip(light, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    jpeg = cv2.imencode(".jpg", np.round(coded * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    decoded = cv2.imdecode(jpeg, cv2.IMREAD_GRAYSCALE) / 255.0
    return srgb_to_linear(decoded).astype(np.float32), (0.0003, float(srgb_to_linear(np.array(253 / 255))))


CAMERA_CELLS = [(5, 1.2), (10, 1.2), (10, 2.0), (20, 1.5)]
"""R >= 4 sigma_b."""


def check_pictures(rows_by_cell, *, slack):
    """rms <= 0.25 px and coverage >= 93 %, pooled; >= 90 % in each cell. `slack` standard errors are allowed for."""
    pooled = np.concatenate(list(rows_by_cell.values()))
    rms = np.sqrt(np.mean((pooled[:, 0] * pooled[:, 4]) ** 2))
    print(f"\n{len(pooled)}: rms {rms:.3f} px, coverage {pooled[:, 1].mean():.4f}")
    for cell, rows in rows_by_cell.items():
        print(f"  R {cell[0]} blur {cell[1]:g}: coverage {rows[:, 1].mean():.3f} of {len(rows)}")
        assert rows[:, 1].mean() > 0.90 - slack * 0.3 / np.sqrt(len(rows)), cell
    assert rms < 0.25
    assert pooled[:, 5].mean() > 0.98  # a clipped background leaves its level open upwards, and yet they end
    assert pooled[:, 1].mean() > 0.93 - slack * 0.255 / np.sqrt(len(pooled))


def like_a_camera(places, repeats, seed):
    return {
        (r, s): run(r, s, 2, places, repeats, seed=seed + i, develop=camera)
        for i, (r, s) in enumerate(CAMERA_CELLS)
    }


def test_like_a_camera():
    check_pictures(like_a_camera(5, 3, 0), slack=3.0)


@pytest.mark.slow
def test_like_a_camera_full_count():
    check_pictures(like_a_camera(50, 3, 300), slack=2.0)


def disc(fine):
    y, x = np.mgrid[-18:19, -18:19]
    kernel = (np.hypot(x, y) <= 2.4 * 6).astype(np.float32)
    return boxed(
        cv2.filter2D(gaussian(fine, 0.8), -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
    )


def moved(fine):
    kernel = np.full((1, 13), 1 / 13, np.float32)
    return boxed(cv2.filter2D(gaussian(fine, 1.2), -1, kernel, borderType=cv2.BORDER_REPLICATE))


def sharpened(fine):
    clean = boxed(gaussian(fine, 1.2))
    return clean + 0.6 * (clean - cv2.GaussianBlur(clean, (0, 0), 1.5, borderType=cv2.BORDER_REPLICATE))


def other_blur(drawing, places, repeats, seed):
    return {(r, 1.4): run(r, 1.4, 2, places, repeats, seed=seed + r, drawing=drawing) for r in (6, 10, 20)}


@pytest.mark.parametrize("drawing", [disc, moved, sharpened])
def test_blur_that_is_not_gaussian_is_covered(drawing):
    check_pictures(other_blur(drawing, 4, 4, 0), slack=3.0)


@pytest.mark.slow
@pytest.mark.parametrize("drawing", [disc, moved, sharpened])
def test_blur_that_is_not_gaussian_is_covered_full_count(drawing):
    check_pictures(other_blur(drawing, 40, 4, 400), slack=2.0)


@pytest.mark.parametrize("drawing", [disc, sharpened])
def test_intervals_are_wider_where_the_blur_is_not_gaussian(drawing):
    """On the same places with the same noise."""
    clean, other = (run(10, 1.4, 2, 4, 2, seed=3, drawing=d)[:, 2] for d in (None, drawing))
    assert np.median(other) > 1.1 * np.median(clean)


def test_monte_carlo_agrees_with_the_propagated_uncertainty():
    """JCGM 101: the scatter of repeated simulated pictures against the stated standard uncertainty, within 20 %."""
    rng = np.random.default_rng(8)
    apex, angle, opening = random_place(rng)
    clean = boxed(gaussian(outline_share(160, apex, angle, opening, 10), 1.5))
    radii, stated = [], []
    for _ in range(80):
        picture = (BACK + CONTRAST * clean + rng.normal(0, 2 / 255, clean.shape)).astype(np.float32)
        fit = fit_corner(picture, rough_pose(rng, apex, angle, opening, 108.0, 1.5))
        radii.append(fit.radius)
        stated.append(np.sqrt(fit.covariance[4, 4]) / (2 * fit.radius))
    assert np.std(radii) == pytest.approx(np.median(stated), rel=0.2 + 3 / np.sqrt(160) * 0.2)


@lru_cache
def photo_of(radius=0.0, chamfer=0.0, seed=1, sharpening=0.0):
    rng = np.random.default_rng(seed)
    fine = outline_share(360, (120.4, 118.7), np.radians(4), np.radians(91), radius, chamfer)
    light = 0.6 - 0.5 * boxed(gaussian(fine, 1.5)) + rng.normal(0, 0.004, (360, 360))
    light = light + sharpening * (light - cv2.GaussianBlur(light, (0, 0), 1.5))
    coded = np.clip(1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055, 0, 1)
    return Photo("drawn", "0" * 64, np.repeat(np.round(coded * 255).astype(np.uint8)[..., None], 3, axis=2))


def measured(**shape):
    photo = photo_of(**shape)
    outline = find_outline(photo)
    assert outline.corner is not None
    return measure_corner(photo, outline, Scale(250.0, {"fit": 0.002}))


def test_a_rounded_corner_in_mm_with_named_parts():
    found = measured(radius=20.0)
    q = found.quantities
    assert abs(q["corner_radius"].value - 0.08) < q["corner_radius"].expanded
    assert q["corner_recession"].value == pytest.approx(0.08 * (1 / np.sin(np.radians(45.5)) - 1), rel=0.03)
    assert q["corner_loss_end_edge"].value == pytest.approx(0.08 / np.tan(np.radians(45.5)), rel=0.03)
    half = np.radians(45.5)
    assert q["corner_missing_area"].value == pytest.approx(
        0.08**2 * (1 / np.tan(half) - np.pi / 2 + half), rel=0.06
    )
    assert q["edge_blur_width"].value == pytest.approx(1.5, abs=0.06)
    assert {"noise", "blur", "form", "scale"} <= set(q["corner_radius"].parts)
    assert found.marks[0].px == pytest.approx((120.4, 118.7), abs=0.15)
    assert {c.name for c in found.curves} == {"end_edge", "side_edge", "arc"}


@pytest.mark.parametrize("seed", range(1, 7))
def test_a_camera_that_sharpens_is_flagged(seed):
    """Halos on both sides of the edges, and only then; the radius stays inside its interval."""
    plain, halo = measured(radius=20.0, seed=seed), measured(radius=20.0, seed=seed, sharpening=0.6)
    assert "oversharpened" not in plain.flags
    assert "oversharpened" in halo.flags
    radius = halo.quantities["corner_radius"]
    assert -radius.above < radius.value - 0.08 < radius.below


def test_the_blur_of_optics_and_of_the_pixel_add_up_in_squares():
    found = measured(radius=20.0)
    optics, pixel = (float(word) for word in re.findall(r"([0-9.]+) px", found.remarks[0]))
    assert pixel == pytest.approx(12**-0.5, abs=0.005)  # standard deviation of a uniform distribution
    assert math.hypot(optics, pixel) == pytest.approx(found.quantities["edge_blur_width"].value, abs=0.01)


def test_a_sharp_corner_gets_a_limit():
    found = measured()
    assert found.quantities["corner_radius"].kind == "upper_limit"
    assert 0 < found.quantities["corner_radius"].value < 2.5 * 1.5 / 250


@pytest.mark.parametrize("legs", [20.0, 40.0])
def test_a_chamfer_is_broken_not_rounded(legs):
    """Recession, losses and area of a symmetrical chamfer, by hand."""
    found = measured(chamfer=legs)
    assert "broken, not rounded" in found.not_measured["corner_radius"]
    assert "broken_corner" in found.flags
    assert {c.name for c in found.curves} == {"end_edge", "side_edge", "broken corner"}
    half, mm = np.radians(45.5), legs / 250
    want = {"corner_recession": mm * np.cos(half), "corner_loss_end_edge": mm, "corner_loss_side_edge": mm}
    for name, value in want.items():
        q = found.quantities[name]
        assert abs(q.value - value) < q.expanded, name
        assert q.expanded < 0.5 * value
    assert found.quantities["corner_missing_area"].value == pytest.approx(
        mm**2 / 2 * np.sin(2 * half), rel=0.15
    )


def test_light_that_may_change_along_the_edges_and_does_not():
    """Levels that follow the outline are no curvature of a plane: they stay though the picture does not ask for them."""
    rng = np.random.default_rng(8)
    apex, angle, opening = random_place(rng)
    clean = boxed(gaussian(outline_share(160, apex, angle, opening, 10.0), 1.5))
    picture = (BACK + CONTRAST * clean + rng.normal(0, 2 / 255, clean.shape)).astype(np.float32)
    fit = fit_corner(picture, rough_pose(rng, apex, angle, opening, 108.0, 1.5), levels="along")
    low, high = fit.interval()
    assert fit.converged
    assert low <= 10.0 <= high


def test_clipping_is_an_inequality():
    """A background clipped far below its true level moves the corner if it counts as a value."""
    rng = np.random.default_rng(9)
    apex, angle, opening = random_place(rng)
    light = 1.4 - 1.2 * boxed(gaussian(outline_share(160, apex, angle, opening, 10), 1.5))
    picture = np.minimum(light + rng.normal(0, 0.004, light.shape), 1.0).astype(np.float32)
    pose = rough_pose(rng, apex, angle, opening, 108.0, 1.5)
    naive, aware = fit_corner(picture, pose), fit_corner(picture, pose, saturated=(-np.inf, 0.999))
    assert abs(aware.radius - 10) < 0.15
    for k, true in ((0, apex[0]), (1, apex[1])):
        assert abs(aware.wedge.vector()[k] - true) < 3 * np.sqrt(aware.covariance[k, k])
    assert np.hypot(naive.wedge.x - apex[0], naive.wedge.y - apex[1]) > 0.1


def test_no_corner_is_a_reason_not_a_number():
    photo = Photo("flat", "0" * 64, np.full((200, 200, 3), 128, np.uint8))
    found = measure_corner(photo, find_outline(photo), Scale(100.0))
    assert not found.quantities
    assert "no cutting corner" in found.not_measured["corner_radius"]


RENDERS = os.environ.get("WEARSCOPE_RENDERS")


@pytest.mark.skipif(not RENDERS, reason="WEARSCOPE_RENDERS does not name the folder of renders")
def test_intervals_hold_on_renders():
    """Back-lit, dark and paper backgrounds, resolved corners: truth inside the interval, median error under 2 %."""
    import json
    from pathlib import Path

    from wearscope.photo.read import read_photo

    hits, errors = [], []
    for path in sorted(Path(RENDERS).glob("[AB]*.json")):
        truth = json.loads(path.read_text())
        edge = next(e for e in truth["edges"] if e["shows"] == "rake face")
        photo = read_photo(path.with_suffix(".jpg"))
        outline = find_outline(photo)
        if not edge["corner_in_frame"] or outline.corner is None:
            continue
        q = measure_corner(photo, outline, Scale(truth["camera"]["px_per_mm"])).quantities.get(
            "corner_radius"
        )
        if q is not None and q.kind == "value":
            error = q.value - edge["corner_radius_apparent_mm"]
            hits.append(-q.above <= error <= q.below)
            errors.append(abs(error) / edge["corner_radius_apparent_mm"])
    assert len(hits) >= 8
    assert np.mean(hits) > 0.8  # of 14 intervals that cover 95 %, 11 or fewer hold in 3 % of such sets only
    assert np.median(errors) < 0.02
