"""From the frame's picture to the camera: focal length, pose, mild lens distortion, and their uncertainty.

The plane of the reference holes is half the card's thickness above the lightbox: a slanted view sees through a hole
what its upper and its lower rim both leave open, and the middle of that lies half-way up (two shifted equal discs).
The card is taken to be as thick as the veneer unless told otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import box

from gapscan.errors import PhotoError
from gapscan.photo.camera import back_project, project, px_per_mm, rotation_from_vector
from gapscan.photo.dots import DotCentres, measure_dots
from gapscan.photo.layout import FrameLayout
from gapscan.photo.load import looks_cropped
from gapscan.photo.markers import MarkerFix, find_markers, side_facing
from gapscan.photo.types import Camera, Photo, Reference

FloatArray = NDArray[np.float64]

_FEWEST_DOTS = 10
_RMS_REFUSED_MM = 0.2  # joints of a frame made of strips have some play; more is another frame
_DOT_FLOOR_PX = 0.03  # centroid error that no fit explains: raggedness of a cut hole, unmodelled lens terms
_PERSPECTIVE_FOCAL_REL_U = 0.02  # lens distortion leans on a perspective that is all there is
_EXIF_FOCAL_REL_U = 0.012  # whole millimetres, and focusing that changes the lens
_BLIND_FOCAL_REL_U = 0.35  # without EXIF: phones' main cameras lie round 26 mm-equivalent
_K1_U = 0.08
_PRINCIPAL_REL_U = 0.01
_CROPPED_PRINCIPAL_REL_U = 0.2


@dataclass(frozen=True)
class FrameSighting:
    """The frame as found in one photo: which markers, and where its round holes lie.

    dots_mm (D, 2) drawn centres as the camera sees them; height_mm above the lightbox of the plane they mark
    """

    path: str
    notes: tuple[str, ...]
    size_px: tuple[int, int]
    layout: FrameLayout
    fix: MarkerFix
    dots_mm: FloatArray
    dots: DotCentres
    height_mm: float


@dataclass(frozen=True)
class _Fit:
    camera: Camera
    cost: float
    focal_rel_u: float
    foot_u_mm: float


def find_reference(photo: Photo, layout: FrameLayout, *, card_thickness_mm: float) -> Reference:
    """Find the frame in a photo and solve the camera.

    Raises PhotoError when the frame is not found or too little of it is seen.
    """
    return solve_reference(sight_frame(photo, layout, card_thickness_mm=card_thickness_mm), photo.focal_px)


def sight_frame(photo: Photo, layout: FrameLayout, *, card_thickness_mm: float) -> FrameSighting:
    """Find the frame's markers and measure its round holes. Raises PhotoError as :func:`find_reference`."""
    name = Path(photo.path).name
    fix = find_markers(photo.light, layout)
    if fix is None:
        raise PhotoError(
            f"{name}: scale frame not found; lay the {layout.width_mm:g}x{layout.height_mm:g} mm frame flat round the "
            "fit, keep all of it in the picture and in focus, and check that --frame names its drawing"
        )
    dots_mm = side_facing(layout.dots_mm, mirrored=fix.mirrored)
    size = (photo.light.shape[1], photo.light.shape[0])
    height = card_thickness_mm / 2
    sighting = FrameSighting(
        photo.path, photo.notes, size, layout, fix, dots_mm, _first_dots(photo, layout, fix, dots_mm), height
    )
    _enough(sighting)
    # Predicted through the lens, no dot is missed for distortion.
    for _ in range(2):
        fit, _used = _solve_robustly(sighting, photo.focal_px)
        before = sighting.dots
        sighting = replace(sighting, dots=_dots_through(photo, layout, fit.camera, dots_mm, height))
        _enough(sighting)
        if (before.ok == sighting.dots.ok).all():  # the lens brought no dot in and put none out
            break
    return sighting


def solve_reference(sighting: FrameSighting, focal_px: tuple[float, ...]) -> Reference:
    """Solve the camera from a sighted frame, for focal lengths known beforehand (empty: from the perspective alone).

    Raises PhotoError when the holes do not lie where the drawing has them.
    """
    fit, used = _solve_robustly(sighting, focal_px)
    if used.sum() < _FEWEST_DOTS:
        raise PhotoError(
            f"{Path(sighting.path).name}: the frame's holes do not lie where its drawing has them; check that --frame "
            "names the drawing that this frame was cut from, and that it lies flat"
        )
    return _reference(sighting, fit, used)


def _enough(sighting: FrameSighting) -> None:
    usable = int(sighting.dots.ok.sum())
    if usable < _FEWEST_DOTS:
        raise PhotoError(
            f"{Path(sighting.path).name}: only {usable} of the frame's {len(sighting.dots_mm)} round holes can be used, "
            f"at least {_FEWEST_DOTS} are needed; uncover the frame and keep it inside the picture and in focus"
        )


def _reference(sighting: FrameSighting, fit: _Fit, used: NDArray[np.bool_]) -> Reference:
    layout, fix = sighting.layout, sighting.fix
    dots_mm, height = sighting.dots_mm, sighting.height_mm
    seen_mm = back_project(fit.camera, sighting.dots.uv_px[used], height_mm=height)
    rms_mm = float(np.sqrt(np.mean(np.sum((seen_mm - dots_mm[used]) ** 2, axis=1))))
    grid = np.stack(np.meshgrid(np.linspace(-0.4, 0.4, 5), np.linspace(-0.4, 0.4, 5)), axis=-1).reshape(-1, 2)
    scale = float(np.mean(px_per_mm(fit.camera, grid * (layout.width_mm, layout.height_mm))))
    if rms_mm > _RMS_REFUSED_MM:
        raise PhotoError(
            f"{Path(sighting.path).name}: the frame's holes lie {rms_mm:.2f} mm off its drawing; check that --frame "
            "names the drawing that this frame was cut from, and that it lies flat"
        )
    warnings = list(sighting.notes)
    if fit.focal_rel_u > 0.08:
        warnings.append(
            f"{Path(sighting.path).name}: camera height known to ±{100 * fit.focal_rel_u:.0f} % only; "
            "a photo with EXIF focal length makes gaps away from the centre surer"
        )
    if fix.mirrored:
        warnings.append("the scale frame lies turned over; it was read from its back")
    hidden = len(layout.markers) - len(fix.numbers)
    if hidden:
        warnings.append(f"{hidden} of the frame's {len(layout.markers)} coded markers were not read")
    return Reference(
        camera=fit.camera,
        frame_mirrored=fix.mirrored,
        opening_mm=box(-layout.width_mm / 2, -layout.height_mm / 2, layout.width_mm / 2, layout.height_mm / 2),
        rms_mm=rms_mm,
        px_per_mm=scale,
        markers_seen=len(fix.numbers),
        markers_total=len(layout.markers),
        focal_rel_u=fit.focal_rel_u,
        cost=fit.cost,
        foot_u_mm=fit.foot_u_mm,
        warnings=tuple(warnings),
    )


def _first_dots(photo: Photo, layout: FrameLayout, fix: MarkerFix, dots_mm: FloatArray) -> DotCentres:
    def mapped(xy: FloatArray) -> FloatArray:
        out = np.column_stack([xy, np.ones(len(xy))]) @ fix.homography.T
        return out[:, :2] / out[:, 2:]

    return _measure(photo, layout, mapped(dots_mm), mapped(dots_mm + (1.0, 0.0)), mapped(dots_mm + (0.0, 1.0)))


def _dots_through(photo: Photo, layout: FrameLayout, camera: Camera, dots_mm: FloatArray, height: float) -> DotCentres:
    at = project(camera, dots_mm, height_mm=height)
    right = project(camera, dots_mm + (1.0, 0.0), height_mm=height)
    down = project(camera, dots_mm + (0.0, 1.0), height_mm=height)
    return _measure(photo, layout, at, right, down)


def _measure(photo: Photo, layout: FrameLayout, at: FloatArray, right: FloatArray, down: FloatArray) -> DotCentres:
    axes = np.stack([right - at, down - at], axis=2)  # columns: pixel steps of 1 mm along x and y
    radius = layout.dot_radius_mm * np.sqrt(np.abs(np.linalg.det(axes)))
    return measure_dots(photo.light, at, radius, axes)


def _solve_robustly(sighting: FrameSighting, focal_px: tuple[float, ...]) -> tuple[_Fit, NDArray[np.bool_]]:
    """Fit, drop dots that lie off by more than 4 robust sigmas (a hole half covered by tape), fit again."""
    dots, dots_mm = sighting.dots, sighting.dots_mm
    used = dots.ok.copy()
    fit = _solve(sighting, used, focal_px)
    for _ in range(4):
        off = np.hypot(*(project(fit.camera, dots_mm, height_mm=sighting.height_mm) - dots.uv_px).T)
        limit = max(4 * 1.4826 * float(np.median(off[used])), 4 * _DOT_FLOOR_PX)
        better = dots.ok & (off < limit)
        if better.sum() < _FEWEST_DOTS or (better == used).all():
            break
        used = better
        fit = _solve(sighting, used, focal_px)
    return fit, used


def _solve(sighting: FrameSighting, used: NDArray[np.bool_], focal_px: tuple[float, ...]) -> _Fit:
    """Best camera over the focal lengths known beforehand (the frame's perspective decides between them)."""
    if focal_px:
        starts = [(f, _EXIF_FOCAL_REL_U) for f in focal_px]
    else:
        starts = [(26.0 / 36.0 * max(sighting.size_px), _BLIND_FOCAL_REL_U)]
    fits = [
        _solve_from(
            sighting.size_px,
            sighting.dots_mm[used],
            sighting.dots.uv_px[used],
            sighting.height_mm,
            sighting.fix.homography,
            focal,
            rel_u,
        )
        for focal, rel_u in starts
    ]
    best = min(fits, key=lambda fit: fit.cost)
    # Readings of the tag that the frame's perspective cannot tell apart leave the focal length in doubt between them.
    chance = np.exp([best.cost - fit.cost for fit in fits])
    apart = np.log([fit.camera.focal_px / best.camera.focal_px for fit in fits])
    floor = 0.0 if focal_px else _PERSPECTIVE_FOCAL_REL_U
    doubt = float(np.sqrt(best.focal_rel_u**2 + chance @ apart**2 / chance.sum() + floor**2))
    return replace(best, focal_rel_u=doubt)


def _solve_from(
    size: tuple[int, int],
    xy_mm: FloatArray,
    uv_px: FloatArray,
    height: float,
    homography: FloatArray,
    focal: float,
    focal_rel_u: float,
) -> _Fit:
    """Least squares over ln f, k1, principal point, rotation vector and translation, with priors as extra rows.

    The principal point is free within its prior: a single flat target cannot tell it from a tilt, and leaving it in
    carries that doubt into the uncertainty of the point below the camera.
    """
    from scipy.optimize import least_squares

    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    principal_u = (_CROPPED_PRINCIPAL_REL_U if looks_cropped(size) else _PRINCIPAL_REL_U) * max(size)

    def camera_of(p: FloatArray) -> Camera:
        return Camera(
            focal_px=float(focal * np.exp(p[0])),
            principal_px=(middle[0] + p[2] * principal_u, middle[1] + p[3] * principal_u),
            k1=float(p[1]),
            rotation=rotation_from_vector(p[4:7]),
            translation_mm=p[7:10],
            image_size_px=size,
        )

    def misfit(p: FloatArray) -> FloatArray:
        rows = (project(camera_of(p), xy_mm, height_mm=height) - uv_px).ravel() / sigma
        return np.concatenate([rows, [p[0] / focal_rel_u, p[1] / _K1_U, p[2], p[3]]])

    sigma = _DOT_FLOOR_PX
    start = np.concatenate([np.zeros(4), _pose_from_homography(homography, focal, middle)])
    scale = np.array([0.05, 0.02, 1.0, 1.0, 0.02, 0.02, 0.02, 1.0, 1.0, start[9] * 0.05])
    fit = least_squares(misfit, start, x_scale=scale, max_nfev=60)
    rows = fit.fun[: 2 * len(xy_mm)]
    # Uncertainty from the scatter seen, never better than the floor.
    inflate = max(1.0, float(np.sqrt(np.sum(rows**2) / max(len(rows) - 8, 1))))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * inflate**2
    camera = camera_of(fit.x)
    foot = _foot_jacobian(fit.x, camera_of)
    foot_u = float(np.sqrt(np.trace(foot @ covariance @ foot.T) / 2))
    return _Fit(camera, float(fit.cost), float(np.sqrt(covariance[0, 0])), foot_u)


def _foot_jacobian(p: FloatArray, camera_of: object) -> FloatArray:
    """(2, P) derivative of the point below the camera by the parameters, by central differences."""
    columns = []
    for k in range(len(p)):
        step = np.zeros(len(p))
        step[k] = 1e-5 * max(1.0, abs(p[k]))
        ahead, behind = camera_of(p + step).place_mm, camera_of(p - step).place_mm  # type: ignore[operator]
        columns.append((ahead[:2] - behind[:2]) / (2 * step[k]))
    return np.array(columns).T


def _pose_from_homography(homography: FloatArray, focal: float, middle: tuple[float, float]) -> FloatArray:
    """Rotation vector and translation of a plane from its homography (Zhang 2000, section 3.1)."""
    import cv2

    K = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    columns = np.linalg.inv(K) @ homography
    size = 2.0 / (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1]))
    if columns[2, 2] < 0:
        size = -size
    r1, r2, t = (columns * size).T
    u, _, vt = np.linalg.svd(np.column_stack([r1, r2, np.cross(r1, r2)]))
    R = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    return np.concatenate([cv2.Rodrigues(R)[0].ravel(), t])
