"""A notch in a straightened edge, fitted to the picture itself.

Columns of the picture run along the undamaged edge, rows across it (growing into the cutter). The notch is one of a few simple forms, seen
through a Gaussian blur; the light of ground and cutter is taken from beside it. Which form it has is left to the evidence: the depth is the
mean over the forms, each by its likelihood, and what they disagree about is part of its uncertainty.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Notch", "fit_notch"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]
_FINE = 4
"""Samples of the outline for each column: walls are steep."""
_CLEAR = 2.5
"""The blur touches the light on either side up to so many standard deviations from the outline."""
_HOPELESS = 20.0
"""A form that is less likely by a factor of e^10 does not come back as the light is known better."""
_SHADE = 0.15
"""In an opening the ground may lie in the cutter's soft shade, darker by up to so much (common practice, no source); what differs more is a
hollow in the cutter."""
_SETTLED = 0.3
"""A step that makes the misfit smaller by so much (in terms of its noise) moves no value by more than half a standard deviation, and steps shrink
about tenfold: the next one would not be seen."""
_STAYS = 0.2
"""An outline that moves by so little (sigma_b) has the same light beside it: that is taken where the blur does not reach."""
_PLAIN = 2.0
"""The step from ground to cutter must be so many times what their light scatters by."""
_BLUR = 0.03
"""No lens blurs like a Gaussian, and its width is known to about three in a hundred (also the corner's fit)."""
_COMMON = 5
"""Parameters behind those of a form: offset of the edge; light of ground in the notch and beside it, then of the cutter."""


@dataclass(frozen=True, slots=True)
class Notch:
    """Depth behind the edge, and its standard uncertainty by part: "noise", "blur", "form" (no form is known to be the true one).

    `mouth_px` (start, end) and `place_px` of the deepest place of the likeliest form, `outline_px` (columns,) its depth. `misfit` is
    the mean square of what it leaves in terms of the light's own scatter, `contour_misfit` that of the followed contour.
    """

    form: str
    depth_px: float
    u_depth_px: dict[str, float]
    mouth_px: tuple[float, float]
    place_px: float
    outline_px: Floats
    misfit: float
    contour_misfit: float


@dataclass(frozen=True, slots=True)
class _Form:
    """One shape: `outline` gives its depth at places (n,) for parameters (start, end, depth, and its own, usually `usual`)."""

    name: str
    outline: Callable[[Floats, Floats], Floats]
    usual: tuple[float, ...]


def _vee(s: Floats, p: Floats) -> Floats:
    start, end, depth, tip = p
    at = [start, start + min(max(tip, 0.05), 0.95) * (end - start), end]
    return np.asarray(np.interp(s, at, [0.0, depth, 0.0]))


def _trough(s: Floats, p: Floats) -> Floats:
    start, end, depth, left, right = p
    x = (s - start) / (end - start)
    slope = np.minimum(x / min(max(left, 0.01), 0.48), (1 - x) / min(max(right, 0.01), 0.48))
    return np.asarray(depth * np.clip(slope, 0.0, 1.0))


def _bowl(s: Floats, p: Floats) -> Floats:
    """Between half an ellipse (power 1/2) and a shallow arc (1)."""
    start, end, depth, power = p
    x = 2 * (s - start) / (end - start) - 1
    return np.asarray(depth * np.maximum(1 - x * x, 0.0) ** min(max(power, 0.4), 1.2))


_FORMS = (
    _Form("trough", _trough, (0.1, 0.1)),
    _Form("vee", _vee, (0.5,)),
    _Form("bowl", _bowl, (0.6,)),
)


@dataclass(frozen=True)
class _View:
    """The picture (rows, columns) where it is `known`, its rows d and columns s, the blur, where about the notch is, and how well the edge is."""

    light: Floats
    known: Bools
    d_px: Floats
    s_px: Floats
    blur_px: float
    mouth_px: tuple[float, float]
    u_edge_px: float

    @cached_property
    def fine_s(self) -> Floats:
        within = (np.arange(_FINE) + 0.5) / _FINE - 0.5
        return np.asarray((self.s_px[:, None] + within).ravel())

    @property
    def width_px(self) -> float:
        return self.mouth_px[1] - self.mouth_px[0]

    def share(self, outline: Floats) -> Floats:
        """How much of each place the cutter fills; the outline is finely sampled."""
        return self._along(_normal_share(self._away(outline)))

    def slopes(self, outline: Floats, changes: Floats) -> Floats:
        """What changes of the outline (k, fine columns) do to `share`, shape (k, rows, columns)."""
        z = self._away(outline)
        density = np.exp(-0.5 * z * z) * np.float32(-1 / (self.blur_px * np.sqrt(2 * np.pi)))
        fine = density * changes.astype(np.float32)[:, None, :]
        return self._along(fine.reshape(-1, fine.shape[2])).reshape(len(changes), len(density), -1)

    def _away(self, outline: Floats) -> Singles:
        """How far each place lies inward of the outline, in sigma_b; single precision, a thousandth of which would do."""
        rows = (self.d_px / self.blur_px).astype(np.float32)[:, None]
        return rows - (outline / self.blur_px).astype(np.float32)

    @cached_property
    def _kernel(self) -> Floats:
        """Blur along the columns; the mean of a column's samples is a part of it."""
        rest = float(np.sqrt(max(self.blur_px**2 - 1 / 12, 0.04)))
        half = int(np.ceil(4 * rest))
        kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / rest) ** 2)[None, :]
        return np.asarray(kernel / kernel.sum())

    def _along(self, fine: Singles) -> Floats:
        mean = (fine.reshape(-1, _FINE) @ np.full(_FINE, 1 / _FINE, np.float32)).reshape(len(fine), -1)
        blurred = cv2.filter2D(mean, -1, self._kernel, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(blurred, np.float64)


def _normal_share(z: Singles) -> Singles:
    """The normal distribution's share below z, to 1 in 1,000, from a table: SciPy's takes seven times as long."""
    steps = (z * _TABLE_STEP + np.float32(0.5 + len(_TABLE) // 2)).astype(np.int32)
    return np.asarray(np.take(_TABLE, steps, mode="clip"))


_TABLE_STEP = 512
_TABLE = (
    np.cumsum(np.exp(-0.5 * (np.arange(-6.0, 6.0, 1 / _TABLE_STEP)) ** 2))
    / (_TABLE_STEP * np.sqrt(2 * np.pi))
).astype(np.float32)


@dataclass(frozen=True)
class _Light:
    """Light of one side, carried to the outline: `level` (rows, columns), variance of a pixel by itself (`alone`) and as if pixels were
    independent (`shared`), and by how much the level may be `off` next to the outline."""

    level: Floats
    alone: float
    shared: float
    off: float


Sides = tuple[_Light, _Light]


@dataclass(frozen=True, slots=True)
class _Fit:
    """`cost` is the weighted sum of squares that is left, `score` minus twice the logarithm of the form's evidence; `edge_px` (fine
    columns,) its outline as seen from row 0."""

    form: _Form
    p: Floats
    u_depth_px: float
    cost: float
    score: float
    edge_px: Floats


def fit_notch(
    light: NDArray[Any],
    d_px: Floats,
    s_px: Floats,
    contour_px: Floats,
    mouth_px: tuple[float, float],
    *,
    blur_px: float,
    u_edge_px: float,
    doubted_sd: float = 0.0,
) -> Notch | None:
    """The notch about between both ends of `mouth_px`, about as deep as the followed `contour_px` (columns,).

    `light` (rows d_px, columns s_px) is linear, NaN where nothing is known; row 0 is the undamaged edge, to `u_edge_px`. None where too little
    is seen beside the notch, or where the light speaks against the notch that fits. One that the light shows by less than `doubted_sd` standard
    deviations is given as deep as that shows the contour, whatever its form.
    """
    known = np.isfinite(light)
    view = _View(
        np.where(known, light, 0.0).astype(np.float64), known, d_px, s_px, blur_px, mouth_px, u_edge_px
    )
    outer = _outer_light(view, float(contour_px.max()))
    if outer is None:
        return None
    contour = np.repeat(contour_px, _FINE)
    if doubted_sd:
        dent = _as_followed(view, outer, contour)
        if dent.depth_px < doubted_sd * dent.u_depth_px["noise"]:
            return dent
    begin = [(form, _begin(form, view, outer, contour_px)) for form in _FORMS]
    sides, about, before = outer, view.share(contour), contour
    for turn, most in enumerate((4, 12, 12)):  # the light is rough at first: a few steps will do
        fits: list[_Fit] = []
        for form, p in begin:
            rival = min((fit.cost for fit in fits), default=np.inf)
            fits.append(_descend(form, view, sides, about, p, most, rival))
        fits.sort(key=lambda fit: fit.score)
        best = fits[0]
        if _gainsaid(view, outer, best, contour):
            return None
        if turn == 2 or (turn and np.abs(best.edge_px - before).max() < _STAYS * view.blur_px):
            break
        begin = [(f.form, f.p) for f in fits if turn == 0 or f.score < best.score + _HOPELESS]
        before, about = best.edge_px, view.share(best.edge_px)
        sides = _near_light(view, about, outer)
    return _weighed(view, sides, fits, best, contour)


def _as_followed(view: _View, outer: Sides, contour: Floats) -> Notch:
    """The followed contour, made deeper or shallower until it explains the light best."""
    top = float(contour.max())
    form = _Form("as followed", lambda _, p: np.asarray(contour * (p[2] / top)), ())
    fit = _descend(form, view, outer, view.share(contour), _start(form, view, top), 2, np.inf)
    about = view.share(fit.edge_px)
    sides = _near_light(view, about, outer)
    fit = _descend(form, view, sides, about, fit.p, 2, np.inf)
    return _weighed(view, sides, [fit], fit, contour)


def _start(form: _Form, view: _View, depth: float, *own: float) -> Floats:
    """Parameters of a notch in its mouth: `own` of the form where they are not the usual ones, and no change of edge and light."""
    return np.array([*view.mouth_px, depth, *(own or form.usual), *np.zeros(_COMMON)])


def _gainsaid(view: _View, outer: Sides, fit: _Fit, contour: Floats) -> bool:
    """Whether what the fit opens beyond the contour does not look like the ground outside, or what it closes does."""
    blurred = 0.02  # what blur leaves of the light on the other side two standard deviations away
    fitted, followed = view.share(fit.edge_px), view.share(contour)

    def ground_in(region: Bools) -> bool:
        ground, cutter = (np.broadcast_to(side.level, region.shape)[region] for side in outer)
        away = np.abs(np.median(view.light[region] - ground))
        return bool(away < np.median(_SHADE * ground + blurred * np.abs(cutter - ground)))

    opened = view.known & (fitted < blurred) & (followed > 0.5)
    closed = view.known & (followed < blurred) & (fitted > 0.5)
    return bool((opened.any() and not ground_in(opened)) or (closed.any() and ground_in(closed)))


def _weighed(view: _View, sides: Sides, fits: list[_Fit], best: _Fit, contour: Floats) -> Notch:
    weights = np.exp(-0.5 * (np.array([fit.score for fit in fits]) - best.score))
    weights /= weights.sum()
    depths = np.array([fit.p[2] for fit in fits])
    depth = float(weights @ depths)
    misfit = _misfit(view, sides, best.edge_px)
    noise = weights @ np.square([fit.u_depth_px for fit in fits])
    outline = best.form.outline(view.fine_s, best.p[:-_COMMON])
    return Notch(
        best.form.name,
        depth,
        {
            "noise": float(np.sqrt(noise * max(1.0, misfit))),
            "blur": _BLUR * view.blur_px,
            "form": float(np.sqrt(weights @ (depths - depth) ** 2)),
        },
        (float(best.p[0]), float(best.p[1])),
        float(view.fine_s[int(np.argmax(outline))]),
        outline.reshape(-1, _FINE).mean(axis=1),
        misfit,
        _misfit(view, sides, contour),
    )


def _misfit(view: _View, sides: Sides, outline: Floats) -> float:
    """Mean square of what an outline leaves within four blurs of it, in terms of the light's own scatter."""
    share = view.share(outline)
    near = view.known & (share > 3e-5) & (share < 1 - 3e-5)
    rest = view.light - _seen(sides, share)
    usual = (1 - share) ** 2 * sides[0].alone + share**2 * sides[1].alone
    return float(np.mean((rest**2 / usual)[near])) if near.any() else 0.0


def _seen(sides: Sides, share: Floats) -> Floats:
    return sides[0].level + share * (sides[1].level - sides[0].level)


def _outer_light(view: _View, depth: float) -> Sides | None:
    """Ground from outside of the edge, cutter from both sides of the notch: true whatever the notch is like."""
    d, s, blur = view.d_px, view.s_px, view.blur_px
    light = np.where(view.known, view.light, np.nan)
    ground = light[d < -_CLEAR * blur]
    inside = (d > _CLEAR * blur) & (d < max(depth, 4 * blur) + 4 * blur)
    beside = [
        light[np.ix_(inside, on)] for on in (s < view.mouth_px[0] - 2 * blur, s > view.mouth_px[1] + 2 * blur)
    ]
    if any(part.size == 0 or np.isfinite(part).mean() < 0.5 for part in (ground, *beside)):
        return None
    column = np.median(np.where(np.isfinite(ground), ground, np.nanmedian(ground)), axis=0)[None, :]
    levels = (
        cv2.GaussianBlur(column, (0, 0), 3 * blur, borderType=cv2.BORDER_REPLICATE),
        np.interp(s, view.mouth_px, [np.nanmedian(part) for part in beside])[None, :],
    )
    scatter = (float(np.nanvar(ground)), float(max(np.nanvar(part) for part in beside)))
    if np.median(np.abs(levels[1] - levels[0])) < _PLAIN * np.sqrt(max(scatter)):
        return None
    outside, cutter = (
        _Light(np.broadcast_to(level, light.shape), max(v, 1e-8), max(v, 1e-8), 0.0)
        for level, v in zip(levels, scatter, strict=True)
    )
    return outside, cutter


def _near_light(view: _View, share: Floats, outer: Sides) -> Sides:
    """Light of both sides carried to the outline from where the blur does not reach."""
    clear = 0.006  # the blur's share at 2.5 standard deviations
    ground, cutter = (
        _carried_light(view, side & view.known, far.level)
        for side, far in ((share < clear, outer[0]), (share > 1 - clear, outer[1]))
    )
    return ground, cutter


def _carried_light(view: _View, on: Bools, far: Floats) -> _Light:
    blur = view.blur_px
    level = _carried(view.light, on, far, 3 * blur)
    rest = np.where(on, view.light - level, 0.0)
    # means over one blur and two scatter as if so many fewer pixels were independent
    squares = [
        float(np.mean(values[on] ** 2)) if on.any() else 0.0
        for values in (rest, *(_carried(rest, on, 0 * far, k * blur) for k in (1, 2)))
    ]
    shared = max(max(1.0, 4 * np.pi * (k * blur) ** 2) * square for k, square in enumerate(squares))
    return _Light(level, max(squares[0], 1e-8), max(shared, 1e-8), float(np.sqrt(squares[1])))


def _carried(light: Floats, on: Bools, far: Floats, sigma: float) -> Floats:
    """Normalised convolution; where little is seen near by, what is farther off stands in."""
    weight = on.astype(np.float32)
    total = cv2.GaussianBlur(weight, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    value = cv2.GaussianBlur(weight * light.astype(np.float32), (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray((value + 0.02 * far) / (total + 0.02), np.float64)


def _begin(form: _Form, view: _View, sides: Sides, contour: Floats) -> Floats:
    """Start values: the contour may have lost the floor, so depths up to half of the mouth are tried too."""
    top, width = float(contour.max()), view.width_px
    at_top = float(np.clip((view.s_px[int(np.argmax(contour))] - view.mouth_px[0]) / width, 0.2, 0.8))
    own = [form.usual] if form.name != "vee" else [form.usual, (at_top,)]
    depths = [d for d in (top, 0.7 * top, 1.4 * top, 0.25 * width, 0.5 * width) if d < view.d_px[-1]]
    tries = [_start(form, view, depth, *more) for depth in depths for more in own]

    def badness(p: Floats) -> float:
        rest = view.light - _seen(sides, view.share(form.outline(view.fine_s, p[:-_COMMON])))
        return float(np.abs(rest[view.known]).sum())

    return min(tries, key=badness)


def _descend(
    form: _Form, view: _View, sides: Sides, about: Floats, p: Floats, most: int, rival: float
) -> _Fit:
    """Least squares (Levenberg and Marquardt) in the whole picture, with priors on what is known beforehand.

    Pixels count by the scatter of the side that `about` fills them with; at `most` so many steps, and none where ten like the last would
    leave the form hopeless beside a `rival` of that cost. SciPy's `least_squares` would decompose 4,000 rows for what normal equations of a
    dozen parameters do here, and knows no rival.
    """
    own = len(p) - _COMMON
    ground, cutter = sides
    contrast = cutter.level - ground.level
    within = ((view.s_px > view.mouth_px[0]) & (view.s_px < view.mouth_px[1])).astype(np.float64)[None, :]
    zones = (within, 1 - within)
    centre = np.array([*view.mouth_px, 0.0, *form.usual, *np.zeros(_COMMON)])
    tiny = 1e-3 * float(np.median(np.abs(contrast))) + 1e-6
    spread = np.array(
        [
            *[2 * view.blur_px + 0.25 * view.width_px] * 2,
            np.inf,
            *[0.3] * (own - 3),  # shares of the mouth, powers: between the usual and the extreme
            view.u_edge_px,
            *[max(ground.off, tiny)] * 2,
            *[max(cutter.off, tiny)] * 2,
        ]
    )
    prior = 1 / spread**2
    weight = view.known / np.sqrt((1 - about) ** 2 * ground.shared + about**2 * cutter.shared)

    def outline(p: Floats) -> Floats:
        return np.asarray(form.outline(view.fine_s, p[:own]) + p[own])

    def left(p: Floats, share: Floats) -> Floats:
        outside = ground.level + p[own + 1] * zones[0] + p[own + 2] * zones[1]
        inside = cutter.level + p[own + 3] * zones[0] + p[own + 4] * zones[1]
        return np.asarray(weight * (view.light - outside - share * (inside - outside)))

    def price(p: Floats, rest: Floats) -> float:
        return float(np.sum(rest**2) + prior @ (p - centre) ** 2)

    share = view.share(outline(p))
    rest = left(p, share)
    cost, damping, gained = price(p, rest), 1e-2, np.inf
    steps = np.diag([0.05] * 3 + [0.01] * (own - 3))
    for _ in range(most):
        changes = [
            (form.outline(view.fine_s, p[:own] + h) - form.outline(view.fine_s, p[:own] - h)) / (2 * h.sum())
            for h in steps
        ]
        slopes = view.slopes(outline(p), np.stack([*changes, np.ones(len(view.fine_s))]))
        lights = [part * zone for part in (1 - share, share) for zone in zones]
        rows = np.concatenate([(weight * contrast) * slopes, weight * lights]).reshape(len(p), -1)
        normal = rows @ rows.T + np.diag(prior)
        gradient = rows @ rest.ravel() - prior * (p - centre)
        behind = cost - 10 * gained > rival + _HOPELESS
        for _ in range(5 if gained > _SETTLED and not behind else 0):
            tried = p + np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), gradient)
            damping *= 5
            if tried[1] - tried[0] < view.blur_px:
                continue
            filled = view.share(outline(tried))
            after = left(tried, filled)
            if (now := price(tried, after)) < cost:
                gained, damping = cost - now, damping / 25
                p, rest, share, cost = tried, after, filled, now
                break
        else:
            break
    size = np.sqrt(np.diag(normal)) + 1e-12
    covariance = np.linalg.pinv(normal / np.outer(size, size), hermitian=True) / np.outer(size, size)
    # Laplace's approximation of the evidence
    score = cost - float(np.linalg.slogdet(covariance)[1]) + float(np.log(spread[3:own] ** 2).sum())
    return _Fit(form, p, float(np.sqrt(covariance[2, 2])), cost, score, outline(p))
