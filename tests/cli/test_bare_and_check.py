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
    for name, scene in (("photo", SCENE), ("empty", replace(SCENE, empty=True))):
        shot = photograph(fit, card, (0.0, 0.0), scene, np.random.default_rng(3))
        (folder / f"{name}.jpg").write_bytes(shot.file_bytes())
    truth = {}
    for seam in fit.seams:
        truth[seam.id] = float(np.nanmean(np.maximum(seam.gap_mm, 0.0)))
    return {"folder": folder, "truth": truth}


def inspected(folder: Path, out: str, *options: str, job: str = 'view = "front"\n') -> tuple[dict, str]:
    (folder / f"{out}.toml").write_text(job, encoding="utf-8")
    arguments = [str(folder / "design.svg"), str(folder / "photo.jpg"), "--frame", str(folder / "frame.svg")]
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
