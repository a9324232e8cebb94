"""What moving an outline does at its narrow places: bits dropped, necks, closed openings, corners the beam cannot follow.

A new outline is exact geometry; a beam and a piece of veneer are not. What cannot be cut is taken out of the outline,
what can be cut but needs care at the bench is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.turns import turns

FloatArray = NDArray[np.float64]

# Widths in mm, common practice, no source: a laser's spot on veneer is about a tenth of a millimetre, so that nothing
# narrower is left standing between two cuts; a bridge of wood under three tenths breaks when the piece is lifted.
BEAM_MM = 0.1
NECK_MM = 0.3
_CORNER_DEG = 25.0
_BLUNTED_MM = 0.1


@dataclass(frozen=True)
class SoundOutline:
    """An outline that can be cut, and what to know about it, in words that follow on the piece's name."""

    outline: Polygon | MultiPolygon
    remarks: tuple[str, ...]


def sound_outline(
    drawn: Polygon,
    new: Polygon | MultiPolygon,
    *,
    offset_mm: float,
    loss_mm: float,
    press_mm: float,
    mitre_limit: float,
) -> SoundOutline:
    """``new``, the outline ``drawn`` moved by about ``offset_mm``, without what cannot be cut.

    ``loss_mm`` is what the beam takes off an outline, half the width of its cut (NaN where not known): round the inside
    of a corner it leaves wood standing, r (1 / sin(θ/2) - 1) high with the opening angle θ of the corner and the radius
    r (the distance from the corner to the circle of radius r in it). Only what is more than ``press_mm`` is told.
    A part or opening narrower than the beam is left out, but never the largest part.
    """
    remarks: list[str] = []
    parts = sorted(new.geoms if isinstance(new, MultiPolygon) else (new,), key=lambda part: -part.area)
    kept = [part for k, part in enumerate(parts) if k == 0 or _wider_than(part, BEAM_MM)]
    if len(kept) < len(parts):
        remarks.append(f"{_count(len(parts) - len(kept), 'sliver')} narrower than the beam left out")
    kept = [_without_slits(part) for part in kept]
    if len(kept) > 1:
        remarks.append(f"falls into {len(kept)} parts when cut so; look whether a larger offset is meant")
    lost = len(drawn.interiors) - sum(len(part.interiors) for part in kept)
    if lost > 0:
        remarks.append(f"{_count(lost, 'opening')} too narrow to be cut closed")
    neck = _neck(kept)
    if neck is not None:
        x, y = neck
        remarks.append(f"a neck of wood narrower than {NECK_MM:g} mm near x {x:.1f}, y {y:.1f} mm: lift it on tape")
    blunted = _blunted(drawn, offset_mm, mitre_limit)
    if blunted > _BLUNTED_MM:
        remarks.append(f"its sharpest tip ends {blunted:.1f} mm short of a full mitre")
    standing = _standing(kept, loss_mm)
    told = standing[standing > press_mm]
    if len(told):
        remarks.append(
            f"wood up to {told.max():.2f} mm high stays in {_count(len(told), 'inner corner')} that the beam rounds; "
            "ease the tip that goes in there with a blade"
        )
    return SoundOutline(kept[0] if len(kept) == 1 else MultiPolygon(kept), tuple(remarks))


def _wider_than(part: Polygon, width_mm: float) -> bool:
    return not part.buffer(-width_mm / 2).is_empty


def _without_slits(part: Polygon) -> Polygon:
    """The part with every opening filled that the beam would cut from both sides at once."""
    open_ = [ring for ring in part.interiors if _wider_than(Polygon(ring), BEAM_MM)]
    return part if len(open_) == len(part.interiors) else Polygon(part.exterior, open_)


def _neck(parts: list[Polygon]) -> tuple[float, float] | None:
    """A place where wood holds on to wood by less than ``NECK_MM``; tips that only run out are none."""
    for part in parts:
        apart = part.buffer(-NECK_MM / 2)
        if not isinstance(apart, MultiPolygon):
            continue
        # What is left of a neck's ends must be more than the crumbs of a wavy tip.
        bodies = [body for body in apart.geoms if body.area > NECK_MM**2]
        if len(bodies) > 1:
            line = shapely.shortest_line(bodies[0], MultiPolygon(bodies[1:]))
            middle = line.interpolate(0.5, normalized=True)
            return float(middle.x), float(middle.y)
    return None


def _blunted(drawn: Polygon, offset_mm: float, mitre_limit: float) -> float:
    """How far the sharpest corner that was moved outward ends short of where its sides would meet."""
    angle = np.concatenate(
        [_corner_turns(ring) for ring in shapely.geometry.polygon.orient(drawn).interiors] or [np.empty(0)]
    )
    outer = _corner_turns(shapely.geometry.polygon.orient(drawn).exterior)
    angle = np.concatenate([outer, angle])
    inside = math.pi - angle if offset_mm > 0 else math.pi + angle
    pointed = inside[(inside > 1e-3) & (inside < math.pi - math.radians(_CORNER_DEG))]
    if not len(pointed):
        return 0.0
    return float(max(0.0, abs(offset_mm) * (1.0 / math.sin(pointed.min() / 2.0) - mitre_limit)))


def _standing(parts: list[Polygon], loss_mm: float) -> FloatArray:
    """Height of the wood that stays in each inner corner."""
    if not (math.isfinite(loss_mm) and loss_mm > 0) or not parts:
        return np.empty(0)
    rings = [ring for part in map(shapely.geometry.polygon.orient, parts) for ring in (part.exterior, *part.interiors)]
    turn = np.concatenate([_corner_turns(ring) for ring in rings])
    opening = math.pi + turn[turn < -math.radians(_CORNER_DEG)]
    return np.asarray(loss_mm * (1.0 / np.sin(np.maximum(opening, 0.05) / 2.0) - 1.0))


def _corner_turns(ring: shapely.LinearRing) -> FloatArray:
    return turns(shapely.get_coordinates(ring)[:-1])


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
