"""Stations and references laid out by hand."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from shapely.geometry import box

from gapscan.measure.stations import PlacedStations
from gapscan.photo.types import Camera, Reference


def straight_line(n: int, px_per_mm: float) -> PlacedStations:
    """``n`` stations a quarter of a millimetre apart on a line far from everything, seen square-on."""
    known = {
        "xy_mm": np.column_stack([0.25 * np.arange(n), np.zeros(n)]),
        "normal": np.tile([0.0, 1.0], (n, 1)),
        "line": np.zeros(n, np.int64),
        "stretch": np.zeros(n, np.int64),
        "junction_mm": np.full(n, 5.0),
        "scale_px_mm": np.full(n, px_per_mm),
        "room_mm": np.full(n, 2.0),
        "inside": np.ones(n, bool),
    }
    rest = {f.name: np.zeros(n, bool) for f in fields(PlacedStations) if f.name not in known}
    return PlacedStations(**known, **rest)


def square_on(size_px: tuple[int, int], px_per_mm: float, opening_mm: tuple[float, float]) -> Reference:
    """A camera far above the middle of the opening, looking straight down."""
    camera = Camera(
        focal_px=4000.0,
        principal_px=((size_px[0] - 1) / 2, (size_px[1] - 1) / 2),
        k1=0.0,
        rotation=np.eye(3),
        translation_mm=np.array([0.0, 0.0, 4000.0 / px_per_mm]),
        image_size_px=size_px,
    )
    x, y = opening_mm[0] / 2, opening_mm[1] / 2
    known = {
        "camera": camera,
        "frame_mirrored": False,
        "opening_mm": box(-x, -y, x, y),
        "rms_mm": 0.005,
        "px_per_mm": px_per_mm,
        "markers_seen": 10,
        "markers_total": 10,
        "focal_rel_u": 0.01,
        "foot_u_mm": 0.3,
        "warnings": (),
    }
    rest = {f.name: 0.0 for f in fields(Reference) if f.name not in known}
    return Reference(**known, **rest)
