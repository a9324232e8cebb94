"""A card of standard size, cut in two and laid in the frame: does the picture give its size back?

ISO/IEC 7810, format ID-1: nominally 85.60 x 53.98 mm, corner radius 2.88 to 3.48 mm (3.18), thickness 0.76 mm; limits
of the size 85.47 to 85.72 by 53.92 to 54.03 mm (limits: from memory). The drawing given to the measuring side has another
size and other corners, so that the answer cannot be read from it. The picture is simulated; the scale in it comes from
the frame alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import LineString, Polygon, box
from shapely.ops import split

from gapscan.design.read import read_design
from gapscan.job import read_job
from gapscan.photo.layout import frame_layout
from gapscan.photo.load import read_photo
from gapscan.pipeline import PhotoInspection, inspect_photo
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.shop import DryFit, FittedPiece, ShopSettings

SIZE_MM, RADIUS_MM, THICKNESS_MM = (85.60, 53.98), 3.18, 0.76
DRAWN_MM, DRAWN_RADIUS_MM = (85.25, 54.30), 4.0
WIDTH_LIMITS_MM, HEIGHT_LIMITS_MM, RADIUS_LIMITS_MM = (85.47, 85.72), (53.92, 54.03), (2.88, 3.48)
OPENING_MM = (100.0, 70.0)
CUT = LineString([(33.0, -5.0), (41.0, 75.0)])
ACROSS = np.array([80.0, -8.0]) / np.hypot(80.0, 8.0)  # of the cut, towards the right half
GAP_MM = 0.14
NAMES = ("left", "right")


def halves(size_mm: tuple[float, float], radius_mm: float) -> list[Polygon]:
    """The card in the middle of the opening, cut along the line, left half first."""
    (x, y), (w, h) = np.array(OPENING_MM) / 2, np.array(size_mm) / 2 - radius_mm
    card = box(x - w, y - h, x + w, y + h).buffer(radius_mm, quad_segs=64)
    return sorted(split(card, CUT).geoms, key=lambda half: half.centroid.x)


def svg(shapes: list[Polygon]) -> str:
    width, height = OPENING_MM
    paths = [
        f'<path id="{name}" d="M{" L".join(f"{x:.4f},{y:.4f}" for x, y in shape.exterior.coords[:-1])}Z"/>'
        for name, shape in zip(NAMES, shapes, strict=True)
    ]
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm"'
    return f'{head} viewBox="0 0 {width} {height}">{"".join(paths)}</svg>'


@dataclass(frozen=True)
class Measured:
    """Edge points (N, 2) on the sheet turned into the drawing's directions, with the drawn normals there, by half."""

    points_mm: dict[str, np.ndarray]
    normals: dict[str, np.ndarray]
    gap_mm: float

    def side(self, half: str, normal: tuple[float, float]) -> float:
        """Mean place of a straight side along its normal."""
        on = self.normals[half] @ normal > 0.9999
        assert on.sum() > 50
        return float((self.points_mm[half][on] @ normal).mean())


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Measured:
    folder = tmp_path_factory.mktemp("card")
    (folder / "card.svg").write_text(svg(halves(DRAWN_MM, DRAWN_RADIUS_MM)), encoding="utf-8")
    (folder / "job.toml").write_text(
        f'view = "front"\n[sheet]\nthickness_mm = {THICKNESS_MM}\n[cut]\ntaper_deg = 0.0\n', encoding="utf-8"
    )
    design, job = read_design(folder / "card.svg"), read_job(folder / "job.toml")
    pieces = []
    for name, shape, way in zip(NAMES, halves(SIZE_MM, RADIUS_MM), (-0.5, 0.5), strict=True):
        laid = affinity.translate(shape, *(way * GAP_MM * ACROSS))
        pieces.append(FittedPiece(name, laid, laid, 0.0, (0.0, 0.0), 0.0, "up", "walnut", 90.0))
    fit = DryFit(design, ShopSettings(thickness_mm=THICKNESS_MM, taper_deg=0.0), tuple(pieces), ())
    scene = SceneSettings(
        camera=CameraSettings(
            width_px=2400,
            height_px=1800,
            equivalent_mm=75.0,
            px_per_mm=30.0,
            tilt_deg=2.0,
            azimuth_deg=50.0,
            roll_deg=1.0,
        ),
        fill=True,
        angle_deg=3.0,
        offset_mm=(0.4, -0.3),
        card_thickness_mm=THICKNESS_MM,
    )
    layout = frame_layout(*OPENING_MM)
    truth = photograph(fit, layout.card, (0.0, 0.0), scene, np.random.default_rng(3))
    (folder / "card.jpg").write_bytes(truth.file_bytes())
    return _measured(inspect_photo(design, read_photo(folder / "card.jpg"), layout, job))


def _measured(seen: PhotoInspection) -> Measured:
    points, normals = {}, {}
    for rim in seen.survey.rims:
        edge = rim.stations.xy_mm + rim.stations.normal * rim.edge_mm[:, None]
        # On the sheet in millimetres of the frame; only turned back, so nothing of the drawing's size is in it.
        points[rim.piece] = seen.registration.to_sheet(edge)[rim.seen] @ seen.registration.matrix
        normals[rim.piece] = rim.stations.normal[rim.seen]
        assert rim.seen.mean() > 0.9
    seam = seen.survey.seams[0]
    assert seam.seen.mean() > 0.9
    return Measured(points, normals, float(np.nanmean(seam.gap_mm)))


def test_width_with_the_gap_taken_out(measured):
    apart = measured.side("right", (1.0, 0.0)) + measured.side("left", (-1.0, 0.0))
    width = apart - measured.gap_mm * ACROSS[0]
    assert WIDTH_LIMITS_MM[0] < width < WIDTH_LIMITS_MM[1]
    assert width == pytest.approx(SIZE_MM[0], abs=0.02)
    assert not WIDTH_LIMITS_MM[0] < DRAWN_MM[0] < WIDTH_LIMITS_MM[1]


@pytest.mark.parametrize("half", NAMES)
def test_height_of_either_half(measured, half):
    height = measured.side(half, (0.0, 1.0)) + measured.side(half, (0.0, -1.0))
    assert HEIGHT_LIMITS_MM[0] < height < HEIGHT_LIMITS_MM[1]
    assert height == pytest.approx(SIZE_MM[1], abs=0.02)
    assert not HEIGHT_LIMITS_MM[0] < DRAWN_MM[1] < HEIGHT_LIMITS_MM[1]


@pytest.mark.parametrize(
    ("half", "corner"), [(h, (x, y)) for h, x in zip(NAMES, (-1, 1), strict=True) for y in (-1, 1)]
)
def test_radius_of_the_corners(measured, half, corner):
    normals = measured.normals[half] * corner
    on = (normals > 0.17).all(axis=1)  # between 10° and 80°
    xy = measured.points_mm[half][on]
    assert len(xy) > 10
    # Circle by linear least squares: x² + y² = 2 a x + 2 b y + c.
    a, b, c = np.linalg.lstsq(np.column_stack([2 * xy, np.ones(len(xy))]), (xy**2).sum(axis=1), rcond=None)[0]
    radius = float(np.sqrt(c + a * a + b * b))
    assert RADIUS_LIMITS_MM[0] < radius < RADIUS_LIMITS_MM[1]
    assert radius == pytest.approx(RADIUS_MM, abs=0.06)
    assert not RADIUS_LIMITS_MM[0] < DRAWN_RADIUS_MM < RADIUS_LIMITS_MM[1]


def test_gap_between_the_halves(measured):
    assert measured.gap_mm == pytest.approx(GAP_MM, abs=0.005)
