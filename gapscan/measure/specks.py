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
    told = np.where(known, gap_mm, np.nan)
    sides = [np.full(len(stations), np.nan) for _ in range(2)]  # NaN where that side shows nothing
    for begin, end in stations.runs():
        for level, side in zip(sides, (-1, 1), strict=True):
            level[begin:end] = _level_beside(told[begin:end], side)
    uneven = np.where(usable, np.abs(gap_mm - (sides[0] + sides[1]) / 2), np.nan)
    everywhere = float(_median(uneven[None])[0]) if len(uneven) else 0.0
    found = np.zeros(len(stations), bool)
    for begin, end in stations.runs():
        own = slice(begin, end)
        # In a short stretch specks themselves make much of the unevenness: it counts up to some times the usual one.
        usual = np.fmin(_running_median(uneven[own], _SCATTER_BESIDE), _MOST_UNEVEN * everywhere)
        sigma = np.maximum(u_noise_mm[own], 1.4826 * np.nan_to_num(usual))
        level = np.minimum(sides[0][own], sides[1][own])
        found[own] = _lost_briefly(np.where(usable[own], np.nan_to_num(level - gap_mm[own]), 0.0), level, sigma)
    return found


def _lost_briefly(loss: FloatArray, level: FloatArray, sigma: FloatArray) -> BoolArray:
    """Short deep losses in one stretch (N,), with their shoulders."""
    deep = loss > np.maximum(np.maximum(_SIGMAS * sigma, _LEAST_MM), _LEAST_SHARE * np.nan_to_num(level))
    shoulder = loss > _SHOULDER_SIGMAS * sigma
    deep = _short_runs(deep)
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
    kept = mask.copy()
    for begin, end in zip(bounds[::2], bounds[1::2], strict=True):
        kept[begin:end] = end - begin <= _LONGEST
    return kept
