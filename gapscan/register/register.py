"""Find where the drawing lies on the sheet: outline first, then the seams' own light decides and refines."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from gapscan.design.types import Design
from gapscan.errors import PhotoError
from gapscan.job import Job
from gapscan.photo.types import Photo, Reference
from gapscan.register.outline import (
    Outline,
    SeenOutline,
    drawn_outline,
    outline_misfit,
    placed,
    scan_turns,
    seen_outline,
    settle_on_outline,
)
from gapscan.register.partial import scan_places, share_outside
from gapscan.register.rectify import SheetMap, rectify
from gapscan.register.seam_light import (
    SeamPoints,
    beyond_chance,
    light_on_seams,
    seam_points,
    settle_on_seams,
    share_on_seams,
)
from gapscan.register.types import Registration

_STEP_MM = 0.2
_OUTLINE_EQUAL_MM = 0.6  # turns whose outline misfit is this close to the best are told apart by the seams
_OUTLINE_REFUSED_MM = 1.2
_AREA_REFUSED = 0.12
_SHARE_REFUSED = 0.45
_SHARE_WITHIN_MM = 0.7
_CHANCE_WITHIN_MM = 0.4  # narrower: the cells of a dense drawing must leave room between their bands
_CHANCE_REFUSED = 0.3  # drawings of 100 to 1600 cells on a photo of other seams reach 0.2 at most, right ones 0.75
_CANDIDATES = 8
_OUTSIDE_SAID = 0.001
_BURNT = 0.25  # share of the picture at full white from which veneer itself may have gone white


def register_design(
    photo: Photo, reference: Reference, design: Design, job: Job
) -> tuple[Registration, tuple[str, ...]]:
    """The registration, and warnings.

    Raises PhotoError when nothing lies in the opening, or when what lies there is not this design.
    """
    name = Path(photo.path).name
    sheet = rectify(photo, reference, sheet_height_mm=job.thickness_mm, step_mm=_STEP_MM)
    seen = seen_outline(sheet)
    outline = drawn_outline(design)
    if seen is None or seen.area_mm2 < 0.02 * reference.opening_mm.area:
        burnt = float(photo.clipped.mean())
        darker = f", or take it darker: {100 * burnt:.0f} % of the picture is overexposed" if burnt > _BURNT else ""
        raise PhotoError(
            f"{name}: nothing dark lies in the frame's opening; lay the taped dry fit on the lightbox inside the frame"
            f"{darker}"
        )
    off = seen.area_mm2 / outline.area_mm2 - 1
    if off > _AREA_REFUSED or (off < -_AREA_REFUSED and not seen.touches_edge):
        raise PhotoError(
            f"{name}: the assembly covers {seen.area_mm2:.0f} mm² but the drawing {outline.area_mm2:.0f} mm² "
            f"({100 * off:+.0f} %); check that this is the photo of this design, and the drawing's units"
        )
    sides = {"front": (False,), "back": (True,), "auto": (False, True)}[job.view]
    points = seam_points(design, spacing_mm=0.5)
    candidates = _best_turns(outline, seen, sheet, points, sides)
    ranked = sorted((_settled(c, outline, seen, sheet, points) for c in candidates), key=lambda r: -r[0])
    score, best = ranked[0]
    best = replace(
        best,
        outline_rms_mm=outline_misfit(best, outline, seen, sheet),
        seam_share=share_on_seams(best, points, sheet, within_mm=_SHARE_WITHIN_MM),
    )
    _refuse_other_design(name, best, sheet, points, job)
    warnings = []
    outside = share_outside(design, best, reference, height_mm=job.thickness_mm)
    if outside > _OUTSIDE_SAID:
        warnings.append(
            f"{100 * outside:.0f} % of the sheet lies outside the picture; its seams there count as not seen; move back or "
            "add a photo that shows the rest"
        )
    rival = _rival(best, ranked[1:])
    if rival is not None and rival >= 0.9 * score:
        warnings.append(
            "the drawing fits the photo nearly as well turned or from the other side; "
            "if pieces seem swapped, set view in the job file or mark one piece"
        )
    return best, tuple(warnings)


def _best_turns(
    outline: Outline, seen: SeenOutline, sheet: SheetMap, points: SeamPoints, sides: tuple[bool, ...]
) -> list[Registration]:
    """Turns that the outline allows, the ones with most light on the seams first, no two within three degrees."""
    import cv2

    if seen.touches_edge:
        turns = scan_places(outline, seen, sheet, sides=sides)
    else:
        turns = [(*turn, seen.centroid_mm) for turn in scan_turns(outline, seen, sheet, sides=sides)]
    least = min(turn[0] for turn in turns)
    allowed = [turn for turn in turns if turn[0] <= least + _OUTLINE_EQUAL_MM]
    blurred = cv2.GaussianBlur(sheet.slit, (0, 0), 0.5 / sheet.step_mm)
    thin = SeamPoints(points.xy_mm[::2], points.normal[::2])
    scored = []
    for misfit, mirrored, angle, centre in allowed:
        for fine in (-0.375, -0.125, 0.125, 0.375):
            candidate = placed(mirrored, angle + fine, outline, centre)
            light = light_on_seams(candidate, thin, blurred, sheet) if len(thin.xy_mm) else 0.0
            scored.append((light - 0.02 * misfit, candidate))
    scored.sort(key=lambda s: -s[0])
    chosen: list[Registration] = []
    for _, candidate in scored:
        if all(c.mirrored != candidate.mirrored or _turn_between(c, candidate) > 3.0 for c in chosen):
            chosen.append(candidate)
        if len(chosen) == _CANDIDATES:
            break
    return chosen


def _turn_between(a: Registration, b: Registration) -> float:
    return abs((a.angle_deg - b.angle_deg + 180) % 360 - 180)


def _settled(
    start: Registration, outline: Outline, seen: SeenOutline, sheet: SheetMap, points: SeamPoints
) -> tuple[float, Registration]:
    """(light on the seams less a price for outline misfit, settled pose), the better of two ways to settle."""
    import cv2

    blurred = cv2.GaussianBlur(sheet.slit, (0, 0), 0.3 / sheet.step_mm)
    best: tuple[float, Registration] | None = None
    for first in (start, settle_on_outline(start, outline, seen, sheet)):
        at = settle_on_seams(first, points, sheet, reaches_mm=(1.6, 1.2, 1.0, 0.8, 0.8)) if len(points.xy_mm) else first
        light = light_on_seams(at, points, blurred, sheet) if len(points.xy_mm) else 0.0
        score = light - 0.05 * outline_misfit(at, outline, seen, sheet)
        if best is None or score > best[0]:
            best = (score, at)
    assert best is not None
    return best


def _rival(best: Registration, others: list[tuple[float, Registration]]) -> float | None:
    scores = [s for s, r in others if r.mirrored != best.mirrored or _turn_between(r, best) > 3.0]
    return max(scores) if scores else None


def _refuse_other_design(name: str, best: Registration, sheet: SheetMap, points: SeamPoints, job: Job) -> None:
    if best.outline_rms_mm > _OUTLINE_REFUSED_MM:
        raise PhotoError(
            f"{name}: the assembly's outline lies {best.outline_rms_mm:.1f} mm off the drawing's on average; check that "
            f"this is the photo of this design{_side_hint(job)}"
        )
    light = float(np.where(sheet.slit > 0.03, sheet.slit, 0.0).sum()) * sheet.step_mm**2
    enough_light = light > 1.0  # mm² of open slit: below that the fit is tight and the seams cannot vote
    if not len(points.xy_mm) or not enough_light:
        return
    if best.seam_share < _SHARE_REFUSED:
        raise PhotoError(
            f"{name}: only {100 * best.seam_share:.0f} % of the light inside the assembly falls on seams of this "
            f"drawing; check that this is the photo of this design, that it is in focus{_side_hint(job)}"
        )
    # Many small cells catch any light: what counts is how much more they catch than chance would give them.
    if beyond_chance(best, points, sheet, within_mm=_CHANCE_WITHIN_MM) < _CHANCE_REFUSED:
        raise PhotoError(
            f"{name}: the light inside the assembly falls on seams of this drawing no more often than by chance; check "
            f"that this is the photo of this design, that it is in focus{_side_hint(job)}"
        )


def _side_hint(job: Job) -> str:
    return "" if job.view == "auto" else f' and that view = "{job.view}" is right'
