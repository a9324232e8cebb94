"""The second round: some pieces cut again from new outlines, the others the same pieces, all of them taped anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.simulate.cutting import cut_piece
from gapscan.simulate.drawing import largest
from gapscan.simulate.shop import DryFit, FittedPiece, tape

FloatArray = NDArray[np.float64]

_TIP_MM = 1.5
_SPRING_MM = 0.004  # room that pressed wood leaves a neighbour to be laid in


@dataclass(frozen=True)
class Care:
    """How carefully the second round is worked.

    press_mm     overlap that the wood takes up as it is pressed in
    repeat_mm    standard deviation by which the loss of one piece differs from one cut to the next
    pose_spread_mm, turn_spread_mm  how carelessly pieces are laid, as in the shop's settings
    """

    press_mm: float = 0.02
    repeat_mm: float = 0.004
    pose_spread_mm: float = 0.003
    turn_spread_mm: float = 0.002


def cut_again_and_tape(
    fit: DryFit,
    outlines: Mapping[str, Polygon | MultiPolygon],
    rng: np.random.Generator,
    *,
    care: Care | None = None,
    offset_mm: Mapping[str, float] | None = None,
) -> DryFit:
    """The dry fit after a second round: pieces named in ``outlines`` cut anew from these, all seated as drawn.

    outlines   new outlines by piece id, design coordinates; the same loss is taken off them again, with the same facing
               and material, give or take the repeat error
    offset_mm  outward offset that each piece was cut with the first time (0 where not named): the loss that a piece
               carries is what this offset did not make good, so that against an outline it counts on top
    Nothing is pushed any more. Raises ValueError for an outline of an unknown piece, and when the pieces cannot lie flat.
    """
    care = care or Care()
    unknown = sorted(set(outlines) - {piece.id for piece in fit.pieces})
    if unknown:
        raise ValueError(f"no piece of the dry fit is named {', '.join(unknown)}")
    settings = replace(fit.settings, shift={}, pose_spread_mm=care.pose_spread_mm, turn_spread_mm=care.turn_spread_mm)
    pieces = []
    for piece in lying_as_drawn(fit):
        if piece.id in outlines:
            offset = (offset_mm or {}).get(piece.id, 0.0)
            drawn = fit.design.piece(piece.id).polygon
            pieces.append(_cut_again(fit, piece, drawn, largest(outlines[piece.id]), offset, care, rng))
        else:
            pieces.append(piece)
    return tape(fit.design, _fitted_in(pieces, set(outlines), care.press_mm), settings, rng)


def _fitted_in(pieces: list[FittedPiece], recut: set[str], press_mm: float) -> list[FittedPiece]:
    """Recut pieces less what is pressed flat beside their neighbours, and less the tips of corners.

    A beam cannot cut a sharp inner corner to its tip, so the neighbour's tip (or its own) is trimmed with a knife:
    common practice, no source. Deeper overlaps stay, and will not lie flat.
    """
    fitted = list(pieces)
    tree = shapely.STRtree([piece.projection for piece in pieces])
    for k, piece in enumerate(pieces):
        if piece.id not in recut:
            continue
        away = []
        for j in tree.query(piece.projection, predicate="intersects"):
            if j == k:
                continue
            common = piece.projection.intersection(fitted[j].projection)
            away += [part for part in shapely.get_parts(common) if part.area > 0 and _gives(part, press_mm)]
        if away:
            less = shapely.union_all(away).buffer(_SPRING_MM)
            show, back = largest(piece.show.difference(less)), largest(piece.back.difference(less))
            fitted[k] = replace(piece, show=show, back=back)
    return fitted


def _gives(overlap: Polygon, press_mm: float) -> bool:
    """Whether an overlap is pressed flat, or is the tip of a corner."""
    if overlap.buffer(-press_mm / 2).is_empty:
        return True
    return float(shapely.minimum_bounding_radius(overlap)) <= _TIP_MM / 2


def lying_as_drawn(fit: DryFit) -> list[FittedPiece]:
    """The pieces of a dry fit, each moved back to its drawn place; there they may overlap."""
    return [_unplaced(piece, fit.design.piece(piece.id).polygon) for piece in fit.pieces]


def _unplaced(piece: FittedPiece, drawn: Polygon) -> FittedPiece:
    """Shift and turn taken back, about the drawn centroid."""
    centroid = np.array(drawn.centroid.coords[0])
    angle = np.deg2rad(piece.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def back(xy: FloatArray) -> FloatArray:
        return np.asarray((xy - centroid - piece.shift_mm) @ turn + centroid)

    return replace(
        piece,
        show=shapely.transform(piece.show, back),
        back=shapely.transform(piece.back, back),
        shift_mm=(0.0, 0.0),
        turn_deg=0.0,
    )


def _cut_again(
    fit: DryFit,
    piece: FittedPiece,
    drawn: Polygon,
    outline: Polygon,
    offset_mm: float,
    care: Care,
    rng: np.random.Generator,
) -> FittedPiece:
    more = offset_mm + care.repeat_mm * float(np.clip(rng.normal(), -2.5, 2.5))
    loss = replace(piece.loss, uniform_mm=piece.loss.uniform_mm + more)
    lean_mm = fit.settings.thickness_mm * float(np.tan(np.deg2rad(fit.settings.taper_deg)))
    larger, smaller, inside_outline = cut_piece(outline, loss, lean_mm=lean_mm, rng=rng)
    show, back = (smaller, larger) if piece.facing == "up" else (larger, smaller)
    # an even offset d of a mitred outline changes its area by d times the mean of the two lengths
    grown = float(outline.area - drawn.area) / (0.5 * float(outline.length + drawn.length))
    return replace(piece, show=show, back=back, undersize_mm=inside_outline - grown)
