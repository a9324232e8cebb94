"""Inputs nobody planned for: one sentence that names the file and the way out, the right exit code, nothing written."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from gapscan.cli.main import run

SOURCE = Path(__file__).parents[2] / "test_images"


@pytest.fixture
def bench(tmp_path, monkeypatch):
    for path in (SOURCE / "cells-front").iterdir():
        shutil.copy(path, tmp_path)
    Image.new("RGB", (1600, 1200), (255, 255, 255)).save(tmp_path / "white.png")
    whole = (tmp_path / "photo.jpg").read_bytes()
    (tmp_path / "cut.jpg").write_bytes(whole[: len(whole) // 3])
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "text.jpg").write_text("not a photo")
    with Image.open(tmp_path / "photo.jpg") as photo:
        photo.resize((500, 375)).save(tmp_path / "coarse.jpg", exif=photo.getexif())
        bright = np.minimum(np.asarray(photo).astype(float) * 1.5, 255).astype(np.uint8)
        Image.fromarray(bright).save(tmp_path / "bright.jpg", quality=95)
    (tmp_path / "nan.toml").write_text("tolerance_mm = nan\n")
    (tmp_path / "slip.toml").write_text("tolerence_mm = 0.1\n")
    (tmp_path / "entity.svg").write_text(
        '<!DOCTYPE x [<!ENTITY a "aaaa">]><svg xmlns="http://www.w3.org/2000/svg">&a;</svg>'
    )
    shutil.copy(SOURCE / "strips-shifted" / "design.svg", tmp_path / "other.svg")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("design", "photo", "extra", "code", "words"),
    [
        ("design.svg", ".", [], 2, "no such photo"),
        ("design.svg", "missing.jpg", [], 2, "missing.jpg"),
        ("design.svg", "cut.jpg", [], 2, "damaged or cut short"),
        ("design.svg", "empty.jpg", [], 2, "empty"),
        ("design.svg", "text.jpg", [], 2, "not a photo"),
        ("design.svg", "white.png", [], 3, "scale frame not found"),
        ("design.svg", "coarse.jpg", [], 3, "pixels to the millimetre"),
        ("design.svg", "bright.jpg", [], 3, "overexposed"),
        ("entity.svg", "photo.jpg", [], 2, "entities"),
        ("other.svg", "photo.jpg", [], 3, "photo of this design"),
        ("design.svg", "photo.jpg", ["--job", "nan.toml"], 2, "tolerance_mm must be a number"),
        ("design.svg", "photo.jpg", ["--job", "slip.toml"], 2, "unknown key tolerence_mm"),
        ("design.svg", "photo.jpg", ["--frame", "design.svg"], 2, "not a scale frame drawing"),
    ],
)
def test_refused_with_one_sentence(bench, capsys, design, photo, extra, code, words):
    arguments = ["inspect", design, photo, "--frame", "frame.svg", "--out", "out", *extra]
    assert run(arguments) == code
    told = capsys.readouterr().err
    assert words in told
    assert len(told.strip().splitlines()) == 1
    assert "Traceback" not in told
    assert not (bench / "out").exists()


def test_a_drawing_of_one_piece_has_no_seams_and_no_fault(bench, capsys):
    (bench / "one.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="70mm" viewBox="0 0 100 70">'
        '<rect id="a" width="100" height="70"/></svg>'
    )
    assert run(["inspect", "one.svg", "photo.jpg", "--frame", "frame.svg", "--out", "out"]) == 0
    assert "Nothing to recut" in capsys.readouterr().out
