"""How a sharp edge is spread in the picture: the straight sides of the frame's opening, black against bare light.

All pixels near an edge give the edge spread function together, each at its own distance from it: an edge that leans
against the pixel rows is met at every phase (the slanted-edge method of ISO 12233).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.photo.camera import back_project, project
from gapscan.photo.load import srgb_decode, srgb_encode
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]

REACH_PX = 9.0
_BIN_PX = 0.25
_FAR_PX = 24.0
_FAR_BIN_PX = 3.0
_CARD_MM = 1.5  # of opaque card beside the opening
_RISES = 0.02
_STEP_PX = 2.0
_BLOCK_MM = 6.0
_CORNER_MM = 4.0
_LEAST_CONTRAST = 0.3
_WHOLE = 0.85  # share of the bins that must be met


@dataclass(frozen=True)
class EdgeSpread:
    """One side of the opening: means of bins against the distance from the edge, bright side positive.

    Bins are a quarter pixel wide near the edge, three pixels on the card far from it, where a lens' tails end.
    distance_px (N,) from about the half-way crossing of the encoded values; code (N,) encoded values 0..1, light (N,)
    linear light; count (N,) pixels
    """

    distance_px: FloatArray
    code: FloatArray
    light: FloatArray
    count: FloatArray

    def crossing_px(self) -> float:
        """Where the light is half-way: the area under it up to a fixed distance tells, without a threshold."""
        dark, bright = (float(np.median(self.light[end * self.distance_px > 0.6 * REACH_PX])) for end in (-1.0, 1.0))
        grid = np.arange(-0.7 * REACH_PX, 0.7 * REACH_PX, _BIN_PX)
        share = (np.interp(grid, self.distance_px, self.light) - dark) / max(bright - dark, 1e-6)
        return float(grid[-1] + _BIN_PX / 2 - share.sum() * _BIN_PX)

    @property
    def whole(self) -> bool:
        """Whether the edge is met at nearly every phase of the pixels, so that it shows its spread by itself."""
        near = self.near.distance_px
        return len(np.unique(np.floor(near / _BIN_PX))) >= _WHOLE * 2 * REACH_PX / _BIN_PX

    @property
    def near(self) -> EdgeSpread:
        """The part within ``REACH_PX``."""
        use = np.abs(self.distance_px) <= REACH_PX
        return EdgeSpread(self.distance_px[use], self.code[use], self.light[use], self.count[use])


def edge_spreads(photo: Photo, reference: Reference) -> list[EdgeSpread]:
    """The sides (up to four) of the opening of which enough is seen, in the photo's present linear light."""
    return [s for s in (_edge_spread(photo, reference, side) for side in range(4)) if s is not None]


def veil(sides: list[EdgeSpread]) -> float | None:
    """Light of the opaque card near the opening as a share of the bare light: glare, wide halo, and light let through.

    A halo falls on both sides of an edge alike, so a narrow slit among dark wood loses up to twice this share of its
    light (veiling glare in the sense of ISO 9358; its name from memory).
    """
    shares = []
    for side in sides:
        dark, bright = (float(np.median(side.light[end * side.distance_px > 0.6 * REACH_PX])) for end in (-1.0, 1.0))
        shares.append(dark / max(bright, 1e-6))
    return float(np.median(shares)) if shares else None


def pooled(sides: list[EdgeSpread]) -> EdgeSpread | None:
    """All sides as one, levels scaled to 0 and 1: edges along the pixel rows meet few phases each, but others each."""
    if not sides:
        return None
    share = []
    for side in sides:
        dark, bright = (float(np.median(side.light[end * side.distance_px > 0.6 * REACH_PX])) for end in (-1.0, 1.0))
        share.append((side.light - dark) / max(bright - dark, 1e-6))
    distance, light = np.concatenate([s.distance_px - s.crossing_px() for s in sides]), np.concatenate(share)
    count = np.concatenate([s.count for s in sides])
    order = np.argsort(distance)
    return EdgeSpread(distance[order], np.asarray(srgb_encode(light))[order], light[order], count[order])


def _edge_spread(photo: Photo, reference: Reference, side: int) -> EdgeSpread | None:
    """Edge spread function of one side of the opening (0 left, 1 right, 2 top, 3 bottom)."""
    left, top, right, bottom = reference.opening_mm.bounds
    vertical, at = side < 2, (left, right, top, bottom)[side]
    inward = 1.0 if side in {0, 2} else -1.0
    low, high = (top, bottom) if vertical else (left, right)
    along = np.arange(low + _CORNER_MM, high - _CORNER_MM, _STEP_PX / reference.px_per_mm)
    if len(along) < 100:
        return None
    far = min(_FAR_PX, _CARD_MM * reference.px_per_mm)
    across = np.r_[np.arange(-far, -REACH_PX - 3, _STEP_PX), np.arange(-REACH_PX - 3, REACH_PX + 4)]
    across = across / reference.px_per_mm * inward + at
    s, d = np.meshgrid(along, across, indexing="ij")
    xy = np.stack([d, s] if vertical else [s, d], axis=-1).reshape(-1, 2)
    uv = np.round(project(reference.camera, xy)).astype(np.int64)
    height, width = photo.light.shape
    uv = uv[(uv >= 1).all(axis=1) & (uv[:, 0] < width - 1) & (uv[:, 1] < height - 1)]
    uv = np.column_stack(np.divmod(np.unique(uv[:, 1] * width + uv[:, 0]), width))[:, ::-1]
    if len(uv) < 2000:
        return None
    seen = back_project(reference.camera, uv.astype(float))
    scale = _across_scale(reference, seen, vertical)
    distance = (seen[:, 0 if vertical else 1] - at) * inward * scale
    place = seen[:, 1 if vertical else 0]
    code = np.asarray(srgb_encode(photo.light[uv[:, 1], uv[:, 0]].astype(float)))
    return _stacked(distance, place, code)


def _across_scale(reference: Reference, xy: FloatArray, vertical: bool) -> FloatArray:
    """Pixels per mm across the edge (N,) at sheet points: shortest distance in the picture, not along a sheet axis."""
    step = np.array([0.0, 0.5]) if vertical else np.array([0.5, 0.0])
    aside = np.array([0.5, 0.0]) if vertical else np.array([0.0, 0.5])
    tangent = project(reference.camera, xy + step) - project(reference.camera, xy - step)
    across = project(reference.camera, xy + aside) - project(reference.camera, xy - aside)
    tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.asarray(np.abs(across[:, 0] * tangent[:, 1] - across[:, 1] * tangent[:, 0]))


def _stacked(distance: FloatArray, place: FloatArray, code: FloatArray) -> EdgeSpread | None:
    """Align short blocks of the edge on their half-way crossing, then bin all pixels by distance."""
    block = ((place - place.min()) / _BLOCK_MM).astype(int)
    aligned, kept, levels = np.full(len(distance), np.nan), np.zeros(len(distance), bool), []
    for k in range(block.max() + 1):
        own = np.flatnonzero(block == k)
        if len(own) < 150:
            continue
        d, c = distance[own], code[own]
        out, into = c[d < -0.6 * REACH_PX], c[d > 0.6 * REACH_PX]
        if not len(out) or not len(into):  # the picture ends here
            continue
        dark, bright = np.median(out), np.median(into)
        if not np.isfinite(dark + bright) or bright - dark < _LEAST_CONTRAST:
            continue
        # Area above the dark level up to a fixed distance gives the crossing without a threshold.
        grid = np.arange(-REACH_PX, REACH_PX, 0.5)
        mean = np.interp(grid, *_binned(d, c, 0.5)[:2])
        share = np.clip((mean - dark) / (bright - dark), -0.3, 1.3)
        crossing = REACH_PX - float(share.sum() * 0.5)
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
    light = np.asarray(srgb_decode(levelled))
    parts = [(_FAR_BIN_PX, -_FAR_PX, -REACH_PX), (_BIN_PX, -REACH_PX, REACH_PX)]
    codes = [_binned(aligned[kept], levelled, *part) for part in parts]
    lights = [_binned(aligned[kept], light, *part)[1] for part in parts]
    distance_px, code_mean, count = (np.concatenate([part[k] for part in codes]) for k in range(3))
    # A lens' tail falls outward. Where it gets brighter again, a hole of the card begins.
    tail = lights[0][::-1]
    rises = np.flatnonzero(np.diff(tail) > _RISES * tail[:-1])
    first = len(tail) - int(rises[0]) if len(rises) else 0  # the last before it may be touched already
    return EdgeSpread(distance_px[first:], code_mean[first:], np.concatenate(lights)[first:], count[first:])


def _binned(
    distance: FloatArray, code: FloatArray, width: float, low: float = -REACH_PX, high: float = REACH_PX
) -> tuple[FloatArray, FloatArray, FloatArray]:
    index = np.floor((distance - low) / width).astype(int)
    bins = int((high - low) / width)
    good = (index >= 0) & (index < bins)
    count = np.bincount(index[good], minlength=bins).astype(float)
    some = count > 0
    mean = np.bincount(index[good], weights=code[good], minlength=bins)[some] / count[some]
    at = np.bincount(index[good], weights=distance[good], minlength=bins)[some] / count[some]
    return at, mean, count[some]
