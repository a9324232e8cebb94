"""Inputs nobody planned for: one sentence that names the file and the way out, the right exit code, nothing written."""

from __future__ import annotations

import json
import re
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


def recuts(folder):
    """Pieces to recut with their changes of offset."""
    pieces = json.loads((folder / "fit.json").read_text(encoding="utf-8"))["pieces"]
    return {piece["id"]: piece["offset_change_mm"] for piece in pieces if piece["verdict"] == "recut"}


def other_photo(folder, kind):
    """The bench's photo in another dress."""
    with Image.open(folder / "photo.jpg") as photo:
        exif = photo.getexif()
        if kind == "CMYK":
            photo.convert("CMYK").save(folder / "other.jpg", quality=95, exif=exif)
        elif kind == "turned":
            exif[0x0112] = 8  # stored a quarter turn clockwise (CIPA DC-008): to be shown turned back
            photo.rotate(-90, expand=True).save(folder / "other.jpg", quality=95, exif=exif)
        else:
            pages = [photo.rotate(180), photo.resize((400, 300))]
            photo.save(folder / "other.tif", save_all=True, append_images=pages)
    return "other.tif" if kind == "pages" else "other.jpg"


@pytest.mark.parametrize("kind", ["CMYK", "turned", "pages"])
def test_the_same_photo_in_another_dress_gives_the_same_recuts(bench, capsys, kind):
    name = other_photo(bench, kind)
    assert run(["inspect", "-q", "design.svg", name, "--frame", "frame.svg", "--job", "job.toml", "--out", "out"]) == 0
    assert capsys.readouterr().err == ""
    truth = json.loads((bench / "truth.json").read_text(encoding="utf-8"))["faults"]["undersize_mm"]
    found = recuts(bench / "out")
    assert set(found) == set(truth)
    for piece, change in found.items():
        assert change == pytest.approx(truth[piece], abs=0.03)


@pytest.mark.parametrize("name", ["a photo.jpg", "снимок é.jpg", "new\nline.jpg", "[red]x[bold].jpg", "<b>&amp;.jpg"])
def test_names_of_any_kind(bench, capsys, name):
    (bench / "photo.jpg").rename(bench / name)
    assert run(["inspect", "design.svg", name, "--frame", "frame.svg", "--out", "out"]) == 0
    assert capsys.readouterr().err == ""
    assert json.loads((bench / "out" / "fit.json").read_text(encoding="utf-8"))["photos"][0]["file"] == name
    page = (bench / "out" / "report.html").read_text(encoding="utf-8")
    assert "<b>&amp;.jpg" not in page


def test_a_drawing_with_a_script_in_inches(bench, capsys):
    """100 mm are 3.937... in; what is in the drawing besides shapes neither runs nor comes out again."""
    drawing = (bench / "design.svg").read_text(encoding="utf-8")
    size = re.search(r'width="([0-9.]+)mm" height="([0-9.]+)mm"', drawing)
    assert size is not None
    inches = f'width="{float(size[1]) / 25.4:.8f}in" height="{float(size[2]) / 25.4:.8f}in"'
    drawing = drawing.replace(size[0], inches).replace("</svg>", "<script>alert(1)</script></svg>")
    drawing = drawing.replace("<svg ", '<svg onload="alert(2)" ', 1)
    (bench / "inch.svg").write_text(drawing, encoding="utf-8")
    common = ["photo.jpg", "--frame", "frame.svg", "--job", "job.toml", "-q"]
    assert run(["inspect", "inch.svg", *common, "--out", "inch"]) == 0
    assert run(["inspect", "design.svg", *common, "--out", "mm"]) == 0
    assert capsys.readouterr().err == ""
    one, other = recuts(bench / "inch"), recuts(bench / "mm")
    assert set(one) == set(other)
    assert list(one.values()) == pytest.approx(list(other.values()), abs=1e-4)
    for file in (bench / "inch").iterdir():
        if file.suffix != ".png":
            assert "alert(" not in file.read_text(encoding="utf-8")


def test_only_the_frame_and_nothing_in_it(bench, capsys):
    with Image.open(bench / "photo.jpg") as photo:
        empty = np.array(photo)
        exif = photo.getexif()
    # inside the opening, as seen in the test image
    empty[180:1010, 225:1375] = np.random.default_rng(0).normal(238.0, 1.5, (830, 1150, 3)).astype(np.uint8)
    Image.fromarray(empty).save(bench / "empty-frame.jpg", quality=93, exif=exif)
    assert run(["inspect", "design.svg", "empty-frame.jpg", "--frame", "frame.svg", "--out", "out"]) == 3
    told = capsys.readouterr().err
    assert "empty-frame.jpg: nothing dark lies in the frame's opening" in told


@pytest.mark.parametrize(
    ("out", "words"),
    [
        ("job.toml", "job.toml: is a file"),
        ("job.toml/result", "job.toml: is a file"),
        ("new/job.toml", None),
        ("x" * 300, "too long"),
        ("blocked", "fit.json: a folder stands where a result file goes"),
    ],
)
def test_places_for_results(bench, capsys, out, words):
    (bench / "blocked" / "fit.json").mkdir(parents=True)
    before = sorted(path.name for path in bench.iterdir())
    code = run(["inspect", "-q", "design.svg", "photo.jpg", "--frame", "frame.svg", "--out", out])
    told = capsys.readouterr().err
    if words is None:
        assert (code, told) == (0, "")
        assert len(list((bench / out).iterdir())) == 6
        return
    assert code == 2
    assert words in told
    assert len(told.strip().splitlines()) == 1
    assert sorted(path.name for path in bench.iterdir()) == before


def test_a_refusal_leaves_no_folder_behind(bench):
    assert run(["inspect", "-q", "design.svg", "white.png", "--frame", "frame.svg", "--out", "a/b/c"]) == 3
    assert not (bench / "a").exists()


def test_one_photo_given_twice(bench, capsys):
    twice = ["photo.jpg", str(bench / "photo.jpg")]
    assert run(["inspect", "design.svg", *twice, "--frame", "frame.svg", "--out", "out"]) == 2
    assert "the same photo is given twice" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["x" * 300 + ".svg", "photo.jpg"], ["design.svg", "x" * 300]])
@pytest.mark.usefixtures("bench")
def test_names_too_long_for_the_file_system(capsys, arguments):
    assert run(["inspect", *arguments, "--frame", "frame.svg", "--out", "out"]) == 2
    assert "too long" in capsys.readouterr().err


@pytest.mark.parametrize("opening", ["0x0", "10x20", "99999x99999"])
def test_openings_no_frame_has(bench, capsys, opening):
    assert run(["frame", "--opening", opening, "--out", "made.svg"]) == 2
    assert "60x60 to 600x400" in capsys.readouterr().err
    assert not (bench / "made.svg").exists()


@pytest.mark.usefixtures("bench")
def test_a_frame_is_not_written_over_a_folder(capsys):
    assert run(["frame", "--opening", "112x82", "--out", "."]) == 2
    assert "is a folder" in capsys.readouterr().err
