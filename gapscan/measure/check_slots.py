"""The frame's check slots: slits of known width, measured in every photo just as the seams are.

How wide a slot was cut depends on the kerf, so its true width is what the user's feeler gauge found, once. The light
level is that of the two round holes on either side of the slot. Seen and clear width differ by what the slanted view
hides; the card is taken to be as thick as the veneer. How the slot's walls lean is known only where the job file says
so: else the middle between upright walls and walls as in the veneer is taken, with a rectangular uncertainty (JCGM 100,
4.3.7). In the same way the blur, found from the seams, is taken midway between the seams' and that carried outward.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import InputError
from gapscan.job import Check, Job
from gapscan.measure.blur import Blur
from gapscan.measure.budget import width_budget
from gapscan.measure.hole_light import light_beside
from gapscan.measure.luma import straighten, wood_colour
from gapscan.measure.profiles import sample_profiles
from gapscan.measure.sight import WOOD_MM, Sighting
from gapscan.measure.stations import SPACING_MM, PlacedStations, slanted_view
from gapscan.measure.types import Reason
from gapscan.measure.uncertainty import combined, independent_readings
from gapscan.measure.width import SlitFit, fit_slits
from gapscan.photo.camera import project, px_per_mm
from gapscan.photo.layout import FrameLayout
from gapscan.photo.markers import side_facing
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]

_SIDES = ("top", "right", "bottom", "left")
_SEARCH_MM = 0.8
_END_MM = 0.4  # the cut rounds the slot's ends
_LEAST_WIDTH_MM = 0.03
_MOST_NOISE = 0.06
_MOST_CARD = 0.4  # of bare light
_FARTHEST_MM = 0.3
_STANDS_OUT = 2.0  # combined standard uncertainties
_ONE_STANDS_OUT = 3.0  # one slot of several


@dataclass(frozen=True)
class CheckSlot:
    """One check slot in one photo.

    side             side of the frame as drawn: "top", "right", "bottom", "left"
    true_mm, u_true_mm  its width by the feeler gauge
    measured_mm      its clear width by the photo, NaN where ``reason`` is not SEEN
    u_measured_mm    standard uncertainty of that; u_own_mm: the part that is this slot's own
    """

    side: str
    true_mm: float
    u_true_mm: float
    measured_mm: float
    u_measured_mm: float
    u_own_mm: float
    reason: Reason

    @property
    def seen(self) -> bool:
        """Whether there is a figure."""
        return self.reason == Reason.SEEN

    @property
    def off_mm(self) -> float:
        """Measured less true width."""
        return self.measured_mm - self.true_mm

    @property
    def u_off_mm(self) -> float:
        """Standard uncertainty of the difference."""
        return float(np.hypot(self.u_measured_mm, self.u_true_mm))


def slot_sides(layout: FrameLayout) -> tuple[str, ...]:
    """On which side of the frame as drawn each of its check slots lies, in the layout's order."""
    sides = []
    for x, y, along_x, along_y in layout.slots_mm:
        sides.append(("top" if y < 0 else "bottom") if along_x > along_y else ("left" if x < 0 else "right"))
    return tuple(sides)


def true_widths(check: Check, layout: FrameLayout, *, source: str) -> dict[str, float]:
    """Width by side of the frame. Raises InputError when the job file's list does not go with this frame's slots."""
    held = slot_sides(layout)
    sides = tuple(side for side in _SIDES if side in held)
    if not sides:
        raise InputError(
            f"{source}: [check] is given, but this frame is too small to have check slots; take [check] out"
        )
    widths = check.slots_mm * (len(sides) if check.one_for_all else 1)
    if len(widths) != len(sides):
        raise InputError(
            f"{source}: check.slots_mm has {len(widths)} widths, but the frame has {len(sides)} check slots; give one each "
            f"in the order {', '.join(sides)}"
        )
    return dict(zip(sides, widths, strict=True))


def measure_check_slots(
    photo: Photo, reference: Reference, layout: FrameLayout, sighting: Sighting, job: Job
) -> tuple[CheckSlot, ...]:
    """Every check slot of the frame in one photo (tone curve undone), in the order top, right, bottom, left.

    Blur, its shape's effect and the glare are those that the photo's seams were measured with.

    Nothing when the job file has no [check]. Raises InputError as :func:`true_widths`.
    """
    if job.check is None:
        return ()
    true = true_widths(job.check, layout, source="the job file")
    sides = slot_sides(layout)
    found = []
    for side, width in true.items():
        slot = layout.slots_mm[sides.index(side)]
        measured = _measure(photo, reference, layout, sighting, job, slot)
        if isinstance(measured, Reason):
            nan = float("nan")
            found.append(CheckSlot(side, width, job.check.u_mm, nan, nan, nan, measured))
        else:
            found.append(CheckSlot(side, width, job.check.u_mm, *measured, Reason.SEEN))
    return tuple(found)


def mean_off(slots: Sequence[CheckSlot]) -> tuple[float, float] | None:
    """Mean difference of the seen slots, measured less true, and its standard uncertainty; None when none was seen.

    Only each slot's own part averages out. The rest, the gauge's included, is shared by all of them (JCGM 100, 5.2.2,
    note 1).
    """
    seen = [slot for slot in slots if slot.seen]
    if not seen:
        return None
    own = np.array([slot.u_own_mm for slot in seen])
    shared = np.sqrt(np.maximum([slot.u_off_mm**2 - slot.u_own_mm**2 for slot in seen], 0.0))
    u = combined(float(np.sqrt((own**2).sum())) / len(seen), float(shared.mean()))
    return float(np.mean([slot.off_mm for slot in seen])), float(u)


def check_warnings(slots: Sequence[CheckSlot]) -> tuple[str, ...]:
    """What is said when the slots do not come out as wide as they are."""
    mean = mean_off(slots)
    if mean is None:
        return ("none of the frame's check slots could be measured; see that nothing lies on them",) if slots else ()
    off, u = mean
    if abs(off) > _STANDS_OUT * u:
        return (
            f"the check slots came out {abs(off):.3f} ± {u:.3f} mm too {'wide' if off > 0 else 'narrow'}: gaps may be off "
            f"by as much; is the photo {'overexposed' if off > 0 else 'out of focus, or the frame not flat'}, or a wrong "
            "width given under [check]?",
        )
    # One of four stands out by two standard uncertainties every fifth time: it takes three.
    alone = [slot for slot in slots if slot.seen and abs(slot.off_mm) > _ONE_STANDS_OUT * slot.u_off_mm]
    return tuple(
        f"the check slot on the frame's {slot.side} side came out {abs(slot.off_mm):.3f} ± {slot.u_off_mm:.3f} mm too "
        f"{'wide' if slot.off_mm > 0 else 'narrow'}, unlike the others; measure that one again, and check the order of "
        "slots_mm (top, right, bottom, left as drawn)"
        for slot in alone
    )


def _measure(
    photo: Photo, reference: Reference, layout: FrameLayout, sighting: Sighting, job: Job, slot: FloatArray
) -> tuple[float, float, float] | Reason:
    """Clear width, its standard uncertainty and the slot's own part of that; or why there is none."""
    blur = sighting.blur
    stations = _stations(slot, reference, job, blur)
    if len(stations) < 4:
        return Reason.UNCLEAR
    if not stations.inside.all():
        return Reason.OUTSIDE
    level = light_beside(photo, reference, layout, job, slot)
    if isinstance(level, Reason):
        return level
    bare, u_level, bare_rgb = level
    fit = _fit(photo, reference, stations, blur, job, bare, bare_rgb)
    noise = float(np.median(fit.noise)) / bare
    card = float(np.median(np.maximum(fit.left, fit.right))) / bare
    ratio = np.maximum(fit.width, 0.0) / _blur_there(blur, stations)[0]
    fit = replace(fit, width=fit.width / (1.0 + sighting.effect.at(ratio)[0]))
    width = float(np.median(fit.width))
    hidden, u_walls = _hidden(stations, reference, job)
    if card > _MOST_CARD or noise > _MOST_NOISE or abs(float(np.median(fit.centre))) > _FARTHEST_MM:
        return Reason.UNCLEAR
    if width < _LEAST_WIDTH_MM:
        return Reason.SLANT if hidden > 0.5 * layout.slots_mm[:, 2:].min() else Reason.COVERED
    return width + hidden, *_uncertainty(fit, stations, reference, sighting, job, u_level, u_walls)


def _stations(slot: FloatArray, reference: Reference, job: Job, blur: Blur) -> PlacedStations:
    """Stations along the slot's middle, its ends left out."""
    x, y, along_x, along_y = slot
    upright = along_y > along_x
    end = _END_MM + 4.0 * blur.sigma_px / reference.px_per_mm
    half = max(along_x, along_y) / 2 - end
    s = np.arange(-half, half + 1e-9, SPACING_MM) if half > 0 else np.zeros(0)
    n = len(s)
    drawn = np.column_stack([np.full(n, x), y + s] if upright else [x + s, np.full(n, y)])
    xy = side_facing(drawn, mirrored=reference.frame_mirrored)
    uv = project(reference.camera, xy, height_mm=job.thickness_mm)
    size = np.array(reference.camera.image_size_px)
    margin = reference.px_per_mm * 2 * _SEARCH_MM
    return PlacedStations(
        xy_mm=xy,
        normal=np.tile([1.0, 0.0] if upright else [0.0, 1.0], (n, 1)),
        line=np.zeros(n, np.int64),
        stretch=np.zeros(n, np.int64),
        junction_mm=half + end - np.abs(s),
        scale_px_mm=px_per_mm(reference.camera, xy, height_mm=job.thickness_mm) if n else np.zeros(0),
        left_small=np.ones(n, bool),
        right_small=np.ones(n, bool),
        room_mm=np.full(n, 2.0),
        inside=np.asarray(((uv > margin) & (uv < size - 1 - margin)).all(axis=1)),
    )


def _blur_there(blur: Blur, stations: PlacedStations) -> tuple[FloatArray, FloatArray]:
    """Blur (N,) in mm at stations outside the seams that it was found from, and its relative uncertainty by that."""
    among, carried = replace(blur, field=(0.0,) * 4).sigma_mm(stations), blur.sigma_mm(stations)
    return np.sqrt(among * carried), np.abs(np.log(carried / among)) / np.sqrt(12.0)


def _fit(
    photo: Photo,
    reference: Reference,
    stations: PlacedStations,
    blur: Blur,
    job: Job,
    bare: float,
    bare_rgb: FloatArray,
) -> SlitFit:
    """The slot at every station, as seams are fitted."""
    n = len(stations)
    pitch = 1.0 / reference.px_per_mm
    rows = int(np.clip(round(reference.px_per_mm * SPACING_MM / 1.4), 1, 6))
    sigma, _ = _blur_there(blur, stations)

    def profiles(half: float, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
        reach = np.ceil(half / pitch)
        offsets = np.arange(-reach, reach + 1) * pitch
        found = sample_profiles(photo, reference, stations, offsets, centre, height_mm=job.thickness_mm, rows=rows)
        return offsets, found

    # Where the slot lies: the middle of the light, over its whole length. Its width: the light added up.
    offsets, wide = profiles(_SEARCH_MM, np.zeros(n))
    mean = np.median(wide, axis=0)
    light = np.clip((mean - np.quantile(mean, 0.3)) / bare, 0.0, None)
    light[light < 0.05] = 0.0
    total = max(float(light.sum()), 1e-9)
    start = np.full(n, float((light * offsets).sum()) / total)
    half = WOOD_MM + 3.5 * float(sigma.max()) + min(total * pitch, _SEARCH_MM) / 2
    offsets, profile = profiles(half, start)
    card = wood_colour(photo, reference, stations, start, height_mm=job.thickness_mm)
    profile = straighten(profile, card, np.tile(bare_rgb, (n, 1)))
    weight = np.clip((half - np.abs(offsets)) / pitch + 0.5, 0.0, 1.0)
    fit = fit_slits(
        offsets,
        profile,
        np.tile(weight, (n, 1)),
        bare=np.full(n, bare),
        sigma=sigma,
        centre=np.zeros(n),
    )
    return replace(fit, centre=fit.centre + start)


def _hidden(stations: PlacedStations, reference: Reference, job: Job) -> tuple[float, float]:
    """What the slanted view hides, and the standard uncertainty that the walls' unknown lean gives it."""
    assert job.check is not None
    leans = (0.0, job.taper_deg) if job.check.taper_deg is None else (job.check.taper_deg,) * 2
    upright, leaning = (
        float(np.mean(slanted_view(stations, reference, replace(job, taper_deg=lean)).hidden_mm)) for lean in leans
    )
    return (upright + leaning) / 2, abs(upright - leaning) / float(np.sqrt(12.0))


def _uncertainty(
    fit: SlitFit,
    stations: PlacedStations,
    reference: Reference,
    sighting: Sighting,
    job: Job,
    u_level: float,
    u_walls: float,
) -> tuple[float, float]:
    """Standard uncertainty of the width, and the slot's own part of it (noise and light level)."""
    width = np.full(len(stations), np.median(fit.width))
    sigma, u_carried = _blur_there(sighting.blur, stations)
    _, shape_u, per_sigma = sighting.effect.at(np.maximum(width, 0.0) / sigma)
    budget = width_budget(
        width,
        fit.u_width,
        shape_u,
        per_sigma,
        blur=sighting.blur,
        bare_rel_u=u_level,
        veil=sighting.veil,
        reference_rms_mm=reference.rms_mm,
    )
    scatter = 1.4826 * float(np.median(np.abs(fit.width - np.median(fit.width))))
    each = max(scatter, float(np.median(budget.noise)))
    readings = independent_readings(len(stations), SPACING_MM)
    own = float(combined(each / np.sqrt(readings), float(budget.bare_light.mean())))
    slant = slanted_view(stations, reference, replace(job, taper_deg=0.0))
    whole = combined(
        own,
        *(float(part.mean()) for part in (budget.tone, budget.blur, budget.glare, budget.scale)),
        float(np.mean(np.abs(slant.delta_mm))) * reference.focal_rel_u,
        float(np.mean(width * per_sigma * u_carried)),
        job.thickness_mm * reference.foot_u_mm / float(reference.camera.place_mm[2]),
        u_walls,
    )
    return float(whole), own
