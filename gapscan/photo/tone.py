"""The camera's own tone curve and sharpening, found from the frame's straight edges and undone.

Cameras do more than the sRGB curve: an S-shaped contrast curve, and sharpening of the encoded picture. Both distort
the one thing that a gap is measured by, light added up across a slit. The frame's opening shows them: its edges are
straight, black against bare light, and in linear light a blurred straight edge is ``D + (B − D) Φ(x/σ)``. What the
camera made of it is modelled as

    code(x) = T( U ∗ E(D + (B − D) Φ(x/σ)) )      E: sRGB encoding (IEC 61966-2-1)
    U = (1 + k) δ − k G_r                         unsharp mask of strength k and radius r
    T(v) = v − a sin(2πv)/(2π) − b sin(πv)/π      S-shape a, bow b

and fitted to the edge spread function that all pixels near an edge give together, each at its own distance from it
(the slanted-edge method of ISO 12233). Undoing U is stable: its inverse never amplifies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.camera import back_project, project
from gapscan.photo.load import srgb_decode, srgb_encode
from gapscan.photo.types import ImageArray, Photo, Reference

FloatArray = NDArray[np.float64]

_REACH_PX = 9.0
_BIN_PX = 0.25
_BLOCK_MM = 6.0
_CORNER_MM = 4.0
_LEAST_CONTRAST = 0.3
_CLIPPED_CODE = 0.993
_PHASES = 0.85  # share of the bins that must be met
_STANDS_OUT = 3.0  # standard uncertainties
_LEAST_SHARPEN = 0.05
_PRIOR = {"k": 0.6, "ln_r": 0.35, "a": 0.12, "b": 0.06}
_USUAL_RADIUS_PX = 1.2
_FIT_FLOOR = 0.0015


@dataclass(frozen=True)
class Rendering:
    """What the camera did to the encoded picture.

    sharpen, radius_px  unsharp mask; s_shape, bow  tone curve terms; u_...  their standard uncertainties
    sharpened, curved   whether the terms stand out from their uncertainty: only then are they undone
    residual  rms of the fit in code (0..1)
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


def find_rendering(photo: Photo, reference: Reference) -> Rendering | None:
    """Fit tone curve and sharpening to the edges of the frame's opening; None when too little of them is seen."""
    sides = [s for s in (_edge_spread(photo, reference, side) for side in range(4)) if s is not None]
    if len(sides) < 2:
        return None
    return _fit(sides)


def undo_rendering(photo: Photo, rendering: Rendering) -> Photo:
    """The photo with tone curve and sharpening undone in its linear light."""
    sharp, curved = rendering.sharpened, rendering.curved
    if not sharp and not curved:
        return photo
    code = _encoded(photo.light)
    if curved:
        grid = np.linspace(0.0, 1.0, 4097)
        back = np.interp(grid, tone(grid, rendering.s_shape, rendering.bow), grid).astype(np.float32)
        code = _looked_up(back, code)
    if sharp:
        code = _unsharpened(code, rendering.sharpen, rendering.radius_px)
    table = srgb_decode(np.linspace(0.0, 1.0, 16385)).astype(np.float32)
    return replace(photo, light=_looked_up(table, code))


def _encoded(light: ImageArray) -> ImageArray:
    # Fine in the root of light, where the encoding is nearly straight.
    table = srgb_encode(np.linspace(0.0, 1.0, 16385) ** 2).astype(np.float32)
    return _looked_up(table, np.sqrt(np.clip(light, 0.0, 1.0)))


def _looked_up(table: NDArray[np.float32], value: ImageArray) -> ImageArray:
    steps = np.float32(len(table) - 1)
    out = np.empty_like(value)
    for top in range(0, len(value), 256):
        band = value[top : top + 256]
        np.take(table, (np.clip(band, 0, 1) * steps + np.float32(0.5)).astype(np.uint16), out=out[top : top + 256])
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


@dataclass(frozen=True)
class _EdgeSpread:
    """Binned code values against the distance from an edge [px], bright side positive."""

    distance_px: FloatArray
    code: FloatArray
    count: FloatArray


def _edge_spread(photo: Photo, reference: Reference, side: int) -> _EdgeSpread | None:
    """Edge spread function of one side of the opening (0 left, 1 right, 2 top, 3 bottom)."""
    left, top, right, bottom = reference.opening_mm.bounds
    vertical, at = side < 2, (left, right, top, bottom)[side]
    inward = 1.0 if side in {0, 2} else -1.0
    low, high = (top, bottom) if vertical else (left, right)
    along = np.arange(low + _CORNER_MM, high - _CORNER_MM, 1.3 / reference.px_per_mm)
    if len(along) < 100:
        return None
    across = np.arange(-_REACH_PX - 3, _REACH_PX + 4) / reference.px_per_mm * inward + at
    s, d = np.meshgrid(along, across, indexing="ij")
    xy = np.stack([d, s] if vertical else [s, d], axis=-1).reshape(-1, 2)
    uv = np.unique(np.round(project(reference.camera, xy)).astype(np.int32), axis=0)
    height, width = photo.light.shape
    uv = uv[(uv >= 1).all(axis=1) & (uv[:, 0] < width - 1) & (uv[:, 1] < height - 1)]
    if len(uv) < 2000:
        return None
    seen = back_project(reference.camera, uv.astype(float))
    scale = _across_scale(reference, uv.astype(float), vertical)
    distance = (seen[:, 0 if vertical else 1] - at) * inward * scale
    place = seen[:, 1 if vertical else 0]
    code = np.asarray(srgb_encode(photo.light[uv[:, 1], uv[:, 0]].astype(float)))
    return _stacked(distance, place, code)


def _across_scale(reference: Reference, uv: FloatArray, vertical: bool) -> FloatArray:
    """Pixels per mm across the edge (N,): shortest distance in the picture, not along a sheet axis."""
    xy = back_project(reference.camera, uv)
    step = np.array([0.0, 0.5]) if vertical else np.array([0.5, 0.0])
    aside = np.array([0.5, 0.0]) if vertical else np.array([0.0, 0.5])
    tangent = project(reference.camera, xy + step) - project(reference.camera, xy - step)
    across = project(reference.camera, xy + aside) - project(reference.camera, xy - aside)
    tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.asarray(np.abs(across[:, 0] * tangent[:, 1] - across[:, 1] * tangent[:, 0]))


def _stacked(distance: FloatArray, place: FloatArray, code: FloatArray) -> _EdgeSpread | None:
    """Align short blocks of the edge on their half-way crossing, then bin all pixels by distance."""
    block = ((place - place.min()) / _BLOCK_MM).astype(int)
    aligned, kept, levels = np.full(len(distance), np.nan), np.zeros(len(distance), bool), []
    for k in range(block.max() + 1):
        own = np.flatnonzero(block == k)
        if len(own) < 150:
            continue
        d, c = distance[own], code[own]
        out, into = c[d < -0.6 * _REACH_PX], c[d > 0.6 * _REACH_PX]
        if not len(out) or not len(into):  # the picture ends here
            continue
        dark, bright = np.median(out), np.median(into)
        if not np.isfinite(dark + bright) or bright - dark < _LEAST_CONTRAST:
            continue
        # Area above the dark level up to a fixed distance gives the crossing without a threshold.
        grid = np.arange(-_REACH_PX, _REACH_PX, 0.5)
        mean = np.interp(grid, *_binned(d, c, 0.5)[:2])
        share = np.clip((mean - dark) / (bright - dark), -0.3, 1.3)
        crossing = _REACH_PX - float(share.sum() * 0.5)
        if abs(crossing) > 4.0:
            continue
        aligned[own], kept[own] = d - crossing, True
        levels.append((float(place[own].mean()), float(dark), float(srgb_decode(np.asarray(bright)))))
    if len(levels) < 4:
        return None
    # The lightbox is brighter here, darker there: along a nearly upright edge each bin holds other stretches of it.
    # A smooth level along the edge is scaled out in linear light.
    middles, light_levels = np.array(levels)[:, 0], np.array(levels)[:, 2]
    trend = np.polynomial.Polynomial.fit(middles, light_levels, min(3, len(levels) - 1))
    if np.abs(trend(middles) / light_levels - 1).max() > 0.05:
        return None
    share = float(np.median(light_levels)) / trend(place[kept])
    levelled = srgb_encode(np.asarray(srgb_decode(code[kept])) * share)
    distance_px, mean, count = _binned(aligned[kept], levelled, _BIN_PX)
    # An edge that runs along the pixel rows meets them at a few phases only: its spread cannot be told from a curve.
    if len(distance_px) < _PHASES * 2 * _REACH_PX / _BIN_PX:
        return None
    return _EdgeSpread(distance_px, mean, count)


def _binned(distance: FloatArray, code: FloatArray, width: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    index = np.floor((distance + _REACH_PX) / width).astype(int)
    bins = int(2 * _REACH_PX / width)
    good = (index >= 0) & (index < bins)
    count = np.bincount(index[good], minlength=bins).astype(float)
    some = count > 0
    mean = np.bincount(index[good], weights=code[good], minlength=bins)[some] / count[some]
    at = np.bincount(index[good], weights=distance[good], minlength=bins)[some] / count[some]
    return at, mean, count[some]


def _fit(sides: list[_EdgeSpread]) -> Rendering:
    """Least squares over k, ln r, a, b and for each side σ, place, both levels and a slope, with priors.

    The slope is glare's: light scattered widely by the lens falls off slowly over the edge.
    """
    from scipy.optimize import least_squares

    fine = np.arange(-_REACH_PX - 8, _REACH_PX + 8 + 1e-9, 0.125)
    start, low, high = [0.2, np.log(_USUAL_RADIUS_PX), 0.0, 0.0], [0.0, np.log(0.5), -0.5, -0.3], [3.0, np.log(4.0), 0.5, 0.3]
    for side in sides:
        dark = float(srgb_decode(np.asarray(np.median(side.code[side.distance_px < -4]))))
        bright = float(srgb_decode(np.asarray(np.median(side.code[side.distance_px > 4]))))
        start += [1.3, 0.0, dark, bright, 0.0]
        low += [0.3, -3.0, -0.02, 0.0, -0.003]
        high += [5.0, 3.0, 0.6, 1.3, 0.003]

    def rows(p: FloatArray) -> FloatArray:
        k, radius, a, b = p[0], float(np.exp(p[1])), p[2], p[3]
        prior = [k / _PRIOR["k"], (p[1] - np.log(_USUAL_RADIUS_PX)) / _PRIOR["ln_r"], a / _PRIOR["a"], b / _PRIOR["b"]]
        out = [np.array(prior)]
        for number, side in enumerate(sides):
            sigma, place, dark, bright, slope = p[4 + 5 * number : 9 + 5 * number]
            light = dark + slope * fine + (bright - dark) * _blurred_edge(fine - place, sigma)
            model = _rendered(fine, side.distance_px, light, k, radius, a, b)
            use = (side.code < _CLIPPED_CODE) & (model < _CLIPPED_CODE + 0.02)
            out.append(np.where(use, model - side.code, 0.0) / _FIT_FLOOR)
        return np.concatenate(out)

    fit = least_squares(rows, np.clip(start, np.array(low) + 1e-6, np.array(high) - 1e-6), bounds=(low, high), max_nfev=40)
    data = fit.fun[4:]
    residual = float(np.sqrt(np.mean(data**2)))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * max(1.0, residual**2)
    # Strength and radius trade against each other; k r², the bend of the mask's transfer at low frequency, is known best.
    gradient = np.exp(2 * fit.x[1]) * np.array([1.0, 2 * fit.x[0]])
    u_strength = float(np.sqrt(gradient @ covariance[:2, :2] @ gradient))
    return Rendering(
        sharpen=float(fit.x[0]),
        radius_px=float(np.exp(fit.x[1])),
        s_shape=float(fit.x[2]),
        bow=float(fit.x[3]),
        u_sharpen=float(np.sqrt(covariance[0, 0])),
        u_s_shape=float(np.sqrt(covariance[2, 2])),
        u_bow=float(np.sqrt(covariance[3, 3])),
        sharpened=abs(float(fit.x[0])) > max(_STANDS_OUT * u_strength / float(np.exp(2 * fit.x[1])), _LEAST_SHARPEN),
        curved=float(fit.x[2:4] @ np.linalg.solve(covariance[2:4, 2:4], fit.x[2:4])) > _STANDS_OUT**2,
        residual=residual * _FIT_FLOOR,
    )


def _blurred_edge(x_px: FloatArray, sigma_px: float) -> FloatArray:
    """A unit step blurred by a Gaussian and averaged over a pixel: the integral of Φ is x Φ(x) + φ(x)."""
    from scipy.special import ndtr

    def integral(z: FloatArray) -> FloatArray:
        return np.asarray(z * ndtr(z) + np.exp(-z * z / 2) / np.sqrt(2 * np.pi))

    return sigma_px * (integral((x_px + 0.5) / sigma_px) - integral((x_px - 0.5) / sigma_px))


def _rendered(
    fine: FloatArray, distance: FloatArray, light: FloatArray, k: float, radius: float, a: float, b: float
) -> FloatArray:
    """Code values at these distances of a linear-light profile on a fine grid."""
    from scipy.ndimage import gaussian_filter1d

    code = np.asarray(srgb_encode(light))
    code = (1 + k) * code - k * gaussian_filter1d(code, radius / 0.125, mode="nearest", truncate=5.0)
    return np.asarray(np.interp(distance, fine, tone(code, a, b)))
