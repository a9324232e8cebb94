"""This round held against the one before: settings with the offsets as cut, and the news of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from gapscan.design.types import Design
from gapscan.figures import rounded
from gapscan.job import Job
from gapscan.measure.types import GapSurvey
from gapscan.recut.plan import plan_input
from gapscan.recut.types import Past
from gapscan.report.types import RoundNews
from gapscan.rounds.compare import piece_changes, seam_changes, seam_looks
from gapscan.rounds.offsets import Offsets, chain_offsets, history_of, job_with, offset_lines, without
from gapscan.rounds.response import shop_response
from gapscan.rounds.types import Before, PieceChange, Response, SeamChange, SeamLook
from gapscan.rounds.words import round_lines
from gapscan.solve.model import PARAMETERS
from gapscan.solve.types import PieceFit

# Not cut, or another piece or the wrong way: nothing that a change of offset could have given.
_NO_RESPONSE = ("not seen", "not recut", "went the other way")
_TELLS_MM = 0.01  # a smaller change of offset says nothing of the response


def look_back(before: Before, design: Design, survey: GapSurvey, fit: PieceFit, job: Job) -> tuple[Job, RoundNews]:
    """What this round's measurement says of the round before.

    ``design`` is the drawing of both. Returned are the settings with the offset that every piece was cut with, and the
    news: how seams and pieces came out, and what the next plan should count on. Raises InputError where offsets add up
    to more than a job file may hold.
    """
    offsets = chain_offsets(before, job)
    pieces = piece_changes(before, fit, offsets.asked)
    idle = {p.id for p in pieces if p.finding == "not recut"} - offsets.told - set(offsets.from_job)
    offsets = without(offsets, before, idle)
    tolerance, press = job.tolerance_mm, job.press_mm
    seams = seam_changes(
        seam_looks(before.inspection.survey, before.recorded.given, tolerance, press),
        seam_looks(survey, plan_input(design, survey, fit, job), tolerance, press),
    )
    response = _response(before, pieces, fit)
    as_cut = {
        name: outline for name, outline in before.as_cut.items() if name not in offsets.from_job and name not in idle
    }
    stays = dict(before.recorded.given.past.as_cut)
    as_cut |= {name: stays[name] for name in idle if name in stays}
    lines = (*round_lines(before, seams, pieces, response), *offset_lines(offsets), *before.notes)
    news = RoundNews(
        block=_block(before, seams, pieces, response, offsets),
        lines=lines,
        past=Past(round(response.figure, 6), round(response.u, 6), tuple(sorted(as_cut.items()))),
    )
    return job_with(job, offsets), news


def _response(before: Before, pieces: tuple[PieceChange, ...], fit: PieceFit) -> Response:
    """From all pieces that were recut for certain, what both rounds' sizes share of their errors taken into account."""
    order = {name: k for k, name in enumerate(before.recorded.given.ids)}
    now = {state.id: k for k, state in enumerate(fit.pieces)}
    use = [
        p for p in pieces if abs(p.asked_mm) >= _TELLS_MM and math.isfinite(p.got_mm) and p.finding not in _NO_RESPONSE
    ]
    old_at, now_at = [order[p.id] for p in use], [now[p.id] for p in use]
    covariance = (
        before.recorded.given.size_covariance[np.ix_(old_at, old_at)]
        + fit.covariance[::PARAMETERS, ::PARAMETERS][np.ix_(now_at, now_at)]
    )
    asked, got = np.array([p.asked_mm for p in use]), np.array([p.got_mm for p in use])
    return shop_response(before.prior, asked, got, covariance)


def _block(
    before: Before,
    seams: tuple[SeamChange, ...],
    pieces: tuple[PieceChange, ...],
    response: Response,
    offsets: Offsets,
) -> dict[str, Any]:
    """The block ``round`` of the fit record: every seam, and the pieces that were to be recut or changed."""
    told = [p for p in pieces if p.id in offsets.asked or p.finding == "changed"]
    return {
        "number": before.number + 1,
        "after": before.name,
        "after_sha256": before.sha256,
        "response": round(response.figure, 4),
        "response_standard_uncertainty": round(response.u, 4),
        "response_pieces": response.pieces,
        "response_believed": response.believed,
        "seams": [{"id": s.id, "verdict": s.verdict} | _look("before", s.before) | _look("now", s.now) for s in seams],
        "pieces": [
            {
                "id": p.id,
                "finding": p.finding,
                "asked_change_mm": round(p.asked_mm, 4),
                "got_change_mm": rounded(p.got_mm),
                "got_standard_uncertainty_mm": rounded(p.u_got_mm),
                "response": rounded(p.response),
                "response_standard_uncertainty": rounded(p.u_response),
            }
            for p in told
        ],
        "offsets_mm": history_of(offsets, before),
    }


def _look(when: str, look: SeamLook) -> dict[str, Any]:
    return {
        f"{when}": look.state,
        f"{when}_widest_mm": rounded(look.gap_mm),
        f"{when}_standard_uncertainty_mm": rounded(look.u_gap_mm),
    }
