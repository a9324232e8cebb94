"""The shape of the bare light all over the opening, from a photo of the empty lightbox.

Only the shape is taken from it; the level comes from the bare light that the photo of the dry fit shows itself (see
light.py), so that another exposure does no harm. What the lens does to the light (vignetting) is in both photos alike.
The photo is averaged over cells of about a millimetre, cells with dust, card or clipped pixels are left out, and the
logarithm of the rest is smoothed by a local straight line (local linear regression with Gaussian weights; Fan and
Gijbels, Local Polynomial Modelling, 1996, from memory), twice over (Tukey's twicing: the smooth of the residual is
added back), so that neither a slope nor a bend of the light is flattened.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import PhotoError
from gapscan.photo.camera import project
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_STEP_MM = 1.0
_BEYOND_CELLS = 2  # round the opening, so that the frame's card is recognised by its edge
_SMOOTH_MM = 2.0
_COARSER = 1.6
_DARK = 0.5  # of the brightest cells: no bare light
_CELL_CLIPPED = 0.1
_SPECK = 0.02
_DIMMED = 0.93  # of the usual light within some 7 mm: partly card
_RIM_MM = 4.0  # a frame that was laid a little aside may reach so far into the opening
_DARK_REFUSED = 0.005
_CARD_REFUSED = 0.25
_SPECKS_REFUSED = 0.06
_CLIPPED_REFUSED = 0.02
_REMEDY = "take it with nothing on the lightbox, the camera in the same place, or leave out --bare"


@dataclass(frozen=True)
class LightField:
    """Logarithm of the bare light on a regular grid (H, W) in sheet coordinates, up to a constant.

    relative_u  relative standard uncertainty that the smoothing adds
    """

    log: FloatArray
    origin_mm: tuple[float, float]
    step_mm: float
    relative_u: float

    def at(self, xy_mm: FloatArray) -> FloatArray:
        """Values (N,) at sheet points (N, 2), bilinear; beyond the grid those of its border."""
        from scipy.ndimage import map_coordinates

        uv = (xy_mm - np.asarray(self.origin_mm)) / self.step_mm
        return np.asarray(map_coordinates(self.log, [uv[:, 1], uv[:, 0]], order=1, mode="nearest"), dtype=float)


def bare_field(bare: Photo, reference: Reference, *, sheet_height_mm: float) -> LightField:
    """The smooth field over the opening, as the camera of ``reference`` sees it through the sheet's plane.

    Raises PhotoError when the photo does not show an empty lightbox, or shows it overexposed.
    """
    from scipy.ndimage import binary_dilation

    name = Path(bare.path).name
    level, clipped, xs, ys = _cells(bare, reference, sheet_height_mm)
    good = _refuse_what_is_not_bare(name, level, clipped, xs, ys)
    log = np.log(np.where(good, level, 1.0))
    specks = _specks(log, good)
    share = float(specks[good].mean())
    if share > _SPECKS_REFUSED:
        raise PhotoError(
            f"{name}: edges or dirt on {100 * share:.0f} % of the empty lightbox, so its light cannot be told; {_REMEDY}"
        )
    good &= ~binary_dilation(specks)
    fine, coarse = (_smooth(log, good, sigma / _STEP_MM) for sigma in (_SMOOTH_MM, _SMOOTH_MM * _COARSER))
    # What a coarser smoothing would change bounds what this one changes (its own error is a small part of that).
    unsure = float(np.sqrt(np.mean((fine - coarse)[good] ** 2))) / 2
    return LightField(fine, (float(xs[0]), float(ys[0])), _STEP_MM, unsure)


def _cells(
    bare: Photo, reference: Reference, sheet_height_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean light (H, W) and share of clipped pixels (H, W) of cells of a millimetre, and the cells' places."""
    import cv2

    left, top, right, bottom = reference.opening_mm.bounds
    beyond = _BEYOND_CELLS * _STEP_MM
    xs, ys = (np.arange(a + _STEP_MM / 2 - beyond, b + beyond, _STEP_MM) for a, b in ((left, right), (top, bottom)))
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    uv = project(reference.camera, grid.reshape(-1, 2), height_mm=sheet_height_mm).reshape(grid.shape)
    height, width = bare.light.shape
    shrink = max(1.0, reference.px_per_mm * _STEP_MM)
    size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
    at = ((uv + 0.5) * (size[0] / width, size[1] / height) - 0.5).astype(np.float32)
    found = []
    for picture in (bare.light, bare.clipped.astype(np.float32)):
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        found.append(
            cv2.remap(small, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        )
    return np.asarray(found[0], dtype=float), np.asarray(found[1], dtype=float), xs, ys


def _refuse_what_is_not_bare(
    name: str, level: FloatArray, clipped: FloatArray, xs: FloatArray, ys: FloatArray
) -> BoolArray:
    """Cells (H, W) that show bare light. Raises PhotoError when they are too few."""
    from scipy.ndimage import binary_dilation, median_filter

    dark = level < _DARK * float(np.percentile(level, 98))
    x, y = np.meshgrid(xs, ys)
    far = np.minimum(np.ptp(xs) / 2 - np.abs(x - x.mean()), np.ptp(ys) / 2 - np.abs(y - y.mean()))
    opening = far > (_BEYOND_CELLS - 0.5) * _STEP_MM
    share, everywhere = float(dark[opening & (far > _RIM_MM)].mean()), float(dark[opening].mean())
    if share > _DARK_REFUSED or everywhere > _CARD_REFUSED:
        raise PhotoError(
            f"{name}: not a photo of the empty lightbox ({100 * max(share, everywhere):.0f} % of the frame's opening is "
            f"dark); {_REMEDY}"
        )
    burnt = clipped > _CELL_CLIPPED
    lost = float(burnt[opening].mean())
    if lost > _CLIPPED_REFUSED:
        raise PhotoError(
            f"{name}: the empty lightbox is overexposed ({100 * lost:.0f} % of it at full white), so its light is unknown "
            "there; take both photos one or two stops darker, or leave out --bare"
        )
    usual = np.repeat(np.repeat(median_filter(level[::2, ::2], size=7, mode="nearest"), 2, axis=0), 2, axis=1)
    dark |= (level < _DIMMED * usual[: level.shape[0], : level.shape[1]]) & (far <= _RIM_MM)
    return np.asarray(~binary_dilation(dark, iterations=2) & ~binary_dilation(burnt))


def _specks(log: FloatArray, good: BoolArray) -> BoolArray:
    """Cells (H, W) that stand out from their neighbours: dust, hairs, scratches."""
    from scipy.ndimage import distance_transform_edt, median_filter

    nearest = distance_transform_edt(~good, return_distances=False, return_indices=True)
    filled = log[tuple(nearest)]
    apart = np.abs(log - median_filter(filled, size=3, mode="nearest"))
    usual = 1.4826 * float(np.median(apart[good]))
    return np.asarray((apart > max(_SPECK, 6 * usual)) & good)


def _smooth(log: FloatArray, good: BoolArray, sigma_cells: float) -> FloatArray:
    first = _local_line(log, good, sigma_cells)
    return first + _local_line(log - first, good, sigma_cells)


def _local_line(z: FloatArray, good: BoolArray, sigma_cells: float) -> FloatArray:
    """Value at each cell of the straight plane fitted to the good cells round it, Gaussian weights.

    Sums are taken about the cell itself: with ``S`` the smoothing, Σ w (x' − x) = S(w x) − x S(w), and so on.
    """
    from scipy.ndimage import gaussian_filter

    v, u = np.mgrid[0 : z.shape[0], 0 : z.shape[1]].astype(float)
    w = good.astype(float)

    # Far from any good cell a wide weak kernel takes over, so that nothing is left undefined.
    def smooth(values: FloatArray) -> FloatArray:
        near = gaussian_filter(values, sigma_cells, mode="constant", truncate=4.0)
        far = gaussian_filter(values, 4 * sigma_cells, mode="constant", truncate=4.0)
        return np.asarray(near + 1e-4 * far)

    s0, su, sv = smooth(w), smooth(w * u), smooth(w * v)
    suu, suv, svv = smooth(w * u * u), smooth(w * u * v), smooth(w * v * v)
    mu, mv = su - u * s0, sv - v * s0
    muu, muv, mvv = suu - 2 * u * su + u * u * s0, suv - u * sv - v * su + u * v * s0, svv - 2 * v * sv + v * v * s0
    z0, zu, zv = smooth(w * z), smooth(w * z * u), smooth(w * z * v)
    H = np.stack([np.stack([s0, mu, mv], -1), np.stack([mu, muu, muv], -1), np.stack([mv, muv, mvv], -1)], -2)
    H += np.eye(3) * (1e-6 * s0 + 1e-12)[..., None, None]
    right = np.stack([z0, zu - u * z0, zv - v * z0], -1)
    return np.asarray(np.linalg.solve(H, right[..., None])[..., 0, 0])
