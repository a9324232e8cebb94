"""Causes that pieces have in common: a facing, a material, smallness. Sought with medians, which a few bad pieces do not move."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.recut.cause_words import CURVED, FEWEST_OF_A_KIND, FEWEST_SEEN, LITTLE, STANDS_OUT
from gapscan.recut.types import Cause
from gapscan.solve.types import PieceFit

FloatArray = NDArray[np.float64]

_ALIKE, _ALIKE_MM = 0.15, 0.012  # how far most of a kind may lie from its median: of what sets it apart, and at least


def common_causes(design: Design, fit: PieceFit, job: Job, undersize: FloatArray, usual: float) -> dict[int, Cause]:
    """Piece number -> the cause it has in common with others of its facing, material or smallness."""
    known = np.array([p.seen_fraction >= FEWEST_SEEN for p in fit.pieces])
    settings = [job.settings(p.id) for p in fit.pieces]
    matters = job.tolerance_mm / 5
    found: dict[int, Cause] = {}
    groups = {f"more loss cut face {face}": np.array([s.facing == face for s in settings]) for face in ("up", "down")}
    groups |= {
        f"more loss in {m}": np.array([s.material == m for s in settings]) for m in {s.material for s in settings} if m
    }
    scored = []
    for words, own in groups.items():
        inside, outside = own & known, ~own & known
        if inside.sum() < FEWEST_OF_A_KIND or outside.sum() < FEWEST_OF_A_KIND:
            continue
        apart = float(np.median(undersize[inside]) - np.median(undersize[outside]))
        u = float(np.hypot(_median_u(undersize[inside]), _median_u(undersize[outside])))
        # What a facing or a wood loses is much the same from piece to piece; a few bad pieces of one wood are not.
        unlike = float(np.percentile(np.abs(undersize[inside] - np.median(undersize[inside])), 75))
        if apart > max(matters, STANDS_OUT * u) and unlike < max(_ALIKE * apart, _ALIKE_MM):
            scored.append((apart / u, words, inside, apart))
    for _, words, inside, apart in sorted(scored, key=lambda t: t[0]):
        level, others = float(np.median(undersize[inside])), float(np.median(undersize[known & ~inside]))
        strength = float(min(0.99, 1 - np.exp(-0.5 * STANDS_OUT**2)))
        for k in np.flatnonzero(inside):
            if abs(undersize[k] - level) < max(apart / 2, 3 * fit.pieces[k].u_undersize_mm):
                found[int(k)] = Cause(fit.pieces[k].id, words, strength, float(undersize[k] - others), "")
    if not found:
        found = _small_ones(design, fit, undersize, known, usual, matters)
    return found


def bend_losses(fit: PieceFit, mean_bend: FloatArray, matters_mm: float) -> dict[int, Cause]:
    """Piece number -> loss in bends, where it stands out and makes that piece smaller by more than ``matters_mm``.

    mean_bend (P,) along each outline: a disc bends all round, and looks like one that is simply too small beside others
    of its like; against the straight parts of the same panel it is seen to lose more.
    """
    from scipy.special import ndtr

    found = {}
    for k, (state, bend) in enumerate(zip(fit.pieces, mean_bend, strict=True)):
        amount = state.bend_mm * float(bend)
        if min(amount, state.undersize_mm) > matters_mm and state.bend_mm > STANDS_OUT * state.u_bend_mm:
            strength = float(min(0.99, ndtr(state.bend_mm / state.u_bend_mm)))
            found[k] = Cause(state.id, CURVED, strength, amount, "")
    return found


def _median_u(values: FloatArray) -> float:
    """Standard uncertainty of a median: 1.2533 times that of a mean of normal readings."""
    spread = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return 1.2533 * max(spread, 0.003) / float(np.sqrt(len(values)))


def _small_ones(
    design: Design, fit: PieceFit, undersize: FloatArray, known: NDArray[np.bool_], usual: float, matters: float
) -> dict[int, Cause]:
    """Loss that grows as pieces get smaller: the slope against 1/size by Theil and Sen, if it stands out."""
    from scipy.stats import theilslopes

    # Radius of the circle with the same ratio of area to outline.
    size = np.array([2 * p.polygon.area / p.polygon.length for p in design.pieces])
    inverse = 1.0 / size
    if known.sum() < 2 * FEWEST_OF_A_KIND or np.ptp(inverse[known]) < 0.05:
        return {}
    slope, _, low, _ = theilslopes(undersize[known], inverse[known], 0.99)
    if low <= 0:
        return {}
    usual_inverse = float(np.median(inverse[known]))
    effect = slope * (inverse - usual_inverse)
    found = {}
    for k in np.flatnonzero(known & (effect > matters)):
        excess = undersize[k] - usual
        if abs(excess - effect[k]) < max(excess / 2, 3 * fit.pieces[k].u_undersize_mm):
            found[int(k)] = Cause(fit.pieces[k].id, LITTLE, 0.99, float(excess), "")
    return found
