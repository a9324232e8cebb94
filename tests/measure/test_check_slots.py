"""Check slots in simulated photos of frames that were cut with a kerf, against the widths that they were cut to."""

from __future__ import annotations

import zlib
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from gapscan.errors import InputError
from gapscan.job import Check, parse_job
from gapscan.measure import check_slots
from gapscan.measure.blur import Blur
from gapscan.measure.check_slots import CheckSlot, _blur_there, check_warnings, mean_off, slot_sides, true_widths
from gapscan.measure.types import Reason
from gapscan.photo.layout import SLOT_WIDTH_MM, FrameLayout, frame_layout
from gapscan.photo.load import read_photo
from gapscan.pipeline import PhotoInspection, inspect_photo
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.shop import DryFit
from tests.conftest import CAMERA, SCENE, Studio

KERF_MM = (0.02, 0.05, 0.09, 0.06)  # top, right, bottom, left: wider than drawn by so much
TRUE_MM = tuple(SLOT_WIDTH_MM + kerf for kerf in KERF_MM)
SIDES = ("top", "right", "bottom", "left")


def cut_card(layout: FrameLayout, *, covered: str = "") -> Polygon:
    """The card with each check slot as wide as the laser made it; one of them covered, if need be."""
    card = layout.card
    for side, (x, y, along_x, along_y) in zip(slot_sides(layout), layout.slots_mm, strict=True):
        grown = KERF_MM[SIDES.index(side)] / 2
        slot = box(x - along_x / 2 - grown, y - along_y / 2 - grown, x + along_x / 2 + grown, y + along_y / 2 + grown)
        card = card.union(slot) if side == covered else card.difference(slot)
    return card


def shot(
    studio: Studio, fit: DryFit, scene: SceneSettings, check: dict[str, object], *, covered: str = ""
) -> PhotoInspection:
    photo = studio.folder / f"check-{covered}-{zlib.crc32(repr(scene).encode())}.jpg"
    if not photo.exists():
        card = cut_card(studio.layout, covered=covered)
        photo.write_bytes(photograph(fit, card, (0.0, 0.0), scene, np.random.default_rng(4)).file_bytes())
    pieces = {piece.id: {"facing": piece.facing} for piece in fit.pieces}
    job = parse_job({"view": scene.view, "check": check, "pieces": pieces}, source="job.toml")
    return inspect_photo(fit.design, read_photo(photo), studio.layout, job)


UPRIGHT = {"slots_mm": list(TRUE_MM), "taper_deg": 0.0}  # the simulator's card has upright walls


@pytest.mark.parametrize(
    "scene",
    [
        SCENE,
        replace(SCENE, frame_mirrored=True, view="back"),
        replace(SCENE, camera=replace(CAMERA, roll_deg=92.0, tilt_deg=4.0)),
        replace(SCENE, develop=DevelopSettings(sharpen=0.4, blur_sigma_px=1.4)),
        replace(SCENE, card_thickness_mm=0.6, camera=replace(CAMERA, equivalent_mm=40.0)),
        # The blur's shape is taken off as for the seams: left in, these come out 0.014 mm too wide, 0.009 too narrow,
        # three and two times their uncertainty.
        replace(SCENE, develop=DevelopSettings(blur_shape="disc", blur_sigma_px=1.4)),
        replace(SCENE, develop=DevelopSettings(blur_shape="tailed", blur_sigma_px=1.4)),
    ],
    ids=["plain", "frame turned over", "turned by 92 degrees", "sharpened", "from near by", "defocused", "scattering"],
)
def test_slots_come_out_as_wide_as_they_were_cut(studio, faulty_front, scene):
    found = shot(studio, faulty_front.fit, scene, UPRIGHT)
    assert [slot.side for slot in found.check] == list(SIDES)
    for slot, true in zip(found.check, TRUE_MM, strict=True):
        assert slot.true_mm == pytest.approx(true)
        assert slot.seen
        assert slot.measured_mm == pytest.approx(true, abs=0.008)
        assert abs(slot.off_mm) < 2 * slot.u_measured_mm
        assert 0 < slot.u_own_mm < slot.u_measured_mm < 0.010
    assert not [w for w in found.warnings if "check slot" in w]


def test_walls_of_unknown_lean_make_it_less_sure(studio, faulty_front):
    """Walls may lean from upright to as the veneer's, 0.6 mm · tan 2° = 0.021 mm: rectangular, u = 0.021/√12."""
    known = shot(studio, faulty_front.fit, SCENE, UPRIGHT).check
    unknown = shot(studio, faulty_front.fit, SCENE, {"slots_mm": list(TRUE_MM)}).check
    lean_mm = 0.6 * np.tan(np.deg2rad(2.0))
    for one, other in zip(known, unknown, strict=True):
        less = one.measured_mm - other.measured_mm
        assert 0 < less <= lean_mm / 2 + 1e-9
        grown = np.sqrt(other.u_measured_mm**2 - one.u_measured_mm**2)
        assert grown == pytest.approx(2 * less / np.sqrt(12), rel=1e-3)
        assert abs(other.off_mm) < 2 * other.u_off_mm


def test_blur_carried_outward_from_the_seams_is_taken_half_and_doubted():
    """ln σ rises by 0.1 at 20 mm, so 0.4 at 40 mm: σ is e^0.2 times that among the seams, rectangular u = 0.4/√12."""
    blur = Blur(1.5, 0.003, 1.0, field=(0.0, 0.0, 0.0, 0.1), span_mm=20.0)
    away = SimpleNamespace(xy_mm=np.array([[0.0, 0.0], [0.0, 40.0]]), scale_px_mm=np.full(2, 12.0))
    sigma, u = _blur_there(blur, away)
    np.testing.assert_allclose(sigma, 1.5 / 12.0 * np.exp([0.0, 0.2]))
    np.testing.assert_allclose(u, np.array([0.0, 0.4]) / np.sqrt(12.0), atol=1e-12)


def test_doubt_about_the_blur_there_reaches_the_width(studio, faulty_front, monkeypatch):
    """The picture's own blur is even, so a doubt put on top is all that differs; tenfold more of it, tenfold more u."""

    def extra(doubt: float) -> np.ndarray:
        monkeypatch.setattr(check_slots, "_blur_there", lambda b, s: (b.sigma_mm(s), np.full(len(s), doubt)))
        found = shot(studio, faulty_front.fit, SCENE, UPRIGHT).check
        return np.array([slot.u_measured_mm for slot in found])

    base, little, much = extra(0.0), extra(0.05), extra(0.5)
    np.testing.assert_allclose(np.sqrt((much**2 - base**2) / (little**2 - base**2)), 10.0, rtol=1e-6)


def test_a_wrong_width_in_the_job_file_is_told(studio, faulty_front):
    claimed = [width - 0.03 for width in TRUE_MM]
    found = shot(studio, faulty_front.fit, SCENE, {"slots_mm": claimed, "taper_deg": 0.0})
    (warning,) = [w for w in found.warnings if "check slot" in w]
    assert "mm too wide" in warning
    assert "gaps may be off by as much" in warning
    off, _ = mean_off(found.check)
    assert off == pytest.approx(0.03, abs=0.006)
    assert f"{off:.3f} ±" in warning


def test_widths_in_the_wrong_order_are_told(studio, faulty_front):
    found = shot(studio, faulty_front.fit, SCENE, {"slots_mm": list(TRUE_MM[::-1]), "taper_deg": 0.0})
    told = [w for w in found.warnings if "check slot" in w]
    assert told
    assert all("order of slots_mm" in w for w in told)


def test_a_covered_slot_is_not_seen(studio, faulty_front):
    found = shot(studio, faulty_front.fit, SCENE, UPRIGHT, covered="right").check
    assert [slot.seen for slot in found] == [True, False, True, True]
    assert found[1].reason == Reason.COVERED
    assert np.isnan(found[1].measured_mm)


def test_without_check_nothing_is_measured(studio, faulty_front):
    job = faulty_front.job
    assert job.check is None
    assert inspect_photo(faulty_front.design, read_photo(faulty_front.photo_path), studio.layout, job).check == ()


def test_a_list_that_does_not_go_with_the_frame(studio):
    check = Check((0.3, 0.31), one_for_all=False)
    with pytest.raises(InputError) as caught:
        true_widths(check, studio.layout, source="job.toml")
    assert str(caught.value).startswith("job.toml: check.slots_mm has 2 widths, but the frame has 4")
    assert "top, right, bottom, left" in str(caught.value)
    without = SimpleNamespace(slots_mm=np.zeros((0, 4)))
    with pytest.raises(InputError, match="take \\[check\\] out"):
        true_widths(Check((0.3,), one_for_all=True), without, source="job.toml")


@pytest.mark.parametrize("opening", [(60.0, 60.0), (200.0, 140.0), (600.0, 400.0), (400.0, 60.0)])
def test_sides_are_named_as_drawn(opening):
    layout = frame_layout(*opening)
    widths = true_widths(Check((0.31,), one_for_all=True), layout, source="job.toml")
    assert list(widths) == [side for side in SIDES if side in slot_sides(layout)]
    for side, (x, y, along_x, along_y) in zip(slot_sides(layout), layout.slots_mm, strict=True):
        outward = {"top": -y, "bottom": y, "left": -x, "right": x}[side]
        half = opening[1 if side in {"top", "bottom"} else 0] / 2
        assert outward > half
        assert (along_x > along_y) == (side in {"top", "bottom"})


def slot(off_mm: float, *, side: str = "top", own: float = 0.002, whole: float = 0.005, gauge: float = 0.005):
    return CheckSlot(side, 0.31, gauge, 0.31 + off_mm, whole, own, Reason.SEEN)


def test_the_mean_over_slots_by_an_independent_library():
    """Four slots with noise of their own, everything else and the gauge in common, propagated by GTC."""
    gtc = pytest.importorskip("GTC")
    offs = (0.004, -0.002, 0.006, 0.000)
    common, gauge = gtc.ureal(0.0, np.sqrt(0.005**2 - 0.002**2)), gtc.ureal(0.0, 0.005)
    mean = sum((gtc.ureal(off, 0.002) + common - gauge for off in offs), start=gtc.constant(0.0)) / 4
    off, u = mean_off([slot(o) for o in offs])
    assert off == pytest.approx(mean.x)
    assert u == pytest.approx(mean.u, rel=1e-9)


def test_when_a_difference_is_told_of():
    u = mean_off([slot(0.0)])[1]
    assert u == pytest.approx(np.hypot(0.005, 0.005))
    assert check_warnings([slot(1.9 * u)]) == ()
    assert "too wide" in check_warnings([slot(2.1 * u)])[0]
    assert "too narrow" in check_warnings([slot(-2.1 * u)])[0]
    unseen = replace(slot(0.0), reason=Reason.COVERED, measured_mm=float("nan"), u_measured_mm=float("nan"))
    assert "none of the frame's check slots" in check_warnings([unseen])[0]
    assert check_warnings([]) == ()
    assert check_warnings([unseen, slot(0.0)]) == ()
