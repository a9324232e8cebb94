"""The camera's height from the seams, where neither EXIF nor perspective tells it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gapscan.design.read import read_design
from gapscan.job import read_job
from gapscan.photo.frame import read_frame
from gapscan.photo.load import read_photo
from gapscan.pipeline import inspect_photo

HERE = Path(__file__).parents[2] / "test_images" / "cells-front"


def test_a_photo_without_exif_gives_the_same_gaps():
    design, job, frame = read_design(HERE / "design.svg"), read_job(HERE / "job.toml"), read_frame(HERE / "frame.svg")
    photo = read_photo(HERE / "photo.jpg")
    told = inspect_photo(design, photo, frame, job)
    untold = inspect_photo(design, replace(photo, focal_px=()), frame, job)
    truth = json.loads((HERE / "truth.json").read_text(encoding="utf-8"))["photos"][0]["camera_height_mm"]
    assert untold.reference.camera.place_mm[2] == pytest.approx(truth, rel=0.15)
    apart = [
        np.nanmean(a.gap_mm - b.gap_mm)
        for a, b in zip(told.survey.seams, untold.survey.seams, strict=True)
        if (a.seen & b.seen).sum() > 20
    ]
    assert len(apart) > 10
    assert np.sqrt(np.mean(np.square(apart))) < 0.006
