"""The camera's own tone curve and sharpening, found from the frame's straight edges and undone.

Cameras do more than the sRGB curve: an S-shaped contrast curve, and sharpening of the encoded picture. Both distort
the one thing that a gap is measured by, light added up across a slit. What they do to light L is modelled as

    code = T( U ∗ E(L) )                          E: sRGB encoding (IEC 61966-2-1)
    U = (1 + k) δ − k G_r                         unsharp mask of strength k and radius r
    T(v) = v − a sin(2πv)/(2π) − b sin(πv)/π      S-shape a, bow b

The frame's opening shows them (:mod:`gapscan.photo.edge_spread`): black against bare light, its edges are straight, and
whatever the shape of the lens' blur, in linear light an edge is as far below bright on one side as above dark at the
same distance on the other, and nowhere overshoots. So k, r, a, b are sought that make it so again. Nothing is assumed
of the blur itself: a curve must not be invented to explain a lens that scatters, or one out of focus. Undoing U is
stable: its inverse never amplifies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.edge_spread import REACH_PX, EdgeSpread
from gapscan.photo.load import srgb_decode, srgb_encode
from gapscan.photo.types import ImageArray, Photo

FloatArray = NDArray[np.float64]

_CLIPPED_CODE = 0.985
_PRICE = 4.5  # of each effect allowed, in half squares: three standard uncertainties
_LEAST_SHARPEN = 0.05
_LEAST_ASYMMETRY = 0.003  # of an edge, rms; noise and JPEG reach 0.0025
_LEAST_GAIN = 2.0
_MOST_LEFT = 0.002
_PRIOR = {"k": 0.6, "ln_r": 0.35, "a": 0.12, "b": 0.02}
_USUAL_RADIUS_PX = 1.2
_BOUNDS = ([0.0, float(np.log(0.6)), -0.4, -0.3], [3.0, float(np.log(2.5)), 0.4, 0.3])
_STEP_PX = 0.25
_ARM_PX = 6.5
_ASYMMETRY_FLOOR = 0.003
_OVERSHOOT_FLOOR = 0.0015
_PAD = 40


@dataclass(frozen=True)
class Rendering:
    """What the camera did to the encoded picture.

    sharpen, radius_px  unsharp mask; s_shape, bow  tone curve terms; u_...  their standard uncertainties
    sharpened, curved   whether the terms stand out from their uncertainty: only then are they undone
    residual  rms asymmetry of the edges that is left, as a share of their height
    """

    sharpen: float
    radius_px: float
    s_shape: float
    bow: float
    u_sharpen: float
    u_s_shape: float
    u_bow: float
    sharpened: bool
    curved: bool
    residual: float


def tone(code: FloatArray, s_shape: float, bow: float) -> FloatArray:
    """The camera's curve on encoded values."""
    return np.asarray(code - s_shape * np.sin(2 * np.pi * code) / (2 * np.pi) - bow * np.sin(np.pi * code) / np.pi)


def find_rendering(edges: Sequence[EdgeSpread]) -> Rendering | None:
    """Fit tone curve and sharpening to the edges of the frame's opening; None when too little of them is seen."""
    # An edge that runs along the pixel rows meets them at a few phases only: its spread cannot be told from a curve.
    sides = [side.near for side in edges if side.whole]
    sides = [side for side in sides if np.median(side.code[side.distance_px > 0.6 * REACH_PX]) < _CLIPPED_CODE]
    if len(sides) < 2:
        return None
    return _fit(sides)


def undo_rendering(photo: Photo, rendering: Rendering) -> Photo:
    """The photo with tone curve and sharpening undone in its linear light."""
    sharp, curved = rendering.sharpened, rendering.curved
    if not sharp and not curved:
        return photo
    # Fine in the root of light, where the encoding is nearly straight.
    encoded = srgb_encode(np.linspace(0.0, 1.0, 16385) ** 2)
    if curved:
        grid = np.linspace(0.0, 1.0, 4097)
        back = np.interp(grid, tone(grid, rendering.s_shape, rendering.bow), grid)
        encoded = _looked_up(back, encoded.astype(np.float32)[None])[0]
    code = _looked_up(encoded, photo.light, of_root=True)
    if sharp:
        code = _unsharpened(code, rendering.sharpen, rendering.radius_px)
    return replace(photo, light=_looked_up(srgb_decode(np.linspace(0.0, 1.0, 16385)), code))


def _looked_up(table: FloatArray | ImageArray, value: ImageArray, *, of_root: bool = False) -> ImageArray:
    """Values (or their roots), 0 to 1, replaced by the table's entries; what lies beyond gets the last one."""
    entries = table.astype(np.float32)
    out = np.empty_like(value)
    for top in range(0, len(value), 32):  # few rows at a time stay in the processor's cache
        band = value[top : top + 32]
        share = np.clip(np.sqrt(np.maximum(band, 0.0)) if of_root else band, 0.0, 1.0)
        place = (share * np.float32(len(table) - 1) + np.float32(0.5)).astype(np.intp)
        np.take(entries, place, out=out[top : top + 32], mode="clip")
    return out


def _unsharpened(code: ImageArray, k: float, radius_px: float) -> ImageArray:
    """Solve ``v + k (v − G v) = code`` by fixed-point iteration (a contraction by k / (1 + k))."""
    import cv2

    v = code.copy()
    rounds = int(np.clip(np.ceil(np.log(0.003) / np.log(max(abs(k) / (1 + k), 1e-3))), 2, 14))
    for _ in range(rounds):
        blurred = cv2.GaussianBlur(v, (0, 0), radius_px)
        cv2.addWeighted(code, 1.0 / (1.0 + k), blurred, k / (1.0 + k), 0.0, dst=v)
    return v


def _fit(sides: list[EdgeSpread]) -> Rendering:
    """Least squares over k, ln r, a, b for what an edge must not show, with priors.

    Each of the two effects is allowed only where the edges are much better explained with it.
    """
    grid = np.arange(-REACH_PX + _STEP_PX / 2, REACH_PX, _STEP_PX)
    codes = np.stack([np.interp(grid, side.distance_px, side.code) for side in sides])
    nothing = _asymmetry(codes, np.array([0.0, np.log(_USUAL_RADIUS_PX), 0.0, 0.0]))
    trials = [_sought(codes, np.array([mask, mask, curve, curve])) for mask in (False, True) for curve in (False, True)]
    best = min(trials, key=lambda t: t.cost + _PRICE * (t.sharpens + t.curves))
    p, covariance = best.p, best.covariance
    left = _asymmetry(codes, p)
    # What is left unexplained has another cause: noise, or something that this model does not know.
    plain = nothing < max(_LEAST_ASYMMETRY, _LEAST_GAIN * left) or left > _MOST_LEFT
    return Rendering(
        sharpen=float(p[0]),
        radius_px=float(np.exp(p[1])),
        s_shape=float(p[2]),
        bow=float(p[3]),
        u_sharpen=float(np.sqrt(covariance[0, 0])),
        u_s_shape=float(np.sqrt(covariance[2, 2])),
        u_bow=float(np.sqrt(covariance[3, 3])),
        sharpened=best.sharpens and not plain and p[0] > _LEAST_SHARPEN,
        curved=best.curves and not plain,
        residual=left,
    )


@dataclass(frozen=True)
class _Trial:
    """k, ln r, a, b (4,) with covariance (4, 4), which of the two effects were allowed, and half the sum of squares."""

    p: FloatArray
    covariance: FloatArray
    sharpens: bool
    curves: bool
    cost: float


def _sought(codes: FloatArray, free: NDArray[np.bool_]) -> _Trial:
    """Best k, ln r, a, b for edges (S, M): those that are free; the others at nothing."""
    from scipy.optimize import least_squares

    usual = np.array([0.0, np.log(_USUAL_RADIUS_PX), 0.0, 0.0])
    spread = np.array([_PRIOR["k"], _PRIOR["ln_r"], _PRIOR["a"], _PRIOR["b"]])

    def rows(q: FloatArray) -> FloatArray:
        p = usual.copy()
        p[free] = q
        share = _light_share(codes, p)
        overshoot = np.minimum(np.diff(share), 0.0)
        prior = ((p - usual) / spread)[free]
        return np.concatenate(
            [prior, _unlikeness(share).ravel() / _ASYMMETRY_FLOOR, overshoot.ravel() / _OVERSHOOT_FLOOR]
        )

    covariance = np.diag(spread**2)
    if not free.any():
        return _Trial(usual, covariance, False, False, float(np.sum(rows(usual[free]) ** 2)) / 2)
    low, high = (np.array(b)[free] for b in _BOUNDS)
    start = usual.copy()
    start[0] = _PRIOR["k"] / 2
    fit = least_squares(rows, start[free], bounds=(low, high), diff_step=1e-3, max_nfev=30)
    p = usual.copy()
    p[free] = fit.x
    covariance[np.ix_(free, free)] = np.linalg.pinv(fit.jac.T @ fit.jac)
    return _Trial(p, covariance, bool(free[0]), bool(free[2]), float(fit.cost))


def _asymmetry(codes: FloatArray, p: FloatArray) -> float:
    return float(np.sqrt(np.mean(_unlikeness(_light_share(codes, p)) ** 2)))


def _light_share(codes: FloatArray, p: FloatArray) -> FloatArray:
    """Linear light (S, M) across edges, 0 at the dark and 1 at the bright end, with the rendering undone."""
    grid = np.linspace(0.0, 1.05, 2101)
    value = np.interp(codes, tone(grid, p[2], p[3]), grid)
    ends = (value[:, :8].mean(axis=1, keepdims=True), value[:, -8:].mean(axis=1, keepdims=True))
    low, high = (np.repeat(end, _PAD, axis=1) for end in ends)
    padded = np.hstack([low, value, high])
    padded = np.hstack([padded, padded[:, ::-1]])
    # A Gaussian of standard deviation r has the transfer exp(-2 (pi f r)^2).
    passed = np.exp(-2 * (np.pi * np.fft.rfftfreq(padded.shape[1], _STEP_PX) * np.exp(p[1])) ** 2)
    value = np.fft.irfft(np.fft.rfft(padded) / (1 + p[0] - p[0] * passed), padded.shape[1])
    value = value[:, _PAD : _PAD + codes.shape[1]]
    light = np.asarray(srgb_decode(np.clip(value, 0.0, 1.2)))
    dark, bright = light[:, :10].mean(axis=1, keepdims=True), light[:, -10:].mean(axis=1, keepdims=True)
    return np.asarray((light - dark) / np.maximum(bright - dark, 1e-6))


def _unlikeness(share: FloatArray) -> FloatArray:
    """How far (S, A) light above dark and light below bright differ at equal distances from edges (S, M).

    Where an edge lies is told by the area under its light.
    """
    count = share.shape[1]
    grid = (np.arange(count) + 0.5) * _STEP_PX
    arm = np.arange(_STEP_PX / 2, _ARM_PX, _STEP_PX)
    crossings = (count - share.sum(axis=1)) * _STEP_PX
    sides = zip(crossings, share, strict=True)
    return np.stack([np.interp(at + arm, grid, s) + np.interp(at - arm, grid, s) - 1.0 for at, s in sides])
