"""Grains of dust and hairs that lie over a slit: short, abrupt losses of light, told from true changes of the gap.

A grain of a few tenths of a millimetre takes the light of one to four stations, a hair part of that of one or two. The
gap itself changes over a millimetre or more, be its walls ragged or not. A station is therefore set against what is
seen on both sides of it, half a millimetre to a millimetre and a half away: the loss is what it lacks against the
*narrower* of the two. On a slope, and next to a step, that is nothing. The loss counts in units of the stated noise, or
of the unevenness that the stretch round about truly shows (1.4826 · median of what stations differ from the middle of
their two sides, the consistent estimate for normal noise; Rousseeuw & Croux 1993, Journal of the American Statistical
Association 88, 1273-1283), whichever is more: where walls are ragged, short narrow places are no dust.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import PlacedStations

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_NEAREST, _FARTHEST = 2, 6  # stations away, on each side: beyond the largest grain, within the gap's own changes
_SCATTER_BESIDE = 16  # stations on each side whose unevenness counts as usual
_SIGMAS = 4.0
_SHOULDER_SIGMAS = 1.5  # next to a speck: a station that it covers in part
_LEAST_MM = 0.010  # shallower losses pull no mean that anybody would notice
_LEAST_SHARE = 0.15  # of the gap round about
_MOST_UNEVEN = 3.0
_LONGEST = 5  # stations: what is longer is no speck


def speck_stations(
    stations: PlacedStations, gap_mm: FloatArray, u_noise_mm: FloatArray, *, usable: BoolArray, known: BoolArray
) -> BoolArray:
    """Stations (N,) whose slit a grain or a hair crosses.

    gap_mm (N,) the gap as measured, with no light taken as closed; u_noise_mm (N,) the standard uncertainty of one
    station by noise alone; usable (N,) stations whose gap means something: only these are ever found; known (N,) those
    that others may be set against, usable ones and the less sure ones next to a junction.
    """
    if len(stations) == 0:
        return np.zeros(0, bool)
    # All stretches in one long row, with room between them that nothing looks across.
    new_stretch = np.diff(stations.stretch, prepend=stations.stretch[:1]) != 0
    at = np.arange(len(stations)) + _SCATTER_BESIDE * np.cumsum(new_stretch)

    def laid_out(values: FloatArray) -> FloatArray:
        row = np.full(int(at[-1]) + 1, np.nan)
        row[at] = values
        return row

    told = laid_out(np.where(known, gap_mm, np.nan))
    tried = laid_out(np.where(usable, gap_mm, np.nan))
    before, after = _level_beside(told, -1), _level_beside(told, 1)  # NaN where that side shows nothing
    uneven = np.abs(tried - (before + after) / 2)
    # In a short stretch specks themselves make much of the unevenness: it counts up to some times the usual one.
    everywhere = _median(uneven[None])[0]
    usual = np.fmin(_running_median(uneven, _SCATTER_BESIDE), _MOST_UNEVEN * everywhere)
    sigma = np.fmax(laid_out(u_noise_mm), 1.4826 * np.nan_to_num(usual))
    level = np.minimum(before, after)
    return np.asarray(_lost_briefly(np.nan_to_num(level - tried), level, sigma)[at])


def _lost_briefly(loss: FloatArray, level: FloatArray, sigma: FloatArray) -> BoolArray:
    """Short deep losses along a row (N,), with their shoulders."""
    deep = loss > np.maximum(np.maximum(_SIGMAS * sigma, _LEAST_MM), _LEAST_SHARE * np.nan_to_num(level))
    deep = _short_runs(deep)
    shoulder = loss > _SHOULDER_SIGMAS * sigma
    beside = np.zeros_like(deep)
    beside[1:] |= deep[:-1]
    beside[:-1] |= deep[1:]
    return np.asarray(deep | (beside & shoulder))


def _level_beside(known: FloatArray, side: int) -> FloatArray:
    """Median (N,) of the known stations a little way off on one side (−1 before, 1 after); NaN where fewer than two."""
    far = np.full((len(known), _FARTHEST - _NEAREST + 1), np.nan)
    for column, away in enumerate(range(_NEAREST, _FARTHEST + 1)):
        if away < len(known):
            if side < 0:
                far[away:, column] = known[:-away]
            else:
                far[:-away, column] = known[away:]
    return np.where(np.isfinite(far).sum(axis=1) >= 2, _median(far), np.nan)


def _running_median(values: FloatArray, reach: int) -> FloatArray:
    """Median (N,) of what is known within ``reach`` stations; NaN where none is."""
    padded = np.concatenate([np.full(reach, np.nan), values, np.full(reach, np.nan)])
    return _median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1))


def _median(windows: FloatArray) -> FloatArray:
    """Median of every row (N, M), NaN left out; NaN where a row has nothing."""
    ordered = np.sort(windows, axis=1)  # NaN sorts last
    some = np.maximum(np.isfinite(ordered).sum(axis=1), 1)
    rows = np.arange(len(ordered))
    return np.asarray((ordered[rows, (some - 1) // 2] + ordered[rows, some // 2]) / 2)


def _short_runs(mask: BoolArray) -> BoolArray:
    """The mask without its long runs."""
    bounds = np.flatnonzero(np.diff(np.r_[False, mask, False].astype(np.int8)))
    begins, ends = bounds[::2], bounds[1::2]
    long = ends - begins > _LONGEST
    change = np.zeros(len(mask) + 1, np.int64)
    change[begins[long]], change[ends[long]] = 1, -1
    return np.asarray(mask & (np.cumsum(change[:-1]) == 0))
