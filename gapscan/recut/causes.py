"""Why a piece gaps: what the evidence supports, and how strongly.

What each piece's readings say is weighed in evidence.py. A cause is named only where the models that hold it have most
of the probability, and only where it matters to a gap. Causes that go with a facing, a material, bends or smallness are
sought across all pieces (common_causes.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.cause_words import (
    CALIPER,
    CURVED,
    FEWEST_SEEN,
    FITS,
    GROWN,
    LARGE,
    MATTERS_OF_TOLERANCE,
    RESEAT,
    SHIFTED,
    SHRUNK,
    SMALL,
    STANDS_OUT,
    SURE,
    TURNED,
    TURNED_PHOTO,
    UNKNOWN,
)
from gapscan.recut.common_causes import bend_losses, common_causes
from gapscan.recut.evidence import PRIOR_RARE, PRIOR_SHAPE, Weighed, readings, weigh
from gapscan.recut.seam_causes import seam_causes
from gapscan.recut.types import Cause, RecutPlan
from gapscan.solve.model import make_blocks, mean_bends
from gapscan.solve.types import PieceFit, PieceState

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_PLAIN = 1.2  # a shift of so many times what matters is plain


def find_causes(
    design: Design, survey: GapSurvey, fit: PieceFit, job: Job
) -> tuple[tuple[Cause, ...], tuple[Cause, ...]]:
    """Causes of all pieces and of all seams, each sorted by id."""
    blocks = make_blocks(design, survey)
    undersize = np.array([p.undersize_mm for p in fit.pieces])
    seen = np.array([p.seen_fraction for p in fit.pieces])
    usual = float(np.median(undersize[seen > FEWEST_SEEN])) if (seen > FEWEST_SEEN).any() else 0.0
    kinds = common_causes(design, fit, job, undersize, usual)
    matters = MATTERS_OF_TOLERANCE * job.tolerance_mm
    # A loss in bends is the machine's: where the panel shows none, a single disc that is too small is just that.
    bends_show = float(np.median([p.bend_mm - 2 * p.u_bend_mm for p in fit.pieces])) > 0.0
    bent = bend_losses(fit, mean_bends(design, survey), matters)
    pieces = []
    weighed: list[Weighed | None] = []
    for k, state in enumerate(fit.pieces):
        if state.seen_fraction < FEWEST_SEEN:
            weighed.append(None)
            pieces.append(Cause(state.id, UNKNOWN, 0.0, None, TURNED_PHOTO))
            continue
        one = weigh(
            readings(design, survey, blocks, fit, job, k),
            usual,
            curved=PRIOR_SHAPE if bends_show else PRIOR_RARE,
            grain=PRIOR_SHAPE if job.settings(state.id).grain_deg is not None else 0.0,
        )
        weighed.append(one)
        pieces.append(
            _cause(
                state.id,
                one,
                undersize[k] - usual,
                float(undersize[k]),
                kinds.get(k),
                bent.get(k),
                _seen_shift(state, matters),
                matters,
                _extent(design, k),
            )
        )
    return tuple(pieces), seam_causes(design, survey, fit, tuple(pieces), job)


def with_causes(plan: RecutPlan, pieces: tuple[Cause, ...], seams: tuple[Cause, ...]) -> RecutPlan:
    """The plan with its causes, each decision's in words.

    What is recut, or to be seated again, keeps the plan's own reason where the evidence names none.
    """
    named = {c.id: c for c in pieces}
    decisions = []
    for decision in plan.decisions:
        cause = named[decision.id].cause
        unnamed = cause in (FITS, UNKNOWN)
        settled = decision.verdict == "unsure" or (unnamed and (decision.verdict == "recut" or decision.reseat_mm))
        decisions.append(decision if settled else replace(decision, cause=cause))
    return replace(plan, decisions=tuple(decisions), piece_causes=pieces, seam_causes=seams)


def _seen_shift(state: PieceState, matters: float) -> Cause | None:
    """A shift well beyond its uncertainty that matters, whatever a hand is thought to do; in a few words."""
    from scipy.special import ndtr

    shift, u = float(np.hypot(*state.shift_mm)), float(np.hypot(*state.u_shift_mm))
    if shift - 2 * u < _PLAIN * matters:
        return None
    return Cause(state.id, SHIFTED, float(min(0.99, ndtr((shift - matters) / u))), shift, "")


def _extent(design: Design, k: int) -> float:
    """Half the piece's longer side [mm]: how far growth adds up."""
    x0, y0, x1, y1 = design.pieces[k].polygon.bounds
    return float(max(x1 - x0, y1 - y0)) / 2


def _cause(
    name: str,
    one: Weighed,
    excess: float,
    undersize: float,
    common: Cause | None,
    bent: Cause | None,
    shifted: Cause | None,
    matters: float,
    extent: float,
) -> Cause:
    """The strongest cause of one piece that matters; a cause it has in common with others before its own size."""
    shared = _shared_causes(name, one, excess, common, bent, matters)
    own = _own_causes(name, one, undersize, matters, extent)
    sized = any(c.cause in (SMALL, LARGE) for c in own)
    if shifted is not None and not sized and one.off_size < 1 - SURE:
        own.append(shifted)
    for found in (shared, own, _seat_causes(name, one, matters)):
        if found:
            return max(found, key=lambda c: c.amount_mm or 0.0)
    doubtful = max(one.off_size, one.off_seat, one.curved, one.grain)
    matters_perhaps = max(abs(one.size_mm), one.shift_mm, abs(one.turn_rim_mm)) > matters
    if doubtful > 1 - SURE and matters_perhaps:
        size_or_seat = one.off_size > 1 - SURE and one.off_seat > 1 - SURE
        return Cause(name, UNKNOWN, 1.0 - doubtful, None, RESEAT if size_or_seat else CALIPER)
    return Cause(name, FITS, 1.0 - doubtful, None, "")


def _shared_causes(
    name: str, one: Weighed, excess: float, common: Cause | None, bent: Cause | None, matters: float
) -> list[Cause]:
    """What explains a size: more loss in bends, or for all of its kind."""
    found = []
    if one.curved > SURE and one.curve_mm > matters / 2:
        found.append(Cause(name, CURVED, one.curved, one.curve_mm, ""))
    elif bent is not None and (bent.amount_mm or 0.0) > max(excess, 0.0):
        found.append(bent)
    # Where most pieces share a cause, none of them is beyond what is usual: its own amount counts.
    if common is not None and (common.amount_mm or 0.0) > max(matters / 2, STANDS_OUT * one.u_size_mm):
        found.append(common)
    return found


def _own_causes(name: str, one: Weighed, undersize: float, matters: float, extent: float) -> list[Cause]:
    """Its own size, or wood that moved."""
    found = []
    # Growth adds up over the piece: what matters is the gap at its far side.
    growth_mm = one.growth_rel * extent
    if one.grain > SURE and abs(growth_mm) > matters / 2:
        found.append(Cause(name, GROWN if growth_mm > 0 else SHRUNK, one.grain, abs(growth_mm), ""))
    if one.off_size > SURE and abs(one.size_mm) > max(matters, STANDS_OUT * one.u_size_mm):
        # A loss above the usual is a piece too small; less loss than usual makes it too large only past its drawing.
        if one.size_mm > 0:
            found.append(Cause(name, SMALL, one.off_size, undersize, ""))
        elif undersize < 0 or abs(one.size_mm) > matters:
            found.append(Cause(name, LARGE, one.off_size, -undersize, ""))
    return found


def _seat_causes(name: str, one: Weighed, matters: float) -> list[Cause]:
    """What taping again mends."""
    turned = abs(one.turn_rim_mm) > one.shift_mm
    amount = max(abs(one.turn_rim_mm), one.shift_mm)
    if one.off_seat > SURE and amount > max(matters, STANDS_OUT * one.u_shift_mm):
        return [Cause(name, TURNED if turned else SHIFTED, one.off_seat, amount, "")]
    return []
