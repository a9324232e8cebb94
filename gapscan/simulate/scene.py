"""A photo of the dry fit inside its scale frame on the lightbox, with everything that is true about it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal, TypeAlias

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from gapscan.simulate.develop import DevelopSettings, encode, expose, picture_file, quantise
from gapscan.simulate.light import LightSettings, Solid
from gapscan.simulate.optics import CameraSettings, PinholeCamera, fill_picture, place_camera
from gapscan.simulate.render import Stage, Tape, radiance
from gapscan.simulate.shop import DryFit

FloatArray = NDArray[np.float64]

Card: TypeAlias = Polygon | MultiPolygon

_OFF_SEAM_MM = 0.05  # how far off a seam's middle a grain in it lies


@dataclass(frozen=True)
class SceneSettings:
    """How the dry fit lies on the lightbox and how it is photographed.

    view               "front" or "back" (the sheet turned over)
    angle_deg, offset_mm  how the assembly lies in the opening: turn, and its middle against the opening's
    least_moat_mm      photograph() refuses an assembly nearer to the card than this
    frame_mirrored     the frame laid upside down
    card_thickness_mm  of the frame
    lightbox_margin_mm how far the lightbox reaches beyond the card
    tape_count         translucent strips across the sheet; tape_on: the face they stick to
    fill               bring the camera as near as the whole frame allows, at most ``camera.px_per_mm``
    dust_count, hair_count  grains of 0.1 to 0.4 mm and hairs of 0.06 to 0.1 mm on the sheet, or where it would lie
    dirt_on_seams      each grain and hair lies over a seam, as dust that has settled in the slits does
    empty              no dry fit on the lightbox: the photo of the bare light; frame_laid: whether the frame lies there
    """

    camera: CameraSettings = field(default_factory=CameraSettings)
    light: LightSettings = field(default_factory=LightSettings)
    develop: DevelopSettings = field(default_factory=DevelopSettings)
    view: Literal["front", "back"] = "front"
    angle_deg: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)
    least_moat_mm: float = 3.0
    frame_mirrored: bool = False
    card_thickness_mm: float = 0.6
    lightbox_margin_mm: float = 30.0
    tape_count: int = 0
    tape_width_mm: float = 12.0
    tape_transmission: float = 0.72
    tape_diffusion: float = 0.35
    tape_on: Literal["upper", "lower"] = "upper"
    fill: bool = False
    dust_count: int = 0
    hair_count: int = 0
    dirt_on_seams: bool = False
    empty: bool = False
    frame_laid: bool = True


@dataclass(frozen=True)
class SimulatedPhoto:
    """One photo and its truth.

    pixels        (H, W, 3) encoded red, green, blue, upright, before any lossy compression
    camera        the camera; its place is (x, y, height) in table coordinates
    px_per_mm     mean scale over the assembly, at the lightbox
    to_table      (2, 2) and shift_mm (2,): table = to_table · design + shift
    mirrored      the design is seen mirrored (view "back")
    tapes_design  tape strips in design coordinates
    """

    pixels: NDArray[Any]
    settings: SceneSettings
    camera: PinholeCamera
    px_per_mm: float
    to_table: FloatArray
    shift_mm: FloatArray
    mirrored: bool
    tapes_design: tuple[Polygon, ...]

    def file_bytes(self) -> bytes:
        """The photo as a file: JPEG or PNG, EXIF as set."""
        return picture_file(self.pixels, self.settings.develop, equivalent_mm=self.settings.camera.equivalent_mm)

    def design_to_px(self, xy_mm: FloatArray, *, height_mm: float) -> FloatArray:
        """Where design points (N, 2) at a height above the lightbox fall in the picture (N, 2)."""
        return self.camera.project(xy_mm @ self.to_table.T + self.shift_mm, height_mm)


def photograph(
    fit: DryFit,
    card: Card,
    opening_centre: tuple[float, float],
    settings: SceneSettings,
    rng: np.random.Generator,
) -> SimulatedPhoto:
    """Lay the fit into the frame's opening and photograph it.

    card            opaque area in frame-drawing coordinates (mm)
    opening_centre  centre of its opening, same coordinates
    Raises ValueError when the assembly comes nearer to the card than the moat allows.
    """
    matrix, shift = design_to_table(fit, settings)
    frame = frame_on_table(card, opening_centre, mirrored=settings.frame_mirrored)
    solids = _sheet(fit, matrix, shift, settings)
    _check_moat(solids, frame, settings)
    if settings.fill:
        corners = shapely.get_coordinates(frame.envelope)
        held = fill_picture(settings.camera, corners, most_px_per_mm=settings.camera.px_per_mm)
        settings = replace(settings, camera=held)
    camera = place_camera(settings.camera)
    tapes_design = _tapes(fit, settings, rng)
    stage = Stage(
        solids=(
            *(() if settings.empty else solids),
            *((Solid(frame, frame, settings.card_thickness_mm, "", 0.0, 0),) if settings.frame_laid else ()),
            *_dirt(fit, solids, matrix, shift, settings, rng),
        ),
        lightbox=box(*frame.buffer(settings.lightbox_margin_mm).bounds),
        tapes=tuple(
            Tape(
                outline=_map(strip, matrix, shift),
                height_mm=fit.settings.thickness_mm if settings.tape_on == "upper" else 0.0,
                transmission=settings.tape_transmission,
                diffusion=settings.tape_diffusion,
                spread_px=0.3 * settings.camera.px_per_mm,
            )
            for strip in tapes_design
            if not settings.empty
        ),
    )
    return SimulatedPhoto(
        pixels=_expose(stage, camera, settings, rng),
        settings=settings,
        camera=camera,
        px_per_mm=_scale(fit, camera, matrix, shift),
        to_table=matrix,
        shift_mm=shift,
        mirrored=settings.view == "back",
        tapes_design=tapes_design,
    )


def _expose(stage: Stage, camera: PinholeCamera, settings: SceneSettings, rng: np.random.Generator) -> NDArray[Any]:
    """Lens, sensor and software, channel by channel."""
    develop = settings.develop
    depth = np.uint16 if develop.file_type == "png16" else np.uint8
    pixels = np.empty((camera.size_px[1], camera.size_px[0], 3), dtype=depth)
    for k, channel in enumerate(radiance(stage, camera, settings.light)):
        pixels[:, :, k] = quantise(encode(expose(channel, develop), develop, rng), develop)
    return pixels


def design_to_table(fit: DryFit, settings: SceneSettings) -> tuple[FloatArray, FloatArray]:
    """The map of the drawing onto the table: turned about its middle, mirrored in x for the back."""
    a = np.deg2rad(settings.angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    matrix = turn @ np.diag([-1.0 if settings.view == "back" else 1.0, 1.0])
    x0, y0, x1, y1 = shapely.total_bounds([piece.polygon for piece in fit.design.pieces])
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    return matrix, np.asarray(settings.offset_mm) - matrix @ middle


def frame_on_table(card: Card, opening_centre: tuple[float, float], *, mirrored: bool) -> Card:
    """The frame's card in table coordinates: the opening's centre at the origin, mirrored in x when
    upside down."""
    moved = affinity.translate(card, -opening_centre[0], -opening_centre[1])
    return affinity.scale(moved, -1.0, 1.0, origin=(0.0, 0.0)) if mirrored else moved


def _map(geometry: Polygon, matrix: FloatArray, shift: FloatArray) -> Polygon:
    return shapely.transform(geometry, lambda xy: xy @ matrix.T + shift)


def _sheet(fit: DryFit, matrix: FloatArray, shift: FloatArray, settings: SceneSettings) -> tuple[Solid, ...]:
    """The pieces as solids; turned over, the show face lies on the glass."""
    solids = []
    for number, piece in enumerate(fit.pieces):
        upper, lower = (piece.show, piece.back) if settings.view == "front" else (piece.back, piece.show)
        a = np.deg2rad(piece.grain_deg)
        along = matrix @ np.array([np.cos(a), np.sin(a)])
        grain_deg = float(np.rad2deg(np.arctan2(along[1], along[0]))) + settings.camera.roll_deg
        solids.append(
            Solid(
                lower=_map(lower, matrix, shift),
                upper=_map(upper, matrix, shift),
                upper_mm=fit.settings.thickness_mm,
                material=piece.material,
                grain_deg=grain_deg,
                seed=1000 + number,
            )
        )
    return tuple(solids)


def _check_moat(solids: tuple[Solid, ...], frame: Card, settings: SceneSettings) -> None:
    near = min(float(solid.lower.distance(frame)) for solid in solids)
    if near < settings.least_moat_mm:
        raise ValueError(
            f"the assembly comes within {near:.1f} mm of the card and must keep "
            f"{settings.least_moat_mm:g} mm; "
            "take a larger opening or turn the assembly less"
        )


def _tapes(fit: DryFit, settings: SceneSettings, rng: np.random.Generator) -> tuple[Polygon, ...]:
    """Straight strips across the sheet, each over a random place on a random seam; design coordinates."""
    strips = []
    sheet = shapely.union_all([piece.polygon for piece in fit.design.pieces])
    for _ in range(settings.tape_count):
        at = fit.seams[int(rng.integers(len(fit.seams)))].stations
        k = int(rng.integers(len(at.s_mm)))
        length = float(rng.uniform(35.0, 70.0))
        arm = 0.5 * length * at.normal[k]
        strip = LineString([at.xy_mm[k] - arm, at.xy_mm[k] + arm])
        outline = strip.buffer(settings.tape_width_mm / 2, cap_style="flat").intersection(sheet.buffer(1.5))
        strips.append(max(shapely.get_parts(outline), key=lambda p: float(p.area)))
    return tuple(strips)


def _dirt(
    fit: DryFit,
    solids: tuple[Solid, ...],
    matrix: FloatArray,
    shift: FloatArray,
    settings: SceneSettings,
    rng: np.random.Generator,
) -> tuple[Solid, ...]:
    """Opaque grains and hairs lying on the sheet, anywhere or each over a seam."""
    x0, y0, x1, y1 = shapely.total_bounds([solid.lower for solid in solids])
    seams = np.vstack([seam.stations.xy_mm for seam in fit.seams]) @ matrix.T + shift if fit.seams else None

    def spot() -> FloatArray:
        if settings.dirt_on_seams and seams is not None:
            return np.asarray(seams[int(rng.integers(len(seams)))] + rng.normal(0.0, _OFF_SEAM_MM, 2))
        return np.array([rng.uniform(x0, x1), rng.uniform(y0, y1)])

    found: list[Polygon] = []
    for _ in range(settings.dust_count):
        found.append(Point(spot()).buffer(float(rng.uniform(0.05, 0.2)), 8))
    for _ in range(settings.hair_count):
        start = spot()
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0.0, 0.12, 40))
        path = 0.3 * np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
        found.append(LineString(start + path - path[20]).buffer(float(rng.uniform(0.03, 0.05)), 4))
    height_mm = fit.settings.thickness_mm
    return tuple(Solid(shape, shape, height_mm, "", 0.0, 0) for shape in found)


def _scale(fit: DryFit, camera: PinholeCamera, matrix: FloatArray, shift: FloatArray) -> float:
    """Mean px/mm over the assembly: root of the ratio of its area in the picture to that on the table."""
    hull = shapely.union_all([piece.polygon for piece in fit.design.pieces]).convex_hull
    seen = shapely.transform(shapely.segmentize(hull, 1.0), lambda xy: camera.project(xy @ matrix.T + shift, 0.0))
    return float(np.sqrt(seen.area / hull.area))
