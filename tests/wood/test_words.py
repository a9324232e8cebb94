"""What is said of the wood: which seams close by waiting, which open; verdicts stay."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from gapscan.job import Job
from gapscan.recut.plan import plan_from
from gapscan.recut.record import plan_block, read_plan_block
from gapscan.recut.types import PlanInput
from gapscan.wood.movement import wood_movement
from gapscan.wood.record import with_movements
from gapscan.wood.words import outlook, with_movement
from tests.solve.forward import Pose
from tests.wood.specimens import given_of, strips, wood_job
from tests.wood.test_movement import design_of

WALNUT = {"material": "black walnut", "sawn": "flat", "grain_deg": 90}


def taped(gaps_mm: list[float], width_mm: float = 30.0) -> PlanInput:
    """Strips side by side with these gaps from left to right, the pieces of their drawn size less half of each gap."""
    design = design_of(strips([width_mm] * (len(gaps_mm) + 1)))
    given = given_of(design, {piece.id: Pose(0.02) for piece in design.pieces})
    gap = np.array(gaps_mm)[given.windows.seam]
    seen = np.isfinite(given.windows.measured_mm)
    return replace(given, windows=replace(given.windows, measured_mm=np.where(seen, gap, np.nan)))


def test_one_sided_sums():
    """Three strips of 30 mm of walnut: swelling from 35 to 60 % closes each seam by 30 · 0.00274 · ΔM (equation 13-2)."""
    given = taped([0.20, 0.05, 0.45])
    job = wood_job({"*": WALNUT}, 35.0, 60.0, press_mm=0.02)
    movement = wood_movement(given, job)
    assert movement is not None
    by = 30 * 0.00274 * (movement.use.percent - movement.cut.percent)
    assert -movement.seam_mm == pytest.approx(np.full(3, by), rel=1e-3)
    assert 0.25 < by < 0.4
    found = outlook(given, movement, job)
    assert found.over == (0, 2)
    assert set(found.would_close) == {0}
    assert found.would_press == (0, 1)
    assert set(found.may_close) <= {2}
    assert found.would_open == ()


def test_seams_that_close_are_waited_for():
    given = taped([0.30, 0.31, 0.06, 0.90])
    job = wood_job({"*": WALNUT}, 35.0, 53.0)
    plain = plan_from(given, Job())
    plan = with_movement(replace(plain, advice=("cut closer",)), given, job)
    assert plan.decisions == plain.decisions
    assert plan.feasible == plain.feasible
    assert plan.chance == plain.chance
    first = plan.advice[0]
    assert plan.advice[1:] == ("cut closer",)
    assert first.startswith("Before any recut, wait: of the 3 seams over 0.10 mm, 2 ")
    assert "close by themselves when the wood is back at 53 % humidity" in first
    assert "p01|p02 (-0." in first
    assert "p04|p05" not in first
    assert "measure p01, p02, p03 again" in first
    assert any("glued down on a stable ground" in note and "common practice, no source" in note for note in plan.notes)


def test_seams_that_open_are_told():
    given = taped([0.02, 0.02])
    plan = with_movement(plan_from(given, Job()), given, wood_job({"*": WALNUT}, 60.0, 35.0))
    assert plan.advice == ()
    assert any("would open past it at 35 % humidity" in note and "(+0." in note for note in plan.notes)


def test_nothing_much_is_said_in_one_line():
    given = taped([0.02, 0.02])
    plan = with_movement(plan_from(given, Job()), given, wood_job({"*": WALNUT | {"grain_deg": 0}}, 50.0, 48.0))
    assert sum("no seam is likely to cross" in note for note in plan.notes) == 1
    assert not any("would open" in note or "would press" in note for note in plan.notes)


def test_a_wide_run_without_a_known_movement_keeps_its_seam_open():
    given = taped([0.20, 0.20])
    job = wood_job({"p01": WALNUT, "p02": WALNUT, "p03": {"material": "mystery", "grain_deg": 90}}, 35.0, 53.0)
    movement = wood_movement(given, job)
    assert movement is not None
    found = outlook(given, movement, job)
    assert found.over == (0, 1)
    assert {*found.would_close, *found.may_close} == {0}


def test_nothing_known_means_only_what_is_missing():
    given = taped([0.20, 0.20])
    plan = with_movement(plan_from(given, Job()), given, wood_job({"*": {"material": "mystery", "grain_deg": 90}}))
    assert plan.advice == ()
    assert plan.notes[-1] == "no coefficient for 'mystery' on file; movement not computed"
    assert not any("glued" in note for note in plan.notes)


def test_without_air_the_plan_is_the_same_object():
    given = taped([0.20, 0.20])
    plan = plan_from(given, Job())
    assert with_movement(plan, given, Job()) is plan


@pytest.mark.parametrize("share", [0.25, 0.6])
def test_would_is_so_likely(share):
    """Draws of the movement and the gap: a seam named "would close" does so in at least 84 % of them, about."""
    given = taped([0.10 + share, 0.0])
    given = replace(given, windows=replace(given.windows, u_mm=np.full(len(given.windows.seam), 0.02)))
    rng = np.random.default_rng(4)
    for use in np.linspace(40, 90, 18):
        job = wood_job({"*": WALNUT}, 35.0, float(use))
        movement = wood_movement(given, job)
        assert movement is not None
        found = outlook(given, movement, job)
        runs = np.flatnonzero((given.windows.seam == 0) & np.isfinite(given.windows.measured_mm))
        k = runs[0]
        then = 0.10 + share + rng.normal(movement.run_mm[k], movement.u_run_mm[k], 4000) + rng.normal(0, 0.02, 4000)
        chance = float((then <= 0.10).mean())
        if found.would_close:
            assert chance > 0.82
        elif found.may_close:
            assert 0.47 < chance < 0.87
        else:
            assert chance < 0.53


def test_the_record_holds_it_seam_by_seam():
    given = taped([0.20, 0.20])
    seams = [{"id": name, "gap": 1} for name in given.seam_ids] + [{"id": "x|y"}]
    job = wood_job({"p01": WALNUT, "p02": WALNUT}, 60.0, 35.0)
    first, second, lost = with_movements(seams, given, job)
    movement = wood_movement(given, job)
    assert movement is not None
    assert first["movement_mm"] == pytest.approx(movement.seam_mm[0], abs=5e-5)
    assert first["movement_standard_uncertainty_mm"] == pytest.approx(movement.u_seam_mm[0], abs=5e-5)
    assert first["movement_not_computed_because"] is None
    assert first["gap"] == 1
    assert second["movement_mm"] is None
    assert "no material for p03" in second["movement_not_computed_because"]
    assert lost["movement_not_computed_because"] == "too short to be told"
    for seam in with_movements(seams, given, Job()):
        assert seam["movement_mm"] is None
        assert seam["movement_not_computed_because"] == "no [air] in the job file"


def test_the_settings_come_back_from_the_record():
    """And so does the movement, figure by figure."""
    given = taped([0.20, 0.20])
    job = wood_job({"p*": WALNUT}, 60.0, 35.0)
    block = json.loads(json.dumps(plan_block(given, job), allow_nan=False))
    again = read_plan_block(block, source="test")
    assert again.job.air == job.air
    assert again.job.settings("p01").sawn == "flat"
    then, now = (wood_movement(one, again.job) for one in (given, again.given))
    assert then is not None
    assert now is not None
    assert now.seam_mm == pytest.approx(then.seam_mm, abs=2e-4)


def test_touching_is_not_pressing():
    given = taped([0.0, -0.10, 0.05])
    given = replace(given, windows=replace(given.windows, u_mm=np.full(len(given.windows.seam), 0.002)))
    job = wood_job({"*": WALNUT | {"grain_deg": 0}}, 50.0, 50.0, press_mm=0.02)
    movement = wood_movement(given, job)
    assert movement is not None
    assert outlook(given, movement, job).would_press == (1,)
