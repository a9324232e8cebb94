"""Simulated pairs of dry fits with a known difference.

The gaps are worked out on the pieces' own outlines (tests/solve/forward.py: intersections, no linear model), once with
nothing wrong; losses, seats and every error are then laid on them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gapscan.design.types import Design, Stations
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.plan import plan_input
from gapscan.recut.record import as_recorded, plan_block
from gapscan.recut.types import RecutPlan
from gapscan.report.types import Inspection
from gapscan.solve.adjust import solve_pieces
from gapscan.trials.trial import trial_of
from gapscan.trials.types import Trial
from tests.solve.forward import board, survey_of

DESIGN = board(4, 3)
NOISE_MM, SHARED_MM = 0.012, 0.008  # of a station's gap; of all gaps of a photo
SPREAD_MM = 0.006  # of the loss, from piece to piece and cut to cut
SEAT_MM = 0.012
SCALE_REL = 0.001  # of the frame: as sure as the solver takes it to be
_AS_DRAWN = survey_of(DESIGN, {}, u_mm=NOISE_MM, u_shared_mm=SHARED_MM)


def lying_loosely(loss_mm: np.ndarray, rng: np.random.Generator, *, shared_mm: float = SHARED_MM) -> GapSurvey:
    """The survey of pieces with these losses (P,), each a little off its place, as one photo sees it."""
    index = {piece.id: k for k, piece in enumerate(DESIGN.pieces)}
    seat = rng.normal(0.0, SEAT_MM, (len(index), 2))
    photo, growth = rng.normal(0.0, shared_mm), rng.normal(0.0, SCALE_REL)
    middle = np.array([40.0, 30.0])

    def off(stations: Stations, seat_mm: np.ndarray) -> np.ndarray:
        """Where the photo sees an edge move to, along its normal."""
        return stations.normal @ seat_mm + growth * ((stations.xy_mm - middle) * stations.normal).sum(axis=1)

    seams = []
    for seam in _AS_DRAWN.seams:
        a, b = (index[name] for name in seam.pieces)
        n = seam.stations.normal
        noise = NOISE_MM * rng.normal(size=len(n)) * 2.0**0.5
        noise = (noise + np.roll(noise, 1)) / 2.0  # neighbouring stations share half of their light
        gap = seam.gap_mm + loss_mm[a] + loss_mm[b] + n @ (seat[b] - seat[a]) + noise + photo
        middle_of = off(seam.stations, (seat[a] + seat[b]) / 2)
        centre = (loss_mm[b] - loss_mm[a]) / 2 + middle_of + NOISE_MM * rng.normal(size=len(n))
        seams.append(
            replace(
                seam,
                gap_mm=gap,
                u_shared_mm=np.where(seam.seen, shared_mm, np.nan),
                u_gap_mm=np.where(seam.seen, np.hypot(NOISE_MM, shared_mm), np.nan),
                centre_mm=np.where(seam.seen, centre, np.nan),
            )
        )
    rims = []
    for rim in _AS_DRAWN.rims:
        k = index[rim.piece]
        edge = -loss_mm[k] + off(rim.stations, seat[k]) + NOISE_MM * rng.normal(size=len(rim.edge_mm))
        rims.append(replace(rim, edge_mm=np.where(rim.reason == 0, edge, np.nan)))
    return replace(_AS_DRAWN, seams=tuple(seams), rims=tuple(rims))


def trial(survey: GapSurvey, *, name: str = "A", job: Job | None = None, design: Design = DESIGN) -> Trial:
    """What an inspection of this survey says, in the digits of the record."""
    job = job or Job()
    fit = solve_pieces(design, survey)
    measured = plan_input(design, survey, fit, job)
    given, block = as_recorded(measured), plan_block(measured, job)
    inspection = Inspection(
        design, job, (), np.zeros((0, 0, 3), np.uint8), (), (), survey, fit, RecutPlan((), True, (), ())
    )
    return trial_of(inspection, given, block, name=name)


def losses(rng: np.random.Generator, mean_mm: float) -> np.ndarray:
    return rng.normal(mean_mm, SPREAD_MM, len(DESIGN.pieces))


def pair(rng: np.random.Generator, difference_mm: float) -> tuple[Trial, Trial]:
    """A and B, whose usual loss is ``difference_mm`` more."""
    usual = 0.06
    return (
        trial(lying_loosely(losses(rng, usual), rng)),
        trial(lying_loosely(losses(rng, usual + difference_mm), rng), name="B"),
    )
