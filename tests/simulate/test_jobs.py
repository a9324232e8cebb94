"""The demonstration and the acceptance jobs."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from gapscan.job import parse_job
from gapscan.simulate.demo import demo_scenario
from gapscan.simulate.jobs import JobSpec, acceptance_jobs, build_job


@pytest.fixture(scope="module")
def specs() -> tuple[JobSpec, ...]:
    return acceptance_jobs()


def test_enough_jobs_of_every_kind(specs: tuple[JobSpec, ...]) -> None:
    assert len(specs) >= 10
    assert {spec.kind for spec in specs} == {"cells", "rosette", "inlays", "strips", "picture"}
    assert sum(not spec.recut and bool(spec.shifted) for spec in specs) >= 2
    assert {spec.scene.view for spec in specs} == {"front", "back"}
    assert max(spec.scene.camera.tilt_deg for spec in specs) == 6.0
    assert specs == acceptance_jobs()


def test_the_job_file_says_how_the_pieces_were_cut(specs: tuple[JobSpec, ...]) -> None:
    for spec in specs:
        job = parse_job(tomllib.loads(spec.job_toml()), source="job")
        assert job.view == spec.scene.view
        for name, material in spec.shop.material.items():
            assert job.settings(name).material == material
            assert job.settings(name).facing == spec.shop.facing.get(name, "up")


@pytest.mark.parametrize("number", [0, 4, 5])
def test_faults_stand_out_from_the_tolerance(specs: tuple[JobSpec, ...], number: int) -> None:
    spec = specs[number]
    _, fit = build_job(spec)
    for name in spec.recut:
        # wherever the piece is laid, the mean of its seams stays that far over the tolerance
        seams = [seam for seam in fit.seams if name in seam.pieces]
        weight = [len(seam.gap_mm) for seam in seams]
        assert np.average([seam.mean_mm for seam in seams], weights=weight) > spec.tolerance_mm + 0.03
    for seam in fit.seams:
        if not set(seam.pieces) & {*spec.recut, *spec.shifted}:
            assert seam.mean_mm < spec.tolerance_mm


def test_pieces_that_are_merely_shifted_are_no_smaller_than_the_others(specs: tuple[JobSpec, ...]) -> None:
    spec = next(spec for spec in specs if not spec.recut and spec.kind == "cells")
    _, fit = build_job(spec)
    size = {piece.id: piece.undersize_mm for piece in fit.pieces}
    assert max(size.values()) < 0.035
    assert max(float(np.hypot(*fit.piece(name).shift_mm)) for name in spec.shifted) > 0.06


def test_the_demonstration() -> None:
    scenario = demo_scenario(np.random.default_rng(1), photo_count=2)
    job = parse_job(tomllib.loads(scenario.job_toml), source="job")
    for piece in scenario.fit.pieces:
        assert job.settings(piece.id).material == piece.material
        assert job.settings(piece.id).facing == piece.facing
        assert job.settings(piece.id).offset_mm == 0.08
    assert job.view == "front"
    assert not job.unmatched(tuple(piece.id for piece in scenario.fit.pieces))
    assert 2 <= len(scenario.recut) <= 4
    for name in scenario.recut:
        assert 0.10 < scenario.fit.piece(name).undersize_mm < 0.18
    assert scenario.fit.piece(scenario.shifted[0]).undersize_mm < 0.035
    assert len(scenario.scenes) == 2
