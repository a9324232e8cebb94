"""Pieces on the bed of the laser: sorted into sheets, mirrored where the show face lies down, laid in rows."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import affine_transform
from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.rings import Cubic, Line, PointMm, Ring
from gapscan.errors import InputError
from gapscan.job import Facing
from gapscan.sheets.parts import CutPart

SheetPer = Literal["all", "material", "facing"]

_T = TypeVar("_T")

LABEL_MM = 2.0  # height of a piece's name beside it
_SAME_GRAIN_DEG = 0.5


@dataclass(frozen=True)
class Placement:
    """One piece on a sheet; sheet coordinates in mm from its upper left corner, y down.

    mirrored   the show face lies on the bed, so that the piece is seen from behind
    grain_deg  direction of its grain on the sheet, 0 to 180; None where not told
    box_mm     left, top, right, bottom of its outline
    """

    part: CutPart
    rings: tuple[Ring, ...]
    outline: Polygon | MultiPolygon
    mirrored: bool
    grain_deg: float | None
    box_mm: tuple[float, float, float, float]


@dataclass(frozen=True)
class Sheet:
    """One file to cut. ``turned``: pieces were turned so that all grain runs along x; ``facing`` and ``material`` where
    every piece on it has the same."""

    name: str
    width_mm: float
    height_mm: float
    facing: Facing | None
    material: str | None
    turned: bool
    placements: tuple[Placement, ...]


def lay_out(
    parts: Iterable[CutPart], *, sheet_per: SheetPer, bed_mm: tuple[float, float], gap_mm: float
) -> tuple[Sheet, ...]:
    """Every piece once, in rows, the tallest first, at least ``gap_mm`` from each other and from the edges.

    Pieces are not turned, so that grain runs on the sheet as in the design, with one exception: where pieces of one
    sheet have grain in different directions, each of them is turned until its grain runs along x, as it does in the
    one piece of veneer that they are cut from. What does not fit on one bed goes on to a further sheet.

    Raises InputError when a piece is larger than the bed.
    """
    groups: dict[tuple[str, ...], list[CutPart]] = {}
    for part in parts:
        groups.setdefault(_group(part, sheet_per), []).append(part)
    sheets: list[Sheet] = []
    used: set[str] = set()
    for key in sorted(groups):
        members = groups[key]
        directions = [_on_bed(part) for part in members]
        known = [angle for angle in directions if angle is not None]
        turned = bool(known) and max(_apart(angle, known[0]) for angle in known) > _SAME_GRAIN_DEG
        laid = [_laid(part, angle if turned else None) for part, angle in zip(members, directions, strict=True)]
        beds = _rows(laid, bed_mm, gap_mm)
        stem = _unused("-".join(("sheet", *(_plain(word) for word in key))), used)
        sheets += [
            Sheet(
                name=stem if len(beds) == 1 else f"{stem}-{number}",
                width_mm=bed_mm[0],
                height_mm=bed_mm[1],
                facing=_only(part.facing for part in members),
                material=_only(part.material for part in members),
                turned=turned,
                placements=placements,
            )
            for number, placements in enumerate(beds, start=1)
        ]
    return tuple(sheets)


def _group(part: CutPart, sheet_per: SheetPer) -> tuple[str, ...]:
    if sheet_per == "material":
        return (part.material or "no material",)
    if sheet_per == "facing":
        return (f"face {part.facing}",)
    return ("all",)


def _only(values: Iterable[_T]) -> _T | None:
    """The one value that all have, or None."""
    found = list(dict.fromkeys(values))
    return found[0] if len(found) == 1 else None


def _plain(text: str) -> str:
    """Text as part of a file name: letters and digits of any script, the rest as single hyphens."""
    words = "".join(c if c.isalnum() else "-" for c in text).split("-")
    return "-".join(word for word in words if word)[:40] or "unnamed"


def _unused(stem: str, used: set[str]) -> str:
    """A file name that is no other one's even where capitals are not told from small letters."""
    name, number = stem, 1
    while name.casefold() in used:
        number += 1
        name = f"{stem}_{number}"
    used.add(name.casefold())
    return name


def _on_bed(part: CutPart) -> float | None:
    """Direction of the grain on the bed before any turning, 0 to 180."""
    if part.grain_deg is None:
        return None
    return (180.0 - part.grain_deg if part.facing == "down" else part.grain_deg) % 180.0


def _apart(a_deg: float, b_deg: float) -> float:
    """Angle between two directions of grain, 0 to 90."""
    return abs((a_deg - b_deg + 90.0) % 180.0 - 90.0)


def _laid(part: CutPart, grain_to_x_deg: float | None) -> Placement:
    """The piece as it lies on the bed, its box at the origin; turned by ``-grain_to_x_deg`` where that is given."""
    mirrored = part.facing == "down"
    grain = _on_bed(part)
    matrix = np.array([[-1.0 if mirrored else 1.0, 0.0], [0.0, 1.0]])
    if grain_to_x_deg is not None:
        # The shorter way round: grain has no head and no tail.
        turn = -math.radians((grain_to_x_deg + 90.0) % 180.0 - 90.0)
        matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]) @ matrix
        grain = 0.0
    outline = affine_transform(part.outline, [*matrix.ravel(), 0.0, 0.0])
    left, top, right, bottom = outline.bounds
    place = Placement(part, part.rings, outline, mirrored, grain, (0.0, 0.0, right - left, bottom - top))
    return _moved(place, matrix, np.array([-left, -top]))


def _moved(place: Placement, matrix: NDArray[np.float64], shift: NDArray[np.float64]) -> Placement:
    """The placement with the piece's rings turned by ``matrix`` and then moved by ``shift``, like its outline."""

    def to(point: PointMm) -> PointMm:
        x, y = matrix @ np.array(point) + shift
        return float(x), float(y)

    rings = tuple(
        tuple(
            Line(to(one.start_mm), to(one.end_mm))
            if isinstance(one, Line)
            else Cubic(to(one.start_mm), to(one.first_mm), to(one.second_mm), to(one.end_mm))
            for one in ring
        )
        for ring in place.rings
    )
    outline = affine_transform(place.outline, [1.0, 0.0, 0.0, 1.0, float(shift[0]), float(shift[1])])
    return Placement(place.part, rings, outline, place.mirrored, place.grain_deg, outline.bounds)


def _rows(laid: list[Placement], bed_mm: tuple[float, float], gap_mm: float) -> list[tuple[Placement, ...]]:
    """Rows from left to right and top to bottom on as many beds as it takes."""
    width, height = bed_mm
    below = gap_mm + LABEL_MM  # the name of a piece stands under it, in the waste
    for place in laid:
        w, h = place.box_mm[2], place.box_mm[3]
        if w + 2 * gap_mm > width or h + gap_mm + below > height:
            raise InputError(
                f"a bed of {width:g}x{height:g} mm is too small for piece '{place.part.id}', which takes "
                f"{w + 2 * gap_mm:.1f}x{h + gap_mm + below:.1f} mm with the gap round it; give a larger --bed"
            )
    beds: list[list[Placement]] = [[]]
    x, y, deepest = gap_mm, gap_mm, 0.0
    for place in sorted(laid, key=lambda one: (-one.box_mm[3], one.part.id)):
        w, h = place.box_mm[2], place.box_mm[3]
        if x + w + gap_mm > width:
            x, y, deepest = gap_mm, y + deepest + below, 0.0
        if y + h + below > height:
            beds.append([])
            x, y, deepest = gap_mm, gap_mm, 0.0
        beds[-1].append(_moved(place, np.eye(2), np.array([x, y])))
        x += w + gap_mm
        deepest = max(deepest, h)
    return [tuple(bed) for bed in beds]
