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
_OWN_SHARE = 0.6
_IN_LINE_MM = 0.05
_PLACE_KNOWN_MM = 0.025  # standard uncertainty of a place that was held
_PLACE_GUESSED_MM = 0.09  # of one that no lit station of its stretch has shown


def plainly_lit(
    stations: PlacedStations, centre_mm: FloatArray, width_mm: FloatArray, u_mm: FloatArray, false_mm: FloatArray
) -> BoolArray:
    """Where a slit shows by itself (N,): more than noise and grain feign, over a good part of 2 mm.

    Light that lies nearer to another line than to the drawn one belongs to that other seam.
    """
    own = np.abs(centre_mm) < _OWN_SHARE * stations.room_mm
    bright = _bright(width_mm, u_mm, false_mm) & own
    return bright & (run_mean(stations, bright.astype(float)) > _RUN_SHARE)


def _bright(width_mm: FloatArray, u_mm: FloatArray, false_mm: FloatArray) -> BoolArray:
    return np.asarray(width_mm > np.maximum(_PLAIN_MM, np.maximum(_NOISES * u_mm, _SURE * false_mm)))


def lit_in_line(
    centre_mm: FloatArray,
    expected_mm: FloatArray,
    place_u_mm: FloatArray,
    width_mm: FloatArray,
    u_mm: FloatArray,
    false_mm: FloatArray,
) -> BoolArray:
    """Single stations (N,) as bright as plainly lit ones, and in line with those of their stretch: short openings."""
    in_line = (np.abs(centre_mm - expected_mm) < _IN_LINE_MM) & (place_u_mm < _PLACE_GUESSED_MM)
    return in_line & _bright(width_mm, u_mm, false_mm)


def run_mean(run: PlacedStations, values: FloatArray, *, stations: int = RUN_STATIONS) -> FloatArray:
    """Mean over so many neighbouring stations of each stretch (N,)."""
    from scipy.ndimage import uniform_filter1d

    mean = np.zeros(len(values))
    for begin, end in run.runs():
        mean[begin:end] = uniform_filter1d(values[begin:end], min(stations, end - begin), mode="nearest")
    return mean


def expected_centres(
    stations: PlacedStations, centre_mm: FloatArray, width_mm: FloatArray, plain: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Where the slit ought to lie and how well that is known, both (N,): between the plainly lit stations of its stretch.

    A stretch without any takes the median place of its own light, weighted by its square: what little of a slit shines
    through outweighs the streaks of grain, which lie all about.
    """
    from scipy.ndimage import median_filter

    expected = centre_mm.copy()
    known = np.full(len(stations), _PLACE_KNOWN_MM)
    for begin, end in stations.runs():
        lit = np.flatnonzero(plain[begin:end])
        if len(lit):
            steady = median_filter(centre_mm[begin:end][lit], size=min(_MEDIAN_STATIONS, len(lit)), mode="nearest")
            expected[begin:end] = np.interp(np.arange(end - begin), lit, steady)
        else:
            weight = np.clip(width_mm[begin:end], 1e-4, _DIM_MM) ** 2
            order = np.argsort(centre_mm[begin:end])
            share = np.cumsum(weight[order]) / weight.sum()
            expected[begin:end] = centre_mm[begin:end][order[np.searchsorted(share, 0.5)]]
            known[begin:end] = _PLACE_GUESSED_MM
    return expected, known


def step_width(fit: SlitFit, level: FloatArray, place_u_mm: FloatArray) -> FloatArray:
    """Width (N,) that the step between a pale and a dark wood feigns, or hides, for a slit held so far off its place.

    Light that belongs to the paler wood over ``place_u_mm`` is ascribed to a slit that much brighter.
    """
    wood = (fit.left + fit.right) / 2
    return np.asarray(place_u_mm * np.abs(fit.left - fit.right) / np.maximum(level - wood, 1e-3))


def dimly_lit(
    stations: PlacedStations, width_mm: FloatArray, u_mm: FloatArray, false_mm: FloatArray, step_mm: FloatArray
) -> BoolArray:
    """Where a slit shows at its expected place (N,): over the run, and at the station itself.

    false_mm (N,) what grain feigns over a run with the place held; step_mm (N,) what two tones of wood feign.
    """
    floor = np.maximum(_FAINT_MM, _SURE * (false_mm + step_mm))
    here = (width_mm > np.maximum(floor, _NOISES * u_mm)) & (width_mm < _DIM_MM)
    return here & (run_mean(stations, width_mm - floor) > 0)


def merged(
    free: SlitFit,
    held: SlitFit,
    dim: NDArray[np.int64],
    place_mm: FloatArray,
    place_u_mm: FloatArray,
    step_mm: FloatArray,
) -> SlitFit:
    """The free fit (N,), but at the dim stations (D,) the held one with its place, and what is in doubt with it (D,)."""
    chosen = {f.name: getattr(free, f.name).copy() for f in fields(SlitFit)}
    for name, values in chosen.items():
        values[dim] = getattr(held, name)
    chosen["centre"][dim] = place_mm
    chosen["u_centre"][dim] = place_u_mm
    chosen["u_width"][dim] = np.hypot(held.u_width, step_mm)
    return SlitFit(**chosen)
