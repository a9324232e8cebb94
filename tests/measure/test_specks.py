"""Dust and hairs over a slit: found where the simulator laid them, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapscan.measure.specks import speck_stations
from gapscan.measure.types import Reason
from tests.conftest import SCENE
from tests.measure.specimens import straight_line

N = 400
NOISE_MM = 0.002
AT = np.arange(N) * 0.25


def found(gap, *, usable=None):
    every = np.ones(N, bool) if usable is None else usable
    return speck_stations(straight_line(N, 17.0), gap, np.full(N, NOISE_MM), usable=every, known=every)


def noisy(gap, seed=0, noise=NOISE_MM):
    return gap + np.random.default_rng(seed).normal(0.0, noise, N)


def light_lost(centre_mm, diameter_mm):
    """Share of each station's light that an opaque bar of this length along the seam takes: a station is the mean over
    its quarter of a millimetre, by interval overlap."""
    low, high = centre_mm - diameter_mm / 2, centre_mm + diameter_mm / 2
    return np.clip(np.minimum(AT + 0.125, high) - np.maximum(AT - 0.125, low), 0, None) / 0.25


@pytest.mark.parametrize("gap_mm", [0.04, 0.1, 0.25])
@pytest.mark.parametrize("diameter_mm", [0.1, 0.2, 0.4])
def test_grains_are_found_whole_and_nothing_else(gap_mm, diameter_mm):
    lost = sum(light_lost(c, diameter_mm) for c in (10.0, 30.07, 55.125, 80.2))
    specks = found(noisy(gap_mm * (1 - lost)))
    assert specks[gap_mm * lost > 6 * NOISE_MM].all()
    assert not specks[lost == 0].any()


@pytest.mark.parametrize(
    "gap",
    [
        0.10 + 0.0 * AT,
        0.0 * AT,
        0.02 + 0.002 * AT,
        0.12 + 0.06 * np.sin(AT / 1.0),  # period 6.3 mm: round a small inlay that sits aside
        np.where(AT < 50, 0.15, 0.04),
        0.1 - 0.06 * (np.abs(AT - 50) < 1.5),  # a narrow place 3 mm long is the gap's own
        0.1 + 0.08 * (np.abs(AT - 50) < 0.4),  # a chip
    ],
    ids=["even", "closed", "wedge", "wave", "step", "narrow place", "chip"],
)
def test_true_changes_are_left_alone(gap):
    rejected = [found(noisy(gap, seed)).mean() for seed in range(20)]
    assert np.mean(rejected) < 0.002


def test_ragged_walls_are_no_dust():
    """A gap that scatters by 12 µm over a correlation length of half a millimetre, far more than its stated noise."""
    from scipy.ndimage import gaussian_filter1d

    rejected = []
    for seed in range(20):
        walls = gaussian_filter1d(np.random.default_rng(seed).normal(0, 1, N), 2.0)
        rejected.append(found(noisy(0.1 + 0.012 * walls / walls.std(), seed)).mean())
    assert np.mean(rejected) < 0.005


def test_nothing_is_found_where_nothing_is_usable_nor_beside_the_unknown():
    gap = noisy(0.1 * (1 - light_lost(50.0, 0.4)))
    usable = np.abs(AT - 50) > 1.0
    gap[~usable] = 0.0
    assert not found(gap, usable=usable).any()


def test_short_stretches():
    for n in (0, 1, 2, 3, 6):
        line = straight_line(n, 17.0)
        every = np.ones(n, bool)
        assert len(speck_stations(line, np.full(n, 0.1), np.full(n, 0.002), usable=every, known=every)) == n


def mean_errors_mm(inspection, shoot):
    errors = []
    for seam in inspection.survey.seams:
        true = shoot.fit.gaps(seam.pieces, seam.stations.xy_mm, seam.stations.normal)
        good = seam.seen & np.isfinite(true)
        if good.sum() >= 8:
            errors.append(float(np.mean(seam.gap_mm[good] - np.maximum(true[good], 0.0))))
    return np.array(errors)


def test_dirty_seams_in_a_photo(studio, monkeypatch):
    """Forty grains and ten hairs in the slits of a small panel; without them hardly a station is rejected."""
    import gapscan.measure.survey

    scene = replace(SCENE, dust_count=40, hair_count=10, dirt_on_seams=True)
    dirty = studio.shoot("dirty", undersize_mm={4: 0.14}, scene=scene)
    clean = studio.shoot("clean", undersize_mm={4: 0.14})
    with_rejection = dirty.inspect()
    reasons = np.concatenate([s.reason for s in with_rejection.survey.seams])
    assert 20 < (reasons == Reason.SPECK).sum() < 200
    reasons = np.concatenate([s.reason for s in clean.inspect().survey.seams])
    assert (reasons == Reason.SPECK).sum() < 0.005 * (reasons == Reason.SEEN).sum()
    monkeypatch.setattr(
        gapscan.measure.survey, "speck_stations", lambda stations, *_, **__: np.zeros(len(stations), bool)
    )
    errors = [mean_errors_mm(found, dirty) for found in (with_rejection, dirty.inspect())]
    rms = [float(np.sqrt(np.mean(e**2))) for e in errors]
    assert rms[0] < 0.6 * rms[1]
    assert rms[0] < 0.004
