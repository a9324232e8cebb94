"""Stations of all seams and rims laid on the sheet: where they are, how they are seen, and how much room they have."""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gapscan.design.seams import rim_stations, seam_stations
from gapscan.design.types import Design, Stations
from gapscan.job import Job
from gapscan.measure.slant import left_edge_seen, right_edge_seen
from gapscan.photo.camera import lean, project, px_per_mm
from gapscan.photo.types import Reference
from gapscan.register.types import Registration

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SPACING_MM = 0.25
_SAME_SEAM_APART_MM = 2.5
_BORDER_MM = 0.8  # a profile across the picture's border is no profile


@dataclass(frozen=True)
class PlacedStations:
    """Stations of several lines end to end, on the sheet as the camera sees it.

    xy_mm, normal  (N, 2) sheet coordinates; the normal points from the first piece to the second
    line           (N,) index of the seam or rim; stretch (N,) index of the stretch, counted over all lines
    scale_px_mm    (N,) local pixels per mm
    left_small, right_small (N,) the upper face of the first (second) piece is its smaller one
    room_mm        (N,) distance to the nearest other line, or junction or corner
    inside         (N,) within the picture and the frame's opening
    """

    xy_mm: FloatArray
    normal: FloatArray
    line: NDArray[np.int64]
    stretch: NDArray[np.int64]
    junction_mm: FloatArray
    scale_px_mm: FloatArray
    left_small: BoolArray
    right_small: BoolArray
    room_mm: FloatArray
    inside: BoolArray

    def __len__(self) -> int:
        return len(self.xy_mm)

    def runs(self) -> list[tuple[int, int]]:
        """First and one past last station of every stretch; none where there are no stations."""
        bounds = np.flatnonzero(np.r_[True, np.diff(self.stretch) != 0, True]) if len(self) else np.zeros(0, int)
        return [(int(a), int(b)) for a, b in pairwise(bounds)]

    def at(self, chosen: NDArray[np.int64]) -> PlacedStations:
        """Some of the stations."""
        return PlacedStations(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class Slant:
    """How the camera's place changes what is seen at placed stations, all (N,) in mm (see slant.py).

    delta_mm       run of the line of sight along the normal, from the upper face to the lower
    left_seen_mm, right_seen_mm  seen edge minus the larger face's edge
    """

    delta_mm: FloatArray
    left_seen_mm: FloatArray
    right_seen_mm: FloatArray

    @property
    def hidden_mm(self) -> FloatArray:
        """Clear gap minus seen width."""
        return self.left_seen_mm - self.right_seen_mm

    @property
    def shift_mm(self) -> FloatArray:
        """Middle of the seen slit minus middle of the clear gap."""
        return (self.left_seen_mm + self.right_seen_mm) / 2


def slanted_view(stations: PlacedStations, reference: Reference, job: Job) -> Slant:
    """The slanted view's part at every station, for the camera of this reference."""
    thickness = job.thickness_mm
    leaning = lean(reference.camera, stations.xy_mm, height_mm=thickness)
    delta = -thickness * np.sum(leaning * stations.normal, axis=1)
    setback = np.full(len(stations), thickness * np.tan(np.deg2rad(job.taper_deg)))
    return Slant(
        delta,
        left_edge_seen(delta, setback, stations.left_small),
        right_edge_seen(delta, setback, stations.right_small),
    )


@dataclass(frozen=True)
class Lines:
    """Stations in the design: seams first, then rims, in the design's order."""

    seams: tuple[Stations, ...]
    rims: tuple[Stations, ...]


def design_lines(design: Design, *, spacing_mm: float = SPACING_MM) -> Lines:
    """Stations of every seam and rim."""
    return Lines(
        tuple(seam_stations(design, seam, spacing_mm=spacing_mm) for seam in design.seams),
        tuple(rim_stations(design, rim, spacing_mm=spacing_mm) for rim in design.rims),
    )


def place_stations(
    lines: Lines, design: Design, registration: Registration, reference: Reference, job: Job
) -> tuple[PlacedStations, PlacedStations]:
    """Seam stations and rim stations on the sheet."""
    every = [*lines.seams, *lines.rims]
    owner = np.repeat(np.arange(len(every)), [len(s) for s in every])
    along = np.concatenate([s.s_mm for s in every])
    xy = np.vstack([s.xy_mm for s in every])
    period = np.concatenate([_periods(s) for s in every])
    room = np.minimum(_room(xy, owner, along, period), np.concatenate([s.junction_mm for s in every]))

    upper_small = {
        piece.id: (job.settings(piece.id).facing == "up") == (registration.view == "front") for piece in design.pieces
    }
    seams = _placed(
        lines.seams,
        [(upper_small[s.pieces[0]], upper_small[s.pieces[1]]) for s in design.seams],
        room[: sum(map(len, lines.seams))],
        registration,
        reference,
        job,
    )
    rims = _placed(
        lines.rims,
        [(upper_small[r.piece], upper_small[r.piece]) for r in design.rims],
        room[sum(map(len, lines.seams)) :],
        registration,
        reference,
        job,
    )
    return seams, rims


def _placed(
    lines: tuple[Stations, ...],
    small: list[tuple[bool, bool]],
    room_mm: FloatArray,
    registration: Registration,
    reference: Reference,
    job: Job,
) -> PlacedStations:
    lengths = [len(s) for s in lines]
    count = sum(lengths)
    empty = np.zeros((0, 2))
    xy = registration.to_sheet(np.vstack([s.xy_mm for s in lines] or [empty]))
    normal = np.vstack([s.normal for s in lines] or [empty]) @ registration.matrix.T
    line = np.repeat(np.arange(len(lines)), lengths)
    stretch, offset = np.zeros(count, np.int64), 0
    start = 0
    for s in lines:
        stretch[start : start + len(s)] = s.stretch + offset
        offset += int(s.stretch.max(initial=-1)) + 1
        start += len(s)
    thickness = job.thickness_mm
    camera = reference.camera
    left_small = np.repeat(np.array([a for a, _ in small], bool), lengths)
    right_small = np.repeat(np.array([b for _, b in small], bool), lengths)
    uv = project(camera, xy, height_mm=thickness)
    width, height = camera.image_size_px
    left, top, right, bottom = reference.opening_mm.bounds
    margin = max(2.0, _BORDER_MM * reference.px_per_mm)
    inside = (uv >= margin).all(axis=1) & (uv[:, 0] < width - margin) & (uv[:, 1] < height - margin)
    inside &= (xy[:, 0] > left) & (xy[:, 0] < right) & (xy[:, 1] > top) & (xy[:, 1] < bottom)
    return PlacedStations(
        xy_mm=xy,
        normal=normal,
        line=line,
        stretch=stretch,
        junction_mm=np.concatenate([s.junction_mm for s in lines] or [np.zeros(0)]),
        scale_px_mm=px_per_mm(camera, xy, height_mm=thickness) if count else np.zeros(0),
        left_small=left_small,
        right_small=right_small,
        room_mm=room_mm,
        inside=inside,
    )


def _periods(stations: Stations) -> FloatArray:
    """Length (N,) after which a closed stretch meets itself again; infinite on open ones."""
    count = np.bincount(stations.stretch, minlength=1)[stations.stretch]
    pitch = np.median(np.diff(stations.s_mm)) if len(stations) > 1 else np.inf
    return np.where(np.isinf(stations.junction_mm), count * pitch, np.inf)


def _room(
    xy: FloatArray,
    owner: NDArray[np.int64],
    along: FloatArray,
    period: FloatArray,
    *,
    farthest_mm: float = 2.0,
) -> FloatArray:
    """Distance (N,) to the nearest station of another line, or of the same line a good way along it; capped."""
    from scipy.spatial import cKDTree

    room = np.full(len(xy), farthest_mm)
    if len(xy) == 0:
        return room
    tree = cKDTree(xy)
    pairs = tree.query_pairs(farthest_mm, output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    apart = np.abs(along[a] - along[b])
    apart = np.minimum(apart, np.abs(period[a] - apart))
    other = (owner[a] != owner[b]) | (apart > _SAME_SEAM_APART_MM)
    a, b = a[other], b[other]
    distance = np.hypot(*(xy[a] - xy[b]).T)
    np.minimum.at(room, a, distance)
    np.minimum.at(room, b, distance)
    return room
