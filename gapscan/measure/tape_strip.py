"""A strip of tape on the map of the glow: how well its sides show it, and where they show it best."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int32]

BIAS = 0.08  # drop of the log glow below which a line speaks against tape
MOST_DROP = 0.40  # more than this is worth no more
_LEAST_DROP = 0.11
_LEAST_SIDE_MM = 6.0
_AGREEING = 0.70  # share of a strip's sides in pieces that show the drop
_SECOND_PIECES_MM = 2.5  # of side in other pieces than the one that shows most of it


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
    def width_mm(self) -> float:
        """Of the tape."""
        return self.across_mm[1] - self.across_mm[0]

    @property
    def corners_mm(self) -> FloatArray:
        """(4, 2) corners in map millimetres."""
        (a0, a1), (b0, b1) = self.along_mm, self.across_mm
        return np.array([[a0, b0], [a1, b0], [a1, b1], [a0, b1]]) @ turned_axes(self.turn_deg)

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

    def places(self, xy_mm: FloatArray) -> IntArray:
        """Flat indices into the map at points (..., 2) in map mm; the first pixel stands for all that is outside."""
        index = np.rint(xy_mm * np.float32(1.0 / self.step_mm)).astype(np.int32)
        height, width = self.log.shape
        u, v = index[..., 0], index[..., 1]
        inside = (u >= 0) & (v >= 0) & (u < width) & (v < height)
        return np.asarray(np.where(inside, v * width + u, 0), dtype=np.int32)


def turned_axes(turn_deg: float) -> FloatArray:
    """Rows: the directions along and across, in map axes."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    return np.array([[c, s], [-s, c]])


def settled(glow: GlowMap, rough: Strip) -> Strip | None:
    """The rectangle moved and turned to where its four sides show best; None where they do not show tape."""
    strip = rough
    # The map is averaged over a millimetre: closer samples matter to the last quarter of a millimetre only.
    for step, every_mm in ((1.0, 1.0), (0.5, 1.0), (0.25, 0.5)):
        best = float(_scores(glow, [strip], every_mm)[0])
        for _ in range(6):
            moved = _moved(strip, step)
            trials = _scores(glow, moved, every_mm)
            if trials.max(initial=-np.inf) <= best + 1e-6:
                break
            strip, best = moved[int(np.argmax(trials))], float(trials.max())
        if step == 1.0 and _weak(glow, strip):
            return None
    return _confirmed(glow, strip)


def _weak(glow: GlowMap, strip: Strip) -> bool:
    """Whether a long side that lies on wood shows so little, roughly in place, that no finer place will save it."""
    sides = [drop[seen] for drop, _, seen in _sides(glow, [strip], 1.0)[:2]]
    return any(float(drop.mean()) < _LEAST_DROP / 2 for drop in sides if len(drop) >= _LEAST_SIDE_MM)


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
    along, across = turned_axes(strip.turn_deg + by_deg) @ middle
    half_a, half_b = np.diff(strip.along_mm)[0] / 2, np.diff(strip.across_mm)[0] / 2
    return replace(
        strip,
        turn_deg=strip.turn_deg + by_deg,
        along_mm=(along - half_a, along + half_a),
        across_mm=(across - half_b, across + half_b),
    )


def _sides(glow: GlowMap, strips: list[Strip], every_mm: float = 0.5) -> list[tuple[FloatArray, IntArray, BoolArray]]:
    """Drop of the log glow going in, the piece it was seen in, and where it was seen, each (strips, M), at places
    so far apart on the two long and the two short sides."""
    axes = np.stack([turned_axes(strip.turn_deg) for strip in strips])
    along = np.array([strip.along_mm for strip in strips])
    across = np.array([strip.across_mm for strip in strips])
    log, pieces = glow.log.ravel(), glow.piece.ravel()
    axes, along, across = (a.astype(np.float32) for a in (axes, along, across))
    depth = np.array([0.75, 1.5, 2.25], np.float32)
    found: list[tuple[FloatArray, IntArray, BoolArray]] = []
    for side in range(4):
        fixed, ends = (across, along) if side < 2 else (along, across)
        # Directions (strips, 2) in which the side runs, and in which one goes in.
        runs, inward = (axes[:, 0], axes[:, 1]) if side < 2 else (axes[:, 1], axes[:, 0])
        sign = 1.0 if side % 2 == 0 else -1.0
        steps = every_mm * (0.5 + np.arange(int(np.ceil((ends[:, 1] - ends[:, 0]).max() / every_mm))))
        run = ends[:, :1] + steps
        base = run[:, :, None] * runs[:, None, :] + (fixed[:, side % 2, None] * inward)[:, None, :]
        off = sign * depth[None, :, None] * inward[:, None, :]
        base, off = base.astype(np.float32), off.astype(np.float32)
        places_in = glow.places(base[:, :, None, :] + off[:, None])
        places_out = glow.places(base[:, :, None, :] - off[:, None])
        piece = pieces[places_in]
        same = (piece == pieces[places_out]) & (piece > 0) & (run < ends[:, 1:])[:, :, None]
        count = same.sum(axis=2)
        drop = np.where(same, log[places_out] - log[places_in], 0.0).sum(axis=2) / np.maximum(count, 1)
        found.append((drop, np.where(same, piece, 0).max(axis=2), count >= 2))
    return found


def _scores(glow: GlowMap, strips: list[Strip], every_mm: float) -> FloatArray:
    """How well the sides of each of these strips show (N,)."""
    total = np.zeros(len(strips))
    for drop, _, seen in _sides(glow, strips, every_mm) if strips else []:
        total += np.where(seen, np.clip(drop, -MOST_DROP, MOST_DROP) - BIAS, 0.0).sum(axis=1)
    return total


def _confirmed(glow: GlowMap, strip: Strip) -> Strip | None:
    """The strip with its drop, where both long sides that lie on wood drop alike and in more than one piece."""
    sides = [(drop[0, seen[0]], piece[0, seen[0]]) for drop, piece, seen in _sides(glow, [strip])]
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
