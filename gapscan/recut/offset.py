"""A new outline: the drawn one, grown or shrunk by an even distance."""

from __future__ import annotations

import math

from shapely.geometry import MultiPolygon, Polygon

from gapscan.errors import InputError

# A mitre longer than this many offsets is cut off: a needle-sharp tip would otherwise run far out.
MITRE_LIMIT = 2.5


def offset_outline(polygon: Polygon | MultiPolygon, distance_mm: float) -> Polygon | MultiPolygon:
    """The outline of ``polygon`` moved outward by ``distance_mm`` (inward when negative).

    Corners stay corners (mitred, up to a mitre of 2.5 distances, bevelled beyond that), because an even loss
    at the cut takes the same off both sides of a corner. Holes shrink when the piece grows; one that would
    close is gone. A piece that falls apart when shrunk comes back as a MultiPolygon.

    Raises InputError when the distance is not finite or nothing would be left.
    """
    if not math.isfinite(distance_mm):
        raise InputError(f"an offset of {distance_mm} mm cannot be cut; give offset_mm a finite number")
    if distance_mm == 0.0:
        return polygon
    grown = polygon.buffer(distance_mm, join_style="mitre", mitre_limit=MITRE_LIMIT)
    if grown.is_empty:
        raise InputError(
            f"an offset of {distance_mm:.3f} mm leaves nothing of a piece of {polygon.area:.2f} mm²; "
            "set a smaller inward offset_mm in the job file"
        )
    if not isinstance(grown, Polygon | MultiPolygon):
        raise TypeError(f"buffer gave a {grown.geom_type}")
    return grown
