"""From seen slits to clear gaps: the slanted view corrected, reasons given, uncertainty budgeted by source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design
from gapscan.job import Job
from gapscan.measure.budget import width_budget
from gapscan.measure.sight import EdgeSight, Sighting, SlitSight, sight_seams
from gapscan.measure.specks import speck_stations
from gapscan.measure.stations import Slant, slanted_view
from gapscan.measure.types import Budget, GapSurvey, Reason, RimEdges, SeamGaps
from gapscan.photo.types import Photo, Reference
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]

_CLOSED_MM = 0.015  # less seen width than this is no light
_HIDDEN_ALLOWED_MM = 0.015  # no light and less hidden than this: closed within its uncertainty
_CLIPPED_LEVEL = 0.985
_FARTHEST_MM = 0.3  # a fit that wandered farther than this from the steadied centre found something else
_CENTRE_FLOOR_MM = 0.004
_EDGE_FLOOR_MM = 0.006


def measure_seams(
    photo: Photo, reference: Reference, design: Design, registration: Registration, job: Job
) -> GapSurvey:
    """Gap and slit place along every seam, edge place along every rim.

    Raises PhotoError when the bare light is unusable or the photo is out of focus beyond use.
    """
    return survey_gaps(sight_seams(photo, reference, design, registration, job), reference, design, job)


def survey_gaps(sighting: Sighting, reference: Reference, design: Design, job: Job) -> GapSurvey:
    """Clear gaps from seen slits, for the camera of this reference."""
    return GapSurvey(
        seams=_seam_gaps(sighting, reference, design, job),
        rims=_rim_edges(sighting, reference, design, job),
        blur_sigma_px=sighting.blur.sigma_px,
        warnings=sighting.warnings,
    )


def _seam_gaps(sighting: Sighting, reference: Reference, design: Design, job: Job) -> tuple[SeamGaps, ...]:
    slits = sighting.slits
    slant = slanted_view(slits.stations, reference, job)
    budget = _budget(sighting, slant, reference, job)
    # Without light the gap lies anywhere between closed and what is hidden: the middle of that, and a rectangular
    # distribution's standard uncertainty (JCGM 100, 4.3.7), which all of the stretch shares.
    could_hide = np.where(slits.lit, 0.0, np.maximum(slant.hidden_mm, 0.0))
    gap = slits.fit.width + slant.hidden_mm - could_hide / 2
    budget = replace(budget, slant=np.hypot(budget.slant, could_hide / np.sqrt(12.0)))
    centre = slits.start_mm + slits.fit.centre - slant.shift_mm
    u_centre = np.hypot(slits.fit.u_centre * sighting.blur.correlation, _CENTRE_FLOOR_MM)
    shared, total = budget.shared, budget.total
    reason = _reasons(slits, slant, sighting.blur.sigma_mm(slits.stations))
    reason[sighting.covered & (reason != Reason.OUTSIDE)] = Reason.COVERED
    # Where a speck takes all light the stretch looks closed or hidden: those stations are judged too.
    usable = (reason == Reason.SEEN) | (reason == Reason.SLANT)
    specks = speck_stations(
        slits.stations,
        slits.fit.width + slant.hidden_mm,
        budget.noise,
        usable=usable,
        known=usable | (reason == Reason.JUNCTION),
    )
    reason[specks] = Reason.SPECK
    results = []
    start = 0
    for seam, stations in zip(design.seams, sighting.lines.seams, strict=True):
        own = slice(start, start + len(stations))
        start += len(stations)
        seen = reason[own] == Reason.SEEN
        hidden = reason[own] == Reason.SLANT
        results.append(
            SeamGaps(
                id=seam.id,
                pieces=seam.pieces,
                stations=stations,
                reason=reason[own],
                gap_mm=np.where(seen, np.maximum(gap[own], 0.0), np.nan),
                u_gap_mm=np.where(seen, total[own], np.nan),
                u_shared_mm=np.where(seen, shared[own], np.nan),
                centre_mm=np.where(seen, centre[own], np.nan),
                u_centre_mm=np.where(seen, u_centre[own], np.nan),
                bound_mm=np.where(hidden, slant.hidden_mm[own] + _CLOSED_MM, np.nan),
                budget=budget.part(own),
            )
        )
    return tuple(results)


def _reasons(slits: SlitSight, slant: Slant, sigma_mm: FloatArray) -> NDArray[np.int8]:
    """Why each station has no figure, or SEEN (N,). The first cause in the order of Reason's severity wins."""
    fit, stations = slits.fit, slits.stations
    reason = np.full(len(stations), int(Reason.SEEN), np.int8)
    no_light = ~slits.lit
    reason[no_light & (slant.hidden_mm > _HIDDEN_ALLOWED_MM)] = Reason.SLANT
    scatter = fit.noise / slits.level
    typical = float(np.median(scatter)) if len(scatter) else 0.0
    reason[scatter > max(6 * typical, 0.05)] = Reason.UNCLEAR
    reason[(np.abs(fit.centre) > _FARTHEST_MM) & ~no_light] = Reason.UNCLEAR
    reason[slits.level > _CLIPPED_LEVEL] = Reason.CLIPPED
    tight = slits.half_mm < np.maximum(2.5 * sigma_mm + np.maximum(fit.width, 0) / 2, 0.2)
    reason[tight] = np.where(stations.junction_mm < 1.5, int(Reason.JUNCTION), int(Reason.UNCLEAR))[tight]
    reason[~stations.inside] = Reason.OUTSIDE
    return reason


def _budget(sighting: Sighting, slant: Slant, reference: Reference, job: Job) -> Budget:
    """Uncertainty by source. Thickness and wall lean are taken as the job file gives them."""
    slits = sighting.slits
    height = float(reference.camera.place_mm[2])
    sloping = np.abs(slant.hidden_mm) > 1e-9
    place = np.hypot(slant.delta_mm * reference.focal_rel_u, job.thickness_mm * reference.foot_u_mm / height)
    budget = width_budget(
        slits.fit.width,
        slits.fit.u_width,
        slits.shape_u,
        slits.per_sigma,
        blur=sighting.blur,
        bare_rel_u=sighting.bare.relative_u,
        veil=sighting.veil,
        reference_rms_mm=reference.rms_mm,
    )
    return replace(budget, slant=np.where(sloping, place, 0.0))


def _rim_edges(sighting: Sighting, reference: Reference, design: Design, job: Job) -> tuple[RimEdges, ...]:
    """Outer edges against bare light: where the larger face's edge lies, outward positive."""
    edges: EdgeSight = sighting.edges
    fit, stations = edges.fit, edges.stations
    sigma = sighting.blur.sigma_mm(stations)
    edge = edges.start_mm + fit.place - slanted_view(stations, reference, job).left_seen_mm
    reason = np.full(len(stations), int(Reason.SEEN), np.int8)
    contrast = (fit.bright - fit.dark) / edges.level
    covered = (contrast < 0.4) | (np.abs(fit.place) > _FARTHEST_MM) | (fit.bright / edges.level < 0.75)
    reason[covered | sighting.rim_covered] = Reason.COVERED
    reason[fit.noise / edges.level > 0.06] = Reason.UNCLEAR
    reason[edges.half_mm < 2 * sigma + 0.1] = Reason.JUNCTION
    reason[~stations.inside] = Reason.OUTSIDE
    u_edge = np.hypot(fit.u_place, _EDGE_FLOOR_MM)
    results = []
    start = 0
    for rim, rim_stations in zip(design.rims, sighting.lines.rims, strict=True):
        own = slice(start, start + len(rim_stations))
        start += len(rim_stations)
        seen = reason[own] == Reason.SEEN
        results.append(
            RimEdges(
                piece=rim.piece,
                stations=rim_stations,
                reason=reason[own],
                edge_mm=np.where(seen, edge[own], np.nan),
                u_edge_mm=np.where(seen, u_edge[own], np.nan),
            )
        )
    return tuple(results)
