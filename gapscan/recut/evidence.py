"""What one piece's readings say for each way that it can be at fault.

For every piece a handful of linear models of its own edge is weighed against each other, given where its neighbours
were found to lie. A piece's edge lies ``e(s)`` inside its drawn line and the piece sits ``u`` off its place:

    size      e = usual loss, or far from it
    seat      u = that of a careful hand, or far from it
    shape     nothing more; or more loss where the line curves, e = k·|curvature|; or wood that moved across its grain,
              e = −g·((x − c)·p)(n·p), p across the grain

All are linear with Gaussian priors, so that each one's evidence has a closed form (the marginal likelihood of Bayesian
linear regression: MacKay, Information Theory, Inference and Learning Algorithms, 2003, chapter 28; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.solve.model import CENTRE, GAP, Blocks, mean_bends
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]

_USUAL_MM, _OFF_MM = 0.012, 0.09  # spread of usual losses; of a size that is at fault
_SEAT_MM, _SHIFT_MM = 0.014, 0.08  # each way: a careful hand; a careless one
_SEAT_MM_AT_RIM, _TURN_MM_AT_RIM = 0.012, 0.08
_CURVE_MM = 0.08  # more loss where the radius is 5 mm
_CURVE_RADIUS_MM = 5.0
_GROWTH_REL = 0.004
_PRIOR_SIZE, _PRIOR_SHIFT, PRIOR_SHAPE, PRIOR_RARE = 0.15, 0.15, 0.06, 0.005
_BLOCK_FLOOR_MM = 0.008  # raggedness of 3 mm of edge
_ROBUST = 4.0


@dataclass(frozen=True)
class Readings:
    """One piece's readings with its neighbours taken out: value (K,), sigma (K,), and how its own terms enter them.

    size (K,), pose (K, 3: x, y, turn at the rim), curved (K,), growth (K,) mm per unit of each
    """

    value: FloatArray
    sigma: FloatArray
    size: FloatArray
    pose: FloatArray
    curved: FloatArray
    growth: FloatArray


@dataclass(frozen=True)
class Weighed:
    """Probability of each kind of fault and its amounts (mm, mm, mm at the rim, mm at the curve, relative growth)."""

    off_size: float
    off_seat: float
    curved: float
    grain: float
    size_mm: float
    shift_mm: float
    turn_rim_mm: float
    curve_mm: float
    growth_rel: float
    u_size_mm: float
    u_shift_mm: float


def readings(design: Design, survey: GapSurvey, blocks: Blocks, fit: PieceFit, job: Job, k: int) -> Readings:
    """Blocks next to piece k less what its neighbours explain, whose own doubt widens sigma."""
    first, second = blocks.first == k, blocks.second == k
    rows = np.flatnonzero(first | second)
    kind, normal = blocks.kind[rows], blocks.normal[rows]
    mine_first = first[rows]
    other = np.where(mine_first, blocks.second[rows], blocks.first[rows])
    arm_other = np.where(mine_first, blocks.cross_second[rows], blocks.cross_first[rows])
    arm = np.where(mine_first, blocks.cross_first[rows], blocks.cross_second[rows])
    side = np.where(mine_first, -1.0, 1.0)
    size = np.select([kind == GAP, kind == CENTRE], [1.0, side / 2], default=-1.0)
    pose = np.select([kind == GAP, kind == CENTRE], [side, 0.5], default=1.0)
    value = blocks.value[rows].copy()
    variance = np.hypot(blocks.u[rows], _BLOCK_FLOOR_MM) ** 2
    two = other >= 0
    states = np.array([[p.undersize_mm, *p.shift_mm, np.deg2rad(p.turn_deg)] for p in fit.pieces])
    spread = np.array([[p.u_undersize_mm, *p.u_shift_mm, np.deg2rad(p.u_turn_deg)] for p in fit.pieces])
    their_size = np.select([kind == GAP, kind == CENTRE], [1.0, -side / 2], default=0.0)
    their_pose = np.select([kind == GAP, kind == CENTRE], [-side, 0.5], default=0.0)
    row = np.column_stack([their_size, their_pose * normal[:, 0], their_pose * normal[:, 1], their_pose * arm_other])
    value[two] -= (row[two] * states[other[two]]).sum(axis=1)
    bend_mm, mean_bend = np.array([p.bend_mm for p in fit.pieces]), mean_bends(design, survey)
    value[two] -= (their_size * bend_mm[other] * (blocks.bend[rows] - mean_bend[other]))[two]
    variance[two] += (row[two] ** 2 * spread[other[two]] ** 2).sum(axis=1)
    rim = float(np.abs(arm).max(initial=1.0)) or 1.0
    outward = normal * np.where(mine_first, 1.0, -1.0)[:, None]
    curved = np.minimum(_curvature(survey, design, blocks.place[rows], k) * _CURVE_RADIUS_MM, 2.0)
    grain = job.settings(fit.pieces[k].id).grain_deg
    growth = np.zeros(len(rows))
    if grain is not None:
        across = np.array([-np.sin(np.deg2rad(grain)), np.cos(np.deg2rad(grain))])
        middle = np.asarray(design.pieces[k].polygon.centroid.coords[0])
        growth = -((blocks.place[rows] - middle) @ across) * (outward @ across)
    return Readings(
        value=value,
        sigma=np.sqrt(variance),
        size=size,
        pose=np.column_stack([pose * normal[:, 0], pose * normal[:, 1], pose * arm / rim]),
        curved=size * curved,
        growth=size * growth,
    )


def _curvature(survey: GapSurvey, design: Design, place_mm: FloatArray, k: int) -> FloatArray:
    """|curvature| (K,) of the drawn line of piece k nearest to each place, 1/mm."""
    from scipy.spatial import cKDTree

    name = design.pieces[k].id
    lines = [s.stations for s in survey.seams if name in s.pieces] + [
        r.stations for r in survey.rims if r.piece == name
    ]
    xy = np.concatenate([st.xy_mm for st in lines])
    curvature = np.concatenate([np.abs(np.nan_to_num(st.curvature_per_mm)) for st in lines])
    return np.asarray(curvature[cKDTree(xy).query(place_mm)[1]])


def weigh(given: Readings, usual: float, *, curved: float, grain: float) -> Weighed:
    """Posterior over the models, and amounts averaged over them."""
    value = given.value - given.size * usual
    columns = np.column_stack([given.size, given.pose, given.curved, given.growth])
    sigma = given.sigma
    shapes = {"none": 1 - curved - grain, "curved": curved, "grain": grain}
    trials = []
    for off, moved, shape in product((False, True), ("no", "shifted", "turned"), shapes):
        if shapes[shape] == 0.0:
            continue
        seat = _SHIFT_MM if moved == "shifted" else _SEAT_MM
        turn = _TURN_MM_AT_RIM if moved == "turned" else _SEAT_MM_AT_RIM
        prior = np.array(
            [
                _OFF_MM if off else _USUAL_MM,
                seat,
                seat,
                turn,
                _CURVE_MM if shape == "curved" else 1e-6,
                _GROWTH_REL if shape == "grain" else 1e-9,
            ]
        )
        weight = (_PRIOR_SIZE if off else 1 - _PRIOR_SIZE) * (1 - 2 * _PRIOR_SHIFT if moved == "no" else _PRIOR_SHIFT)
        weight *= shapes[shape]
        trials.append((off, moved, shape, weight, prior))
    # Readings that no model explains (a hidden neighbour's fault, a splinter) count less: by the widest model.
    widest = np.array([_OFF_MM, _SHIFT_MM, _SHIFT_MM, _TURN_MM_AT_RIM, _CURVE_MM, _GROWTH_REL if grain else 1e-9])
    mean, _, _ = _evidence(value, sigma, columns, widest)
    apart = np.abs(value - columns @ mean) / sigma
    sigma = sigma * np.sqrt(np.maximum(1.0, apart / _ROBUST))
    results = [_evidence(value, sigma, columns, prior) for *_, prior in trials]
    log = np.array([np.log(t[3]) + r[2] for t, r in zip(trials, results, strict=True)])
    chance = np.exp(log - log.max())
    chance /= chance.sum() * (1 + 1e-12)  # sums of parts must not pass one by rounding
    best = int(np.argmax(chance))
    mean, covariance, _ = results[best]
    sizes, seats, shaped = (np.array([t[n] for t in trials]) for n in range(3))
    return Weighed(
        off_size=float(chance[sizes].sum()),
        off_seat=float(chance[seats != "no"].sum()),
        curved=float(chance[shaped == "curved"].sum()),
        grain=float(chance[shaped == "grain"].sum()),
        size_mm=float(mean[0]),
        shift_mm=float(np.hypot(mean[1], mean[2])),
        turn_rim_mm=float(mean[3]),
        curve_mm=float(mean[4]),
        growth_rel=float(mean[5]),
        u_size_mm=float(np.sqrt(covariance[0, 0])),
        u_shift_mm=float(np.sqrt(covariance[1, 1] + covariance[2, 2])),
    )


def _evidence(
    value: FloatArray, sigma: FloatArray, columns: FloatArray, prior: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """Posterior mean and covariance of the terms, and log evidence up to a constant that all models share."""
    A = columns / sigma[:, None] * prior
    y = value / sigma
    H = np.eye(len(prior)) + A.T @ A
    b = A.T @ y
    solved = np.linalg.solve(H, b)
    log = 0.5 * float(b @ solved) - 0.5 * float(np.linalg.slogdet(H)[1])
    return prior * solved, np.linalg.inv(H) * np.outer(prior, prior), log
