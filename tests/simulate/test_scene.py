"""Photos: the same from the same seed, the truth in the right place, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.light import LightSettings
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.scene_files import write_scene
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape
from tests.simulate.specimens import four_squares, ring_card

CARD = ring_card(30, 28)
SCENE = SceneSettings(
    camera=CameraSettings(width_px=640, height_px=480, equivalent_mm=100, px_per_mm=20, tilt_deg=2, k1=-0.01),
    angle_deg=4.0,
    fill=True,
    tape_count=1,
    dust_count=3,
    hair_count=1,
    least_moat_mm=2.0,
)


@pytest.fixture(scope="module")
def fit() -> DryFit:
    return cut_and_tape(four_squares(), ShopSettings(undersize_mm={"b": 0.1}), np.random.default_rng(1))


def test_same_seed_same_photo(fit: DryFit) -> None:
    one, two, other = (photograph(fit, CARD, (0, 0), SCENE, np.random.default_rng(s)) for s in (5, 5, 6))
    np.testing.assert_array_equal(one.pixels, two.pixels)
    assert one.file_bytes() == two.file_bytes()
    assert not np.array_equal(one.pixels, other.pixels)


def test_same_seed_same_fit(fit: DryFit) -> None:
    again = cut_and_tape(four_squares(), ShopSettings(undersize_mm={"b": 0.1}), np.random.default_rng(1))
    assert [p.show.wkb for p in again.pieces] == [p.show.wkb for p in fit.pieces]


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize("roll_deg", [0.0, 180.0])
def test_each_piece_is_where_the_truth_says(fit: DryFit, view: str, roll_deg: float) -> None:
    # give one piece another glow and look for it
    material = {"a": "walnut", "b": "holly", "c": "walnut", "d": "walnut"}
    dyed = replace(fit, pieces=tuple(replace(p, material=material[p.id]) for p in fit.pieces))
    scene = replace(
        SCENE,
        view=view,
        tape_count=0,
        dust_count=0,
        hair_count=0,
        camera=replace(SCENE.camera, roll_deg=roll_deg),
        light=LightSettings(grain_share=0.0),
    )
    photo = photograph(dyed, CARD, (0, 0), scene, np.random.default_rng(2))
    for piece in fit.design.pieces:
        centre = np.array([piece.polygon.centroid.coords[0]])
        u, v = np.round(photo.design_to_px(centre, height_mm=0.6)[0]).astype(int)
        assert (photo.pixels[v, u, 0] > 100) == (piece.id == "b")
    handed = np.linalg.det(photo.to_table)
    assert handed == pytest.approx(-1.0 if view == "back" else 1.0)


def test_turning_the_sheet_over_puts_the_show_face_on_the_glass(fit: DryFit) -> None:
    # pieces cut face up are smaller on the show face: seen square-on from either side the gap is the same
    scene = replace(
        SCENE,
        tape_count=0,
        dust_count=0,
        hair_count=0,
        angle_deg=0.0,
        camera=CameraSettings(width_px=900, height_px=800, equivalent_mm=2000, px_per_mm=20),
        light=LightSettings(grain_share=0.0, glow={"maple": (0.0, 0.0, 0.0)}),
        develop=DevelopSettings(file_type="png16", shot_noise=0, read_noise=0, glare_share=0, halo_share=0),
        fill=False,
    )
    seam = next(s for s in fit.seams if s.id == "a|b")
    at = 8
    for view in ("front", "back"):
        photo = photograph(fit, CARD, (0, 0), replace(scene, view=view), np.random.default_rng(0))
        value = photo.pixels[:, :, 0] / 65535.0
        light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
        u, v = np.round(photo.design_to_px(seam.stations.xy_mm[[at]], height_mm=0.0)[0]).astype(int)
        bare = light[v, 200]
        width_mm = light[v, u - 12 : u + 13].sum() / bare / 20.0
        assert width_mm == pytest.approx(seam.gap_mm[at], rel=0.06)


def test_an_assembly_too_near_to_the_card_is_refused(fit: DryFit) -> None:
    with pytest.raises(ValueError, match="must keep 2 mm"):
        photograph(fit, CARD, (0, 0), replace(SCENE, offset_mm=(6.0, 0.0)), np.random.default_rng(1))


def test_the_frame_can_lie_anywhere_in_its_drawing_and_upside_down(fit: DryFit) -> None:
    clean = replace(
        SCENE, develop=DevelopSettings(shot_noise=0, read_noise=0), tape_count=0, dust_count=0, hair_count=0
    )
    marked = CARD.difference(shapely.box(-17, -10, -16, -8))
    moved = shapely.transform(marked, lambda xy: xy + np.array([100.0, 50.0]))
    one = photograph(fit, marked, (0, 0), clean, np.random.default_rng(1))
    two = photograph(fit, moved, (100, 50), clean, np.random.default_rng(1))
    np.testing.assert_array_equal(one.pixels, two.pixels)
    over = photograph(fit, marked, (0, 0), replace(clean, frame_mirrored=True), np.random.default_rng(1))
    hole = np.array([[-16.5, -9.0]])
    for photo, sign in ((one, 1.0), (over, -1.0)):
        u, v = np.round(photo.camera.project(hole * (sign, 1.0), 0.3)[0]).astype(int)
        assert photo.pixels[v, u].min() > 150


def test_exposure_can_clip(fit: DryFit) -> None:
    bright = replace(SCENE, develop=DevelopSettings(exposure=1.4))
    photo = photograph(fit, CARD, (0, 0), bright, np.random.default_rng(1))
    normal = photograph(fit, CARD, (0, 0), SCENE, np.random.default_rng(1))
    assert (photo.pixels == 255).mean() > 0.2
    assert (normal.pixels == 255).mean() < 0.001


def test_files_and_truth(fit: DryFit, tmp_path: Path) -> None:
    photo = photograph(fit, CARD, (0, 0), SCENE, np.random.default_rng(1))
    paths = write_scene(tmp_path, fit=fit, photos=[photo, photo])
    assert [p.name for p in paths] == ["photo-1.jpg", "photo-2.jpg"]
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["faults"]["undersize_mm"] == {"b": 0.1}
    assert [s["id"] for s in truth["seams"]] == ["a|b", "a|c", "b|d", "c|d"]
    assert truth["photos"][0]["camera_height_mm"] == pytest.approx(float(photo.camera.place_mm[2]), abs=1e-4)
    assert len(truth["photos"][0]["tapes_mm"]) == 1
