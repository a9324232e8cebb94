"""What one photo shows before the slanted view is corrected: the seen slit at every station."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from gapscan.design.read import read_design
from gapscan.job import read_job
from gapscan.measure.sight import sight_seams
from gapscan.photo.frame import read_frame
from gapscan.photo.load import read_photo
from gapscan.photo.reference import find_reference
from gapscan.register.register import register_design

HERE = Path(__file__).parents[2] / "test_images" / "cells-front"


@pytest.fixture(scope="module")
def sighted():
    design, job = read_design(HERE / "design.svg"), read_job(HERE / "job.toml")
    photo = read_photo(HERE / "photo.jpg")
    reference = find_reference(photo, read_frame(HERE / "frame.svg"), card_thickness_mm=job.thickness_mm)
    registration, _ = register_design(photo, reference, design, job)
    return design, sight_seams(photo, reference, design, registration, job)


def seam_truth():
    truth = json.loads((HERE / "truth.json").read_text(encoding="utf-8"))
    return {seam["id"]: seam["mean_gap_mm"] for seam in truth["seams"]}


def test_every_station_has_a_slit_and_nothing_is_hidden_in_nan(sighted):
    design, sighting = sighted
    count = sum(len(stations) for stations in sighting.lines.seams)
    assert len(sighting.lines.seams) == len(design.seams)
    assert len(sighting.slits.stations) == count
    for values in (sighting.slits.fit.width, sighting.slits.fit.centre, sighting.slits.start_mm, sighting.slits.level):
        assert values.shape == (count,)
        assert np.isfinite(values).all()
    assert (sighting.slits.false_mm >= 0).all()


def test_a_slanted_view_shows_less_than_the_gap_and_never_more(sighted):
    """Physics of a slit in a sheet: pieces of one facing open upwards alike, so the view can only hide some of it."""
    design, sighting = sighted
    truth, start, checked = seam_truth(), 0, 0
    for seam, stations in zip(design.seams, sighting.lines.seams, strict=True):
        width = sighting.slits.fit.width[start : start + len(stations)]
        start += len(stations)
        if len(stations) > 40 and not any(name in {"p06", "p11"} for name in seam.pieces):
            checked += 1
            assert np.median(width) < truth[seam.id] + 0.012
    assert checked >= 8


def test_seams_of_a_faulty_piece_shine(sighted):
    """Gaps of more than 0.13 mm, with at most 0.08 mm hidden at the panel's rim: plainly lit."""
    design, sighting = sighted
    line = np.concatenate([np.full(len(s), k) for k, s in enumerate(sighting.lines.seams)])
    for k, seam in enumerate(design.seams):
        lit = np.median(sighting.slits.fit.width[line == k])
        if {"p06", "p11"} & set(seam.pieces):
            assert lit > 0.08
        elif (line == k).sum() > 40:
            assert lit < 0.08


def test_the_blur_is_that_of_the_picture(sighted):
    """Drawn with 0.9 px Gaussian blur, on pixels that average over their square (1/√12 px)."""
    _, sighting = sighted
    assert sighting.blur.sigma_px == pytest.approx(np.hypot(0.9, 12**-0.5), abs=0.15)
