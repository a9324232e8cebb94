"""Photos that cannot support an answer: exit 3, one sentence with file, fault and way out, and nothing written.

Every photo is simulated (gapscan.simulate), two megapixels, with one fault that a person at the bench can make.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from gapscan.cli.main import run
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.scene import photograph
from tests.conftest import OPENING_MM, PANEL_MM, SCENE


@pytest.fixture
def bench(tmp_path, monkeypatch, faulty_front):
    """The faulty job's files under plain names; refusals happen beside them."""
    shutil.copy(faulty_front.design_path, tmp_path / "design.svg")
    shutil.copy(faulty_front.frame_path, tmp_path / "frame.svg")
    shutil.copy(faulty_front.job_path, tmp_path / "job.toml")
    shutil.copy(faulty_front.photo_path, tmp_path / "photo.jpg")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def refused(bench, capsys):
    """Runs the main job and gives back the one sentence it was refused with."""

    def look(*, photo="photo.jpg", design="design.svg", job: str | None = "job.toml") -> str:
        before = sorted(path.name for path in bench.iterdir())
        extra = ["--job", job] if job else []
        code = run(["inspect", design, photo, "--frame", "frame.svg", *extra, "--out", "deep/out"])
        seen = capsys.readouterr()
        assert code == 3, seen.err
        assert seen.out == ""
        assert sorted(path.name for path in bench.iterdir()) == before
        told = seen.err.strip()
        assert len(told.splitlines()) == 1
        # file, fault, what to do
        assert re.fullmatch(r"gapscan: [^:]*\.(jpg|png): [^;]+; .+", told), told
        return told

    return look


def shoot(folder, fit, scene, *, card=None, layout=None, seed=3):
    """Photograph the fit in another scene, or in another card."""
    card = layout.card if card is None else card
    shot = photograph(fit, card, (0.0, 0.0), scene, np.random.default_rng(seed))
    (folder / "photo.jpg").write_bytes(shot.file_bytes())


def ring(margin_mm):
    """A plain opaque card round the opening, with no markers in it."""
    x, y = OPENING_MM[0] / 2, OPENING_MM[1] / 2
    return box(-x - margin_mm, -y - margin_mm, x + margin_mm, y + margin_mm).difference(box(-x, -y, x, y))


def test_this_bench_gives_an_answer_when_nothing_is_wrong(bench):
    files = ["design.svg", "photo.jpg", "--frame", "frame.svg", "--job", "job.toml"]
    assert run(["inspect", "-q", *files, "--out", "o"]) == 0
    assert len(list((bench / "o").iterdir())) == 6


@pytest.mark.parametrize("kind", ["plain card", "specks at the corners"])
def test_no_frame_in_the_photo(bench, refused, faulty_front, kind):
    if kind == "plain card":
        card = ring(12.0)
    else:
        card = shapely.union_all([box(x - 1, y - 1, x + 1, y + 1) for x in (-52, 52) for y in (-44, 44)])
    shoot(bench, faulty_front.fit, SCENE, card=card)
    assert "scale frame not found" in refused()


def covered_all_but(layout, kept):
    """The frame's card with an opaque strip of tape over every marker but the first few."""
    reach = 0.5 * layout.cell_mm
    over = [shapely.Polygon(m.corners_mm).buffer(reach, join_style="mitre") for m in layout.markers[kept:]]
    return shapely.union_all([layout.card, *over])


@pytest.mark.parametrize("kept", [0, 1, 2])
def test_fewer_markers_than_needed(bench, refused, faulty_front, studio, kept):
    shoot(bench, faulty_front.fit, SCENE, card=covered_all_but(studio.layout, kept))
    assert "scale frame not found" in refused()


def test_most_round_holes_covered(bench, refused, faulty_front, studio):
    holes = studio.layout.dots_mm[8:]
    over = shapely.union_all([studio.layout.card, shapely.MultiPoint(holes).buffer(2 * studio.layout.dot_radius_mm)])
    shoot(bench, faulty_front.fit, SCENE, card=over)
    assert re.search(r"only [0-9]+ of the frame's [0-9]+ round holes can be used", refused())


@pytest.mark.parametrize("blur_px", [5.5, 7.0, 10.0, 25.0])
def test_out_of_focus(bench, refused, faulty_front, studio, blur_px):
    scene = replace(SCENE, develop=DevelopSettings(blur_sigma_px=blur_px))
    shoot(bench, faulty_front.fit, scene, layout=studio.layout)
    assert "focus" in refused()


@pytest.mark.parametrize("exposure", [1.25, 1.5, 3.0, 20.0])
def test_bare_light_burnt_out(bench, refused, faulty_front, studio, exposure):
    scene = replace(SCENE, develop=DevelopSettings(exposure=exposure))
    shoot(bench, faulty_front.fit, scene, layout=studio.layout)
    told = refused()
    assert "overexposed" in told
    assert "darker" in told


@pytest.mark.parametrize("px_per_mm", [4.2, 5.0, 5.8])
def test_too_few_pixels_to_the_millimetre(bench, refused, faulty_front, studio, px_per_mm):
    size = {"width_px": round(128 * px_per_mm), "height_px": round(96 * px_per_mm)}
    scene = replace(SCENE, camera=replace(SCENE.camera, px_per_mm=px_per_mm, **size))
    shoot(bench, faulty_front.fit, scene, layout=studio.layout)
    assert re.search(r"[345]\.[0-9] pixels to the millimetre are too few", refused())


def draw(folder, count, *, prefix="p", seed=9):
    """A drawing of so many cells over the same panel."""
    svg = designs.cells(seed, count=count, width_mm=PANEL_MM[0], height_mm=PANEL_MM[1]).svg
    (folder / "other.svg").write_text(svg.replace('id="p', f'id="{prefix}'), encoding="utf-8")


# 2 mm cells at the most: their seams lie near any light there is
@pytest.mark.parametrize("count", [10, 40, 160, 600])
@pytest.mark.parametrize("prefix", ["p", "leaf-"])
def test_a_photo_of_another_design(bench, refused, count, prefix):
    """With a job file whose names the other drawing has (p) or has not."""
    draw(bench, count, prefix=prefix)
    told = refused(design="other.svg")
    assert "photo.jpg" in told
    assert "this design" in told


def test_a_misspelt_name_is_the_job_files_fault(bench, capsys):
    text = (bench / "job.toml").read_text(encoding="utf-8")
    (bench / "job.toml").write_text(text + "\n[pieces.lief]\nkeep = true\n", encoding="utf-8")
    assert run(["inspect", "design.svg", "photo.jpg", "--frame", "frame.svg", "--job", "job.toml", "--out", "out"]) == 2
    assert "job.toml: no piece of design.svg is named lief" in capsys.readouterr().err
