"""Every folder of test_images/ through the main job, against the truth that lies in it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gapscan.pipeline import inspect
from gapscan.report.types import Inspection
from tests.make_test_images import FOLDER, OVERLAY, OVERLAY_WIDTH_PX, SPECS

NAMES = [spec.name for spec in SPECS]
SPACING_MM = 0.3  # a station's truth is taken from the simulator's own station no farther off
JUDGED_MM = 5.0
STATION_MM = 0.25
GOOD_MM = 0.012


@dataclass(frozen=True)
class Case:
    found: Inspection
    truth: dict[str, Any]


@cache
def case(name: str) -> Case:
    """One folder, inspected once."""
    folder = FOLDER / name
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    photos = [folder / photo["file"] for photo in truth["photos"]]
    return Case(inspect(folder / "design.svg", photos, folder / "frame.svg", folder / "job.toml"), truth)


def seam_errors_mm(one: Case) -> dict[str, float]:
    """Error of the mean gap of every seam of which at least 5 mm were seen."""
    truth = {seam["id"]: seam["samples"] for seam in one.truth["seams"]}
    errors = {}
    for seam in one.found.survey.seams:
        samples = truth[seam.id]
        gap = np.array([np.nan if g is None else g for g in samples["gap_mm"]])
        away = np.linalg.norm(
            seam.stations.xy_mm[:, None] - np.column_stack([samples["x_mm"], samples["y_mm"]]), axis=2
        )
        true = np.where(away.min(axis=1) < SPACING_MM, gap[away.argmin(axis=1)], np.nan)
        good = seam.seen & np.isfinite(true)
        if good.sum() * STATION_MM >= JUDGED_MM:
            errors[seam.id] = float(np.mean(seam.gap_mm[good] - np.maximum(true[good], 0.0)))
    return errors


def test_every_folder_is_whole_and_small():
    held = {path.name for path in FOLDER.iterdir() if path.is_dir()}
    assert held == set(NAMES)
    for name in NAMES:
        truth = json.loads((FOLDER / name / "truth.json").read_text(encoding="utf-8"))
        photos = [photo["file"] for photo in truth["photos"]]
        assert {p.name for p in (FOLDER / name).iterdir()} == {
            "design.svg",
            "frame.svg",
            "job.toml",
            "truth.json",
            *photos,
        }
        for photo in photos:
            assert (FOLDER / name / photo).stat().st_size < 700_000
        assert f"`{name}`" in (FOLDER / "README.md").read_text(encoding="utf-8")


def test_the_readme_picture():
    from PIL import Image

    path = FOLDER / f"{OVERLAY}.png"
    assert path.stat().st_size < 900_000
    with Image.open(path) as picture:
        assert picture.width == OVERLAY_WIDTH_PX
    assert f"test_images/{OVERLAY}.png" in (FOLDER.parent / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_seams(name):
    one = case(name)
    errors = seam_errors_mm(one)
    assert len(errors) >= 0.5 * len(one.found.survey.seams)
    assert {seam: error for seam, error in errors.items() if abs(error) > GOOD_MM} == {}


@pytest.mark.parametrize("name", NAMES)
def test_faults_found_and_nothing_else_recut(name):
    one = case(name)
    recut = {decision.id for decision in one.found.plan.decisions if decision.verdict == "recut"}
    assert recut == set(one.truth["faults"]["undersize_mm"])
    size = {piece["id"]: piece["undersize_mm"] for piece in one.truth["pieces"]}
    for state in one.found.fit.pieces:
        if state.id in recut:
            assert state.undersize_mm == pytest.approx(size[state.id], abs=0.02)


def test_the_pushed_strip_is_to_be_moved_back():
    one = case("strips-shifted")
    (name,) = one.truth["faults"]["shift"]
    true = np.array(next(piece["shift_mm"] for piece in one.truth["pieces"] if piece["id"] == name))
    decision = next(d for d in one.found.plan.decisions if d.id == name)
    assert decision.verdict == "keep"
    assert decision.reseat_mm is not None
    assert np.linalg.norm(np.array(decision.reseat_mm) + true) < 0.03


@pytest.mark.parametrize("name", NAMES)
def test_the_photo_is_read_as_it_was_taken(name):
    one = case(name)
    (photo,), (true,) = one.found.photos, one.truth["photos"]
    assert photo.view == true["view"]
    assert photo.px_per_mm == pytest.approx(true["px_per_mm"], rel=0.01)
    assert photo.camera_height_mm == pytest.approx(true["camera_height_mm"], rel=0.05)
    said = " ".join(photo.warnings)
    assert ("turned over" in said) == true["frame_mirrored"]
    if true["tapes_mm"]:
        assert "tape" in said


def test_same_files_again(tmp_path: Path):
    """Only the cheapest one: drawing, job and truth to the letter, the lossless photo to the pixel."""
    from gapscan.photo.load import read_photo
    from tests.make_test_images import make

    spec = next(s for s in SPECS if s.name == "cells-small-16-bit")
    make(spec, tmp_path)
    for file in ("design.svg", "frame.svg", "job.toml"):
        assert (tmp_path / file).read_bytes() == (FOLDER / spec.name / file).read_bytes(), file
    again, kept = (json.loads((f / "truth.json").read_text(encoding="utf-8")) for f in (tmp_path, FOLDER / spec.name))
    for a, b in zip(again["seams"], kept["seams"], strict=True):
        assert a["mean_gap_mm"] == pytest.approx(b["mean_gap_mm"], abs=1e-4)
    light = [read_photo(f / "photo.png").light for f in (tmp_path, FOLDER / spec.name)]
    assert np.abs(light[0] - light[1]).max() < 2e-3
