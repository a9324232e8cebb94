"""The shop: cuts every piece with known errors and tapes the fit. The truth comes with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.design.types import Design
from gapscan.job import Facing
from gapscan.simulate.cutting import EdgeLoss, cut_piece
from gapscan.simulate.gaps import SeamStations, gaps_along, stations_along
from gapscan.simulate.overlaps import add_overlaps, find_overlaps
from gapscan.simulate.poses import Bodies, Contacts, remove_common_motion, settle

FloatArray = NDArray[np.float64]

WORST_OVERLAP_MM = 0.005


@dataclass(frozen=True)
class ShopSettings:
    """How the shop works, and what goes wrong there. Mappings go by piece id.

    base_loss_mm       edge loss beyond what the drawing's offset makes good, with ``loss_spread_mm``
                       piece to piece
    material_loss_mm   more, by material
    small_piece_loss_mm  more in small pieces: this much at 100 mm², falling with area
    curve_loss_mm      more in curved parts (radius 4 mm and less)
    ragged_rms_mm, ragged_length_mm  random edge, correlated over that length
    across_grain       relative shrinkage across the grain
    undersize_mm       faults: extra undersize (negative: cut too large)
    shift              faults: (x mm, y mm, turn deg) that a piece is pushed by
    grain_deg          direction of the grain (random where not given)
    pose_spread_mm, turn_spread_mm  how carelessly pieces are laid (turn as movement at the piece's edge)
    clearance_mm       least gap that taping leaves
    """

    thickness_mm: float = 0.6
    taper_deg: float = 2.0
    base_loss_mm: float = 0.02
    loss_spread_mm: float = 0.004
    material_loss_mm: Mapping[str, float] = field(default_factory=dict)
    small_piece_loss_mm: float = 0.0
    curve_loss_mm: float = 0.0
    ragged_rms_mm: float = 0.0
    ragged_length_mm: float = 0.5
    across_grain: float = 0.0
    undersize_mm: Mapping[str, float] = field(default_factory=dict)
    shift: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    facing: Mapping[str, Facing] = field(default_factory=dict)
    default_facing: Facing = "up"
    material: Mapping[str, str] = field(default_factory=dict)
    default_material: str = "maple"
    grain_deg: Mapping[str, float] = field(default_factory=dict)
    pose_spread_mm: float = 0.010
    turn_spread_mm: float = 0.006
    clearance_mm: float = 0.003


@dataclass(frozen=True)
class FittedPiece:
    """One piece as it lies in the dry fit, in design coordinates, seen from the front.

    show, back     outlines of the show face and of the other one
    undersize_mm   how far the larger face lies inside the drawn outline, mean along the edge
    shift_mm, turn_deg  pose about the drawn centroid, the whole fit's shift and turn taken out
    loss           what the cut took off; another cut of the same piece takes off the same
    """

    id: str
    show: Polygon
    back: Polygon
    undersize_mm: float
    shift_mm: tuple[float, float]
    turn_deg: float
    facing: Facing
    material: str
    grain_deg: float
    loss: EdgeLoss = field(default_factory=lambda: EdgeLoss(uniform_mm=0.0))

    @property
    def projection(self) -> Polygon:
        """What a view square-on to the sheet shows: both faces together, which is the larger one."""
        return self.show if self.show.area >= self.back.area else self.back


@dataclass(frozen=True)
class SeamTruth:
    """True gaps of one seam at the simulator's own stations; NaN where a normal misses a cut-back corner."""

    id: str
    pieces: tuple[str, str]
    stations: SeamStations
    gap_mm: FloatArray

    @property
    def mean_mm(self) -> float:
        """Mean gap along the seam; NaN when no station has one."""
        good = self.gap_mm[np.isfinite(self.gap_mm)]
        return float(good.mean()) if len(good) else float("nan")


@dataclass(frozen=True)
class DryFit:
    """The taped fit with its truth; pieces and seams in the design's order."""

    design: Design
    settings: ShopSettings
    pieces: tuple[FittedPiece, ...]
    seams: tuple[SeamTruth, ...]

    def piece(self, piece_id: str) -> FittedPiece:
        """The piece with this id; raises KeyError."""
        for piece in self.pieces:
            if piece.id == piece_id:
                return piece
        raise KeyError(piece_id)

    def gaps(self, pieces: tuple[str, str], xy_mm: FloatArray, normal: FloatArray) -> FloatArray:
        """True gap (N,) at any stations (N, 2) in design coordinates, normals from the first piece to the
        second."""
        first, second = self.piece(pieces[0]).projection, self.piece(pieces[1]).projection
        return gaps_along(first, second, xy_mm, normal)


def cut_and_tape(design: Design, settings: ShopSettings, rng: np.random.Generator) -> DryFit:
    """Cut every piece of the design and lay the pieces together.

    Raises ValueError for a fault that names no piece, or when the pieces cannot lie flat: an oversize
    piece that has nowhere to go, for instance.
    """
    ids = tuple(piece.id for piece in design.pieces)
    for name in (
        *settings.undersize_mm,
        *settings.shift,
        *settings.facing,
        *settings.material,
        *settings.grain_deg,
    ):
        if name not in ids:
            raise ValueError(f"the shop settings name a piece {name!r} that the design does not have")
    return tape(design, [_cut(piece.id, piece.polygon, settings, rng) for piece in design.pieces], settings, rng)


def tape(design: Design, cut: list[FittedPiece], settings: ShopSettings, rng: np.random.Generator) -> DryFit:
    """Lay cut pieces, given lying as drawn and in the design's order, together.

    Raises ValueError when the pieces cannot lie flat.
    """
    ids = tuple(piece.id for piece in design.pieces)
    bodies = _bodies([piece.polygon for piece in design.pieces])
    # ragged edges touch at their teeth: look closely enough to find them
    step_mm = 0.2 if settings.ragged_rms_mm else 0.5
    contacts = _contacts(design, [piece.projection for piece in cut], step_mm=step_mm)
    targets, weights = _targets(ids, bodies, settings, rng)
    for _ in range(8):
        poses = settle(bodies, contacts, targets, weights, clearance_mm=settings.clearance_mm)
        poses = remove_common_motion(bodies, poses)
        placed = [_place(piece, c, p) for piece, c, p in zip(cut, bodies.centroid_mm, poses, strict=True)]
        overlaps = find_overlaps([piece.projection for piece in placed])
        if not overlaps or overlaps[0].depth_mm <= WORST_OVERLAP_MM:
            break
        # corners that meet away from any drawn seam: let the next layout know of them, and lay the others
        # better
        contacts = add_overlaps(bodies, contacts, poses, overlaps)
        targets = targets * np.where(weights > 1.0, 1.0, 0.8)[:, None]
    else:
        names = " and ".join((ids[overlaps[0].first], ids[overlaps[0].second]))
        depth = overlaps[0].depth_mm
        raise ValueError(f"{names} overlap by {depth:.3f} mm however they are laid; make the fault smaller")
    return DryFit(design=design, settings=settings, pieces=tuple(placed), seams=_seam_truth(design, placed))


def _cut(name: str, drawn: Polygon, settings: ShopSettings, rng: np.random.Generator) -> FittedPiece:
    material = settings.material.get(name, settings.default_material)
    facing = settings.facing.get(name, settings.default_facing)
    any_grain_deg = float(rng.uniform(-90.0, 90.0))
    grain_deg = settings.grain_deg.get(name, any_grain_deg)
    loss = EdgeLoss(
        uniform_mm=settings.base_loss_mm
        + settings.material_loss_mm.get(material, 0.0)
        + settings.small_piece_loss_mm * min(100.0 / float(drawn.area), 2.0)
        + settings.loss_spread_mm * float(np.clip(rng.normal(), -2.5, 2.5))
        + settings.undersize_mm.get(name, 0.0),
        curve_mm=settings.curve_loss_mm,
        ragged_rms_mm=settings.ragged_rms_mm,
        ragged_length_mm=settings.ragged_length_mm,
        across_grain=settings.across_grain,
        grain_deg=grain_deg,
    )
    lean_mm = settings.thickness_mm * float(np.tan(np.deg2rad(settings.taper_deg)))
    larger, smaller, undersize = cut_piece(drawn, loss, lean_mm=lean_mm, rng=rng)
    show, back = (smaller, larger) if facing == "up" else (larger, smaller)
    return FittedPiece(name, show, back, undersize, (0.0, 0.0), 0.0, facing, material, grain_deg, loss)


def _place(piece: FittedPiece, centroid: FloatArray, pose: FloatArray) -> FittedPiece:
    """Turn a piece about its drawn centroid and shift it."""
    c, s = np.cos(pose[2]), np.sin(pose[2])
    turn = np.array([[c, -s], [s, c]])

    def move(xy: FloatArray) -> FloatArray:
        return np.asarray((xy - centroid) @ turn.T + centroid + pose[:2])

    return FittedPiece(
        id=piece.id,
        show=shapely.transform(piece.show, move),
        back=shapely.transform(piece.back, move),
        undersize_mm=piece.undersize_mm,
        shift_mm=(float(pose[0]), float(pose[1])),
        turn_deg=float(np.rad2deg(pose[2])),
        facing=piece.facing,
        material=piece.material,
        grain_deg=piece.grain_deg,
        loss=piece.loss,
    )


def _bodies(polygons: list[Polygon]) -> Bodies:
    centroid = np.array([p.centroid.coords[0] for p in polygons])
    area = np.array([float(p.area) for p in polygons])
    return Bodies(centroid, area, np.array([_gyration(p) for p in polygons]))


def _gyration(polygon: Polygon) -> float:
    """Radius of gyration about the centroid: √(polar second moment / area), by the edge sums of Green's
    theorem."""
    x0, y0 = polygon.centroid.coords[0]
    moment = 0.0
    for ring in shapely.get_rings(shapely.orient_polygons(polygon)):
        x, y = (shapely.get_coordinates(ring) - (x0, y0)).T
        cross = x[:-1] * y[1:] - x[1:] * y[:-1]
        moment += float((cross * sum(a[:-1] ** 2 + a[:-1] * a[1:] + a[1:] ** 2 for a in (x, y))).sum()) / 12.0
    return float(np.sqrt(moment / polygon.area))


def _contacts(design: Design, outlines: list[Polygon], *, step_mm: float) -> Contacts:
    """Gaps with every piece lying as drawn, at stations ``step_mm`` apart on every seam."""
    number = {piece.id: i for i, piece in enumerate(design.pieces)}
    first, second, xy, normal, gap = [], [], [], [], []
    for seam in design.seams:
        a, b = number[seam.pieces[0]], number[seam.pieces[1]]
        at = stations_along(seam, design.pieces[a].polygon, step_mm=step_mm, ends=True)
        g = gaps_along(outlines[a], outlines[b], at.xy_mm, at.normal)
        good = np.isfinite(g)
        first.append(np.full(int(good.sum()), a))
        second.append(np.full(int(good.sum()), b))
        xy.append(at.xy_mm[good])
        normal.append(at.normal[good])
        gap.append(g[good])
    if not first:
        none = np.empty(0, dtype=np.int64)
        return Contacts(none, none, np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    return Contacts(*(np.concatenate(part) for part in (first, second, xy, normal, gap)))


def _targets(
    ids: tuple[str, ...], bodies: Bodies, settings: ShopSettings, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Where the shop would like to lay each piece, and how firmly."""
    targets = np.clip(rng.normal(size=(len(ids), 3)), -2.0, 2.0)
    targets[:, :2] *= settings.pose_spread_mm
    targets[:, 2] *= settings.turn_spread_mm / bodies.gyration_mm
    weights = np.ones(len(ids))
    for i, name in enumerate(ids):
        if name in settings.shift:
            x, y, turn_deg = settings.shift[name]
            targets[i] = x, y, np.deg2rad(turn_deg)
            weights[i] = 12.0  # a pushed piece pushes its neighbours, not the other way round
    return targets, weights


def _seam_truth(design: Design, placed: list[FittedPiece]) -> tuple[SeamTruth, ...]:
    outline = {piece.id: piece.projection for piece in placed}
    drawn = {piece.id: piece.polygon for piece in design.pieces}
    found = []
    for seam in design.seams:
        a, b = seam.pieces
        at = stations_along(seam, drawn[a])
        gap = gaps_along(outline[a], outline[b], at.xy_mm, at.normal)
        found.append(SeamTruth(seam.id, seam.pieces, at, gap))
    return tuple(found)
