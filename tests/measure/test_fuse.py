"""Several photos of one fit made one survey, against the textbook weighted mean."""

from __future__ import annotations

import numpy as np
import pytest

from gapscan.design.types import Stations
from gapscan.measure.fuse import fuse_surveys
from gapscan.measure.types import GapSurvey, Reason, RimEdges, SeamGaps

N = 12
STATIONS = Stations(
    s_mm=0.125 + 0.25 * np.arange(N),
    xy_mm=np.column_stack([0.25 * np.arange(N), np.zeros(N)]),
    normal=np.tile([0.0, 1.0], (N, 1)),
    curvature_per_mm=np.zeros(N),
    junction_mm=np.full(N, 5.0),
    stretch=np.zeros(N, np.int64),
)


def survey(gap, u, *, shared=0.001, reason=None, bound=np.nan, warnings=()) -> GapSurvey:
    reason = np.zeros(N, np.int8) if reason is None else np.asarray(reason, np.int8)
    seen = reason == Reason.SEEN

    def figure(value):
        return np.where(seen, value, np.nan)

    seam = SeamGaps(
        id="a|b",
        pieces=("a", "b"),
        stations=STATIONS,
        reason=reason,
        gap_mm=figure(gap),
        u_gap_mm=figure(u),
        u_shared_mm=figure(shared),
        centre_mm=figure(gap / 2),
        u_centre_mm=figure(u),
        bound_mm=np.where(reason == Reason.SLANT, bound, np.nan),
    )
    rim = RimEdges("a", STATIONS, reason, figure(-gap), figure(u))
    return GapSurvey((seam,), (rim,), 1.2, tuple(warnings))


def test_one_photo_stays_as_it_is():
    one = survey(0.1, 0.01)
    assert fuse_surveys([one]) is one


def test_inverse_variance_weights():
    # Bevington & Robinson, Data Reduction and Error Analysis, 4.1: mean Σx/u² / Σ1/u², error 1/√Σ1/u².
    fused = fuse_surveys([survey(0.100, 0.010), survey(0.106, 0.005)]).seams[0]
    np.testing.assert_allclose(fused.gap_mm, (0.100 * 1 + 0.106 * 4) / 5, atol=1e-9)
    np.testing.assert_allclose(fused.u_gap_mm, 0.010 / np.sqrt(5), rtol=1e-6)
    np.testing.assert_allclose(fused.centre_mm, (0.050 * 1 + 0.053 * 4) / 5, atol=1e-9)


def test_disagreement_widens_the_error():
    # Birge 1932: the ratio of external to internal error, √(χ²/(n − 1)).
    apart = fuse_surveys([survey(0.10, 0.01), survey(0.20, 0.01)])
    np.testing.assert_allclose(apart.seams[0].gap_mm, 0.15, atol=1e-9)
    np.testing.assert_allclose(apart.seams[0].u_gap_mm, 0.01 / np.sqrt(2) * np.sqrt(2 * 5**2), rtol=1e-6)
    assert any("disagree" in w and "a|b" in w for w in apart.warnings)


def test_each_station_takes_the_photo_that_saw_it():
    half = np.arange(N) < N // 2
    left = survey(0.08, 0.01, reason=np.where(half, Reason.SEEN, Reason.SLANT), bound=0.07)
    right = survey(0.12, 0.01, reason=np.where(half, Reason.COVERED, Reason.SEEN))
    fused = fuse_surveys([left, right])
    seam, rim = fused.seams[0], fused.rims[0]
    assert seam.seen.all()
    np.testing.assert_allclose(seam.gap_mm, np.where(half, 0.08, 0.12), atol=1e-9)
    np.testing.assert_allclose(rim.edge_mm, np.where(half, -0.08, -0.12), atol=1e-9)
    assert np.isnan(seam.bound_mm).all()  # seen now: no bound needed


def test_what_no_photo_saw_keeps_a_reason_and_the_tighter_bound():
    every = np.full(N, Reason.SLANT)
    fused = fuse_surveys([survey(0, 1, reason=every, bound=0.09), survey(0, 1, reason=every, bound=0.06)]).seams[0]
    assert not fused.seen.any()
    assert np.isnan(fused.gap_mm).all()
    assert np.isnan(fused.u_gap_mm).all()
    np.testing.assert_allclose(fused.bound_mm, 0.06)


def test_shared_error_does_not_average_out_and_warnings_come_once():
    fused = fuse_surveys(
        [survey(0.1, 0.01, shared=0.006, warnings=["dust"]), survey(0.1, 0.01, shared=0.004, warnings=["dust"])]
    )
    assert (fused.seams[0].u_shared_mm >= 0.0039).all()
    assert (fused.seams[0].u_shared_mm <= fused.seams[0].u_gap_mm + 1e-12).all()
    assert list(fused.warnings).count("dust") == 1
    assert fused.blur_sigma_px == pytest.approx(1.2)
