"""Cutting edges from a turned series: how far each edge stands from the shank's axis.

Across the view, the cutter reaches h(psi, s) from the axis: psi is the angle it has been turned by (half a turn more for the
lower edge line), s the place along it. h is the support function of the cross-section: the largest distance of any
of its points in that direction. An edge that runs at radius R and angle phi + k s (k: helix) makes it R cos(psi + k s - phi)
as long as no other point stands out farther; everywhere else h is larger. So each edge is fitted with a cosine to
the directions around its own, where the picture shows nothing else; that also takes away the error of finite steps, and nowhere
is the largest of many noisy values taken.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from wearscope.features.diameter.axis import Frame
from wearscope.features.diameter.step import Step, find_step
from wearscope.outline.silhouette import NotASilhouette

__all__ = [
    "END_SHARE",
    "EdgeFit",
    "EdgesNotFound",
    "Series",
    "_off_edges",
    "doubt",
    "fit_edges",
    "make_series",
    "must_match",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]

_ANGLE_SPREAD = np.radians(0.25)
"""How well known angles are kept: half a degree either way on a printed degree wheel (rectangular). Common practice, no source."""
_FARTHEST = 4 * _ANGLE_SPREAD
"""Photos whose angle would have to be farther off than this show something else than the edges."""
_FLUTE_SPACING = np.radians(0.3)
"""How evenly flutes are ground, where the photos cannot tell. Common practice, no source."""
_RADIUS_SPREAD = 0.005
"""How much single flutes differ in radius, as a share of it, where the photos cannot tell. Common practice, no source."""
_OFFSET_SPREAD = 0.03
"""How far the cutting axis lies off the shank's, as a share of the radius. Common practice, no source."""
_DEPTH_SPREAD = 0.05
"""Radius over distance of the lens: a 3 mm radius 60 mm away."""

_RUN_OUT = 0.002
"""The cutting part has ended where the cross-section stands out by this share of the shank's radius on average: above the trace of
perspective and runout, and well before the edges themselves rise."""
END_SHARE = 0.03
"""How well the end of the cutting length is found, as a share of the length outside the holder: the flutes run out slowly."""
_LATE = 0.1
"""The same as the largest delay: an edge that climbs to a shank a hundredth larger has risen by a few tenths of a pixel there."""
_NOISE_PX = 0.05
"""Usual noise of an averaged edge point."""
_AGREES_PX = 0.4
"""An edge point that agrees with a fit lies this near: several times the noise of averaged edge points (0.02 to 0.1 px)."""


_STARTS = 4
"""Beginnings that are tried at least; more only while none of them gave a believable fit."""


_STRAIGHT = 0.05
"""Edges that turn by less than this (radians) are straight: R (1 - cos) of it is a tenth of a pixel at R = 80 px."""


class EdgesNotFound(NotASilhouette):
    """The series turns, but its edges cannot be told apart."""


@dataclass(frozen=True, slots=True)
class Series:
    """All edge lines of a series on one grid.

    `reach_px` (m, n): distance of the edge line from the axis, one row for each frame and side (first all upper, then all
    lower lines), one column for each place `along_px` (n,); every frame brought to the scale of the median shank width.
    `turn` (m,): angle of each row; `side` (m,): +1 upper, -1 lower; `frame` (m,): number of the frame.
    `lever_px` (m, n): distance to the middle of the shank, where the axis is known best.
    """

    reach_px: Floats
    along_px: Floats
    turn: Floats
    side: Floats
    frame: Ints
    lever_px: Floats
    axis_sd: Floats
    shank_px: float
    shank_from_px: float
    blur_px: float
    angles_known: bool
    width_spread: float


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
    seen; `depth`: radius over lens distance, per px; `hand`: +1 or -1, the rake side; `along_px`: the places.
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

    def about_shank(self, places: Floats) -> Floats:
        """Distance of every edge from the shank's axis at `places` along it, shape (N, len(places)), px."""
        angle = self.angle[:, None] - self.helix * places[None, :]
        radius = self.radius_px[:, None] + self.taper * (places - np.mean(self.along_px))[None, :]
        out: Floats = radius + self.offset_px[0] * np.cos(angle) + self.offset_px[1] * np.sin(angle)
        return out

    def largest_px(self, end_px: float | None = None) -> tuple[float, float]:
        """The largest distance of an edge from the shank's axis up to `end_px` (the cutting length), and its standard uncertainty
        (fit only), px."""
        places = np.linspace(0.0, self.zone_px[1] if end_px is None else end_px, 60)
        reach = self.about_shank(places)
        edge, place = np.unravel_index(int(np.argmax(reach)), reach.shape)
        angle = self.angle[edge] - self.helix * places[place]
        gradient = np.zeros(len(self.radius_px) + 3)
        gradient[edge] = 1.0
        gradient[-3:] = places[place] - np.mean(self.along_px), np.cos(angle), np.sin(angle)
        return float(reach[edge, place]), float(np.sqrt(gradient @ self.covariance @ gradient))


def make_series(frames: Sequence[Frame], turns: Floats, *, angles_known: bool) -> Series:
    """Bring all frames to one grid along the axis and one scale."""
    shank = float(np.median([f.shank_px for f in frames]))
    length = min(float(f.along_px.max()) for f in frames)
    step = max(2, round(length / 200))
    along = np.arange(step / 2, length - step / 2, step)
    rows = [
        [
            _binned(f.along_px * g, line * g, along, step)
            for f, g in ((f, shank / f.shank_px) for f in frames)
            for line in ((f.up_px,) if side > 0 else (f.down_px,))
        ]
        for side in (1, -1)
    ]
    n = len(frames)
    return Series(
        np.array(rows[0] + rows[1]),
        along,
        np.concatenate([turns, turns + np.pi]),
        np.repeat([1.0, -1.0], n),
        np.tile(np.arange(n), 2),
        along[None, :] - np.tile([f.shank_middle_px for f in frames], 2)[:, None],
        np.sqrt(np.array([np.diag(f.axis_covariance) for f in frames])),
        shank,
        max(f.shank_from_px for f in frames),
        float(np.median([f.source.blur_px for f in frames])),
        angles_known,
        float(np.std([f.shank_px for f in frames]) / shank),
    )


def _binned(along: Floats, reach: Floats, centres: Floats, step: float) -> Floats:
    good = ~np.isnan(reach)
    index = np.round((along[good] - centres[0]) / step).astype(int)
    inside = (index >= 0) & (index < len(centres))
    count = np.bincount(index[inside], minlength=len(centres))
    total = np.bincount(index[inside], reach[good][inside], minlength=len(centres))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def fit_edges(series: Series, flutes: int) -> EdgeFit:
    """Fit one cosine to each of `flutes` edges.

    Raises NotASilhouette where the series never turns, EdgesNotFound where it shows no edges.
    """
    first = _after_corner(series)
    sure = (first, first + 0.35 * (series.shank_from_px - first))
    _must_turn(series, sure)
    fit = _best_start(series, sure, flutes)
    step = step_along(series, fit)
    if step is not None and step.place_px < sure[1]:  # go on behind it
        first = step.place_px + END_SHARE * series.shank_from_px
        sure = (first, min(first + sure[1] - sure[0], 0.8 * series.shank_from_px))
        fit = _fit(series, flutes, _columns(series, sure, 40), _again(series, fit, sure), taper=False)
    zone = sure
    for _ in range(8):  # the fit grows sharper with the cutting length found, and may shorten it again
        end, _ = _cutting_end(series, fit, sure)
        if abs(end - zone[1]) < 0.02 * series.shank_from_px:
            break
        zone = (first, min(end, 1.4 * zone[1]))
        fit = _fit(series, flutes, _columns(series, zone, 40), _again(series, fit, zone), taper=False)
    end = _cutting_end(series, fit, sure)[1]
    zone = (first, max(sure[1], end - _LATE * series.shank_from_px))
    columns = _columns(series, zone, 150)
    start = _again(series, fit, zone)
    fit = _fit(series, flutes, columns, start, taper=True)
    # One edge that leans shows the same as one that runs out.
    if flutes == 1 or not _tapered(fit):
        fit = _fit(series, flutes, columns, start, taper=False)
    return replace(fit, zone_px=(first, max(sure[1], end - END_SHARE * series.shank_from_px)))


def step_along(series: Series, fit: EdgeFit) -> Step | None:
    """A step along the edges, as distances from the fit; None without one, or where the fit tapers."""
    if abs(fit.taper) * float(np.ptp(fit.along_px)) > _NOISE_PX:
        return None
    off, allowed, delta = _off_edges(series, fit)
    along = series.along_px
    inside = ~np.isnan(off).all(axis=0) & (along >= _after_corner(series)) & (along <= series.shank_from_px)
    radial = off[:, inside] / np.cos(delta[:, inside])
    level = np.nanmedian(radial, axis=0)
    # At a step an edge changes its radius in every direction alike; where flutes run out it does not.
    alike = np.nanmean(np.abs(radial - level) < allowed[:, inside], axis=0, where=~np.isnan(radial)) >= 0.5
    return find_step(along[inside][alike], level[alike], series.shank_from_px)


def doubt(series: Series, fit: EdgeFit) -> str:
    """Why the fit cannot carry a value although it converged, in words; empty where nothing speaks against it."""
    if _contradicted(series, fit, 6 * _ANGLE_SPREAD):
        return "the edges do not lie where the angles given put them"
    if fit.noise_px > 4 * _NOISE_PX:
        return "the edges follow the fit only roughly"
    if not _all_show(series, fit):
        return f"the outline does not repeat like {len(fit.radius_px)} cutting edges"
    columns = np.isin(series.along_px, fit.along_px)
    pieces = np.array_split(series.reach_px[:, columns], 10, axis=1)
    seen = max(float(np.nanmax(np.nanmean(piece, axis=1))) for piece in pieces)
    largest, sd = fit.largest_px(float(fit.along_px[-1]))
    if seen > largest + _NOISE_PX * 4 + 2 * sd:
        return "the outline reaches farther than the edges found"
    return ""


def must_match(series: Series, fit: EdgeFit) -> None:
    """The outline shows no others as large as the edges that were fitted; raises NotASilhouette where it does."""
    flutes = len(fit.radius_px)
    reach = series.reach_px[:, np.isin(series.along_px, fit.along_px)]
    elsewhere = (np.abs(fit.delta) > min(np.radians(60), np.pi / flutes * 0.7)) & ~np.isnan(reach)
    if elsewhere.sum() >= 10 and np.quantile(reach[elsewhere], 0.98) > 0.995 * fit.largest_px()[0]:
        raise NotASilhouette(f"more than {flutes} cutting edges stand out: check --flutes")


def _all_show(series: Series, fit: EdgeFit) -> bool:
    """Whether the outline follows every edge on its rake side, where nothing else stands out (on the other the relief may)."""
    reach = series.reach_px[:, np.isin(series.along_px, fit.along_px)]
    near = (np.abs(fit.delta) < np.radians(10)) & ~np.isnan(reach)
    agrees = np.abs(fit.residual_px) < 2 * _AGREES_PX
    for edge in range(len(fit.radius_px)):
        sides = [near & (fit.which == edge) & (hand * fit.delta > 0) for hand in (1, -1)]
        shares = [float(np.mean(agrees[side])) for side in sides if side.sum() >= 10]
        if shares and max(shares) < 0.5:
            return False
    return True


def _best_start(series: Series, zone: tuple[float, float], flutes: int) -> EdgeFit:
    """The best of the fits from several beginnings: most samples on an edge, none below one (which cannot be)."""
    columns = _columns(series, zone, 24)
    fits: list[tuple[float, int, EdgeFit]] = []
    for guess in _starts(series, columns, _helix_size(series, zone), flutes):
        if len(fits) >= _STARTS and max(fits, key=lambda item: item[0])[0] > 0:
            break
        try:
            fit = _fit(series, flutes, columns, guess, taper=False)
        except EdgesNotFound as fault:
            why = fault
            continue
        fits.append((_believable(series, fit, flutes), -len(fits), fit))
    if not fits:
        raise why
    return max(fits, key=lambda item: item[:2])[2]


def _believable(series: Series, fit: EdgeFit, flutes: int) -> float:
    near = np.abs(fit.delta) < min(np.radians(40), np.pi / flutes * 0.9)
    on = near & (np.abs(fit.residual_px) < 4 * _NOISE_PX)
    agrees = max(
        (on & (fit.delta > 0)).sum(), (on & (fit.delta < 0)).sum()
    )  # the rake side; relief may follow by chance
    below = near & (fit.residual_px < -2 * _AGREES_PX)
    # Nothing stands out farther than the edges themselves; a heel taken for an edge leaves the edge standing out.
    beyond = fit.residual_px - fit.radius_px[fit.which] * (1 - np.cos(fit.delta)) > 2 * _AGREES_PX
    return float(
        agrees
        - 3.0 * below.sum()
        - 3.0 * beyond.sum()
        - 3.0 * _contradicted(series, fit, 3 * _ANGLE_SPREAD) * len(fit.along_px)
    )


def _contradicted(series: Series, fit: EdgeFit, allowed: float) -> int:
    """How many photos the fit turns farther from the angle told than `allowed`, radians; none where angles are not known."""
    if not series.angles_known:
        return 0
    return int(np.sum(np.abs(fit.turn - series.turn[: len(fit.turn)]) > allowed))


def _tapered(fit: EdgeFit) -> bool:
    """Taper that stands out of its uncertainty and matters: a tenth of a pixel over the cutting length."""
    sd = float(np.sqrt(fit.covariance[-3, -3]))
    return abs(fit.taper) > 3 * sd and abs(fit.taper) * float(np.ptp(fit.along_px)) > 0.1


def _columns(series: Series, zone: tuple[float, float], most: int = 1000) -> Ints:
    """Numbers of the places inside `zone`, thinned out to about `most`."""
    inside = np.nonzero((series.along_px >= zone[0]) & (series.along_px <= zone[1]))[0]
    return inside[:: max(1, len(inside) // most)]


def _after_corner(series: Series) -> float:
    """Where the corner's rounding or the ball ends: the envelope has reached its level."""
    near = series.along_px < series.shank_from_px
    top = np.nanmax(series.reach_px[:, near], axis=0)
    level = np.nanquantile(top, 0.75)
    reached = series.along_px[near][top > 0.93 * level]
    # A corner is at most a quarter circle over the piece still missing; blur reaches 3 sigma further.
    return float(reached[0]) + 3 * series.blur_px + 0.02 * level if len(reached) else 0.0


def _must_turn(series: Series, zone: tuple[float, float]) -> None:
    part = series.reach_px[:, _columns(series, zone)]
    upper, lower = np.array_split(part, 2)
    moved = max(float(np.nanmedian(np.nanmax(x, axis=0) - np.nanmin(x, axis=0))) for x in (upper, lower))
    if moved < max(1.0, 0.01 * series.shank_px):
        raise NotASilhouette(
            "the cutter never turns in this series: all silhouettes are alike; turn the cutter between photos, "
            "one full turn in even steps"
        )


def _helix_size(series: Series, zone: tuple[float, float]) -> float:
    """Size of the helix as angle per px along the axis, from single frames.

    On an edge, the reach h and its slope along the axis obey slope^2 = k^2 (R^2 - h^2); relief faces scatter, edges agree, so
    k is the commonest ratio.
    """
    columns = _columns(series, zone)
    part, along = series.reach_px[:, columns], series.along_px[columns]
    top = float(np.nanquantile(part, 0.995))
    width = max(3, part.shape[1] // 8)
    starts = range(0, part.shape[1] - width + 1, max(1, width // 3))
    reach, slope = (
        np.concatenate(x)
        for x in zip(*(_slopes(part[:, i : i + width], along[i : i + width]) for i in starts), strict=True)
    )
    on = (reach > 0.85 * top) & (reach < 0.995 * top)
    if on.sum() < 4:
        return 0.0
    ratio = np.arctan(np.abs(slope[on]) / np.sqrt(1 - (reach[on] / top) ** 2))  # helix angle, radians
    grid = np.radians(np.arange(0.0, 60.0, 0.25))
    near = np.exp(-0.5 * ((grid[:, None] - ratio[None, :]) / np.radians(1.0)) ** 2).sum(axis=1)
    return float(np.tan(grid[int(np.argmax(near))]) / top)


def _slopes(reach: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Mean and slope of every row; NaN rows fall out later."""
    x = along - along.mean()
    return reach.mean(axis=1), reach @ x / (x @ x)


@dataclass(frozen=True, slots=True)
class _Guess:
    """Where the fit begins: angles of the edges, helix, rake side (+1, -1), angles of the frames."""

    angle: Floats
    helix: float
    hand: int
    turn: Floats
    known: EdgeFit | None = None  # an earlier fit to refine


def _again(series: Series, fit: EdgeFit, zone: tuple[float, float]) -> _Guess:
    """The fit as a beginning in `zone`; frames that showed no edge so far are turned to where they fit."""
    guess = _Guess(fit.angle, fit.helix, _rake_side(fit), fit.turn, fit)
    loose = np.nonzero(~_fixed(series, fit))[0]
    if series.angles_known or not fit.helix or not len(loose):
        return guess
    columns = _columns(series, zone, 40)
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    turn = _turned_frames(
        series, guess, reach, along, float(fit.radius_px.mean()), loose, series.turn[: len(fit.turn)]
    )
    return _Guess(fit.angle, fit.helix, guess.hand, turn, fit)


def _rake_side(fit: EdgeFit) -> int:
    side = np.sign(fit.delta) * (np.abs(fit.delta) < np.radians(30))
    return 1 if (fit.used & (side > 0)).sum() >= (fit.used & (side < 0)).sum() else -1


def _starts(
    series: Series, columns: Ints, size: float, flutes: int, most: int = 4 * _STARTS
) -> Iterator[_Guess]:
    """Where a fit may begin, best first: evenly spaced combs of edges, helices of both senses, both rake sides.

    Ranked by how nearly constant reach / cos is. Where the angles of the photos are not known, each frame is turned to where
    it fits best.
    """
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    pitch = 2 * np.pi / flutes
    top = float(np.nanquantile(reach, 0.995))
    comb: Floats = np.arange(flutes, dtype=np.float64) * pitch
    shifts = np.arange(0, pitch, np.radians(1.5))
    turn = series.turn[: len(series.turn) // 2]
    ranked = []
    for helix in (0.0,) if size * np.ptp(along) < _STRAIGHT else (size, -size):
        seen = _directions(series, turn, helix, along)
        for hand in (1, -1):
            cost = np.array([_comb_cost(reach, seen, comb + shift, hand, top) for shift in shifts])
            valley = (cost <= np.roll(cost, 1)) & (cost <= np.roll(cost, -1)) & np.isfinite(cost)
            ranked += [(float(cost[i]), float(shifts[i]), helix, hand) for i in np.nonzero(valley)[0]]
    for _, shift, helix, hand in sorted(ranked)[:most]:
        guess = _Guess(np.asarray(comb + shift, np.float64), helix, hand, turn.copy())
        free = helix != 0.0 and not series.angles_known
        yield _turned(series, guess, reach, along, top) if free else guess


def _turned(series: Series, guess: _Guess, reach: Floats, along: Floats, top: float) -> _Guess:
    """The guess with every frame turned to where it fits the edges best."""
    turn, angle = guess.turn, guess.angle
    for _ in range(2):
        now = _Guess(angle, guess.helix, guess.hand, turn)
        turn = _turned_frames(series, now, reach, along, top, np.arange(len(turn)), turn)
        angle = angle + _best_shift(
            reach, _directions(series, turn, guess.helix, along), angle, guess.hand, top
        )
    return _Guess(angle, guess.helix, guess.hand, turn)


def _turned_frames(
    series: Series, guess: _Guess, reach: Floats, along: Floats, top: float, which: Ints, about: Floats
) -> Floats:
    """The angles of the guess, those of frames `which` moved from `about` by up to half a step to where they fit best."""
    reachable = np.arange(-0.5, 0.501, 0.05) * _step(series)
    turn = guess.turn.copy()
    turn[which] = about[which]
    for k in which:
        mine = series.frame == k
        seen = _directions(series, turn, guess.helix, along)[mine]
        costs = [
            _comb_cost(reach[mine], seen + d, guess.angle, guess.hand, top, whole=False) for d in reachable
        ]
        turn[k] += reachable[int(np.argmin(costs))]
    return turn


def _best_shift(reach: Floats, seen: Floats, angle: Floats, hand: int, top: float) -> float:
    tried = np.radians(np.arange(-6, 6.1, 0.5))
    return float(tried[int(np.argmin([_comb_cost(reach, seen, angle + s, hand, top) for s in tried]))])


def _directions(series: Series, turn: Floats, helix: float, along: Floats) -> Floats:
    return (turn[series.frame] + (series.side < 0) * np.pi)[:, None] + helix * along[None, :]


def _step(series: Series) -> float:
    """Usual angle between neighbouring photos."""
    frames = len(series.turn) // 2
    return float(np.median(np.abs(np.diff(series.turn[:frames])))) if frames > 1 else np.pi


def _comb_cost(
    reach: Floats, direction: Floats, angles: Floats, hand: int, top: float, *, whole: bool = True
) -> float:
    """How badly the samples around the comb's teeth follow one cosine each.

    Falling below one is impossible and costs more; so does an edge lower than the largest reach seen. `whole`: every tooth must be
    seen and has its own radius; otherwise all have the radius `top`.
    """
    pitch = 2 * np.pi / len(angles)
    width = min(np.radians(40), pitch * 0.4)
    tooth = np.mod(np.round((direction - angles[0]) / pitch), len(angles)).astype(int)
    delta = np.mod(direction - angles[0] + pitch / 2, pitch) - pitch / 2
    good = ~np.isnan(reach)
    near = good & (hand * delta > -np.radians(2)) & (hand * delta < width)
    wide = good & (np.abs(delta) < min(1.2 * width, np.radians(50)))
    if whole:
        count = np.bincount(tooth[near], minlength=len(angles))
        if count.min() < 3:
            return np.inf
        mean = np.bincount(tooth[near], reach[near] / np.cos(delta[near]), minlength=len(angles)) / count
    elif near.sum() < 3:
        return np.inf
    else:
        mean = np.full(len(angles), top)
    off = np.minimum(np.abs(reach[near] / np.cos(delta[near]) - mean[tooth[near]]), 0.1 * top)
    below = np.clip(mean[tooth[wide]] * np.cos(delta[wide]) - reach[wide], 0, 0.1 * top)
    low = max(0.97 * top - float(mean.mean()), 0.0)
    return float(off.mean() + 3 * below.mean() + 0.3 * mean.std() + low)


def _wrap(angle: Floats) -> Floats:
    out: Floats = np.mod(angle + np.pi, 2 * np.pi) - np.pi
    return out


@dataclass(slots=True)
class _State:
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


def _fit(series: Series, flutes: int, columns: Ints, start: _Guess, *, taper: bool) -> EdgeFit:
    """Gauss-Newton with the angle of every frame and its axis as nuisances of known spread; samples off the edges drop out."""
    reach, along = series.reach_px[:, columns], series.along_px[columns]
    frames = int(series.frame.max()) + 1
    top = float(np.nanquantile(reach, 0.995))
    hand = start.hand
    state = _State(
        np.full(flutes, top),
        start.angle.copy(),
        start.helix,
        start.turn.copy(),
        np.zeros(frames),
        np.zeros(frames),
    )
    width = min(np.radians(40), np.pi / flutes * 0.9)
    tolerances = np.array([0.04, 0.03, 0.02, 0.014, 0.01, 0.005, 0.003, 0.002]) * top
    if start.known is not None:
        state.radius, state.offset = start.known.radius_px.copy(), start.known.offset_px.copy()
        state.depth = start.known.depth
        tolerances = tolerances[-5:]
    noise = 0.1
    for step in range(16):
        which, delta, model = _model(series, state, along, series.lever_px[:, columns])
        residual = reach - model
        limit = tolerances[step] if step < len(tolerances) else min(4 * noise, tolerances[-1])
        used = (np.abs(delta) < width) & (np.abs(residual) < limit) & ~np.isnan(reach)
        if step < len(tolerances):
            used &= hand * delta > -np.radians(2)
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


def _model(series: Series, s: _State, along: Floats, lever: Floats) -> tuple[Ints, Floats, Floats]:
    """Nearest edge, angle to it and reach for every sample; taper counts from the middle of the cutting length."""
    view = s.turn[series.frame] + (series.side < 0) * np.pi
    delta_all = _wrap((view[:, None] + s.helix * along[None, :])[:, :, None] - s.angle[None, None, :])
    which = np.abs(delta_all).argmin(axis=2)
    delta = np.take_along_axis(delta_all, which[:, :, None], axis=2)[:, :, 0]
    radius = s.radius[which] + s.taper * (along - along.mean())[None, :]
    side = series.side[:, None]
    model = radius * np.cos(delta) * (1 + s.depth * side * radius * np.sin(delta))
    model += (s.offset[0] * np.cos(view) + s.offset[1] * np.sin(view))[:, None]
    model += side * (s.shift[series.frame][:, None] + s.tilt[series.frame][:, None] * lever)
    return which, delta, model


def _normal_equations(
    series: Series,
    s: _State,
    columns: Ints,
    used: NDArray[np.bool_],
    which: Ints,
    delta: Floats,
    weighted: Floats,
    weight: float,
    taper: bool,
) -> tuple[Floats, Floats]:
    """Normal matrix and right side: samples, then everything known beforehand."""
    flutes, frames = len(s.radius), len(s.turn)
    i, j = np.nonzero(used)
    along = series.along_px[columns]
    frame, edge, d, side = series.frame[i], which[i, j], delta[i, j], series.side[i]
    view = s.turn[frame] + (side < 0) * np.pi
    slope = -s.radius[edge] * np.sin(d)
    base = 2 * flutes + 5
    rows = np.arange(len(i))
    jac = np.zeros((len(i), base + 3 * frames))
    jac[rows, edge] = np.cos(d)
    jac[rows, flutes + edge] = -slope
    jac[:, 2 * flutes] = slope * along[j]
    jac[:, 2 * flutes + 1] = side * s.radius[edge] ** 2 * np.sin(d) * np.cos(d)
    jac[:, 2 * flutes + 2] = (along[j] - along.mean()) * np.cos(d)
    jac[:, 2 * flutes + 3], jac[:, 2 * flutes + 4] = np.cos(view), np.sin(view)
    jac[rows, base + frame] = slope
    jac[rows, base + frames + frame] = side
    jac[rows, base + 2 * frames + frame] = side * series.lever_px[:, columns][i, j]
    normal, right = jac.T @ jac * weight, jac.T @ weighted
    spread, now = _known_beforehand(series, s, taper)
    normal += np.diag(spread**-2.0)
    right -= now / spread**2
    # The largest reach seen is at most half a step away from the true radius.
    largest = float(np.nanquantile(series.reach_px[:, columns], 0.995))
    missing = largest * (1 / np.cos(min(_step(series) / 2, np.radians(30))) - 1) + 0.01 * largest
    normal[:flutes, :flutes] += 1 / (flutes * missing) ** 2
    right[:flutes] -= (s.radius.mean() - largest - missing / 2) / missing**2 / flutes
    centre = np.eye(flutes) - 1.0 / flutes
    for block, values, width in (
        (slice(0, flutes), s.radius, _RADIUS_SPREAD * series.shank_px),
        (
            slice(flutes, 2 * flutes),
            _wrap(s.angle - s.angle[0] - np.arange(flutes) * 2 * np.pi / flutes),
            _FLUTE_SPACING,
        ),
    ):
        normal[block, block] += centre / width**2
        right[block] -= centre @ values / width**2
    return normal, right


def _known_beforehand(series: Series, s: _State, taper: bool) -> tuple[Floats, Floats]:
    """Spread of every unknown (infinite where nothing is known) and its value so far, both in the order of the unknowns."""
    flutes, frames = len(s.radius), len(s.turn)
    turn = _ANGLE_SPREAD if series.angles_known else _step(series) / 2
    spread = np.concatenate(
        [
            np.full(flutes, np.inf),
            np.full(flutes, 1.0),  # angles and helix: only a limit to the step taken
            [1.0 / series.shank_px],
            [_DEPTH_SPREAD / series.shank_px, 0.01 if taper else 1e-9],
            np.full(2, _OFFSET_SPREAD * series.shank_px),
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


def _advance(s: _State, move: Floats, flutes: int, frames: int) -> None:
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


def _off_edges(series: Series, fit: EdgeFit) -> tuple[Floats, Floats, Floats]:
    """Distance of every sample from the fit carried on over the whole length, how far it may be, and its angle to the edge.

    NaN where a sample says nothing: on the relief side, and where the fit cannot foretell it (frames that have shown no edge yet).
    """
    frames = len(fit.turn)
    state = _State(
        fit.radius_px,
        fit.angle,
        fit.helix,
        fit.turn,
        np.zeros(frames),
        np.zeros(frames),
        fit.depth,
        0.0,
        fit.offset_px,
    )
    which, delta, model = _model(series, state, series.along_px, series.lever_px)
    ahead = _rake_side(fit) * delta
    spread = 3 * np.sqrt(_predicted_variance(series, fit, which, delta))
    # Farther ahead the back of the next tooth stands out.
    ahead_of_edge = (ahead > 0) & (ahead < min(np.radians(35), 0.6 * np.pi / len(fit.radius_px)))
    noise = 4 * max(fit.noise_px, _NOISE_PX)
    if abs(fit.helix) * series.shank_from_px < _STRAIGHT:
        # Every row shows the same part of an edge all along: what it did in the sure zone it goes on doing.
        sure = np.nanmedian(np.where(np.isin(series.along_px, fit.along_px), series.reach_px, np.nan), axis=1)
        return (
            np.where(ahead_of_edge, series.reach_px - sure[:, None], np.nan),
            np.full_like(spread, noise),
            delta,
        )
    says = ahead_of_edge & (spread < _AGREES_PX)
    return np.where(says, series.reach_px - model, np.nan), noise + spread, delta


def _predicted_variance(series: Series, fit: EdgeFit, which: Ints, delta: Floats) -> Floats:
    """Variance of the reach that the fit predicts for every sample."""
    flutes, frames = len(fit.radius_px), len(fit.turn)
    base = 2 * flutes + 5
    view = fit.turn[series.frame] + (series.side < 0) * np.pi
    slope = fit.radius_px[which] * np.sin(delta)
    out = np.zeros_like(delta)
    ones = np.ones(delta.shape[1])
    for row, (frame, side) in enumerate(zip(series.frame, series.side, strict=True)):
        common = [
            np.cos(delta[row]),
            slope[row],
            -slope[row] * series.along_px,
            ones * np.cos(view[row]),
            ones * np.sin(view[row]),
            -slope[row],
            ones * side,
            side * series.lever_px[row],
        ]
        gradient = np.stack(common, axis=-1)
        rest = [
            2 * flutes,
            base - 2,
            base - 1,
            base + frame,
            base + frames + frame,
            base + 2 * frames + frame,
        ]
        for edge in np.unique(which[row]):
            here = which[row] == edge
            known = [edge, flutes + edge, *rest]
            g = gradient[here]
            out[row, here] = np.einsum("ik,kl,il->i", g, fit.wide[np.ix_(known, known)], g)
    return np.maximum(out, 0.0)


def _fixed(series: Series, fit: EdgeFit) -> NDArray[np.bool_]:
    """Frames whose angle is known because samples of theirs lie on an edge."""
    frames = len(fit.turn)
    return np.asarray(np.bincount(series.frame, fit.used.sum(axis=1), minlength=frames) >= 4)


def _cutting_end(series: Series, fit: EdgeFit, sure: tuple[float, float]) -> tuple[float, float]:
    """Where the edges end: most samples ahead of them no longer lie where the fit carried on expects them; and how far there is
    anything to judge it by (farther along, frames may show an edge that show none so far)."""
    off, allowed, _ = _off_edges(series, fit)
    window = np.ones(max(3, len(series.along_px) // 40))
    told = np.convolve((~np.isnan(off)).sum(axis=0), window, "same")
    agree = np.convolve((np.abs(off) < allowed).sum(axis=0), window, "same")
    along = series.along_px
    seen_to = np.maximum.accumulate(np.where(told > 0.5, along, sure[1]))
    gap = along - seen_to > 0.1 * series.shank_from_px
    wrong = (along > sure[1]) & ((agree < 0.5 * told) | gap)
    end = float(along[wrong][0]) if wrong.any() else series.shank_from_px
    end = max(min(end, series.shank_from_px) - 3 * series.blur_px, sure[1])
    judged = along[(told > 0.5) & (along <= end)]
    return end, float(judged[-1]) if len(judged) else sure[1]
