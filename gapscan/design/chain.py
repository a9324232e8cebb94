"""Loose lines and arcs whose ends meet two by two, sewn to closed outlines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapscan.design.drawn import CLOSE_MM, Layer, Line, Outline

FloatArray = NDArray[np.float64]


def sew(lines: Sequence[Line], *, tolerance_mm: float = CLOSE_MM) -> tuple[list[Outline], list[Line]]:
    """Closed loops among the lines, and the lines that are left over.

    Two ends within the tolerance are joined half-way, but only where no third end is near: where three or more
    lines meet, it is for the whole drawing to tell which face is which. A loop keeps the id or the layer that all its
    lines share.
    """
    if len(lines) < 2:
        return [], list(lines)
    partner = _partners(lines, tolerance_mm)
    used = np.zeros(len(lines), dtype=bool)
    loops: list[Outline] = []
    for first in range(len(lines)):
        if used[first]:
            continue
        walk = _walk(first, partner)
        if walk is None:
            continue
        for k, _ in walk:
            used[k] = True
        loops.append(_outline([lines[k] for k, _ in walk], _points(walk, lines)))
    names = Counter(loop.name for loop in loops)
    loops = [loop if names[loop.name] == 1 else replace(loop, name="", stem=loop.name) for loop in loops]
    return loops, [line for line, gone in zip(lines, used, strict=True) if not gone]


def _partners(lines: Sequence[Line], tolerance: float) -> dict[int, int]:
    """End 2k is the start of line k, 2k + 1 its end; each end that meets exactly one other, to that other."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    ends = np.concatenate([line.points_mm[[0, -1]] for line in lines])
    pairs = cKDTree(ends).query_pairs(tolerance, output_type="ndarray")
    n = len(ends)
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, group = connected_components(graph, directed=False)
    size = np.bincount(group)
    order = np.argsort(group, kind="stable")
    two = order[size[group[order]] == 2].reshape(-1, 2)
    return {int(a): int(b) for a, b in np.concatenate([two, two[:, ::-1]])}


def _walk(first: int, partner: dict[int, int]) -> list[tuple[int, bool]] | None:
    """(line, forwards) from a line round to itself; None when the way ends before."""
    steps = []
    at = 2 * first
    while True:
        steps.append((at // 2, at % 2 == 0))
        following = partner.get(at ^ 1)
        if following is None:
            return None
        if following == 2 * first:
            return steps
        at = following


def _points(walk: list[tuple[int, bool]], lines: Sequence[Line]) -> FloatArray:
    runs = [lines[k].points_mm if forwards else lines[k].points_mm[::-1] for k, forwards in walk]
    parts = []
    for k, run in enumerate(runs):
        part = run[:-1].copy()
        part[0] = (runs[k - 1][-1] + run[0]) / 2
        parts.append(part)
    return np.concatenate(parts)


def _outline(lines: Sequence[Line], points: FloatArray) -> Outline:
    names, layers = {line.name for line in lines}, {line.layer for line in lines}
    return Outline(
        name=names.pop() if len(names) == 1 else "",
        stem="",
        rings=(points,),
        layer=layers.pop() if len(layers) == 1 else Layer(),
        order=min(line.order for line in lines),
    )
