"""Marquetry drawings of our own, each from a seed: cells, rosette, inlays, strips, and the picture."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box

from gapscan.simulate.drawing import Drawing, closed_shape, faces, make_drawing, smooth_curve
from gapscan.simulate.picture import picture

FloatArray = NDArray[np.float64]


def cells(seed: int, *, count: int = 24, width_mm: float = 150.0, height_mm: float = 100.0) -> Drawing:
    """A panel of ``count`` cells with smooth shared boundaries: an even Voronoi diagram, gently warped."""
    rng = np.random.default_rng(seed)
    panel = box(0.0, 0.0, width_mm, height_mm)
    points = rng.uniform((0, 0), (width_mm, height_mm), (count, 2))
    for _ in range(3):  # Lloyd steps: cells of similar size
        areas = shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=panel)
        points = np.array([p.intersection(panel).centroid.coords[0] for p in areas.geoms])
    net = shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=panel, only_edges=True)
    lines = shapely.segmentize(shapely.intersection(net, panel), 0.1)
    warped = shapely.transform(lines, _warp(rng, width_mm, height_mm))
    found = faces([warped, panel.boundary], keep=panel)
    shapes = {f"p{i:02d}": p for i, p in enumerate(found, 1)}
    return make_drawing(shapes, (width_mm, height_mm), title="Cells")


def _warp(rng: np.random.Generator, width_mm: float, height_mm: float) -> Callable[[FloatArray], FloatArray]:
    """A smooth one-to-one map of the panel onto itself; slopes stay below one, so nothing folds over."""
    phase = rng.uniform(0.0, 2 * np.pi, 4)
    wave = 2 * np.pi / rng.uniform(26.0, 40.0, 4)
    size = np.array([1.9, 1.3, 1.9, 1.3])

    def move(xy: FloatArray) -> FloatArray:
        x, y = xy[:, 0], xy[:, 1]
        hold_x = np.tanh(np.minimum(x, width_mm - x).clip(0) / 8.0)
        hold_y = np.tanh(np.minimum(y, height_mm - y).clip(0) / 8.0)
        dx = size[0] * np.sin(wave[0] * y + phase[0]) + size[1] * np.sin(wave[1] * (x + y) + phase[1])
        dy = size[2] * np.sin(wave[2] * x + phase[2]) + size[3] * np.sin(wave[3] * (x - y) + phase[3])
        return np.column_stack([x + hold_x * hold_y * dx, y + hold_x * hold_y * dy])

    return move


def rosette(seed: int, *, diameter_mm: float = 130.0, sectors: tuple[int, int] = (8, 12)) -> Drawing:
    """A round panel: an island disc in an unbroken ring, then two rings of curved sectors."""
    rng = np.random.default_rng(seed)
    radius = diameter_mm / 2
    turn = np.linspace(0.0, 2 * np.pi, 2400, endpoint=False)

    def ring(share: float, waves: int, swing: float, phase: float) -> Polygon:
        r = radius * share * (1.0 + swing * np.cos(waves * turn + phase))
        return Polygon(np.column_stack([radius + r * np.cos(turn), radius + r * np.sin(turn)]))

    phase = rng.uniform(0.0, 2 * np.pi, 4)
    island = ring(0.17, 5, 0.10, phase[0])
    collar = ring(0.36, 6, 0.03, phase[1])
    middle = ring(0.68, sectors[0], 0.035, phase[2])
    rim = ring(1.0, 1, 0.0, 0.0)
    lines = [island.boundary, collar.boundary, middle.boundary, rim.boundary]
    for count, inner, outer in ((sectors[0], 0.30, 0.74), (sectors[1], 0.60, 1.06)):
        start = rng.uniform(0.0, 2 * np.pi)
        along = np.linspace(inner, outer, 500)
        zone = (middle.difference(collar)) if inner < 0.5 else rim.difference(middle)
        for k in range(count):
            bend = 0.35 * np.sin(np.pi * (along - inner) / (outer - inner)) + 0.06 * rng.normal()
            a = start + 2 * np.pi * k / count + bend
            r = radius * along
            spoke = LineString(np.column_stack([radius + r * np.cos(a), radius + r * np.sin(a)]))
            lines.append(shapely.intersection(spoke, zone))
    found = faces(lines, keep=rim)
    centre = Point(radius, radius)
    shapes: dict[str, Polygon] = {}
    number = {"inner": 0, "outer": 0}
    for p in found:
        if p.contains(centre):
            shapes["island"] = p
        elif p.convex_hull.contains(centre):
            shapes["collar"] = p
        else:
            name = "inner" if p.centroid.distance(centre) < 0.66 * radius else "outer"
            number[name] += 1
            shapes[f"{name}-{number[name]:02d}"] = p
    return make_drawing(shapes, (diameter_mm, diameter_mm), title="Rosette")


def inlays(seed: int, *, count: int = 18, width_mm: float = 150.0, height_mm: float = 100.0) -> Drawing:
    """One ground with ``count`` small shapes drawn on top of it, to be let in."""
    rng = np.random.default_rng(seed)
    shapes: dict[str, Polygon] = {"ground": box(0.0, 0.0, width_mm, height_mm)}
    across = int(np.ceil(np.sqrt(count * width_mm / height_mm)))
    down = int(np.ceil(count / across))
    pitch = np.array([width_mm / across, height_mm / down])
    spots = [(i, j) for j in range(down) for i in range(across)]
    chosen = sorted(rng.permutation(len(spots))[:count])
    kinds = ("leaf", "dot", "petal", "star", "drop")
    for number, index in enumerate(chosen, 1):
        i, j = spots[index]
        kind = kinds[int(rng.integers(len(kinds)))]
        room = 0.5 * float(pitch.min()) - 2.5
        shape = _motif(kind, room * float(rng.uniform(0.6, 0.92)))
        shape = affinity.rotate(shape, float(rng.uniform(0, 360)), origin=(0, 0))
        spare = np.maximum(pitch / 2 - room - 1.5, 0.0)
        x, y = (np.array([i, j]) + 0.5) * pitch + rng.uniform(-1, 1, 2) * spare
        shape = affinity.translate(shape, x, y).simplify(0.0015)
        shapes[f"{kind}-{number:02d}"] = shapely.transform(shape, lambda xy: np.round(xy, 4))
    return make_drawing(
        shapes,
        (width_mm, height_mm),
        title="Inlays",
        fills={name: "#5c3a21" if name == "ground" else "#e6d3a8" for name in shapes},
    )


def _motif(kind: str, radius_mm: float) -> Polygon:
    """A small shape within ``radius_mm`` of the origin."""
    turn = np.linspace(0.0, 2 * np.pi, 1500, endpoint=False)
    if kind == "leaf":  # two arcs that meet in two points
        x = np.linspace(-1.0, 1.0, 600)
        y = 0.42 * (1.0 - x * x)
        points = np.vstack([np.column_stack([x, y]), np.column_stack([x, -y])[-2:0:-1]])
        return Polygon(radius_mm * points)
    if kind == "drop":
        x, y = np.cos(turn), 0.8 * np.sin(turn) * np.abs(np.sin(turn / 2)) ** 0.8
        return Polygon(radius_mm * np.column_stack([x, y]))
    r = {
        "dot": 0.8 + 0.0 * turn,
        "petal": 0.75 + 0.2 * np.cos(4 * turn),
        "star": 0.78 + 0.2 * np.cos(5 * turn),
    }[kind]
    return Polygon(radius_mm * np.column_stack([r * np.cos(turn), r * np.sin(turn)]))


def strips(seed: int, *, count: int = 9, width_mm: float = 170.0, height_mm: float = 100.0) -> Drawing:
    """Long strips between waving lines, some of them cut across once."""
    rng = np.random.default_rng(seed)
    panel = box(0.0, 0.0, width_mm, height_mm)
    pitch = height_mm / count
    x = np.linspace(-1.0, width_mm + 1.0, 1800)
    rows = [np.zeros_like(x)]
    for k in range(1, count):
        phase, length = rng.uniform(0, 2 * np.pi, 2), rng.uniform((38, 18), (75, 34))
        swing = pitch * np.array([0.2, 0.08])
        rows.append(k * pitch + (swing[:, None] * np.sin(2 * np.pi * x / length[:, None] + phase[:, None])).sum(axis=0))
    rows.append(np.full_like(x, height_mm))
    lines = [panel.boundary] + [LineString(np.column_stack([x, row])).intersection(panel) for row in rows[1:-1]]
    for k in range(count):
        if k % 3 == 1:
            at = float(rng.uniform(0.3, 0.7)) * width_mm
            strip = Polygon(np.vstack([np.column_stack([x, rows[k]]), np.column_stack([x, rows[k + 1]])[::-1]]))
            y0, y1 = k * pitch - pitch, (k + 2) * pitch
            joint = LineString(smooth_curve([(at - 3, y0), (at + 2, y0 + pitch), (at - 1, y1 - pitch), (at + 3, y1)]))
            lines.append(joint.intersection(strip))
    shapes = {f"strip-{i:02d}": p for i, p in enumerate(faces(lines, keep=panel), 1)}
    return make_drawing(shapes, (width_mm, height_mm), title="Strips")


DESIGNS: dict[str, Callable[[int], Drawing]] = {
    "cells": cells,
    "rosette": rosette,
    "inlays": inlays,
    "strips": strips,
    "picture": picture,
}

__all__ = ["DESIGNS", "Drawing", "cells", "closed_shape", "inlays", "picture", "rosette", "strips"]
