"""The whole way on one screen: design + photo → reference → registration → gaps → piece fit → plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from gapscan.design.reading import Way
from gapscan.design.types import Design
from gapscan.errors import InputError, PhotoError
from gapscan.job import Job, read_job
from gapscan.measure.check_slots import CheckSlot, check_warnings, measure_check_slots
from gapscan.measure.types import GapSurvey
from gapscan.photo.layout import FrameLayout
from gapscan.photo.types import Photo, Reference
from gapscan.register.types import Registration
from gapscan.report.types import Inspection, PhotoRecord, PieceTrace, SeamTrace
from gapscan.rounds.types import Before
from gapscan.solve.types import PieceFit

_SCALE_REFUSED = 0.006
_NEEDED_PX = 6.0


@dataclass(frozen=True)
class PhotoInspection:
    """What one photo gave."""

    photo: Photo
    reference: Reference
    registration: Registration
    survey: GapSurvey
    check: tuple[CheckSlot, ...]
    bare_relative_u: float
    warnings: tuple[str, ...]


def inspect(
    design_path: Path,
    photo_paths: Sequence[Path],
    frame_path: Path,
    job_path: Path | None,
    progress: Callable[[str], None] = lambda _: None,
    *,
    bare_path: Path | None = None,
    after_path: Path | None = None,
    units_per_inch: float = 96.0,
    read_as: Way = "auto",
) -> Inspection:
    """Read the files and inspect one dry fit; ``bare_path`` is a photo of the empty lightbox, if there is one.

    ``after_path`` is the result folder of the round before, some of whose pieces have been recut since. Without a job
    file its settings are used then, but for the tape. ``units_per_inch`` and ``read_as`` say how the drawing is meant
    (design.read).

    Raises InputError for files that cannot be used, PhotoError for photos that cannot support an answer.
    """
    from gapscan.design.materials import with_drawn_materials
    from gapscan.design.read import read_design
    from gapscan.measure.check_slots import true_widths
    from gapscan.photo.bare import read_bare, with_bare
    from gapscan.photo.frame import read_frame
    from gapscan.photo.load import read_photo
    from gapscan.photo.reference import find_reference
    from gapscan.register.register import register_design
    from gapscan.rounds.before import read_before, refuse_other_design

    before = None if after_path is None else read_before(after_path)
    job = read_job(job_path) if job_path or before is None else replace(before.recorded.job, tape=())
    # Decoding a photo leaves the interpreter free for the drawing.
    with ThreadPoolExecutor(max_workers=1) as beside:
        reading = [beside.submit(read_photo, path) for path in photo_paths]
        try:
            progress("reading the drawing")
            design = read_design(design_path, units_per_inch=units_per_inch, way=read_as)
            if before is not None and after_path is not None:
                refuse_other_design(before, design, source=str(design_path), folder=after_path)
            layout = read_frame(frame_path)
            if job.check is not None:
                true_widths(job.check, layout, source=str(job_path))
            photos = []
            for path, photo in zip(photo_paths, reading, strict=True):
                progress(f"reading {path.name}")
                photos.append(photo.result())
        finally:
            beside.shutdown(cancel_futures=True)
    lost = job.unmatched(tuple(piece.id for piece in design.pieces))
    if lost:
        # The drawing of another job names other pieces: where the photo does not show it either, that is the fault.
        register_design(photos[0], find_reference(photos[0], layout, card_thickness_mm=job.thickness_mm), design, job)
        raise InputError(
            f"{job_path}: no piece of {design_path} is named {', '.join(lost)}; mend the name under [pieces]"
        )
    job = with_drawn_materials(job, design)
    if bare_path is not None:
        progress(f"reading {bare_path.name}")
        bare = read_bare(bare_path)
        photos = [with_bare(photo, bare) for photo in photos]
    return inspect_photos(design, photos, layout, job, progress, before=before)


def inspect_photos(
    design: Design,
    photos: Sequence[Photo],
    layout: FrameLayout,
    job: Job,
    progress: Callable[[str], None] = lambda _: None,
    *,
    before: Before | None = None,
) -> Inspection:
    """The main job on what was read: one or more photos of one dry fit, and the round before if there was one."""
    from gapscan.measure.fuse import fuse_surveys
    from gapscan.recut.advice import advise
    from gapscan.recut.causes import find_causes, with_causes
    from gapscan.recut.plan import plan_input, plan_recuts
    from gapscan.recut.record import as_recorded
    from gapscan.rounds.look_back import look_back
    from gapscan.solve.adjust import solve_pieces
    from gapscan.wood.words import with_movement

    seen = [inspect_photo(design, photo, layout, job, progress) for photo in photos]
    survey = fuse_surveys([one.survey for one in seen])
    progress("solving the pieces")
    fit = solve_pieces(design, survey)
    _refuse_other_scale(photos[0], fit)
    news = None
    if before is not None:
        job, news = look_back(before, design, survey, fit, job)
    progress("planning the recut")
    past = None if news is None else news.past
    plan = with_causes(plan_recuts(design, survey, fit, job, past), *find_causes(design, survey, fit, job))
    plan = replace(plan, advice=advise(plan, job))
    if job.air is not None:
        plan = with_movement(plan, as_recorded(plan_input(design, survey, fit, job, past)), job)
    return Inspection(
        design=design,
        job=job,
        photos=tuple(_record(one) for one in seen),
        display_bgr=photos[0].display_bgr,
        seam_traces=_seam_traces(seen[0], job),
        piece_traces=_piece_traces(seen[0], design, job),
        survey=survey,
        fit=fit,
        plan=plan,
        news=news,
    )


def _refuse_coarse(name: str, reference: Reference, job: Job) -> None:
    """A tolerance needs its pixels: six to the millimetre for the usual 0.10 mm, fewer where more is tolerated."""
    needed = _NEEDED_PX * 0.10 / max(job.tolerance_mm, 0.03)
    if reference.px_per_mm < needed:
        raise PhotoError(
            f"{name}: {reference.px_per_mm:.1f} pixels to the millimetre are too few for a tolerance of "
            f"{job.tolerance_mm:g} mm, {needed:.1f} are needed; fill the picture with the frame, use the camera's full "
            "resolution, or photograph a smaller part"
        )


def _refuse_other_scale(photo: Photo, fit: PieceFit) -> None:
    """Wood moves by a few tenths of a percent; more says that frame, frame drawing and design do not belong together."""
    if abs(fit.scale_rel) > _SCALE_REFUSED + 3 * fit.u_scale_rel:
        raise PhotoError(
            f"{Path(photo.path).name}: the fit measures {100 * fit.scale_rel:+.1f} % against the drawing, more than wood "
            "moves; check that --frame names the drawing that this frame was cut from, and the units of the design"
        )


def inspect_photo(
    design: Design, photo: Photo, layout: FrameLayout, job: Job, progress: Callable[[str], None] = lambda _: None
) -> PhotoInspection:
    """Reference, registration and gaps of one photo."""
    from gapscan.measure.sight import sight_seams
    from gapscan.measure.survey import survey_gaps
    from gapscan.photo.edge_spread import edge_spreads
    from gapscan.photo.reference import sight_frame, solve_reference
    from gapscan.photo.tone import find_rendering, undo_rendering
    from gapscan.register.register import register_design
    from gapscan.solve.camera_height import settle_height

    name = Path(photo.path).name
    progress(f"finding the scale frame in {name}")
    frame = sight_frame(photo, layout, card_thickness_mm=job.thickness_mm)
    reference = solve_reference(frame, photo.focal_px)
    _refuse_coarse(name, reference, job)
    edges = edge_spreads(photo, reference)
    rendering = find_rendering(edges)
    if rendering is not None and (rendering.sharpened or rendering.curved):
        photo = undo_rendering(photo, rendering)
        edges = edge_spreads(photo, reference)
        if photo.bare is not None:  # the same camera's curve; sharpness is of no use there
            photo = replace(photo, bare=undo_rendering(photo.bare, replace(rendering, sharpened=False)))
    progress(f"laying the drawing over {name}")
    registration, notes = register_design(photo, reference, design, job)
    progress(f"measuring the seams in {name}")
    sighting = sight_seams(photo, reference, design, registration, job, edges)
    better = settle_height(frame, reference, sighting, design, job)
    if better is not None:  # another height moves the upper face in the picture: lay and measure once more
        reference = better
        registration, notes = register_design(photo, reference, design, job)
        sighting = sight_seams(photo, reference, design, registration, job, edges)
    survey = survey_gaps(sighting, reference, design, job)
    check = measure_check_slots(photo, reference, layout, sighting, job)
    return PhotoInspection(
        photo=photo,
        reference=reference,
        registration=registration,
        survey=survey,
        check=check,
        bare_relative_u=sighting.bare.relative_u,
        warnings=(*check_warnings(check), *reference.warnings, *notes, *survey.warnings),
    )


def _record(one: PhotoInspection) -> PhotoRecord:
    height = float(one.reference.camera.place_mm[2])
    return PhotoRecord(
        file=Path(one.photo.path).name,
        px_per_mm=one.reference.px_per_mm,
        view=one.registration.view,
        camera_height_mm=height,
        u_camera_height_mm=height * one.reference.focal_rel_u,
        reference_rms_mm=one.reference.rms_mm,
        warnings=one.warnings,
        check=one.check,
        bare_file="" if one.photo.bare is None else Path(one.photo.bare.path).name,
        bare_relative_u=one.bare_relative_u,
    )


def _to_px(one: PhotoInspection, xy_mm: np.ndarray, job: Job) -> np.ndarray:
    from gapscan.photo.camera import project

    return project(one.reference.camera, one.registration.to_sheet(xy_mm), height_mm=job.thickness_mm)


def _seam_traces(one: PhotoInspection, job: Job) -> tuple[SeamTrace, ...]:
    return tuple(SeamTrace(seam.id, _to_px(one, seam.stations.xy_mm, job)) for seam in one.survey.seams)


def _piece_traces(one: PhotoInspection, design: Design, job: Job) -> tuple[PieceTrace, ...]:
    traces = []
    for piece in design.pieces:
        anchor = np.array(piece.polygon.representative_point().coords)
        rings = [piece.polygon.exterior, *piece.polygon.interiors]
        traces.append(
            PieceTrace(
                piece.id,
                _to_px(one, anchor, job)[0],
                tuple(_to_px(one, np.asarray(ring.coords), job) for ring in rings),
            )
        )
    return tuple(traces)
