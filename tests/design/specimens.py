"""Named drawings, as outlines in drawing order: what a seam finder meets in practice."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely

from gapscan.design.pieces import Outline, build_pieces
from gapscan.design.seams import find_seams
from gapscan.design.types import Design


def outline(name, points):
    return Outline(name=name, stem="", rings=(np.array(points, dtype=float),))


def box(name, x0, y0, x1, y1):
    return outline(name, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def circle(name, x, y, r, *, n=None, phase=0.0):
    n = n or 4 * int(np.ceil(np.pi / 2 * np.sqrt(r / 0.04)))
    a = 2 * np.pi * (np.arange(n) + phase) / n
    return outline(name, np.stack([x + r * np.cos(a), y + r * np.sin(a)], axis=1))


def design(*outlines):
    pieces, notes = build_pieces(outlines, source="specimen")
    seams, rims = find_seams(pieces)
    return Design("specimen", pieces, seams, rims, tuple(notes))


TOUCHING = (box("a", 0, 0, 10, 10), box("b", 10, 0, 20, 10))
T_JUNCTION = (box("a", 0, 0, 10, 20), box("b", 10, 0, 20, 8), box("c", 10, 8, 20, 20))
ISLAND = (box("ground", 0, 0, 40, 40), circle("inlay", 20, 20, 8))
CORNER_ONLY = (box("a", 0, 0, 10, 10), box("b", 10, 10, 20, 20))
CHEQUER = (box("a", 0, 0, 9, 9), box("b", 9, 0, 18, 9), box("c", 0, 9, 9, 18), box("d", 9, 9, 18, 18))


def cells(count, *, seed, size=60.0, steps=24, jitter=0.0):
    """Irregular cells with curved boundaries, the two sides of each seam flattened in the same places.

    ``jitter`` moves every vertex of every piece on its own by up to that much in x and y.
    """
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, size, (count, 2))
    frame = shapely.box(0, 0, size, size)
    for _ in range(3):  # even the cells out
        found = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=frame))
        found = shapely.intersection(found, frame)
        points = shapely.get_coordinates(shapely.centroid(found))
    parts = shapely.set_precision(found, 1e-4)
    outlines = []
    for k, cell in enumerate(parts):
        xy = shapely.get_coordinates(cell.exterior)
        dense = []
        for p, q in pairwise(xy):
            n = max(1, int(np.ceil(np.hypot(*(q - p)) / (size / steps / 4))))
            dense.append(p + (np.arange(n) / n)[:, None] * (q - p))
        ring = np.concatenate(dense)
        ring = ring + np.stack([np.sin(ring[:, 1] / 5), np.sin(ring[:, 0] / 4)], axis=1)
        outlines.append(outline(f"c{k:02d}", ring + rng.uniform(-jitter, jitter, ring.shape)))
    return outlines
