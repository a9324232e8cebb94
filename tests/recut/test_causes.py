"""Causes named on fits whose pieces were cut and laid with known faults, worked out on outlines (no linear model)."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import Polygon

from gapscan.design.pieces import Outline, build_pieces
from gapscan.design.seams import find_seams
from gapscan.design.types import Design
from gapscan.job import parse_job
from gapscan.recut.causes import find_causes, with_causes
from gapscan.recut.plan import plan_recuts
from gapscan.simulate import designs
from gapscan.solve.adjust import solve_pieces
from tests.solve.forward import Pose, board, survey_of

USUAL_MM = 0.03
JOB = {"tolerance_mm": 0.10}


def usual_poses(design: Design, rng: np.random.Generator) -> dict[str, Pose]:
    """A good day: even losses, a careful hand."""
    return {
        p.id: Pose(float(rng.normal(USUAL_MM, 0.005)), tuple(rng.normal(0, 0.008, 2)), float(rng.normal(0, 0.02)))
        for p in design.pieces
    }


def causes_of(
    design: Design, poses: dict[str, Pose], rng: np.random.Generator, job: dict | None = None, cut: dict | None = None
):
    survey = survey_of(drawn_as(design, cut), poses) if cut else survey_of(design, poses)
    survey = replace(survey, seams=tuple(noisy(s, rng) for s in survey.seams))
    fit = solve_pieces(design, survey)
    pieces, seams = find_causes(design, survey, fit, parse_job({**JOB, **(job or {})}, source="test"))
    return {c.id: c for c in pieces}, {c.id: c for c in seams}


def noisy(seam, rng):
    return replace(seam, gap_mm=np.maximum(seam.gap_mm + rng.normal(0, 0.003, len(seam.gap_mm)), 0.0))


def drawn_as(design: Design, cut: dict[str, Polygon]) -> Design:
    """The design with other outlines for some pieces, its seams as drawn: what was cut instead of what was asked."""
    return replace(design, pieces=tuple(replace(p, polygon=cut.get(p.id, p.polygon)) for p in design.pieces))


FAULTS = ("cut too small", "cut too large", "sits shifted", "sits turned")


@pytest.mark.parametrize("seed", range(3))
def test_a_flawless_fit_has_no_faults(seed):
    design, rng = board(5, 4, seed=seed), np.random.default_rng(seed)
    pieces, seams = causes_of(design, usual_poses(design, rng), rng)
    assert {c.cause for c in pieces.values()} == {"fits"}
    assert {c.cause for c in seams.values()} <= {"fits", "small losses and seats add up"}


def test_single_faults_are_named_and_their_neighbours_are_not():
    """Sizes off by 0.07 to 0.15 mm, seats by 0.07 to 0.12 mm: at least nine of ten faults, and no neighbour blamed."""
    told: Counter[tuple[str, str]] = Counter()
    blamed = total = 0
    for seed in range(24):
        rng = np.random.default_rng(100 + seed)
        design = (
            board(5, 4, seed=seed) if seed % 2 else designs.cells(seed, count=20, width_mm=110, height_mm=80).design()
        )
        poses = usual_poses(design, rng)
        inner = [p.id for p in design.pieces if p.polygon.area > 60.0]
        chosen = rng.choice(inner, 3, replace=False)
        truth = {}
        for name in chosen:
            fault = FAULTS[int(rng.integers(4))]
            size, shift, turn = poses[name].undersize_mm, poses[name].shift_mm, poses[name].turn_deg
            sign = float(rng.choice([-1, 1]))
            if fault == "cut too small":
                size += float(rng.uniform(0.07, 0.15))
            elif fault == "cut too large":
                size -= float(rng.uniform(0.07, 0.12))
            elif fault == "sits shifted":
                way = float(rng.uniform(0, 2 * np.pi))
                shift = tuple(float(rng.uniform(0.07, 0.12)) * np.array([np.cos(way), np.sin(way)]))
            else:
                rim = float(
                    np.hypot(
                        *(
                            np.asarray(design.piece(name).polygon.exterior.coords)
                            - design.piece(name).polygon.centroid.coords[0]
                        ).T
                    ).max()
                )
                turn = sign * float(np.rad2deg(rng.uniform(0.09, 0.13) / rim))
            poses[name] = Pose(size, shift, turn)
            truth[name] = fault
        found, _ = causes_of(design, poses, rng)
        for name, cause in found.items():
            if name in truth:
                told[truth[name], cause.cause] += 1
            else:
                total += 1
                blamed += cause.cause not in ("fits", "can't tell from this photo")
    right = sum(n for (true, given), n in told.items() if true == given)
    assert right >= 0.9 * sum(told.values()), told
    assert blamed <= 0.02 * total, (blamed, total)


def test_loss_that_goes_with_a_facing():
    design, rng = board(6, 4, seed=2), np.random.default_rng(5)
    poses = usual_poses(design, rng)
    down = [p.id for p in design.pieces][::3]
    for name in down:
        poses[name] = replace(poses[name], undersize_mm=poses[name].undersize_mm + 0.06)
    job = {"pieces": {name: {"facing": "down"} for name in down}}
    pieces, _ = causes_of(design, poses, rng, job)
    assert {pieces[name].cause for name in down} == {"more loss cut face down"}
    assert {c.cause for n, c in pieces.items() if n not in down} == {"fits"}


def test_loss_that_goes_with_a_material():
    design, rng = board(6, 4, seed=4), np.random.default_rng(6)
    poses = usual_poses(design, rng)
    soft = [p.id for p in design.pieces][1::4]
    for name in soft:
        poses[name] = replace(poses[name], undersize_mm=poses[name].undersize_mm + 0.055)
    job = {"pieces": {p.id: {"material": "lime" if p.id in soft else "oak"} for p in design.pieces}}
    pieces, _ = causes_of(design, poses, rng, job)
    assert {pieces[name].cause for name in soft} == {"more loss in lime"}


def test_wood_that_shrank_across_its_grain():
    """Only across: along the grain wood hardly moves (Wood Handbook, FPL-GTR-282, chapter 4). Growth closes the seams
    that would show it, and a closed seam shows no place: it is not told from a piece cut too large."""
    design, rng = board(4, 3, cell_mm=40.0, seed=None), np.random.default_rng(7)
    poses = usual_poses(design, rng)
    name = design.pieces[5].id
    piece = design.piece(name).polygon
    moved = affinity.scale(piece, 1.0, 0.996, origin=piece.centroid)
    pieces, _ = causes_of(design, poses, rng, {"pieces": {"*": {"grain_deg": 0.0}}}, {name: moved})
    assert pieces[name].cause == "shrunk across the grain"


def more_loss_where_it_curves(outline: Polygon, loss_at_5mm: float) -> Polygon:
    """Every vertex moved inward by a loss in proportion to the curvature there (turning angle over 2 mm), up to twice
    that of a radius of 5 mm."""
    ring = np.asarray(outline.segmentize(0.25).exterior.coords)[:-1]
    away = 4
    before, after = ring - np.roll(ring, away, axis=0), np.roll(ring, -away, axis=0) - ring
    turn = np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1))
    curvature = np.abs(turn) / np.hypot(*before.T)
    curvature[curvature > 0.45] = 0.0  # a corner is no curve
    along = after + before
    sign = 1.0 if outline.exterior.is_ccw else -1.0
    inward = sign * np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    return Polygon(ring + inward * (loss_at_5mm * np.minimum(5.0 * curvature, 2.0))[:, None])


def half_moons() -> Design:
    """A strip of pieces whose common sides are half circles of 6 mm radius in an else straight line."""
    outlines, line = [], []
    for k in range(5):
        x = 24.0 * k
        arc = [(x + 6.0 * np.sin(t), 15.0 - 6.0 * np.cos(t)) for t in np.linspace(0, np.pi, 49)]
        line.append(np.array([(x, 0.0), *arc, (x, 30.0)]))
    for k in range(4):
        ring = np.concatenate([line[k], line[k + 1][::-1]])
        outlines.append(Outline(name=f"m{k}", stem="", rings=(ring,)))
    pieces, notes = build_pieces(outlines, source="moons")
    seams, rims = find_seams(pieces)
    return Design("moons", pieces, seams, rims, tuple(notes))


def test_more_loss_in_curved_stretches_is_told_from_more_loss_all_round():
    design, rng = half_moons(), np.random.default_rng(9)
    poses = usual_poses(design, rng)
    plain, _ = causes_of(design, poses, rng)
    assert {c.cause for c in plain.values()} == {"fits"}
    bent = more_loss_where_it_curves(design.piece("m1").polygon, 0.09)
    found, _ = causes_of(design, poses, rng, cut={"m1": bent})
    assert found["m1"].cause == "more loss in curved stretches"
    poses["m1"] = replace(poses["m1"], undersize_mm=0.13)
    assert causes_of(design, poses, rng)[0]["m1"].cause == "cut too small"


def test_nothing_seen_is_not_called_a_fit():
    design, rng = board(4, 3), np.random.default_rng(3)
    hidden = design.pieces[5].id
    survey = survey_of(design, usual_poses(design, rng), unseen=(hidden,))
    fit = solve_pieces(design, survey)
    pieces, _ = find_causes(design, survey, fit, parse_job(JOB, source="test"))
    told = {c.id: c for c in pieces}[hidden]
    assert told.cause == "can't tell from this photo"
    assert told.tell


def test_every_cause_has_its_strength_and_decisions_speak_of_it():
    design, rng = board(5, 4, seed=8), np.random.default_rng(8)
    poses = usual_poses(design, rng)
    small = design.pieces[7].id
    poses[small] = replace(poses[small], undersize_mm=0.16)
    survey = survey_of(design, poses)
    fit = solve_pieces(design, survey)
    job = parse_job(JOB, source="test")
    plan = with_causes(plan_recuts(design, survey, fit, job), *find_causes(design, survey, fit, job))
    assert {d.id: d.cause for d in plan.decisions}[small] == "cut too small"
    named = {c.id: c for c in plan.piece_causes}[small]
    assert 0.8 < named.strength <= 1.0
    assert named.amount_mm == pytest.approx(0.16, abs=0.02)
    assert all(0.0 <= c.strength <= 1.0 for c in (*plan.piece_causes, *plan.seam_causes))
    opened = [c for c in plan.seam_causes if c.cause == f"{small} cut too small"]
    assert len(opened) >= 3
