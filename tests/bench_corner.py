"""Time and error (of 60 corners) of the corner fit beside the usual recipe: find_contours at half level, RANSAC circle on the arc."""

import numpy as np
import pytest
from drawn_corners import boxed, gaussian, outline_share, random_place, rough_pose

from wearscope.features.corner import fit_corner


def recipe(picture, apex, radius):
    """scikit-image: the half-level contour, then RANSAC over the points near the corner."""
    from skimage.measure import CircleModel, find_contours, ransac

    points = max(find_contours(picture, 0.2 + 75 / 255), key=len)[:, ::-1]
    near = points[np.hypot(*(points - apex).T) < 1.0 * radius]
    model, _ = ransac(near, CircleModel, 3, 0.2, max_trials=200, rng=1)
    return model.radius if model is not None else np.nan


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("radius", [5, 10, 20])
@pytest.mark.parametrize("method", ["model fit", "contour and circle"])
def test_time_and_error(benchmark, method, radius):
    rng = np.random.default_rng(radius)
    cases = []
    for _ in range(60):
        apex, angle, opening = random_place(rng)
        clean = boxed(gaussian(outline_share(160, apex, angle, opening, radius), 1.5))
        picture = (0.2 + 150 / 255 * clean + rng.normal(0, 2 / 255, clean.shape)).astype(np.float32)
        cases.append((picture, apex, rough_pose(rng, apex, angle, opening, 108.0, 1.5)))
    if method == "model fit":
        radii = [fit_corner(p, pose).radius for p, _, pose in cases]
        benchmark(fit_corner, cases[0][0], cases[0][2])
    else:
        radii = [recipe(p, apex, radius) for p, apex, _ in cases]
        benchmark(recipe, cases[0][0], cases[0][1], radius)
    benchmark.extra_info["rms_error_px"] = float(np.sqrt(np.nanmean((np.array(radii) - radius) ** 2)))
