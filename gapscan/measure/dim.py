"""Slits too dim to show their own place: told from streaks of grain by where they ought to be, and along a run.

A fit that may look for its slit finds the brightest streak of grain near the seam, and takes it for a slit of 10 to
30 µm. A slit, though, lies where the same seam shows light a little farther on, and goes on for more than a speck. So
dim stations are fitted again with their place held, and averaged over 2 mm: grain then feigns no more than a few µm.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import PlacedStations
from gapscan.measure.width import SlitFit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

RUN_STATIONS = 9  # about 2 mm
_RUN_SHARE = 0.7
_PLAIN_MM = 0.015  # less seen width than this does not find its own place
_FAINT_MM = 0.010  # less than this is no light, whatever the grain: woods of two tones meet here
_NOISES = 4.0
_DIM_MM = 0.06  # a wider slit would have shown by itself: this is a neighbour's light
_SURE = 2.0  # times what grain feigns in one case of a hundred
_MEDIAN_STATIONS = 9
_PLACE_KNOWN_MM = 0.05  # standard uncertainty of a place that was held


def plainly_lit(stations: PlacedStations, width_mm: FloatArray, u_mm: FloatArray, false_mm: FloatArray) -> BoolArray:
    """Where a slit shows by itself (N,): more than noise and grain feign, over a good part of 2 mm."""
    bright = width_mm > np.maximum(_PLAIN_MM, np.maximum(_NOISES * u_mm, _SURE * false_mm))
    return bright & (run_mean(stations, bright.astype(float)) > _RUN_SHARE)


def run_mean(run: PlacedStations, values: FloatArray, *, stations: int = RUN_STATIONS) -> FloatArray:
    """Mean over so many neighbouring stations of each stretch (N,)."""
    from scipy.ndimage import uniform_filter1d

    mean = np.zeros(len(values))
    for begin, end in run.runs():
        mean[begin:end] = uniform_filter1d(values[begin:end], min(stations, end - begin), mode="nearest")
    return mean


def expected_centres(stations: PlacedStations, centre_mm: FloatArray, plain: BoolArray) -> FloatArray:
    """Where the slit ought to lie (N,): between the plainly lit stations of its stretch, else where it was sought."""
    from scipy.ndimage import median_filter

    expected = centre_mm.copy()
    for begin, end in stations.runs():
        lit = np.flatnonzero(plain[begin:end])
        if len(lit):
            steady = median_filter(centre_mm[begin:end][lit], size=min(_MEDIAN_STATIONS, len(lit)), mode="nearest")
            expected[begin:end] = np.interp(np.arange(end - begin), lit, steady)
    return expected


def dimly_lit(stations: PlacedStations, width_mm: FloatArray, u_mm: FloatArray, false_mm: FloatArray) -> BoolArray:
    """Where a slit shows at its expected place (N,): over the run, and at the station itself.

    false_mm (N,) what grain feigns over a run with the place held.
    """
    floor = np.maximum(_FAINT_MM, _SURE * false_mm)
    here = (width_mm > np.maximum(floor, _NOISES * u_mm)) & (width_mm < _DIM_MM)
    return here & (run_mean(stations, width_mm) > floor)


def merged(free: SlitFit, held: SlitFit, dim: NDArray[np.int64], expected_mm: FloatArray) -> SlitFit:
    """The free fit (N,), but at the dim stations (D,) the held one, whose place is hardly known."""
    chosen = {f.name: getattr(free, f.name).copy() for f in fields(SlitFit)}
    for name, values in chosen.items():
        values[dim] = getattr(held, name)
    chosen["centre"][dim] = expected_mm
    chosen["u_centre"][dim] = _PLACE_KNOWN_MM
    return SlitFit(**chosen)
