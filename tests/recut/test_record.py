"""What a plan is made from, written into the record and read back."""

from __future__ import annotations

import json
from dataclasses import fields, replace

import numpy as np
import pytest

from gapscan.errors import InputError
from gapscan.job import parse_job
from gapscan.recut.plan import plan_from, plan_input
from gapscan.recut.record import as_recorded, plan_block, read_plan_block
from gapscan.solve.adjust import solve_pieces
from tests.solve.forward import Pose, board, survey_of

DESIGN = board(4, 3)
JOB = parse_job({"pieces": {"p0*": {"facing": "down"}, "p03": {"keep": True}}}, source="test")


@pytest.fixture(scope="module")
def given():
    survey = survey_of(DESIGN, {"p05": Pose(0.15), "p08": Pose(0.02, (0.05, 0.0))}, u_shared_mm=0.003)
    return plan_input(DESIGN, survey, solve_pieces(DESIGN, survey), JOB)


def test_it_comes_back_through_json(given):
    block = json.loads(json.dumps(plan_block(given, JOB, ("a note",)), allow_nan=False))
    back = read_plan_block(block, source="fit.json")
    assert back.job == JOB
    assert back.drawing_notes == ("a note",)
    wanted = as_recorded(given)
    for field in fields(wanted.windows):
        np.testing.assert_array_equal(getattr(back.given.windows, field.name), getattr(wanted.windows, field.name))
    assert back.given.outlines == wanted.outlines
    assert plan_from(back.given, JOB) == plan_from(wanted, JOB)


def test_rounding_lies_far_below_the_uncertainty(given):
    back = as_recorded(given)
    np.testing.assert_allclose(back.windows.seated_mm, given.windows.seated_mm, atol=1e-5)
    np.testing.assert_allclose(back.undersize_mm, given.undersize_mm, atol=1e-6)
    u = np.sqrt(np.diag(given.size_covariance))
    apart = (back.size_covariance - given.size_covariance) / np.outer(u, u)
    assert np.abs(apart).max() < 0.02
    assert np.linalg.eigvalsh(back.size_covariance).min() > 0
    for before, after in zip(given.outlines, back.outlines, strict=True):
        assert before.hausdorff_distance(after) < 2e-6


def test_a_seam_that_names_a_piece_twice_is_refused(given):
    block = plan_block(given, JOB)
    block["seams"]["pieces"][0] = [1, 1]
    with pytest.raises(InputError, match="two pieces"):
        read_plan_block(block, source="fit.json")


def test_runs_out_of_order_are_a_defect(given):
    windows = replace(given.windows, seam=given.windows.seam[::-1].copy())
    with pytest.raises(ValueError, match="seam by seam"):
        plan_block(replace(given, windows=windows), JOB)
