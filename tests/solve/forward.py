"""What a fit would show, worked out on the cut pieces' own outlines: no linear model, only intersections."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from gapscan.design.pieces import Outline, build_pieces
from gapscan.design.seams import find_seams, rim_stations, seam_stations
from gapscan.design.types import Design
from gapscan.measure.types import GapSurvey, Reason, RimEdges, SeamGaps

_REACH_MM = 1.5
_CORNER_MM = 0.6


@dataclass(frozen=True)
class Pose:
    """How a piece came out: inside its drawn line by ``undersize_mm``, moved by ``shift_mm``, turned about its centroid."""

    undersize_mm: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0


def board(columns: int, rows: int, *, cell_mm: float = 20.0, seed: int | None = 3) -> Design:
    """A board of quadrilaterals, straight seams, its inner knots moved at random (not with ``seed=None``)."""
    rng = np.random.default_rng(seed)
    knots = np.stack(np.meshgrid(np.arange(columns + 1.0), np.arange(rows + 1.0)), axis=-1) * cell_mm
    if seed is not None:
        knots[1:-1, 1:-1] += rng.uniform(-0.22, 0.22, knots[1:-1, 1:-1].shape) * cell_mm
    outlines = []
    for r in range(rows):
        for c in range(columns):
            ring = np.array([knots[r, c], knots[r, c + 1], knots[r + 1, c + 1], knots[r + 1, c]])
            outlines.append(Outline(name=f"p{r * columns + c + 1:02d}", stem="", rings=(ring,)))
    pieces, notes = build_pieces(outlines, source="board")
    seams, rims = find_seams(pieces)
    return Design("board", pieces, seams, rims, tuple(notes))


def as_lying(drawn: Polygon, pose: Pose) -> Polygon:
    """The piece cut and laid: shrunk with mitred corners, turned from x towards y, shifted."""
    cut = drawn.buffer(-pose.undersize_mm, join_style="mitre", mitre_limit=20.0)
    turned = affinity.rotate(cut, pose.turn_deg, origin=drawn.centroid)
    return affinity.translate(turned, *pose.shift_mm)


def _edge(outline: Polygon, xy: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Where each normal meets the outline, along the normal, the crossing nearest to the drawn line; (N,)."""
    probes = shapely.linestrings(np.stack([xy - _REACH_MM * normal, xy + _REACH_MM * normal], axis=1))
    found = np.full(len(xy), np.nan)
    for k, crossing in enumerate(shapely.intersection(outline.boundary, probes)):
        points = shapely.get_coordinates(crossing)
        if len(points):
            along = (points - xy[k]) @ normal[k]
            found[k] = along[np.argmin(np.abs(along))]
    return found


def survey_of(
    design: Design,
    poses: Mapping[str, Pose],
    *,
    u_mm: float = 0.004,
    u_shared_mm: float = 0.0,
    unseen: tuple[str, ...] = (),
    common: Pose | None = None,
) -> GapSurvey:
    """The survey that a perfect photo of these pieces gives; seams and rims of ``unseen`` pieces are covered.

    ``common``: the whole fit moved and turned about the origin after everything else.
    """
    laid = {}
    for piece in design.pieces:
        shape = as_lying(piece.polygon, poses.get(piece.id, Pose()))
        if common is not None:
            shape = affinity.translate(affinity.rotate(shape, common.turn_deg, origin=(0, 0)), *common.shift_mm)
        laid[piece.id] = shape
    seams, rims = [], []
    for seam in design.seams:
        st = seam_stations(design, seam)
        a, b = (_edge(laid[p], st.xy_mm, st.normal) for p in seam.pieces)
        reason = np.where(st.junction_mm < _CORNER_MM, Reason.JUNCTION, Reason.SEEN).astype(np.int8)
        if set(seam.pieces) & set(unseen):
            reason[:] = Reason.COVERED
        reason[~np.isfinite(a + b) & (reason == Reason.SEEN)] = Reason.UNCLEAR
        seen = reason == Reason.SEEN
        gap, centre = np.where(seen, b - a, np.nan), np.where(seen, (a + b) / 2, np.nan)
        u = np.where(seen, np.hypot(u_mm, u_shared_mm), np.nan)
        shared = np.where(seen, u_shared_mm, np.nan)
        nothing = np.full(len(st), np.nan)
        seams.append(
            SeamGaps(seam.id, seam.pieces, st, reason, gap, u, shared, centre, np.where(seen, u_mm, np.nan), nothing)
        )
    for rim in design.rims:
        st = rim_stations(design, rim)
        edge = _edge(laid[rim.piece], st.xy_mm, st.normal)
        seen = (st.junction_mm >= _CORNER_MM) & np.isfinite(edge) & (rim.piece not in unseen)
        reason = np.where(seen, Reason.SEEN, Reason.JUNCTION).astype(np.int8)
        rims.append(RimEdges(rim.piece, st, reason, np.where(seen, edge, np.nan), np.where(seen, u_mm, np.nan)))
    return GapSurvey(tuple(seams), tuple(rims), 1.2, ())
