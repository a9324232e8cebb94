"""Coarse registration: every turn (and side) at which the drawing's outline fits the assembly's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.ops import unary_union

from gapscan.design.types import Design
from gapscan.photo.sampling import sample
from gapscan.register.rectify import SheetMap
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_TURN_STEP_DEG = 1.0
_BORDER_MM = 2.0
_LEAST_KNOWN = 0.2  # of the outline must be in the picture
_FAR_MM = 4.0  # distances are capped here: a corner under tape must not decide


@dataclass(frozen=True)
class Outline:
    """The drawing's outer outline: points (N, 2) evenly spaced, filled area [mm²] and its centroid (2,).

    rings_mm holds its outer rings, each (M, 2), as drawn; length_mm is their length.
    """

    points_mm: FloatArray
    rings_mm: tuple[FloatArray, ...]
    length_mm: float
    area_mm2: float
    centroid_mm: FloatArray


def drawn_outline(design: Design) -> Outline:
    """Outer outline of all pieces together, holes filled."""
    union = unary_union([piece.polygon.buffer(0.02) for piece in design.pieces])
    parts = list(union.geoms) if isinstance(union, MultiPolygon) else [union]
    filled = [Polygon(part.exterior) for part in parts]
    length = sum(part.exterior.length for part in filled)
    points = []
    for part in filled:
        count = max(12, round(600 * part.exterior.length / length))
        at = (np.arange(count) + 0.5) / count
        points += [part.exterior.interpolate(a, normalized=True).coords[0] for a in at]
    whole = unary_union(filled)
    rings = tuple(np.asarray(part.exterior.coords)[:-1] for part in filled)
    return Outline(np.array(points), rings, float(length), float(whole.area), np.array(whole.centroid.coords[0]))


@dataclass(frozen=True)
class SeenOutline:
    """The assembly in the photo: contour points (N, 2) in sheet mm, capped distance map [mm], area, centroid.

    unknown (H, W) bool: outside the picture, or so near its border that an edge there may be the picture's own
    """

    points_mm: FloatArray
    distance_mm: NDArray[np.float32]
    unknown: NDArray[np.bool_]
    area_mm2: float
    centroid_mm: FloatArray
    touches_edge: bool


def seen_outline(sheet: SheetMap) -> SeenOutline | None:
    """Contour of the assembly, holes filled; None when there is none."""
    import cv2

    mask = sheet.assembly.astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    filled = np.zeros_like(mask)
    cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
    unseen = ~np.isfinite(sheet.light)
    near_unseen = cv2.dilate(unseen.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    # The closing rounds the assembly off where the picture ends.
    reach = 2 * round(_BORDER_MM / sheet.step_mm) + 1
    unknown = cv2.dilate(unseen.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    points = np.vstack([c[:, 0, :] for c in contours])
    points = points[~unknown[points[:, 1], points[:, 0]]]
    if len(points) == 0:
        return None
    edge = np.ones_like(mask)
    edge[points[:, 1], points[:, 0]] = 0
    distance = cv2.distanceTransform(edge, cv2.DIST_L2, 5) * sheet.step_mm
    v, u = np.nonzero(filled)
    return SeenOutline(
        points_mm=sheet.to_sheet(points.astype(float)),
        distance_mm=np.minimum(distance, _FAR_MM).astype(np.float32),
        unknown=unknown,
        area_mm2=float(filled.sum()) * sheet.step_mm**2,
        centroid_mm=sheet.to_sheet(np.array([u.mean(), v.mean()])),
        touches_edge=bool((near_unseen & (filled > 0)).any()),
    )


def placed(mirrored: bool, angle_deg: float, outline: Outline, centre_mm: FloatArray) -> Registration:
    """The registration that puts the drawing's centroid at ``centre_mm``, turned by ``angle_deg``."""
    turned = Registration(mirrored, angle_deg, (0.0, 0.0), 0.0, 0.0)
    shift = centre_mm - turned.matrix @ outline.centroid_mm
    return Registration(mirrored, angle_deg, (float(shift[0]), float(shift[1])), 0.0, 0.0)


def outline_misfit(registration: Registration, outline: Outline, seen: SeenOutline, sheet: SheetMap) -> float:
    """Mean capped distance [mm] from the placed outline to the assembly's contour, where the picture shows it."""
    return float(_misfits(registration.to_sheet(outline.points_mm)[None], seen, sheet)[0])


def _misfits(placed_mm: FloatArray, seen: SeenOutline, sheet: SheetMap) -> FloatArray:
    """:func:`outline_misfit` (K,) of the outline's points at several places, (K, N, 2) on the sheet."""
    uv = sheet.to_map(placed_mm)
    height, width = seen.distance_mm.shape
    inside = (uv >= 0).all(axis=2) & (uv[..., 0] <= width - 1) & (uv[..., 1] <= height - 1)
    misfit = np.where(inside, sample(seen.distance_mm, uv), _FAR_MM)
    known = ~(inside & _at(seen.unknown, uv))
    mean = np.where(known, misfit, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return np.where(known.mean(axis=1) > _LEAST_KNOWN, mean, _FAR_MM)


def _at(mask: NDArray[np.bool_], uv: FloatArray) -> NDArray[np.bool_]:
    """Values (...) of a mask at the nearest pixels of points (..., 2); beyond its border those of the border."""
    u, v = np.moveaxis(np.round(uv).astype(int), -1, 0)
    return np.asarray(mask[np.clip(v, 0, mask.shape[0] - 1), np.clip(u, 0, mask.shape[1] - 1)])


def scan_turns(
    outline: Outline, seen: SeenOutline, sheet: SheetMap, *, sides: tuple[bool, ...]
) -> list[tuple[float, bool, float]]:
    """(misfit [mm], mirrored, angle [deg]) for every turn in steps of one degree and every allowed side."""
    turns = [(mirrored, float(angle)) for mirrored in sides for angle in np.arange(0.0, 360.0, _TURN_STEP_DEG)]
    tried = [placed(*turn, outline, seen.centroid_mm).to_sheet(outline.points_mm) for turn in turns]
    misfits = _misfits(np.stack(tried), seen, sheet)
    return [(float(misfit), *turn) for misfit, turn in zip(misfits, turns, strict=True)]


def settle_on_outline(
    start: Registration, outline: Outline, seen: SeenOutline, sheet: SheetMap, *, rounds: int = 12
) -> Registration:
    """Iterative closest point on the outline, the farthest fifth left out each round (Besl & McKay 1992, trimmed).

    What lies outside the picture is left out too.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(seen.points_mm)
    mirror = np.diag([-1.0 if start.mirrored else 1.0, 1.0])
    source = outline.points_mm @ mirror
    at = start
    for _ in range(rounds):
        here = at.to_sheet(outline.points_mm)
        distance, index = tree.query(here)
        known = ~_at(seen.unknown, sheet.to_map(here))
        if known.mean() < _LEAST_KNOWN:
            break
        keep = known & (distance <= np.quantile(distance[known], 0.8))
        a, b = source[keep], seen.points_mm[index[keep]]
        ca, cb = a.mean(axis=0), b.mean(axis=0)
        cross = (a - ca).T @ (b - cb)
        angle = np.arctan2(cross[0, 1] - cross[1, 0], cross[0, 0] + cross[1, 1])
        rot = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        shift = cb - rot @ ca
        at = Registration(start.mirrored, float(np.rad2deg(angle)), (float(shift[0]), float(shift[1])), 0.0, 0.0)
    return at
