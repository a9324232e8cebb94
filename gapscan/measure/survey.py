"""Measure every seam and rim of one photo: placed stations, profiles, fits, slanted view, reasons, uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.errors import PhotoError
from gapscan.job import Job
from gapscan.measure.blur import Blur, estimate_blur
from gapscan.measure.light import BareLight, bare_light
from gapscan.measure.luma import straighten, wood_colour
from gapscan.measure.profiles import first_centres, sample_profiles
from gapscan.measure.stations import Lines, PlacedStations, design_lines, place_stations
from gapscan.measure.types import GapSurvey, Reason, RimEdges, SeamGaps
from gapscan.measure.width import SlitFit, fit_edges, fit_slits
from gapscan.photo.types import Photo, Reference
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_SEARCH_MM = 1.1
_ROOM_MARGIN_MM = 0.12
_WOOD_MM = 0.22  # wood wanted on each side of the blurred slit
_CLOSED_MM = 0.015  # less seen width than this is no light
_HIDDEN_ALLOWED_MM = 0.015  # no light and less hidden than this: closed within its uncertainty
_TONE_REL_U = 0.008  # sRGB curve against the camera's own, and luma against light in coloured wood
_TAPER_U_DEG = 0.3
_BLUR_REFUSED_PX = 5.0


@dataclass(frozen=True)
class _Setting:
    photo: Photo
    reference: Reference
    bare: BareLight
    job: Job
    rows: int


def measure_seams(
    photo: Photo, reference: Reference, design: Design, registration: Registration, job: Job
) -> GapSurvey:
    """Gap and slit place along every seam, edge place along every rim.

    Raises PhotoError when the bare light is unusable or the photo is out of focus beyond use.
    """
    bare = bare_light(photo, reference, sheet_height_mm=job.thickness_mm)
    lines = design_lines(design)
    seams, rims = place_stations(lines, design, registration, reference, job)
    setting = _Setting(photo, reference, bare, job, rows=int(np.clip(round(reference.px_per_mm * 0.25 / 1.4), 1, 6)))
    blur, fit, centre0, profile_scale = _fit_seams(setting, seams)
    if blur.sigma_px > _BLUR_REFUSED_PX or blur.sigma_px / reference.px_per_mm > 0.35:
        raise PhotoError(
            f"{photo.path}: out of focus (edges are blurred over ±{blur.sigma_px:.1f} px, "
            f"{blur.sigma_px / reference.px_per_mm:.2f} mm); focus on the veneer, hold the camera still and take it again"
        )
    warnings = []
    if bare.clipped_share > 0.01:
        warnings.append(f"{100 * bare.clipped_share:.0f} % of the bare light is at full white; expose a little darker")
    if bare.relative_u > 0.04:
        warnings.append(
            f"the lightbox is uneven (bare light known to ±{100 * bare.relative_u:.0f} % over the assembly); "
            "widths scale with it"
        )
    return GapSurvey(
        seams=_seam_results(setting, design, lines, seams, fit, blur, centre0, profile_scale),
        rims=_measure_rims(setting, design, lines, rims, blur),
        blur_sigma_px=blur.sigma_px,
        warnings=tuple(warnings),
    )


def _window(offsets: FloatArray, centre: FloatArray, half: FloatArray, pitch: float) -> FloatArray:
    """Weights (N, M): one inside the half-width, a ramp of one sample at its end."""
    return np.clip((half[:, None] - np.abs(offsets[None, :] - centre[:, None])) / pitch + 0.5, 0.0, 1.0)


def _fit_seams(setting: _Setting, seams: PlacedStations) -> tuple[Blur, SlitFit, FloatArray, FloatArray]:
    """Blur of the photo, and the slit fit of every seam station (centres against the drawn line)."""
    reference, height = setting.reference, setting.job.thickness_mm
    level = setting.bare.level(seams.xy_mm)
    wide = np.arange(-_SEARCH_MM, _SEARCH_MM + 1e-9, 0.05)
    zero = np.zeros(len(seams))
    search = sample_profiles(setting.photo, reference, seams, wide, zero, height_mm=height, rows=1)
    centre0, width0 = first_centres(seams, wide, search, level)
    # The drawn line itself may be off by the slanted view; the centre found is where the light is.
    pitch = 1.0 / reference.px_per_mm
    half_limit = _WOOD_MM + 0.25 + 4.5 * 2.0 * pitch
    offsets = np.arange(-np.ceil(half_limit / pitch), np.ceil(half_limit / pitch) + 1) * pitch
    profile = sample_profiles(setting.photo, reference, seams, offsets, centre0, height_mm=height, rows=setting.rows)
    wood = wood_colour(setting.photo, reference, seams, centre0, height_mm=height)
    profile = straighten(profile, wood, setting.bare.rgb(seams.xy_mm))
    blur = estimate_blur(offsets, profile, seams, level, width0, pitch)
    sigma = blur.sigma_mm(seams)
    half = np.minimum(_WOOD_MM + 3.5 * sigma + np.clip(width0, 0, 0.5) / 2, seams.room_mm - _ROOM_MARGIN_MM)
    half = np.minimum(half, half_limit)
    weight = _window(offsets, zero, np.maximum(half, 2.5 * sigma), pitch)
    fit = fit_slits(offsets, profile, weight, bare=level, sigma=sigma, centre=zero)
    return blur, fit, centre0, half


def _seam_results(
    setting: _Setting,
    design: Design,
    lines: Lines,
    seams: PlacedStations,
    fit: SlitFit,
    blur: Blur,
    centre0: FloatArray,
    half: FloatArray,
) -> tuple[SeamGaps, ...]:
    job = setting.job
    sigma = blur.sigma_mm(seams)
    level = setting.bare.level(seams.xy_mm)
    hidden = seams.hidden_mm
    seen_width = fit.width
    gap = seen_width + hidden
    centre = centre0 + fit.centre - (seams.left_seen_mm + seams.right_seen_mm) / 2
    u_noise = np.maximum(fit.u_width * blur.correlation, 2e-4)
    shared = _shared_uncertainty(setting, seams, np.maximum(seen_width, 0), blur)
    reason = np.full(len(seams), int(Reason.SEEN), np.int8)
    no_light = seen_width < np.maximum(_CLOSED_MM, 2.5 * u_noise)
    reason[no_light & (hidden > _HIDDEN_ALLOWED_MM)] = Reason.SLANT
    typical = float(np.median(fit.noise / level)) if len(seams) else 0.0
    reason[fit.noise / level > max(6 * typical, 0.05)] = Reason.UNCLEAR
    reason[np.abs(fit.centre) > 0.3] = np.where(no_light, reason, Reason.UNCLEAR)[np.abs(fit.centre) > 0.3]
    reason[level > 0.985] = Reason.CLIPPED
    tight = half < np.maximum(2.5 * sigma + np.maximum(seen_width, 0) / 2, 0.2)
    reason[tight] = np.where(seams.junction_mm < 1.5, Reason.JUNCTION, Reason.UNCLEAR)[tight]
    reason[~seams.inside] = Reason.OUTSIDE
    results = []
    start = 0
    for seam, stations in zip(design.seams, lines.seams, strict=True):
        own = slice(start, start + len(stations))
        start += len(stations)
        seen = reason[own] == Reason.SEEN

        def only(values: FloatArray, keep: NDArray[np.bool_] = seen, own: slice = own) -> FloatArray:
            return np.where(keep, values[own], np.nan)

        results.append(
            SeamGaps(
                id=seam.id,
                pieces=seam.pieces,
                stations=stations,
                reason=reason[own],
                gap_mm=only(np.maximum(gap, 0.0)),
                u_gap_mm=only(np.hypot(u_noise, shared)),
                u_shared_mm=only(shared),
                centre_mm=only(centre),
                u_centre_mm=only(np.hypot(fit.u_centre * blur.correlation, 0.004)),
                bound_mm=np.where(reason[own] == Reason.SLANT, hidden[own] + _CLOSED_MM, np.nan),
            )
        )
    del job
    return tuple(results)


def _shared_uncertainty(setting: _Setting, seams: PlacedStations, width: FloatArray, blur: Blur) -> FloatArray:
    """Standard uncertainty (N,) of what a whole seam has in common: light level, tone, blur, slanted view."""
    from gapscan.measure.slant import hidden_width

    del hidden_width
    reference, job = setting.reference, setting.job
    height = float(reference.camera.place_mm[2])
    slope = np.abs(seams.hidden_mm) > 1e-9
    slant = np.where(
        slope,
        np.hypot(seams.delta_mm * reference.focal_rel_u, job.thickness_mm * reference.foot_u_mm / height),
        0.0,
    )
    taper = np.where(slope, job.thickness_mm * np.deg2rad(_TAPER_U_DEG) / np.cos(np.deg2rad(job.taper_deg)) ** 2, 0.0)
    level = width * setting.bare.relative_u
    tone = width * _TONE_REL_U
    sharp = 0.5 * width * blur.relative_u
    return np.sqrt(slant**2 + taper**2 + level**2 + tone**2 + sharp**2 + 0.0008**2)


def _measure_rims(
    setting: _Setting, design: Design, lines: Lines, rims: PlacedStations, blur: Blur
) -> tuple[RimEdges, ...]:
    """Outer edges against bare light: where the larger face's edge lies, outward positive."""
    if len(rims) == 0:
        return ()
    reference, height = setting.reference, setting.job.thickness_mm
    pitch = 1.0 / reference.px_per_mm
    zero = np.zeros(len(rims))
    wide = np.arange(-1.6, 1.6 + 1e-9, 0.05)
    search = sample_profiles(setting.photo, reference, rims, wide, zero, height_mm=height, rows=1)
    level = setting.bare.level(rims.xy_mm)
    # Coarse place: how much of the window is bright, between the dark inner and the bright outer end.
    dark = np.quantile(search[:, wide < -0.8], 0.5, axis=1)
    share = np.clip((search - dark[:, None]) / np.maximum(level - dark, 1e-3)[:, None], 0, 1).mean(axis=1)
    place0 = wide[-1] - share * (wide[-1] - wide[0])
    sigma = blur.sigma_mm(rims)
    half_limit = 0.25 + 4 * float(sigma.max())
    offsets = np.arange(-np.ceil(half_limit / pitch), np.ceil(half_limit / pitch) + 1) * pitch
    profile = sample_profiles(setting.photo, reference, rims, offsets, place0, height_mm=height, rows=setting.rows)
    half = np.minimum(half_limit, rims.room_mm - _ROOM_MARGIN_MM)
    weight = _window(offsets, zero, np.maximum(half, 2 * sigma), pitch)
    fit = fit_edges(offsets, profile, weight, sigma=sigma, place=zero)
    edge = place0 + fit.place - rims.left_seen_mm
    reason = np.full(len(rims), int(Reason.SEEN), np.int8)
    contrast = (fit.bright - fit.dark) / level
    reason[(contrast < 0.4) | (np.abs(fit.place) > 0.3) | (fit.bright / level < 0.75)] = Reason.COVERED
    reason[fit.noise / level > 0.06] = Reason.UNCLEAR
    reason[half < 2 * sigma + 0.1] = Reason.JUNCTION
    reason[~rims.inside] = Reason.OUTSIDE
    u_edge = np.hypot(fit.u_place, 0.006)
    results = []
    start = 0
    for rim, stations in zip(design.rims, lines.rims, strict=True):
        own = slice(start, start + len(stations))
        start += len(stations)
        seen = reason[own] == Reason.SEEN
        results.append(
            RimEdges(
                piece=rim.piece,
                stations=stations,
                reason=reason[own],
                edge_mm=np.where(seen, edge[own], np.nan),
                u_edge_mm=np.where(seen, u_edge[own], np.nan),
            )
        )
    return tuple(results)
