import csv
import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from gapscan.measure.types import Budget
from gapscan.report.archive import fit_json, pieces_csv, seams_csv
from gapscan.report.summary import seam_budget, summarise_seam
from tests.report.specimens import grid_inspection, one_seam_inspection, seam_gaps, stations_on

SEAM_KEYS = {"id", "pieces", "length_mm", "seen_fraction", "gap_mm", "samples"}
GAP_KEYS = {"mean", "median", "p95", "max", "standard_uncertainty"}
SAMPLE_KEYS = {"s_mm", "x_mm", "y_mm", "gap_mm", "standard_uncertainty_mm", "reason"}
PIECE_KEYS = {
    "id", "verdict", "offset_change_mm", "standard_uncertainty_mm", "undersize_mm", "shift_mm", "turn_deg",
    "cause", "widest_gap_mm",
}  # fmt: skip
PHOTO_KEYS = {"file", "px_per_mm", "view", "camera_height_mm", "reference_rms_mm", "warnings"}


def test_record_has_every_agreed_key_and_survives_json(board):
    record = fit_json(board)
    assert (record["schema"], record["units"]) == ("gapscan.fit/1", "mm")
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert all(set(photo) >= PHOTO_KEYS for photo in record["photos"])
    for seam in record["seams"]:
        assert set(seam) >= SEAM_KEYS
        assert set(seam["gap_mm"]) == GAP_KEYS | {"budget"}
        assert set(seam["samples"]) >= SAMPLE_KEYS
        assert len({len(column) for column in seam["samples"].values()}) == 1
    for piece in record["pieces"]:
        assert set(piece) >= PIECE_KEYS
        assert piece["verdict"] in {"keep", "recut", "unsure"}


def test_ids_are_sorted_whatever_the_order_given(board):
    shuffled = replace(
        board,
        design=replace(board.design, seams=board.design.seams[::-1]),
        plan=replace(board.plan, decisions=board.plan.decisions[::-1]),
    )
    record = fit_json(shuffled)
    for items in (record["seams"], record["pieces"]):
        ids = [item["id"] for item in items]
        assert ids == sorted(ids)
    assert record == fit_json(board)


def test_a_sample_is_null_exactly_where_it_has_a_reason(board):
    reasons = set()
    for seam in fit_json(board)["seams"]:
        samples = seam["samples"]
        for gap, u, why in zip(samples["gap_mm"], samples["standard_uncertainty_mm"], samples["reason"], strict=True):
            assert (gap is None) == (why is not None) == (u is None)
            reasons.add(why)
        seen = sum(gap is not None for gap in samples["gap_mm"]) / len(samples["gap_mm"])
        assert seam["seen_fraction"] == pytest.approx(seen, abs=1e-4)
    assert reasons == {None, "covered", "hidden by the slanted view", "next to a junction"}


def test_a_figure_left_over_at_an_unseen_station_stays_out(board):
    seam = board.survey.seams[0]
    hidden = ~seam.seen
    assert hidden.any()
    seam.gap_mm[hidden] = 0.0
    samples = next(s for s in fit_json(board)["seams"] if s["id"] == seam.id)["samples"]
    assert [gap is None for gap in samples["gap_mm"]] == hidden.tolist()


def test_a_seam_without_stations_is_listed_as_not_seen():
    (seam,) = fit_json(one_seam_inspection())["seams"]
    assert seam["seen_fraction"] == 0
    assert set(seam["gap_mm"].values()) == {None}
    assert seam["length_mm"] == 25.0
    assert seam["samples"]["gap_mm"] == []


def test_unsure_piece_has_null_figures(board):
    piece = fit_json(board)["pieces"][-1]
    assert piece["verdict"] == "unsure"
    assert piece["undersize_mm"] is piece["shift_mm"] is piece["turn_deg"] is piece["widest_gap_mm"] is None
    assert piece["standard_uncertainty_mm"] is None
    assert piece["offset_change_mm"] == 0


def test_a_piece_that_was_not_seen_has_no_figures_from_the_prior(board):
    states = tuple(
        replace(s, undersize_mm=0.0, u_undersize_mm=0.25, seen_fraction=0.0) if s.id == "p12" else s
        for s in board.fit.pieces
    )
    piece = fit_json(replace(board, fit=replace(board.fit, pieces=states)))["pieces"][-1]
    assert piece["undersize_mm"] is None
    assert piece["undersize_standard_uncertainty_mm"] is None


def test_unknown_camera_height_is_null(board):
    photo = replace(board.photos[0], camera_height_mm=math.nan, u_camera_height_mm=math.inf)
    record = fit_json(replace(board, photos=(photo,)))
    assert record["photos"][0]["camera_height_mm"] is None
    json.dumps(record, allow_nan=False)


def test_tables_repeat_the_record(hostile):
    record = fit_json(hostile)
    seams = list(csv.DictReader(io.StringIO(seams_csv(fit_json(hostile)))))
    pieces = list(csv.DictReader(io.StringIO(pieces_csv(fit_json(hostile)))))
    assert [row["id"] for row in seams] == [seam["id"] for seam in record["seams"]]
    assert [row["id"] for row in pieces] == [piece["id"] for piece in record["pieces"]]
    for row, seam in zip(seams, record["seams"], strict=True):
        mean = seam["gap_mm"]["mean"]
        assert row["gap_mean_mm"] == ("" if mean is None else str(mean))
    assert any(row["gap_mean_mm"] == "" for row in seams)
    assert pieces[-1]["undersize_mm"] == ""


def test_no_minus_zero():
    board = grid_inspection()
    decision = replace(board.plan.decisions[0], offset_change_mm=-0.0)
    plan = replace(board.plan, decisions=(decision, *board.plan.decisions[1:]))
    assert str(fit_json(replace(board, plan=plan))["pieces"][0]["offset_change_mm"]) == "0.0"


def test_budget_by_source_adds_up_to_the_stated_uncertainty():
    """Root sum of squares of uncorrelated sources (JCGM 100, 5.1.2), to the rounding of the record."""
    stations = stations_on((0, 0), (20, 0))
    n = len(stations)
    parts = {
        "noise": 0.008,
        "bare_light": 0.002,
        "tone": 0.001,
        "blur": 0.003,
        "glare": 0.001,
        "slant": 0.004,
        "scale": 0.0,
    }
    budget = Budget(**{name: np.full(n, u) for name, u in parts.items()})
    gaps = replace(seam_gaps(("a", "b"), stations, gap_mm=0.08), budget=budget)
    told = seam_budget(gaps)
    assert told is not None
    assert told["noise"] == pytest.approx(0.008 / np.sqrt(n))
    assert told["slant"] == pytest.approx(0.004)
    summary = summarise_seam(gaps)
    assert summary.standard_uncertainty_mm == pytest.approx(np.sqrt(sum(u**2 for u in told.values())), abs=5e-5)
