"""The bare-light level over the sheet: sampled where the lightbox is seen, carried smoothly across the assembly.

Carried by a polynomial, or, where there is a photo of the empty lightbox, by the shape of the light in that one: then
only a factor, and perhaps a slope, is left to be found from the bare light round the assembly.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import PhotoError
from gapscan.measure.bare_field import LightField, bare_field
from gapscan.photo.camera import project
from gapscan.photo.load import srgb_decode
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]

_STEP_MM = 0.5
_MARGIN_MM = 1.0
_CLIPPED_REFUSED = 0.25
_DEGREES = (1, 2, 3)
_DEGREES_BESIDE = (0, 1)  # beside a photo of the empty lightbox: exposure, and a camera nudged
_LEAST_REL_U, _LEAST_REL_U_BESIDE = 0.003, 0.002
_AVERAGED_MM = 4.0
_UNTESTED_REL_U = 0.03
_MISFIT_REFUSED = 0.025
_SLOPE_REFUSED = 0.15
_FACTOR_REFUSED = 2.5


@dataclass(frozen=True)
class BareLight:
    """Log-polynomial surface of the bare-light level in sheet coordinates, on top of ``field`` where there is one.

    relative_u: relative standard uncertainty of the level inside the assembly
    clipped_share: share of bare-light pixels at the encoding's top
    colour (3,): linear red, green, blue of the bare light against its level
    """

    coefficients: FloatArray
    powers: tuple[tuple[int, int], ...]
    scale_mm: float
    relative_u: float
    clipped_share: float
    colour: FloatArray
    field: LightField | None = None

    def rgb(self, xy_mm: FloatArray) -> FloatArray:
        """Linear red, green, blue (N, 3) of the bare lightbox at sheet points."""
        return np.asarray(self.level(xy_mm)[:, None] * self.colour)

    def level(self, xy_mm: FloatArray) -> FloatArray:
        """Linear light (N,) of the bare lightbox at sheet points (N, 2)."""
        shape = 0.0 if self.field is None else self.field.at(xy_mm)
        return np.asarray(np.exp(_terms(xy_mm / self.scale_mm, self.powers) @ self.coefficients + shape))


def _powers(degree: int) -> tuple[tuple[int, int], ...]:
    return tuple((i, j) for total in range(degree + 1) for i in range(total, -1, -1) for j in [total - i])


def _terms(xy: FloatArray, powers: tuple[tuple[int, int], ...]) -> FloatArray:
    return np.column_stack([xy[:, 0] ** i * xy[:, 1] ** j for i, j in powers])


def bare_light(photo: Photo, reference: Reference, *, sheet_height_mm: float) -> BareLight:
    """Fit the level through the bright part of the opening, by the shape of ``photo.bare`` where there is one.

    Raises PhotoError when no bare light is seen, or when it is clipped beyond use: a clipped level makes every gap too
    wide by an unknown amount. Raises it as well when ``photo.bare`` is no photo of this lightbox, empty.
    """
    name = Path(photo.path).name
    xy, level, clipped, rgb = _samples(photo, reference, sheet_height_mm)
    if len(xy) < 60:
        raise PhotoError(
            f"{name}: no bare lightbox to be seen round the assembly; use a frame with a few mm of light all round the fit"
        )
    share = float(clipped.mean())
    if share > _CLIPPED_REFUSED:
        raise PhotoError(
            f"{name}: the bare lightbox is overexposed ({100 * share:.0f} % of it at full white), so no gap can be scaled; "
            "take the photo again one or two stops darker"
        )
    level_all = level
    xy, level = xy[~clipped], level[~clipped]
    scale = float(np.abs(xy).max())
    log_level = np.log(level)
    colour = np.median(rgb / level_all[:, None], axis=0)
    if photo.bare is not None:
        field = bare_field(photo.bare, reference, sheet_height_mm=sheet_height_mm)
        return _beside(photo, photo.bare, field, xy, log_level, share, colour)
    held_rms, powers, solution = _surface(xy / scale, log_level, _DEGREES)
    return BareLight(solution, powers, scale, float(max(_LEAST_REL_U, held_rms)), share, colour)


def _beside(
    photo: Photo,
    bare: Photo,
    field: LightField,
    xy: FloatArray,
    log_level: FloatArray,
    clipped_share: float,
    colour: FloatArray,
) -> BareLight:
    """The level from the field's shape: its factor (and slope) are the photo's own. Raises PhotoError."""
    scale = float(np.abs(xy).max())
    # The field is known everywhere, so pixel noise in the strip of light says nothing about its error: average it out.
    at, apart = _averaged(xy, log_level - field.at(xy))
    held_rms, powers, solution = _surface(at / scale, apart, _DEGREES_BESIDE)
    # A corner of tape in the strip of light may stand out: four fifths of it must agree.
    misfit = float(np.quantile(np.abs(apart - _terms(at / scale, powers) @ solution), 0.8))
    slope = float(np.hypot(*solution[1:3])) if len(solution) > 1 else 0.0
    if misfit > _MISFIT_REFUSED or slope > _SLOPE_REFUSED or abs(np.median(apart)) > np.log(_FACTOR_REFUSED):
        unlike = "is shaped otherwise" if max(misfit, slope) > _MISFIT_REFUSED else "was exposed otherwise"
        raise PhotoError(
            f"{Path(bare.path).name}: its light {unlike} than that round the assembly in {Path(photo.path).name}; take it "
            "on the same lightbox with the camera in the same place and the same exposure, or leave out --bare"
        )
    relative_u = float(np.hypot(max(_LEAST_REL_U_BESIDE, held_rms), field.relative_u))
    return BareLight(solution, powers, scale, relative_u, clipped_share, colour, field)


def _averaged(xy: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean place and median value of the samples in squares of a few millimetres."""
    square = np.floor(xy / _AVERAGED_MM).astype(np.int64)
    _, index = np.unique(square, axis=0, return_inverse=True)
    index = index.ravel()
    count = np.bincount(index)
    middle = np.column_stack([np.bincount(index, weights=xy[:, k]) / count for k in (0, 1)])
    order = np.lexsort((values, index))
    first = np.cumsum(count) - count
    return middle, values[order][first + count // 2]


def _surface(
    xy: FloatArray, log_level: FloatArray, degrees: tuple[int, ...]
) -> tuple[float, tuple[tuple[int, int], ...], FloatArray]:
    """Held-out residual, powers and coefficients of the polynomial of the best of some degrees."""
    # Held-out sectors decide the degree: a surface that wiggles between the sides of the moat would pass any other test.
    sector = ((np.arctan2(xy[:, 1], xy[:, 0]) + np.pi) / (2 * np.pi) * 8).astype(int) % 8
    trials = []
    for degree in degrees:
        powers = _powers(degree)
        A = _terms(xy, powers)
        held = np.concatenate([_residual(A, log_level, sector != k, sector == k) for k in range(8)])
        if len(held) == 0:  # too few samples, or all on one side: nothing to hold out
            held = np.full(1, _UNTESTED_REL_U)
        trials.append((float(np.sqrt(np.mean(np.clip(held, -0.2, 0.2) ** 2))), powers, A))
    best = min(t[0] for t in trials)
    held_rms, powers, A = next(t for t in trials if t[0] <= 1.15 * best)
    return held_rms, powers, _robust(A, log_level)


def _robust(A: FloatArray, y: FloatArray) -> FloatArray:
    """Least squares with Tukey's biweight: a corner of tape in the moat must not bend the surface."""
    w: FloatArray = np.ones(len(y))
    x: FloatArray = np.zeros(A.shape[1])
    ridge = 1e-12 * np.eye(A.shape[1])
    for _ in range(8):
        weighted = A * (w * w)[:, None]
        x = np.asarray(np.linalg.solve(weighted.T @ A + ridge, weighted.T @ y), dtype=float)
        residual = y - A @ x
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-4)
        w = np.clip(1 - (residual / (4.685 * spread)) ** 2, 0, None)
    return x


def _residual(A: FloatArray, y: FloatArray, fit: NDArray[np.bool_], test: NDArray[np.bool_]) -> FloatArray:
    if not test.any() or fit.sum() < 3 * A.shape[1]:
        return np.zeros(0)
    return y[test] - A[test] @ _robust(A[fit], y[fit])


def _samples(
    photo: Photo, reference: Reference, sheet_height_mm: float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_], FloatArray]:
    """Bare-light samples of the opening on a grid: points (N, 2), light (N,), clipped (N,), linear RGB (N, 3)."""
    import cv2

    left, top, right, bottom = reference.opening_mm.bounds
    xs, ys = np.arange(left, right, _STEP_MM), np.arange(top, bottom, _STEP_MM)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    uv = (
        project(reference.camera, grid.reshape(-1, 2), height_mm=sheet_height_mm).reshape(grid.shape).astype(np.float32)
    )
    light = cv2.remap(photo.light, uv[..., 0], uv[..., 1], cv2.INTER_LINEAR, borderValue=0)
    clipped = cv2.remap(photo.clipped.astype(np.uint8), uv[..., 0], uv[..., 1], cv2.INTER_NEAREST, borderValue=0)
    top_level = float(np.percentile(light, 99.5))
    bright = (light > 0.55 * top_level).astype(np.uint8)
    reach = round(_MARGIN_MM / _STEP_MM)
    # Erosion keeps clear of edges and drops every seam (all narrower than the margin).
    clear = cv2.erode(bright, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8), borderValue=0) > 0
    picked = np.flatnonzero(clear)
    picked = picked[:: max(1, len(picked) // 6000)]
    at = np.round(uv.reshape(-1, 2)[picked]).astype(int)
    height, width = photo.light.shape
    bgr = photo.display_bgr[np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)]
    rgb = srgb_decode(bgr[:, ::-1] / 255.0)
    return grid.reshape(-1, 2)[picked], light.ravel()[picked].astype(float), clipped.ravel()[picked] > 0, rgb
