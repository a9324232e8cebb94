"""From size and pose of two pieces to the gap between them and the place of the slit.

At a point of the drawn seam with unit normal n from piece A to piece B, in design coordinates: A's edge lies at
``a = −e_A + n·u_A`` and B's at ``b = +e_B + n·u_B`` along n, where e is how far a piece's edge lies inside its drawn
line and ``u(x) = shift + turn × (x − centroid)`` is how it sits. So

    gap    = b − a       = e_A + e_B + n·(u_B − u_A)
    centre = (a + b) / 2 = (e_B − e_A)/2 + n·(u_A + u_B)/2

and on a rim the edge of A alone, ``a``. A laser loses more where it slows down in a bend, so that e is a mean along the
outline and a part that goes with the line's curvature, ``e(s) = ē + c·(h(s) − h̄)``, h from 0 (straight) to 1 (tight).
A change of scale of the whole fit adds ``s·(x − x₀)`` to every u, which the
gap does not see. All of it is linear, so all pieces can be solved at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from shapely.geometry import Polygon

from gapscan.design.seams import rim_stations
from gapscan.design.types import Design, Piece, Rim, Stations, Stretch
from gapscan.measure.types import GapSurvey

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BLOCK_MM = 3.0
PARAMETERS = 4  # undersize, x, y, turn
_BEND_RADIUS_MM = 5.0
CORNER_MM = 0.75  # nearer to a corner there is no curvature to speak of


@dataclass(frozen=True)
class Blocks:
    """Measured means over runs of about 3 mm of seam or rim.

    value, u     (K,) mean and its standard uncertainty (independent part), mm
    first, second (K,) piece indices; second is −1 on rims
    normal       (K, 2); place (K, 2) mean normal (not re-normalised) and place
    cross_first, cross_second (K,) mean of n · (J (x − centroid)), the lever arm of a turn [mm/rad]
    bend         (K,) how sharply the line bends, 0 to 1
    kind         (K,) GAP, CENTRE or EDGE
    """

    value: FloatArray
    u: FloatArray
    first: IntArray
    second: IntArray
    normal: FloatArray
    place: FloatArray
    cross_first: FloatArray
    cross_second: FloatArray
    bend: FloatArray
    kind: IntArray


GAP, CENTRE, EDGE = 0, 1, 2


def lever(normal: FloatArray, arm: FloatArray) -> FloatArray:
    """n · (turn × arm) per radian, turn positive from x towards y: ``−n_x arm_y + n_y arm_x``."""
    return np.asarray(-normal[:, 0] * arm[:, 1] + normal[:, 1] * arm[:, 0])


def bends(stations: Stations) -> FloatArray:
    """How sharply the line bends at each station (N,): tanh(5 mm · |curvature|), 0 where straight, 1 where tight.

    A machine brakes the more the tighter the bend, and no further than to its least speed: common practice, no source
    for the figure of 5 mm.
    """
    return np.asarray(np.tanh(_BEND_RADIUS_MM * np.abs(np.nan_to_num(stations.curvature_per_mm))))


def mean_bends(design: Design, survey: GapSurvey) -> FloatArray:
    """Mean (P,) of the bend along each piece's outline."""
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    total, count = np.zeros(len(index)), np.zeros(len(index))
    lines = [(s.pieces, s.stations) for s in survey.seams] + [((r.piece,), r.stations) for r in survey.rims]
    for names, stations in lines:
        for name in names:
            total[index[name]] += bends(stations).sum()
            count[index[name]] += len(stations)
    return total / np.maximum(count, 1)


def outline_bend(outline: Polygon) -> float:
    """Mean of :func:`bends` along all rings of one outline, 0 to 1; next to a corner there is no curvature to speak of,
    and nothing is counted."""
    rings = tuple(Stretch(shapely.get_coordinates(ring), closed=True) for ring in shapely.get_rings(outline))
    rim = Rim("", rings, float(outline.length))
    stations = rim_stations(Design("", (Piece("", outline),), (), (rim,), ()), rim)
    bend = bends(stations)[stations.junction_mm >= CORNER_MM]
    return float(bend.mean()) if len(bend) else 0.0


def centroids(design: Design) -> FloatArray:
    """(P, 2) centroids of the drawn pieces, mm."""
    return np.array([piece.polygon.centroid.coords[0] for piece in design.pieces])


def block_ids(s_mm: FloatArray, stretch: IntArray, *, block_mm: float = BLOCK_MM) -> IntArray:
    """Block number (N,) of each station: runs of about ``block_mm`` that do not cross from one stretch to another."""
    ids = np.zeros(len(s_mm), np.int64)
    following = 0
    for k in np.unique(stretch):
        own = stretch == k
        along = s_mm[own] - s_mm[own].min()
        pitch = along[1] if len(along) > 1 else 0.25
        count = max(1, round((along.max() + pitch) / block_mm))
        ids[own] = following + np.minimum((along / (along.max() + pitch) * count).astype(np.int64), count - 1)
        following += count
    return ids


def make_blocks(design: Design, survey: GapSurvey) -> Blocks:
    """Average the seen stations of a survey into blocks."""
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    centre_of = centroids(design)
    parts: list[tuple[FloatArray, ...]] = []
    for seam in survey.seams:
        a, b = (index[p] for p in seam.pieces)
        st = seam.stations
        arm_a = lever(st.normal, st.xy_mm - centre_of[a])
        arm_b = lever(st.normal, st.xy_mm - centre_of[b])
        bend = bends(st)
        for kind, value, u in (
            (GAP, seam.gap_mm, np.sqrt(np.maximum(seam.u_gap_mm**2 - seam.u_shared_mm**2, 0.0))),
            (CENTRE, seam.centre_mm, seam.u_centre_mm),
        ):
            # A closed slit has no light and so no centre.
            seen = seam.seen & (np.isfinite(value) if kind == GAP else seam.gap_mm > 0.012)
            parts.append(
                _averaged(kind, a, b, st.s_mm, st.stretch, st.xy_mm, st.normal, value, u, arm_a, arm_b, bend, seen)
            )
        # Where no light comes through a slanted view, the gap lies between closed and what can hide: a rectangular
        # distribution (JCGM 100, 4.3.7), and one whole block is no surer of it than one station.
        bounded = np.isfinite(seam.bound_mm)
        bound = np.where(bounded, seam.bound_mm, 0.0)
        parts.append(
            _averaged(
                GAP,
                a,
                b,
                st.s_mm,
                st.stretch,
                st.xy_mm,
                st.normal,
                bound / 2,
                bound / np.sqrt(12.0),
                arm_a,
                arm_b,
                bend,
                bounded,
                alike=True,
            )
        )
    for rim in survey.rims:
        a = index[rim.piece]
        st = rim.stations
        arm = lever(st.normal, st.xy_mm - centre_of[a])
        zero = np.zeros(len(arm))
        parts.append(
            _averaged(
                EDGE,
                a,
                -1,
                st.s_mm,
                st.stretch,
                st.xy_mm,
                st.normal,
                rim.edge_mm,
                rim.u_edge_mm,
                arm,
                zero,
                bends(st),
                rim.seen,
            )
        )
    columns = [np.concatenate(c) if c else np.zeros(0) for c in zip(*parts, strict=True)]
    value, u, first, second, nx, ny, x, y, la, lb, bend, kind_column = columns
    return Blocks(
        value=value,
        u=u,
        first=first.astype(np.int64),
        second=second.astype(np.int64),
        normal=np.column_stack([nx, ny]),
        place=np.column_stack([x, y]),
        cross_first=la,
        cross_second=lb,
        bend=bend,
        kind=kind_column.astype(np.int64),
    )


def _averaged(
    kind: int,
    a: int,
    b: int,
    s_mm: FloatArray,
    stretch: IntArray,
    xy: FloatArray,
    normal: FloatArray,
    value: FloatArray,
    u: FloatArray,
    arm_a: FloatArray,
    arm_b: FloatArray,
    bend: FloatArray,
    seen: NDArray[np.bool_],
    *,
    alike: bool = False,
) -> tuple[FloatArray, ...]:
    """Block means of one line as columns; blocks with fewer than three seen stations are left out.

    ``alike``: all stations of the line share their error, so it falls neither with theirs nor the blocks' number.
    """
    ids = block_ids(s_mm, stretch)
    count = int(ids.max(initial=-1)) + 1
    n = np.bincount(ids[seen], minlength=count).astype(float)
    keep = n >= 3

    def mean(quantity: FloatArray) -> FloatArray:
        return np.asarray((np.bincount(ids[seen], weights=quantity[seen], minlength=count) / np.maximum(n, 1))[keep])

    # Neighbouring stations share grain and raggedness over about 1 mm: four stations count as one.
    size = int(keep.sum())
    u_mean = np.sqrt(mean(u**2) * (size if alike else 1.0 / np.maximum(n[keep] / 4, 1)))
    return (
        mean(value),
        u_mean,
        np.full(size, a, float),
        np.full(size, b, float),
        mean(normal[:, 0]),
        mean(normal[:, 1]),
        mean(xy[:, 0]),
        mean(xy[:, 1]),
        mean(arm_a),
        mean(arm_b),
        mean(bend),
        np.full(size, kind, float),
    )


def design_matrix(
    blocks: Blocks, pieces: int, origin_mm: FloatArray, span_mm: float, mean_bend: FloatArray
) -> csr_matrix:
    """Sparse (K, 5P + 2) whose rows predict the blocks' values.

    Columns: size and pose (4P), growth of the fit over ``span_mm`` [mm], loss in bends that all pieces share [mm], and
    what each piece loses there beyond that (P) [mm]. mean_bend (P,) along each piece's outline.
    """
    k = len(blocks.value)
    rows, columns, values = [], [], []

    def put(row: IntArray, column: IntArray, value: FloatArray) -> None:
        rows.append(row)
        columns.append(column)
        values.append(value)

    every = np.arange(k)
    two = blocks.second >= 0
    whole_fit, common, own = PARAMETERS * pieces + np.arange(3)
    for piece, arm, is_first in ((blocks.first, blocks.cross_first, True), (blocks.second, blocks.cross_second, False)):
        on = every if is_first else every[two]
        kind, n = blocks.kind[on], blocks.normal[on]
        side = -1.0 if is_first else 1.0
        size = np.select([kind == GAP, kind == CENTRE], [1.0, side / 2], default=-1.0)
        pose = np.select([kind == GAP, kind == CENTRE], [side, 0.5], default=1.0)
        base = PARAMETERS * piece[on]
        put(on, base, size)
        put(on, base + 1, pose * n[:, 0])
        put(on, base + 2, pose * n[:, 1])
        put(on, base + 3, pose * arm[on])
        bend = size * (blocks.bend[on] - mean_bend[piece[on]])
        put(on, np.full(len(on), common), bend)
        put(on, own + piece[on], bend)
    placed = blocks.kind != GAP
    growth = np.sum(blocks.normal * (blocks.place - origin_mm), axis=1) / span_mm
    put(every[placed], np.full(int(placed.sum()), whole_fit), growth[placed])
    return coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(k, (PARAMETERS + 1) * pieces + 2),
    ).tocsr()
