"""What every 3 mm of seam would show if each piece sat where it was drawn: the rows that a plan must satisfy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.measure.types import GapSurvey, Reason, SeamGaps
from gapscan.recut.types import SeamWindows
from gapscan.solve.model import BLOCK_MM, PARAMETERS, bends, block_ids, centroids, lever, mean_bends
from gapscan.solve.types import PieceFit, PieceState

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_FEWEST_SEEN = 6


def seam_windows(design: Design, survey: GapSurvey, fit: PieceFit) -> SeamWindows:
    """Cut every seam into runs of about 3 mm and predict each run's gap with all pieces seated as drawn."""
    index = {piece.id: k for k, piece in enumerate(design.pieces)}
    centre_of = centroids(design)
    undersize = np.array([p.undersize_mm for p in fit.pieces])
    size_covariance = fit.covariance[::PARAMETERS, ::PARAMETERS]
    loss_mm, mean_bend = np.array([p.bend_mm for p in fit.pieces]), mean_bends(design, survey)
    columns: list[tuple[FloatArray, ...]] = []
    for number, seam in enumerate(survey.seams):
        a, b = (index[p] for p in seam.pieces)
        st = seam.stations
        ids = block_ids(st.s_mm, st.stretch)
        count = int(ids.max(initial=-1)) + 1
        # The middle station of a run lies on the line; the mean place of a curved run would not.
        middle = np.searchsorted(ids, np.arange(count)) + np.bincount(ids, minlength=count) // 2
        n = np.bincount(ids, minlength=count).astype(float)

        def mean(q: FloatArray, ids: IntArray = ids, n: FloatArray = n, count: int = count) -> FloatArray:
            return np.bincount(ids, weights=q, minlength=count) / n

        bend = bends(st)
        both = undersize[a] + undersize[b] + loss_mm[a] * (bend - mean_bend[a]) + loss_mm[b] * (bend - mean_bend[b])
        measured, beyond, u_beyond = _beyond_model(seam, both, fit, index, centre_of, ids, count)
        u_both = size_covariance[a, a] + size_covariance[b, b] + 2 * size_covariance[a, b]
        pitch = float(np.median(np.diff(st.s_mm))) if len(st) > 1 else 0.25
        columns.append(
            (
                np.full(count, number, float),
                np.full(count, a, float),
                np.full(count, b, float),
                mean(st.normal[:, 0]),
                mean(st.normal[:, 1]),
                mean(lever(st.normal, st.xy_mm - centre_of[a])),
                mean(lever(st.normal, st.xy_mm - centre_of[b])),
                st.xy_mm[middle, 0],
                st.xy_mm[middle, 1],
                n * pitch,
                mean(both) + beyond,
                np.sqrt(np.maximum(u_both, 0) + u_beyond**2),
                measured,
                _reasons(seam, ids, count, measured).astype(float),
            )
        )
    c = [np.concatenate(x) for x in zip(*columns, strict=True)] if columns else [np.zeros(0)] * 14
    return SeamWindows(
        seam=c[0].astype(np.int64),
        first=c[1].astype(np.int64),
        second=c[2].astype(np.int64),
        normal=np.column_stack([c[3], c[4]]),
        cross_first=c[5],
        cross_second=c[6],
        place_mm=np.column_stack([c[7], c[8]]),
        length_mm=c[9],
        seated_mm=c[10],
        u_mm=c[11],
        measured_mm=c[12],
        reason=c[13].astype(np.int64),
    )


def _reasons(seam: SeamGaps, ids: IntArray, count: int, measured: FloatArray) -> IntArray:
    """The commonest reason (count,) for which stations of a run were not seen; 0 where the run has a figure."""
    hits = np.zeros((count, len(Reason)), np.int64)
    np.add.at(hits, (ids, seam.reason.astype(np.int64)), 1)
    hits[:, Reason.SEEN] = 0
    return np.where(np.isfinite(measured), 0, hits.argmax(axis=1))


def _beyond_model(
    seam: SeamGaps,
    both_mm: FloatArray,
    fit: PieceFit,
    index: dict[str, int],
    centre_of: FloatArray,
    ids: IntArray,
    count: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Measured mean, its excess over the piece model (kept only where it stands out), and its uncertainty, per run.

    both_mm (N,) what the sizes of the two pieces leave open at each station.
    """
    st = seam.stations
    a, b = fit.pieces[index[seam.pieces[0]]], fit.pieces[index[seam.pieces[1]]]
    seen = seam.seen
    n = np.bincount(ids[seen], minlength=count)
    enough = n >= np.minimum(_FEWEST_SEEN, np.maximum(np.bincount(ids, minlength=count) // 2, 2))

    def mean(q: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(ids[seen], weights=q[seen], minlength=count) / np.maximum(n, 1))

    def along(state: PieceState) -> FloatArray:
        arm = st.xy_mm - centre_of[index[state.id]]
        return np.asarray(st.normal @ np.array(state.shift_mm) + lever(st.normal, arm) * np.deg2rad(state.turn_deg))

    model = both_mm + along(b) - along(a)
    measured = np.where(enough, mean(np.nan_to_num(seam.gap_mm)), np.nan)
    u = np.where(enough, np.sqrt(mean(np.nan_to_num(seam.u_gap_mm) ** 2) / np.maximum(n / 4, 1)), 0.0)
    u_beyond = np.where(enough, np.hypot(u, 0.006), 0.01)
    excess = np.where(enough, np.nan_to_num(measured) - mean(model), 0.0)
    # Soft threshold: a run's own excess counts only for what noise and raggedness cannot explain.
    excess = np.sign(excess) * np.maximum(np.abs(excess) - 2 * u_beyond, 0.0)
    return measured, excess, np.where(enough, u, 0.01)


__all__ = ["BLOCK_MM", "SeamWindows", "seam_windows"]
