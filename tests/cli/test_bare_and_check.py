"""The empty lightbox (--bare) and the frame's check slots ([check]), from files to the record and the terminal."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gapscan.cli.main import run
from gapscan.photo.frame import frame_svg
from gapscan.photo.layout import SLOT_WIDTH_MM, frame_layout
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.light import LightSettings
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.shop import ShopSettings, cut_and_tape

OPENING_MM = (90.0, 70.0)
# A lightbox with a hot spot behind the panel that the strip of light round it does not show.
SCENE = SceneSettings(
    camera=CameraSettings(width_px=2000, height_px=1500, equivalent_mm=100.0, px_per_mm=13.5, roll_deg=1.0),
    light=LightSettings(bump_share=0.18, bump_sigma=0.13),
    develop=DevelopSettings(blur_sigma_px=1.0, exposure=0.85),
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("bench")
    drawing = designs.cells(5, count=9, width_mm=64.0, height_mm=44.0)
    (folder / "design.svg").write_text(drawing.svg, encoding="utf-8")
    (folder / "frame.svg").write_text(frame_svg(*OPENING_MM), encoding="utf-8")
    fit = cut_and_tape(drawing.design(), ShopSettings(base_loss_mm=0.03), np.random.default_rng(2))
    card = frame_layout(*OPENING_MM).card
    empty = replace(SCENE, empty=True)
    for name, scene in (("photo", SCENE), ("empty", empty), ("nothing", replace(empty, frame_laid=False))):
        shot = photograph(fit, card, (0.0, 0.0), scene, np.random.default_rng(3))
        (folder / f"{name}.jpg").write_bytes(shot.file_bytes())
    truth = {}
    for seam in fit.seams:
        truth[seam.id] = float(np.nanmean(np.maximum(seam.gap_mm, 0.0)))
    # The same pieces once more, sheet and frame turned; and with one piece moved in between.
    turned = replace(SCENE, camera=replace(SCENE.camera, roll_deg=91.0))
    moved_id = drawing.design().pieces[4].id
    nudged = ShopSettings(base_loss_mm=0.03, shift={moved_id: (0.045, 0.02, 0.0)})
    moved = cut_and_tape(drawing.design(), nudged, np.random.default_rng(2))
    for name, pieces in (("again", fit), ("moved", moved)):
        shot = photograph(pieces, card, (0.0, 0.0), turned, np.random.default_rng(4))
        (folder / f"{name}.jpg").write_bytes(shot.file_bytes())
    return {"folder": folder, "truth": truth, "moved": moved_id}


def inspected(
    folder: Path, out: str, *options: str, job: str = 'view = "front"\n', also: tuple[str, ...] = ()
) -> tuple[dict, str]:
    (folder / f"{out}.toml").write_text(job, encoding="utf-8")
    photos = [str(folder / name) for name in ("photo.jpg", *also)]
    arguments = [str(folder / "design.svg"), *photos, "--frame", str(folder / "frame.svg")]
    with redirect_stdout(io.StringIO()) as told:
        assert (
            run(["inspect", *arguments, "--job", str(folder / f"{out}.toml"), "--out", str(folder / out), *options])
            == 0
        )
    return json.loads((folder / out / "fit.json").read_text(encoding="utf-8")), told.getvalue()


def rms_error(record: dict, truth: dict[str, float]) -> float:
    errors = [s["gap_mm"]["mean"] - truth[s["id"]] for s in record["seams"] if s["seen_fraction"] > 0.9]
    assert len(errors) > 8
    return float(np.sqrt(np.mean(np.square(errors))))


def test_photo_of_the_empty_lightbox_takes_off_what_its_unevenness_does_to_the_gaps(bench):
    folder = bench["folder"]
    without, _ = inspected(folder, "without")
    told, _ = inspected(folder, "with", "--bare", str(folder / "empty.jpg"))
    assert told["photos"][0]["bare_photo"] == "empty.jpg"
    assert without["photos"][0]["bare_photo"] is None
    assert rms_error(without, bench["truth"]) > 2 * rms_error(told, bench["truth"])
    assert rms_error(told, bench["truth"]) < 0.004


def test_a_frame_that_lay_elsewhere_is_refused_with_what_to_do(bench, capsys):
    folder = bench["folder"]
    arguments = [str(folder / "design.svg"), str(folder / "again.jpg"), "--frame", str(folder / "frame.svg")]
    assert run(["inspect", *arguments, "--bare", str(folder / "empty.jpg"), "--out", str(folder / "none")]) == 3
    assert "with nothing on the lightbox" in capsys.readouterr().err
    assert not (folder / "none").exists()


def test_a_file_that_is_no_photo_of_the_lightbox_is_refused(bench, capsys):
    folder = bench["folder"]
    arguments = [str(folder / "design.svg"), str(folder / "photo.jpg"), "--frame", str(folder / "frame.svg")]
    assert run(["inspect", *arguments, "--bare", str(folder / "frame.svg"), "--out", str(folder / "none")]) == 2
    assert "frame.svg" in capsys.readouterr().err
    assert not (folder / "none").exists()


def test_check_slots_of_known_width_read_within_their_uncertainty(bench):
    folder = bench["folder"]
    record, output = inspected(
        folder, "checked", "--bare", str(folder / "empty.jpg"), job=f"[check]\nslot_mm = {SLOT_WIDTH_MM}\n"
    )
    slots = record["photos"][0]["check"]
    assert len(slots) == len(frame_layout(*OPENING_MM).slots_mm)
    seen = [slot for slot in slots if slot["measured_mm"] is not None]
    assert len(seen) >= 2
    for slot in seen:
        assert abs(slot["difference_mm"]) < 2.5 * slot["difference_standard_uncertainty_mm"]
        assert slot["difference_standard_uncertainty_mm"] < 0.03
    assert "Check slots in photo.jpg" in output


def test_a_wrong_feeler_figure_is_reported(bench):
    folder = bench["folder"]
    record, output = inspected(folder, "wrong", job=f"[check]\nslot_mm = {SLOT_WIDTH_MM + 0.12}\n")
    assert any("too narrow" in warning for warning in record["photos"][0]["warnings"])
    assert "too narrow" in output


def test_a_piece_that_moved_between_two_photos_is_told(bench):
    """Sheet and frame were turned under a camera that stood still: one photo of the lightbox, frame off, does for both."""
    folder = bench["folder"]
    bare = ("--bare", str(folder / "nothing.jpg"))
    still, output = inspected(folder, "still", *bare, also=("again.jpg",))
    assert still["disagreements"] == []
    assert "disagree" not in output
    record, output = inspected(folder, "moved", *bare, also=("moved.jpg",))
    worst = record["disagreements"][0]
    assert bench["moved"] in worst["seam"].split("|")
    assert worst["photos"] == ["photo.jpg", "moved.jpg"]
    assert 0.01 < abs(worst["difference_mm"]) < 0.06
    assert worst["standard_uncertainty_mm"] < 0.01
    assert f"the photos disagree about {worst['seam']} by" in " ".join(output.split())
    page = (folder / "moved" / "report.html").read_text(encoding="utf-8")
    assert "Photos disagree about" in page


def test_the_budget_of_every_seam_adds_up(bench):
    """Root sum of squares of uncorrelated sources (JCGM 100, 5.1.2), to the rounding of the record; two photos too."""
    folder = bench["folder"]
    for out, also in (("one", ()), ("two", ("again.jpg",))):
        record, _ = inspected(folder, out, also=also)
        for seam in record["seams"]:
            gap = seam["gap_mm"]
            if gap["mean"] is not None:
                whole = np.sqrt(sum(u**2 for u in gap["budget"].values()))
                assert whole == pytest.approx(gap["standard_uncertainty"], abs=1e-4)
