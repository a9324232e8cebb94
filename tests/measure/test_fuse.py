"""Several photos of one fit made one survey, against the textbook weighted mean."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from gapscan.design.types import Stations
from gapscan.measure.fuse import fuse_surveys
from gapscan.measure.types import Budget, Disagreement, GapSurvey, Reason, RimEdges, SeamGaps

N = 12
STATIONS = Stations(
    s_mm=0.125 + 0.25 * np.arange(N),
    xy_mm=np.column_stack([0.25 * np.arange(N), np.zeros(N)]),
    normal=np.tile([0.0, 1.0], (N, 1)),
    curvature_per_mm=np.zeros(N),
    junction_mm=np.full(N, 5.0),
    stretch=np.zeros(N, np.int64),
)


def survey(gap, u, *, shared=0.0, reason=None, bound=np.nan, warnings=(), budget=None) -> GapSurvey:
    reason = np.zeros(N, np.int8) if reason is None else np.asarray(reason, np.int8)
    seen = reason == Reason.SEEN
    parts = None
    if budget is not None:
        parts = Budget(**{f.name: np.full(N, float(budget.get(f.name, 0.0))) for f in fields(Budget)})
        u, shared = parts.total, parts.shared

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
        budget=parts,
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
    assert any("disagree" in w and "a|b by 0.100 ± 0.014 mm" in w for w in apart.warnings)
    (listed,) = apart.disagreements
    assert listed == Disagreement("a|b", (0, 1), pytest.approx(-0.1), pytest.approx(0.01 * np.sqrt(2)))


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
    np.testing.assert_allclose(fused.seams[0].u_shared_mm, 0.005)
    own = np.hypot(np.sqrt(0.01**2 - 0.006**2), np.sqrt(0.01**2 - 0.004**2)) / 2
    np.testing.assert_allclose(fused.seams[0].u_gap_mm, np.hypot(0.005, own))
    assert list(fused.warnings).count("dust") == 1
    assert fused.blur_sigma_px == pytest.approx(1.2)


BUDGETS = (
    {"noise": 0.006, "tone": 0.003, "blur": 0.002, "slant": 0.004},
    {"noise": 0.004, "tone": 0.003, "blur": 0.001, "slant": 0.001, "bare_light": 0.002},
    {"noise": 0.008, "tone": 0.002, "scale": 0.001},
)


def test_budgets_are_fused_as_an_independent_library_propagates_them():
    """GTC: a mean of three photos weighted by 1/u², noise independent, each other source one influence on all photos."""
    gtc = pytest.importorskip("GTC")
    gaps = (0.100, 0.104, 0.098)
    surveys = [survey(g, 1.0, budget=b) for g, b in zip(gaps, BUDGETS, strict=True)]
    fused = fuse_surveys(surveys).seams[0]
    weights = np.array([1 / s.seams[0].u_gap_mm[0] ** 2 for s in surveys])
    weights /= weights.sum()
    influence = {f.name: gtc.ureal(0.0, 1.0) for f in fields(Budget) if f.name != "noise"}
    noises = [gtc.ureal(0.0, b["noise"]) for b in BUDGETS]
    mean = gtc.constant(0.0)
    for weight, gap, noise, budget in zip(weights, gaps, noises, BUDGETS, strict=True):
        shared = sum((budget.get(name, 0.0) * one for name, one in influence.items()), start=gtc.constant(0.0))
        mean = mean + weight * (gap + noise + shared)
    np.testing.assert_allclose(fused.gap_mm, mean.x, rtol=1e-12)
    np.testing.assert_allclose(fused.u_gap_mm, mean.u, rtol=1e-9)
    for name, one in influence.items():
        np.testing.assert_allclose(getattr(fused.budget, name), gtc.component(mean, one), atol=1e-12)
    np.testing.assert_allclose(fused.budget.total, fused.u_gap_mm)
    np.testing.assert_allclose(fused.budget.shared, fused.u_shared_mm)


def test_more_photos_average_noise_only():
    one = survey(0.1, 1.0, budget={"noise": 0.006, "glare": 0.002})
    four = fuse_surveys([one] * 4).seams[0]
    np.testing.assert_allclose(four.budget.noise, 0.003)
    np.testing.assert_allclose(four.budget.glare, 0.002)


def test_a_station_that_one_photo_saw_keeps_its_budget():
    half = np.arange(N) < N // 2
    left = survey(0.08, 1.0, budget=BUDGETS[0], reason=np.where(half, Reason.SEEN, Reason.SLANT), bound=0.07)
    right = survey(0.12, 1.0, budget=BUDGETS[1], reason=np.where(half, Reason.COVERED, Reason.SEEN))
    fused = fuse_surveys([left, right]).seams[0]
    np.testing.assert_allclose(fused.budget.noise, np.where(half, 0.006, 0.004))
    np.testing.assert_allclose(fused.budget.slant, np.where(half, 0.004, 0.001))
    np.testing.assert_allclose(fused.budget.total, fused.u_gap_mm)


def test_disagreement_widens_every_part_of_the_budget():
    apart = fuse_surveys([survey(0.10, 1.0, budget=BUDGETS[0]), survey(0.20, 1.0, budget=BUDGETS[0])]).seams[0]
    agreed = fuse_surveys([survey(0.15, 1.0, budget=BUDGETS[0])] * 2).seams[0]
    u = np.sqrt(sum(v**2 for v in BUDGETS[0].values()))
    birge = np.sqrt(2) * 0.05 / u
    for name in ("noise", "tone", "slant"):
        np.testing.assert_allclose(getattr(apart.budget, name), birge * getattr(agreed.budget, name))
    np.testing.assert_allclose(apart.budget.total, apart.u_gap_mm)


def test_photos_that_differ_within_their_uncertainty_are_not_listed():
    fused = fuse_surveys([survey(0.10, 0.01), survey(0.13, 0.01), survey(0.09, 0.02)])
    assert fused.disagreements == ()
    assert not any("disagree" in w for w in fused.warnings)


def test_the_two_photos_that_disagree_most_are_named():
    fused = fuse_surveys([survey(0.10, 0.01), survey(0.16, 0.01), survey(0.08, 0.01)])
    assert [d.photos for d in fused.disagreements] == [(1, 2)]
    assert fused.disagreements[0].apart_mm == pytest.approx(0.08)


def test_the_reason_of_the_photo_that_tells_most_is_kept():
    outside, covered = (
        survey(0.1, 0.01, reason=np.full(N, Reason.OUTSIDE)),
        survey(0.1, 0.01, reason=np.full(N, Reason.COVERED)),
    )
    hidden = survey(0.1, 0.01, reason=np.full(N, Reason.SLANT), bound=0.06)
    assert (fuse_surveys([outside, covered]).seams[0].reason == Reason.COVERED).all()
    assert (fuse_surveys([outside, covered, hidden]).seams[0].reason == Reason.SLANT).all()
    assert (fuse_surveys([outside, outside]).seams[0].reason == Reason.OUTSIDE).all()
