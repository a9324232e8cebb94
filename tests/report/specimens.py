"""Small hand-made inspections with known contents."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from shapely.geometry import Point, Polygon, box

from gapscan.design.types import Design, Piece, Rim, Seam, Stations, Stretch
from gapscan.job import Job
from gapscan.measure.types import GapSurvey, Reason, SeamGaps
from gapscan.recut.offset import offset_outline
from gapscan.recut.types import PieceDecision, RecutPlan
from gapscan.report.types import Inspection, PhotoRecord, PieceTrace, SeamTrace
from gapscan.solve.types import PieceFit, PieceState

PX_PER_MM = 8.0
MARGIN_PX = 60.0
STEP_MM = 0.5
CELL_MM = 25.0


def stations_on(start: tuple[float, float], end: tuple[float, float]) -> Stations:
    """Stations every 0.5 mm on a straight line, the normal to its right."""
    a, b = np.array(start), np.array(end)
    length = float(np.linalg.norm(b - a))
    s = np.arange(STEP_MM / 2, length, STEP_MM)
    along = (b - a) / length
    n = s.size
    return Stations(
        s_mm=s,
        xy_mm=a + s[:, None] * along,
        normal=np.tile([-along[1], along[0]], (n, 1)),
        curvature_per_mm=np.zeros(n),
        junction_mm=np.minimum(s, length - s),
        stretch=np.zeros(n, dtype=np.int64),
    )


def seam_gaps(
    pieces: tuple[str, str],
    stations: Stations,
    *,
    gap_mm: float,
    hidden: slice = slice(0, 0),
    reason: Reason = Reason.COVERED,
) -> SeamGaps:
    """An even gap, 0.012 mm uncertain of which 0.004 mm shared, with one stretch not seen."""
    n = len(stations)
    why = np.zeros(n, dtype=np.int8)
    why[hidden] = reason
    seen = why == Reason.SEEN

    def figure(value: float) -> np.ndarray:
        return np.where(seen, value, np.nan)

    return SeamGaps(
        id="|".join(pieces),
        pieces=pieces,
        stations=stations,
        reason=why,
        gap_mm=figure(gap_mm),
        u_gap_mm=figure(0.012),
        u_shared_mm=figure(0.004),
        centre_mm=figure(0.0),
        u_centre_mm=figure(0.01),
        bound_mm=np.where(why == Reason.SLANT, 0.08, np.nan),
    )


def to_px(xy_mm: np.ndarray) -> np.ndarray:
    """Where the specimen's picture has a point of the design."""
    return np.asarray(xy_mm) * PX_PER_MM + MARGIN_PX


def recordable(inspection: Inspection) -> Inspection:
    """The same with the figures of a fit where nothing was seen, which only repeats its prior, so that it reads back."""
    prior = {"undersize_mm": 0.0, "u_undersize_mm": 0.5, "shift_mm": (0.0, 0.0), "u_shift_mm": (0.5, 0.5)}
    prior |= {"turn_deg": 0.0, "u_turn_deg": 1.0, "bend_mm": 0.0, "u_bend_mm": 0.5}
    seen = [p if np.isfinite(p.undersize_mm) else replace(p, **prior) for p in inspection.fit.pieces]
    return replace(inspection, fit=replace(inspection.fit, pieces=tuple(seen)))


def grid_inspection(
    *, columns: int = 4, rows: int = 3, names: dict[str, str] | None = None, recut: int = 2
) -> Inspection:
    """A board of squares, the first with a round hole in it; the first ``recut`` pieces are too small.

    One further piece sits badly, the last one is unsure, its seams covered. ``names`` renames pieces.
    """
    names = names or {}
    cells = {(r, c): f"p{r * columns + c + 1:02d}" for r in range(rows) for c in range(columns)}
    cells = {key: names.get(name, name) for key, name in cells.items()}
    order = list(cells.values())
    last = order[-1]
    polygons: dict[str, Polygon] = {}
    for (r, c), name in cells.items():
        polygons[name] = box(c * CELL_MM, r * CELL_MM, (c + 1) * CELL_MM, (r + 1) * CELL_MM)
    first = order[0]
    polygons[first] = polygons[first].difference(Point(10.0, 10.0).buffer(4.0, quad_segs=16))

    drawn, measured, traces = [], [], []
    for (r, c), name in cells.items():
        for dr, dc in ((0, 1), (1, 0)):
            other = cells.get((r + dr, c + dc))
            if other is None:
                continue
            start = ((c + dc) * CELL_MM, (r + dr) * CELL_MM)
            end = ((c + 1) * CELL_MM, (r + 1) * CELL_MM)
            pair = tuple(sorted((name, other)))
            stations = stations_on(start, end)
            wide = any(piece in order[:recut] for piece in pair)
            if last in pair:
                hidden, reason = slice(None), Reason.COVERED
            elif (r + c) % 2:
                hidden, reason = slice(10, 22), Reason.SLANT
            else:
                hidden, reason = slice(0, 2), Reason.JUNCTION
            gap = 0.19 if wide else 0.005 + 0.02 * (r + c)
            gaps = seam_gaps(pair, stations, gap_mm=gap, hidden=hidden, reason=reason)
            drawn.append(Seam(gaps.id, pair, (Stretch(np.array([start, end]), closed=False),), CELL_MM))
            measured.append(gaps)
            traces.append(SeamTrace(gaps.id, to_px(stations.xy_mm)))

    decisions, states = [], []
    for number, name in enumerate(order):
        piece_states = PieceState(name, 0.002, 0.004, (0.01, -0.02), (0.003, 0.003), 0.01, 0.02, 0.0, 0.01, 0.9)
        decision = PieceDecision(name, "keep", 0.0, 0.006, "fits", 0.045, None, None)
        if number < recut:
            outline = offset_outline(polygons[name], 0.085)
            decision = PieceDecision(name, "recut", 0.085, 0.008, "cut too small", 0.19, None, outline)
        elif number == recut:
            decision = replace(decision, reseat_mm=(0.12, -0.07), cause="sits off its place", widest_gap_mm=0.13)
        elif name == last:
            nan = float("nan")
            cause = "too little of its edge was seen"
            decision = PieceDecision(name, "unsure", 0.0, nan, cause, None, None, None)
            piece_states = PieceState(name, nan, nan, (nan, nan), (nan, nan), nan, nan, nan, nan, 0.0)
        decisions.append(decision)
        states.append(piece_states)

    height, width = (int(count * CELL_MM * PX_PER_MM + 2 * MARGIN_PX) for count in (rows, columns))
    picture = np.full((height, width, 3), 250, dtype=np.uint8)
    m = int(MARGIN_PX)
    picture[m:-m, m:-m] = (28, 44, 70)  # brown wood, B G R
    by_id = {"key": lambda item: item.id}
    return Inspection(
        design=Design(
            source="design.svg",
            pieces=tuple(sorted((Piece(n, p) for n, p in polygons.items()), **by_id)),
            seams=tuple(sorted(drawn, **by_id)),
            rims=(Rim(first, (), 0.0),),
            notes=(),
        ),
        job=Job(),
        photos=(PhotoRecord("photo.jpg", PX_PER_MM, "front", 612.0, 9.0, 0.012, ("the left edge is a little dark",)),),
        display_bgr=picture,
        seam_traces=tuple(sorted(traces, **by_id)),
        piece_traces=tuple(
            PieceTrace(
                name,
                to_px(np.array(polygon.representative_point().coords[0])),
                tuple(to_px(np.asarray(ring.coords)) for ring in (polygon.exterior, *polygon.interiors)),
            )
            for name, polygon in polygons.items()
        ),
        survey=GapSurvey(tuple(sorted(measured, **by_id)), (), 1.2, ()),
        fit=PieceFit(
            pieces=tuple(sorted(states, **by_id)),
            covariance=np.zeros((4 * len(order),) * 2),
            scale_rel=0.0001,
            u_scale_rel=0.0002,
            rms_gap_mm=0.01,
            rms_centre_mm=0.01,
        ),
        plan=RecutPlan(tuple(sorted(decisions, **by_id)), True, (), ()),
    )


def one_seam_inspection() -> Inspection:
    """Two squares side by side; only the drawing of their seam exists, nothing of it was seen."""
    whole = grid_inspection(columns=2, rows=1, recut=0)
    return replace(whole, survey=replace(whole.survey, seams=()), seam_traces=())
