"""One cosine for each cutting edge, fitted to a turned series.

Across the view, the cutter reaches h(psi, s) from the axis: psi is the angle it has been turned by (half a turn more for the
lower edge line), s the place along it. h is the support function of the cross-section: the largest distance of any
of its points in that direction. An edge that runs at radius R and angle phi + k s (k: helix) makes it R cos(psi + k s - phi)
as long as no other point stands out farther; everywhere else h is larger. So each edge is fitted with a cosine to
the directions around its own, where the picture shows nothing else; that also takes away the error of finite steps, and nowhere
is the largest of many noisy values taken.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.grid import STRAIGHT, Series, usual_step
from wearscope.outline.silhouette import NotASilhouette

__all__ = [
    "ANGLE_SPREAD",
    "LEAST_RELIEF",
    "OFFSET_SPREAD",
    "RADIUS_SPREAD",
    "USUAL_RELIEF",
    "Beginning",
    "EdgeFit",
    "EdgesNotFound",
    "Unknowns",
    "directions",
    "fit_from",
    "looked_at",
    "model_of",
    "predicted_variance",
    "rake_side",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]

ANGLE_SPREAD = np.radians(0.25)
"""How well known angles are kept: half a degree either way on a printed degree wheel (rectangular). Common practice, no source."""
LEAST_RELIEF = np.radians(6)
"""No edge of a router cutter is ground with less relief: so far beyond the rake side, too, nothing but the edge stands out. Common practice,
no source (7 to 20 degrees)."""
USUAL_RELIEF = np.radians(13)
"""So far, a usual relief lets nothing but the edge stand out. Common practice, no source (7 to 20 degrees)."""
_FARTHEST = 4 * ANGLE_SPREAD
"""Photos whose angle would have to be farther off than this show something else than the edges."""
_FLUTE_SPACING = np.radians(0.3)
"""How evenly flutes are ground, where the photos cannot tell. Common practice, no source."""
RADIUS_SPREAD = 0.005
"""How much single flutes differ in radius, as a share of it, where the photos cannot tell. Common practice, no source."""
OFFSET_SPREAD = 0.03
"""How far the cutting axis lies off the shank's, as a share of the radius. Common practice, no source."""
_DEPTH_SPREAD = 0.05
"""Radius over distance of the lens: a 3 mm radius 60 mm away."""


class EdgesNotFound(NotASilhouette):
    """The series turns, but its edges cannot be told apart."""


@dataclass(frozen=True, slots=True)
class EdgeFit:
    """The fitted edges.

    `radius_px` (N,): distance of the edges from the cutting axis at the middle of the cutting length; `angle` (N,): their angles,
    carried back to the tip; `helix`: change of angle per px along (sign: sense); `taper`: growth of the radius per px toward the
    shank; `offset_px` (2,): cutting axis seen from the shank axis, in the directions 0 and 90 degrees of `turn`;
    `covariance` (N + 3, N + 3): of radii, taper and offset; `wide`: of all unknowns, in the order of
    `_normal_equations`, from independent samples; `turn` (frames,): angles as fitted; `used` (m, n): samples that lie on an
    edge; `which`, `delta`, `residual_px` (m, n): nearest edge, angle to it, distance from the fit; `zone_px`: the
    cutting length used; `noise_px`: scatter of a sample; `seen` (N,): the smallest angle at which each edge was
    seen; `depth`: radius over lens distance, per px; `hand`: +1 or -1, the rake side; `along_px`: the places; `rivals_px`:
    from where to where, seen from the largest distance found, those of other edges lie that explain the outline nearly as well.
    """

    radius_px: Floats
    angle: Floats
    helix: float
    taper: float
    offset_px: Floats
    covariance: Floats
    wide: Floats
    turn: Floats
    used: NDArray[np.bool_]
    which: Ints
    delta: Floats
    residual_px: Floats
    zone_px: tuple[float, float]
    noise_px: float
    seen: Floats
    depth: float
    hand: int
    along_px: Floats
    rivals_px: tuple[float, float] = (0.0, 0.0)

    def about_shank(self, places: Floats) -> Floats:
        """Distance of every edge from the shank's axis at `places` along it, shape (N, len(places)), px."""
        return np.asarray(np.abs(self._points(places)))

    def _points(self, places: Floats) -> NDArray[np.complex128]:
        """The edges at `places`, seen along the axis of the shank, as complex numbers (N, len(places)), px."""
        angle = self.angle[:, None] - self.helix * places[None, :]
        radius = self.radius_px[:, None] + self.taper * (places - np.mean(self.along_px))[None, :]
        return np.asarray(radius * np.exp(1j * angle) + complex(*self.offset_px), np.complex128)

    def largest_px(self, end_px: float | None = None) -> tuple[float, float]:
        """The largest distance of an edge from the shank's axis up to `end_px` (the cutting length), and its standard uncertainty
        (fit only), px."""
        places = np.linspace(0.0, self.zone_px[1] if end_px is None else end_px, 60)
        points = self._points(places)
        edge, place = np.unravel_index(int(np.argmax(np.abs(points))), points.shape)
        farthest = points[edge, place]
        reach = abs(farthest)
        gradient = np.zeros(len(self.radius_px) + 3)
        gradient[edge] = 1.0
        gradient[-3:] = places[place] - np.mean(self.along_px), farthest.real / reach, farthest.imag / reach
        return float(reach), float(np.sqrt(gradient @ self.covariance @ gradient))


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where the fit begins: angles of the edges, helix, rake side (+1, -1), angles of the frames.

    `behind`: how far on the other side of an edge, the relief's, the outline is taken for it at first, radians.
    """

    angle: Floats
    helix: float
    hand: int
    turn: Floats
    known: EdgeFit | None = None  # an earlier fit to refine
    behind: float = LEAST_RELIEF


@dataclass(slots=True)
class Unknowns:
    """Unknowns of the fit; see `EdgeFit` for their meaning."""

    radius: Floats
    angle: Floats
    helix: float
    turn: Floats
    shift: Floats
    tilt: Floats
    depth: float = 0.0
    taper: float = 0.0
    offset: Floats = field(default_factory=lambda: np.zeros(2))


def fit_from(series: Series, flutes: int, columns: Ints, start: Beginning, *, taper: bool) -> EdgeFit:
    """Gauss-Newton with the angle of every frame and its axis as nuisances of known spread; samples off the edges drop out."""
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    frames = int(series.frame.max()) + 1
    top = float(np.nanquantile(reach, 0.995))
    hand = start.hand
    state = Unknowns(
        np.full(flutes, top),
        start.angle.copy(),
        start.helix,
        start.turn.copy(),
        np.zeros(frames),
        np.zeros(frames),
    )
    straight = abs(start.helix) * float(np.ptp(along)) < STRAIGHT
    width = looked_at(flutes, straight=straight)
    tolerances = np.array([0.04, 0.03, 0.02, 0.014, 0.01, 0.005, 0.003, 0.002]) * top
    if start.known is not None:
        state.radius, state.offset = start.known.radius_px.copy(), start.known.offset_px.copy()
        state.depth = start.known.depth
        tolerances = tolerances[-2 if straight else -5 :]
    noise, rough = 0.1, 2 if start.known is None else 0  # steps before the angles are good to a degree or two
    for step in range(16):
        which, delta, model = model_of(series, state, along, series.lever_px[:, columns])
        residual = reach - model
        limit = tolerances[step] if step < len(tolerances) else min(4 * noise, tolerances[-1])
        used = (np.abs(delta) < width) & (np.abs(residual) < limit) & ~np.isnan(reach)
        if step < len(tolerances):
            used &= hand * delta > -(np.radians(2) if step < rough else start.behind)
        else:
            if straight:
                # Below a straight edge there can be nothing: such a row shows that the edge lies lower.
                row = np.nanmedian(residual, axis=1, keepdims=True)
                used |= (
                    (np.abs(delta) < width)
                    & (row < 0)
                    & (row > -tolerances[0])
                    & (np.abs(residual - row) < limit)
                )
            used &= ~_beside(residual > limit, 2 * series.blur_px / float(np.median(np.diff(along))))
        if used.sum() < 4 * flutes:
            raise EdgesNotFound(
                f"no {flutes} cutting edges found in the series: check --flutes and the angles between the photos"
            )
        y = residual[used]
        noise = max(1.4826 * float(np.median(np.abs(y))), 0.02)
        normal, right = _normal_equations(
            series, state, columns, used, which, delta, y / noise**2, 1 / noise**2, taper
        )
        move = np.asarray(np.linalg.solve(normal, right), np.float64)
        _advance(state, move, flutes, frames)
        if series.angles_known:
            told = series.turn[:frames]
            state.turn = np.clip(state.turn, told - _FARTHEST, told + _FARTHEST)
    inverse = np.asarray(np.linalg.inv(normal), np.float64)
    known = [*range(flutes), 2 * flutes + 2, 2 * flutes + 3, 2 * flutes + 4]
    seen = np.array([np.abs(delta[used & (which == k)]).min(initial=np.pi) for k in range(flutes)])
    return EdgeFit(
        state.radius,
        state.angle,
        state.helix,
        state.taper,
        state.offset,
        inverse[np.ix_(known, known)] * _inflation(residual, used) ** 2,
        inverse,
        state.turn,
        used,
        which,
        delta,
        residual,
        (float(along[0]), float(along[-1])),
        noise,
        seen,
        state.depth,
        hand,
        along,
    )


def looked_at(flutes: int, *, straight: bool) -> float:
    """How far from an edge the outline may be taken for it, radians: never nearer to the next one.

    A straight edge is seen from few directions. All of them count, up to where half a degree moves the outline by a hundredth of the radius.
    """
    if straight:
        return float(min(np.radians(75), np.pi / flutes))
    return float(min(np.radians(40), 0.9 * np.pi / flutes))


def model_of(series: Series, s: Unknowns, along: Floats, lever: Floats) -> tuple[Ints, Floats, Floats]:
    """Nearest edge, angle to it and reach for every sample; taper counts from the middle of the cutting length."""
    view = s.turn[series.frame] + (series.side < 0) * np.pi
    delta_all = _wrap((view[:, None] + s.helix * along[None, :])[:, :, None] - s.angle[None, None, :])
    which = np.abs(delta_all).argmin(axis=2)
    delta = np.take_along_axis(delta_all, which[:, :, None], axis=2)[:, :, 0]
    radius = s.radius[which] + s.taper * (along - along.mean())[None, :]
    side = series.side[:, None]
    sine = np.sin(delta)
    # Blur moves a bent outline toward the centre of its bend by sigma^2 / 2 times the curvature (motion by mean curvature); a
    # helical edge is a sine in the picture. Against drawn outlines: -0.0150 px where this says -0.0150.
    bend = (s.helix * series.blur_px) ** 2 / 2 / (1 + (s.helix * radius * sine) ** 2)
    cos_view, sin_view = np.cos(view)[:, None], np.sin(view)[:, None]
    nearer = side * (
        radius * sine + s.offset[0] * sin_view - s.offset[1] * cos_view
    )  # to the lens than the axis
    model = radius * np.cos(delta) * (1 - bend) + s.offset[0] * cos_view + s.offset[1] * sin_view
    model *= 1 + s.depth * nearer
    model += side * (s.shift[series.frame][:, None] + s.tilt[series.frame][:, None] * lever)
    return which, delta, model


def _gradient(
    series: Series,
    s: Unknowns,
    sample: tuple[Ints, Ints],
    delta: Floats,
    along: Floats,
    middle: float,
    lever: Floats,
) -> tuple[Ints, Floats]:
    """For every sample (row of the series, edge) the ten unknowns it depends on, (n, 10), and the reach's derivatives after them."""
    flutes, frames = len(s.radius), len(s.turn)
    row, edge = sample
    frame, side = series.frame[row], series.side[row]
    view = s.turn[frame] + (side < 0) * np.pi
    radius, cosine, sine = s.radius[edge], np.cos(delta), np.sin(delta)
    slope, same, base = -radius * sine, np.zeros_like(edge), 2 * flutes + 5
    terms = (
        (edge, cosine),
        (flutes + edge, -slope),
        (same + 2 * flutes, slope * along),
        (same + 2 * flutes + 1, side * radius**2 * sine * cosine),
        (same + 2 * flutes + 2, (along - middle) * cosine),
        (same + 2 * flutes + 3, np.cos(view)),
        (same + 2 * flutes + 4, np.sin(view)),
        (base + frame, slope - s.offset[0] * np.sin(view) + s.offset[1] * np.cos(view)),
        (base + frames + frame, side),
        (base + 2 * frames + frame, side * lever),
    )
    return np.stack([index for index, _ in terms], axis=-1), np.stack([d for _, d in terms], axis=-1)


def _normal_equations(
    series: Series,
    s: Unknowns,
    columns: Ints,
    used: NDArray[np.bool_],
    which: Ints,
    delta: Floats,
    weighted: Floats,
    weight: float,
    taper: bool,
) -> tuple[Floats, Floats]:
    """Normal matrix and right side: samples, then everything known beforehand."""
    flutes = len(s.radius)
    i, j = np.nonzero(used)
    along = series.along_px[columns]
    index, slope = _gradient(
        series, s, (i, which[i, j]), delta[i, j], along[j], along.mean(), series.lever_px[i, columns[j]]
    )
    size = 2 * flutes + 5 + 3 * len(s.turn)
    pairs = (index[:, :, None] * size + index[:, None, :]).ravel()
    squares = np.bincount(pairs, (slope[:, :, None] * slope[:, None, :]).ravel(), size**2)
    normal: Floats = np.asarray(squares.reshape(size, size) * weight, np.float64)
    right: Floats = np.asarray(
        np.bincount(index.ravel(), (slope * weighted[:, None]).ravel(), size), np.float64
    )
    spread, now = _known_beforehand(series, s, taper)
    normal += np.diag(spread**-2.0)
    right -= now / spread**2
    # The largest reach seen is at most half a step away from the true radius.
    largest = float(np.nanquantile(series.reach_px[:, columns], 0.995))
    missing = largest * (1 / np.cos(min(usual_step(series) / 2, np.radians(30))) - 1) + 0.01 * largest
    normal[:flutes, :flutes] += 1 / (flutes * missing) ** 2
    right[:flutes] -= (s.radius.mean() - largest - missing / 2) / missing**2 / flutes
    centre = np.eye(flutes) - 1.0 / flutes
    for block, values, width in (
        (slice(0, flutes), s.radius, RADIUS_SPREAD * series.shank_px),
        (
            slice(flutes, 2 * flutes),
            _wrap(s.angle - s.angle[0] - np.arange(flutes) * 2 * np.pi / flutes),
            _FLUTE_SPACING,
        ),
    ):
        normal[block, block] += centre / width**2
        right[block] -= centre @ values / width**2
    return normal, right


def _known_beforehand(series: Series, s: Unknowns, taper: bool) -> tuple[Floats, Floats]:
    """Spread of every unknown (infinite where nothing is known) and its value so far, both in the order of the unknowns."""
    flutes, frames = len(s.radius), len(s.turn)
    turn = ANGLE_SPREAD if series.angles_known else usual_step(series) / 2
    spread = np.concatenate(
        [
            np.full(flutes, np.inf),
            np.full(flutes, 1.0),  # angles and helix: only a limit to the step taken
            [1.0 / series.shank_px],
            [_DEPTH_SPREAD / series.shank_px, 0.01 if taper else 1e-9],
            np.full(2, OFFSET_SPREAD * series.shank_px),
            np.full(frames, turn),
            series.axis_sd[:, 0],
            series.axis_sd[:, 1],
        ]
    )
    now = np.concatenate(
        [
            np.zeros(2 * flutes + 1),
            [s.depth, s.taper],
            s.offset,
            s.turn - series.turn[:frames],
            s.shift,
            s.tilt,
        ]
    )
    return spread, now


def _advance(s: Unknowns, move: Floats, flutes: int, frames: int) -> None:
    base = 2 * flutes + 5
    s.radius = s.radius + move[:flutes]
    s.angle = s.angle + np.clip(move[flutes : 2 * flutes], -0.1, 0.1)
    s.helix += float(move[2 * flutes])
    s.depth += float(move[2 * flutes + 1])
    s.taper += float(move[2 * flutes + 2])
    s.offset = s.offset + move[2 * flutes + 3 : base]
    s.turn = s.turn + np.clip(move[base : base + frames], -0.1, 0.1)
    s.shift = s.shift + move[base + frames : base + 2 * frames]
    s.tilt = s.tilt + move[base + 2 * frames :]


def _inflation(residual: Floats, used: NDArray[np.bool_]) -> float:
    """How much neighbouring samples' common error widens the fit (first-order autocorrelation)."""
    both = used[:, 1:] & used[:, :-1]
    if both.sum() < 10:
        return 1.0
    a, b = residual[:, 1:][both], residual[:, :-1][both]
    rho = float(np.clip(np.mean(a * b) / (np.mean(a * a) + 1e-12), 0, 0.95))
    return float(np.sqrt((1 + rho) / (1 - rho)))


def _beside(standing_out: NDArray[np.bool_], reach: float) -> NDArray[np.bool_]:
    """Samples within `reach` columns of one where something else stands out: blur fills the notch between it and the edge."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(
        maximum_filter1d(standing_out, 2 * int(np.ceil(reach)) + 1, axis=1, mode="constant"), np.bool_
    )


def rake_side(fit: EdgeFit) -> int:
    """The side on which the outline follows the edges farther than any relief lets it (+1, -1)."""
    size = np.abs(fit.delta)
    beyond = fit.used & (size > LEAST_RELIEF)
    if abs(fit.helix) * float(np.ptp(fit.along_px)) < STRAIGHT:  # few directions: the farthest decide
        return int(np.sign(fit.delta[beyond].sum())) or fit.hand
    return int(np.sign(np.sign(fit.delta[beyond & (size < np.radians(30))]).sum())) or fit.hand


def directions(series: Series, turn: Floats, helix: float, along: Floats) -> Floats:
    return (turn[series.frame] + (series.side < 0) * np.pi)[:, None] + helix * along[None, :]


def _wrap(angle: Floats) -> Floats:
    out: Floats = np.mod(angle + np.pi, 2 * np.pi) - np.pi
    return out


def predicted_variance(series: Series, fit: EdgeFit, s: Unknowns, which: Ints, delta: Floats) -> Floats:
    """Variance of the reach that the fit predicts for every sample."""
    shape = delta.shape
    row, column = (x.ravel() for x in np.indices(shape))
    index, slope = _gradient(
        series,
        s,
        (row, which.ravel()),
        delta.ravel(),
        series.along_px[column],
        float(fit.along_px.mean()),
        series.lever_px.ravel(),
    )
    out = np.einsum("nk,nkl,nl->n", slope, fit.wide[index[:, :, None], index[:, None, :]], slope)
    return np.asarray(np.maximum(out, 0.0).reshape(shape))
