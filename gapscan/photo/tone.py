"""The camera's own tone curve and sharpening, found from the frame's straight edges and undone.

Cameras do more than the sRGB curve: an S-shaped contrast curve, and sharpening of the encoded picture. Both distort
the one thing that a gap is measured by, light added up across a slit. The frame's opening shows them: its edges are
straight, black against bare light, and in linear light a blurred straight edge is ``D + (B − D) Φ(x/σ)``. What the
camera made of it is modelled as

    code(x) = T( U ∗ E(D + (B − D) Φ(x/σ)) )      E: sRGB encoding (IEC 61966-2-1)
    U = (1 + k) δ − k G_r                         unsharp mask of strength k and radius r
    T(v) = v − a sin(2πv)/(2π) − b sin(πv)/π      S-shape a, bow b

and fitted to the edges' spread (:mod:`gapscan.photo.edge_spread`). Undoing U is stable: its inverse never amplifies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.edge_spread import REACH_PX, EdgeSpread, edge_spreads
from gapscan.photo.load import srgb_decode, srgb_encode
from gapscan.photo.types import ImageArray, Photo, Reference

FloatArray = NDArray[np.float64]

_CLIPPED_CODE = 0.993
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
    # An edge that runs along the pixel rows meets them at a few phases only: its spread cannot be told from a curve.
    sides = [side.near for side in edge_spreads(photo, reference) if side.whole]
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


def _fit(sides: list[EdgeSpread]) -> Rendering:
    """Least squares over k, ln r, a, b and for each side σ, place, both levels and a slope, with priors.

    The slope is glare's: light scattered widely by the lens falls off slowly over the edge.
    """
    from scipy.optimize import least_squares

    fine = np.arange(-REACH_PX - 8, REACH_PX + 8 + 1e-9, 0.125)
    start, low, high = (
        [0.2, np.log(_USUAL_RADIUS_PX), 0.0, 0.0],
        [0.0, np.log(0.5), -0.5, -0.3],
        [3.0, np.log(4.0), 0.5, 0.3],
    )
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

    fit = least_squares(
        rows, np.clip(start, np.array(low) + 1e-6, np.array(high) - 1e-6), bounds=(low, high), max_nfev=40
    )
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
