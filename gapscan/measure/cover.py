"""Tape and other things that lie over the seams, found by what they do to the wood's own glow.

Tape dims the wood as well as the slits, in a patch with straight sides that runs across pieces without regard for
them. So each piece's glow is compared with the piece's own usual glow, averaged over a few millimetres to quieten the
grain, and dark patches wider than grain are taken out. Dark figure in the wood does the same to the glow but not to
the slits: where seams run in and out of a patch and their light goes on unchanged, it is no tape.

Thick or dark wood lets nothing through: what is seen there is glare, which tells nothing of tape. In such pieces the
light of the slits beside them takes the wood's place: tape dims several of them along two straight lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon, box

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.light_steps import LIT_MM, light_in_steps
from gapscan.measure.stations import SPACING_MM, PlacedStations
from gapscan.measure.tape import find_strips
from gapscan.measure.tape_strip import Strip
from gapscan.photo.types import Photo, Reference
from gapscan.register.rectify import SheetMap, disc, rectify
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_STEP_MM = 0.25
_SEAM_MARGIN_MM = 0.5
_AVERAGED_MM = 2.5
_DARKER_LOG = -0.13
_GRAIN_LOG = 0.05  # by which grain alone lifts the upper quartile of a piece's averages over their middle
_NARROWEST_MM = 3.0
_SMALLEST_MM2 = 25.0
_MARGIN_MM = 0.8
_UNCHANGED = 0.90  # of the slit's light: more than this inside a patch, and it is no tape
_ONE_DIMMED = 0.75
_BESIDE_MM = 8.0
_FEWEST = 5
# Light of a piece above the glare on the card, of the bare light and of that glare: less is uneven glare, not glow.
_GLOW_LEAST = 0.006
_GLOW_OF_GLARE = 0.45
_GLOW_QUANTILE = 0.3  # glare is strongest along the rim
_PAINTED_MM = 2.5  # a slit's light stands for the opaque wood so far beside it


@dataclass(frozen=True)
class Patch:
    """A dark patch of the sheet: mask (H, W) the patch with a margin, core (H, W) what surely lies in it."""

    mask: BoolArray
    core: BoolArray


@dataclass(frozen=True)
class Cover:
    """What lies over the wood: ``seams`` (N,) and ``rims`` (M,) covered stations.

    opaque_share  share of the wood that lets no light through, on which tape cannot be seen
    """

    seams: BoolArray
    rims: BoolArray
    opaque_share: float


def covered_stations(
    photo: Photo,
    reference: Reference,
    design: Design,
    registration: Registration,
    job: Job,
    seams: PlacedStations,
    rims: PlacedStations,
    width_mm: FloatArray,
) -> Cover:
    """Which seam and rim stations lie under something.

    width_mm (N,) seen slit widths, used to tell tape from dark wood.
    """
    sheet = rectify(photo, reference, sheet_height_mm=job.thickness_mm, step_mm=_STEP_MM)
    glare = _glare(photo)
    ratio, known, pieces = _glow_against_usual(sheet, glare, design, registration)
    opaque = _opaque(sheet, pieces, known, glare)
    known &= ~opaque
    ratio[opaque] = 0.0
    stepped, dimmed, lit = light_in_steps(seams, width_mm)
    bands = _with_slits(sheet, ratio, known, pieces, opaque, seams, stepped, lit)
    tape = _strips(sheet, *bands, seams, width_mm)
    for patch in _dark_patches(sheet, np.where(tape, np.nan, ratio), known & ~tape, pieces, len(design.pieces)):
        # No strip with straight sides: only slits that lose their light on the way in tell it from dark figure.
        inside = _within(patch.mask | tape, sheet, seams.xy_mm)
        kept = _light_kept(_within(patch.core, sheet, seams.xy_mm), inside, seams, width_mm)
        if kept is not None and kept < _UNCHANGED:
            tape |= patch.mask
    seam_covered = _within(tape, sheet, seams.xy_mm)
    # Beside opaque wood a slit that loses part of its light within a millimetre is covered.
    beside_opaque = _within(_dilated(opaque, 2 * _SEAM_MARGIN_MM / sheet.step_mm), sheet, seams.xy_mm)
    seam_covered |= beside_opaque & dimmed
    rim_covered = _within(tape, sheet, rims.xy_mm)
    for rectangle in job.tape:
        outline = tape_outline(rectangle)
        seam_covered |= _in_polygon(outline, registration.to_design(seams.xy_mm))
        rim_covered |= _in_polygon(outline, registration.to_design(rims.xy_mm))
    share = float(opaque.sum()) / max(int((pieces > 0).sum()), 1)
    return Cover(seam_covered, rim_covered, share)


def tape_outline(tape: tuple[float, ...]) -> Polygon:
    """A tape of the job file, (x, y, width, height[, turn in degrees]), in design coordinates."""
    x, y, width, height = tape[:4]
    return affinity.rotate(box(x, y, x + width, y + height), tape[4] if len(tape) > 4 else 0.0, origin="center")


def _glare(photo: Photo) -> float:
    """Glare relative to the bare light, as the opaque card shows it (the darkest part of every photo with a frame)."""
    some = photo.light[::4, ::4]
    return float(np.quantile(some, 0.02) / max(float(np.quantile(some, 0.98)), 1e-3))


def _in_polygon(outline: Polygon, xy_mm: FloatArray) -> BoolArray:
    import shapely

    return np.asarray(shapely.contains_xy(outline, xy_mm[:, 0], xy_mm[:, 1]), dtype=bool)


def _within(mask: BoolArray, sheet: SheetMap, xy_mm: FloatArray) -> BoolArray:
    uv = np.round(sheet.to_map(xy_mm)).astype(int)
    height, width = mask.shape
    good = (uv >= 0).all(axis=1) & (uv[:, 0] < width) & (uv[:, 1] < height)
    found = np.zeros(len(uv), bool)
    found[good] = mask[uv[good, 1], uv[good, 0]]
    return found


def _strips(
    sheet: SheetMap,
    ratio: FloatArray,
    known: BoolArray,
    pieces: NDArray[np.int32],
    seams: PlacedStations,
    width_mm: FloatArray,
) -> BoolArray:
    """(H, W) where straight strips of tape lie, with a margin. Slits that go on unchanged into a strip say it is none."""
    import cv2

    def filled(strip: Strip, margin_mm: float) -> BoolArray:
        mask = np.zeros(ratio.shape, np.uint8)
        corners = strip.grown(margin_mm).corners_mm / sheet.step_mm
        cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 1)
        return mask > 0

    strips = find_strips(ratio, known, pieces, step_mm=sheet.step_mm)
    wide = [filled(strip, _MARGIN_MM) for strip in strips]
    everywhere = np.logical_or.reduce(wide) if wide else np.zeros(ratio.shape, bool)
    inside = _within(everywhere, sheet, seams.xy_mm)
    tape = np.zeros(ratio.shape, bool)
    for strip, mask in zip(strips, wide, strict=True):
        core = _within(filled(strip, -_MARGIN_MM), sheet, seams.xy_mm)
        kept = _light_kept(core, inside, seams, width_mm)
        if kept is None or kept < _UNCHANGED:
            tape |= mask
    return tape


def _dilated(mask: BoolArray, by_px: float) -> BoolArray:
    import cv2

    return np.asarray(cv2.dilate(mask.astype(np.uint8), disc(by_px)) > 0)


def _opaque(sheet: SheetMap, pieces: NDArray[np.int32], known: BoolArray, glare: float) -> BoolArray:
    """(H, W) inside pieces that show no more light than glare does."""
    light = np.nan_to_num(sheet.light, nan=0.0)
    least = glare + max(_GLOW_LEAST, _GLOW_OF_GLARE * glare)
    dark = np.zeros(int(pieces.max(initial=0)) + 1, bool)
    for k in range(1, len(dark)):
        own = light[(pieces == k) & known]
        dark[k] = len(own) == 0 or float(np.quantile(own, _GLOW_QUANTILE)) < least
    return dark[pieces]


def _with_slits(
    sheet: SheetMap,
    ratio: FloatArray,
    known: BoolArray,
    pieces: NDArray[np.int32],
    opaque: BoolArray,
    seams: PlacedStations,
    log: FloatArray,
    lit: BoolArray,
) -> tuple[FloatArray, BoolArray, NDArray[np.int32]]:
    """The map of log glow, its known part and the piece numbers, with opaque wood near a lit slit given the slit's log
    light against the usual of its stretch. Every such band of a stretch counts as a piece of its own."""
    from scipy.spatial import cKDTree

    if not opaque.any() or len(seams) == 0:
        return ratio, known, pieces
    chosen = np.flatnonzero(lit & seams.inside)
    v, u = np.nonzero(opaque)
    if len(chosen) == 0:
        return ratio, known, pieces
    far, nearest = cKDTree(sheet.to_map(seams.xy_mm[chosen])).query(
        np.column_stack([u, v]), distance_upper_bound=_PAINTED_MM / sheet.step_mm
    )
    near = np.isfinite(far)
    v, u, station = v[near], u[near], chosen[nearest[near]]
    ratio, known, numbers = ratio.copy(), known.copy(), pieces.copy()
    ratio[v, u], known[v, u] = log[station], True
    numbers[v, u] = int(pieces.max()) + 1 + seams.stretch[station]
    return ratio, known, numbers


def _dark_patches(
    sheet: SheetMap, ratio: FloatArray, known: BoolArray, pieces: NDArray[np.int32], count: int
) -> list[Patch]:
    """Connected patches in which the wood glows less than its piece usually does."""
    import cv2

    ratio = np.where(known, ratio, 0.0)
    mean = _averaged(ratio, known, sheet.step_mm)
    # The median of a piece that is half covered is no good: what is usual is the brighter part of its averages.
    for k in range(1, count + 1):
        own = (pieces == k) & known
        if own.any():
            ratio[own] -= max(float(np.quantile(mean[own], 0.75)) - _GRAIN_LOG, 0.0)
    mean = _averaged(ratio, known, sheet.step_mm)
    dark = (mean < _DARKER_LOG).astype(np.uint8)
    opened = cv2.morphologyEx(dark, cv2.MORPH_OPEN, disc(_NARROWEST_MM / 2 / sheet.step_mm))
    joined = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, disc(1.5 / sheet.step_mm))
    number, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    margin, inset = disc(_MARGIN_MM / sheet.step_mm), disc(0.5 / sheet.step_mm)
    patches = []
    for k in range(1, number):
        if stats[k, cv2.CC_STAT_AREA] * sheet.step_mm**2 >= _SMALLEST_MM2:
            mask = (labels == k).astype(np.uint8)
            core = cv2.erode(mask & (mean < _DARKER_LOG).astype(np.uint8), inset)
            patches.append(Patch(mask=cv2.dilate(mask, margin) > 0, core=core > 0))
    return patches


def _averaged(ratio: FloatArray, known: BoolArray, step_mm: float) -> FloatArray:
    """Mean of the known values over a square of a few millimetres; 0 where too little is known."""
    import cv2

    side = max(3, round(_AVERAGED_MM / step_mm))
    total = cv2.boxFilter(np.where(known, ratio, 0.0), -1, (side, side), normalize=False)
    count = cv2.boxFilter(known.astype(float), -1, (side, side), normalize=False)
    return np.where(count > 0.2 * side * side, total / np.maximum(count, 1.0), 0.0)


def _glow_against_usual(
    sheet: SheetMap, glare: float, design: Design, registration: Registration
) -> tuple[FloatArray, BoolArray, NDArray[np.int32]]:
    """Log of each map pixel's glow against the median of its piece, where that is known (away from seams), and the
    piece's number + 1 at each pixel."""
    import cv2

    labels = np.zeros(sheet.light.shape, np.int32)
    for k, piece in enumerate(design.pieces, 1):
        inner = piece.polygon.buffer(-_SEAM_MARGIN_MM)
        for part in inner.geoms if isinstance(inner, MultiPolygon) else [inner]:
            if not part.is_empty:
                rings = [part.exterior, *part.interiors]
                corners = [sheet.to_map(registration.to_sheet(np.asarray(r.coords))) for r in rings]
                cv2.fillPoly(labels, [np.round(c).astype(np.int32) for c in corners], k)
    light = np.nan_to_num(sheet.light, nan=0.0).astype(float)
    wood = (labels > 0) & (light > 0) & (light < 0.6)
    if not wood.any():
        return np.zeros(labels.shape), wood, labels
    # Glare lies on everything and is not dimmed by tape: the darkest wood bounds it from above, and so does the card.
    # Taking off too much would blow up the grain of dark woods.
    log = np.log(np.maximum(light - 0.8 * min(float(np.quantile(light[wood], 0.02)), glare), 1e-4))
    usual = np.zeros(len(design.pieces) + 1)
    for k in range(1, len(usual)):
        own = log[(labels == k) & wood]
        usual[k] = np.median(own) if len(own) else 0.0
    return np.where(wood, log - usual[labels], 0.0), wood, labels


def _light_kept(core: BoolArray, inside: BoolArray, seams: PlacedStations, width_mm: FloatArray) -> float | None:
    """Share of their light that slits which run in and out of a patch keep inside it; None where that
    is none, or one whose light does not change much.

    Stations well inside are set against those just outside; the patch's own edge is left out of both.
    """
    from scipy.ndimage import binary_dilation

    reach = round(_BESIDE_MM / SPACING_MM)
    ratios = []
    for stretch in np.unique(seams.stretch[core]):
        own = np.flatnonzero(seams.stretch == stretch)
        within = core[own]
        beside = binary_dilation(within, iterations=reach) & ~inside[own]
        if within.sum() >= _FEWEST and beside.sum() >= _FEWEST:
            usual = float(np.median(width_mm[own][beside]))
            if usual > LIT_MM:
                ratios.append(float(np.median(width_mm[own][within])) / usual)
    # One slit alone may end in a junction or a speck: it decides only when it loses a good part of its light.
    return float(np.median(ratios)) if len(ratios) >= 2 or (ratios and ratios[0] < _ONE_DIMMED) else None
