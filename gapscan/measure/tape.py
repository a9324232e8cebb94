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

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int32]

_CELL_MM = 1.5  # of the search; its finds are settled at a quarter of a millimetre
_AVERAGED_MM = 1.0
_TURN_DEG = 4.0
_NARROWEST_MM, _WIDEST_MM = 4.0, 40.0
_REACH_CELLS = 2  # each side of a line
_BIAS = 0.08  # drop of the log glow below which a line speaks against tape
_MOST_DROP = 0.40  # more than this is worth no more
_UNKNOWN = -0.02
_LEAST_SCORE = 5.0  # mm of line times drop beyond the bias
_PASSES = 3
_CANDIDATES = 24
_LEAST_DROP = 0.11
_SAME = 0.5  # overlap of two finds that are one strip
_LEAST_SIDE_MM = 6.0
_AGREEING = 0.70  # share of a strip's sides in pieces that show the drop
_SECOND_PIECES_MM = 2.5  # of side in other pieces than the one that shows most of it
_ONE_ROLL = 0.6  # tapes of one fit come from one roll: much less dimming than the surest strip's is none


@dataclass(frozen=True)
class Strip:
    """A rectangle on the map, in mm from the map's first pixel.

    along_mm = (begin, end), across_mm = (begin, end) in axes turned by turn_deg (x towards y); drop of the log glow.
    """

    turn_deg: float
    along_mm: tuple[float, float]
    across_mm: tuple[float, float]
    drop: float = 0.0

    @property
    def corners_mm(self) -> FloatArray:
        """(4, 2) corners in map millimetres."""
        (a0, a1), (b0, b1) = self.along_mm, self.across_mm
        return np.array([[a0, b0], [a1, b0], [a1, b1], [a0, b1]]) @ _axes(self.turn_deg)

    def grown(self, by_mm: float) -> Strip:
        """Larger by so much on every side."""
        (a0, a1), (b0, b1) = self.along_mm, self.across_mm
        return replace(self, along_mm=(a0 - by_mm, a1 + by_mm), across_mm=(b0 - by_mm, b1 + by_mm))


@dataclass(frozen=True)
class GlowMap:
    """log (H, W) of the glow against the piece's usual; piece (H, W) its number from 1, 0 where unknown."""

    log: FloatArray
    piece: IntArray
    step_mm: float

    def at(self, xy_mm: FloatArray) -> tuple[FloatArray, IntArray]:
        """Values and piece numbers at points (..., 2) in map mm; 0 outside."""
        index = np.round(xy_mm / self.step_mm).astype(np.int64)
        height, width = self.log.shape
        inside = (index >= 0).all(axis=-1) & (index[..., 0] < width) & (index[..., 1] < height)
        u, v = np.where(inside, index[..., 0], 0), np.where(inside, index[..., 1], 0)
        return self.log[v, u], np.where(inside, self.piece[v, u], 0)


def find_strips(log: FloatArray, known: BoolArray, pieces: IntArray, *, step_mm: float) -> list[Strip]:
    """Strips of tape on a map (H, W) of log glow, the surest first. pieces (H, W) numbers from 1.

    What is found is taken off the map, and the search goes on: tapes that cross hide each other's sides.
    """
    glow = _averaged(GlowMap(log, np.where(known, pieces, 0).astype(np.int32), step_mm))
    strips: list[Strip] = []
    for _ in range(_PASSES):
        found: list[tuple[float, Strip]] = []
        for turn in np.arange(0.0, 180.0, _TURN_DEG):
            found += _pairs_of_lines(glow, float(turn))
        found.sort(key=lambda pair: -pair[0])
        new: list[Strip] = []
        for _, rough in _apart(found):
            strip = _settled(glow, rough)
            if strip is not None and not any(_overlap(strip, other) > _SAME for other in new):
                new.append(strip)
        surest = max((s.drop for s in (strips or new)), default=0.0)
        new = [s for s in new if s.drop > _ONE_ROLL * surest]
        if not new:
            break
        strips += new
        glow = replace(glow, log=_without(glow, new))
    return strips


def _without(glow: GlowMap, strips: list[Strip]) -> FloatArray:
    """The map with the dimming of these strips taken off."""
    import cv2

    log = glow.log.copy()
    for strip in strips:
        inside = np.zeros(log.shape, np.uint8)
        cv2.fillConvexPoly(inside, np.round(strip.corners_mm / glow.step_mm).astype(np.int32), 1)
        log += strip.drop * inside
    return log


def _axes(turn_deg: float) -> FloatArray:
    """Rows: the directions along and across, in map axes."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    return np.array([[c, s], [-s, c]])


def _averaged(fine: GlowMap) -> GlowMap:
    """The mean over a square millimetre of the piece's own known pixels, at every pixel."""
    import cv2

    side = max(1, round(_AVERAGED_MM / fine.step_mm))
    known = (fine.piece > 0).astype(float)
    total = cv2.boxFilter(np.where(fine.piece > 0, fine.log, 0.0), -1, (side, side), normalize=False)
    count = cv2.boxFilter(known, -1, (side, side), normalize=False)
    # Pieces lie a seam's margin apart, so a square millimetre round a known pixel hardly holds a second one.
    return GlowMap(total / np.maximum(count, 1.0), np.where(count >= side * side / 3, fine.piece, 0), fine.step_mm)


def _pairs_of_lines(glow: GlowMap, turn_deg: float) -> list[tuple[float, Strip]]:
    """The best stretch of every pair of parallel lines in one direction whose score is worth a second look."""
    axes = _axes(turn_deg)
    height, width = glow.log.shape
    extent = np.array([[0, 0], [width, 0], [0, height], [width, height]]) * glow.step_mm @ axes.T
    u = np.arange(extent[:, 0].min(), extent[:, 0].max(), _CELL_MM)
    v = np.arange(extent[:, 1].min(), extent[:, 1].max(), _CELL_MM)
    grid = np.stack(np.meshgrid(u, v), axis=-1) @ axes
    log, piece = glow.at(grid)
    rise, valid = _steps(log, piece)
    if not valid.any():
        return []
    rows = np.flatnonzero(valid.any(axis=1))
    first, last = max(rows[0] - 1, 0), rows[-1] + 2
    rise, valid, v = rise[first:last], valid[first:last], v[first:last]
    entering = np.where(valid, np.clip(-rise, -_MOST_DROP, _MOST_DROP) - _BIAS, 0.0)
    leaving = np.where(valid, np.clip(rise, -_MOST_DROP, _MOST_DROP) - _BIAS, 0.0)
    found = []
    for cells in range(round(_NARROWEST_MM / _CELL_MM), round(_WIDEST_MM / _CELL_MM) + 1):
        if cells >= len(v):
            break
        gain = entering[:-cells] + leaving[cells:]
        gain += np.where(valid[:-cells] | valid[cells:], 0.0, _UNKNOWN)
        total = np.pad(np.cumsum(gain, axis=1), ((0, 0), (1, 0)))
        least = np.minimum.accumulate(total, axis=1)
        score = total - least
        end = score.argmax(axis=1)
        best = score[np.arange(len(score)), end] * _CELL_MM
        for row in np.flatnonzero(best > _LEAST_SCORE):
            begin = int(total[row, : end[row] + 1].argmin())
            span = (float(u[0] + (begin - 0.5) * _CELL_MM), float(u[0] + (end[row] - 0.5) * _CELL_MM))
            # Line k runs between rows k − 1 and k.
            across = (float(v[row] - _CELL_MM / 2), float(v[row + cells] - _CELL_MM / 2))
            found.append((float(best[row]), Strip(turn_deg, span, across)))
    return found


def _steps(log: FloatArray, piece: IntArray) -> tuple[FloatArray, BoolArray]:
    """Rise of the log glow across the line above every row, (V, U), and whether one piece shows both its sides."""
    rise, count = np.zeros(log.shape), np.zeros(log.shape)
    for k in range(_REACH_CELLS):
        ahead, behind = slice(1 + k, len(log) - k), slice(0, len(log) - 1 - 2 * k)
        later, before = log[1 + 2 * k :], log[: len(log) - 1 - 2 * k]
        same = (piece[1 + 2 * k :] == piece[behind]) & (piece[behind] > 0)
        rise[ahead] += np.where(same, later - before, 0.0)
        count[ahead] += same
    return rise / np.maximum(count, 1), count >= 2


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

    first, second = Polygon(a.corners_mm), Polygon(b.corners_mm)
    return float(first.intersection(second).area / min(first.area, second.area))


def _settled(glow: GlowMap, rough: Strip) -> Strip | None:
    """The rectangle moved and turned to where its four sides show best; None where they do not show tape."""
    best, strip = _score(glow, rough), rough
    for step in (1.0, 0.5, 0.25):
        for _ in range(6):
            trials = [_score(glow, trial) for trial in _moved(strip, step)]
            if max(trials) <= best + 1e-9:
                break
            strip = _moved(strip, step)[int(np.argmax(trials))]
            best = max(trials)
    return _confirmed(glow, strip)


def _moved(strip: Strip, step_mm: float) -> list[Strip]:
    (a0, a1), (b0, b1) = strip.along_mm, strip.across_mm
    length = max(a1 - a0, 1.0)
    trials = []
    for d in (-step_mm, step_mm):
        trials += [
            replace(strip, along_mm=(a0 + 2 * d, a1)),
            replace(strip, along_mm=(a0, a1 + 2 * d)),
            replace(strip, across_mm=(b0 + d, b1)),
            replace(strip, across_mm=(b0, b1 + d)),
            replace(strip, across_mm=(b0 + d, b1 + d)),
            _turned(strip, np.rad2deg(2 * d / length)),
        ]
    return [t for t in trials if t.along_mm[1] - t.along_mm[0] > 6.0 and t.across_mm[1] - t.across_mm[0] > 3.0]


def _turned(strip: Strip, by_deg: float) -> Strip:
    """Turned about its own middle."""
    middle = strip.corners_mm.mean(axis=0)
    along, across = _axes(strip.turn_deg + by_deg) @ middle
    half_a, half_b = np.diff(strip.along_mm)[0] / 2, np.diff(strip.across_mm)[0] / 2
    return replace(
        strip,
        turn_deg=strip.turn_deg + by_deg,
        along_mm=(along - half_a, along + half_a),
        across_mm=(across - half_b, across + half_b),
    )


def _sides(glow: GlowMap, strip: Strip) -> list[tuple[FloatArray, IntArray]]:
    """Drop of the log glow going in, and the piece it was seen in, at half-millimetres of the two long and the two
    short sides."""
    axes = _axes(strip.turn_deg)
    (a0, a1), (b0, b1) = strip.along_mm, strip.across_mm
    found: list[tuple[FloatArray, IntArray]] = []
    depth = np.array([0.75, 1.5, 2.25])
    for fixed, low, high, inward in ((b0, a0, a1, 1), (b1, a0, a1, -1), (a0, b0, b1, 1), (a1, b0, b1, -1)):
        run = np.arange(low + 0.25, high, 0.5)
        inside, outside = fixed + inward * depth, fixed - inward * depth
        lines = []
        for places in (inside, outside):
            a, b = np.meshgrid(run, places, indexing="ij")
            points = np.stack([a, b] if len(found) < 2 else [b, a], axis=-1)
            lines.append(glow.at(points @ axes))
        (log_in, piece_in), (log_out, piece_out) = lines
        same = (piece_in == piece_out) & (piece_in > 0)
        some = same.sum(axis=1) >= 2
        drop = (np.where(same, log_out - log_in, 0.0).sum(axis=1) / np.maximum(same.sum(axis=1), 1))[some]
        found.append((drop, np.where(same, piece_in, 0).max(axis=1)[some]))
    return found


def _score(glow: GlowMap, strip: Strip) -> float:
    return sum(float((np.clip(drop, -_MOST_DROP, _MOST_DROP) - _BIAS).sum()) for drop, _ in _sides(glow, strip))


def _confirmed(glow: GlowMap, strip: Strip) -> Strip | None:
    """The strip with its drop, where both long sides that lie on wood drop alike and in more than one piece."""
    sides = _sides(glow, strip)
    long = [(drop, piece) for drop, piece in sides[:2] if len(drop) * 0.5 >= _LEAST_SIDE_MM]
    if not long:
        return None
    drops = np.array([float(drop.mean()) for drop, _ in long])
    if len(long) < 2:  # the other side lies off the sheet: the ends must speak
        ends = np.concatenate([drop for drop, _ in sides[2:]])
        drops = np.append(drops, float(ends.mean()) if len(ends) * 0.5 >= _LEAST_SIDE_MM else 0.0)
    if drops.min() < max(_LEAST_DROP, 0.5 * drops.max()):
        return None
    drop = np.concatenate([d for d, _ in sides])
    piece = np.concatenate([p for _, p in sides])
    mean = float(drop.mean())
    length = np.bincount(piece) * 0.5
    means = np.bincount(piece, weights=drop) / np.maximum(np.bincount(piece), 1)
    own = length >= 2.0
    agreeing = own & (means > 0.5 * mean)
    beyond_first = length[agreeing].sum() - length[agreeing].max(initial=0.0)
    if beyond_first < _SECOND_PIECES_MM or length[agreeing].sum() < _AGREEING * length[own].sum():
        return None
    return replace(strip, drop=mean)
