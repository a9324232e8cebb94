"""Solve size and pose of all pieces at once: robust weighted least squares with covariance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix, csr_matrix, diags_array

from gapscan.design.types import Design
from gapscan.measure.types import GapSurvey
from gapscan.solve.model import CENTRE, EDGE, GAP, PARAMETERS, Blocks, centroids, design_matrix, make_blocks, mean_bends
from gapscan.solve.types import PieceFit, PieceState

FloatArray = NDArray[np.float64]

# Raggedness of a cut edge over 3 mm, and what one number for a whole outline leaves out: floor of a block's weight.
_FLOOR_MM = {GAP: 0.006, CENTRE: 0.008, EDGE: 0.012}
_PRIOR_SIZE_MM, _PRIOR_SHIFT_MM, _PRIOR_TURN_RAD = 0.25, 0.6, 0.02
# Loss in bends: of the shop, and how far one piece differs from it.
_PRIOR_BEND_MM, _PRIOR_OWN_BEND_MM = 0.08, 0.015
_PRIOR_GROWTH_REL = 0.001  # the card's height above the lightbox, damp wood: scale is not taken as exact
_TUKEY = 5.0
_ROUNDS = 12


def solve_pieces(design: Design, survey: GapSurvey) -> PieceFit:
    """Undersize, shift and turn of every piece with covariance."""
    blocks = make_blocks(design, survey)
    count = len(design.pieces)
    centre_of = centroids(design)
    area = np.array([piece.polygon.area for piece in design.pieces])
    origin = (centre_of * area[:, None]).sum(axis=0) / area.sum()
    span = float(np.hypot(*(centre_of - origin).T).max(initial=1.0)) or 1.0
    A = design_matrix(blocks, count, origin, span, mean_bends(design, survey))
    floor = np.select([blocks.kind == GAP, blocks.kind == CENTRE], [_FLOOR_MM[GAP], _FLOOR_MM[CENTRE]], _FLOOR_MM[EDGE])
    sigma = np.hypot(blocks.u, floor)
    prior = np.tile([_PRIOR_SIZE_MM, _PRIOR_SHIFT_MM, _PRIOR_SHIFT_MM, _PRIOR_TURN_RAD], count)
    own = np.full(count, _PRIOR_OWN_BEND_MM)
    information = np.concatenate([prior, [_PRIOR_GROWTH_REL * span, _PRIOR_BEND_MM], own]) ** -2.0

    weight: FloatArray = sigma**-2.0
    x: FloatArray = np.zeros(A.shape[1])
    normal = _normal_matrix(A, weight, information)
    for _ in range(_ROUNDS):
        normal = _normal_matrix(A, weight, information)
        x_new = _solved(normal, A.T @ (weight * blocks.value))
        settled = np.abs(x_new - x).max(initial=0.0) < 1e-6
        x = x_new
        residual = (blocks.value - A @ x) / sigma
        spread = np.maximum(1.0, _spread_by_kind(residual, blocks))
        weight = np.clip(1 - (residual / (_TUKEY * spread)) ** 2, 0.0, 1.0) ** 2 / sigma**2
        if settled:
            break
    residual_mm: FloatArray = np.asarray(blocks.value - A @ x, dtype=float)
    used = weight > 0
    freedom = max(int(used.sum()) - len(x), int(used.sum()) // 4, 1)
    inflate = max(1.0, float((weight * residual_mm**2).sum()) / freedom)
    covariance = inflate * _inverse(normal)
    states = PARAMETERS * count
    u_growth = float(np.sqrt(covariance[states, states])) / span
    bends = np.arange(states + 2, len(x))
    variance = covariance[states + 1, states + 1] + covariance[bends, bends] + 2 * covariance[states + 1, bends]
    u_bend = np.sqrt(np.maximum(variance, 0.0))
    covariance = covariance[:states, :states].copy()
    shared = shared_size([piece.id for piece in design.pieces], survey)
    covariance[::PARAMETERS, ::PARAMETERS] += np.outer(shared, shared)  # one error on all sizes
    growth, bend = float(x[states]) / span, x[states + 1] + x[states + 2 :]
    # What the whole fit has grown is part of where each piece sits: the frame's scale is the reference.
    pose = x[:states].reshape(count, PARAMETERS).copy()
    pose[:, 1:3] += growth * (centre_of - origin)
    return _fit(
        design, survey, blocks, pose, np.column_stack([bend, u_bend]), covariance, area, residual_mm, growth, u_growth
    )


def gap_misfit(design: Design, survey: GapSurvey) -> float:
    """Half the robust sum of squares (Huber's loss, JCGM-style units of standard uncertainty) that gaps leave.

    Only gaps, no places: for judging the camera's height, before the places can be trusted.
    """
    blocks = make_blocks(design, survey)
    gaps = blocks.kind == GAP
    count = len(design.pieces)
    A = design_matrix(blocks, count, np.zeros(2), 1.0, np.zeros(count))[gaps][:, : PARAMETERS * count]
    sigma = np.hypot(blocks.u[gaps], _FLOOR_MM[GAP])
    value = blocks.value[gaps]
    prior = np.tile([_PRIOR_SIZE_MM, _PRIOR_SHIFT_MM, _PRIOR_SHIFT_MM, _PRIOR_TURN_RAD], count) ** -2.0
    weight = np.ones(len(value))
    z = np.zeros(len(value))
    for _ in range(5):
        x = _solved(_normal_matrix(A, weight / sigma**2, prior), A.T @ (weight / sigma**2 * value))
        z = np.abs(value - A @ x) / sigma
        weight = np.minimum(1.0, 2.0 / np.maximum(z, 1e-9))
    return float(np.where(z <= 2.0, z**2 / 2, 2.0 * z - 2.0).sum())


def _normal_matrix(A: csr_matrix, weight: FloatArray, information: FloatArray) -> csc_matrix:
    """AᵀWA + diag(information), sparse: a piece is coupled to its neighbours and to the growth only."""
    return csc_matrix(A.T @ A.multiply(weight[:, None]).tocsr() + diags_array(information))


def _solved(normal: csc_matrix, right: FloatArray) -> FloatArray:
    """The solution (N,) of a positive definite system: its diagonal is pivot enough, so the sparse order holds."""
    from scipy.sparse.linalg import splu

    factors = splu(normal, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    return np.asarray(factors.solve(right), dtype=float)


def _inverse(normal: csc_matrix) -> FloatArray:
    """The whole inverse, which is full: by Cholesky (LAPACK potrf, potri), a third of the work of a general inverse."""
    from scipy.linalg.lapack import dpotrf, dpotri

    inverse: FloatArray
    lower, failed = dpotrf(normal.toarray(order="F"), lower=True, overwrite_a=True)
    if failed:
        raise np.linalg.LinAlgError("the normal matrix is not positive definite")
    inverse, _ = dpotri(lower, lower=True, overwrite_c=True)
    inverse = np.asarray(np.tril(inverse), dtype=float)
    inverse += np.tril(inverse, -1).T
    return inverse


def _spread_by_kind(residual: FloatArray, blocks: Blocks) -> FloatArray:
    spread = np.ones(len(residual))
    for kind in (GAP, CENTRE, EDGE):
        own = blocks.kind == kind
        if own.any():
            spread[own] = 1.4826 * np.median(np.abs(residual[own]))
    return spread


def shared_size(ids: Sequence[str], survey: GapSurvey) -> FloatArray:
    """Standard uncertainty (P,) that all gaps of a piece share (light level, tone, slanted view): half of it falls on each
    side."""
    index = {name: k for k, name in enumerate(ids)}
    total, n = np.zeros(len(index)), np.zeros(len(index))
    for seam in survey.seams:
        shared = seam.u_shared_mm[seam.seen]
        for piece in seam.pieces:
            total[index[piece]] += shared.sum()
            n[index[piece]] += len(shared)
    return 0.5 * total / np.maximum(n, 1)


def _fit(
    design: Design,
    survey: GapSurvey,
    blocks: Blocks,
    pose: FloatArray,
    bend_mm: FloatArray,
    covariance: FloatArray,
    area: FloatArray,
    residual_mm: FloatArray,
    growth: float,
    u_growth: float,
) -> PieceFit:
    shift, turn = _without_whole_fit_motion(centroids(design), pose, area)
    u = np.sqrt(np.maximum(np.diag(covariance), 0)).reshape(-1, PARAMETERS)
    seen = _seen_fractions(design, survey)
    pieces = tuple(
        PieceState(
            id=piece.id,
            undersize_mm=float(pose[k, 0]),
            u_undersize_mm=float(u[k, 0]),
            shift_mm=(float(shift[k, 0]), float(shift[k, 1])),
            u_shift_mm=(float(u[k, 1]), float(u[k, 2])),
            turn_deg=float(np.rad2deg(turn[k])),
            u_turn_deg=float(np.rad2deg(u[k, 3])),
            bend_mm=float(bend_mm[k, 0]),
            u_bend_mm=float(bend_mm[k, 1]),
            seen_fraction=seen[piece.id],
        )
        for k, piece in enumerate(design.pieces)
    )

    def rms(kind: int) -> float:
        own = residual_mm[blocks.kind == kind]
        return float(np.sqrt(np.mean(own**2))) if len(own) else 0.0

    return PieceFit(
        pieces=pieces,
        covariance=covariance,
        scale_rel=growth,
        u_scale_rel=u_growth,
        rms_gap_mm=rms(GAP),
        rms_centre_mm=rms(CENTRE),
    )


def _without_whole_fit_motion(
    centre_of: FloatArray, pose: FloatArray, area: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Shifts (P, 2) and turns (P,) with the area-weighted shift and turn of the whole fit taken out."""
    w = area / area.sum()
    middle = w @ centre_of
    arm = centre_of - middle
    mean = w @ pose[:, 1:3]
    around = np.column_stack([-arm[:, 1], arm[:, 0]])
    # Turning the fit turns each piece too; the pieces' own spread about their centroids is left out (second order).
    turn = float((w[:, None] * around * (pose[:, 1:3] - mean)).sum() / max((w * np.sum(arm**2, axis=1)).sum(), 1e-12))
    if len(pose) < 2:
        turn = float(pose[0, 3])
    return pose[:, 1:3] - mean - turn * around, pose[:, 3] - turn


def _seen_fractions(design: Design, survey: GapSurvey) -> dict[str, float]:
    seen = {piece.id: 0 for piece in design.pieces}
    total = dict.fromkeys(seen, 0)
    for seam in survey.seams:
        for piece in seam.pieces:
            seen[piece] += int(seam.seen.sum())
            total[piece] += len(seam.stations)
    for rim in survey.rims:
        seen[rim.piece] += int(rim.seen.sum())
        total[rim.piece] += len(rim.stations)
    return {k: seen[k] / total[k] if total[k] else 0.0 for k in seen}
