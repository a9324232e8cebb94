"""From a photo to the record and back through ``gapscan plan``: the movement stands beside the gaps, verdicts stay."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gapscan.cli.main import run
from gapscan.report.archive import fit_json
from gapscan.report.types import Inspection
from gapscan.report.writers import write_outputs
from gapscan.wood.moisture import resting_percent

_AIR = '\n[air]\ncut_rh_percent = {cut}\nuse_rh_percent = {use}\n[pieces."*"]\nmaterial = "hard maple"\nsawn = "flat"\n{grain}'
_GRAIN = "grain_deg = 30\n"


@pytest.fixture(scope="module")
def damp(faulty_front, tmp_path_factory) -> tuple[Inspection, Path]:
    """The fit with one piece 0.14 mm too small, cut dry and used damp; and its result folder."""
    place = tmp_path_factory.mktemp("damp")
    job = place / "job.toml"
    text = faulty_front.job_path.read_text(encoding="utf-8")
    job.write_text(text + _AIR.format(cut=32, use=70, grain=_GRAIN), encoding="utf-8")
    found = faulty_front.inspect(job=job)
    write_outputs(found, place / "result")
    return found, place / "result"


def seams_of(folder: Path) -> list[dict]:
    return json.loads((folder / "fit.json").read_text(encoding="utf-8"))["seams"]


def test_verdicts_and_figures_stay(damp, faulty_front, inspected):
    found, _ = damp
    without = inspected(faulty_front)
    assert [(d.id, d.verdict, d.offset_change_mm) for d in found.plan.decisions] == [
        (d.id, d.verdict, d.offset_change_mm) for d in without.plan.decisions
    ]
    for ours, theirs in zip(fit_json(found)["seams"], fit_json(without)["seams"], strict=True):
        assert ours["gap_mm"] == theirs["gap_mm"]
        assert theirs["movement_mm"] is None
        assert theirs["movement_not_computed_because"] == "no [air] in the job file"


def test_every_seam_has_its_movement(damp):
    """Small pieces of a 60 mm panel: swelling closes every gap by no more than the tangential coefficient of the whole
    panel's width allows, on average by half of a piece on each side (equation 13-2, hard maple 0.00353)."""
    found, folder = damp
    change = resting_percent(70, 20) - resting_percent(32, 20)
    moved = np.array([[s["movement_mm"], s["movement_standard_uncertainty_mm"]] for s in seams_of(folder)])
    assert np.isfinite(moved).all()
    assert (moved[:, 1] > 0).all()
    assert (moved[:, 0] > -60 * 0.00353 * change).all()
    assert (moved[:, 0] < 0.001).all()
    wide = max(p.polygon.length for p in found.design.pieces) / 4
    assert -moved[:, 0].min() == pytest.approx(wide * 0.00353 * change, rel=0.6)


def test_the_terminal_and_the_page_say_wait(damp):
    found, folder = damp
    assert found.plan.advice[0].startswith("Before any recut, wait: of the ")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Before any recut, wait" in page
    assert "glued down on a stable ground" in page


def test_a_new_plan_keeps_it_or_reckons_it_anew(damp, faulty_front, tmp_path):
    _, folder = damp
    again = tmp_path / "again"
    assert run(["plan", str(folder), "--out", str(again), "-q", "--tolerance", "0.12"]) == 0
    assert seams_of(again) == seams_of(folder)
    job = tmp_path / "job.toml"
    text = faulty_front.job_path.read_text(encoding="utf-8")
    job.write_text(text + _AIR.format(cut=70, use=32, grain=_GRAIN), encoding="utf-8")
    assert run(["plan", str(folder), "--out", str(tmp_path / "dry"), "-q", "--job", str(job)]) == 0
    for ours, theirs in zip(seams_of(tmp_path / "dry"), seams_of(folder), strict=True):
        assert ours["movement_mm"] == pytest.approx(-theirs["movement_mm"], abs=2e-4)


def test_no_grain_no_figure(damp):
    found, _ = damp
    pieces = (*found.job.pieces[:-1], ("*", {"material": "hard maple"}))
    lost = fit_json(replace(found, job=replace(found.job, pieces=pieces)))["seams"]
    assert {s["movement_mm"] for s in lost} == {None}
    assert all("no grain_deg for " in s["movement_not_computed_because"] for s in lost)
