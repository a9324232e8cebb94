"""Pieces of known size and pose, their gaps worked out by intersecting outlines, solved back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapscan.design.types import Design
from gapscan.measure.types import GapSurvey, Reason
from gapscan.solve.adjust import solve_pieces
from gapscan.solve.types import PieceFit

from .forward import Pose, board, survey_of


@pytest.fixture(scope="module")
def design() -> Design:
    return board(4, 3)


def random_poses(design: Design, seed: int) -> dict[str, Pose]:
    """Sizes and seats as a shop leaves them, every gap open."""
    rng = np.random.default_rng(seed)
    return {
        p.id: Pose(rng.uniform(0.04, 0.12), tuple(rng.uniform(-0.03, 0.03, 2)), float(rng.uniform(-0.05, 0.05)))
        for p in design.pieces
    }


def centroids(design: Design) -> np.ndarray:
    return np.array([p.polygon.centroid.coords[0] for p in design.pieces])


def without_common_motion(design: Design, shift: np.ndarray, turn_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Best rigid motion of the centroids (area-weighted least squares) taken out, by numpy.linalg.lstsq."""
    c = centroids(design)
    w = np.sqrt([p.polygon.area for p in design.pieces])
    rows = np.zeros((2 * len(c), 3))
    rows[0::2, 0] = rows[1::2, 1] = 1.0
    rows[0::2, 2], rows[1::2, 2] = -c[:, 1], c[:, 0]
    weight = np.repeat(w, 2)
    motion, *_ = np.linalg.lstsq(rows * weight[:, None], shift.ravel() * weight, rcond=None)
    return shift - (rows @ motion).reshape(-1, 2), turn_rad - motion[2]


def solved(fit: PieceFit) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        np.array([p.undersize_mm for p in fit.pieces]),
        np.array([p.shift_mm for p in fit.pieces]),
        np.deg2rad([p.turn_deg for p in fit.pieces]),
    )


def check(design: Design, fit: PieceFit, poses: dict[str, Pose], *, within_mm: float) -> None:
    size, shift, turn = solved(fit)
    true = [poses.get(p.id, Pose()) for p in design.pieces]
    np.testing.assert_allclose(size, [p.undersize_mm for p in true], atol=within_mm)
    # Compared after the same reduction of both, so that the choice of the common motion does not matter.
    got = without_common_motion(design, shift, turn)
    want = without_common_motion(design, np.array([p.shift_mm for p in true]), np.deg2rad([p.turn_deg for p in true]))
    np.testing.assert_allclose(got[0], want[0], atol=within_mm)
    np.testing.assert_allclose(got[1] * 10.0, want[1] * 10.0, atol=within_mm)  # movement 10 mm from the centroid


@pytest.mark.parametrize("seed", range(4))
def test_sizes_and_poses_are_solved_back(design, seed):
    poses = random_poses(design, seed)
    fit = solve_pieces(design, survey_of(design, poses))
    check(design, fit, poses, within_mm=0.003)
    assert [p.id for p in fit.pieces] == [p.id for p in design.pieces]
    assert fit.rms_gap_mm < 0.001
    assert fit.rms_centre_mm < 0.001
    assert fit.state("p05").seen_fraction > 0.8


def test_chequerboard_of_faults_is_told_apart():
    """Gap alone cannot tell whose fault it is when neighbours alternate; gap and centre together can."""
    even = board(4, 4, seed=None)
    fault = {p.id: Pose(0.11 if sum(divmod(k, 4)) % 2 else 0.01) for k, p in enumerate(even.pieces)}
    check(even, solve_pieces(even, survey_of(even, fault)), fault, within_mm=0.003)


def test_a_pure_shift_is_no_undersize(design):
    poses = {p.id: Pose(0.03) for p in design.pieces} | {"p06": Pose(0.03, (0.045, -0.03), 0.0)}
    fit = solve_pieces(design, survey_of(design, poses))
    check(design, fit, poses, within_mm=0.003)
    assert fit.state("p06").undersize_mm == pytest.approx(0.03, abs=0.002)


def test_a_pure_turn_is_no_undersize(design):
    poses = {p.id: Pose(0.04) for p in design.pieces} | {"p07": Pose(0.04, (0.0, 0.0), 0.15)}
    fit = solve_pieces(design, survey_of(design, poses))
    assert fit.state("p07").undersize_mm == pytest.approx(0.04, abs=0.002)
    others = np.mean([p.turn_deg for p in fit.pieces if p.id != "p07"])
    assert fit.state("p07").turn_deg - others == pytest.approx(0.15, abs=0.01)


def test_the_motion_of_the_whole_fit_is_taken_out(design):
    plain = {p.id: Pose(0.05) for p in design.pieces}
    moved = solve_pieces(design, survey_of(design, plain, common=Pose(0.0, (0.12, -0.08), 0.06)))
    size, shift, turn = solved(moved)
    np.testing.assert_allclose(size, 0.05, atol=0.003)
    np.testing.assert_allclose(shift, 0.0, atol=0.003)
    np.testing.assert_allclose(turn * 10.0, 0.0, atol=0.003)
    poses = random_poses(design, 5)
    still = solve_pieces(design, survey_of(design, poses))
    both = solve_pieces(design, survey_of(design, poses, common=Pose(0.0, (-0.1, 0.05), -0.05)))
    for a, b in zip(solved(still), solved(both), strict=True):
        np.testing.assert_allclose(a, b, atol=0.003)


def disturbed(survey: GapSurvey, share: float, seed: int) -> GapSurvey:
    """Runs of 4 mm, ``share`` of all stations, whose gap and place are those of a strip of tape's edge."""
    rng = np.random.default_rng(seed)
    seams = []
    for seam in survey.seams:
        gap, centre = seam.gap_mm.copy(), seam.centre_mm.copy()
        if rng.uniform() < share * len(gap) / 16:
            start = int(rng.integers(0, max(1, len(gap) - 16)))
            gap[start : start + 16] += 0.4
            centre[start : start + 16] -= 0.25
        seams.append(replace(seam, gap_mm=gap, centre_mm=centre))
    return replace(survey, seams=tuple(seams))


@pytest.mark.parametrize("seed", range(3))
def test_tape_edges_in_a_tenth_of_the_stations_do_not_move_it(design, seed):
    poses = random_poses(design, seed)
    clean = survey_of(design, poses)
    spoilt = disturbed(clean, 0.1, seed)
    changed = sum(int((a.gap_mm != b.gap_mm)[a.seen].sum()) for a, b in zip(clean.seams, spoilt.seams, strict=True))
    assert changed > 0.04 * sum(int(s.seen.sum()) for s in clean.seams)
    check(design, solve_pieces(design, spoilt), poses, within_mm=0.004)


def test_stated_errors_are_those_of_repeated_measurement():
    """Monte Carlo (GUM supplement 1, JCGM 101:2008): noise alike over 1 mm, far above every floor of the weights.

    The frame's scale is doubtful too, by a part in a thousand: that is what the fit allows for, and it makes all sizes
    move together, because pieces that lie farther apart and pieces that are too small show the same gaps.
    """
    design = board(3, 3)
    poses = random_poses(design, 1)
    u, trials = 0.06, 150
    clean = survey_of(design, poses, u_mm=u)
    rng = np.random.default_rng(11)
    middle = np.average(centroids(design), axis=0, weights=[p.polygon.area for p in design.pieces])

    def noise(line) -> np.ndarray:
        return np.repeat(rng.normal(0, u, len(line.stations) // 4 + 1), 4)[: len(line.stations)]

    def outward(line) -> np.ndarray:
        return np.asarray(((line.stations.xy_mm - middle) * line.stations.normal).sum(axis=1))

    sizes, stated, both = [], [], []
    for _ in range(trials):
        growth = rng.normal(0, 1e-3)
        # 0.3 mm wider everywhere, so that no noisy gap closes: sizes are 0.15 mm larger, nothing else changes
        seams = tuple(
            replace(s, gap_mm=s.gap_mm + 0.3 + noise(s), centre_mm=s.centre_mm + noise(s) + growth * outward(s))
            for s in clean.seams
        )
        rims = tuple(replace(r, edge_mm=r.edge_mm - 0.15 + noise(r) + growth * outward(r)) for r in clean.rims)
        fit = solve_pieces(design, replace(clean, seams=seams, rims=rims))
        sizes.append(solved(fit)[0])
        stated.append([p.u_undersize_mm for p in fit.pieces])
        c = fit.covariance[::4, ::4]
        both.append(c[4, 4] + c[1, 1] + 2 * c[4, 1])
    scatter = np.std(sizes, axis=0, ddof=1)
    ratio = np.sqrt(np.mean(np.square(stated), axis=0)) / scatter
    assert ratio == pytest.approx(np.ones(9), abs=0.3)
    assert ratio.mean() == pytest.approx(1.0, abs=0.2)
    sums = np.array(sizes)[:, 4] + np.array(sizes)[:, 1]
    assert np.sqrt(np.mean(both)) == pytest.approx(np.std(sums, ddof=1), rel=0.25)
    # No bias from the robust weights beyond the error of the mean and the pull of the priors.
    true = np.array([poses[p.id].undersize_mm + 0.15 for p in design.pieces])
    np.testing.assert_allclose(np.mean(sizes, axis=0), true, atol=4 * scatter.max() / np.sqrt(trials) + 0.004)


def test_against_an_independent_least_squares_library(design):
    """Edges at −e_A + n·u_A and e_B + n·u_B give gap and centre; residuals station by station to scipy's least_squares."""
    from scipy.optimize import least_squares

    poses = random_poses(design, 2)
    survey = survey_of(design, poses)
    rng = np.random.default_rng(3)
    seams = tuple(
        replace(
            s,
            gap_mm=s.gap_mm + rng.normal(0, 0.004, len(s.gap_mm)),
            centre_mm=s.centre_mm + rng.normal(0, 0.004, len(s.gap_mm)),
        )
        for s in survey.seams
    )
    survey = replace(survey, seams=seams)
    index = {p.id: k for k, p in enumerate(design.pieces)}
    c = centroids(design)

    def along(p: np.ndarray, k: int, xy: np.ndarray, n: np.ndarray) -> np.ndarray:
        arm = xy - c[k]
        moved = p[k, 1:3] + p[k, 3] * np.column_stack([-arm[:, 1], arm[:, 0]])
        return np.asarray((moved * n).sum(axis=1))

    def misfit(flat: np.ndarray) -> np.ndarray:
        p = flat.reshape(-1, 4)
        rows = []
        for s in survey.seams:
            a, b = (index[name] for name in s.pieces)
            xy, n = s.stations.xy_mm[s.seen], s.stations.normal[s.seen]
            left, right = -p[a, 0] + along(p, a, xy, n), p[b, 0] + along(p, b, xy, n)
            rows += [s.gap_mm[s.seen] - (right - left), s.centre_mm[s.seen] - (left + right) / 2]
        for r in survey.rims:
            a = index[r.piece]
            rows.append(r.edge_mm[r.seen] + p[a, 0] - along(p, a, r.stations.xy_mm[r.seen], r.stations.normal[r.seen]))
        return np.concatenate(rows)

    answer = least_squares(misfit, np.zeros(4 * len(design.pieces))).x.reshape(-1, 4)
    fit = solve_pieces(design, survey)
    size, shift, turn = solved(fit)
    np.testing.assert_allclose(size, answer[:, 0], atol=0.002)
    got, want = without_common_motion(design, shift, turn), without_common_motion(design, answer[:, 1:3], answer[:, 3])
    np.testing.assert_allclose(got[0], want[0], atol=0.002)
    np.testing.assert_allclose(got[1] * 10, want[1] * 10, atol=0.003)


def test_growth_of_the_whole_fit_shows_as_scale(design):
    """Everything swollen by 0.1 %: the frame sees it; sizes follow from gaps that stay as they were."""
    plain = survey_of(design, {p.id: Pose(0.05) for p in design.pieces})
    growth = 1e-3
    middle = np.average(centroids(design), axis=0, weights=[p.polygon.area for p in design.pieces])

    def swollen(line):
        return growth * ((line.stations.xy_mm - middle) * line.stations.normal).sum(axis=1)

    seams = tuple(replace(s, centre_mm=s.centre_mm + swollen(s)) for s in plain.seams)
    rims = tuple(replace(r, edge_mm=r.edge_mm + swollen(r)) for r in plain.rims)
    fit = solve_pieces(design, replace(plain, seams=seams, rims=rims))
    # The scale and the pieces' shifts share it by their priors; sizes are hardly touched.
    np.testing.assert_allclose([p.undersize_mm for p in fit.pieces], 0.05, atol=0.006)
    c = centroids(design) - middle
    outward = (np.array([p.shift_mm for p in fit.pieces]) * c).sum() / (c * c).sum()
    assert outward == pytest.approx(growth, rel=0.35)


def test_a_piece_that_was_not_seen_is_known_by_its_prior_only(design):
    poses = random_poses(design, 7)
    fit = solve_pieces(design, survey_of(design, poses, unseen=("p06",)))
    lost = fit.state("p06")
    assert lost.seen_fraction == 0.0
    assert lost.u_undersize_mm > 0.1
    seen = [p for p in fit.pieces if p.id != "p06"]
    np.testing.assert_allclose([p.undersize_mm for p in seen], [poses[p.id].undersize_mm for p in seen], atol=0.005)


def test_nothing_seen_at_all_still_gives_an_answer_with_its_doubt(design):
    every = tuple(p.id for p in design.pieces)
    fit = solve_pieces(design, survey_of(design, {}, unseen=every))
    assert all(p.seen_fraction == 0.0 for p in fit.pieces)
    assert all(p.u_undersize_mm > 0.1 for p in fit.pieces)


def test_an_error_that_all_gaps_share_stays_in_the_size(design):
    """A wrong light level moves every gap alike: half of it falls on each side and does not average out."""
    shared = 0.01
    fit = solve_pieces(design, survey_of(design, random_poses(design, 1), u_shared_mm=shared))
    free = solve_pieces(design, survey_of(design, random_poses(design, 1)))
    for a, b in zip(fit.pieces, free.pieces, strict=True):
        assert a.u_undersize_mm**2 - b.u_undersize_mm**2 >= (0.8 * shared / 2) ** 2


def test_reasons_keep_stations_out(design):
    """A figure whose station is marked as not seen has no say, whatever stands there."""
    poses = random_poses(design, 4)
    survey = survey_of(design, poses)
    seams = []
    for seam in survey.seams:
        reason, gap = seam.reason.copy(), seam.gap_mm.copy()
        reason[10:30], gap[10:30] = Reason.COVERED, 9.0
        seams.append(replace(seam, reason=reason, gap_mm=gap))
    check(design, solve_pieces(design, replace(survey, seams=tuple(seams))), poses, within_mm=0.004)


def test_an_error_that_all_gaps_share_stays_whole_in_the_gap(design):
    """The same, for the sum of two neighbours' sizes: when all gaps are wrong by 0.01 together, so is that sum."""
    shared = 0.01

    def variance_of_sum(fit: PieceFit) -> float:
        c = fit.covariance[::4, ::4]
        return float(c[4, 4] + c[5, 5] + 2 * c[4, 5])

    poses = random_poses(design, 1)
    with_it = variance_of_sum(solve_pieces(design, survey_of(design, poses, u_shared_mm=shared)))
    without = variance_of_sum(solve_pieces(design, survey_of(design, poses)))
    assert with_it - without >= (0.9 * shared) ** 2
