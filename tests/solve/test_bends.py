"""Loss that grows with curvature must not pass for other sizes, places, or another scale of the whole fit."""

from __future__ import annotations

import numpy as np
import pytest

from gapscan.design.pieces import Outline, build_pieces
from gapscan.design.seams import find_seams, rim_stations, seam_stations
from gapscan.design.types import Design
from gapscan.measure.types import GapSurvey, Reason, RimEdges, SeamGaps
from gapscan.solve.adjust import solve_pieces

_U_MM = 0.004
_EVEN_MM, _PER_CURVATURE = 0.02, 0.2  # loss of 0.02 mm, and 0.2 mm more for each 1/mm of curvature


def _arc(radius: float, start_deg: float, end_deg: float) -> np.ndarray:
    angle = np.deg2rad(np.linspace(start_deg, end_deg, max(int(abs(end_deg - start_deg)), 2)))
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def _rose() -> Design:
    """A disc of 4 mm radius, seven sectors round it to 14 mm, nine more to 24 mm."""
    outlines = [Outline("core", "", (_arc(4, 0, 360)[:-1],))]
    for ring, (inner, outer, count) in enumerate(((4, 14, 7), (14, 24, 9))):
        for k in range(count):
            a, b = 360 / count * k, 360 / count * (k + 1)
            outlines.append(Outline(f"ring-{ring}-{k}", "", (np.vstack([_arc(inner, a, b), _arc(outer, b, a)]),)))
    pieces, notes = build_pieces(outlines, source="rose")
    seams, rims = find_seams(pieces)
    return Design("rose", pieces, seams, rims, tuple(notes))


def _survey(design: Design, rng: np.random.Generator) -> tuple[GapSurvey, dict[str, float]]:
    """Edges as far inside as the curvature says, pieces at their places; and each piece's true mean along its edge."""
    total, count = dict.fromkeys((p.id for p in design.pieces), 0.0), dict.fromkeys((p.id for p in design.pieces), 0)
    seams, rims = [], []

    def loss(st, names):
        e = _EVEN_MM + _PER_CURVATURE * np.abs(np.nan_to_num(st.curvature_per_mm))
        for name in names:
            total[name] += e.sum()
            count[name] += len(e)
        return e

    for seam in design.seams:
        st = seam_stations(design, seam)
        e = loss(st, seam.pieces)
        seen = st.junction_mm > 0.6
        u, none = np.where(seen, _U_MM, np.nan), np.full(len(st), np.nan)
        reason = np.where(seen, Reason.SEEN, Reason.JUNCTION).astype(np.int8)
        gap = np.where(seen, 2 * e + rng.normal(0, _U_MM, len(st)), np.nan)
        centre = np.where(seen, rng.normal(0, _U_MM, len(st)), np.nan)
        seams.append(SeamGaps(seam.id, seam.pieces, st, reason, gap, u, np.where(seen, 0.0, np.nan), centre, u, none))
    for rim in design.rims:
        st = rim_stations(design, rim)
        e = loss(st, (rim.piece,))
        seen = st.junction_mm > 0.6
        reason = np.where(seen, Reason.SEEN, Reason.JUNCTION).astype(np.int8)
        edge = np.where(seen, -e + rng.normal(0, _U_MM, len(st)), np.nan)
        rims.append(RimEdges(rim.piece, st, reason, edge, np.where(seen, _U_MM, np.nan)))
    return GapSurvey(tuple(seams), tuple(rims), 1.2, ()), {name: total[name] / count[name] for name in total}


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_loss_in_bends_is_not_taken_for_size_or_scale(seed):
    design = _rose()
    survey, true = _survey(design, np.random.default_rng(seed))
    fit = solve_pieces(design, survey)
    for state in fit.pieces:
        assert abs(state.undersize_mm - true[state.id]) < 1.5 * state.u_undersize_mm < 0.01, state.id
        assert np.hypot(*state.shift_mm) < 0.006
    assert abs(fit.scale_rel) < 2 * fit.u_scale_rel < 0.002
    # the disc's edge bends, the sectors' long sides do not: what it loses more is found as such
    core = fit.state("core")
    assert core.bend_mm > 3 * core.u_bend_mm
    assert core.bend_mm == pytest.approx(_PER_CURVATURE / 4, rel=0.4)


def test_without_loss_in_bends_none_is_found():
    design = _rose()
    survey, _ = _survey(design, np.random.default_rng(3))
    flat = GapSurvey(
        tuple(
            SeamGaps(s.id, s.pieces, s.stations, s.reason, 0 * s.gap_mm + 0.04, s.u_gap_mm, s.u_shared_mm, s.centre_mm,
                     s.u_centre_mm, s.bound_mm)
            for s in survey.seams
        ),
        tuple(RimEdges(r.piece, r.stations, r.reason, 0 * r.edge_mm - 0.02, r.u_edge_mm) for r in survey.rims),
        survey.blur_sigma_px,
        (),
    )  # fmt: skip
    for state in solve_pieces(design, flat).pieces:
        assert abs(state.bend_mm) < 0.004
        assert state.undersize_mm == pytest.approx(0.02, abs=0.003)
