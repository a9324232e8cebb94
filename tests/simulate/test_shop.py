"""The shop: faces, truth and layout."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, box

from gapscan.simulate.designs import DESIGNS
from gapscan.simulate.gaps import gaps_along, stations_along
from gapscan.simulate.overlaps import find_overlaps
from gapscan.simulate.shop import WORST_OVERLAP_MM, DryFit, ShopSettings, cut_and_tape
from tests.simulate.specimens import design_of, four_squares

STILL = ShopSettings(loss_spread_mm=0.0, pose_spread_mm=0.0, turn_spread_mm=0.0)


def linear_gaps(fit: DryFit) -> tuple[np.ndarray, np.ndarray]:
    """Gaps by g = e_A + e_B + n·(u_B − u_A), and those on the geometry, away from the ends of seams."""
    model, truth = [], []
    for seam in fit.seams:
        at = seam.stations
        move = []
        for name in seam.pieces:
            piece, centre = fit.piece(name), np.array(fit.design.piece(name).polygon.centroid.coords[0])
            arm = at.xy_mm - centre
            turn = np.deg2rad(piece.turn_deg)
            move.append(np.asarray(piece.shift_mm) + turn * np.column_stack([-arm[:, 1], arm[:, 0]]))
        loss = sum(fit.piece(name).undersize_mm for name in seam.pieces)
        g = loss + ((move[1] - move[0]) * at.normal).sum(axis=1)
        junctions = np.concatenate([s.points_mm[[0, -1]] for s in _stretches(fit, seam.id)])
        away = np.hypot(*(at.xy_mm[:, None] - junctions[None]).transpose(2, 0, 1)).min(axis=1) > 0.8
        model.append(g[away])
        truth.append(seam.gap_mm[away])
    return np.concatenate(model), np.concatenate(truth)


def _stretches(fit: DryFit, seam_id: str) -> tuple:
    return next(seam.stretches for seam in fit.design.seams if seam.id == seam_id)


@pytest.mark.parametrize("kind", ["cells", "strips"])
def test_gaps_on_the_geometry_follow_the_linear_model(kind: str) -> None:
    fit = cut_and_tape(DESIGNS[kind](7).design(), ShopSettings(), np.random.default_rng(7))
    model, truth = linear_gaps(fit)
    assert len(model) > 500
    # second order: drift along a bent seam, about shift² × curvature
    np.testing.assert_allclose(truth, model, atol=0.0015)


@pytest.mark.parametrize(("facing", "smaller"), [("up", "show"), ("down", "back")])
def test_the_beam_side_ends_smaller_by_the_taper(facing: str, smaller: str) -> None:
    settings = ShopSettings(**{**STILL.__dict__, "default_facing": facing, "base_loss_mm": 0.02, "taper_deg": 3.0})
    fit = cut_and_tape(four_squares(), settings, np.random.default_rng(1))
    lean = 0.6 * np.tan(np.deg2rad(3.0))
    piece = fit.piece("b")
    small, large = (piece.show, piece.back) if smaller == "show" else (piece.back, piece.show)
    assert large.area == pytest.approx((10 - 2 * 0.02) ** 2, rel=1e-9)
    assert small.area == pytest.approx((10 - 2 * (0.02 + lean)) ** 2, rel=1e-9)
    assert piece.undersize_mm == pytest.approx(0.02)


def test_oversize_pushes_the_neighbours_apart() -> None:
    settings = ShopSettings(**{**STILL.__dict__, "undersize_mm": {"a": -0.10}, "clearance_mm": 0.0})
    fit = cut_and_tape(four_squares(), settings, np.random.default_rng(1))
    # a is 0.08 too large on every edge, b 0.02 too small: the two must part by 0.06 at least
    parted = fit.piece("b").shift_mm[0] - fit.piece("a").shift_mm[0]
    assert parted == pytest.approx(0.06, abs=1e-4)
    assert min(float(np.nanmin(seam.gap_mm)) for seam in fit.seams) > -1e-4


def test_a_piece_that_has_nowhere_to_go_is_refused() -> None:
    disc = Point(10, 10).buffer(4, 64)
    design = design_of(disc=disc, ground=box(0, 0, 20, 20).difference(disc))
    settings = ShopSettings(**{**STILL.__dict__, "undersize_mm": {"disc": -0.15}})
    with pytest.raises(ValueError, match="disc and ground overlap"):
        cut_and_tape(design, settings, np.random.default_rng(1))


def test_a_fault_of_an_unknown_piece_is_refused() -> None:
    with pytest.raises(ValueError, match="'x9'"):
        cut_and_tape(four_squares(), ShopSettings(undersize_mm={"x9": 0.1}), np.random.default_rng(1))


def test_a_pushed_piece_lies_where_it_was_pushed() -> None:
    settings = ShopSettings(shift={"p12": (0.08, -0.05, 0.03)})
    fit = cut_and_tape(DESIGNS["cells"](3).design(), settings, np.random.default_rng(3))
    piece = fit.piece("p12")
    # the whole fit's common motion is taken out afterwards: a few micrometres
    np.testing.assert_allclose(piece.shift_mm, (0.08, -0.05), atol=0.015)
    assert piece.turn_deg == pytest.approx(0.03, abs=0.02)


def test_the_common_motion_is_taken_out() -> None:
    fit = cut_and_tape(DESIGNS["cells"](4).design(), ShopSettings(), np.random.default_rng(4))
    area = np.array([piece.polygon.area for piece in fit.design.pieces])
    shift = np.array([piece.shift_mm for piece in fit.pieces])
    np.testing.assert_allclose((area[:, None] * shift).sum(axis=0) / area.sum(), 0.0, atol=1e-9)


@pytest.mark.parametrize("kind", ["cells", "rosette", "inlays"])
def test_pieces_never_overlap(kind: str) -> None:
    design = DESIGNS[kind](9).design()
    names = [piece.id for piece in design.pieces]
    settings = ShopSettings(
        ragged_rms_mm=0.005,
        curve_loss_mm=0.01,
        small_piece_loss_mm=0.005,
        across_grain=0.0002,
        undersize_mm={names[2]: 0.1},
        shift={names[5]: (0.05, 0.05, 0.05)},
    )
    fit = cut_and_tape(design, settings, np.random.default_rng(9))
    overlaps = find_overlaps([piece.projection for piece in fit.pieces])
    assert all(overlap.depth_mm <= WORST_OVERLAP_MM for overlap in overlaps)
    assert all(piece.show.is_valid and piece.back.is_valid for piece in fit.pieces)


def test_the_mean_undersize_agrees_with_the_area_that_is_missing() -> None:
    settings = ShopSettings(
        **{
            **STILL.__dict__,
            "ragged_rms_mm": 0.006,
            "curve_loss_mm": 0.02,
            "across_grain": 0.001,
            "clearance_mm": -1.0,
        }
    )
    fit = cut_and_tape(DESIGNS["rosette"](2).design(), settings, np.random.default_rng(2))
    for piece in fit.pieces:
        drawn = fit.design.piece(piece.id).polygon
        missing = (drawn.area - piece.projection.area) / drawn.length
        assert missing == pytest.approx(piece.undersize_mm, abs=0.0015)


def test_gap_truth_signs_and_misses() -> None:
    a, b = box(0, 0, 10, 10), box(10.07, 0, 20, 5)
    xy = np.array([[10.0, 2.0], [10.0, 8.0]])
    normal = np.array([[1.0, 0.0], [1.0, 0.0]])
    got = gaps_along(a, b, xy, normal)
    assert got[0] == pytest.approx(0.07)
    assert np.isnan(got[1])
    assert gaps_along(a, box(9.96, 0, 20, 5), xy[:1], normal[:1])[0] == pytest.approx(-0.04)


def test_normals_point_from_the_first_piece_to_the_second() -> None:
    design = four_squares()
    for seam in design.seams:
        at = stations_along(seam, design.piece(seam.pieces[0]).polygon)
        inside = design.piece(seam.pieces[1]).polygon
        assert all(inside.contains(Point(*p)) for p in at.xy_mm + 0.01 * at.normal)
        assert len(at.s_mm) == 20
