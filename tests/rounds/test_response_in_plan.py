"""Where the response enters the plan: amounts to cut, their uncertainty, the outlines."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import MultiPolygon

from gapscan.errors import InputError
from gapscan.job import parse_job
from gapscan.recut.offset import offset_outline
from gapscan.recut.plan import plan_from, plan_input
from gapscan.recut.record import RecordedPlan, as_recorded, plan_block, read_plan_block
from gapscan.recut.types import Past
from gapscan.rounds.before import as_cut_last
from gapscan.solve.adjust import solve_pieces
from tests.solve.forward import Pose, board, survey_of

DESIGN = board(3, 3)
EVEN = {p.id: Pose(0.015) for p in DESIGN.pieces}
JOB = parse_job({"pieces": {"p05": {"offset_mm": 0.04}}}, source="test")
ONLY_P05 = parse_job({"pieces": {"*": {"keep": True}, "p05": {"keep": False}}}, source="test")


def given_of(poses, job):
    survey = survey_of(DESIGN, poses)
    return as_recorded(plan_input(DESIGN, survey, solve_pieces(DESIGN, survey), job))


@pytest.fixture(scope="module")
def even():
    return given_of(EVEN | {"p05": Pose(0.155)}, JOB)


@pytest.fixture(scope="module")
def uneven():
    """p05 is too small along one seam alone: only that stretch of its outline may be offset."""
    given = given_of(EVEN, ONLY_P05)
    seated = given.windows.seated_mm.copy()
    at = given.seam_ids.index("p04|p05")
    seated[given.windows.seam == at] = 0.19
    others = [s for s, name in enumerate(given.seam_ids) if "p05" in name and s != at]
    seated[np.isin(given.windows.seam, others)] = 0.0
    windows = replace(given.windows, seated_mm=seated, measured_mm=np.maximum(seated, 0.0))
    return replace(given, windows=windows)


def decision(given, job, name="p05"):
    return next(d for d in plan_from(given, job).decisions if d.id == name)


def area_between(one, other):
    return one.symmetric_difference(other).area / other.length


@pytest.mark.parametrize(("response", "u"), [(0.8, 0.04), (1.25, 0.1), (1.0, 0.1)])
def test_the_change_is_what_is_wanted_over_the_response(even, response, u):
    plain = decision(even, JOB)
    told = decision(replace(even, past=Past(response, u)), JOB)
    assert plain.response is None
    assert told.response == (response, u)
    assert told.offset_change_mm == pytest.approx(plain.offset_change_mm / response)
    # JCGM 100, 5.1.2 and 5.1.6: of c = w/R, u² = (u_w/R)² + (c·u_R/R)²
    by_hand = np.hypot(plain.standard_uncertainty_mm / response, told.offset_change_mm * u / response)
    assert told.standard_uncertainty_mm == pytest.approx(by_hand)
    drawn = DESIGN.piece("p05").polygon
    assert area_between(told.new_outline, offset_outline(drawn, 0.04 + told.offset_change_mm)) < 1e-6


def test_the_uncertainty_against_monte_carlo(even):
    """JCGM 101: quotient of two normal figures drawn 200 000 times."""
    plain, told = decision(even, JOB), decision(replace(even, past=Past(0.8, 0.03)), JOB)
    rng = np.random.default_rng(3)
    wanted = rng.normal(plain.offset_change_mm, plain.standard_uncertainty_mm, 200_000)
    assert told.standard_uncertainty_mm == pytest.approx((wanted / rng.normal(0.8, 0.03, 200_000)).std(), rel=0.02)


def test_verdicts_and_what_is_expected_after_do_not_change(even):
    plain, told = plan_from(even, JOB), plan_from(replace(even, past=Past(0.7, 0.05)), JOB)
    assert [(d.id, d.verdict, d.cause, d.chance) for d in told.decisions] == [
        (d.id, d.verdict, d.cause, d.chance) for d in plain.decisions
    ]
    assert all(
        (d.offset_change_mm, d.standard_uncertainty_mm) == (e.offset_change_mm, e.standard_uncertainty_mm)
        for d, e in zip(told.decisions, plain.decisions, strict=True)
        if d.verdict != "recut"
    )


def test_stretches_are_scaled_too(uneven):
    plain, told = decision(uneven, ONLY_P05), decision(replace(uneven, past=Past(0.8, 0.04)), ONLY_P05)
    assert plain.seam_changes
    assert dict(told.seam_changes) == pytest.approx({name: mm / 0.8 for name, mm in plain.seam_changes})
    drawn = DESIGN.piece("p05").polygon
    grown = [one.new_outline.area - drawn.area for one in (plain, told)]
    assert grown[1] == pytest.approx(grown[0] / 0.8, rel=0.02)


def test_a_piece_cut_in_stretches_goes_on_from_that_outline(even, uneven):
    last = decision(uneven, ONLY_P05).new_outline
    told = decision(replace(even, past=Past(1.0, 0.05, (("p05", last),))), JOB)
    assert area_between(told.new_outline, offset_outline(last, told.offset_change_mm)) < 1e-3
    assert area_between(told.new_outline, offset_outline(DESIGN.piece("p05").polygon, told.offset_change_mm)) > 0.01


def test_the_past_comes_back_through_the_record(even, uneven):
    one = decision(uneven, ONLY_P05).new_outline
    two = MultiPolygon([DESIGN.piece("p01").polygon.buffer(-0.5), DESIGN.piece("p09").polygon.buffer(-0.5)])
    past = Past(0.812345, 0.0345, (("p01", two), ("p05", one)))
    given = replace(even, past=past)
    block = json.loads(json.dumps(plan_block(given, JOB), allow_nan=False))
    back = read_plan_block(block, source="fit.json").given
    assert (back.past.response, back.past.u_response) == (0.812345, 0.0345)
    for (name, cut), (again, read) in zip(past.as_cut, back.past.as_cut, strict=True):
        assert name == again
        assert cut.symmetric_difference(read).area < 1e-3
    assert plan_from(back, JOB) == plan_from(as_recorded(given), JOB)


def test_a_first_round_has_no_past(even):
    assert "past" not in plan_block(even, JOB)


@pytest.mark.parametrize(
    "past",
    [
        [],
        None,
        {"response": [0.8, 0.04]},
        {"response": [0.0, 0.04], "as_cut": {}},
        {"response": [0.8, -0.04], "as_cut": {}},
        {"response": [0.8, None], "as_cut": {}},
        {"response": ["0.8", 0.1], "as_cut": {}},
        {"response": [0.8], "as_cut": {}},
        {"response": [0.8, 0.04], "as_cut": {"nobody": ["M0,0 l1,0 1,1 Z"]}},
        {"response": [0.8, 0.04], "as_cut": {"p05": "M0,0 l1,0 1,1 Z"}},
        {"response": [0.8, 0.04], "as_cut": {"p05": []}},
        {"response": [0.8, 0.04], "as_cut": {"p05": ["M0,0 l1,0 Z"]}},
    ],
)
def test_a_damaged_past_is_one_sentence(even, past):
    block = json.loads(json.dumps(plan_block(even, JOB))) | {"past": past}
    with pytest.raises(InputError, match=r"fit\.json: is damaged"):
        read_plan_block(block, source="fit.json")


def test_an_outline_cut_in_stretches_is_made_again_from_the_record(uneven):
    """It is not stored; the plan it came from can be made once more, and where that fails it is said."""
    cut = decision(uneven, ONLY_P05)
    recorded = RecordedPlan(uneven, ONLY_P05, ())
    asked = {"p05": round(cut.offset_change_mm, 4)}
    found, notes = as_cut_last(recorded, asked, {"p05"})
    assert found["p05"].equals(cut.new_outline)
    assert notes == ()
    lost, notes = as_cut_last(recorded, {"p05": asked["p05"] + 0.01}, {"p05"})
    assert lost == {}
    assert "p05 could not be made again" in notes[0]


def test_an_outline_of_an_earlier_round_stays_with_a_piece_that_is_kept(even, uneven):
    last = decision(uneven, ONLY_P05).new_outline
    past = Past(0.9, 0.05, (("p05", last), ("p01", DESIGN.piece("p01").polygon.buffer(-0.2))))
    recorded = RecordedPlan(replace(even, past=past), JOB, ())
    again = decision(recorded.given, JOB)
    found, _ = as_cut_last(recorded, {"p05": round(again.offset_change_mm, 4)}, {"p01", "p05"})
    assert found["p01"].equals(past.as_cut[1][1])
    assert area_between(found["p05"], offset_outline(last, again.offset_change_mm)) < 1e-3
