"""overlay.png: the photo with every seam in the colour of its gap."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import SeamGaps
from gapscan.report.gap_colours import gap_colours, scale_top_mm
from gapscan.report.labels import place_labels, shorten
from gapscan.report.legend import draw_legend
from gapscan.report.types import FloatArray, Inspection, PieceTrace

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

_Mapping = Callable[[FloatArray], FloatArray]

LONGEST_PX = 2000
_SHADES = 48  # steps of the colour scale that are told apart on the picture
_SUPERSAMPLE = 2
_LEGEND_SHARE = 0.075  # of the longer side
# None of these lies on the colour scale: greys for what was not seen, vermilion (Okabe and Ito) for recuts.
UNSEEN_LIGHT = (245, 245, 245)
UNSEEN_DARK = (120, 120, 120)
RECUT = (255, 110, 48)
_CASING = (0, 0, 0)


def overlay_image(inspection: Inspection) -> Image:
    """RGB picture, longer side at most 2400 px: photo above, legend below.

    The photo is greyed and dimmed so that the colours stand out. Seams carry the colour of their gap;
    stretches that were not seen are dashed in grey and white. Pieces to recut are tinted, outlined and named.
    """
    from PIL import Image, ImageDraw

    height, width = inspection.display_bgr.shape[:2]
    legend_px = round(_LEGEND_SHARE * min(LONGEST_PX, max(width, height)))
    scale = min(1.0, LONGEST_PX / width, (LONGEST_PX - legend_px) / height)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    fine = size[0] * _SUPERSAMPLE, size[1] * _SUPERSAMPLE
    canvas = _dimmed(inspection.display_bgr, size, fine)
    # Integers are pixel centres: pixel u of the photo lies at (u + 0.5) * scale - 0.5 in a scaled picture.
    factor = np.array([fine[0] / width, fine[1] / height])

    def to_canvas(px: FloatArray) -> FloatArray:
        return np.asarray((px + 0.5) * factor - 0.5, dtype=np.float64)

    line_px = max(3.0, max(fine) / 560.0)
    _tint_recuts(canvas, inspection, to_canvas, line_px)
    draw = ImageDraw.Draw(canvas)
    top_mm, beyond = scale_top_mm(inspection)
    traces = {trace.id: trace.px for trace in inspection.seam_traces}
    for seam in inspection.survey.seams:
        if seam.id in traces:
            _draw_seam(draw, seam, to_canvas(traces[seam.id]), top_mm, line_px)
    _draw_labels(draw, inspection, to_canvas, fine)
    picture = canvas.reduce(_SUPERSAMPLE)
    whole = Image.new("RGB", (size[0], size[1] + legend_px), (18, 18, 18))
    whole.paste(picture, (0, 0))
    legend = draw_legend(
        (size[0], legend_px), tolerance_mm=inspection.job.tolerance_mm, top_mm=top_mm, beyond=beyond,
        recut_rgb=RECUT, unseen_rgb=(UNSEEN_LIGHT, UNSEEN_DARK),
    )  # fmt: skip
    whole.paste(legend, (0, size[1]))
    return whole


def _dimmed(display_bgr: NDArray[np.uint8], size: tuple[int, int], fine: tuple[int, int]) -> Image:
    """The photo with the detail of ``size`` on a canvas of ``fine``, nearly grey, compressed into the lower half."""
    import cv2
    from PIL import Image

    small = cv2.resize(display_bgr, size, interpolation=cv2.INTER_AREA)
    # One matrix fades towards luma (ITU-R BT.709 weights), dims, and turns B, G, R into R, G, B.
    luma = np.array([0.0722, 0.7152, 0.2126])
    fade = 0.42 * (0.25 * np.eye(3)[::-1] + 0.75 * np.tile(luma, (3, 1)))
    faded = cv2.transform(small, np.column_stack([fade, np.full(3, 14.0)]))
    return Image.fromarray(cv2.resize(faded, fine, interpolation=cv2.INTER_LINEAR))


def _tint_recuts(canvas: Image, inspection: Inspection, to_canvas: _Mapping, line_px: float) -> None:
    from PIL import Image, ImageDraw

    traces = _recut_traces(inspection)
    if not traces:
        return
    mask = Image.new("L", canvas.size, 0)
    edges = Image.new("L", canvas.size, 0)
    fill, outline = ImageDraw.Draw(mask), ImageDraw.Draw(edges)
    for trace in traces:
        for number, ring in enumerate(trace.outline_px):
            points = to_canvas(ring)
            if len(points) < 3 or not np.isfinite(points).all():
                continue
            corners = [(float(x), float(y)) for x, y in _thinned(points, 2.0 * line_px)]
            if len(corners) < 3:
                continue
            fill.polygon(corners, fill=0 if number else 90)
            outline.line([*corners, corners[0]], fill=255, width=round(4.2 * line_px), joint="curve")
    canvas.paste(RECUT, (0, 0), mask)
    canvas.paste(RECUT, (0, 0), edges)


def _draw_seam(draw: ImageDraw, seam: SeamGaps, px: FloatArray, top_mm: float, line_px: float) -> None:
    """Black casing, then each station's share of the line in its colour, then dashes where it was not seen."""
    colours = gap_colours(np.nan_to_num(seam.gap_mm), top_mm=top_mm)
    finite = np.isfinite(px).all(axis=1)
    runs = []
    for stretch in np.unique(seam.stations.stretch):
        index = np.flatnonzero((seam.stations.stretch == stretch) & finite)
        runs += [run for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1) if run.size]
    for run in runs:
        _line(draw, _thinned(_ends(px[run]), 1.5 * line_px), _CASING, 2.2 * line_px)
    for run in runs:
        edges = _ends(px[run])
        seen = seam.seen[run]
        # Neighbours of one colour are one line: far fewer, and no joints.
        shade = np.where(seen, np.round(np.nan_to_num(seam.gap_mm[run]) / top_mm * _SHADES), -1)
        bounds = np.flatnonzero(np.r_[True, np.diff(shade) != 0, True])
        for first, last in itertools.pairwise(bounds):
            if seen[first]:
                colour = tuple(int(c) for c in colours[run[(first + last - 1) // 2]])
                _line(draw, edges[2 * first : 2 * last + 1], colour, line_px * 1.3)
        starts = np.flatnonzero(~seen & np.r_[True, seen[:-1]])
        stops = np.flatnonzero(~seen & np.r_[seen[1:], True])
        for start, stop in zip(starts, stops, strict=True):
            _dashes(draw, edges[2 * start : 2 * stop + 3], line_px)


def _ends(points: FloatArray) -> FloatArray:
    """(2N + 1, 2): each point between the midpoints to its neighbours; the outer ends reach half a step
    further.
    """
    if len(points) == 1:
        return np.asarray(points + np.array([[-1.0, 0.0], [0.0, 0.0], [1.0, 0.0]]))
    line = np.empty((2 * len(points) + 1, 2))
    line[1::2] = points
    line[2:-1:2] = 0.5 * (points[:-1] + points[1:])
    line[0] = points[0] - 0.5 * (points[1] - points[0])
    line[-1] = points[-1] + 0.5 * (points[-1] - points[-2])
    return line


def _thinned(points: FloatArray, spacing_px: float) -> FloatArray:
    """Fewer points on the same line, ends kept: joints closer than the line is wide draw spikes."""
    import shapely

    dense = shapely.simplify(shapely.LineString(points), 0.25)
    coords = np.asarray(dense.coords)
    kept = [0]
    for k in range(1, len(coords) - 1):
        if np.hypot(*(coords[k] - coords[kept[-1]])) >= spacing_px:
            kept.append(k)
    return np.asarray(coords[[*kept, len(coords) - 1]])


def _dashes(draw: ImageDraw, points: FloatArray, line_px: float) -> None:
    """Short white and grey dashes, thinner than a measured stretch."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    dash_px = 2.2 * line_px
    count = max(2, round(along[-1] / dash_px))
    ends = np.linspace(0.0, along[-1], count + 1)
    for k in range(count):
        inner = along[(along > ends[k]) & (along < ends[k + 1])]
        at = np.r_[ends[k], inner, ends[k + 1]]
        dash = np.stack([np.interp(at, along, points[:, c]) for c in range(2)], axis=1)
        _line(draw, dash, UNSEEN_DARK if k % 2 else UNSEEN_LIGHT, line_px)


def _line(draw: ImageDraw, points: FloatArray, colour: tuple[int, ...], width_px: float) -> None:
    corners = [(float(x), float(y)) for x, y in points]
    draw.line(corners, fill=colour, width=max(1, round(width_px)), joint="curve")


def _draw_labels(draw: ImageDraw, inspection: Inspection, to_canvas: _Mapping, size: tuple[int, int]) -> None:
    """Name and change of every piece to recut, on a dark plate, with a leader when it had to move aside."""
    from PIL import ImageFont

    traces = _recut_traces(inspection)
    changes = {d.id: d.offset_change_mm for d in inspection.plan.decisions}
    anchors = [to_canvas(np.asarray(trace.anchor_px, dtype=np.float64)) for trace in traces]
    kept = [k for k, anchor in enumerate(anchors) if np.isfinite(anchor).all()]
    font_px = max(18, round(max(size) / 75))
    font = ImageFont.load_default(font_px)
    pad = 0.3 * font_px
    texts = [f"{shorten(traces[k].id, 18)}  {changes[traces[k].id]:+.3f}" for k in kept]
    boxes = [draw.textbbox((0, 0), text, font=font) for text in texts]
    places = place_labels(
        [(float(anchors[k][0]), float(anchors[k][1])) for k in kept],
        [(box[2] - box[0] + 2 * pad, box[3] - box[1] + 2 * pad) for box in boxes],
        bounds=(pad, pad, size[0] - pad, size[1] - pad),
        margin=0.3 * font_px,
    )
    for k, place in zip(kept, places, strict=True):
        x, y = anchors[k]
        if not (place[0] <= x <= place[2] and place[1] <= y <= place[3]):
            centre = (place[0] + place[2]) / 2, (place[1] + place[3]) / 2
            draw.line([(float(x), float(y)), centre], fill=RECUT, width=max(2, round(font_px / 10)))
    for text, box, place in zip(texts, boxes, places, strict=True):
        border = max(2, round(font_px / 12))
        draw.rounded_rectangle(place, radius=pad, fill=(0, 0, 0), outline=RECUT, width=border)
        corner = place[0] + pad - box[0], place[1] + pad - box[1]
        draw.text(corner, text, font=font, fill=(255, 255, 255))


def _recut_traces(inspection: Inspection) -> list[PieceTrace]:
    recut = {decision.id for decision in inspection.plan.decisions if decision.verdict == "recut"}
    return [trace for trace in inspection.piece_traces if trace.id in recut]
