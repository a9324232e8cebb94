"""Tape over seams: found by itself, told from bare wood, and taken from the job file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from gapscan.design.read import read_design
from gapscan.job import parse_job, read_job
from gapscan.measure.light_steps import light_in_steps
from gapscan.measure.types import Reason
from gapscan.photo.frame import read_frame
from gapscan.photo.layout import frame_layout
from gapscan.photo.load import read_photo
from gapscan.pipeline import inspect_photo
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.light import LightSettings
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.shop import ShopSettings, cut_and_tape
from tests.measure.specimens import straight_line

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


# Opaque wood: no glow that tape could dim, so its own slits must tell.


def stepped_line(width):
    return light_in_steps(straight_line(len(width), 14.0), np.asarray(width, dtype=float))


def slit_widths(seed=3):
    """A slowly changing slit of 0.05 to 0.11 mm with 1 % of noise, 50 mm long."""
    s = np.arange(200)
    return (0.08 + 0.03 * np.sin(s / 40)) * (1 + np.random.default_rng(seed).normal(0, 0.01, 200))


def test_slow_changes_of_a_slit_are_no_steps():
    log, dimmed, lit = stepped_line(slit_widths())
    assert not dimmed.any()
    assert np.ptp(log) == 0
    assert lit.all()


def test_a_slit_dimmed_between_two_steps_is_covered_there():
    width = slit_widths()
    width[80:130] *= 0.6
    log, dimmed, _ = stepped_line(width)
    assert dimmed[83:127].all()
    assert not dimmed[:77].any()
    assert not dimmed[133:].any()
    assert log[100] - log[40] == pytest.approx(np.log(0.6), abs=0.1)


def test_a_slit_that_widens_between_two_steps_is_not_dimmed_there():
    width = slit_widths()
    width[80:130] /= 0.6
    assert not stepped_line(width)[1][80:130].any()


def test_one_step_alone_proves_no_tape():
    """A chipped edge, or a fault of one piece, changes a slit once."""
    width = slit_widths()
    width[120:] *= 0.6
    assert not stepped_line(width)[1].any()


def test_light_that_dies_away_under_the_slant_is_not_dimmed():
    width = np.maximum(np.linspace(0.08, -0.04, 200), 0.0)
    assert not stepped_line(width)[1].any()


def test_another_direction_beyond_a_corner_is_no_step():
    width = slit_widths()
    width[80:130] *= 0.6
    seams = straight_line(200, 14.0)
    normal = seams.normal.copy()
    normal[80:130] = [1.0, 0.0]
    assert not light_in_steps(replace(seams, normal=normal), width)[1].any()


def opaque_job(tape_count, tmp_path):
    """Strips of wood that lets nothing through, 90 by 60 mm, at 12 px/mm: survey and tapes in design coordinates."""
    drawing = designs.strips(8, width_mm=90.0, height_mm=60.0)
    design = drawing.design()
    ids = [piece.id for piece in design.pieces]
    rng = np.random.default_rng(8)
    shop = ShopSettings(base_loss_mm=0.04, material=dict.fromkeys(ids, "opaque"))
    scene = SceneSettings(
        camera=CameraSettings(px_per_mm=12.0, equivalent_mm=52),
        light=LightSettings(glow={"opaque": (0.0, 0.0, 0.0)}),
        develop=DevelopSettings(blur_sigma_px=1.2, quality=90, glare_share=0.03, halo_share=0.02),
        tape_count=tape_count,
    )
    layout = frame_layout(117.0, 87.0)
    shot = photograph(cut_and_tape(design, shop, rng), layout.card, (0.0, 0.0), scene, rng)
    (tmp_path / "photo.jpg").write_bytes(shot.file_bytes())
    job = parse_job({"sheet": {"thickness_mm": shop.thickness_mm}, "cut": {"taper_deg": shop.taper_deg}}, source="job")
    return inspect_photo(design, read_photo(tmp_path / "photo.jpg"), layout, job).survey, shot.tapes_design


def test_opaque_wood_is_not_taken_for_tape(tmp_path):
    """Glare on wood without glow has no figure to go by: at most 3 % of the free seams may count as covered."""
    survey, _ = opaque_job(0, tmp_path)
    reasons = np.concatenate([seam.reason for seam in survey.seams])
    assert (reasons == Reason.SEEN).mean() > 0.5
    assert (reasons == Reason.COVERED).mean() <= 0.03


def test_tape_over_opaque_wood_is_found_by_the_slits_it_dims(tmp_path):
    survey, tapes = opaque_job(2, tmp_path)
    area = shapely.union_all(list(tapes))
    under, free = [], []
    for seam in survey.seams:
        xy = seam.stations.xy_mm.T
        under.append((seam.reason == Reason.COVERED)[shapely.contains_xy(area.buffer(-0.5), *xy)])
        free.append((seam.reason == Reason.COVERED)[~shapely.contains_xy(area.buffer(1.5), *xy)])
    assert len(np.concatenate(under)) > 50
    assert np.concatenate(under).mean() > 0.8
    assert np.concatenate(free).mean() <= 0.03
