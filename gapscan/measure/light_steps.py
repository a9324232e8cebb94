"""Sudden steps in the light along a slit: the sides of a tape over it, where the wood itself shows none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import SPACING_MM, PlacedStations

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

LIT_MM = 0.02
_STEADIED_STATIONS = 5
_STEP_STATIONS = 3
_JUMP_LOG = 0.25
_JUMP_NOISES = 7.0
_CORNER_DEG = 25.0  # within a millimetre
_MOST_JUMP_LOG = 1.2
_WIDEST_TAPE_MM, _WIDEST_OPEN_MM = 45.0, 20.0
_FEWEST_STEPS = 6
_STEPS_ALIKE = 0.3
_STEP_LIKE_USUAL = 0.35
_JUNCTION_MM = 1.3
_DIMMED_LIT_MM = 0.011


def light_in_steps(seams: PlacedStations, width_mm: FloatArray) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Log light of every slit as its sudden steps tell (N,); where it was dimmed by such a step (N,); and where it is lit (N,).

    Only changes that happen within a millimetre and stand out from the slope on both sides are steps: gaps and the
    slanted view change slowly, the side of a tape does not. At a corner of the drawing another direction of the seam is
    seen under another slant, which is no step.
    """
    from scipy.ndimage import binary_dilation, maximum_filter1d, median_filter

    log = np.zeros(len(seams))
    dimmed, lit = np.zeros(len(seams), bool), np.zeros(len(seams), bool)
    stretches: list[tuple[int, int, list[tuple[int, float]]]] = []
    a, b = _STEP_STATIONS, 3 * _STEP_STATIONS
    for begin, end in seams.runs():
        n = end - begin
        clear = np.flatnonzero(seams.junction_mm[begin:end] > _JUNCTION_MM)
        if n <= 2 * b or len(clear) < b:
            continue
        steady = median_filter(width_mm[begin:end], size=_STEADIED_STATIONS, mode="nearest")
        lit[begin:end] = steady > LIT_MM
        # Next to a junction other slits shine in.
        lit[begin:end] &= seams.junction_mm[begin:end] > _JUNCTION_MM
        level = np.interp(np.arange(n), clear, np.log(np.maximum(steady, LIT_MM / 2))[clear])
        wide = np.pad(level, b, mode="edge")
        near_before, near_after = wide[b - a : b - a + n], wide[b + a : b + a + n]
        slope = (wide[2 * b :] - near_after + near_before - wide[:n]) / 2
        jump = near_after - near_before - slope
        normal = np.pad(seams.normal[begin:end], ((2, 2), (0, 0)), mode="edge")
        turning = (normal[:n] * normal[4:]).sum(axis=1) < np.cos(np.deg2rad(_CORNER_DEG))
        # The quieter half of the stretch tells the noise (quartile of a normal variable's modulus: 0.3186 σ).
        noise = float(np.quantile(np.abs(jump), 0.25)) / 0.3186
        # Light that dies away has no usual to be set against: both sides of a step are lit.
        bright = np.minimum(near_before, near_after) > np.log(_DIMMED_LIT_MM)
        # Beside a step the slopes feign one of the other sign, where the light itself hardly changes.
        size = np.minimum(np.abs(jump), np.sign(jump) * (near_after - near_before))
        is_step = (
            (size < _MOST_JUMP_LOG)
            & (size > max(_JUMP_LOG, _JUMP_NOISES * noise))
            & (size == maximum_filter1d(size, 2 * a + 1))
        )
        is_step &= bright & ~binary_dilation(turning, iterations=2 * a)
        is_step[1:] &= ~is_step[:-1]  # two alike
        stretches.append((begin, end, [(int(i), float(jump[i])) for i in np.flatnonzero(is_step)]))
    usual = _usual_step([size for *_, steps in stretches for _, size in steps])
    for begin, end, steps in stretches:
        n = end - begin
        log[begin:end] = _lost(steps, n)
        # Tape may reach over a junction: light lost at one step only counts too, if that is like all others.
        down = _dimmed(steps, n, usual)
        up = _dimmed([(n - place, -size) for place, size in reversed(steps)], n, usual)[::-1]
        dimmed[begin:end] = down | up
    return log, dimmed, lit


def _usual_step(sizes: list[float]) -> float | None:
    """What the tapes of one roll do to the log light; None where steps are few or not alike."""
    if len(sizes) < _FEWEST_STEPS:
        return None
    usual = float(np.median(np.abs(sizes)))
    return usual if float(np.median(np.abs(np.abs(sizes) - usual))) < _STEPS_ALIKE * usual else None


def _dimmed(steps: list[tuple[int, float]], n: int, usual: float | None) -> BoolArray:
    """(n,) where light was lost at a step and comes back at another like it; or at a step of the ``usual`` size, if
    there is one, and the stretch ends before it comes back."""
    inside = np.zeros(n, bool)
    for k, (place, size) in enumerate(steps):
        if size > 0:
            continue
        lost, end, back, closed = size, n, False, False
        for later, change in steps[k + 1 :]:
            lost += change
            if change > 0:  # a step that was missed must not run on to the stretch's end
                end, back, closed = later, True, lost > -_JUMP_LOG
            if closed:
                break
        alike = usual is not None and abs(-size - usual) < _STEP_LIKE_USUAL * usual
        widest_mm = _WIDEST_TAPE_MM if back else _WIDEST_OPEN_MM
        if (closed or alike) and end - place <= round(widest_mm / SPACING_MM):
            inside[place:end] = True
    return inside


def _lost(steps: list[tuple[int, float]], n: int) -> FloatArray:
    """Sum of the steps (n,) up to each station of a stretch."""
    change = np.zeros(n)
    for place, size in steps:
        change[place] = size
    return np.cumsum(change)
