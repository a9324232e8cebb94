"""Decisions on boards of known pieces: who is recut, by how much, who is only seated again, who stays unsure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.recut.plan import plan_recuts
from gapscan.recut.types import RecutPlan
from gapscan.solve.adjust import solve_pieces
from tests.solve.forward import Pose, board, survey_of

DESIGN = board(3, 3)
GOOD_MM = 0.015
EVEN = {p.id: Pose(GOOD_MM) for p in DESIGN.pieces}


def planned(poses, *, job: Job | None = None, design: Design = DESIGN, **how) -> RecutPlan:
    survey = survey_of(design, poses, **how)
    return plan_recuts(design, survey, solve_pieces(design, survey), job or Job())


def recuts(plan: RecutPlan) -> list[str]:
    return [d.id for d in plan.decisions if d.verdict == "recut"]


def decision(plan: RecutPlan, name: str):
    return next(d for d in plan.decisions if d.id == name)


def keep(*names: str) -> tuple[tuple[str, dict[str, object]], ...]:
    return tuple((name, {"keep": True}) for name in names)


def test_a_good_fit_is_left_alone():
    plan = planned(EVEN)
    assert recuts(plan) == []
    assert plan.feasible
    assert plan.blocking_seams == ()
    assert [d.id for d in plan.decisions] == [p.id for p in DESIGN.pieces]
    for d in plan.decisions:
        assert (d.verdict, d.cause, d.offset_change_mm, d.new_outline) == ("keep", "fits", 0.0, None)
        assert d.reseat_mm is None
        assert d.widest_gap_mm == pytest.approx(2 * GOOD_MM, abs=0.004)


def test_one_piece_too_small_is_the_only_recut():
    fault = 0.14
    plan = planned(EVEN | {"p05": Pose(GOOD_MM + fault)})
    assert recuts(plan) == ["p05"]
    d = decision(plan, "p05")
    assert d.cause == "cut too small"
    # The gap to its neighbours is fault + 2 × 0.015; leaving the aim takes this change of offset:
    assert d.offset_change_mm == pytest.approx(fault + 2 * GOOD_MM - Job().aim_mm, abs=0.008)
    assert 0 < d.standard_uncertainty_mm < 0.03
    assert d.widest_gap_mm == pytest.approx(fault + 2 * GOOD_MM, abs=0.01)


def test_the_new_outline_is_the_drawn_one_grown_by_offset_and_change():
    offset = 0.05
    job = Job(pieces=(("p05", {"offset_mm": offset}),))
    d = decision(planned(EVEN | {"p05": Pose(0.15)}, job=job), "p05")
    drawn = DESIGN.piece("p05").polygon
    # Steiner's formula for a convex polygon with mitred corners: A + P d + d² Σ tan(φ/2), φ the turn at a corner.
    grow = offset + d.offset_change_mm
    ring = np.asarray(drawn.exterior.coords)[:-1]
    side = np.roll(ring, -1, axis=0) - ring
    heading = np.arctan2(side[:, 1], side[:, 0])
    turn = np.abs((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    wanted = drawn.area + drawn.length * grow + grow**2 * np.tan(turn / 2).sum()
    assert d.new_outline is not None
    assert d.new_outline.area == pytest.approx(wanted, rel=1e-6)


def test_recut_by_the_plan_closes_the_gaps():
    """Cut again with the change: the same loss leaves every seam within tolerance, near the aim at the recut piece."""
    poses = EVEN | {"p05": Pose(0.16), "p09": Pose(0.13)}
    plan = planned(poses)
    after = {name: Pose(p.undersize_mm - decision(plan, name).offset_change_mm) for name, p in poses.items()}
    job = Job()
    for seam in survey_of(DESIGN, after).seams:
        mean = float(np.nanmean(seam.gap_mm))
        assert -job.press_mm <= mean <= job.tolerance_mm
        if set(seam.pieces) & set(recuts(plan)):
            assert mean == pytest.approx(job.aim_mm, abs=0.02)


def test_a_piece_too_large_is_named_so():
    """Its neighbours are pushed apart; in the model the edges overlap."""
    plan = planned(EVEN | {"p05": Pose(-0.12)}, job=Job(press_mm=0.02))
    assert recuts(plan) == ["p05"]
    d = decision(plan, "p05")
    assert d.cause == "cut too large"
    assert d.offset_change_mm < -0.05


def test_a_shifted_piece_is_seated_again_not_recut():
    shift = (0.08, 0.0)
    plan = planned({p.id: Pose(0.03) for p in DESIGN.pieces} | {"p05": Pose(0.03, shift)})
    assert recuts(plan) == []
    d = decision(plan, "p05")
    assert (d.verdict, d.cause) == ("keep", "sits shifted")
    assert d.reseat_mm is not None
    # The whole fit's mean takes a ninth of the shift with it.
    assert d.reseat_mm == pytest.approx((-shift[0], -shift[1]), abs=0.018)
    assert d.widest_gap_mm > Job().tolerance_mm


def test_an_unseen_piece_is_unsure():
    plan = planned(EVEN, unseen=("p05",))
    d = decision(plan, "p05")
    assert d.verdict == "unsure"
    assert d.widest_gap_mm is None
    assert d.new_outline is None
    assert "seen" in d.cause
    assert recuts(plan) == []
    assert all(
        d.verdict == "keep" for d in plan.decisions if d.id not in ("p05",) and d.id in ("p01", "p03", "p07", "p09")
    )


def test_keep_is_honoured_and_the_neighbours_are_recut_instead():
    plan = planned(EVEN | {"p05": Pose(0.135)}, job=Job(pieces=keep("p05")))
    assert decision(plan, "p05").verdict != "recut"
    assert recuts(plan) == ["p02", "p04", "p06", "p08"]
    assert plan.feasible


def test_keeping_everything_names_the_seams_that_stay_open():
    plan = planned(EVEN | {"p05": Pose(0.155)}, job=Job(pieces=keep("*")))
    assert recuts(plan) == []
    assert not plan.feasible
    assert set(plan.blocking_seams) == {"p02|p05", "p04|p05", "p05|p06", "p05|p08"}
    assert any("p05|p06" in note for note in plan.notes)


@pytest.mark.parametrize("facing", ["up", "down"])
def test_only_the_asked_facing_is_recut(facing):
    pieces = tuple((f"p{k:02d}", {"facing": "up" if k % 2 else "down"}) for k in range(1, 10))
    plan = planned(EVEN | {"p05": Pose(0.135)}, job=Job(recut_facing=facing, pieces=pieces))
    assert recuts(plan) == (["p05"] if facing == "up" else ["p02", "p04", "p06", "p08"])


def test_one_facing_takes_the_side_that_needs_fewer_and_says_so():
    pieces = tuple((f"p{k:02d}", {"facing": "up" if k % 2 else "down"}) for k in range(1, 10))
    plan = planned(EVEN | {"p05": Pose(0.135)}, job=Job(recut_facing="one", pieces=pieces))
    assert recuts(plan) == ["p05"]
    assert any("up" in note for note in plan.notes)


def test_tolerance_of_the_job_decides():
    poses = EVEN | {"p05": Pose(0.10)}
    assert recuts(planned(poses, job=Job(tolerance_mm=0.2))) == []
    assert recuts(planned(poses, job=Job(tolerance_mm=0.06))) == ["p05"]


def test_aim_of_the_job_decides_what_is_left():
    poses = EVEN | {"p05": Pose(0.155)}
    near, far = (decision(planned(poses, job=Job(aim_mm=a)), "p05").offset_change_mm for a in (0.0, 0.05))
    assert near - far == pytest.approx(0.05, abs=0.002)


def test_a_larger_board_with_scattered_faults():
    design = board(5, 4, seed=8)
    rng = np.random.default_rng(2)
    faulty = {"p02", "p09", "p15", "p18"}
    poses = {
        p.id: Pose(0.02 + (0.13 if p.id in faulty else 0.0), tuple(rng.uniform(-0.008, 0.008, 2)), 0.0)
        for p in design.pieces
    }
    assert set(recuts(planned(poses, design=design))) == faulty


def test_a_single_piece_without_neighbours():
    alone = board(1, 1)
    plan = planned({"p01": Pose(0.2)}, design=alone)
    assert recuts(plan) == []
    assert plan.feasible
    assert decision(plan, "p01").widest_gap_mm is None


def test_nothing_seen_recuts_nothing():
    survey = survey_of(DESIGN, EVEN, unseen=tuple(EVEN))
    plan = plan_recuts(DESIGN, replace(survey, rims=()), solve_pieces(DESIGN, replace(survey, rims=())), Job())
    assert {d.verdict for d in plan.decisions} == {"unsure"}
