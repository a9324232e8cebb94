"""What the photo shows at every station: the seen slit (or edge), before the slanted view is corrected.

Nothing here depends on how high the camera stands, so the height can be settled afterwards from the seams themselves.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.errors import PhotoError
from gapscan.job import Job
from gapscan.measure.blur import Blur, estimate_blur
from gapscan.measure.cover import covered_stations
from gapscan.measure.dim import (
    RUN_STATIONS,
    dimly_lit,
    expected_centres,
    lit_in_line,
    merged,
    plainly_lit,
    run_mean,
    step_width,
)
from gapscan.measure.light import BareLight, bare_light
from gapscan.measure.line_spread import ShapeEffect, shape_effect
from gapscan.measure.luma import straighten, wood_colour
from gapscan.measure.profiles import first_centres, sample_profiles
from gapscan.measure.stations import Lines, PlacedStations, design_lines, place_stations
from gapscan.measure.width import EdgeFit, SlitFit, fit_edges, fit_slits
from gapscan.photo.edge_spread import EdgeSpread, edge_spreads, veil
from gapscan.photo.types import Photo, Reference
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_SEARCH_MM = 1.1
_EDGE_SEARCH_MM = 1.6
_ROOM_MARGIN_MM = 0.12
WOOD_MM = 0.22  # wood wanted on each side of the blurred slit
_WIDEST_MM = 0.5
_ASTRAY_MM = 0.05
_OPAQUE_TOLD = 0.02
_BLANK_EVERY = 4
_BLUR_REFUSED_PX = 5.0
_BLUR_REFUSED_MM = 0.35


@dataclass(frozen=True)
class SlitSight:
    """Slits at all seam stations, in mm along the normal, upper-face plane.

    start_mm (N,) where the profile was centred; fit.centre counts from there
    half_mm  (N,) half-width of the profile used
    level    (N,) bare light
    lit      (N,) whether light of a slit shows, and not only of grain
    shape_u (N,) relative standard uncertainty of the width from the shape of the blur, after its correction
    per_sigma (N,) relative change of the width for a relative change of the blur
    false_mm (N,) width that the grain of the wood beside the seam feigns over a run of stations with the slit's place
             held (99 of 100 are less)
    """

    stations: PlacedStations
    fit: SlitFit
    start_mm: FloatArray
    half_mm: FloatArray
    level: FloatArray
    lit: NDArray[np.bool_]
    shape_u: FloatArray
    per_sigma: FloatArray
    false_mm: FloatArray


@dataclass(frozen=True)
class EdgeSight:
    """Edges at all rim stations; fit.place counts from start_mm."""

    stations: PlacedStations
    fit: EdgeFit
    start_mm: FloatArray
    half_mm: FloatArray
    level: FloatArray


@dataclass(frozen=True)
class Sighting:
    """Everything one photo shows of seams and rims; ``covered`` (N,) and ``rim_covered`` (M,) under tape or the like.

    veil  light of the opaque card near the opening as a share of the bare light; None where no edge of it was seen
    effect  what the shape of the blur does to widths, already taken off the slits
    """

    lines: Lines
    slits: SlitSight
    covered: NDArray[np.bool_]
    edges: EdgeSight
    rim_covered: NDArray[np.bool_]
    bare: BareLight
    blur: Blur
    veil: float | None
    effect: ShapeEffect
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _View:
    photo: Photo
    reference: Reference
    bare: BareLight
    height_mm: float
    rows: int

    @property
    def pitch_mm(self) -> float:
        return 1.0 / self.reference.px_per_mm


def sight_seams(
    photo: Photo,
    reference: Reference,
    design: Design,
    registration: Registration,
    job: Job,
    edges: list[EdgeSpread] | None = None,
) -> Sighting:
    """Fit the seen slit at every seam station and the seen edge at every rim station.

    ``edges`` of the frame's opening in this photo, where they are at hand already.

    Raises PhotoError when the bare light is unusable or the photo is out of focus beyond use.
    """
    bare = bare_light(photo, reference, sheet_height_mm=job.thickness_mm)
    lines = design_lines(design)
    seams, rims = place_stations(lines, design, registration, reference, job)
    rows = int(np.clip(round(reference.px_per_mm * 0.25 / 1.4), 1, 6))
    view = _View(photo, reference, bare, job.thickness_mm, rows)
    sides = edge_spreads(photo, reference) if edges is None else edges
    blur, effect, slits = _sight_slits(view, seams, sides)
    if blur.sigma_px > _BLUR_REFUSED_PX or blur.sigma_px / reference.px_per_mm > _BLUR_REFUSED_MM:
        raise PhotoError(
            f"{photo.path}: out of focus (edges are blurred over ±{blur.sigma_px:.1f} px, "
            f"{blur.sigma_px / reference.px_per_mm:.2f} mm); focus on the veneer, hold the camera still and take it again"
        )
    with ThreadPoolExecutor(max_workers=1) as beside:
        edge_sight = beside.submit(_sight_edges, view, rims, blur)
        cover = covered_stations(photo, reference, design, registration, job, seams, rims, slits.fit.width)
    warnings = []
    if cover.opaque_share > _OPAQUE_TOLD:
        warnings.append(
            f"{100 * cover.opaque_share:.0f} % of the wood lets no light through; tape over its seams shows only where a "
            "slit dims suddenly: name tapes in the job file (tape = [[x, y, width, height]]) or photograph the untaped face"
        )
    share = float(cover.seams.mean()) if len(cover.seams) else 0.0
    if share > 0.002:
        warnings.append(
            f"tape or the like covers {100 * share:.0f} % of the seams; what is under it counts as not seen"
        )
    if bare.clipped_share > 0.01:
        warnings.append(f"{100 * bare.clipped_share:.0f} % of the bare light is at full white; expose a little darker")
    if bare.relative_u > 0.04:
        warnings.append(
            f"the lightbox is uneven (bare light known to ±{100 * bare.relative_u:.0f} % over the assembly); "
            "widths scale with it"
        )
    return Sighting(
        lines=lines,
        slits=slits,
        covered=cover.seams,
        edges=edge_sight.result(),
        rim_covered=cover.rims,
        bare=bare,
        blur=blur,
        veil=veil(sides),
        effect=effect,
        warnings=tuple(warnings),
    )


def _window(offsets: FloatArray, half: FloatArray, pitch: float) -> FloatArray:
    """Weights (N, M): one inside the half-width, a ramp of one sample at its end."""
    return np.clip((half[:, None] - np.abs(offsets[None, :])) / pitch + 0.5, 0.0, 1.0)


def _grid(half: float, pitch: float) -> FloatArray:
    reach = np.ceil(half / pitch)
    return np.asarray(np.arange(-reach, reach + 1) * pitch)


def _profiles(view: _View, stations: PlacedStations, offsets: FloatArray, start: FloatArray, rows: int) -> FloatArray:
    return sample_profiles(view.photo, view.reference, stations, offsets, start, height_mm=view.height_mm, rows=rows)


def _straight_profiles(view: _View, stations: PlacedStations, offsets: FloatArray, start: FloatArray) -> FloatArray:
    """Profiles with the colour of the wood taken into account."""
    profile = _profiles(view, stations, offsets, start, view.rows)
    wood = wood_colour(view.photo, view.reference, stations, start, height_mm=view.height_mm)
    return straighten(profile, wood, view.bare.rgb(stations.xy_mm))


def _sight_slits(view: _View, seams: PlacedStations, sides: list[EdgeSpread]) -> tuple[Blur, ShapeEffect, SlitSight]:
    level = view.bare.level(seams.xy_mm)
    wide = np.arange(-_SEARCH_MM, _SEARCH_MM + 1e-9, 0.05)
    zero = np.zeros(len(seams))
    start, width = first_centres(seams, wide, _profiles(view, seams, wide, zero, 1), level)
    half_limit = WOOD_MM + _WIDEST_MM / 2 + 9.0 * view.pitch_mm
    offsets = _grid(half_limit, view.pitch_mm)
    profile = _straight_profiles(view, seams, offsets, start)
    blur = estimate_blur(offsets, profile, seams, level, width, view.pitch_mm)
    sigma = blur.sigma_mm(seams)
    half = WOOD_MM + 3.5 * sigma + np.clip(width, 0, _WIDEST_MM) / 2
    half = np.minimum(np.minimum(half, half_limit), seams.room_mm - _ROOM_MARGIN_MM)
    weight = _window(offsets, np.maximum(half, 2.5 * sigma), view.pitch_mm)
    with ThreadPoolExecutor(max_workers=1) as beside:
        blanks = beside.submit(_feigned_widths, view, seams, start, half, blur, level)
        fit = fit_slits(offsets, profile, weight, bare=level, sigma=sigma, centre=zero)
        false_free, false_held = blanks.result()
    centre = start + fit.centre
    plain = plainly_lit(seams, centre, fit.width, fit.u_width * blur.correlation, false_free)
    expected, place_u = expected_centres(seams, centre, fit.width, plain)
    plain |= lit_in_line(centre, expected, place_u, fit.width, fit.u_width * blur.correlation, false_free)
    dim = np.flatnonzero(~plain)
    expected, place_u = expected[dim], place_u[dim]
    # Profiles that were centred on a streak of grain are taken again where the slit ought to be.
    astray = dim[np.abs(expected - start[dim]) > _ASTRAY_MM]
    start[astray] = expected[np.isin(dim, astray)]
    profile[astray] = _straight_profiles(view, seams.at(astray), offsets, start[astray])
    place = expected - start[dim]
    held = fit_slits(
        offsets,
        profile[dim],
        weight[dim],
        bare=level[dim],
        sigma=sigma[dim],
        centre=place,
        hold_centre=True,
    )
    step = step_width(held, level[dim], place_u)
    noise = fit.u_width.copy()
    noise[dim] = held.u_width
    feigned = np.zeros(len(seams))
    feigned[dim] = step
    fit = merged(fit, held, dim, place, place_u, step)
    lit = plain | dimly_lit(seams, fit.width, noise * blur.correlation, false_held, feigned)
    effect = shape_effect(sides, blur.sigma_px, WOOD_MM / view.pitch_mm)
    excess, shape_u, per_sigma = effect.at(np.maximum(fit.width, 0.0) / sigma)
    fit = replace(fit, width=fit.width / (1.0 + excess))
    return blur, effect, SlitSight(seams, fit, start, half, level, lit, shape_u, per_sigma, false_held)


def _feigned_widths(
    view: _View, seams: PlacedStations, start: FloatArray, half: FloatArray, blur: Blur, level: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slits fitted to plain wood beside each seam tell how wide a slit its grain feigns, one figure a seam.

    Two answers, both (N,): for single stations whose fit may look for its place, and for the mean of a run of stations
    with the place held.
    """
    reach = np.minimum(half, WOOD_MM + 3.5 * blur.sigma_mm(seams))
    chosen = np.flatnonzero(seams.inside & (reach > 0.2) & (seams.room_mm > 3.0 * reach))[::_BLANK_EVERY]
    free, held = np.zeros(len(seams)), np.zeros(len(seams))
    if len(chosen) == 0:
        return free, held
    few, reach = seams.at(chosen), reach[chosen]
    sigma = blur.sigma_mm(few)
    offsets = _grid(float(reach.max()), view.pitch_mm)
    weight = _window(offsets, reach, view.pitch_mm)
    looking: list[FloatArray] = []
    holding: list[FloatArray] = []
    for side in (-1.0, 1.0):
        profile = _profiles(view, few, offsets, start[chosen] + side * 2.0 * reach, view.rows)
        middle = np.zeros(len(few))
        for found, hold in ((looking, False), (holding, True)):
            blank = fit_slits(
                offsets, profile, weight, bare=level[chosen], sigma=sigma, centre=middle, hold_centre=hold
            )
            found.append(blank.width)
    lines = np.concatenate([few.line, few.line])
    runs = [run_mean(few, width, stations=RUN_STATIONS // _BLANK_EVERY) for width in holding]
    for feigned, values in ((free, np.concatenate(looking)), (held, np.concatenate(runs))):
        everywhere = float(np.quantile(values, 0.99))
        for line in np.unique(seams.line):
            own = values[lines == line]
            # With few blanks a seam's own figure is unsure: the whole photo's stands in.
            here = float(np.quantile(own, 0.99)) if len(own) >= 30 else max([everywhere, *own.tolist()])
            feigned[seams.line == line] = max(here, 0.0)
    return free, held


def _sight_edges(view: _View, rims: PlacedStations, blur: Blur) -> EdgeSight:
    """Outer edges against bare light."""
    level = view.bare.level(rims.xy_mm)
    zero = np.zeros(len(rims))
    wide = np.arange(-_EDGE_SEARCH_MM, _EDGE_SEARCH_MM + 1e-9, 0.05)
    search = _profiles(view, rims, wide, zero, 1)
    # Coarse place: how much of the window is bright, between the dark inner and the bright outer end.
    dark = np.quantile(search[:, wide < -_EDGE_SEARCH_MM / 2], 0.5, axis=1) if len(rims) else zero
    share = np.clip((search - dark[:, None]) / np.maximum(level - dark, 1e-3)[:, None], 0, 1).mean(axis=1)
    start = wide[-1] - share * (wide[-1] - wide[0])
    sigma = blur.sigma_mm(rims)
    half_limit = 0.25 + 4 * float(sigma.max(initial=0.0))
    offsets = _grid(half_limit, view.pitch_mm)
    profile = _profiles(view, rims, offsets, start, view.rows)
    half = np.minimum(half_limit, rims.room_mm - _ROOM_MARGIN_MM)
    weight = _window(offsets, np.maximum(half, 2 * sigma), view.pitch_mm)
    return EdgeSight(rims, fit_edges(offsets, profile, weight, sigma=sigma, place=zero), start, half, level)
