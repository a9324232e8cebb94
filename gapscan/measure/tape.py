"""Strips of tape over the sheet, found by their straight sides.

Tape dims whatever glows under it by one factor, inside a rectangle, and its sides run on from piece to piece. Grain and
figure also have straight borders, but these end at the piece's edge and rarely come in pairs. So for every direction
the map of the glow's logarithm is searched for two parallel lines across which the glow drops going in and rises
going out; the drop is only ever taken within one piece, so that a dark wood beside a pale one is no side of a tape.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.tape_strip import BIAS, MOST_DROP, GlowMap, Strip, settled, turned_axes

FloatArray = NDArray[np.floating]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int32]

_CELL_MM = 1.5  # of the search; its finds are settled at a quarter of a millimetre
_AVERAGED_MM = 1.0
_TURN_DEG = 4.0
_NARROWEST_MM, _WIDEST_MM = 4.0, 40.0
_REACH_CELLS = 2  # each side of a line
_UNKNOWN = -0.02
_LEAST_SCORE = 5.0  # mm of line times drop beyond the bias
_PASSES = 3
_CANDIDATES = 24
_SAME = 0.5  # overlap of two finds that are one strip
_ONE_ROLL = 0.6  # tapes of one fit come from one roll: much less dimming than the surest strip's is none
_OTHER_WIDTH, _WIDTH_ALIKE = 0.75, 0.15


@dataclass(frozen=True)
class _Lines:
    """Rows of cells in one direction: flat map places below and above every line, and whether one piece shows both.

    turn_deg; u0_mm, v0_mm of the first column and row kept; behind, ahead (reach, V, U) places, same (reach, V, U);
    valid (V, U) where enough is known.
    """

    turn_deg: float
    u0_mm: float
    v0_mm: float
    behind: IntArray
    ahead: IntArray
    same: BoolArray
    valid: BoolArray
    count: FloatArray


def find_strips(log: FloatArray, known: BoolArray, pieces: IntArray, *, step_mm: float) -> list[Strip]:
    """Strips of tape on a map (H, W) of log glow, the surest first. pieces (H, W) numbers from 1.

    What is found is taken off the map, and the search goes on: tapes that cross hide each other's sides.
    """
    glow = _averaged(GlowMap(log, np.where(known, pieces, 0).astype(np.int32), step_mm))
    directions = [_lines(glow, float(turn)) for turn in np.arange(0.0, 180.0, _TURN_DEG)]
    strips: list[Strip] = []
    for _ in range(_PASSES):
        found: list[tuple[float, Strip]] = []
        for lines in directions:
            if lines is not None:
                found += _pairs_of_lines(glow, lines)
        found.sort(key=lambda pair: -pair[0])
        new: list[Strip] = []
        for _, rough in _apart(found):
            strip = settled(glow, rough)
            if strip is not None and not any(_overlap(strip, other) > _SAME for other in new):
                new.append(strip)
        surest = max(strips or new, key=lambda strip: strip.drop, default=None)
        new = [strip for strip in new if surest is None or _of_one_roll(strip, surest, left_over=bool(strips))]
        if not new:
            break
        strips += new
        glow = replace(glow, log=_without(glow, new))
    return strips


def _of_one_roll(strip: Strip, surest: Strip, *, left_over: bool) -> bool:
    """Whether a strip dims like the surest one; one of another width must be the more like it, and not be among what is
    left over when others are taken off, whose rims are not exact."""
    like = abs(strip.width_mm / surest.width_mm - 1) < _WIDTH_ALIKE
    if not like and left_over:
        return False
    return strip.drop > (_ONE_ROLL if like else _OTHER_WIDTH) * surest.drop


def _without(glow: GlowMap, strips: list[Strip]) -> FloatArray:
    """The map with the dimming of these strips taken off."""
    import cv2

    log = glow.log.copy()
    for strip in strips:
        inside = np.zeros(log.shape, np.uint8)
        cv2.fillConvexPoly(inside, np.round(strip.corners_mm / glow.step_mm).astype(np.int32), 1)
        log += strip.drop * inside
    return log


def _averaged(fine: GlowMap) -> GlowMap:
    """The mean over a square millimetre of the piece's own known pixels, at every pixel."""
    import cv2

    side = max(1, round(_AVERAGED_MM / fine.step_mm))
    known = (fine.piece > 0).astype(float)
    total = cv2.boxFilter(np.where(fine.piece > 0, fine.log, 0.0), -1, (side, side), normalize=False)
    count = cv2.boxFilter(known, -1, (side, side), normalize=False)
    # Pieces lie a seam's margin apart, so a square millimetre round a known pixel hardly holds a second one.
    log = (total / np.maximum(count, 1.0)).astype(np.float32)
    piece = np.where(count >= side * side / 3, fine.piece, 0)
    piece[0, 0] = 0  # it stands for what lies outside
    return GlowMap(log, piece, fine.step_mm)


def _lines(glow: GlowMap, turn_deg: float) -> _Lines | None:
    """The lines of one direction that could be seen; None where there are none. It depends on the pieces only."""
    axes = turned_axes(turn_deg)
    height, width = glow.log.shape
    extent = np.array([[0, 0], [width, 0], [0, height], [width, height]]) * glow.step_mm @ axes.T
    u = np.arange(extent[:, 0].min(), extent[:, 0].max(), _CELL_MM)
    v = np.arange(extent[:, 1].min(), extent[:, 1].max(), _CELL_MM)
    places = glow.places(u[None, :, None] * axes[0] + v[:, None, None] * axes[1])
    piece = glow.piece.ravel()[places]
    shape = (_REACH_CELLS, *places.shape)
    behind, ahead, same = np.zeros(shape, np.int32), np.zeros(shape, np.int32), np.zeros(shape, bool)
    for k in range(_REACH_CELLS):
        line, low, high = slice(1 + k, len(v) - k), slice(0, len(v) - 1 - 2 * k), slice(1 + 2 * k, None)
        behind[k, line], ahead[k, line] = places[low], places[high]
        same[k, line] = (piece[high] == piece[low]) & (piece[low] > 0)
    count = same.sum(axis=0)
    valid = count >= 2
    if not valid.any():
        return None
    rows = np.flatnonzero(valid.any(axis=1))
    first, last = max(int(rows[0]) - 1, 0), int(rows[-1]) + 2
    own = slice(first, last)
    return _Lines(
        turn_deg,
        float(u[0]),
        float(v[first]),
        behind[:, own],
        ahead[:, own],
        same[:, own],
        valid[own],
        np.maximum(count[own], 1).astype(np.float32),
    )


def _pairs_of_lines(glow: GlowMap, lines: _Lines) -> list[tuple[float, Strip]]:
    """The best stretch of every pair of parallel lines in one direction whose score is worth a second look."""
    from scipy.ndimage import maximum_filter

    log = glow.log.ravel()
    rise = np.where(lines.same, log[lines.ahead] - log[lines.behind], np.float32(0)).sum(axis=0) / lines.count
    rise = np.clip(rise, -MOST_DROP, MOST_DROP)
    entering = np.where(lines.valid, -rise - np.float32(BIAS), np.float32(0))
    leaving = np.where(lines.valid, rise - np.float32(BIAS), np.float32(0))
    # No pair scores more than the best stretches of its two lines together.
    most_in, most_out = (_best_stretch(gain)[0] for gain in (entering, leaving))
    cells = np.arange(round(_NARROWEST_MM / _CELL_MM), round(_WIDEST_MM / _CELL_MM) + 1)
    row, apart = np.repeat(np.arange(len(rise)), len(cells)), np.tile(cells, len(rise))
    other = row + apart
    there = other < len(rise)
    row, other, apart = row[there], other[there], apart[there]
    hopeful = (most_in[row] + most_out[other]) * _CELL_MM > _LEAST_SCORE
    row, other, apart = row[hopeful], other[hopeful], apart[hopeful]
    if len(row) == 0:
        return []
    gain = entering[row] + leaving[other]
    gain += np.where(lines.valid[row] | lines.valid[other], np.float32(0), np.float32(_UNKNOWN))
    best, begin, end = _best_stretch(gain)
    # Of pairs a cell away from each other, which are much the same strip, the best.
    table = np.full((len(rise), int(cells[-1]) + 1), -np.inf, np.float32)
    table[row, apart] = best
    peak = best >= maximum_filter(table, size=3, mode="constant", cval=-np.inf)[row, apart]
    found = []
    for k in np.flatnonzero(peak & (best * _CELL_MM > _LEAST_SCORE)):
        span = (lines.u0_mm + (begin[k] - 0.5) * _CELL_MM, lines.u0_mm + (end[k] - 0.5) * _CELL_MM)
        # Line k runs between rows k − 1 and k.
        below = lines.v0_mm + (row[k] - 0.5) * _CELL_MM
        across = (float(below), float(below + apart[k] * _CELL_MM))
        found.append((float(best[k] * _CELL_MM), Strip(lines.turn_deg, (float(span[0]), float(span[1])), across)))
    return found


def _best_stretch(gain: FloatArray) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.int64]]:
    """Largest sum over a run of each row (N, U): sum (N,), first column and one past the last."""
    total = np.zeros((gain.shape[0], gain.shape[1] + 1), gain.dtype)
    np.cumsum(gain, axis=1, out=total[:, 1:])
    score = total - np.minimum.accumulate(total, axis=1)
    end = score.argmax(axis=1)
    rows = np.arange(len(gain))
    best = score[rows, end]
    begin = np.array([int(total[r, : end[r] + 1].argmin()) for r in rows]) if len(gain) else end
    return best, begin, end


def _apart(found: list[tuple[float, Strip]]) -> list[tuple[float, Strip]]:
    """Of candidates that are much the same rectangle the best one only."""
    kept: list[tuple[float, Strip]] = []
    for score, strip in found:
        if len(kept) == _CANDIDATES:
            break
        if not any(_overlap(strip, other) > _SAME for _, other in kept):
            kept.append((score, strip))
    return kept


def _overlap(a: Strip, b: Strip) -> float:
    """Area in common over the smaller area."""
    from shapely.geometry import Polygon

    if np.hypot(*(a.corners_mm.mean(axis=0) - b.corners_mm.mean(axis=0))) > _reach(a) + _reach(b):
        return 0.0
    first, second = Polygon(a.corners_mm), Polygon(b.corners_mm)
    return float(first.intersection(second).area / min(first.area, second.area))


def _reach(strip: Strip) -> float:
    """From the middle to a corner, mm."""
    return float(np.hypot(*np.diff([strip.along_mm, strip.across_mm], axis=1)[:, 0])) / 2
