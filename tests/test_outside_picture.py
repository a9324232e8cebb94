"""A sheet that lies partly outside the picture: the rest is measured, what is missing is said, too little is refused."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import MultiPoint, Polygon

from gapscan.cli.main import run
from gapscan.design.read import read_design
from gapscan.photo.load import read_photo
from gapscan.photo.reference import find_reference
from gapscan.register.outline import drawn_outline, placed, seen_outline
from gapscan.register.partial import scan_places, share_outside
from gapscan.register.rectify import rectify
from gapscan.register.register import register_design
from tests.conftest import CAMERA, SCENE, Shoot

CORNERS = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 45.0], [0.0, 45.0]])


def cropped(shoot: Shoot, folder, left, top, right, bottom) -> Shoot:
    """The photo with so much of it (shares of its width and height) kept."""
    with Image.open(shoot.photo_path) as photo:
        width, height = photo.size
        edges = (round(left * width), round(top * height), round(right * width), round(bottom * height))
        photo.crop(edges).save(folder / "photo.jpg", quality=95, exif=photo.getexif())
    return replace(shoot, photo_path=folder / "photo.jpg")


def truly_outside(shoot: Shoot, size, shift=(0, 0)) -> float:
    """Share of the sheet outside a picture of this size whose corner lies at ``shift``, from the simulator's camera."""
    sheet = Polygon(shoot.truth.design_to_px(CORNERS, height_mm=0.6) - shift)
    return 1 - sheet.intersection(MultiPoint([(0, 0), (size[0], size[1])]).envelope).area / sheet.area


def errors_mm(found, shoot: Shoot) -> np.ndarray:
    errors = []
    for seam in found.survey.seams:
        true = shoot.fit.gaps(seam.pieces, seam.stations.xy_mm, seam.stations.normal)
        good = seam.seen & np.isfinite(true)
        if good.sum() >= 8:
            errors.append(float(np.mean(seam.gap_mm[good] - np.maximum(true[good], 0.0))))
    return np.array(errors)


@pytest.mark.parametrize("keep", [(0, 0.3, 1, 1), (0, 0, 1, 0.7), (0, 0, 0.55, 1)], ids=["top", "bottom", "right"])
def test_a_cropped_photo_is_measured_where_it_shows_something(faulty_front, tmp_path, capsys, keep):
    shoot = cropped(faulty_front, tmp_path, *keep)
    files = [str(p) for p in (shoot.design_path, shoot.photo_path)]
    settings = ["--frame", str(shoot.frame_path), "--job", str(shoot.job_path), "--out", str(tmp_path / "out")]
    assert run(["inspect", *files, *settings]) == 0
    told = " ".join(capsys.readouterr().out.split())
    wanted = r"([0-9]+) % of the sheet lies outside the picture"
    record = json.loads((tmp_path / "out" / "fit.json").read_text(encoding="utf-8"))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    said = [re.search(wanted, text) for text in (told, *record["photos"][0]["warnings"], page)]
    shares = {int(found[1]) for found in said if found}
    assert len([found for found in said if found]) == 3
    with Image.open(shoot.photo_path) as photo:
        truth = truly_outside(faulty_front, photo.size, (round(keep[0] * 1600), round(keep[1] * 1200)))
    assert len(shares) == 1
    assert shares.pop() == pytest.approx(100 * truth, abs=1.0)
    # Reason and figure, station by station, against where the simulator's camera sees them.
    off = 0
    for seam in record["seams"]:
        at = np.column_stack([seam["samples"]["x_mm"], seam["samples"]["y_mm"]])
        uv = faulty_front.truth.design_to_px(at, height_mm=0.6) - (round(keep[0] * 1600), round(keep[1] * 1200))
        out = (uv < 0).any(axis=1) | (uv > np.array(photo.size) - 1).any(axis=1)
        reasons, gaps = np.array(seam["samples"]["reason"]), seam["samples"]["gap_mm"]
        assert all(gaps[k] is None and reasons[k] == "outside the picture" for k in np.flatnonzero(out))
        well_in = (uv > 25).all(axis=1) & (uv < np.array(photo.size) - 25).all(axis=1)
        assert not (reasons[well_in] == "outside the picture").any()
        off += int(out.sum())
    assert off > 20


@pytest.mark.parametrize("look_at_mm", [(35.0, 0.0), (45.0, 0.0), (0.0, 25.0), (-40.0, -10.0)])
def test_a_camera_that_looks_beside_the_sheet(studio, look_at_mm):
    """Not cropped but aimed badly: the lens stays where it was, so nothing that is seen may be any worse."""
    scene = replace(SCENE, fill=False, camera=replace(CAMERA, look_at_mm=look_at_mm))
    shoot = studio.shoot("aside", undersize_mm={4: 0.14}, scene=scene)
    truth = truly_outside(shoot, (1600, 1200))
    found = shoot.inspect()
    said = [w for w in found.photos[0].warnings if "outside the picture" in w]
    assert len(said) == (truth > 0.001)
    if said:
        assert int(said[0].split(" %")[0]) == pytest.approx(100 * truth, abs=1.0)
    errors = errors_mm(found, shoot)
    assert len(errors) >= 8
    assert np.sqrt(np.mean(errors**2)) <= 0.005


@pytest.mark.parametrize("keep", [(0, 0, 0.25, 1), (0.72, 0.6, 1, 1), (0.1, 0.1, 0.9, 0.9)])
def test_too_little_of_the_frame_is_refused(faulty_front, tmp_path, capsys, keep):
    shoot = cropped(faulty_front, tmp_path, *keep)
    files = [str(p) for p in (shoot.design_path, shoot.photo_path)]
    assert run(["inspect", *files, "--frame", str(shoot.frame_path), "--out", str(tmp_path / "out")]) == 3
    assert re.search(r"photo.jpg: (scale frame not found|only [0-9]+ of the frame's)", capsys.readouterr().err)
    assert not (tmp_path / "out").exists()


def test_two_photos_that_each_show_a_part_see_all(studio):
    """Two aims, left and right: no station is outside both pictures."""
    shoots = [
        studio.shoot(
            f"aim{x}",
            undersize_mm={4: 0.14},
            scene=replace(SCENE, fill=False, camera=replace(CAMERA, look_at_mm=(x, 0.0))),
        )
        for x in (-42.0, 42.0)
    ]
    single = [shoot.inspect() for shoot in shoots]
    both = shoots[0].inspect(shoots[1].photo_path)
    reasons = [np.concatenate([s.reason for s in found.survey.seams]) for found in (*single, both)]
    assert (reasons[0] == 1).any()
    assert (reasons[1] == 1).any()
    assert not ((reasons[2] != 0) & (reasons[0] == 0)).any()
    assert (reasons[2] == 0).sum() > max((reasons[0] == 0).sum(), (reasons[1] == 0).sum())


def test_the_place_found_from_a_part_of_the_outline(studio, faulty_front, tmp_path):
    """Four tenths missing; the coarse search alone comes within a millimetre and a half of the simulator's place."""
    shoot = cropped(faulty_front, tmp_path, 0, 0, 0.55, 1)
    photo = read_photo(shoot.photo_path)
    reference = find_reference(photo, studio.layout, card_thickness_mm=0.6)
    sheet = rectify(photo, reference, sheet_height_mm=0.6, step_mm=0.2)
    seen, outline = seen_outline(sheet), drawn_outline(read_design(shoot.design_path))
    assert seen is not None
    assert seen.touches_edge
    truth = CORNERS @ shoot.truth.to_table.T + shoot.truth.shift_mm
    places = scan_places(outline, seen, sheet, sides=(False,))
    off = [np.hypot(*(placed(m, a, outline, c).to_sheet(CORNERS) - truth).T).max() for _, m, a, c in places]
    assert min(off) < 1.5
    registration, _ = register_design(photo, reference, shoot.design, shoot.job)
    assert np.hypot(*(registration.to_sheet(CORNERS) - truth).T).max() < 0.3
    # what is in the opening but not in the picture, by areas of the simulator's projection
    share = share_outside(shoot.design, registration, reference, height_mm=0.6)
    assert share == pytest.approx(truly_outside(shoot, (880, 1200)), abs=0.01)
