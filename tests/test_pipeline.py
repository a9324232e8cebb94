"""The whole way on small simulated photos: gaps, faults and plans against the shop's truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapscan.errors import InputError, PhotoError
from gapscan.photo.frame import frame_svg
from gapscan.pipeline import inspect
from gapscan.report.types import Inspection
from tests.conftest import SCENE, Shoot


def seam_errors_mm(found: Inspection, shoot: Shoot) -> np.ndarray:
    """Mean error of each seam over its seen stations, against gaps measured on the true outlines."""
    errors = []
    for seam in found.survey.seams:
        true = shoot.fit.gaps(seam.pieces, seam.stations.xy_mm, seam.stations.normal)
        good = seam.seen & np.isfinite(true)
        if good.sum() >= 8:
            errors.append(float(np.mean(seam.gap_mm[good] - np.maximum(true[good], 0.0))))
    return np.array(errors)


def recuts(found: Inspection) -> list[str]:
    return [d.id for d in found.plan.decisions if d.verdict == "recut"]


@pytest.mark.parametrize("side", ["front", "back"])
def test_gaps_and_faults(request, inspected, side):
    shoot = request.getfixturevalue(f"faulty_{side}")
    found = inspected(shoot)
    errors = seam_errors_mm(found, shoot)
    assert len(errors) >= 0.8 * len(shoot.design.seams)
    assert np.sqrt(np.mean(errors**2)) <= 0.010
    faulty = list(shoot.fit.settings.undersize_mm)
    assert recuts(found) == faulty
    decision = next(d for d in found.plan.decisions if d.id == faulty[0])
    true = shoot.fit.piece(faulty[0])
    assert decision.cause == "cut too small"
    # Change of offset: the piece's own undersize and its neighbours', less the aim.
    beside = [n for s in shoot.design.seams if faulty[0] in s.pieces for n in s.pieces if n != faulty[0]]
    around = [shoot.fit.piece(n).undersize_mm for n in beside]
    assert decision.offset_change_mm == pytest.approx(true.undersize_mm + np.mean(around) - 0.03, abs=0.02)
    assert found.plan.feasible
    photo = found.photos[0]
    assert photo.view == side
    assert photo.px_per_mm == pytest.approx(shoot.truth.px_per_mm, rel=0.01)
    assert photo.reference_rms_mm < 0.02
    assert photo.camera_height_mm == pytest.approx(shoot.truth.camera.place_mm[2], rel=0.05)


@pytest.mark.parametrize("side", ["front", "back"])
def test_sizes_and_seats(request, inspected, side):
    shoot = request.getfixturevalue(f"faulty_{side}")
    states = inspected(shoot).fit.pieces
    size = np.array([p.undersize_mm - shoot.fit.piece(p.id).undersize_mm for p in states])
    assert np.sqrt(np.mean(size**2)) < 0.012
    seat = np.array([np.subtract(p.shift_mm, shoot.fit.piece(p.id).shift_mm) for p in states])
    assert np.sqrt(np.mean(seat**2)) < 0.02


def test_stated_uncertainties_cover_the_errors(inspected, faulty_front, faulty_back):
    """Coverage (GUM, 6.2): few seam stations lie more than three standard uncertainties off."""
    off = []
    for shoot in (faulty_front, faulty_back):
        for seam in inspected(shoot).survey.seams:
            true = shoot.fit.gaps(seam.pieces, seam.stations.xy_mm, seam.stations.normal)
            good = seam.seen & np.isfinite(true)
            off.append((seam.gap_mm[good] - np.maximum(true[good], 0.0)) / seam.u_gap_mm[good])
    assert np.mean(np.abs(np.concatenate(off)) > 3) < 0.05


def test_what_was_not_seen_has_a_reason_and_no_figure(inspected, faulty_front):
    for seam in inspected(faulty_front).survey.seams:
        for figure in (seam.gap_mm, seam.u_gap_mm, seam.centre_mm, seam.u_centre_mm):
            assert (np.isfinite(figure) == seam.seen).all()
        assert (seam.gap_mm[seam.seen] >= 0).all()
        assert (seam.u_gap_mm[seam.seen] > 0).all()
        assert (seam.u_shared_mm[seam.seen] <= seam.u_gap_mm[seam.seen] + 1e-12).all()


def test_a_shifted_piece_needs_no_recut(inspected, shifted):
    found = inspected(shifted)
    errors = seam_errors_mm(found, shifted)
    assert np.sqrt(np.mean(errors**2)) <= 0.010
    assert recuts(found) == []


def test_traces_lie_where_the_simulator_put_the_drawing(inspected, faulty_front):
    found = inspected(faulty_front)
    height = faulty_front.fit.settings.thickness_mm
    for seam, trace in zip(found.survey.seams, found.seam_traces, strict=True):
        wanted = faulty_front.truth.design_to_px(seam.stations.xy_mm, height_mm=height)
        assert np.nanmax(np.abs(trace.px - wanted)) < 2.5
    for piece in found.piece_traces:
        assert np.isfinite(piece.anchor_px).all()


def test_two_photos_see_more_and_agree(inspected, faulty_front, studio):
    """A second photo of the same fit, turned by 180 degrees under the camera."""
    turned = studio.shoot("turned", undersize_mm={4: 0.14}, scene=replace(SCENE, angle_deg=184.0))
    both = faulty_front.inspect(turned.photo_path)
    one = inspected(faulty_front)
    seen = [np.mean(np.concatenate([s.seen for s in f.survey.seams])) for f in (one, both)]
    assert seen[1] >= seen[0]
    assert len(both.photos) == 2
    assert np.sqrt(np.mean(seam_errors_mm(both, faulty_front) ** 2)) <= 0.010
    assert recuts(both) == recuts(one)


def refused(shoot: Shoot, *, design=None, frame=None, job=None, error=PhotoError) -> str:
    with pytest.raises(error) as caught:
        inspect(design or shoot.design_path, [shoot.photo_path], frame or shoot.frame_path, job or shoot.job_path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_photo_of_another_design(faulty_front, studio):
    message = refused(faulty_front, design=studio.other_drawing)
    assert "front.jpg" in message
    assert "this design" in message


def test_a_photo_of_the_back_called_front(faulty_back, faulty_front):
    """Refused, with a hint at the view."""
    message = refused(faulty_back, job=faulty_front.job_path)
    assert "back.jpg" in message
    assert "view" in message


def test_a_blurred_photo(blurred):
    message = refused(blurred)
    assert "blurred.jpg" in message
    assert "focus" in message


def test_an_overexposed_photo(overexposed):
    message = refused(overexposed)
    assert "overexposed.jpg" in message
    assert "darker" in message


def test_the_drawing_of_another_frame(faulty_front, tmp_path):
    """A frame a few percent larger than the one in the picture: refused, or the doubt about the scale is stated."""
    frame = tmp_path / "frame.svg"
    frame.write_text(frame_svg(82.0, 66.6), encoding="utf-8")
    try:
        found = inspect(faulty_front.design_path, [faulty_front.photo_path], frame, faulty_front.job_path)
        said = " ".join(found.photos[0].warnings)
    except PhotoError as err:
        said = str(err)
    assert "scale" in said or "frame" in said


def test_a_pattern_that_names_no_piece(faulty_front, tmp_path):
    job = tmp_path / "job.toml"
    job.write_text("[pieces.p99]\nkeep = true\n", encoding="utf-8")
    message = refused(faulty_front, job=job, error=InputError)
    assert "p99" in message
    assert str(job) in message


def test_progress_is_told_in_order(faulty_front, studio):
    told: list[str] = []
    with pytest.raises(PhotoError):
        inspect(studio.other_drawing, [faulty_front.photo_path], faulty_front.frame_path, None, told.append)
    assert told[0].startswith("reading")
    assert any("scale frame" in line and "front.jpg" in line for line in told)


def test_layers_of_the_drawing_tell_the_wood(faulty_front, tmp_path):
    """A layer named walnut makes its pieces walnut; the job file, where it names a wood, has the last word."""
    text = faulty_front.design_path.read_text(encoding="utf-8")
    layer = '<g xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape" inkscape:groupmode="layer" inkscape:label='
    start, end = text.index("<path"), text.rindex("</svg>")
    drawing = tmp_path / "layered.svg"
    drawing.write_text(f'{text[:start]}{layer}"walnut">{text[start:end]}</g>{text[end:]}', encoding="utf-8")
    (tmp_path / "job.toml").write_text('view = "front"\n[pieces.p03]\nmaterial = "holly"\n', encoding="utf-8")
    job = inspect(drawing, [faulty_front.photo_path], faulty_front.frame_path, tmp_path / "job.toml").job
    assert {job.settings(piece.id).material for piece in faulty_front.design.pieces} == {"walnut", "holly"}
    assert job.settings("p03").material == "holly"
