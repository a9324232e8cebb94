"""Tape over seams: found by itself, told from bare wood, and taken from the job file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from gapscan.design.read import read_design
from gapscan.job import parse_job, read_job
from gapscan.measure.types import Reason
from gapscan.photo.frame import read_frame
from gapscan.photo.load import read_photo
from gapscan.pipeline import inspect_photo

FOLDER = Path(__file__).parents[2] / "test_images"


def surveyed(name, **changes):
    here = FOLDER / name
    design = read_design(here / "design.svg")
    job = replace(read_job(here / "job.toml"), **changes)
    return inspect_photo(design, read_photo(here / "photo.jpg"), read_frame(here / "frame.svg"), job).survey


def test_tape_is_found_and_the_rest_left_alone():
    truth = json.loads((FOLDER / "cells-tape" / "truth.json").read_text(encoding="utf-8"))
    tapes = shapely.union_all([shapely.Polygon(t) for t in truth["photos"][0]["tapes_mm"]])
    under, free = [], []
    for seam in surveyed("cells-tape").seams:
        inside = shapely.contains_xy(tapes.buffer(-0.5), *seam.stations.xy_mm.T)
        near = shapely.contains_xy(tapes.buffer(1.5), *seam.stations.xy_mm.T)
        answered = seam.seen
        under.append(answered[inside])
        free.append((seam.reason == Reason.COVERED)[~near])
    assert np.concatenate(under).mean() < 0.05
    assert np.concatenate(free).mean() < 0.10


def test_bare_wood_is_not_taken_for_tape():
    reasons = np.concatenate([seam.reason for seam in surveyed("cells-front").seams])
    assert (reasons == Reason.COVERED).mean() < 0.06


def test_tape_named_in_the_job_file_covers():
    tape = parse_job({"tape": [[20, 10, 30, 12]]}, source="job").tape
    for seam in surveyed("cells-front", tape=tape).seams:
        x, y = seam.stations.xy_mm.T
        inside = (x > 20.1) & (x < 49.9) & (y > 10.1) & (y < 21.9)
        assert not seam.seen[inside].any()
